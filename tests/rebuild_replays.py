"""Rebuilds what is expected of the drives under replay/, and with --logs the made-up drives themselves.

    python -m tests.rebuild_replays [--logs] [NAME ...]

Prints how many lines moved.  The commit that brings a rebuilt output says why it moved.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from livemon.cli import main as livemon
from livemon.sim.readings import METRES_PER_DEGREE
from livemon.sim.road import STEP_M
from livemon.sim.scenarios import SCENARIOS
from tests.replays import FOLDER, MADE, Made, names, say, thinned

_SETTINGS = """\
# Settings under which expected.jsonl was made; what is not named here is at its default.
drive:
  limit: 108 C
"""
_TYPED = """\
# An invented wagon: what its owner can read off it, and what three drives taught.
name: "Brindle wagon"
fuel: petrol
typed:
  mass: 2150 kg +- 60 kg
  displacement: 4.2 L +- 0.02 L
  tyre_radius: 0.375 m +- 0.005 m
  axle_ratio: 3.9 +- 0.02
"""
_POINT_M = 250.0


def make_route(name: str, made: Made) -> None:
    """The road of the scenario as a GPX file: on the meridian on which the simulator puts its receiver."""
    road = SCENARIOS[made.simulate[made.simulate.index("--scenario") + 1]].build(1).road
    every = round(_POINT_M / STEP_M)
    points = []
    for k in range(0, len(road.height_m), every):
        north = k * STEP_M / METRES_PER_DEGREE
        points.append(f'<trkpt lat="{north:.6f}" lon="-30.000000"><ele>{road.height_m[k]:.1f}</ele></trkpt>\n')
    (FOLDER / name / "route.gpx").write_text(
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="made up" xmlns="http://www.topografix.com/GPX/1/1">\n'
        "<trk><name>invented road</name><trkseg>\n" + "".join(points) + "</trkseg></trk></gpx>\n",
        encoding="utf-8",
        newline="\n",
    )


def make_vehicle(name: str, made: Made) -> None:
    """What `livemon learn` writes after the earlier drives."""
    with tempfile.TemporaryDirectory() as scratch:
        typed, logs = Path(scratch) / "typed.yaml", []
        typed.write_text(_TYPED, encoding="utf-8")
        for number, words in enumerate(made.learned):
            logs.append(str(Path(scratch) / f"{number}.csv"))
            assert livemon(["simulate", *words, "--log", logs[-1], "--quiet"]) == 0
        vehicle = str(FOLDER / name / "vehicle.yaml")
        assert livemon(["learn", *logs, "--vehicle", str(typed), "--out", vehicle, "--quiet"]) == 0


def make_log(name: str, made: Made) -> None:
    """Simulates the drive, and leaves out the settings of its header, so that settings.yaml alone counts."""
    folder = FOLDER / name
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        raw = Path(scratch) / "log.csv"
        status = livemon(["simulate", *made.simulate, "--log", str(raw), "--quiet"])
        assert status == 0, f"simulate ended with status {status}"
        lines = raw.read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith(("# settings:", "# vehicle:"))]
    (folder / "log.csv").write_text("".join(kept), encoding="utf-8", newline="\n")
    settings = folder / "settings.yaml"
    if not settings.exists():
        settings.write_text(_SETTINGS, encoding="utf-8")
    if made.route:
        make_route(name, made)
    if made.learned:
        make_vehicle(name, made)
    command = " ".join(f'"{word}"' if " " in word else word for word in made.simulate)
    (folder / "NOTES.md").write_text(
        f"# {name}\n\n{made.shows}\n\n"
        "Made up, nobody drove it: an invented wagon on an invented road (`livemon/sim/scenarios.py`).\n\n"
        f"    livemon simulate {command} --log log.csv\n\n"
        + _beside(made)
        + "and the settings taken out of its header, so that `settings.yaml` alone counts. "
        "`expected.jsonl` holds each\n"
        "tenth second, every change of status, level, first advice or doubts, and the summary. Both are rebuilt by\n"
        f"`python -m tests.rebuild_replays --logs {name}`.\n",
        encoding="utf-8",
    )


def _beside(made: Made) -> str:
    """What lies beside the log, for its notes."""
    words = "`route.gpx` is the road of that scenario.\n\n" if made.route else ""
    if made.learned:
        drives = "".join(f"    livemon simulate {' '.join(drive)}\n" for drive in made.learned)
        words += f"`vehicle.yaml` is what `livemon learn` wrote after these drives:\n\n{drives}\n"
    return words


def rebuild(name: str) -> None:
    folder = FOLDER / name
    path = folder / "expected.jsonl"
    before = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    lines = thinned(say(folder / "log.csv", folder / "settings.yaml"))
    path.write_text("".join(lines), encoding="utf-8", newline="\n")
    moved = len(set(before) ^ {line.rstrip("\n") for line in lines})
    print(f"{name}: {len(lines)} lines, {moved} moved")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="python -m tests.rebuild_replays", description="Rebuild replay/")
    parser.add_argument("--logs", action="store_true", help="simulate the drives again, too")
    parser.add_argument("names", nargs="*", metavar="NAME")
    asked = parser.parse_args()
    if asked.logs:
        for made_name, how in MADE.items():
            if not asked.names or made_name in asked.names:
                make_log(made_name, how)
    for replay_name in asked.names or names():
        rebuild(replay_name)
