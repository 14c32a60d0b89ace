"""How fast a replay runs, how much memory it takes, and what the help costs: ratios of one run, no absolute claim.

    python -m tests.bench.replay_speed [--hours H] [LOG]

Without LOG a drive of `--hours` at 1 Hz is laid end to end from replay/pass-crosses-limit.  Measured in child
processes, one after the other, against a plain csv.DictReader pass over the same file in the same run.  Times are
processor time, so that other work on the machine does not count; on an idle machine it is the time that passes.
"""

from __future__ import annotations

import argparse
import csv
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from livemon.core.events import Event
from livemon.core.grid import on_grid
from livemon.core.pipeline import CoreSettings
from livemon.outputs.summary import Tally
from livemon.readers.log_file import LogFile
from livemon.run import Sink, rerun, run
from tests.replays import FOLDER

HELP_RUNS = 15
LEAST_SPEED = 1000.0
MOST_MB = 80.0
MOST_HELP = 1.15


def long_log(path: Path, hours: float) -> None:
    """The made-up pass, again and again, one row a second."""
    lines = (FOLDER / "pass-crosses-limit" / "log.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    head = next(at for at, line in enumerate(lines) if line.startswith("time_s"))
    rows = [
        line.partition(",")[2] for line in lines[head + 1 :] if ",," in line and "down" not in line and ".000," in line
    ]
    with path.open("w", encoding="utf-8") as file:
        file.writelines(lines[: head + 1])
        file.writelines(f"{second}.000,{rows[second % len(rows)]}" for second in range(int(hours * 3600)))


def as_installed(scratch: str, verb: str) -> None:
    """Children find their modules compiled, as they are where the program is installed, whatever this shell says."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = f"{scratch}/compiled"
    child("-m", "livemon", verb, "--help")


def child(*command: str) -> tuple[float, float]:
    """Processor time [s] and peak memory [MB] of one child."""
    with open(os.devnull, "wb") as nowhere:
        process = subprocess.Popen([sys.executable, *command], stdout=nowhere, stderr=nowhere)
        _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise SystemExit(f"{' '.join(command)} ended with status {process.returncode}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def dict_reader_s(path: Path) -> float:
    begun = time.process_time()
    with path.open(newline="") as file:
        text = (line for line in file if not line.startswith("#"))
        sum(1 for _ in csv.DictReader(text))
    return time.process_time() - begun


def parser_s(path: Path) -> tuple[float, int, float]:
    """Reading alone: time, rows, and the span of the log [s]."""
    begun = time.process_time()
    log = LogFile(path)
    first = last = None
    for event in log.events():
        first = event.t_ms if first is None else first
        last = event.t_ms
    return time.process_time() - begun, log.rows, ((last or 0) - (first or 0)) / 1000


def pipeline_s(path: Path, how: Callable[[Iterable[Event], CoreSettings, Sequence[Sink]], None]) -> float:
    begun = time.process_time()
    how(on_grid(LogFile(path).events()), CoreSettings(), [Tally()])
    return time.process_time() - begun


def help_ratio() -> tuple[float, float]:
    """Medians [s] of `livemon --help` and of importing rich, taken in turn so that a busy machine hurts both."""
    ours, theirs = [], []
    for _ in range(HELP_RUNS):
        ours.append(child("-m", "livemon", "--help")[0])
        theirs.append(child("-c", "import rich")[0])
    return statistics.median(ours), statistics.median(theirs)


def line(what: str, taken: float, rows: int, plain: float, span: float) -> None:
    each = f"{1e6 * taken / rows:8.1f} us a row"
    print(f"{what:<22} {each}  {taken / plain:6.1f} x the pass  {span / taken:8.0f} times real time")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.replay_speed", description="Speed of a replay")
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("log", nargs="?", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        path = asked.log or Path(scratch) / "long.csv"
        if asked.log is None:
            long_log(path, asked.hours)
        plain = dict_reader_s(path)
        read, rows, span = parser_s(path)
        one_by_one, in_pieces = pipeline_s(path, run), pipeline_s(path, rerun)
        as_installed(scratch, "replay")
        whole, peak_mb = child("-m", "livemon", "replay", str(path), "--json", "--quiet")
        ours, theirs = help_ratio()
    print(f"log: {rows} rows over {span:.0f} s")
    line("csv.DictReader pass", plain, rows, plain, span)
    line("reading alone", read, rows, plain, span)
    line("forecast, as live", one_by_one, rows, plain, span)
    line("forecast, in pieces", in_pieces, rows, plain, span)
    line("livemon replay --json", whole, rows, plain, span)
    speed = span / whole
    print(f"peak memory of it       {peak_mb:8.1f} MB")
    print(f"livemon --help          {1000 * ours:8.0f} ms   {ours / theirs:.2f} x import rich ({1000 * theirs:.0f} ms)")
    for wrong, words in (
        (speed < LEAST_SPEED, f"slower than {LEAST_SPEED:.0f} times real time"),
        (peak_mb > MOST_MB, f"more than {MOST_MB:.0f} MB"),
        (ours / theirs > MOST_HELP, f"help costs more than {MOST_HELP:g} x import rich"),
    ):
        if wrong:
            print(f"not met: {words}")


if __name__ == "__main__":
    main()
