"""The plan a drive takes along: made from route, vehicle and weather, the same again from a recording's header, and
told when the drive leaves it."""

from __future__ import annotations

import argparse
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from livemon.cli import main
from livemon.core.events import Event
from livemon.core.figures import FIGURES, Figure
from livemon.core.grid import on_grid
from livemon.core.outcome import Outcome
from livemon.core.planned import PlannedRoad
from livemon.core.vehicle import VehicleProfile
from livemon.files import vehicle_file
from livemon.readers.log_file import LogFile
from livemon.run import run
from livemon.sim.readings import METRES_PER_DEGREE
from livemon.sim.road import STEP_M, Road
from livemon.sim.scenarios import WAGON, karga_road
from livemon.verbs import common, watch

LENGTH = "12 min"


class Kept:
    """A sink that keeps what was said, second by second."""

    def __init__(self) -> None:
        self.outcomes: list[Outcome] = []

    def event(self, event: Event) -> None:
        """Not needed here."""

    def outcome(self, outcome: Outcome) -> None:
        self.outcomes.append(outcome)


def gpx(road: Road, path: Path) -> Path:
    """The made-up road as a track; the simulator's receiver drives on one meridian."""
    body = "".join(
        f'<trkpt lat="{STEP_M * k / METRES_PER_DEGREE:.6f}" lon="-30"><ele>{height:.1f}</ele></trkpt>'
        for k, height in enumerate(road.height_m)
    )
    path.write_text(f"<gpx><trk><name>Karga</name><trkseg>{body}</trkseg></trk></gpx>")
    return path


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A recorded climb with positions, its route, and the vehicle that drove it as a file."""
    folder = tmp_path_factory.mktemp("plan")
    log = folder / "log.csv"
    words = ["simulate", "--scenario", "karga-pass", "--signals", "gps", "--length", LENGTH, "--log", str(log)]
    assert main([*words, "--quiet"]) == 0
    vehicle = folder / "wagon.yaml"
    known = {name: WAGON.figure(name) for name in FIGURES}
    learned = {name: Figure(f.likely, 0.3 * FIGURES[name].spread, "learned") for name, f in known.items()}
    vehicle.write_text(vehicle_file.to_yaml(replace(WAGON, learned=learned)))
    return {"log": log, "route": gpx(karga_road(), folder / "karga.gpx"), "vehicle": vehicle}


def settled(drive: dict[str, Path], *words: str, header: dict[str, str] | None = None) -> common.InForce:
    parser = argparse.ArgumentParser()
    common.add_common(parser)
    given = [] if header is not None else ["--route", str(drive["route"]), "--vehicle", str(drive["vehicle"])]
    return common.settle(parser.parse_args([*given, *words]), header)


def said(drive: dict[str, Path], force: common.InForce) -> list[Outcome]:
    kept = Kept()
    run(on_grid(LogFile(drive["log"]).events()), force.core(), [kept])
    return kept.outcomes


def same(a: PlannedRoad | None, b: PlannedRoad | None) -> bool:
    assert a is not None
    assert b is not None
    return all(np.array_equal(getattr(a, name), getattr(b, name)) for name in PlannedRoad.__slots__)


def test_it_is_said_when_the_drive_leaves_its_plan_and_it_changes_nothing_else(drive: dict[str, Path]) -> None:
    as_planned = said(drive, settled(drive, "--outside", "37 C", "--plan-speed", "86 km/h", "--plan-ac", "on"))
    assert sum(o.off_plan is not None for o in as_planned) < 60, "made up on the same road but for wind and driver"
    otherwise = said(drive, settled(drive, "--outside", "37 C", "--plan-speed", "40 km/h"))
    hottest = max((o.off_plan for o in otherwise if o.off_plan is not None), key=lambda off: off.over_c)
    assert hottest.over_c > 5.0
    assert hottest.faster_kmh > 20.0
    assert [replace(o, off_plan=None) for o in otherwise] == [replace(o, off_plan=None) for o in as_planned]


def test_a_replay_makes_the_same_plan_from_the_header(drive: dict[str, Path]) -> None:
    live = settled(drive, "--outside", "37 C", "--plan-speed", "86 km/h", "--plan-ac", "on", "--mass", "2300 kg")
    again = settled(drive, header=live.header())
    assert same(live.core().planned, again.core().planned)
    other = settled(drive, "--plan-speed", "60 km/h", header=live.header())
    assert not same(live.core().planned, other.core().planned)


def test_without_a_route_or_an_outside_temperature_there_is_no_plan(drive: dict[str, Path]) -> None:
    assert settled(drive).core().planned is None
    assert settled(drive, header={}).core().planned is None


def test_watch_says_before_the_drive_what_is_wrong_on_this_road(drive: dict[str, Path]) -> None:
    no_air = settled(drive)
    assert watch.before_the_drive(no_air, no_air.core()) == [
        "no plan of the route to compare with: give the air at its foot, such as --outside '36 C'"
    ]
    too_high = settled(drive, "--outside", "37 C", "--stop", "133 C")
    (told,) = watch.before_the_drive(too_high, too_high.core())
    assert "drive.stop (--stop): expected below" in told
    summit = re.search(r"boil at (\d+) m", told)
    assert summit is not None
    assert float(summit[1]) == pytest.approx(max(karga_road().height_m), abs=5.0), "the road is smoothed over 75 m"
    fine = settled(drive, "--outside", "37 C")
    assert watch.before_the_drive(fine, fine.core()) == []


def test_watch_says_without_a_route_what_boils_at_sea_level_already() -> None:
    def told(stop: str) -> list[str]:
        parser = argparse.ArgumentParser()
        common.add_common(parser)
        force = common.settle(parser.parse_args(["--stop", stop]))
        return watch.before_the_drive(force, force.core())

    assert told("118 C") == []
    (words,) = told("133 C")
    assert "where the coolant may boil at 0 m under this cap" in words


def test_a_gear_the_vehicle_does_not_have_is_its_highest(drive: dict[str, Path], tmp_path: Path) -> None:
    (tmp_path / "s.yaml").write_text("plan:\n  gear: 9\n")
    (tmp_path / "t.yaml").write_text("plan:\n  gear: 4\n")
    assert len(VehicleProfile().body().gear_ratios) == 4
    nine, four = (
        settled(drive, "--outside", "37 C", "--settings", str(tmp_path / name)).core().planned
        for name in ("s.yaml", "t.yaml")
    )
    assert same(nine, four)
