"""The climb before the trip: temperature along a route for a vehicle, a weather and a way of driving.

What each way asks at every step of the road is known before the march (`plan_road`); then the same physics as the live
core marches along the road for many draws of what is not known of the vehicle, all ways of driving and all parts to be
compared side by side.  Traffic is not foreseen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core import draws as core_draws
from livemon.core.coolant import boiling_c
from livemon.core.figures import FIGURES
from livemon.core.outcome import Band
from livemon.core.route import Route
from livemon.core.vehicle import Body, Cooling, Engine, VehicleProfile
from livemon.study.plan_march import Lane, march
from livemon.study.plan_road import MOST_STEPS, Drive, Floats, Road, Way, Weather, drive, in_steps

__all__ = ["DRAWS", "Plan", "Way", "Weather", "draws", "gain_c", "plan", "plan_each"]

DRAWS: Final = 32
"""Hypotheses of the vehicle: first the likely one, then a low-discrepancy spread of every uncertain figure."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What one way of driving does, at each step of the road (arrays of equal length)."""

    way: Way
    distance_m: Floats
    time_s: Floats
    height_m: Floats
    grade_pct: Floats
    speed_kmh: Floats
    rpm: Floats
    gear: Floats
    heat_kw: Floats
    air_c: Floats
    boil_c: Floats
    low_c: Floats
    likely_c: Floats
    high_c: Floats
    holds: NDArray[np.bool_]
    """False where the engine cannot hold the wished speed; `speed_kmh` is then what it can hold."""
    peaks_c: Floats
    """Peak of every draw; the same draws for every way, so that differences pair up."""
    peak_c: Band
    peak_at_m: float

    def margin_c(self, limit_c: float) -> Band:
        """Margin at the peak against `limit_c` [K]."""
        low, likely, high = self.peak_c.low, self.peak_c.likely, self.peak_c.high
        assert low is not None
        assert likely is not None
        assert high is not None
        return Band(limit_c - high, limit_c - likely, limit_c - low)

    def boil_margin_c(self) -> float:
        """Least distance of the likely temperature under the boiling line [K]."""
        return float(np.min(self.boil_c - self.likely_c))


def gain_c(before: Plan, after: Plan) -> Band:
    """How much cooler the peak is [K], from paired draws: what is not known of the vehicle is the same in both."""
    return _band(before.peaks_c - after.peaks_c)


def _band(draws: Floats) -> Band:
    low, high = np.quantile(draws, (0.1, 0.9))
    return Band(float(low), float(draws[0]), float(high))


def draws(profile: VehicleProfile, count: int = DRAWS) -> tuple[Body, Engine, Cooling]:
    """`count` vehicles in columns (`core/draws`); every figure keeps its place, so that profiles can be compared."""
    return core_draws.draws(profile, count, tuple(FIGURES), core_draws.ranked_shares)


def plan(
    route: Route, profile: VehicleProfile, weather: Weather, ways: Sequence[Way], most_steps: int = MOST_STEPS
) -> list[Plan]:
    """Temperature along `route` for each way of driving, regulated and warm at the start.

    Fewer steps than the usual ones are for a first look: where the peak will be, not how high.
    """
    return plan_each(route, weather, [(profile, way) for way in ways], most_steps)


def plan_each(
    route: Route, weather: Weather, wanted: Sequence[tuple[VehicleProfile, Way]], most_steps: int = MOST_STEPS
) -> list[Plan]:
    """As `plan`, each way with a vehicle of its own (a part fitted); marched side by side, each with the same draws."""
    road = in_steps(route, most_steps)
    known: list[tuple[VehicleProfile, tuple[Body, Engine, Cooling]]] = []  # few, and not hashable
    lanes = []
    for profile, way in wanted:
        drawn = next((drawn for before, drawn in known if before is profile), None)
        if drawn is None:
            drawn = draws(profile)
            known.append((profile, drawn))
        likely = (profile.body(), profile.engine(), profile.cooling())
        lanes.append(Lane(way, drive(road, weather, way, likely, drawn[:2]), likely[1], drawn[2]))
    track, clock = march(road, weather, lanes)
    plans = []
    for number, (profile, way) in enumerate(wanted):
        cooling = profile.cooling()
        boil_c = np.asarray(boiling_c(road.pressure_kpa, cooling.cap_kpa, cooling.glycol_share))
        plans.append(_plan(way, road, lanes[number].drive, track[:, number], clock[:, number], boil_c))
    return plans


def _plan(way: Way, road: Road, driven: Drive, track: Floats, clock: Floats, boil_c: Floats) -> Plan:
    low, high = np.quantile(track, (0.1, 0.9), axis=1)
    peaks = np.max(track, axis=0)
    return Plan(
        way=way,
        distance_m=road.distance_m,
        time_s=clock,
        height_m=road.height_m,
        grade_pct=road.grade_pct,
        speed_kmh=driven.speed_kmh,
        rpm=driven.rpm,
        gear=driven.gear,
        heat_kw=driven.heat_kw[:, 0],
        air_c=driven.air_c,
        boil_c=boil_c,
        low_c=low,
        likely_c=track[:, 0],
        high_c=high,
        holds=driven.holds,
        peaks_c=peaks,
        peak_c=_band(peaks),
        peak_at_m=float(road.distance_m[int(np.argmax(track[:, 0]))]),
    )
