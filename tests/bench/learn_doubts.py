"""`python -m tests.bench.learn_doubts`: which drives are left out because the live program doubts their sensor.

Sound drives of both made-up plants should stay, also of vehicles that run hotter than their profile; drives in which
the coolant left the sensor, or whose sensor fails from the middle on, should go.  Each drive is looked at with three
profiles: the default, what the owner could type, and a default vehicle with half as much radiator again, beside which
nearly every vehicle runs hot; a failing sensor with the default alone.  A fault that was hardly felt tells nothing and
is counted apart.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterable

import numpy as np

from livemon.core.events import Event, Tick
from livemon.core.figures import FIGURES, Figure
from livemon.core.moment import CoreSettings
from livemon.core.vehicle import VehicleProfile
from livemon.study.disbelief import Disbelief, Watch
from tests.bench import trust, trust_drives
from tests.bench.forecast import ours, real
from tests.bench.forecast.drives import Drive

MORE_RADIATOR = 1.5
HOT_C = 108.0
SENSOR = ("stuck", "open", "short", "jumps", "apart", "one reading")
LOST = ("coolant", "coolant_loss")
ALL = ("default", "typed", "optimist")


def optimist() -> VehicleProfile:
    """A vehicle with more radiator than any of these, beside which a sound one runs hot."""
    usual = FIGURES["radiator_kw_k"].default
    return VehicleProfile(typed={"radiator_kw_k": Figure(MORE_RADIATOR * usual.likely, usual.spread)})


def disbelief(events: Iterable[Event], profile: VehicleProfile) -> Disbelief | None:
    """As the verbs ask it of a log."""
    told = [event for event in events if not isinstance(event, Tick)]
    watch = Watch(CoreSettings(profile=profile))
    for _ in watch.over(told):
        pass
    return watch.settled(lambda: told)


def _profiles(typed: VehicleProfile) -> dict[str, VehicleProfile]:
    return {"default": VehicleProfile(), "typed": typed, "optimist": optimist()}


def _row(what: str, drives: list[tuple[Drive, VehicleProfile]], words: bool, names: tuple[str, ...] = ALL) -> None:
    gone: Counter[str] = Counter()
    for drive, typed in drives:
        for name, profile in _profiles(typed).items():
            if name not in names:
                continue
            found = disbelief(ours.events(drive), profile)
            gone[name] += found is not None
            if words and found is not None:
                print("   ", drive.plant, drive.number, name, f"fault {drive.fault_at_s}", found)
    told = ", ".join(f"{name} {gone[name]}" for name in names)
    print(f"| {what} | {len(drives)} | {told} |", flush=True)


def main(argv: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.learn_doubts", description=__doc__)
    parser.add_argument("--batches", type=int, default=1, help="of 48 broken drives with their sound twins")
    parser.add_argument("--sensors", type=int, default=12, help="sound drives of each plant spoiled in each way")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plants", default="plant2,sim")
    parser.add_argument("--real", action="store_true", help="the real trips too, where ../shared/datasets is there")
    parser.add_argument("--words", action="store_true", help="print every drive that goes, and why")
    args = parser.parse_args(argv)
    print("| drives | of | left out with profile |\n|---|---|---|", flush=True)
    for plant in args.plants.split(","):
        broken = trust_drives.broken(plant, args.batches, args.seed) if args.batches else ()
        sound = [(one.twin, one.typed) for one in broken]
        hot = [one for one in sound if one[0].readings["coolant_c"].max() >= HOT_C]
        cool = [one for one in sound if one[0].readings["coolant_c"].max() < HOT_C]
        _row(f"{plant}, sound, under {HOT_C:.0f} C", cool, args.words)
        _row(f"{plant}, sound, to {HOT_C:.0f} C and over", hot, args.words)
        lost = [one for one in broken if one.kind in LOST]
        _row(f"{plant}, coolant lost, felt", [(o.drive, o.typed) for o in lost if o.felt_s is not None], args.words)
        _row(f"{plant}, coolant lost, hardly felt", [(o.drive, o.typed) for o in lost if o.felt_s is None], args.words)
        other = [(o.drive, o.typed) for o in broken if o.kind not in LOST]
        _row(f"{plant}, another part broken", other, args.words)
        rng = np.random.default_rng(args.seed)
        for kind in SENSOR:
            spoiled = [(trust.spoiled(drive, kind, rng), typed) for drive, typed in sound[: args.sensors]]
            _row(f"{plant}, sensor: {kind}", spoiled, args.words, ("default",))
    where = real.folder() if args.real else None
    for name, profile in _profiles(VehicleProfile()).items() if where is not None else ():
        assert where is not None
        trips = list(real.trips(where))
        gone = [f"{trip.name}: {found}" for trip in trips if (found := disbelief(trip.events, profile)) is not None]
        print(f"real trips, profile {name}: {len(gone)} of {len(trips)} left out {gone}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
