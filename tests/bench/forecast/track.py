"""What one method said during one drive, second by second, in the one form that is scored."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]
Z80 = 1.2815515655446004
"""Half width of an 80 % band of a normal distribution, in spreads."""
HORIZONS = (120, 300, 600)


@dataclass
class Track:
    """Arrays over the seconds of a drive; NaN = said nothing.  Times are inf where no crossing is foreseen."""

    chance_300: Array
    time_s: Array
    urgency: Array  # greater is more urgent; the sweep lays its thresholds here
    ahead_c: dict[int, Array] = field(default_factory=dict)  # horizon -> (3, T): low, likely, high
    time_low_s: Array | None = None
    time_high_s: Array | None = None
    caution: NDArray[np.bool_] | None = None  # where the method has a level of its own
    us_per_step: float = float("nan")
    peak_c: Array = field(default_factory=lambda: np.empty(0))  # peers: highest within 300 s, before any spread


def from_normal(
    limit_c: float,
    now_c: Array,
    peak_300_c: Array,
    time_s: Array,
    ahead_c: dict[int, Array],
    spread_300_c: float,
    spreads_c: dict[int, float],
    us_per_step: float,
) -> Track:
    """A track from point forecasts and stated spreads: chance = Phi((peak within 300 s - limit) / spread)."""
    chance = np.where(now_c >= limit_c, 1.0, ndtr((peak_300_c - limit_c) / spread_300_c))
    chance = np.where(np.isfinite(peak_300_c), chance, np.nan)
    bands = {h: np.stack([a - Z80 * spreads_c[h], a, a + Z80 * spreads_c[h]]) for h, a in ahead_c.items()}
    return Track(
        chance,
        np.where(now_c >= limit_c, 0.0, time_s),
        chance.copy(),
        bands,
        us_per_step=us_per_step,
        peak_c=peak_300_c,
    )
