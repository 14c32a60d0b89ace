"""How states of a vehicle differ in the heat they shed, all drives of all states explained at once.

A linear model with normal priors, re-linearised until it rests: log ratio of a piece = change of the state + unknown
figures x their slopes + what a regime is off by + what drives and pieces differ by.  How much drives of this vehicle
differ is itself not known: the model is solved for several sizes of it, each weighted by its likelihood (random
effects by restricted likelihood, with a prior).  It does not choose what to conclude.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from livemon.core.vehicle import VehicleProfile
from livemon.study.change_pieces import change_pieces
from livemon.study.recording import Drive
from livemon.study.segments import CAPACITY_KJ_K, Floats, Piece, Regime
from livemon.study.shed_fit import Spreads, blocks, joined
from livemon.study.shed_lanes import Unknown, more_unknowns, widened
from livemon.study.shed_march import March

# What drives of one vehicle differ by, as restricted likelihood found it on made-up garages of two plants (seed 1),
# between the two plants: [log] beside [kW], since the heat stored is known to so many kW whatever is shed.
DRIVE_SPREAD: Final = 0.015
DRIVE_REGIME_SPREAD: Final = 0.01
DRIVE_REGIME_KW: Final = 0.7
SLOW_SPREAD: Final = 0.025
SLOW_S: Final = 240.0
"""What comes and goes within a drive, correlated over so long."""
PIECE_SPREAD: Final = 0.01
PIECE_KW: Final = 0.35
READING_C: Final = 0.12
"""Error of the coolant at the end of a piece, shared with the piece that begins there."""
OFFSET_SPREAD: Final = 0.05
OFFSET_AC_SPREAD: Final = 0.04
"""What the physics of the profile misses in a regime, the same on every drive; and with the A/C on."""
CHANGE_SPREAD: Final = 0.4
CHANGE_REGIME_SPREAD: Final = 0.1
SPREADS: Final = Spreads(
    OFFSET_SPREAD, OFFSET_AC_SPREAD, CHANGE_SPREAD, CHANGE_REGIME_SPREAD, DRIVE_SPREAD, DRIVE_REGIME_SPREAD
)
SIZES: Final = (0.35, 0.5, 0.71, 1.0, 1.41, 2.0, 2.8, 4.0)
"""Sizes of what drives differ by, against the spreads above."""
SIZE_SPREAD: Final = 0.7  # of the logarithm of the size, before anything is seen
TURNS: Final = 6
STEP: Final = 0.6
LOOSE: Final = 1.5
"""Share of the way to each new solution, and size of what drives differ by while the model is re-linearised: at full
steps the figures that nothing tells swing to and fro, and the change with them."""
CLOSE_Z: Final = 0.25
MOST_Z: Final = 2.5
HUBER: Final = 3.0

SHARED: Final = ("figures", "offset", "offset_ac")
"""Blocks that are the same for all drives of all states."""
_SIZED: Final = ("drive", "drive regime", "drive regime kw", "slow")


@dataclass(frozen=True, slots=True)
class ChangeFit:
    """Posterior of the unknowns of the vehicle and of its states; `columns` says which is which.

    `mean` and `covariance` stop before the unknowns of single drives, whose columns `design` has too.  `design`
    (pieces, unknowns), `target` and `noise` (pieces,) [log], `prior` (unknowns,): standard deviations at `size`, the
    mean of how much drives differ against the usual.
    """

    pieces: tuple[Piece, ...]
    sides: tuple[int, ...]
    columns: dict[str, slice]
    mean: Floats
    covariance: Floats
    design: Floats
    target: Floats
    noise: Floats
    prior: Floats
    size: float


@dataclass(frozen=True, slots=True)
class _Model:
    design: Floats
    target: Floats
    noise: Floats
    prior: Floats
    columns: dict[str, slice]

    @property
    def told(self) -> int:
        """Unknowns that are told of: those of the vehicle and of its states, which stand before those of drives."""
        return max(int(w.stop) for name, w in self.columns.items() if name in SHARED or name.startswith("change"))

    def sized(self, size: float) -> _Model:
        """Drives that differ `size` times as much."""
        prior = self.prior.copy()
        for name in _SIZED:
            prior[self.columns[name]] *= size
        return replace(self, prior=prior, noise=self.noise * size)


def _model(
    found: Sequence[Piece], sides: Sequence[int], every: Sequence[Unknown], at: Sequence[float], states: int
) -> _Model:
    heat = np.array([p.heat_kw for p in found])
    every_block = blocks(found, sides, every, states, SPREADS)
    every_block += [
        ("drive regime kw", every_block[-1][1] / heat[:, None], DRIVE_REGIME_KW),
        ("slow", _slow(found), SLOW_SPREAD),
        ("ends", _ends(found), READING_C),
    ]
    design, target, prior, where = joined(every_block, found, every, at)
    return _Model(design, target, np.hypot(PIECE_SPREAD, PIECE_KW / heat), prior, where)


def _slow(found: Sequence[Piece]) -> Floats:
    """Columns whose independent unknowns make a disturbance that decays with SLOW_S within a drive."""
    drive = np.array([p.drive for p in found])
    middle = np.array([p.start_s + 30.0 * p.minutes for p in found])
    near = np.exp(-np.abs(middle[:, None] - middle) / SLOW_S) * (drive[:, None] == drive)
    return np.asarray(np.linalg.cholesky(near + 1e-9 * np.eye(len(found))))


def _ends(found: Sequence[Piece]) -> Floats:
    """Log ratio per kelvin of error at every end of a piece: what one piece stored too much the next stored too
    little."""
    number: dict[tuple[int, float], int] = {}
    at: list[tuple[int, int, float]] = []
    for row, p in enumerate(found):
        per_k = CAPACITY_KJ_K / (60.0 * p.minutes) / p.heat_kw
        for time_s, sign in ((p.start_s, -1.0), (p.start_s + 60.0 * p.minutes, 1.0)):
            at.append((row, number.setdefault((p.drive, time_s), len(number)), sign * per_k))
    out = np.zeros((len(found), len(number)))
    for row, column, value in at:
        out[row, column] += value
    return out


def _lower(model: _Model) -> Floats:
    """Cholesky factor of the covariance of the pieces."""
    scaled = model.design * model.prior
    return np.asarray(np.linalg.cholesky(scaled @ scaled.T + np.diag(model.noise**2)))


def _solve(model: _Model) -> tuple[Floats, Floats, float]:
    """(mean, covariance, log likelihood) of the linear model with normal priors: of the unknowns before `own`."""
    lower = _lower(model)
    prior = model.prior[: model.told]
    white = np.linalg.solve(lower, model.design[:, : model.told] * prior)
    seen = np.linalg.solve(lower, model.target)
    mean = prior * (white.T @ seen)
    covariance = np.diag(prior**2) - prior[:, None] * (white.T @ white) * prior
    likely = -0.5 * float(seen @ seen) - float(np.log(np.diag(lower)).sum())
    return mean, np.asarray(covariance), likely


def _robust(model: _Model) -> _Model:
    """Pieces far off count less (Huber, two steps)."""
    noise = model.noise
    for _ in range(2):
        lower = _lower(replace(model, noise=noise))
        left = noise**2 * np.linalg.solve(lower.T, np.linalg.solve(lower, model.target))
        noise = model.noise * np.sqrt(np.maximum(np.abs(left) / model.noise / HUBER, 1.0))
    return replace(model, noise=noise)


def _mixed(model: _Model) -> tuple[Floats, Floats, float]:
    """(mean, covariance, mean size) over the sizes of what drives differ by, each weighted by its likelihood."""
    each = [_solve(model.sized(size)) for size in SIZES]
    told = np.array([e[2] for e in each]) - 0.5 * (np.log(SIZES) / SIZE_SPREAD) ** 2
    weight = np.exp(told - told.max())
    weight = weight / weight.sum()
    mean = np.asarray(sum(w * e[0] for w, e in zip(weight, each, strict=True)))
    covariance = np.asarray(
        sum(w * (e[1] + np.outer(e[0] - mean, e[0] - mean)) for w, e in zip(weight, each, strict=True))
    )
    return mean, covariance, float(weight @ np.array(SIZES))


def fit_changes(
    drives: Sequence[Drive], sides: Sequence[int], profile: VehicleProfile, states: int
) -> ChangeFit | None:
    """All drives explained together; `sides[k]` is the state (0 = first) in which drive k was made.  None where no
    drive has a usable piece."""
    wide = widened(profile)
    every = more_unknowns(wide)
    shared = [k for k, u in enumerate(every) if not u.own]
    at = [0.0] * len(every)
    shift: Floats | None = None
    marches: list[March] | None = None
    found: list[Piece] = []
    model: _Model | None = None
    for _ in range(TURNS):
        found, marches = change_pieces(drives, wide, every, at, shift, marches)
        if not found:
            return None
        model = _robust(_model(found, sides, every, at, states))
        mean, _, _ = _solve(model.sized(LOOSE))
        shift = np.zeros((len(drives), len(Regime))) + mean[model.columns["offset"]]
        for state in range(1, states):
            shift[np.array(sides) == state] += mean[model.columns[f"change {state}"]]
            shift[np.array(sides) == state] += mean[model.columns[f"change {state} by regime"]]
        new = np.clip(mean[model.columns["figures"]], -MOST_Z, MOST_Z)
        step = STEP * (new - np.array(at)[shared])
        for k, moved in zip(shared, step, strict=True):
            at[k] += float(moved)
        if np.abs(step).max() < CLOSE_Z:
            break
    assert model is not None
    mean, covariance, size = _mixed(model)
    usual = model.sized(size)
    return ChangeFit(
        tuple(found),
        tuple(sides),
        model.columns,
        mean,
        covariance,
        usual.design,
        usual.target,
        usual.noise,
        usual.prior,
        size,
    )


def only(found: ChangeFit, rows: Sequence[int]) -> tuple[Floats, Floats]:
    """(mean, covariance) of the same unknowns by some of the pieces alone, at the size that all of them told."""
    keep = list(rows)
    some = _Model(found.design[keep], found.target[keep], found.noise[keep], found.prior, found.columns)
    mean, covariance, _ = _solve(some)
    return mean, covariance
