"""Scores `compare` and `short_part` on garages with known truth: python -m tests.bench.garages compare|short-part."""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass

import numpy as np
from scipy import stats

from livemon.study.compare import Verdict, compare
from livemon.study.segments import Regime
from livemon.study.short_part import HEALTHY, diagnose
from tests.bench.garages.garages import CARE, PLANTS, SIDE, Garage, load

SIDES = [0] * SIDE + [1] * SIDE


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


def tell_compare(count: int, seed: int, care: str) -> None:
    """The table of docs/compare.md."""
    every: list[Score] = []
    for plant in PLANTS:
        for kind in ("more_air", "same"):
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


def tell_short_part(count: int, seed: int, care: str) -> None:
    """The table of docs/short-part.md."""
    for plant in PLANTS:
        for kind in ("one_fault", "same"):
            by_state: dict[str, Counter[str]] = {}
            for garage in load(plant, kind, count, seed, care=care):
                truth = garage.state or HEALTHY
                found = diagnose(garage.after, garage.profile, garage.before)
                word = "cannot tell" if found.state is None else "right" if found.state == truth else "wrong"
                by_state.setdefault(truth, Counter())[word] += 1
            total = sum(by_state.values(), Counter())
            n = sum(total.values())
            print(
                f"{plant} {kind}: " + "; ".join(f"{w} {share(total[w], n)}" for w in ("right", "wrong", "cannot tell"))
            )
            for truth, words in sorted(by_state.items()):
                print(f"  {truth}: {dict(words)}", flush=True)


def main() -> None:
    """Choose a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("table", choices=("compare", "short-part"))
    parser.add_argument("--count", type=int, default=50, help="garages a plant and kind")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--care", choices=tuple(CARE), default="as asked")
    args = parser.parse_args()
    {"compare": tell_compare, "short-part": tell_short_part}[args.table](args.count, args.seed, args.care)


if __name__ == "__main__":
    main()
