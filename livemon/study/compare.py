"""Did the change help, like for like: heat shed per degree before and after, by regime, with an interval.

All drives of all states are explained by one model (`change_fit`), which takes out weather, height, load, speed, rpm
and A/C as far as the physics tells, and finds how much drives of this vehicle differ; a change is read off its
posterior.  Peak temperatures are told but decide nothing.  It does not know what was changed, nor what a change is
worth on a climb.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from typing import Final

import numpy as np

from livemon.core.vehicle import VehicleProfile
from livemon.study.change_fit import ChangeFit, fit_changes, only
from livemon.study.piece_model import SHARED
from livemon.study.recording import Drive
from livemon.study.segments import Floats, Regime
from livemon.study.student import t_quantile

LEVEL: Final = 0.90
PRIOR_DOF: Final = 6.0
"""How many drives' worth the usual spread of drives counts beside the spread that was seen (after Smyth 2004)."""
WIDTH: Final = 0.96
"""Share of the model's standard error that is told.  How much drives differ is not known, and counts twice: in that
error, which is over all sizes of it, and in Student's t.  So 94 % of the 90 % intervals hold on drives that the model
itself draws, 92 % with this.  Chosen on made-up vehicles with no change, where 92 % hold with it (docs/compare.md)."""
WORTH_SEEING: Final = 0.08
"""The change [log] that more drives are asked for, where the change seen is smaller."""
LEAST_DRIVES: Final = 2
LEAST_MINUTES: Final = 2.0
MOST_MORE: Final = 60
PATTERN: Final = 0.25
"""Share of a change that the physics may miss, one standard deviation: another make's fans, thermostat and radiator
answer the same change otherwise.  Chosen on made-up vehicles with faults that cost up to a half (docs/compare.md)."""
MOST_SHARES: Final = 0.9
APART: Final = 0.05
"""By how much a change differs from one regime to another [log]: what it costs the overall figure to weigh regimes
otherwise than they were driven."""


class Verdict(Enum):
    """What may be said of a change."""

    BETTER = "better"
    WORSE = "worse"
    OPEN = "cannot tell yet"


@dataclass(frozen=True, slots=True)
class Difference:
    """Second state less the first [log]: difference, its standard error as told and degrees of freedom."""

    value: float
    error: float
    dof: float

    def interval(self, level: float = LEVEL) -> tuple[float, float]:
        """Two-sided interval of Student's t: every change t that |value - t| <= q sqrt(error^2 + (PATTERN t)^2) allows.

        The share of itself by which a change is missed is none of a change that is none: whether zero lies within is
        settled by `error` alone, and the end further out lies the further out the greater the change (Fieller 1954).
        """
        q = t_quantile(0.5 + 0.5 * level, self.dof)
        rest = 1.0 - min(q * PATTERN, MOST_SHARES) ** 2
        half = float(np.sqrt(max(self.value**2 - rest * (self.value**2 - (q * self.error) ** 2), 0.0)))
        return (self.value - half) / rest, (self.value + half) / rest


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
    """None where a side has too few drives or minutes, or no regime was driven by both."""
    level: float
    more_drives: int | None
    """Further drives on each side, like these, until a change of this size or 8 % shows; 0 = 8 % would have shown with
    these; None = shows, or hopeless."""
    shares: tuple[tuple[Regime, float], ...] = ()
    """How much each regime counts: by minutes, and by how well its change is told."""

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
    fit: ChangeFit


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
    found = fit_changes(drives, sides, profile, len(names))
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
    figures = [f for regimes_of in kinds for f in drive_figures(found, sides, regimes_of, None)]
    return Comparison(tuple(names), tuple(overall), tuple(regimes), tuple(figures), found)


def _in_both(found: ChangeFit, sides: Sequence[int], pair: tuple[int, int]) -> tuple[Regime, ...]:
    """Regimes that both states drove often enough: like for like, a jam is not set against a climb."""
    enough = []
    for regime in Regime:
        states = [f.state for f in drive_figures(found, sides, (regime,), None)]
        if min(states.count(pair[0]), states.count(pair[1])) >= LEAST_DRIVES:
            enough.append(regime)
    return tuple(enough)


def _shares(
    found: ChangeFit, sides: Sequence[int], pair: tuple[int, int], regimes: Sequence[Regime]
) -> tuple[tuple[Regime, float], ...]:
    """How much each regime counts: as it was driven, but less where its change is told badly."""
    minutes = [sum(p.minutes for p in found.pieces if p.regime is r and sides[p.drive] in pair) for r in regimes]
    if sum(minutes) <= 0.0:
        return ()
    picks = np.array([_pick(found, pair, ((regime, 1.0),)) for regime in regimes])
    each = regime_weights(np.array(minutes) / sum(minutes), picks @ found.covariance @ picks.T)
    return tuple(zip(regimes, each.tolist(), strict=True))


def regime_weights(driven: Floats, covariance: Floats) -> Floats:
    """(regimes,) weights, none under 0, of sum 1, between the shares `driven` and those that err least.

    They make w' C w + APART^2 |w - driven|^2 least, C the `covariance` [log^2] of the changes of the regimes: error,
    and what a change of regimes that differ comes out otherwise for being weighed otherwise than it was driven.
    """
    kept = np.ones(len(driven), dtype=np.bool_)
    while True:
        told = np.linalg.inv(covariance[np.ix_(kept, kept)] + APART**2 * np.eye(int(kept.sum())))
        free = told @ (APART**2 * driven[kept])
        weights = np.zeros(len(driven))
        weights[kept] = free + told.sum(axis=1) * (1.0 - free.sum()) / told.sum()
        if weights.min() >= 0.0:
            return weights
        kept &= weights > weights.min()


def drive_figures(
    found: ChangeFit, sides: Sequence[int], regimes: Sequence[Regime], ac_on: bool | None
) -> list[DriveFigure]:
    """Value and variance of every drive that has pieces of this kind.

    The value is the weighted mean of its pieces' log ratios with the shared unknowns taken out; weights and variance
    follow from the modelled covariance of the pieces of one drive.
    """
    values = found.target.copy()
    for name in SHARED:
        where = found.columns[name]
        values -= found.design[:, where] @ found.mean[where]
    own = slice(len(found.mean), None)
    out: list[DriveFigure] = []
    for drive in sorted({p.drive for p in found.pieces}):
        rows = [
            k for k, p in enumerate(found.pieces)
            if p.drive == drive and p.regime in regimes and ac_on in (None, p.ac_on)
        ]  # fmt: skip
        minutes = sum(found.pieces[k].minutes for k in rows)
        if minutes < LEAST_MINUTES:
            continue
        scaled = found.design[rows][:, own] * found.prior[own]
        covariance = scaled @ scaled.T + np.diag(found.noise[rows] ** 2)
        weights = np.linalg.solve(covariance, np.ones(len(rows)))
        variance = 1.0 / float(weights.sum())
        value = variance * float(weights @ values[rows])
        regime = regimes[0] if len(regimes) == 1 else None
        out.append(DriveFigure(drive, sides[drive], regime, value, variance, float(minutes)))
    return out


def _change(
    found: ChangeFit, sides: Sequence[int], pair: tuple[int, int], regime: Regime | None, ac_on: bool | None,
    level: float,
) -> Change:  # fmt: skip
    like = _in_both(found, sides, pair) if regime is None else (regime,)
    regimes = like or tuple(Regime)  # drives and minutes are told all the same
    figures = drive_figures(found, sides, regimes, ac_on)
    groups = [[f for f in figures if f.state == state] for state in pair]
    counts = len(groups[0]), len(groups[1])
    minutes = tuple(sum(f.minutes for f in g) for g in groups)
    shares = _shares(found, sides, pair, regimes)
    told: Difference | None = None
    more: int | None = None
    if like and min(counts) >= LEAST_DRIVES:
        told = _difference(found, pair, shares, ac_on, PRIOR_DOF + sum(counts) - 2.0)
        low, high = told.interval(level)
        if low <= 0.0 <= high:
            more = _more(told, counts, level)
    return Change(pair[0], pair[1], regime, ac_on, counts, (minutes[0], minutes[1]), told, level, more, shares)


def _difference(
    found: ChangeFit,
    pair: tuple[int, int],
    shares: Sequence[tuple[Regime, float]],
    ac_on: bool | None,
    dof: float,
) -> Difference:
    """The change of the regimes at their shares, off the posterior; with A/C on or off, of those pieces alone."""
    pick = _pick(found, pair, shares)
    mean, covariance = found.mean, found.covariance
    if ac_on is not None:
        mean, covariance = only(found, [k for k, p in enumerate(found.pieces) if p.ac_on is ac_on])
    return Difference(float(pick @ mean), WIDTH * float(np.sqrt(pick @ covariance @ pick)), dof)


def _pick(found: ChangeFit, pair: tuple[int, int], shares: Sequence[tuple[Regime, float]]) -> Floats:
    """(unknowns,): how much each unknown counts in the change of the regimes at their shares."""
    pick = np.zeros(len(found.mean))
    for state, sign in ((pair[1], 1.0), (pair[0], -1.0)):
        if state == 0:  # the first state is what the others are set against
            continue
        pick[found.columns[f"change {state}"]] += sign
        by_regime = found.columns[f"change {state} by regime"]
        for regime, share in shares:
            pick[by_regime.start + list(Regime).index(regime)] += sign * share
    return pick


def _more(told: Difference, counts: tuple[int, int], level: float) -> int | None:
    """Further drives on each side until a change of the size seen, or of 8 %, would stand clear of none."""
    goal = max(abs(told.value), WORTH_SEEING)
    one = told.error**2 / (1.0 / counts[0] + 1.0 / counts[1])
    for more in range(MOST_MORE + 1):
        error = float(np.sqrt(one * (1.0 / (counts[0] + more) + 1.0 / (counts[1] + more))))
        if t_quantile(0.5 + 0.5 * level, told.dof + 2.0 * more) * error < goal:
            return more
    return None
