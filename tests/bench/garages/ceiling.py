"""How well the short part could be named by one who knew the plant: `python -m tests.bench.garages ceiling`.

The judge knows what every fault of every degree does to the heat shed of this very vehicle at the reference points, and
sees the true change in each regime plus what drives differ by.  He knows neither the degree nor the part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from livemon.core.vehicle import PARTS
from livemon.study.change_pieces import change_pieces
from livemon.study.part_pieces import DEGREES, HEALTHY
from livemon.study.segments import Regime
from livemon.study.shed_lanes import unknowns
from livemon.study.short_part import SURE
from tests.bench.garages.garages import PLANTS, SIDE, Garage, world
from tests.bench.garages.reference import POINTS
from tests.bench.garages.trips import Array

DRIVE = 0.02
DRIVE_REGIME = 0.05
"""What two drives of one vehicle differ by, overall and by regime [log]: the likeliest figures given the true state on
tuning garages of seed 1 were 0.004 and 0.044 (simulate's plant), 0.024 and 0.059 (second)."""
DRAWS = 40


@dataclass(frozen=True)
class Ceiling:
    """Shares of draws in which the true state was named right, named wrongly, and was the likeliest."""

    right: float
    wrong: float
    likeliest: float


def ceiling(garage: Garage, seed: int, everywhere: bool) -> Ceiling:
    """One garage, judged with the regimes its drives saw hot on both sides, or with all regimes on every drive."""
    module = PLANTS[garage.plant]
    _, it = world(garage.plant, garage.kind, garage.number, seed)
    states = [(HEALTHY, 0.0)] + [(s, d) for s in module.states_of(it.sound) for d, _ in DEGREES]
    weight = np.log([1.0 if s == HEALTHY else dict(DEGREES)[d] for s, d in states])
    changed = [it.sound if s == HEALTHY else module.changed(it.sound, s, PARTS[s].factor ** d) for s, d in states]
    patterns = _changes(module, it.sound, changed)
    truth = _changes(module, it.sound, [it.after])[0]
    counts = np.full((2, len(Regime)), float(SIDE)) if everywhere else _counts(garage)
    covered = counts.min(axis=0) > 0.0
    if not covered.any():
        return Ceiling(0.0, 0.0, 0.0)
    n = counts[:, covered]
    covariance = DRIVE**2 * 2.0 / SIDE + np.diag((DRIVE_REGIME**2 / n).sum(axis=0))
    root = np.linalg.cholesky(covariance)
    rng = np.random.default_rng((seed, garage.number, 9))
    names = [s for s, _ in states]
    true = garage.state or HEALTHY
    right = wrong = likeliest = 0
    for _ in range(DRAWS):
        seen = truth[covered] + root @ rng.standard_normal(int(covered.sum()))
        off = np.linalg.solve(root, (seen - patterns[:, covered]).T)
        each = weight - 0.5 * (off**2).sum(axis=0)
        odds = {p: float(np.exp(each[[n == p for n in names]] - each.max()).sum()) for p in set(names)}
        best = max(odds, key=lambda p: odds[p])
        sure = odds[best] / sum(odds.values()) >= SURE
        likeliest += best == true
        right += sure and best == true
        wrong += sure and best != true
    return Ceiling(right / DRAWS, wrong / DRAWS, likeliest / DRAWS)


def _changes(module: Any, sound: Any, others: Sequence[Any]) -> Array:
    """(others, regimes) log change of the heat shed at the reference points with the A/C off."""
    columns = []
    for at in POINTS[: len(Regime)]:
        shed = module.shed_kw([sound, *others], at)
        columns.append(np.log(shed[1:] / shed[0]))
    return np.array(columns).T


def _counts(garage: Garage) -> Array:
    """(sides, regimes) number of drives with a hot stretch of the regime."""
    profile = garage.profile
    every = unknowns(profile)
    out = np.zeros((2, len(Regime)))
    for side, drives in enumerate((garage.before, garage.after)):
        pieces, _ = change_pieces(drives, profile, every, [0.0] * len(every))
        seen = {(p.drive, p.regime) for p in pieces}
        for number, regime in enumerate(Regime):
            out[side, number] = len({k for k, r in seen if r is regime})
    return out
