"""How likely each part is the weak one: the states compete for the pieces of `part_pieces`.

Under each state the log ratios of all pieces are normal around its pattern, with a covariance built from everything
that is not known: figures of the vehicle by their slopes, weather of each drive, what the physics misses in a regime
(the same before and after, so it cancels where both sides drove that regime), what drives and pieces differ by, and a
share of the pattern of the weak part itself, since a plant of another make has another pattern.  How much drives of
this vehicle differ is itself not known, and averaged over; and a drive may be far off in a regime, seldom, as no normal
would have it.  Beside the parts stand a sound vehicle and "something else".  It knows no parts but these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from livemon.study.fan_map import fan_map
from livemon.study.part_pieces import DEGREES, SOUND, PartPieces, State
from livemon.study.piece_model import SIZED, Spreads, model_of
from livemon.study.segments import Floats, Piece, Regime

OTHER: Final = "something else"
UNKNOWN: Final[State] = (OTHER, 0.0)
# Spreads [log] were chosen for the best mean log probability of the true state on made-up garages of two plants
# (docs/short-part.md).
FIGURES: Final = 1.26
"""Of the profile's spreads, so many times as much is allowed."""
SPREADS: Final = Spreads(
    offset=0.18,
    offset_ac=0.022,
    change=0.0,
    change_regime=0.0,
    drive=0.004,
    drive_regime=0.006,
    drive_regime_kw=0.27,
    slow=0.003,
    piece=0.008,
    piece_kw=0.75,
    reading_c=0.16,
    idle=1.2,
)
SIZES: Final = (0.5, 0.71, 1.0, 1.41, 2.0, 2.8, 4.0)
SIZE_SPREAD: Final = 0.44
"""How much more or less drives of one vehicle may differ, and the spread of its logarithm beforehand."""
STRAY: Final = (0.03, 12.0)
"""How likely a drive is far off in a regime, for whatever reason, and how many times as far as the usual one."""
MOST_STRAYS: Final = 8
MISSED: Final = 0.033
APART: Final = (6.0, 25.0, 40.0)
"""What the physics misses within a regime, and how far coolant [K], outside air [K] and speed [km/h] are apart where it
is another; so is A/C on from off."""
SAME: Final = (0.012, 0.003)
"""How far a sound vehicle drifts, overall and by regime."""
SHAPE: Final = {
    "weak_electric_fan": 0.3,
    "slipping_fan_clutch": 0.23,
    "clogged_condenser": 0.067,
    "half_blocked_radiator": 0.145,
    "low_pump_flow": 0.08,
}
"""Error of a weak part's pattern in each regime, as a share of the pattern there."""
AMPLITUDE: Final = 0.05
"""The same for the whole of the pattern, between the degrees."""
OTHER_CHANGE: Final = 0.4
OTHER_REGIME: Final = 0.15
"""How far "something else" moves the heat shed, overall and by regime."""
SOUND_WEIGHT: Final = 4.0
OTHER_WEIGHT: Final = 0.1
"""How likely a sound vehicle and "something else" are held to be beforehand, against 1 for every part: about as
likely sound as any of them weak."""

_FIXED: Final = ("offset", "offset_ac", "ends")


@dataclass(frozen=True, slots=True)
class Weighed:
    """Probability of every state, and the likeliest degree of each part."""

    probability: dict[str, float]
    degree: dict[str, float]


@dataclass(frozen=True, slots=True)
class _Known:
    """What is the same under every state: covariances (pieces, pieces), `sized` at size 1, and which pieces are of the
    same regime and of the same drive."""

    fixed: Floats
    sized: Floats
    alike: Floats
    together: Floats

    @staticmethod
    def of(seen: PartPieces) -> _Known:
        sides = [0] * (1 + max(p.drive for p in seen.pieces))
        model = model_of(seen.pieces, sides, seen.every, seen.at.tolist(), 1, SPREADS)
        regime = np.array([list(Regime).index(p.regime) for p in seen.pieces])
        drive = np.array([p.drive for p in seen.pieces])
        alike, together = (np.asarray(v[:, None] == v[None, :], dtype=np.float64) for v in (regime, drive))
        drift = np.outer(seen.asked, seen.asked) * (SAME[0] ** 2 + SAME[1] ** 2 * alike)
        fixed = model.covariance(_FIXED) + alike * _missed(seen.pieces) + drift
        return _Known(fixed, model.covariance(SIZED) + np.diag(model.noise**2), alike, together)

    def normal(self, seen: PartPieces, state: State) -> tuple[Floats, Floats]:
        """(target, covariance) under a state, but for what is sized."""
        target, covariance = _of_state(seen, state, self.together)
        pattern, shape = seen.patterns[state], SHAPE.get(state[0], 0.0)
        wrong = np.outer(pattern, pattern) * (AMPLITUDE**2 + shape**2 * self.alike)
        return target, covariance + self.fixed + wrong

    def other(self, seen: PartPieces) -> Floats:
        """What "something else" may be off by from a sound vehicle: a covariance (pieces, pieces)."""
        return np.asarray(np.outer(seen.asked, seen.asked) * (OTHER_CHANGE**2 + OTHER_REGIME**2 * self.alike))


def weigh(seen: PartPieces) -> Weighed:
    """All states against each other."""
    known = _Known.of(seen)
    sized = _Sized.of(known.sized, STRAY[1] * _strays(seen.pieces))
    logs: dict[State, float] = {}
    for state in seen.patterns:
        target, covariance = known.normal(seen, state)
        logs[state] = sized.log_density(covariance, target)
        if state == SOUND:
            other = sized.log_density(covariance + known.other(seen), target) + float(np.log(OTHER_WEIGHT))
    prior = dict(DEGREES)
    joint = {s: v + float(np.log(SOUND_WEIGHT if s == SOUND else prior[s[1]])) for s, v in logs.items()}
    by_part: dict[str, float] = {OTHER: other}
    for (part, _), value in joint.items():
        by_part[part] = float(np.logaddexp(by_part.get(part, -np.inf), value))
    top = max(by_part.values())
    shares = {part: float(np.exp(value - top)) for part, value in by_part.items()}
    total = sum(shares.values())
    degree = {
        part: max((s for s in joint if s[0] == part), key=lambda s: joint[s])[1] for part in by_part if part != OTHER
    }
    return Weighed({part: share / total for part, share in shares.items()}, degree)


def foreseen(seen: PartPieces, new: int) -> dict[State, tuple[Floats, Floats]]:
    """(mean, covariance) of the log ratios of the last `new` pieces, not driven yet, given all before, by state.

    Beside the states of `seen` stands `UNKNOWN`, something else.
    """
    known = _Known.of(seen)
    first = len(seen.pieces) - new
    ratio = np.array([p.log_ratio for p in seen.pieces])
    out: dict[State, tuple[Floats, Floats]] = {}
    for state in (*seen.patterns, UNKNOWN):
        target, covariance = known.normal(seen, SOUND if state == UNKNOWN else state)
        covariance = covariance + known.sized
        if state == UNKNOWN:
            covariance = covariance + known.other(seen)
        across = covariance[:first, first:]
        share = np.linalg.solve(covariance[:first, :first], across).T
        mean = (ratio - target)[first:] + share @ target[:first]
        out[state] = mean, np.asarray(covariance[first:, first:] - share @ across)
    return out


def _missed(pieces: Sequence[Piece]) -> Floats:
    """What the physics misses beyond a regime's offset: the same under the same conditions, other under others.

    A Gaussian process over them (model discrepancy, Kennedy & O'Hagan 2001), so that only like for like cancels.
    """
    at = np.array([(p.coolant_c, p.air_c, p.speed_kmh) for p in pieces]) / APART
    every = np.column_stack([at, [p.ac for p in pieces]])
    return np.asarray(MISSED**2 * np.exp(-0.5 * np.square(every[:, None, :] - every[None, :, :]).sum(axis=2)))


def _of_state(seen: PartPieces, state: State, together: Floats) -> tuple[Floats, Floats]:
    """(target, covariance) of what hangs on the state: its pattern; figures, fans and weather by its slopes."""
    shared = np.array([not u.own for u in seen.every])
    slopes = seen.slopes[state]
    figures, own = FIGURES * slopes[:, shared], slopes[:, ~shared]
    ratio = np.array([p.log_ratio for p in seen.pieces])
    target = ratio + seen.patterns[state] - slopes[:, shared] @ seen.at[shared]
    unsure = figures @ figures.T + together * (own @ own.T) + fan_map(seen.pieces, seen.every, slopes)
    return target, np.asarray(unsure)


def _strays(pieces: Sequence[Piece]) -> Floats:
    """(pieces, regimes of drives): what a drive of the usual vehicle is off by in a regime [log], a column for each."""
    keys = [(p.drive, p.regime) for p in pieces]
    per_kw = SPREADS.per_kw([p.regime for p in pieces], np.array([p.heat_kw for p in pieces]))
    off = np.hypot(SPREADS.drive_regime, SPREADS.drive_regime_kw * per_kw)
    return np.array([[size * (key == of) for of in dict.fromkeys(keys)] for key, size in zip(keys, off, strict=True)])


@dataclass(frozen=True, slots=True)
class _Sized:
    """What drives and pieces differ by at size 1, in a form in which every size costs next to nothing."""

    whiten: Floats
    log_root: float
    strays: Floats
    """(pieces, strays), whitened: columns of what a drive may be far off by in a regime."""

    @staticmethod
    def of(covariance: Floats, strays: Floats) -> _Sized:
        lower = np.linalg.cholesky(covariance)
        whiten = np.linalg.inv(lower)
        return _Sized(whiten, float(np.log(np.diag(lower)).sum()), whiten @ strays)

    def log_density(self, covariance: Floats, target: Floats) -> float:
        """Of a normal with `covariance` beside it, but for a constant, averaged over the sizes; beside it with the
        strays that make it likelier, each at its price."""
        matrix, seen = self.whiten @ covariance @ self.whiten.T, self.whiten @ target
        values, vectors = np.linalg.eigh(matrix)
        turned = vectors.T @ seen
        spread = np.maximum(values, 0.0) + np.square(SIZES)[:, None]
        each = -0.5 * (turned**2 / spread).sum(axis=1) - 0.5 * np.log(spread).sum(axis=1)
        each -= 0.5 * (np.log(SIZES) / SIZE_SPREAD) ** 2
        plain = float(np.logaddexp.reduce(each))
        best = int(np.argmax(each))
        strays = SIZES[best] * vectors.T @ self.strays
        picked = _picked(strays.T @ (strays / spread[best][:, None]), strays.T @ (turned / spread[best]))
        if picked:
            off = strays[:, picked]
            sides = off.T / spread[:, None, :]
            inner, along = np.eye(len(picked)) + sides @ off, sides @ turned
            gain = (along * np.linalg.solve(inner, along[:, :, None])[:, :, 0]).sum(axis=1)
            wide = each + 0.5 * gain - 0.5 * np.linalg.slogdet(inner)[1]
            plain = float(np.logaddexp(plain, np.logaddexp.reduce(wide) + len(picked) * np.log(STRAY[0])))
        return plain - self.log_root


def _picked(shared: Floats, off: Floats) -> list[int]:
    """Strays worth their price, the best first, given those before it: each widens the normal along its column.

    `shared` (strays, strays) and `off` (strays,): products of the columns with each other and with what is seen, by the
    normal's precision.
    """
    picked: list[int] = []
    while len(picked) < MOST_STRAYS:
        wider = 1.0 + np.diag(shared)
        gain = 0.5 * off**2 / wider - 0.5 * np.log(wider) + np.log(STRAY[0])
        gain[picked] = 0.0
        best = int(np.argmax(gain))
        if gain[best] <= 0.0:
            break
        picked.append(best)
        off = off - shared[:, best] * off[best] / wider[best]
        shared = shared - np.outer(shared[:, best], shared[best]) / wider[best]
    return picked
