"""What is short: which part's weakness explains the heat shed in the regimes that were driven, and how surely.

Every suspected part, at several degrees of weakness, is a pattern over the pieces of the drives, made by the same
physics as the forecast; the patterns compete for the data (`part_odds`), with what is not known of the vehicle, the
weather and the sensors averaged over.  Where they cannot be told apart, it names the test that would.  It does not
know leaks, caps, thermostats or sensors that lie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from livemon.core.vehicle import PARTS, VehicleProfile
from livemon.study.change_fit import ChangeFit, linearised, solved
from livemon.study.form import widened
from livemon.study.part_odds import OTHER, weigh
from livemon.study.part_pieces import HEALTHY, look
from livemon.study.part_tests import Trial, next_tests, undriven
from livemon.study.recording import Drive
from livemon.study.road_fuel import told_by_road
from livemon.study.segments import Regime
from livemon.study.shed_lanes import PART_WIDER, part_unknowns
from livemon.study.student import t_quantile

SURE: Final = 0.90
STRONG: Final = 0.95
LEAST_MINUTES: Final = 6.0
DOF: Final = 4.0


@dataclass(frozen=True, slots=True)
class Evidence:
    """Heat shed per degree in one regime against what it should be [%], with a 90 % interval."""

    regime: Regime
    ac_on: bool | None
    minutes: float
    drives: int
    shed_pct: float
    low_pct: float
    high_pct: float


@dataclass(frozen=True, slots=True)
class Odds:
    """One state of the vehicle with its words and its probability given the drives."""

    state: str
    words: str
    probability: float


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What the drives point to; `state` None = cannot tell."""

    state: str | None
    words: str
    strength: str
    """none, weak, fair or strong."""
    odds: tuple[Odds, ...]
    """Best first."""
    evidence: tuple[Evidence, ...]
    next_test: str | None
    missing: tuple[str, ...]
    """Regimes that were not driven at full-open thermostat."""


def diagnose(drives: Sequence[Drive], profile: VehicleProfile, healthy: Sequence[Drive] = ()) -> Diagnosis:
    """What `drives` point to; `healthy` are earlier drives of the same vehicle when it was known to be sound."""
    sides = [0] * len(healthy) + [1] * len(drives)
    wide = widened(profile, PART_WIDER)
    every = told_by_road([*healthy, *drives], profile)
    healthy, drives = every[: len(healthy)], every[len(healthy) :]
    known = linearised(every, sides, wide, part_unknowns(wide), 2)
    minutes = 0.0 if known is None else sum(p.minutes for p in known.pieces if sides[p.drive] == 1)
    seen = None if known is None else look(healthy, drives, known)
    if known is None or seen is None or minutes < LEAST_MINUTES:
        words = f"only {minutes:.0f} minutes were driven hot enough to tell, with the thermostat open"
        return Diagnosis(None, words, "none", (), (), None, tuple(r.value for r in Regime))
    found, weighed = solved(known), weigh(seen)
    probability = weighed.probability
    odds = tuple(Odds(s, words_of(s), probability[s]) for s in sorted(probability, key=lambda s: -probability[s]))
    best = odds[0]
    driven = {p.regime for p in known.pieces if sides[p.drive] == 1}
    missing = tuple(r.value for r in Regime if r not in driven)
    sure = best.probability >= SURE and best.state != OTHER
    strength = "strong" if best.probability >= STRONG else "fair"
    next_test = None
    if best.probability < STRONG or best.state == OTHER:
        next_test = request(next_tests(seen, weighed, wide))
    elif best.state == HEALTHY:
        later = request(undriven(known.pieces))
        next_test = None if later is None else f"for later, while it is sound: {later}"
    words = best.words if sure else f"cannot tell; likeliest {_likely(odds[0])}, then {_likely(odds[1])}"
    return Diagnosis(best.state if sure else None, words, strength if sure else "weak", odds, _evidence(found),
                     next_test, missing)  # fmt: skip


def request(tests: Sequence[Trial]) -> str | None:
    """What is asked of the owner, in plain words."""
    return "when hot, " + "; then, hot again, ".join(t.words for t in tests) if tests else None


def _likely(one: Odds) -> str:
    return f"{one.words} ({100.0 * one.probability:.0f} %)"


def words_of(state: str) -> str:
    """The state in plain words."""
    if state == HEALTHY:
        return "nothing is short against the profile"
    return PARTS[state].words if state in PARTS else "something that none of the known parts explains"


def _evidence(found: ChangeFit) -> tuple[Evidence, ...]:
    """Change of every regime with the interval of the linear model; few drives widen it by Student's t."""
    out: list[Evidence] = []
    one, by_regime = found.columns["change 1"], found.columns["change 1 by regime"]
    for number, regime in enumerate(Regime):
        mine = [p for p in found.pieces if p.regime is regime and found.sides[p.drive] == 1]
        if not mine:
            continue
        pick = np.zeros(len(found.mean))
        pick[one] = 1.0
        pick[by_regime.start + number] = 1.0
        drives = len({p.drive for p in mine})
        mean, error = float(pick @ found.mean), float(np.sqrt(pick @ found.covariance @ pick))
        half = t_quantile(0.95, DOF + drives - 1.0) * error
        low, middle, high = (100.0 * float(np.expm1(v)) for v in (mean - half, mean, mean + half))
        out.append(Evidence(regime, None, sum(p.minutes for p in mine), drives, middle, low, high))
    return tuple(out)
