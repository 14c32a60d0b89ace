"""A hundred hours of logs through `livemon learn`: time, memory of the largest process, and what the reading costs.

    python -m tests.bench.learn_speed [--hours H]

Drives of the made-up world (one vehicle, hour-long drives, other weather and roads each) are written in the log form at
1 Hz, full set of signals.  The yardstick is a plain csv.DictReader pass over one of them in the same run.  Processor
time is that of all processes together, so other work on the machine does not count; wall time is what passed here.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from livemon.core.events import Link
from livemon.sim import rigs
from livemon.sim.drive import Rig
from livemon.sim.drive import run as drive
from livemon.wire.log_text import LogWriter, settled
from tests.bench.replay_speed import dict_reader_s

SEED = 77
KINDS = ("passes", "traffic", "rolling", "irregular")
MOST_S = 120.0
"""Of wall time for 100 hours on the two cores of the machine this was written on."""
MOST_MB = 400.0
EACH_S = 3600


def vehicle(count: int) -> list[Rig]:
    """Drives of one vehicle: the first rig's figures on everybody's road, in everybody's weather."""
    per = -(-count // len(KINDS))
    drawn = [one for kind in KINDS for one in rigs.draw(SEED, per, kind)][:count]
    first = drawn[0]
    return [replace(r, body=first.body, engine=first.engine, cooling=first.cooling, sensor=first.sensor) for r in drawn]


def write(folder: Path, count: int) -> list[Path]:
    """`count` logs of one hour."""
    driven = drive(vehicle(count), EACH_S)
    paths = []
    for k in range(count):
        writer = LogWriter()
        path = folder / f"drive-{k:03d}.csv"
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.write(writer.header({"simulated": driven.rigs[k].name}))
            file.writelines(writer.row(settled(e, e.t_ms)) for e in driven.events(k))
            file.write(writer.row(Link(EACH_S * 1000, False, "end of the drive")))
        paths.append(path)
    return paths


def learn(paths: list[Path], out: Path) -> tuple[float, float, float]:
    """Wall time [s], processor time of all its processes [s], peak memory of the largest [MB]."""
    command = [sys.executable, "-m", "livemon", "learn", *map(str, paths), "--out", str(out), "--quiet", "--json"]
    begun = time.monotonic()
    with open(os.devnull, "wb") as nowhere:
        process = subprocess.Popen(command, stdout=nowhere)
        _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise SystemExit(f"livemon learn ended with status {process.returncode}")
    return time.monotonic() - begun, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.learn_speed", description="Speed of learn")
    parser.add_argument("--hours", type=int, default=100)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        paths = write(folder, asked.hours)
        size_mb = sum(p.stat().st_size for p in paths) / 1e6
        plain = dict_reader_s(paths[0]) * len(paths)
        wall, taken, peak_mb = learn(paths, folder / "vehicle.yaml")
        busy = os.getloadavg()[0] / (os.cpu_count() or 1)
    print(f"{asked.hours} h in {len(paths)} logs, {size_mb:.0f} MB")
    print(f"wall time                {wall:8.1f} s     (load {busy:.1f} a core)")
    print(f"processor time           {taken:8.1f} s     {taken / plain:.1f} x a csv.DictReader pass over the same logs")
    print(f"largest process          {peak_mb:8.0f} MB")
    if wall > MOST_S * asked.hours / 100:
        print(f"not met: longer than {MOST_S:.0f} s for 100 h")
    if peak_mb > MOST_MB:
        print(f"not met: more than {MOST_MB:.0f} MB")


if __name__ == "__main__":
    main()
