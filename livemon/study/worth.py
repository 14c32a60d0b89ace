"""What a change of the cooling is worth on a climb: the same climb planned with the cooling of before and of after.

The change in heat shed is put on the radiator's conductance, which sheds in proportion while air and coolant flow are
not short; both plans share every other unknown.  The hardest climb of the drives serves where no route is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from livemon.core.figures import FIGURES, Figure
from livemon.core.outcome import Band
from livemon.core.route import Route, build
from livemon.core.vehicle import VehicleProfile
from livemon.study.compare import Difference
from livemon.study.plan import Way, Weather, plan_each
from livemon.study.recording import STEP_S, Drive

LEAST_GAIN_M: Final = 80.0
MOST_DROP_M: Final = 30.0
"""A descent of so much ends a climb."""
SPEEDS_KMH: Final = (30.0, 110.0)


@dataclass(frozen=True, slots=True)
class Climb:
    """A road with the weather and the speed at which it was driven."""

    route: Route
    air_c: float
    speed_kmh: float
    ac_on: bool


@dataclass(frozen=True, slots=True)
class Worth:
    """Peak before and after [C], how much cooler [K], and minutes over a limit, by the likely change and its bounds."""

    climb: Climb
    before_c: float
    after_c: float
    cooler_c: Band
    minutes_over_before: float
    minutes_over_after: float


def hardest_climb(drives: Sequence[Drive]) -> Climb | None:
    """The climb with the greatest heat made on the way up; None where no drive recorded a height."""
    best: tuple[float, Drive, int, int] | None = None
    for drive in drives:
        for first, last in _climbs(drive):
            work = float(np.nansum(drive.fuel_kw[first:last]))
            if best is None or work > best[0]:
                best = work, drive, first, last
    if best is None:
        return None
    _, drive, first, last = best
    rows = slice(first, last + 1)
    speed = np.where(np.isfinite(drive.speed_kmh[rows]), drive.speed_kmh[rows], 0.0)
    along = np.concatenate([[0.0], np.cumsum(speed[1:]) / 3.6 * STEP_S])
    known = np.isfinite(drive.height_m[rows]) & np.concatenate([[True], np.diff(along) > 1.0])
    if known.sum() < 3:
        return None
    height = drive.height_m[rows][known]
    route = build(f"climb of {drive.name}", along[known], height)
    moving = speed[speed > SPEEDS_KMH[0]]
    pace = float(np.clip(np.median(moving) if moving.size else SPEEDS_KMH[0], *SPEEDS_KMH))
    ac = drive.ac_on[rows]
    return Climb(route, float(np.nanmean(drive.air_c[rows][:12])), pace, bool(np.nanmean(np.nan_to_num(ac)) > 0.5))


def _climbs(drive: Drive) -> list[tuple[int, int]]:
    """(foot, top) cells of every climb of at least 80 m; it ends at its top once the road has dropped 30 m."""
    out: list[tuple[int, int]] = []
    foot = top = -1
    height = drive.height_m
    for k in np.flatnonzero(np.isfinite(height)).tolist():
        if foot < 0 or (top == foot and height[k] < height[foot]):
            foot = top = k
        elif height[k] > height[top]:
            top = k
        elif height[top] - height[k] > MOST_DROP_M:
            if height[top] - height[foot] >= LEAST_GAIN_M:
                out.append((foot, top))
            foot = top = k
    if foot >= 0 and height[top] - height[foot] >= LEAST_GAIN_M:
        out.append((foot, top))
    return out


def changed(profile: VehicleProfile, log_change: float) -> VehicleProfile:
    """The vehicle whose radiator sheds exp(log_change) times as much, held inside the table's range."""
    key = FIGURES["radiator_kw_k"]
    now = profile.figure("radiator_kw_k")
    factor = float(np.exp(log_change))
    likely = min(max(now.likely * factor, key.low), key.high)
    return replace(
        profile, learned={**profile.learned, "radiator_kw_k": Figure(likely, now.spread * factor, "compared")}
    )


def worth(climb: Climb, profile: VehicleProfile, found: Difference, limit_c: float, level: float) -> Worth:
    """The climb with the cooling of `profile`, and with it changed by the difference and both ends of its interval.

    A change of the radiator's conductance moves the heat shed by less than itself where air is short, so the figure
    is careful.
    """
    low, high = found.interval(level)
    way = Way("as driven", climb.speed_kmh, ac_on=climb.ac_on)
    weather = Weather(climb.air_c)
    versions = [profile, *(changed(profile, value) for value in (low, found.value, high))]
    before, at_low, likely, at_high = plan_each(climb.route, weather, [(v, way) for v in versions])
    peaks = [float(np.max(p.likely_c)) for p in (before, at_low, likely, at_high)]
    gains = sorted((peaks[0] - peaks[1], peaks[0] - peaks[3]))
    over = [float(np.sum(np.diff(p.time_s)[p.likely_c[1:] >= limit_c])) / 60.0 for p in (before, likely)]
    return Worth(climb, peaks[0], peaks[2], Band(gains[0], peaks[0] - peaks[2], gains[1]), over[0], over[1])
