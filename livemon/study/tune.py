"""Chooses alert settings from scored trips, and says how far the trips can support the choice.

One cost: false cautions, plus so many for each crossing that was warned too late.  The choice is judged on trips that
had no part in it (each trip left out once), by a sign test; and a change is refused while the trips leave room for it
to lose crossings.  Exact binomial throughout.  It does not read logs and decides nothing by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from math import comb, isfinite
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core.alert import AlertSettings
from livemon.study.alarms import stretches
from livemon.study.sweep import Score

Floats = NDArray[np.float64]

CONFIDENCE: Final = 0.95
MOST_LOST: Final = 0.2
"""A change is refused while more than this share of crossings might lose their warning by it."""
MOST_EARLY: Final = 0.15
"""Settings that hold an early caution for a larger share of the time, and longer than those in force, are no alarm."""
LEAD_WORTH_S: Final = 600.0
"""Of equal cost, the longer mean lead wins; a lead counts up to so much [s]."""
USUAL_WITHIN_C: Final = 20.0
CLEAR_OF_USUAL_C: Final = 3.0
UNDER_PEAK_C: Final = 2.0
LEAST_STAND_IN_C: Final = 85.0
"""Lower lies warming up, not overheating: thermostats open at 74 to 93 C."""
OVER_PEAK_C: Final = 3.0


def stand_ins(reading_c: Floats, limit_c: float) -> tuple[float, ...]:
    """Lower limits at which a trip that did not cross `limit_c` is of use; none where it crossed clearly.

    2 K under the peak, so that the trip crosses it, where that stands 3 K clear of the trip's usual temperature (the
    median of what lies within 20 K of the peak: nearer is the thermostat's own play).  And 3 K over the peak, to count
    false cautions on a trip that came close.  Stand-ins: the limit is chosen after the fact, and nearer to the
    thermostat than a true one.  Never under 85 C, where an engine is still warming up.
    """
    known = reading_c[np.isfinite(reading_c)]
    if not known.size or any(s.crossing is not None and s.over_c > 1.0 for s in stretches(reading_c, limit_c)):
        return ()
    peak = float(known.max())
    usual = float(np.median(known[known >= peak - USUAL_WITHIN_C]))
    reached, spared = peak - UNDER_PEAK_C, peak + OVER_PEAK_C
    found = [reached] if reached >= usual + CLEAR_OF_USUAL_C else []
    return tuple(line for line in (*found, spared) if LEAST_STAND_IN_C <= line < limit_c)


@dataclass(frozen=True, slots=True)
class Judged:
    """One trip at one limit: its scores, one a candidate; `stand_in` where the limit is not the one in force."""

    trip: str
    limit_c: float
    stand_in: bool
    peak_c: float | None
    scores: tuple[Score, ...]


def binomial_tail(least: int, trials: int, share: float) -> float:
    """Chance of `least` or more successes in `trials` of probability `share`.  Example: 5 of 5 at 0.5 -> 0.03125."""
    return sum(comb(trials, k) * share**k * (1.0 - share) ** (trials - k) for k in range(least, trials + 1))


def upper_bound(seen: int, trials: int, confidence: float = CONFIDENCE) -> float:
    """One-sided upper bound of a share after `seen` of `trials` (Clopper-Pearson 1934); 1 without trials.

    The share p at which `seen` or fewer has chance 1 - confidence; 50 halvings.  Example: 0 of 14 -> 0.193.
    """
    if seen >= trials:
        return 1.0
    low, high = 0.0, 1.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        if 1.0 - binomial_tail(seen + 1, trials, middle) > 1.0 - confidence:
            low = middle
        else:
            high = middle
    return high


def lower_bound(seen: int, trials: int, confidence: float = CONFIDENCE) -> float:
    """One-sided lower bound of a share: that of the complement turned round."""
    return 1.0 - upper_bound(trials - seen, trials, confidence)


@dataclass(frozen=True, slots=True)
class Aim:
    """What is wanted: warned this far ahead [s], and how many false cautions a late warning weighs."""

    ahead_s: float = 60.0
    late_worth: float = 5.0

    def cost(self, score: Score) -> float:
        """False cautions, plus `late_worth` for each crossing warned later than `ahead_s`."""
        return score.false + self.late_worth * (len(score.leads_s) - score.warned(self.ahead_s))


@dataclass(frozen=True, slots=True)
class Choice:
    """The outcome; indices are candidates, 0 = the settings in force."""

    best: int
    """Least cost on these trips."""
    advised: int
    """What is recommended: `best` where the trips support the change, else 0."""
    reasons: tuple[str, ...]
    """Why the change is not recommended, or that nothing beats what is in force."""
    crossings: int
    of_stand_ins: int
    better: int
    """Trips on which settings chosen from the other trips cost less than those in force."""
    worse: int
    p: float
    """One-sided sign test of `better` against `worse`."""
    lost: int
    """Crossings warned in time in force, and not by `best`."""
    lost_at_most: float
    """Upper 95 % bound of the share of crossings that `best` would lose."""


def choose(judged: Sequence[Judged], settings: Sequence[AlertSettings], aim: Aim) -> Choice:
    """The candidate of least cost, and whether the trips support changing to it."""
    trips = sorted({j.trip for j in judged})
    place = {name: k for k, name in enumerate(trips)}
    cost = np.zeros((len(trips), len(settings)))
    lead = np.zeros_like(cost)
    early = np.zeros_like(cost)
    scored = np.zeros(len(trips))
    for j in judged:
        row = place[j.trip]
        scored[row] += j.scores[0].scored_s
        for k, s in enumerate(j.scores):
            cost[row, k] += aim.cost(s)
            lead[row, k] += sum(min(x, LEAD_WORTH_S) for x in s.leads_s)
            early[row, k] += s.early_s
    changed = np.array([_changed(s, settings[0]) for s in settings])

    def least(rows: NDArray[np.bool_]) -> int:
        total = cost[rows].sum(axis=0)
        standing = early[rows].sum(axis=0)
        idle = standing > max(MOST_EARLY * scored[rows].sum(), standing[0])
        order = np.lexsort((changed, -np.round(lead[rows].sum(axis=0), 3), np.round(total, 6), idle))
        first = int(order[0])
        return first if round(float(total[first]), 6) < round(float(total[0]), 6) else 0

    everything = np.ones(len(trips), dtype=bool)
    best = least(everything)
    gains = []
    for row in range(len(trips)):
        rest = everything.copy()
        rest[row] = False
        gains.append(float(cost[row, 0] - cost[row, least(rest)]) if rest.any() else 0.0)
    better, worse = sum(g > 0 for g in gains), sum(g < 0 for g in gains)
    p = binomial_tail(better, better + worse, 0.5)
    pairs = [(a, b) for j in judged for a, b in zip(j.scores[0].leads_s, j.scores[best].leads_s, strict=True)]
    lost = sum(a >= aim.ahead_s > b for a, b in pairs)
    lost_at_most = upper_bound(lost, len(pairs))
    reasons = []
    if best == 0:
        reasons.append("nothing that was tried costs less than what is in force")
    else:
        if p > 1.0 - CONFIDENCE:
            reasons.append(
                f"chosen from the other trips it is better on {better} and worse on {worse} trips: chance does as well "
                f"{100 * p:.0f} % of the time"
            )
        if lost_at_most > MOST_LOST:
            reasons.append(
                f"{lost} of {len(pairs)} crossings would lose their warning: up to {100 * lost_at_most:.0f} % might "
                f"(95 % bound; {crossings_needed(lost)} crossings with no more lost would do)"
            )
    return Choice(
        best=best,
        advised=0 if reasons else best,
        reasons=tuple(reasons),
        crossings=len(pairs),
        of_stand_ins=sum(len(j.scores[0].leads_s) for j in judged if j.stand_in),
        better=better,
        worse=worse,
        p=round(p, 6),
        lost=lost,
        lost_at_most=round(lost_at_most, 6),
    )


def crossings_needed(lost: int) -> int:
    """So many crossings, `lost` of them lost, would hold the bound under `MOST_LOST`.  Example: 0 -> 14."""
    trials = max(lost, 1)
    while upper_bound(lost, trials) > MOST_LOST and trials < 10_000:
        trials += 1
    return trials


def _changed(settings: AlertSettings, base: AlertSettings) -> float:
    """How far from `base`: keys moved, and a little for how far, so that the nearest of equals wins."""
    far = 0.0
    for item in fields(AlertSettings):
        a, b = getattr(settings, item.name), getattr(base, item.name)
        if a != b:
            far += 1.0 + abs(a - b) / (item.metadata["high"] - item.metadata["low"])
    return far


@dataclass(frozen=True, slots=True)
class Row:
    """One candidate over all trips, as the table shows it; None where nothing can be said."""

    candidate: int
    score: Score
    crossings: int
    warned: int
    missed: int
    median_lead_s: float | None
    false_per_h: float | None
    cautions_per_h: float | None
    alarm_share: float | None
    early_share: float | None
    cost: float


def rows(judged: Sequence[Judged], aim: Aim) -> list[Row]:
    """Every candidate over all of `judged`."""
    count = len(judged[0].scores) if judged else 0
    return [row(k, sum((j.scores[k] for j in judged), Score()), aim) for k in range(count)]


def row(candidate: int, score: Score, aim: Aim) -> Row:
    """The rates of one pooled score."""

    def per(value: float, base: float) -> float | None:
        rate = round(value / base, 4) if base > 0 else None
        return rate if rate is None or isfinite(rate) else None

    return Row(
        candidate=candidate,
        score=score,
        crossings=len(score.leads_s),
        warned=score.warned(aim.ahead_s),
        missed=sum(lead <= 0 for lead in score.leads_s),
        median_lead_s=float(np.median(score.leads_s)) if score.leads_s else None,
        false_per_h=per(3600.0 * score.false, score.scored_s),
        cautions_per_h=per(3600.0 * score.cautions, score.live_s),
        alarm_share=per(score.alarm_s, score.live_s),
        early_share=per(score.early_s, score.scored_s),
        cost=round(aim.cost(score), 3),
    )


def trade_off(table: Sequence[Row]) -> list[Row]:
    """Rows that no other beats in both false cautions and crossings warned; fewest false first, one of equals."""
    ordered = sorted(table, key=lambda r: (r.score.false, -r.warned, -(r.median_lead_s or 0.0), r.candidate))
    front: list[Row] = []
    for each in ordered:
        if not front or each.warned > front[-1].warned:
            front.append(each)
    return front
