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
from livemon.study.form import widened
from livemon.study.piece_model import Model, Spreads, model_of
from livemon.study.recording import Drive
from livemon.study.segments import Floats, Piece, Regime
from livemon.study.shed_lanes import WIDER, Unknown, change_unknowns
from livemon.study.shed_march import March

# What drives of one vehicle differ by, as restricted likelihood found it on made-up garages of two plants (seed 1),
# between the two plants: [log] beside [kW], since the heat stored is known to so many kW whatever is shed.
DRIVE_SPREAD: Final = 0.015
SPREADS: Final = Spreads(
    offset=0.05,
    offset_ac=0.04,
    change=0.4,
    change_regime=0.1,
    drive=DRIVE_SPREAD,
    drive_regime=0.01,
    drive_regime_kw=0.7,
    slow=0.025,
    piece=0.01,
    piece_kw=0.35,
    reading_c=0.12,
)
CHANGE_SPREADS: Final = SPREADS._replace(slow=0.018)
"""Where what makes differ in is believed less firmly (`change_unknowns`) less is left to spells within a drive; the
likelihood of the same garages and of seeds 11, 13 and 31."""
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
class Linearised:
    """All drives as one linear model around the figures at which it came to rest.

    `profile`: with the spreads it was explained with; `at`: standard deviations of each unknown of `every`; `shift`
    (drives, regimes) and `marches` (of every hot run): what the pieces were cut with, for more lanes beside them.
    """

    profile: VehicleProfile
    every: tuple[Unknown, ...]
    at: tuple[float, ...]
    shift: Floats
    marches: tuple[March, ...]
    pieces: tuple[Piece, ...]
    sides: tuple[int, ...]
    model: Model


def _lower(model: Model) -> Floats:
    """Cholesky factor of the covariance of the pieces."""
    scaled = model.design * model.prior
    return np.asarray(np.linalg.cholesky(scaled @ scaled.T + np.diag(model.noise**2)))


def _solve(model: Model) -> tuple[Floats, Floats, float]:
    """(mean, covariance, log likelihood) of the linear model with normal priors: of the unknowns before `own`."""
    lower = _lower(model)
    prior = model.prior[: model.told]
    white = np.linalg.solve(lower, model.design[:, : model.told] * prior)
    seen = np.linalg.solve(lower, model.target)
    mean = prior * (white.T @ seen)
    covariance = np.diag(prior**2) - prior[:, None] * (white.T @ white) * prior
    likely = -0.5 * float(seen @ seen) - float(np.log(np.diag(lower)).sum())
    return mean, np.asarray(covariance), likely


def _robust(model: Model) -> Model:
    """Pieces far off count less (Huber, two steps)."""
    noise = model.noise
    for _ in range(2):
        lower = _lower(replace(model, noise=noise))
        left = noise**2 * np.linalg.solve(lower.T, np.linalg.solve(lower, model.target))
        noise = model.noise * np.sqrt(np.maximum(np.abs(left) / model.noise / HUBER, 1.0))
    return replace(model, noise=noise)


def _mixed(model: Model) -> tuple[Floats, Floats, float]:
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


def linearised(
    drives: Sequence[Drive],
    sides: Sequence[int],
    wide: VehicleProfile,
    every: Sequence[Unknown],
    states: int,
    spreads: Spreads = SPREADS,
) -> Linearised | None:
    """All drives in one model, linearised anew until it rests; None where no drive has a usable piece.

    `sides[k]`: the state (0 = first) in which drive k was made; `wide`: the profile with the spreads to be believed.
    """
    shared = [k for k, u in enumerate(every) if not u.own]
    at = [0.0] * len(every)
    shift = np.zeros((len(drives), len(Regime)))
    marches: list[March] | None = None
    result: Linearised | None = None
    for turn in range(TURNS):
        found, marches = change_pieces(drives, wide, every, at, shift if turn else None, marches)
        if not found:
            return None
        model = _robust(model_of(found, sides, every, at, states, spreads))
        mean, _, _ = _solve(model.sized(LOOSE))
        result = Linearised(wide, tuple(every), tuple(at), shift, tuple(marches), tuple(found), tuple(sides), model)
        shift = np.zeros((len(drives), len(Regime))) + mean[model.columns["offset"]]
        for state in range(1, states):
            shift[np.array(sides) == state] += mean[model.columns[f"change {state}"]]
            shift[np.array(sides) == state] += mean[model.columns[f"change {state} by regime"]]
        most = MOST_Z * model.prior[model.columns["figures"]]
        new = np.clip(mean[model.columns["figures"]], -most, most)
        step = STEP * (new - np.array(at)[shared])
        for k, moved in zip(shared, step, strict=True):
            at[k] += float(moved)
        if np.abs(step).max() < CLOSE_Z:
            break
    return result


def fit_changes(
    drives: Sequence[Drive], sides: Sequence[int], profile: VehicleProfile, states: int
) -> ChangeFit | None:
    """All drives explained together; `sides[k]` is the state (0 = first) in which drive k was made.  None where no
    drive has a usable piece."""
    wide = widened(profile, WIDER)
    found = linearised(drives, sides, wide, change_unknowns(wide), states, CHANGE_SPREADS)
    return None if found is None else solved(found)


def solved(found: Linearised) -> ChangeFit:
    """The posterior, over the sizes of what drives differ by."""
    model = found.model
    mean, covariance, size = _mixed(model)
    usual = model.sized(size)
    return ChangeFit(
        found.pieces,
        found.sides,
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
    some = Model(found.design[keep], found.target[keep], found.noise[keep], found.prior, found.columns)
    mean, covariance, _ = _solve(some)
    return mean, covariance
