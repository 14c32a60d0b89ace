"""One linear model with normal priors for the heat balances of many pieces: what may move their log ratios.

Log ratio = change of the side + unknown figures x their slopes + what a regime is off by + what drives and pieces
differ by.  What is wrong in one piece of a drive is mostly wrong in its next piece too, and what one piece stored too
much the next stored too little.  It does not solve, nor choose what to conclude.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from livemon.study.fan_map import fan_map
from livemon.study.segments import CAPACITY_KJ_K, Floats, Piece, Regime
from livemon.study.shed_lanes import Unknown

SLOW_S: Final = 240.0
"""What comes and goes within a drive is correlated over so long."""


class Spreads(NamedTuple):
    """Standard deviations: of what is the same on all drives, of a state's change, of what drives and pieces differ by.

    All [log] but those in kW, since the heat stored is known to so many kW whatever is shed, and `reading_c` [K], the
    error of the coolant at the end of a piece, shared with the piece that begins there.  At idle and crawl the kW count
    `idle` times.
    """

    offset: float
    """What the physics of the profile misses in a regime, the same on every drive; and with the A/C on."""
    offset_ac: float
    change: float
    change_regime: float
    drive: float
    drive_regime: float
    drive_regime_kw: float
    slow: float
    piece: float
    piece_kw: float
    reading_c: float
    idle: float = 1.0

    def per_kw(self, regime: Sequence[Regime], heat_kw: Floats) -> Floats:
        """(pieces,): what a spread of 1 kW is of the heat shed in each piece [log]."""
        return np.array([self.idle if r is Regime.IDLE else 1.0 for r in regime]) / heat_kw


Block = tuple[str, Floats, float | Floats]
"""Name of some unknowns, (pieces, unknowns) columns of the matrix, and their standard deviation before the drives: one
for all or one for each."""

SHARED: Final = ("figures", "offset", "offset_ac")
"""Blocks that are the same for all drives of all states."""
SIZED: Final = ("drive", "drive regime", "drive regime kw", "slow")
"""Blocks of what drives differ by."""


@dataclass(frozen=True, slots=True)
class Model:
    """`design` (pieces, unknowns), `target` and `noise` (pieces,) [log], `prior` (unknowns,): standard deviations."""

    design: Floats
    target: Floats
    noise: Floats
    prior: Floats
    columns: dict[str, slice]

    @property
    def told(self) -> int:
        """Unknowns that are told of: those of the vehicle and of its states, which stand before those of drives."""
        return max(int(w.stop) for name, w in self.columns.items() if name in SHARED or name.startswith("change"))

    def sized(self, size: float) -> Model:
        """Drives that differ `size` times as much."""
        prior = self.prior.copy()
        for name in SIZED:
            prior[self.columns[name]] *= size
        return replace(self, prior=prior, noise=self.noise * size)

    def covariance(self, names: Sequence[str]) -> Floats:
        """(pieces, pieces): what the unknowns of some blocks leave open."""
        pick = np.concatenate([np.arange(self.columns[n].start, self.columns[n].stop) for n in names])
        scaled = self.design[:, pick] * self.prior[pick]
        return np.asarray(scaled @ scaled.T)


def model_of(
    found: Sequence[Piece], sides: Sequence[int], every: Sequence[Unknown], at: Sequence[float], states: int,
    spreads: Spreads,
) -> Model:  # fmt: skip
    """The model around the figures `at`; `sides[k]` is the state of drive k, of `states`."""
    every_block = _blocks(found, sides, every, states, spreads)
    where: dict[str, slice] = {}
    begin = 0
    for name, columns, _ in every_block:
        where[name] = slice(begin, begin + columns.shape[1])
        begin += columns.shape[1]
    slopes = np.array([p.slopes for p in found])
    shared = [k for k, u in enumerate(every) if not u.own]
    target = np.array([p.log_ratio for p in found]) - slopes[:, shared] @ np.asarray(at)[shared]
    prior = np.concatenate([np.full(columns.shape[1], spread) for _, columns, spread in every_block])
    per_kw = spreads.per_kw([p.regime for p in found], np.array([p.heat_kw for p in found]))
    noise = np.hypot(spreads.piece, spreads.piece_kw * per_kw)
    return Model(np.concatenate([columns for _, columns, _ in every_block], axis=1), target, noise, prior, where)


def _blocks(
    found: Sequence[Piece], sides: Sequence[int], every: Sequence[Unknown], states: int, spreads: Spreads
) -> list[Block]:
    """Figures, offsets of regimes, changes of states, and what is a drive's own: a column for each of its regimes."""
    names, drives = list(Regime), len(sides)
    regime = np.array([names.index(p.regime) for p in found])
    drive = np.array([p.drive for p in found])
    side = np.array([sides[p.drive] for p in found])
    ac = np.array([p.ac for p in found])
    per_kw = spreads.per_kw([p.regime for p in found], np.array([p.heat_kw for p in found]))
    slopes = np.array([p.slopes for p in found])
    shared = [k for k, u in enumerate(every) if not u.own]
    own = [k for k, u in enumerate(every) if u.own]
    is_regime = (regime[:, None] == np.arange(len(names))).astype(float)
    is_drive = (drive[:, None] == np.arange(drives)).astype(float)
    both = (is_drive[:, :, None] * is_regime[:, None, :]).reshape(len(found), -1)
    both = both[:, both.any(axis=0)]
    out: list[Block] = [
        ("figures", -slopes[:, shared], np.array([every[k].looser for k in shared])),
        ("offset", is_regime, spreads.offset),
        ("offset_ac", is_regime * (ac[:, None] - 0.5), spreads.offset_ac),
    ]
    for state in range(1, states):
        here = (side == state).astype(float)[:, None]
        out.append((f"change {state}", here, spreads.change))
        out.append((f"change {state} by regime", here * is_regime, spreads.change_regime))
    out.append(("fan map", _root(fan_map(found, every, slopes)), 1.0))
    out += [(f"own {every[k].name}", -is_drive * slopes[:, [k]], 1.0) for k in own]
    out += [
        ("drive", is_drive, spreads.drive),
        ("drive regime", both, spreads.drive_regime),
        ("drive regime kw", both * per_kw[:, None], spreads.drive_regime_kw),
        ("slow", _slow(found), spreads.slow),
        ("ends", ends(found), spreads.reading_c),
    ]
    return out


def _slow(found: Sequence[Piece]) -> Floats:
    """Columns whose independent unknowns make a disturbance that decays with SLOW_S within a drive."""
    drive = np.array([p.drive for p in found])
    middle = np.array([p.start_s + 30.0 * p.minutes for p in found])
    near = np.exp(-np.abs(middle[:, None] - middle) / SLOW_S) * (drive[:, None] == drive)
    return _root(near)


def _root(covariance: Floats) -> Floats:
    """Columns whose independent unknowns make a disturbance of that covariance."""
    return np.asarray(np.linalg.cholesky(covariance + 1e-9 * np.eye(len(covariance))))


def ends(found: Sequence[Piece]) -> Floats:
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
