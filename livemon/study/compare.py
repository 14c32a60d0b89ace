"""Did the change help, like for like: heat shed per degree before and after, by regime, with an interval.

All drives of all states are explained by one model first (`shed_fit`), which takes out weather, height, load, speed,
rpm and A/C as far as the physics tells; what is left of each drive is one number, and the drives are the units of a
Welch comparison whose spread is moderated by what drives usually differ by.  Peak temperatures are told but decide
nothing.  It does not know what was changed, nor what a change is worth on a climb.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from typing import Final

import numpy as np

from livemon.core.vehicle import VehicleProfile
from livemon.study.recording import Drive
from livemon.study.segments import Regime
from livemon.study.shed_fit import Fit, Floats, fit
from livemon.study.student import t_quantile

LEVEL: Final = 0.90
PRIOR_DOF: Final = 6.0
"""How many drives' worth the modelled spread counts beside the spread that was seen (Smyth 2004, moderated t)."""
WORTH_SEEING: Final = 0.08
"""The change [log] that more drives are asked for, where the change seen is smaller."""
LEAST_DRIVES: Final = 2
LEAST_MINUTES: Final = 2.0
MOST_MORE: Final = 60


class Verdict(Enum):
    """What may be said of a change."""

    BETTER = "better"
    WORSE = "worse"
    OPEN = "cannot tell yet"


@dataclass(frozen=True, slots=True)
class Sample:
    """Drives of one state: value and modelled variance of each [log of heat shed]."""

    values: tuple[float, ...]
    variances: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Difference:
    """Second sample less the first: difference, its standard error and degrees of freedom."""

    value: float
    error: float
    dof: float

    def interval(self, level: float = LEVEL) -> tuple[float, float]:
        """Two-sided interval of Student's t."""
        half = t_quantile(0.5 + 0.5 * level, self.dof) * self.error
        return self.value - half, self.value + half


def difference(first: Sample, second: Sample, prior_dof: float = PRIOR_DOF, shared: float = 0.0) -> Difference:
    """Welch's comparison of two weighted means, each spread moderated by its modelled variance.

    Each side: weights 1/v; spread factor s2 = (d0 + sum (x - mean)^2 / v) / (d0 + n - 1); variance of the mean
    s2 / sum(1/v) with d0 + n - 1 degrees of freedom; Welch-Satterthwaite joins the sides.  `shared` [log^2] is the
    variance that both sides have from what is not known of the vehicle.  With d0 = 0 and equal v this is Welch's
    test.  Source: Welch 1947; Smyth 2004 for the moderation.
    Example: 3 and 4 drives of equal variance, d0 = 0 -> scipy.stats.ttest_ind(equal_var=False).
    """
    means, variances, dofs = [], [], []
    for side in (first, second):
        values, weights = np.array(side.values), 1.0 / np.array(side.variances)
        mean = float(np.sum(weights * values) / np.sum(weights))
        dof = prior_dof + len(values) - 1.0
        if dof <= 0.0:
            raise ValueError("expected two drives a side, or prior degrees of freedom")
        spread = (prior_dof + float(np.sum(weights * (values - mean) ** 2))) / dof
        means.append(mean)
        variances.append(spread / float(np.sum(weights)))
        dofs.append(dof)
    total = sum(variances)
    joint = total**2 / sum(v**2 / d for v, d in zip(variances, dofs, strict=True)) if total > 0.0 else min(dofs)
    joint *= ((total + shared) / total) ** 2 if total > 0.0 else 1.0
    return Difference(means[1] - means[0], float(np.sqrt(total + shared)), float(joint))


@dataclass(frozen=True, slots=True)
class DriveFigure:
    """What one drive shed against the common model, all regimes or one [log], with the minutes behind it."""

    drive: int
    state: int
    regime: Regime | None
    value: float
    variance: float
    minutes: float


@dataclass(frozen=True, slots=True)
class Change:
    """One comparison of two states, over all regimes (`regime` None) or in one, with A/C on, off or either."""

    before: int
    after: int
    regime: Regime | None
    ac_on: bool | None
    drives: tuple[int, int]
    minutes: tuple[float, float]
    found: Difference | None
    """None where a side has too few drives or minutes."""
    level: float
    more_drives: int | None
    """Further drives on each side, like these, until a change of this size or 8 % shows; None = shows, or hopeless."""
    shares: tuple[tuple[Regime, float], ...] = ()
    """How much each regime counts, by minutes."""

    @property
    def verdict(self) -> Verdict:
        if self.found is None:
            return Verdict.OPEN
        low, high = self.found.interval(self.level)
        return Verdict.BETTER if low > 0.0 else Verdict.WORSE if high < 0.0 else Verdict.OPEN


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything `compare` tells."""

    states: tuple[str, ...]
    overall: tuple[Change, ...]
    regimes: tuple[Change, ...]
    figures: tuple[DriveFigure, ...]
    fit: Fit


def pairs(states: int) -> list[tuple[int, int]]:
    """Each state against the one before it, and against the first."""
    near = list(pairwise(range(states)))
    return near + [(0, k) for k in range(2, states)]


def compare(
    drives: Sequence[Drive], sides: Sequence[int], profile: VehicleProfile, names: Sequence[str]
) -> Comparison | None:
    """All states compared; None where no drive was ever hot enough to tell anything.

    `sides[k]` is the number in `names` of the state in which drive k was made.  Where there are several comparisons
    the level of each is raised (Bonferroni), so that all of them together hold with 90 %.
    """
    found = fit(drives, sides, profile, len(names))
    if found is None:
        return None
    chosen = pairs(len(names))
    level = 1.0 - (1.0 - LEVEL) / len(chosen)
    overall = [_change(found, sides, pair, None, None, level) for pair in chosen]
    regimes = []
    for pair in chosen:
        for regime in Regime:
            for ac in (None, False, True):
                change = _change(found, sides, pair, regime, ac, level)
                if max(change.minutes) > 0.0 and (ac is None or change.found is not None):
                    regimes.append(change)
    kinds: list[tuple[Regime, ...]] = [tuple(Regime), *((regime,) for regime in Regime)]
    figures = [f for regimes_of in kinds for f in drive_figures(found, sides, regimes_of, None)[0]]
    return Comparison(tuple(names), tuple(overall), tuple(regimes), tuple(figures), found)


def _in_both(found: Fit, sides: Sequence[int], pair: tuple[int, int]) -> tuple[Regime, ...]:
    """Regimes that both states drove often enough: like for like, a jam is not set against a climb."""
    enough = []
    for regime in Regime:
        states = [f.state for f in drive_figures(found, sides, (regime,), None)[0]]
        if min(states.count(pair[0]), states.count(pair[1])) >= LEAST_DRIVES:
            enough.append(regime)
    return tuple(enough)


def _shares(
    found: Fit, sides: Sequence[int], pair: tuple[int, int], regimes: Sequence[Regime]
) -> tuple[tuple[Regime, float], ...]:
    minutes = {r: sum(p.minutes for p in found.pieces if p.regime is r and sides[p.drive] in pair) for r in regimes}
    total = sum(minutes.values())
    return tuple((r, m / total) for r, m in minutes.items() if total > 0.0)


def drive_figures(
    found: Fit, sides: Sequence[int], regimes: Sequence[Regime], ac_on: bool | None
) -> tuple[list[DriveFigure], Floats]:
    """Value and variance of every drive that has pieces of this kind, and how each value leans on the shared unknowns.

    The value is the weighted mean of its pieces' log ratios with the shared unknowns taken out; weights and variance
    follow from the modelled covariance of the pieces of one drive.
    """
    shared = np.zeros(len(found.mean), dtype=bool)
    own = np.zeros(len(found.mean), dtype=bool)
    for name, where in found.columns.items():
        if name in ("figures", "offset", "offset_ac"):
            shared[where] = True
        elif not name.startswith("change"):
            own[where] = True
    values = found.target - found.design[:, shared] @ found.mean[shared]
    out: list[DriveFigure] = []
    leans: list[Floats] = []
    for drive in sorted({p.drive for p in found.pieces}):
        rows = np.array([
            k for k, p in enumerate(found.pieces)
            if p.drive == drive and p.regime in regimes and ac_on in (None, p.ac_on)
        ])  # fmt: skip
        if not rows.size:
            continue
        minutes = sum(found.pieces[k].minutes for k in rows)
        if minutes < LEAST_MINUTES:
            continue
        scaled = found.design[rows][:, own] * found.prior[own]
        covariance = scaled @ scaled.T + np.diag(1.0 / found.weight[rows])
        weights = np.linalg.solve(covariance, np.ones(len(rows)))
        variance = 1.0 / float(weights.sum())
        weights = weights * variance
        out.append(
            DriveFigure(
                drive,
                sides[drive],
                regimes[0] if len(regimes) == 1 else None,
                float(weights @ values[rows]),
                variance,
                float(minutes),
            )
        )
        leans.append(weights @ found.design[rows][:, shared])
    return out, np.array(leans)


def _change(
    found: Fit, sides: Sequence[int], pair: tuple[int, int], regime: Regime | None, ac_on: bool | None, level: float
) -> Change:
    regimes = _in_both(found, sides, pair) or tuple(Regime) if regime is None else (regime,)
    figures, leans = drive_figures(found, sides, regimes, ac_on)
    groups = [[k for k, f in enumerate(figures) if f.state == state] for state in pair]
    counts = len(groups[0]), len(groups[1])
    minutes = tuple(sum(figures[k].minutes for k in g) for g in groups)
    told: Difference | None = None
    more: int | None = None
    if min(counts) >= LEAST_DRIVES:
        samples = [Sample(tuple(figures[k].value for k in g), tuple(figures[k].variance for k in g)) for g in groups]
        told = difference(samples[0], samples[1], shared=_shared_variance(found, figures, leans, groups))
        low, high = told.interval(level)
        if low <= 0.0 <= high:
            more = _more(told, counts, level)
    return Change(pair[0], pair[1], regime, ac_on, counts, (minutes[0], minutes[1]), told, level, more,
                  _shares(found, sides, pair, regimes))  # fmt: skip


def _shared_variance(
    found: Fit, figures: Sequence[DriveFigure], leans: Floats, groups: Sequence[Sequence[int]]
) -> float:
    """Variance of the difference that comes from unknowns on which the two sides lean differently [log^2]."""
    means = []
    for group in groups:
        weights = np.array([1.0 / figures[k].variance for k in group])
        means.append(weights @ leans[list(group)] / weights.sum())
    lean = means[1] - means[0]
    where = [found.columns[name] for name in ("figures", "offset", "offset_ac")]
    index = np.concatenate([np.arange(w.start, w.stop) for w in where])
    return float(lean @ found.covariance[np.ix_(index, index)] @ lean)


def _more(told: Difference, counts: tuple[int, int], level: float) -> int | None:
    """Further drives on each side until a change of the size seen, or of 8 %, would stand clear of none."""
    goal = max(abs(told.value), WORTH_SEEING)
    one = told.error**2 / (1.0 / counts[0] + 1.0 / counts[1])
    for more in range(1, MOST_MORE + 1):
        error = float(np.sqrt(one * (1.0 / (counts[0] + more) + 1.0 / (counts[1] + more))))
        if t_quantile(0.5 + 0.5 * level, told.dof + 2.0 * more) * error < goal:
            return more
    return None
