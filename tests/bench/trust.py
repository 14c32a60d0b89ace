"""`python -m tests.bench.trust`: what `core/trust` finds and what it cries over, on both plants and the real trips.

Made-up drives with a leak or a lost fan, healthy drives of the same kind, and sensor faults laid over healthy drives;
on the real trips nothing at all should be doubted.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from livemon.core import signals, trust
from livemon.core.events import Event, Tick
from livemon.core.outcome import Level
from tests.bench.forecast import ours
from tests.bench.forecast.drives import Drive, load


@dataclass(frozen=True)
class Finding:
    """A doubt that began at `at_s`."""

    at_s: float
    name: str
    words: str
    danger: Level
    lost: bool


def findings(events: Iterable[Event]) -> list[Finding]:
    """Every doubt of a drive at the second it began."""
    heard, state = signals.Signals(), trust.start()
    out: list[Finding] = []
    before: set[str] = set()
    for event in events:
        if not isinstance(event, Tick):
            heard = signals.hear(heard, event)
            continue
        heard, inputs = signals.at_tick(heard, event.t_ms, None, None)
        state, verdict = trust.judge(state, inputs)
        now = {d.name for d in state.doubts}
        fresh = [d for d in state.doubts if d.name not in before]
        out += [Finding(event.t_ms / 1000.0, d.name, d.words, d.danger, verdict.coolant_lost) for d in fresh]
        before = now
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


def _table(title: str, rows: list[tuple[str, ...]]) -> str:
    return "\n".join([title, "|" + "---|" * title.count(" | ") + "---|", *("| " + " | ".join(r) + " |" for r in rows)])


def _cooling(drives: list[Drive]) -> list[tuple[str, ...]]:
    """Detection of each cooling fault: named after it began, before the limit (or the end where it never crosses)."""
    rows = []
    kinds = sorted({d.label.split(",")[0] for d in drives if d.fault_at_s is not None})
    for kind in kinds:
        some = [d for d in drives if d.fault_at_s is not None and d.label.split(",")[0] == kind]
        named, lost, before_limit, crossing, lead = 0, 0, 0, 0, []
        for d in some:
            assert d.fault_at_s is not None
            found = [f for f in findings(ours.events(d)) if f.at_s >= d.fault_at_s]
            hits = [f for f in found if f.name in ("rise", "left sensor", "never warm")]
            named += bool(hits)
            lost += any(f.name == "left sensor" for f in found)
            over = np.flatnonzero(d.truth_c[d.fault_at_s :] >= d.limit_c)
            if over.size:
                crossing += 1
                at = d.fault_at_s + int(over[0])
                early = [f for f in hits if f.at_s <= at]
                before_limit += bool(early)
                lead += [at - early[0].at_s] if early else []
        median = f"{np.median(lead):.0f} s" if lead else "-"
        rows.append((kind, str(len(some)), str(named), str(lost), f"{before_limit} of {crossing}", median))
    return rows


def main(argv: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.trust", description=__doc__)
    parser.add_argument("--drives", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plants", default="plant2,sim")
    parser.add_argument("--words", action="store_true", help="print every doubt on healthy drives")
    args = parser.parse_args(argv)
    for plant in args.plants.split(","):
        faulty = load(plant, "faults", "borderline", args.drives * 2, args.seed)
        print(f"\n{plant}, seed {args.seed}\n")
        print(_table("| fault | drives | named | coolant lost | before the limit | median lead |", _cooling(faulty)))
        healthy = [
            d
            for f in ("steady", "irregular", "rolling", "traffic")
            for d in load(plant, f, "borderline", args.drives, args.seed)
        ]
        hours = sum(d.truth_c.size for d in healthy) / 3600.0
        count: Counter[str] = Counter()
        for d in healthy:
            for f in findings(ours.events(d)):
                count[f.name] += 1
                if args.words:
                    print("   ", d.name, f"{f.at_s:.0f} s", f.words)
        print(f"\nhealthy drives: {len(healthy)}, {hours:.0f} h; doubts: {dict(count) or 'none'}\n")
        rng = np.random.default_rng(args.seed)
        rows = []
        for kind, name in (
            ("stuck", "stuck"), ("open", "range"), ("short", "range"), ("jumps", "jumping"), ("apart", "apart"),
            ("one reading", ""),
        ):  # fmt: skip
            after, raised = [], 0
            for d in healthy:
                bad = spoiled(d, kind, rng)
                assert bad.fault_at_s is not None
                found = [f for f in findings(ours.events(bad)) if f.at_s >= bad.fault_at_s]
                raised += any(f.danger > Level.NORMAL and f.at_s < bad.fault_at_s + 30 for f in found)
                hit = [f for f in found if f.name == name]
                after += [hit[0].at_s - bad.fault_at_s] if hit else []
            median = f"{np.median(after):.0f} s" if after else "-"
            rows.append((kind, str(len(healthy)), str(len(after)), median, str(raised)))
        print(_table("| sensor fault | drives | named | median delay | level raised within 30 s |", rows))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
