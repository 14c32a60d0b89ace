"""How likely each part is the weak one: the states compete for the pieces of `part_pieces`.

Under each state the log ratios of all pieces are normal around zero, with a covariance built from everything that is
not known: figures of the vehicle by their slopes, weather of each drive, what the physics misses in a regime (the same
before and after, so it cancels where both sides drove that regime), what two drives differ by, and a share of the
pattern of the weak part itself, since a plant of another make has another pattern.  Beside the parts stand a sound
vehicle and "something else".  It knows no parts but these.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.study.part_pieces import DEGREES, SOUND, PartPieces, State
from livemon.study.segments import Regime
from livemon.study.shed_fit import Floats

OTHER: Final = "something else"
# Spreads [log] were chosen for the best mean log probability of the true state on made-up garages of two plants, with
# and without tests (docs/short-part.md): wider than the data of either plant show, so that the other plant is not
# taken for a fault.
FIGURES: Final = 0.69
"""Share of the profile's spreads that is believed."""
OFFSET: Final = 0.36
SLOW_OFFSET: Final = 0.62
REGULATED_OFFSET: Final = 0.35
"""What the physics misses in a regime, at speed, slow or standing, and under a thermostat at work."""
DRIVE: Final = 0.006
DRIVE_REGIME: Final = 0.053
PIECE: Final = 0.108
LOUD: Final = {Regime.IDLE: 1.36, Regime.HELD: 1.09, Regime.LEVEL: 1.0, Regime.GRADE: 1.0}
REGULATED: Final = 0.43
"""DRIVE_REGIME and PIECE count so many times in a regime, and where the thermostat was at work."""
THERMOSTAT_C: Final = 0.6
THERMOSTAT_DRIVE_C: Final = 0.16
"""By how much the wax differs from its curve [K], from piece to piece and from drive to drive."""
SAME: Final = 0.007
"""How far a sound vehicle drifts, overall and by regime."""
SHAPE: Final = 0.087
"""Error of a weak part's pattern in each regime, as a share of the pattern there."""
OTHER_CHANGE: Final = 0.4
OTHER_REGIME: Final = 0.15
OTHER_WEIGHT: Final = 0.1
"""How far "something else" moves the heat shed, overall and by regime; how likely it is held to be beforehand, against
1 for every other state."""
MOST_Z: Final = 2.5


@dataclass(frozen=True, slots=True)
class Weighed:
    """Probability of every state, the likeliest degree of each part, and where the figures are then, in `at`'s unit."""

    probability: dict[str, float]
    degree: dict[str, float]
    at: Floats


def weigh(seen: PartPieces) -> Weighed:
    """All states against each other; equally likely beforehand, except "something else"."""
    fixed = _fixed(seen)
    shared = np.array([not u.own for u in seen.every])
    logs: dict[State, float] = {}
    moved: dict[State, Floats] = {}
    for state in seen.ratios:
        covariance = fixed + _of_state(seen, state, shared)
        target = seen.ratios[state] - seen.slopes[state][:, shared] @ seen.at[shared]
        logs[state], pull = _log_density(covariance, target)
        moved[state] = -(FIGURES**2) * (seen.slopes[state][:, shared].T @ pull)
        if state == SOUND:
            both = np.outer(seen.asked, seen.asked)
            wide = covariance + both * (OTHER_CHANGE**2 + OTHER_REGIME**2 * _same(_kind(seen)))
            other = _log_density(wide, target)[0] + float(np.log(OTHER_WEIGHT))
    prior = dict(DEGREES)
    joint = {s: v + (0.0 if s == SOUND else float(np.log(prior[s[1]]))) for s, v in logs.items()}
    by_part: dict[str, float] = {OTHER: other}
    for (part, _), value in joint.items():
        by_part[part] = float(np.logaddexp(by_part.get(part, -np.inf), value))
    top = max(by_part.values())
    shares = {part: float(np.exp(value - top)) for part, value in by_part.items()}
    total = sum(shares.values())
    probability = {part: share / total for part, share in shares.items()}
    degree = {
        part: max((s for s in joint if s[0] == part), key=lambda s: joint[s])[1] for part in by_part if part != OTHER
    }
    named = max(degree, key=lambda part: probability[part])
    at = seen.at.copy()
    at[shared] = np.clip(moved[named, degree[named]], -MOST_Z, MOST_Z)
    return Weighed(probability, degree, at)


def trial_spread(regime: Regime) -> float:
    """What one more drive with a piece or two in this regime leaves open of its heat shed [log]."""
    return float(np.sqrt(DRIVE**2 + LOUD[regime] ** 2 * (DRIVE_REGIME**2 + 0.5 * PIECE**2)))


def _log_density(covariance: Floats, target: Floats) -> tuple[float, Floats]:
    """Log density of a normal but for its constant, and covariance^-1 target."""
    pull = np.linalg.solve(covariance, target)
    return -0.5 * float(target @ pull) - 0.5 * float(np.linalg.slogdet(covariance)[1]), np.asarray(pull)


def _same(values: NDArray[np.int_]) -> Floats:
    return np.asarray(values[:, None] == values[None, :], dtype=np.float64)


def _kind(seen: PartPieces) -> NDArray[np.int_]:
    """Regime, apart where the thermostat is at work."""
    return np.asarray(seen.regime + len(Regime) * seen.regulated)


def _fixed(seen: PartPieces) -> Floats:
    """The part of the covariance that is the same in every state."""
    slow = seen.regime <= 1
    offset = np.where(seen.regulated, REGULATED_OFFSET, np.where(slow, SLOW_OFFSET, OFFSET))
    loud = np.where(seen.regulated, REGULATED, np.array(list(LOUD.values()))[seen.regime])
    kind, drive = _same(_kind(seen)), _same(seen.drive)
    out = kind * np.outer(offset, offset)
    out += drive * (DRIVE**2 + DRIVE_REGIME**2 * kind * np.outer(loud, loud))
    out += np.outer(seen.asked, seen.asked) * SAME**2 * (1.0 + kind)
    out += np.diag((PIECE * loud) ** 2 + seen.noise**2)
    return np.asarray(out)


def _of_state(seen: PartPieces, state: State, shared: NDArray[np.bool_]) -> Floats:
    """The part that hangs on the state: figures and weather by their slopes, the thermostat, the pattern's shape."""
    slopes = seen.slopes[state]
    figures, own = FIGURES * slopes[:, shared], slopes[:, ~shared]
    drive = _same(seen.drive)
    places = [k for k, u in enumerate(seen.every) if u.name == "open_c"]
    # An opening point typed as exact has no slope; its wax is then taken as exact too.
    per_k = slopes[:, places].sum(axis=1) / (seen.open_spread_c or 1.0)
    pattern = SHAPE * (seen.ratios[state] - seen.ratios[SOUND])
    out = figures @ figures.T + drive * (own @ own.T)
    out += np.outer(per_k, per_k) * (THERMOSTAT_DRIVE_C**2 * drive + THERMOSTAT_C**2 * np.eye(len(per_k)))
    out += np.outer(pattern, pattern) * _same(_kind(seen))
    return np.asarray(out)
