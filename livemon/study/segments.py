"""Which regime a drive is in, step by step, and how it is cut into pieces of one regime.

A piece is one heat balance over one to four minutes.  It does not know what a radiator sheds.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from livemon.core.demand import AC_UNTOLD
from livemon.core.vehicle import VehicleProfile
from livemon.study.recording import STEP_S, Drive
from livemon.study.road_fuel import road_fuel_kw

Floats = NDArray[np.float64]
_Kept = TypeVar("_Kept")

SMOOTH_S: Final = 45.0
"""Whole degrees are smoothed over so long on either side before their slope is taken."""
SETTLE_S: Final = 60.0
"""The first seconds of a drive only fill the lags."""
REGIME_S: Final = 60.0
PIECE_S: Final = 120.0
SHORTEST_S: Final = 60.0
HOTTEST_C: Final = 121.0
"""Above it coolant may boil under a weak cap, and heat leaves as steam."""
CRAWL_KMH: Final = 20.0
STANDING_KMH: Final = 2.0
HELD_RATIO: Final = 1.6  # rpm over idle from which an engine at standstill is held
GRADE_PCT: Final = 2.5
GRADE_FUEL: Final = 1.6  # fuel over that of a level road, where no height is known
CAPACITY_KJ_K: Final = 115.0
"""Heat capacity: what an error of the coolant at the ends of a piece is worth."""
LEAST_SHED_KW: Final = 4.0


class Regime(Enum):
    """What the vehicle did in a piece."""

    IDLE = "idle and crawl"
    HELD = "held rpm at standstill"
    LEVEL = "level speed"
    GRADE = "grade"


@dataclass(frozen=True, slots=True)
class Piece:
    """One to four minutes of one drive in one regime, thermostat open.

    `log_ratio`: natural logarithm of heat shed over the profile's, at the likely figures; `slopes`: its change per
    standard deviation of each unknown.
    """

    drive: int
    regime: Regime
    ac_on: bool | None
    start_s: float
    minutes: float
    coolant_c: float
    air_c: float
    speed_kmh: float
    rpm: float
    heat_kw: float
    shed_kw_k: float
    log_ratio: float
    slopes: tuple[float, ...]

    @property
    def ac(self) -> float:
        """A/C, 0 or 1; `AC_UNTOLD` where nobody tells."""
        return AC_UNTOLD if self.ac_on is None else float(self.ac_on)


MOST_PIECES: Final = 600
"""Of one comparison: the work of those who explain pieces together grows with the cube of their number."""


def thinned(every: list[_Kept], most: int = MOST_PIECES) -> list[_Kept]:
    """At most so many of them: beyond it every second, third, ... is taken."""
    return every[:: -(-len(every) // most) or 1]


def smoothed(values: Floats, over_s: float) -> Floats:
    """Mean over `over_s` seconds on either side, a triangle's weights; gaps stay gaps."""
    half = max(1, round(over_s / STEP_S))
    weights = half + 1.0 - np.abs(np.arange(-half, half + 1.0))
    known = np.isfinite(values)
    # "same" is as long as the longer of the two: a drive may be shorter than its window
    total = np.convolve(np.where(known, values, 0.0), weights)[half : half + len(values)]
    count = np.convolve(known.astype(float), weights)[half : half + len(values)]
    return np.where(known & (count > 0.0), total / np.maximum(count, 1e-9), np.nan)


def regimes(drive: Drive, profile: VehicleProfile) -> NDArray[np.int8]:
    """Number of the regime in the order of `Regime` at each step, -1 where it is none of them."""
    speed, rpm = smoothed(drive.speed_kmh, 0.5 * REGIME_S), smoothed(drive.rpm, 0.5 * REGIME_S)
    fuel = smoothed(drive.fuel_kw, 0.5 * REGIME_S)
    grade = smoothed(drive.grade_pct, 0.5 * REGIME_S)
    idle = profile.engine().idle_rpm
    level_kw = road_fuel_kw(profile, speed, rpm, 0.0, 25.0, 1.1)
    steep = np.where(np.isfinite(grade), grade >= GRADE_PCT, fuel >= GRADE_FUEL * level_kw)
    flat = np.where(np.isfinite(grade), np.abs(grade) < GRADE_PCT, ~steep)
    standing = np.isfinite(speed) & (speed < STANDING_KMH)
    is_held = standing & (drive.speed_kmh < STANDING_KMH) & (drive.rpm >= HELD_RATIO * idle)
    crawling = (speed < CRAWL_KMH) & ~is_held & ~(standing & (rpm >= HELD_RATIO * idle))
    moving = speed >= CRAWL_KMH
    out = np.full(len(drive.t_s), -1, dtype=np.int8)
    for number, where in enumerate((crawling, is_held, moving & flat, moving & steep)):
        out[where] = number
    return out


def alike(label: Floats, t_s: Floats) -> list[tuple[int, int]]:
    """(start, stop) of every run of one label without a hole in the time; where the label is nan there is none."""
    known = np.where(np.isfinite(label), label, -99.0)
    jump = np.concatenate([[False], np.diff(t_s) > 1.5 * STEP_S])
    edges = np.flatnonzero((np.diff(known, prepend=known[0]) != 0.0) | jump)
    bounds = pairwise([0, *edges.tolist(), len(label)])
    return [(a, b) for a, b in bounds if b > a and np.isfinite(label[a])]


def parted(a: int, b: int, longest_s: float) -> list[tuple[int, int]]:
    """The run in equal parts of `longest_s` to twice as long, one where it is shorter; none under SHORTEST_S."""
    parts = max(1, int((b - a) * STEP_S // longest_s))
    bounds = [a + (b - a) * part // parts for part in range(parts + 1)]
    return [(first, last) for first, last in pairwise(bounds) if (last - first) * STEP_S >= SHORTEST_S]
