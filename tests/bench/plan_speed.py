"""How long a route of 100,000 points takes from file to plan, against gpxpy reading the same file in the same run.

    python -m tests.bench.plan_speed [--points N] [--km K]

Makes the file (a made-up road over several passes with a metre of noise), then prints the seconds of processor time of
each part, the best of three, and each as a share of what gpxpy needs only to read it.  `whole` is the command as a user
runs it, in a process of its own, start of Python included.
"""

from __future__ import annotations

import argparse
import math
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import gpxpy

from livemon.core.vehicle import VehicleProfile
from livemon.readers.route_file import read_route
from livemon.study.plan import Way, Weather, plan
from livemon.study.remedies import remedies
from livemon.verbs.plan import SCOUT_STEPS
from tests.bench.replay_speed import as_installed

RUNS = 3


def made_up(path: Path, points: int, km: float) -> None:
    """A GPX track with time stamps, as a receiver writes it: passes of 1200 m each 60 km."""
    noise = random.Random(1)
    with path.open("w", encoding="utf-8") as file:
        file.write('<?xml version="1.0" encoding="UTF-8"?>\n')
        file.write('<gpx version="1.1" creator="made up" xmlns="http://www.topografix.com/GPX/1/1">\n<trk><trkseg>\n')
        for k in range(points):
            at = 1000.0 * km * k / points
            latitude = 45.0 + 0.7 * at / 111_132 + 0.0005 * math.sin(at / 400.0)
            longitude = 7.0 + 0.7 * at / 78_800
            height = 400.0 + 600.0 * (1.0 - math.cos(2.0 * math.pi * at / 60_000.0)) + noise.gauss(0.0, 1.0)
            file.write(
                f'<trkpt lat="{latitude:.7f}" lon="{longitude:.7f}"><ele>{height:.2f}</ele>'
                f"<time>2026-06-01T{k // 3600 % 24:02d}:{k // 60 % 60:02d}:{k % 60:02d}Z</time></trkpt>\n"
            )
        file.write("</trkseg></trk></gpx>\n")


def best_s(act: Callable[[], object]) -> float:
    """Least processor time of a few runs [s]."""
    times = []
    for _ in range(RUNS):
        begin = time.process_time()
        act()
        times.append(time.process_time() - begin)
    return min(times)


def command_s(path: Path) -> float:
    """Processor time of the command in a process of its own [s]."""
    words = [
        sys.executable,
        "-m",
        "livemon",
        "plan",
        str(path),
        "--outside",
        "39 C",
        "--speed",
        "80 km/h",
        "--ac",
        "on",
    ]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(words, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--points", type=int, default=100_000)
    parser.add_argument("--km", type=float, default=300.0)
    args = parser.parse_args()
    profile, weather, way = VehicleProfile(), Weather(39.0), Way("as wished", 80.0, ac_on=True)
    with tempfile.TemporaryDirectory() as folder:
        as_installed(folder, "plan")
        path = Path(folder) / "road.gpx"
        made_up(path, args.points, args.km)
        text = path.read_text(encoding="utf-8")
        peer = best_s(lambda: gpxpy.parse(text))
        route = read_route(path)
        scout = plan(route, profile, weather, [way], SCOUT_STEPS)[0]
        ways = [way, *remedies(way, scout, profile)]
        parts = {
            "gpxpy reads it": peer,
            "read and clean": best_s(lambda: read_route(path)),
            "plan, first look": best_s(lambda: plan(route, profile, weather, [way], SCOUT_STEPS)),
            f"plan, {len(ways)} ways": best_s(lambda: plan(route, profile, weather, ways)),
            "whole command": min(command_s(path) for _ in range(RUNS)),
        }
    print(f"{args.points} points over {args.km:g} km, processor time, best of {RUNS}")
    for name, seconds in parts.items():
        print(f"{name:<18} {seconds:5.2f} s  {seconds / peer:5.2f} of gpxpy")


if __name__ == "__main__":
    main()
