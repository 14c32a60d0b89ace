"""Explains the heat balances of many pieces at once: vehicle unknowns, weather of each drive, and what changed.

A linear model with normal priors, solved in one step and re-linearised once: log ratio = change of the side + drive
+ unknown figures x their slopes + noise.  The drive is a unit of its own: what is wrong in one piece of a drive is
mostly wrong in the next piece too.  It does not choose what to conclude.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livemon.core.vehicle import VehicleProfile
from livemon.study.recording import Drive
from livemon.study.segments import Piece, Regime, pieces
from livemon.study.shed_lanes import Unknown, unknowns

Floats = NDArray[np.float64]

DRIVE_SPREAD: Final = 0.025
"""What differs between two drives of one vehicle beyond wind, air and A/C, as a share of the heat shed."""
DRIVE_REGIME_SPREAD: Final = 0.03
PIECE_SPREAD: Final = 0.05
OFFSET_SPREAD: Final = 0.07
"""What the physics of the profile misses in a regime, the same on every drive."""
CHANGE_SPREAD: Final = 0.4
CHANGE_REGIME_SPREAD: Final = 0.1
TURNS: Final = 2
MOST_Z: Final = 2.5


@dataclass(frozen=True, slots=True)
class Fit:
    """Posterior of all unknowns at once; `columns` says which is which."""

    pieces: tuple[Piece, ...]
    sides: tuple[int, ...]
    columns: dict[str, slice]
    at: tuple[float, ...]
    mean: Floats
    covariance: Floats


Block = tuple[str, Floats, float]
"""Name of some unknowns, (pieces, unknowns) columns of the matrix, and their standard deviation before the drives."""


class Spreads(NamedTuple):
    """Standard deviations of `blocks`: what a regime is off by, the change of a state, what drives differ by [log]."""

    offset: float
    offset_ac: float
    change: float
    change_regime: float
    drive: float
    drive_regime: float


USUAL: Final = Spreads(
    OFFSET_SPREAD, OFFSET_SPREAD, CHANGE_SPREAD, CHANGE_REGIME_SPREAD, DRIVE_SPREAD, DRIVE_REGIME_SPREAD
)


def blocks(
    found: Sequence[Piece], sides: Sequence[int], every: Sequence[Unknown], states: int, spreads: Spreads
) -> list[Block]:
    """What every model of pieces has: figures, offsets of regimes, changes of states, and what is a drive's own.

    The last is one column for each regime of each drive.
    """
    names, drives = list(Regime), len(sides)
    regime = np.array([names.index(p.regime) for p in found])
    drive = np.array([p.drive for p in found])
    side = np.array([sides[p.drive] for p in found])
    ac = np.array([0.5 if p.ac_on is None else float(p.ac_on) for p in found])
    slopes = np.array([p.slopes for p in found])
    shared = [k for k, u in enumerate(every) if not u.own]
    own = [k for k, u in enumerate(every) if u.own]
    is_regime = (regime[:, None] == np.arange(len(names))).astype(float)
    is_drive = (drive[:, None] == np.arange(drives)).astype(float)
    both = (is_drive[:, :, None] * is_regime[:, None, :]).reshape(len(found), -1)
    out: list[Block] = [
        ("figures", -slopes[:, shared], 1.0),
        ("offset", is_regime, spreads.offset),
        ("offset_ac", is_regime * (ac[:, None] - 0.5), spreads.offset_ac),
    ]
    for state in range(1, states):
        here = (side == state).astype(float)[:, None]
        out.append((f"change {state}", here, spreads.change))
        out.append((f"change {state} by regime", here * is_regime, spreads.change_regime))
    out += [(f"own {every[k].name}", -is_drive * slopes[:, [k]], 1.0) for k in own]
    out.append(("drive", is_drive, spreads.drive))
    out.append(("drive regime", both[:, both.any(axis=0)], spreads.drive_regime))
    return out


def joined(
    every_block: Sequence[Block], found: Sequence[Piece], every: Sequence[Unknown], at: Sequence[float]
) -> tuple[Floats, Floats, Floats, dict[str, slice]]:
    """(matrix, target, prior standard deviations, blocks) of the linear model around the figures `at`."""
    where: dict[str, slice] = {}
    begin = 0
    for name, columns, _ in every_block:
        where[name] = slice(begin, begin + columns.shape[1])
        begin += columns.shape[1]
    slopes = np.array([p.slopes for p in found])
    shared = [k for k, u in enumerate(every) if not u.own]
    target = np.array([p.log_ratio for p in found]) - slopes[:, shared] @ np.asarray(at)[shared]
    prior = np.concatenate([np.full(columns.shape[1], spread) for _, columns, spread in every_block])
    return np.concatenate([columns for _, columns, _ in every_block], axis=1), target, prior, where


def solve(matrix: Floats, target: Floats, prior: Floats, noise: Floats) -> tuple[Floats, Floats]:
    """(mean, covariance) of a linear model with normal priors; pieces far off count less (Huber, 2 steps)."""
    weight: Floats = 1.0 / noise**2
    mean: Floats = np.zeros(len(prior))
    covariance: Floats = np.diag(prior**2)
    for _ in range(3):
        precision = matrix.T @ (matrix * weight[:, None]) + np.diag(1.0 / prior**2)
        covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
        mean = covariance @ (matrix.T @ (weight * target))
        off = np.abs(target - matrix @ mean) / noise
        weight = np.asarray(np.minimum(1.0, 2.0 / np.maximum(off, 1e-9)) / noise**2, dtype=np.float64)
    return mean, covariance


def fit(
    drives: Sequence[Drive],
    sides: Sequence[int],
    profile: VehicleProfile,
    states: int,
) -> Fit | None:
    """All drives explained together; `sides[k]` is the state (0 = first) in which drive k was made."""
    every = unknowns(profile)
    shared = [k for k, u in enumerate(every) if not u.own]
    at = [0.0] * len(every)
    result: Fit | None = None
    for _ in range(TURNS):
        found = pieces(drives, profile, at)
        if not found:
            return None
        matrix, target, prior, where = joined(blocks(found, sides, every, states, USUAL), found, every, at)
        noise = np.array([np.hypot(PIECE_SPREAD, p.noise) for p in found])
        mean, covariance = solve(matrix, target, prior, noise)
        result = Fit(tuple(found), tuple(sides), where, tuple(at), mean, covariance)
        for k, z in zip(shared, mean[where["figures"]], strict=True):
            at[k] = float(np.clip(z, -MOST_Z, MOST_Z))
    return result
