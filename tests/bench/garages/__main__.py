"""Scores `compare` and `short_part` on garages with known truth:

python -m tests.bench.garages compare|short-part|ceiling|patterns
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from livemon.study.compare import Verdict, compare
from livemon.study.part_pieces import HEALTHY
from livemon.study.recording import Drive
from livemon.study.segments import Regime
from livemon.study.short_part import Diagnosis, diagnose
from tests.bench.garages.ceiling import ceiling
from tests.bench.garages.garages import CARE, PLANTS, SIDE, Garage, load
from tests.bench.garages.patterns import patterns
from tests.bench.garages.rounds import Ask, asked_for, driven, lacks, prepared

SIDES = [0] * SIDE + [1] * SIDE
SOUND = {
    "nothing": "nothing was recorded",
    "drives": "five drives of any kind",
    "prepared": "those, and every test once",
    "again": "those, and a test that has nothing like it there is driven on the sound vehicle too",
}
"""What was recorded while the vehicle was sound."""


@dataclass
class Score:
    """What came of one garage; None = a side had fewer than two usable drives."""

    covered: bool | None
    verdict: Verdict
    regimes: list[bool]
    peak: Verdict
    error: float


def judge(garage: Garage) -> Score:
    """One garage compared, beside a comparison of its peak temperatures (Welch, 90 %)."""
    result = compare([*garage.before, *garage.after], SIDES, garage.profile, ["before", "after"])
    peak = stats.ttest_ind(garage.peaks_c[SIDE:], garage.peaks_c[:SIDE], equal_var=False)
    sign = Verdict.BETTER if peak.statistic < 0 else Verdict.WORSE
    by_peak = sign if peak.pvalue < 0.1 else Verdict.OPEN
    if result is None or result.overall[0].found is None:
        return Score(None, Verdict.OPEN, [], by_peak, float("nan"))
    # Reference points with the A/C off, one a regime, in the order of Regime.
    truth = dict(zip(Regime, garage.truth[:4], strict=True))
    meant = sum(part * truth[regime] for regime, part in result.overall[0].shares)
    low, high = result.overall[0].found.interval()
    inside = []
    for change in result.regimes:
        if change.ac_on is None and change.found is not None and change.regime is not None:
            bottom, top = change.found.interval()
            inside.append(bottom <= truth[change.regime] <= top)
    value = result.overall[0].found.value
    return Score(low <= meant <= high, result.overall[0].verdict, inside, by_peak, value - meant)


def share(hits: int, count: int) -> str:
    """Share with the one-sided 95 % lower and upper binomial bounds (Clopper & Pearson 1934)."""
    if count == 0:
        return "none"
    low = stats.beta.ppf(0.05, hits, count - hits + 1) if hits else 0.0
    high = stats.beta.ppf(0.95, hits + 1, count - hits) if hits < count else 1.0
    return f"{100 * hits / count:.0f} % of {count} ({100 * low:.0f} to {100 * high:.0f})"


def tell_compare(kinds: Sequence[str], count: int, seed: int, care: str) -> None:
    """The tables of docs/compare.md."""
    every: list[Score] = []
    for plant in PLANTS:
        for kind in kinds:
            scores = [judge(g) for g in load(plant, kind, count, seed, care=care)]
            every += scores
            told = [s for s in scores if s.covered is not None]
            better, worse = (sum(s.verdict is v for s in scores) for v in (Verdict.BETTER, Verdict.WORSE))
            peak_better, peak_worse = (sum(s.peak is v for s in scores) for v in (Verdict.BETTER, Verdict.WORSE))
            regimes = [hit for s in told for hit in s.regimes]
            errors = np.array([s.error for s in told])
            covered = share(sum(bool(s.covered) for s in told), len(told))
            print(
                f"{plant} {kind}: could be compared {share(len(told), len(scores))}; covered "
                f"{covered}; by regime {share(sum(regimes), len(regimes))}; "
                f"better {share(better, len(scores))}, of those compared {share(better, len(told))}; worse {worse}; "
                f"bias {errors.mean():+.3f}, rms {np.sqrt((errors**2).mean()):.3f}; "
                f"peaks say better {peak_better}, worse {peak_worse} of {len(scores)}",
                flush=True,
            )
    told = [s for s in every if s.covered is not None]
    regimes = [hit for s in told for hit in s.regimes]
    covered = share(sum(bool(s.covered) for s in told), len(told))
    print(f"all: covered {covered}; by regime {share(sum(regimes), len(regimes))}")


def tell_ceiling(count: int, seed: int, care: str) -> None:
    """What one who knew the plant could name, of docs/short-part.md."""
    for plant in PLANTS:
        garages = load(plant, "one_fault", count, seed, care=care)
        for everywhere in (False, True):
            found = [ceiling(g, seed, everywhere) for g in garages]
            means = [100.0 * float(np.mean([getattr(c, n) for c in found])) for n in ("right", "wrong", "likeliest")]
            regimes = "all regimes on every drive" if everywhere else "regimes as driven on both sides"
            print(f"{plant}, {regimes}: right {means[0]:.0f} %, wrong {means[1]:.0f} %, likeliest {means[2]:.0f} %")
            for truth in sorted({g.state for g in garages}):
                mine = [c.right for c, g in zip(found, garages, strict=True) if g.state == truth]
                print(f"  {truth}: right {100.0 * float(np.mean(mine)):.0f} % of {len(mine)}", flush=True)


def tell_patterns(count: int, seed: int, care: str) -> None:
    """What weak parts cost on the second plant, of docs/short-part.md."""
    found = patterns(load("plant2", "one_fault", count, seed, care=care), seed)
    for part, regime, ac_on in sorted(found, key=lambda k: (k[0], list(Regime).index(k[1]), k[2])):
        live, true, garages = found[part, regime, ac_on]
        ac = "on" if ac_on else "off"
        print(f"{part}, {regime.value}, A/C {ac}: plant {true:.3f}, live physics {live:.3f} ({garages} garages)")


@dataclass
class Case:
    """One garage on its way through the rounds: its drives so far, and what was said of them last."""

    garage: Garage
    sound: list[Drive]
    after: list[Drive]
    found: Diagnosis

    @property
    def word(self) -> str:
        if self.found.state is None:
            return "cannot tell"
        return "right" if self.found.state == (self.garage.state or HEALTHY) else "wrong"


def tell_short_part(plants: list[str], count: int, seed: int, care: str, rounds: int, sound: str) -> None:
    """The table of docs/short-part.md: as the drives come, and after each round of the tests that were asked for.

    `sound`: what was driven while the vehicle was sound, a key of SOUND.
    """
    for plant in plants:
        for kind in ("one_fault", "same"):
            garages = load(plant, kind, count, seed, care=care)
            before = [[] if sound == "nothing" else list(g.before) for g in garages]
            if sound == "prepared":
                asks = [(k, ask) for k, g in enumerate(garages) for ask in prepared(g, seed)]
                for (k, _), drive in zip(asks, driven([a for _, a in asks]), strict=True):
                    before[k].append(drive)
            cases = [
                Case(g, b, list(g.after), diagnose(g.after, g.profile, b)) for g, b in zip(garages, before, strict=True)
            ]
            _tell_cases(f"{plant} {kind}, as the drives come", cases)
            for number in range(1, rounds + 1):
                _next_round(cases, seed, number, sound == "again")
                _tell_cases(f"{plant} {kind}, after {number} rounds of tests", cases)


def _next_round(cases: list[Case], seed: int, number: int, again: bool) -> None:
    """Every owner who was told nothing sure drives what is asked; `again`: sound too, where that was never driven."""
    asks: list[tuple[Case, Ask]] = []
    for case in cases:
        trials = asked_for(case.found.next_test) if case.found.state is None else []
        for place, trial in enumerate(trials):
            asks.append((case, Ask(case.garage, seed, trial, number, place, False)))
            if again and lacks(case.sound, case.garage, trial):
                asks.append((case, Ask(case.garage, seed, trial, number, place, True)))
    for (case, ask), drive in zip(asks, driven([a for _, a in asks]), strict=True):
        (case.sound if ask.sound else case.after).append(drive)
    for case in {id(case): case for case, _ in asks}.values():
        case.found = diagnose(case.after, case.garage.profile, case.sound)


def _tell_cases(title: str, cases: list[Case]) -> None:
    n = len(cases)
    words = Counter(case.word for case in cases)
    likeliest = sum(bool(c.found.odds) and c.found.odds[0].state == (c.garage.state or HEALTHY) for c in cases)
    print(f"{title}: " + "; ".join(f"{w} {share(words[w], n)}" for w in ("right", "wrong", "cannot tell"))
          + f"; the likeliest state is the true one {share(likeliest, n)}")  # fmt: skip
    for truth in sorted({c.garage.state or HEALTHY for c in cases}):
        said = Counter(c.found.state or "cannot tell" for c in cases if (c.garage.state or HEALTHY) == truth)
        print(f"  {truth}: {dict(said)}", flush=True)


def main() -> None:
    """Choose a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("table", choices=("compare", "short-part", "ceiling", "patterns"))
    parser.add_argument("--count", type=int, default=50, help="garages a plant and kind")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--care", choices=tuple(CARE), default="as asked")
    parser.add_argument("--faults", action="store_true", help="compare: before and after a fault, a greater change")
    parser.add_argument("--plant", choices=tuple(PLANTS), help="short-part: one plant alone")
    parser.add_argument("--rounds", type=int, default=0, help="short-part: rounds of the test that was asked for")
    parser.add_argument("--sound", choices=tuple(SOUND), default="drives",
                        help="short-part: " + "; ".join(f"{k} = {v}" for k, v in SOUND.items()))  # fmt: skip
    args = parser.parse_args()
    if args.table == "compare":
        tell_compare(("one_fault",) if args.faults else ("more_air", "same"), args.count, args.seed, args.care)
    elif args.table == "patterns":
        tell_patterns(args.count, args.seed, args.care)
    elif args.table == "ceiling":
        tell_ceiling(args.count, args.seed, args.care)
    else:
        plants = [args.plant] if args.plant else list(PLANTS)
        tell_short_part(plants, args.count, args.seed, args.care, args.rounds, args.sound)


if __name__ == "__main__":
    main()
