"""What is short: which part's weakness explains the heat shed in the regimes that were driven, and how surely.

Every suspected part, at several degrees of weakness, is a pattern over the pieces of the drives, made by the same
physics as the forecast; the patterns compete for the data (`part_odds`), with what is not known of the vehicle, the
weather and the sensors averaged over.  Where they cannot be told apart, it names the test that would.  It does not
know leaks, caps, thermostats or sensors that lie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from livemon.core.vehicle import PARTS, VehicleProfile
from livemon.study.change_fit import ChangeFit, linearised, solved
from livemon.study.change_pieces import steady_ratios
from livemon.study.part_odds import OTHER, Weighed, trial_covariance, weigh
from livemon.study.part_pieces import HEALTHY, PartPieces, look, weakened
from livemon.study.recording import STEP_S, Drive
from livemon.study.road_fuel import told_by_road
from livemon.study.segments import Floats, Regime
from livemon.study.shed_lanes import HALF, PART_WIDER, lanes_of, part_unknowns, widened
from livemon.study.student import t_quantile

UNSEEN: Final = 0.15
"""What a test tells less [log] in a regime in which the vehicle was not driven while it was sound."""
LEAST_GAIN: Final = 0.0005
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


@dataclass(frozen=True, slots=True)
class Step:
    """Some minutes of a trial; `rpm` None = idle."""

    regime: Regime
    minutes: float
    speed_kmh: float
    rpm: float | None
    ac_on: bool


@dataclass(frozen=True, slots=True)
class Trial:
    """Something the owner can do with a hot engine that tells parts apart: one or more steps of one drive."""

    words: str
    steps: tuple[Step, ...]


TRIALS: Final = (
    Trial(
        "park, let it idle for four minutes with the A/C off and four with it on, then hold 2,000 rpm for three, off",
        (
            Step(Regime.IDLE, 4.0, 0.0, None, False),
            Step(Regime.IDLE, 4.0, 0.0, None, True),
            Step(Regime.HELD, 3.0, 0.0, 2000.0, False),
        ),
    ),
    Trial(
        "drive a level road at a steady 80 km/h for ten minutes, A/C off",
        (Step(Regime.LEVEL, 10.0, 80.0, 2200.0, False),),
    ),
    Trial(
        "drive the same climb at a steady speed for ten minutes, A/C off",
        (Step(Regime.GRADE, 10.0, 60.0, 3000.0, False),),
    ),
)


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
        next_test = _next_test(found, seen, weighed, wide)
    words = best.words if sure else f"cannot tell; likeliest {_likely(odds[0])}, then {_likely(odds[1])}"
    return Diagnosis(best.state if sure else None, words, strength if sure else "weak", odds, _evidence(found),
                     None if next_test is None else f"when hot, {next_test.words}", missing)  # fmt: skip


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


def _next_test(found: ChangeFit, seen: PartPieces, weighed: Weighed, profile: VehicleProfile) -> Trial | None:
    """The trial that would part most of what is still likely.

    Two states as far apart as d standard deviations of what is not known are told apart in proportion to
    1 - exp(-d^2 / 8) (Bhattacharyya 1943, equal variances); each pair counts by the product of its probabilities, and
    one drive more beside n like it by 1 / (n + 1).
    """
    parts = list(weighed.degree)
    weak = [weakened(profile, p, weighed.degree[p]) for p in parts if p != HEALTHY]
    shared, own = ([k for k, u in enumerate(seen.every) if u.own is is_own] for is_own in (False, True))
    where = found.columns["figures"]
    figures = found.covariance[where, where]
    best: tuple[float, Trial] | None = None
    for trial in TRIALS:
        steady = [as_drive(step, profile) for step in trial.steps]
        ratio, heat_kw = steady_ratios(steady, lanes_of(profile, seen.at.tolist(), seen.every, weak), profile)
        slopes = (ratio[:, 1 : len(seen.every) + 1] - ratio[:, [0]]) / HALF
        shifts = iter((ratio[:, [0]] - ratio[:, len(seen.every) + 1 :]).T)
        patterns = {p: np.zeros(len(steady)) if p == HEALTHY else next(shifts) for p in parts}
        covariance = slopes[:, shared] @ figures @ slopes[:, shared].T + slopes[:, own] @ slopes[:, own].T
        minutes = np.array([step.minutes for step in trial.steps])
        covariance += trial_covariance([step.regime for step in trial.steps], heat_kw, minutes)
        covariance += np.diag([0.0 if _was_driven(seen, step, 0.0) else UNSEEN**2 for step in trial.steps])
        done = max(_was_driven(seen, step, 1.0) for step in trial.steps)
        gain = 0.0
        for a, b in combinations(parts, 2):
            apart = patterns[a] - patterns[b]
            d2 = float(apart @ np.linalg.solve(covariance, apart))
            gain += weighed.probability[a] * weighed.probability[b] * (1.0 - float(np.exp(-d2 / 8.0)))
        gain /= done + 1.0
        if best is None or gain > best[0]:
            best = gain, trial
    return None if best is None or best[0] < LEAST_GAIN else best[1]


def _was_driven(seen: PartPieces, step: Step, asked: float) -> int:
    """In how many drives of one side there are pieces like the step."""
    pieces = zip(seen.pieces, seen.asked, strict=True)
    return len({p.drive for p, a in pieces if a == asked and p.regime is step.regime and p.ac_on is step.ac_on})


def as_drive(step: Step, profile: VehicleProfile) -> Drive:
    """Ten steady minutes of a step with a hot engine in air of 30 C."""
    n = round(600.0 / STEP_S)
    flat: Floats = np.ones(n)
    rpm = float(profile.engine().idle_rpm) if step.rpm is None else step.rpm
    hot = max(float(profile.cooling().full_c), float(profile.cooling().electric_on_c)) + 5.0
    size = float(profile.engine().displacement_l)
    per_litre = {Regime.IDLE: 5.0, Regime.HELD: 12.0, Regime.LEVEL: 22.0, Regime.GRADE: 40.0}[step.regime]
    grade_pct = 6.0 if step.regime is Regime.GRADE else 0.0
    return Drive(
        step.regime.value, STEP_S * np.arange(n, dtype=np.float64), hot * flat, step.speed_kmh * flat, rpm * flat,
        size * per_litre * flat,
        30.0 * flat, 95.0 * flat, float(step.ac_on) * flat, 0.0 * flat, 0.0 * flat, 400.0 * flat, grade_pct * flat,
        air_measured=True,
    )  # fmt: skip
