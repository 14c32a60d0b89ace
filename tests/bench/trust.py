"""`python -m tests.bench.trust`: what the doubts find, how soon, before the limit or not, and what they cry over.

Each broken drive stands beside its healthy twin, so a fault counts as felt from the second it has moved the coolant by
3 K (or left the sensor 5 K too low), and one that never moved it by 6 K while hot did not matter.  The limit is 108 C,
or 3 K over the twin's peak.  Each drive is judged twice: of a vehicle nobody knows, and with the profile that `learn`
made of three earlier sound drives.  "Could be" is what could be told by one who knows vehicle and road to the last
figure, but not this drive's heat, wind and air (`trust_drives.Broken.ideal_s`): nobody can do better.  Healthy drives
are the twins and those of the forecast's benchmark; on the real trips nothing at all should be doubted.  Sensor faults
are laid over healthy drives from their middle on.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from livemon.core import moment
from livemon.core.events import Event, Tick
from livemon.core.outcome import Level
from tests.bench import trust_drives
from tests.bench.forecast import ours, real
from tests.bench.forecast.drives import KINDS, Drive

COOLING = ("rise", "fan", "left sensor", "never warm")
SENSOR = (("stuck", "stuck"), ("open", "range"), ("short", "range"), ("jumps", "jumping"), ("apart", "apart"))


@dataclass(frozen=True)
class Finding:
    """A doubt that began at `at_s`."""

    at_s: float
    name: str
    words: str
    danger: Level


def findings(events: Iterable[Event], settings: moment.CoreSettings | None = None) -> list[Finding]:
    """Every doubt of a drive at the second it began, as the pipeline has them."""
    settings = settings or moment.CoreSettings()
    state = moment.start(settings)
    out: list[Finding] = []
    before: set[str] = set()
    for event in events:
        if not isinstance(event, Tick):
            state = moment.hear(state, event, settings)
            continue
        state, seen = moment.look_round(state, event, settings)
        state, _, _ = moment.at_tick(state, seen, settings)
        doubts = state.trust.doubts
        out += [Finding(event.t_ms / 1000.0, d.name, d.words, d.danger) for d in doubts if d.name not in before]
        before = {d.name for d in doubts}
    return out


def spoiled(drive: Drive, kind: str, rng: np.random.Generator) -> Drive:
    """A healthy drive with a sensor fault from its middle on."""
    readings = {name: values.copy() for name, values in drive.readings.items()}
    coolant = readings["coolant_c"]
    at = coolant.size // 2
    if kind == "stuck":
        coolant[at:] = coolant[at]
    elif kind == "open":
        coolant[at:] = -40.0
    elif kind == "short":
        coolant[at:] = 215.0
    elif kind == "jumps":
        wild = rng.random(coolant.size - at) < 0.1
        coolant[at:] += np.where(
            wild, np.round(rng.choice([-1.0, 1.0]) * rng.uniform(8.0, 30.0, coolant.size - at)), 0.0
        )
    elif kind == "apart":
        second = coolant.copy()
        second[at:] += 10.0
        readings["coolant2_c"] = second
    elif kind == "one reading":
        coolant[at] += 25.0
    return replace(drive, readings=readings, fault_at_s=at)


def _table(head: str, rows: list[tuple[str, ...]]) -> str:
    return "\n".join([head, "|" + "---|" * (head.count("|") - 1), *("| " + " | ".join(r) + " |" for r in rows), ""])


def _median(values: list[float]) -> str:
    return f"{np.median(values):.0f} s" if values else "-"


def _settings(one: trust_drives.Broken, learned: bool) -> moment.CoreSettings:
    return moment.CoreSettings(profile=one.learned) if learned else moment.CoreSettings()


def _cooling(drives: Iterable[trust_drives.Broken], learned: bool, words: bool) -> list[tuple[str, ...]]:
    """Each cooling fault: named once it had begun, how long after it was felt, before the limit or not."""
    by_kind: dict[str, list[trust_drives.Broken]] = defaultdict(list)
    for one in drives:
        by_kind[one.kind].append(one)
    rows = []
    for kind, some in sorted(by_kind.items()):
        names: Counter[str] = Counter()
        delays, leads, ideal, felt, unfelt, crossed = [], [], [], 0, 0, 0
        for one in some:
            at_s = one.drive.fault_at_s
            assert at_s is not None
            found = findings(ours.events(one.drive), _settings(one, learned))
            hits = [f for f in found if f.at_s >= at_s and f.name in COOLING]
            if words:
                print("   ", one.drive.name, f"fault {at_s} felt {one.felt_s} limit {one.crossing_s}:",
                      "; ".join(f"{f.at_s:.0f} s {f.words}" for f in hits) or "nothing")  # fmt: skip
            if one.felt_s is None:
                unfelt += bool(hits)
                continue
            felt += 1
            names.update({f.name for f in hits})
            delays += [hits[0].at_s - one.felt_s] if hits else []
            if one.crossing_s is not None:
                crossed += 1
                leads += [one.crossing_s - hits[0].at_s] if hits and hits[0].at_s <= one.crossing_s else []
                could = one.ideal_s
                ideal += [float(one.crossing_s - could)] if could is not None and could <= one.crossing_s else []
        named = ", ".join(f"{name} {n}" for name, n in names.most_common()) or "-"
        before, could_be = f"{len(leads)} of {crossed}", f"{len(ideal)} of {crossed}"
        rows.append((kind, f"{len(delays)} of {felt}", _median(delays), before, _median(leads), could_be,
                     _median(ideal), named, f"{unfelt} of {len(some) - felt}"))  # fmt: skip
    return rows


def _healthy(drives: Iterable[tuple[Drive, moment.CoreSettings | None]], words: bool) -> tuple[float, Counter[str]]:
    hours, count = 0.0, Counter[str]()
    for drive, settings in drives:
        hours += drive.truth_c.size / 3600.0
        for f in findings(ours.events(drive), settings):
            if f.name != "jump":
                count[f.name] += 1
                if words:
                    print("   ", drive.name, f"{f.at_s:.0f} s", f.words)
    return hours, count


def _sensor(drives: tuple[Drive, ...], seed: int) -> list[tuple[str, ...]]:
    rng = np.random.default_rng(seed)
    rows = []
    for kind, name in (*SENSOR, ("one reading", "")):
        after, raised = [], 0
        for drive in drives:
            bad = spoiled(drive, kind, rng)
            assert bad.fault_at_s is not None
            found = [f for f in findings(ours.events(bad)) if f.at_s >= bad.fault_at_s]
            raised += any(f.danger > Level.NORMAL and f.at_s < bad.fault_at_s + 30 for f in found)
            hit = [f for f in found if f.name == name]
            after += [hit[0].at_s - bad.fault_at_s] if hit else []
        rows.append((kind, f"{len(after)} of {len(drives)}", _median(after), f"{raised} of {len(drives)}"))
    return rows


def main(argv: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.trust", description=__doc__)
    parser.add_argument("--batches", type=int, default=3, help="of 48 broken drives; each third of sim is jams")
    parser.add_argument("--healthy", type=int, default=12, help="healthy drives of each family and kind")
    parser.add_argument("--sensors", type=int, default=4, help="drives of each family spoiled")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plants", default="plant2,sim")
    parser.add_argument("--profiles", default="broad,learned")
    parser.add_argument("--real", action="store_true", help="the real trips too, where ../shared/datasets is there")
    parser.add_argument("--words", action="store_true", help="print every doubt")
    args = parser.parse_args(argv)
    for plant in args.plants.split(","):
        print(f"\n{plant}, seed {args.seed}\n", flush=True)
        broken = trust_drives.broken(plant, args.batches, args.seed) if args.batches else ()
        for profile in args.profiles.split(",") if broken else ():
            learned = profile == "learned"
            print(f"profile {profile}\n\n" + _table(
                "| fault | named of felt | after felt | before the limit | lead | could be | lead | named as "
                "| named of unfelt |",
                _cooling(broken, learned, args.words),
            ), flush=True)  # fmt: skip
            hours, count = _healthy(((one.twin, _settings(one, learned)) for one in broken), args.words)
            told = ", ".join(f"{name} {n}" for name, n in count.most_common()) or "none"
            print(
                f"healthy twins, profile {profile}: {len(broken)} drives, {hours:.0f} h, doubts: {told}\n", flush=True
            )
        for kind in KINDS if args.healthy else ():
            some = trust_drives.healthy(plant, kind, args.healthy, args.seed)
            hours, count = _healthy(((drive, None) for drive in some), args.words)
            told = ", ".join(f"{name} {n}" for name, n in count.most_common()) or "none"
            print(f"healthy, {kind}: {len(some)} drives, {hours:.0f} h, doubts: {told}", flush=True)
        if args.sensors:
            some = trust_drives.healthy(plant, "borderline", args.sensors, args.seed)
            print(
                "\n"
                + _table("| sensor fault | named | median delay | level raised within 30 s |", _sensor(some, args.seed))
            )
    where = real.folder() if args.real else None
    if where is not None:
        for trip in real.trips(where):
            found = [f"{f.at_s:.0f} s {f.words}" for f in findings(trip.events) if f.name != "jump"]
            print(f"real trip {trip.name}: {'; '.join(found) or 'none'}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
