"""What is short: which part's weakness explains the heat shed in the regimes that were driven, and how surely.

Every suspected part, at several degrees of weakness, is a pattern over the pieces of the drives, made by the same
physics as the forecast; the patterns compete for the data under the model of `shed_fit`, with what is not known of the
vehicle, the weather and the sensors averaged over.  Beside them stand a sound vehicle and "something else", so that a
pattern that fits badly wins nothing.  It does not know leaks, caps, thermostats or sensors that lie.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from livemon.core.figures import Figure
from livemon.core.vehicle import PARTS, VehicleProfile
from livemon.study.recording import STEP_S, Drive
from livemon.study.segments import HALF, Regime, log_ratios, unknowns
from livemon.study.shed_fit import CHANGE_REGIME_SPREAD, CHANGE_SPREAD, Fit, Floats, fit
from livemon.study.student import t_quantile

SUSPECTS: Final = (
    "weak_electric_fan",
    "slipping_fan_clutch",
    "clogged_condenser",
    "half_blocked_radiator",
    "low_pump_flow",
)
HEALTHY: Final = "healthy"
OTHER: Final = "something else"
_FAN_OF: Final = {"weak_electric_fan": "electric_m_s", "slipping_fan_clutch": "fan_m_s_krpm"}
DEGREES: Final = ((0.5, 0.2), (0.75, 0.25), (1.0, 0.25), (1.3, 0.2), (1.7, 0.1))
"""Degrees of weakness as powers of the part's factor, and how likely each is held to be beforehand."""
SOUND_SPREAD: Final = 0.03
"""How far a sound vehicle, or the pattern of a weak part, may be off beyond the model [log], all over and by regime."""
TRUST: Final = 0.5
"""Power of the likelihood: pieces and drives are less independent than the model says, and at 1 too much was named
wrongly on a plant of other structure."""
OTHER_WEIGHT: Final = 0.3
"""How likely "something else" is held to be beforehand, against 1 for every other state."""
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
    suspects = [s for s in SUSPECTS if profile.state(_FAN_OF.get(s, "radiator_kw_k")).likely > 0.0]
    others = [weakened(profile, s, power) for s in suspects for power, _ in DEGREES]
    sides = [0] * len(healthy) + [1] * len(drives)
    found = fit([*healthy, *drives], sides, profile, 2, others)
    minutes = 0.0 if found is None else sum(p.minutes for p in found.pieces if sides[p.drive] == 1)
    if found is None or minutes < LEAST_MINUTES:
        words = f"only {minutes:.0f} minutes were driven hot enough to tell, with the thermostat full open"
        return Diagnosis(None, words, "none", (), (), None, tuple(r.value for r in Regime))
    probability = _probabilities(found, suspects)
    ranked = sorted(probability, key=lambda s: -probability[s])
    odds = tuple(Odds(s, words_of(s), probability[s]) for s in ranked)
    best = odds[0]
    seen = {p.regime for p in found.pieces if sides[p.drive] == 1}
    missing = tuple(r.value for r in Regime if r not in seen)
    evidence = _evidence(found)
    sure = best.probability >= SURE and best.state != OTHER
    strength = "strong" if best.probability >= STRONG else "fair" if sure else "weak"
    next_test = None
    if best.probability < STRONG or best.state == OTHER:
        rivals = [s for s in ranked if s != OTHER][:2]
        next_test = _next_test(found, profile, others, suspects, rivals)
    words = best.words if sure else f"cannot tell: {odds[0].words} or {odds[1].words}"
    return Diagnosis(best.state if sure else None, words, strength if sure else "weak", odds, evidence, next_test,
                     missing)  # fmt: skip


def words_of(state: str) -> str:
    """The state in plain words."""
    if state == HEALTHY:
        return "nothing is short against the profile"
    return PARTS[state].words if state in PARTS else "something that none of the known parts explains"


def weakened(profile: VehicleProfile, part: str, power: float) -> VehicleProfile:
    """The vehicle with a part weak to a degree: its figure times factor^power."""
    state = PARTS[part]
    now = profile.figure(state.figure)
    figure = Figure(now.likely * state.factor**power, now.spread, part)
    return replace(profile, learned={**profile.learned, state.figure: figure})


def _probabilities(found: Fit, suspects: Sequence[str]) -> dict[str, float]:
    """Probability of every state from the marginal likelihood of the pieces, every state but "something else" held
    equally likely beforehand."""
    after = np.array([found.sides[p.drive] for p in found.pieces], dtype=float)
    patterns = np.array([p.patterns for p in found.pieces]).T * after
    narrow, wide = found.prior.copy(), found.prior.copy()
    narrow[found.columns["change 1"]] = SOUND_SPREAD
    narrow[found.columns["change 1 by regime"]] = SOUND_SPREAD
    wide[found.columns["change 1"]] = CHANGE_SPREAD
    wide[found.columns["change 1 by regime"]] = CHANGE_REGIME_SPREAD
    close = _LogLikelihood(found, narrow)
    logs = {HEALTHY: close.of(found.target), OTHER: _LogLikelihood(found, wide).of(found.target) + np.log(OTHER_WEIGHT)}
    for number, suspect in enumerate(suspects):
        each = [
            np.log(weight) + close.of(found.target - patterns[number * len(DEGREES) + k])
            for k, (_, weight) in enumerate(DEGREES)
        ]
        logs[suspect] = float(np.logaddexp.reduce(each))
    top = max(logs.values())
    shares = {state: float(np.exp(TRUST * (value - top))) for state, value in logs.items()}
    total = sum(shares.values())
    return {state: share / total for state, share in shares.items()}


class _LogLikelihood:
    """Log density of piece ratios under the linear model with all its unknowns averaged over."""

    def __init__(self, found: Fit, prior: Floats) -> None:
        scaled = found.design * prior
        self._covariance = scaled @ scaled.T + np.diag(1.0 / found.weight)
        self._half_log_det = 0.5 * float(np.linalg.slogdet(self._covariance)[1])

    def of(self, target: Floats) -> float:
        return -0.5 * float(target @ np.linalg.solve(self._covariance, target)) - self._half_log_det


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


def _next_test(
    found: Fit,
    profile: VehicleProfile,
    others: Sequence[VehicleProfile],
    suspects: Sequence[str],
    rivals: Sequence[str],
) -> str | None:
    """The trial whose outcome would part the two rivals most, in standard deviations of what is still unknown."""
    if len(rivals) < 2:
        return None
    every = unknowns(profile)
    made = [_as_drive(trial, profile) for trial in TRIALS]
    ratios = log_ratios(made, profile, found.at, others)
    shared = [k for k, u in enumerate(every) if not u.own]
    own = [k for k, u in enumerate(every) if u.own]
    where = found.columns["figures"]
    covariance = found.covariance[where, where]
    middle = {s: number * len(DEGREES) + len(DEGREES) // 2 for number, s in enumerate(suspects)}
    best: tuple[float, str] | None = None
    for trial, ratio in zip(TRIALS, ratios, strict=True):
        slopes = (ratio[1 : len(every) + 1] - ratio[0]) / HALF
        patterns: Mapping[str, float] = {
            s: float(ratio[0] - ratio[len(every) + 1 + middle[s]]) if s in middle else 0.0 for s in rivals
        }
        variance = float(slopes[shared] @ covariance @ slopes[shared] + np.sum(slopes[own] ** 2)) + 0.05**2
        apart = abs(patterns[rivals[0]] - patterns[rivals[1]]) / float(np.sqrt(variance))
        if best is None or apart > best[0]:
            best = apart, trial.words
    return None if best is None or best[0] < 0.5 else f"when hot, {best[1]}"


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
