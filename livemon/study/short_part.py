"""What is short: which part's weakness explains the heat shed in the regimes that were driven, and how surely.

Every suspected part, at several degrees of weakness, is a pattern over the pieces of the drives, made by the same
physics as the forecast; the patterns compete for the data (`part_odds`), with what is not known of the vehicle, the
weather and the sensors averaged over.  Where they cannot be told apart, it names the test that would.  It does not
know leaks, caps, thermostats or sensors that lie.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from livemon.core.vehicle import PARTS, VehicleProfile
from livemon.study.part_odds import OTHER, Weighed, trial_spread, weigh
from livemon.study.part_pieces import HEALTHY, PartPieces, look, weakened
from livemon.study.recording import STEP_S, Drive
from livemon.study.segments import Regime, log_ratios
from livemon.study.shed_fit import Fit, Floats, fit
from livemon.study.shed_lanes import HALF, unknowns
from livemon.study.student import t_quantile

TURNS: Final = 2
"""The figures are found anew and the physics linearised there, so many times."""
UNSEEN: Final = 0.15
"""What a test tells less [log] in a regime in which the vehicle was not driven while it was sound."""
LEAST_GAIN: Final = 0.003
SURE: Final = 0.80
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


@dataclass(frozen=True, slots=True)
class Trial:
    """Something the owner can do with a hot engine that tells parts apart; `rpm` None = idle."""

    words: str
    regime: Regime
    speed_kmh: float
    rpm: float | None
    ac_on: bool


TRIALS: Final = (
    Trial("hold 2,000 rpm at standstill for three minutes, A/C off", Regime.HELD, 0.0, 2000.0, False),
    Trial("let it idle at standstill for five minutes, A/C off", Regime.IDLE, 0.0, None, False),
    Trial("let it idle at standstill for five minutes, A/C on", Regime.IDLE, 0.0, None, True),
    Trial("drive a level road at a steady 80 km/h for ten minutes, A/C off", Regime.LEVEL, 80.0, 2200.0, False),
    Trial("drive the same climb at a steady speed for ten minutes, A/C off", Regime.GRADE, 60.0, 3000.0, False),
)


def diagnose(drives: Sequence[Drive], profile: VehicleProfile, healthy: Sequence[Drive] = ()) -> Diagnosis:
    """What `drives` point to; `healthy` are earlier drives of the same vehicle when it was known to be sound."""
    sides = [0] * len(healthy) + [1] * len(drives)
    found = fit([*healthy, *drives], sides, profile, 2)
    minutes = 0.0 if found is None else sum(p.minutes for p in found.pieces if sides[p.drive] == 1)
    seen = None if found is None else look(healthy, drives, profile, found.at)
    if found is None or seen is None or minutes < LEAST_MINUTES:
        words = f"only {minutes:.0f} minutes were driven hot enough to tell, with the thermostat full open"
        return Diagnosis(None, words, "none", (), (), None, tuple(r.value for r in Regime))
    weighed = weigh(seen)
    for _ in range(TURNS - 1):
        again = look(healthy, drives, profile, weighed.at.tolist())
        if again is not None:
            weighed, seen = weigh(again), again
    probability = weighed.probability
    odds = tuple(Odds(s, words_of(s), probability[s]) for s in sorted(probability, key=lambda s: -probability[s]))
    best = odds[0]
    driven = {p.regime for p in found.pieces if sides[p.drive] == 1}
    missing = tuple(r.value for r in Regime if r not in driven)
    sure = best.probability >= SURE and best.state != OTHER
    strength = "strong" if best.probability >= STRONG else "fair"
    next_test = None
    if best.probability < STRONG or best.state == OTHER:
        next_test = _next_test(found, seen, weighed, profile)
    words = best.words if sure else f"cannot tell: {odds[0].words} or {odds[1].words}"
    return Diagnosis(best.state if sure else None, words, strength if sure else "weak", odds, _evidence(found),
                     None if next_test is None else f"when hot, {next_test.words}", missing)  # fmt: skip


def words_of(state: str) -> str:
    """The state in plain words."""
    if state == HEALTHY:
        return "nothing is short against the profile"
    return PARTS[state].words if state in PARTS else "something that none of the known parts explains"


def _evidence(found: Fit) -> tuple[Evidence, ...]:
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


def _next_test(found: Fit, seen: PartPieces, weighed: Weighed, profile: VehicleProfile) -> Trial | None:
    """The trial that would part most of what is still likely.

    Two states as far apart as d standard deviations of what is not known are told apart in proportion to
    1 - exp(-d^2 / 8) (Bhattacharyya 1943, equal variances); each pair counts by the product of its probabilities, and
    one drive more beside n like it by 1 / (n + 1).
    """
    every = unknowns(profile)
    parts = list(weighed.degree)
    weak = [weakened(profile, p, weighed.degree[p]) for p in parts if p != HEALTHY]
    at = weighed.at.tolist()
    ratios = log_ratios([_as_drive(trial, profile) for trial in TRIALS], profile, at, weak)
    shared, own = ([k for k, u in enumerate(every) if u.own is is_own] for is_own in (False, True))
    where = found.columns["figures"]
    covariance = found.covariance[where, where]
    best: tuple[float, Trial] | None = None
    for trial, ratio in zip(TRIALS, ratios, strict=True):
        slopes = (ratio[1 : len(every) + 1] - ratio[0]) / HALF
        shifts = iter(ratio[0] - ratio[len(every) + 1 :])
        patterns: Mapping[str, float] = {p: 0.0 if p == HEALTHY else float(next(shifts)) for p in parts}
        variance = float(slopes[shared] @ covariance @ slopes[shared] + np.sum(slopes[own] ** 2))
        variance += trial_spread(trial.regime) ** 2
        like = ~seen.regulated & (seen.regime == list(Regime).index(trial.regime)) & (seen.ac == float(trial.ac_on))
        if not np.any(like & (seen.asked == 0.0)):
            variance += UNSEEN**2
        done = len(set(seen.drive[like & (seen.asked == 1.0)].tolist()))
        gain = sum(
            weighed.probability[a] * weighed.probability[b]
            * (1.0 - np.exp(-((patterns[a] - patterns[b]) ** 2) / (8.0 * variance)))
            for a, b in combinations(parts, 2)
        ) / (done + 1.0)  # fmt: skip
        if best is None or gain > best[0]:
            best = float(gain), trial
    return None if best is None or best[0] < LEAST_GAIN else best[1]


def _as_drive(trial: Trial, profile: VehicleProfile) -> Drive:
    """Ten steady minutes of a trial with a hot engine in air of 30 C."""
    n = round(600.0 / STEP_S)
    flat: Floats = np.ones(n)
    rpm = float(profile.engine().idle_rpm) if trial.rpm is None else trial.rpm
    hot = max(float(profile.cooling().full_c), float(profile.cooling().electric_on_c)) + 5.0
    size = float(profile.engine().displacement_l)
    per_litre = {Regime.IDLE: 5.0, Regime.HELD: 12.0, Regime.LEVEL: 22.0, Regime.GRADE: 40.0}[trial.regime]
    return Drive(
        trial.words, STEP_S * np.arange(n, dtype=np.float64), hot * flat, trial.speed_kmh * flat, rpm * flat,
        size * per_litre * flat,
        30.0 * flat, 95.0 * flat, float(trial.ac_on) * flat, 0.0 * flat, 0.0 * flat, 400.0 * flat, 0.0 * flat,
        air_measured=True,
    )  # fmt: skip
