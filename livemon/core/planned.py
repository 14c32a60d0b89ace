"""The plan made before the trip as a small table along the road, and whether the drive keeps to it.

Temperature leaves the plan when the estimate stays outside the plan's 80 % band; what explains it (driven faster, air
hotter than planned) is told beside it.  Knows nothing of how a plan is made, and advises nothing: the forecast does not
look at it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from livemon.core.outcome import Band, OffPlan
from livemon.core.route import Floats

CONFIRM_MS: Final = 20_000
"""So long outside the band, or back inside, before it is told: a reading steps by a whole degree."""
DEADBAND_C: Final = 0.5
LEAST_C: Final = 3.0
"""Nothing under this is worth a word, however narrow the band: thermostats differ by as much."""
PACE_S: Final = 120.0
"""Faster or slower than planned is a mean over so long: it takes minutes to show in the coolant."""
WARM_BELOW_C: Final = 3.0
"""The plan starts warm.  A drive that starts cold is not under the plan until it has come up to it once."""


@dataclass(frozen=True, slots=True)
class PlanSettings:
    """How the road is meant to be driven; `gear` 0 = any, `outside_top_c` None = by the standard lapse."""

    speed_kmh: float = 80.0
    gear: int = 0
    ac: bool = False
    outside_top_c: float | None = None


@dataclass(frozen=True, slots=True)
class PlannedRoad:
    """Planned temperature band [C], speed [km/h] and outside air [C] at places along the route [m], arrays alike."""

    distance_m: Floats
    low_c: Floats
    likely_c: Floats
    high_c: Floats
    speed_kmh: Floats
    air_c: Floats


class OffState(NamedTuple):
    """What is remembered between ticks; side +1 = hotter than the band, -1 = cooler, 0 = inside."""

    warm: bool = False
    side: int = 0
    since_m: float = 0.0
    since_ms: int = 0
    next_side: int = 0
    next_m: float = 0.0
    next_ms: int = 0
    faster_kmh: float = 0.0


def start() -> OffState:
    """Before the first tick."""
    return OffState()


def follow(
    state: OffState,
    planned: PlannedRoad,
    t_ms: int,
    along_m: float | None,
    estimate_c: Band | None,
    speed_kmh: float | None,
    outside_c: float | None,
) -> tuple[OffState, OffPlan | None]:
    """One second on; None while the drive keeps to the plan, and while place or temperature are not known."""
    if along_m is None or estimate_c is None or estimate_c.likely is None or along_m >= planned.distance_m[-1]:
        return state._replace(next_side=state.side), None
    now_c = estimate_c.likely
    low_c, likely_c, high_c, planned_kmh, air_c = (
        float(np.interp(along_m, planned.distance_m, column))
        for column in (planned.low_c, planned.likely_c, planned.high_c, planned.speed_kmh, planned.air_c)
    )
    if speed_kmh is not None:
        faster = state.faster_kmh + (speed_kmh - planned_kmh - state.faster_kmh) / PACE_S
        state = state._replace(faster_kmh=faster)
    warm = state.warm or now_c >= likely_c - WARM_BELOW_C
    edges_c = min(low_c, likely_c - LEAST_C), max(high_c, likely_c + LEAST_C)
    state = _sided(state._replace(warm=warm), t_ms, along_m, now_c, edges_c)
    if state.side == 0:
        return state, None
    ahead = planned.distance_m >= along_m
    return state, OffPlan(
        over_c=now_c - likely_c,
        past_band_c=max(now_c - high_c, low_c - now_c, 0.0),
        since_km=state.since_m / 1000.0,
        for_s=(t_ms - state.since_ms) / 1000.0,
        peak_c=max(float(np.max(planned.likely_c[ahead])), likely_c) + now_c - likely_c,
        faster_kmh=state.faster_kmh,
        hotter_air_c=None if outside_c is None else outside_c - air_c,
    )


def _sided(s: OffState, t_ms: int, along_m: float, now_c: float, edges_c: tuple[float, float]) -> OffState:
    """Which side of the band, after it has stood there for `CONFIRM_MS`."""
    held = DEADBAND_C if s.side == 0 else -DEADBAND_C
    side = 1 if now_c > edges_c[1] + held else -1 if s.warm and now_c < edges_c[0] - held else 0
    if side == s.side:
        return s._replace(next_side=side)
    if side != s.next_side:
        return s._replace(next_side=side, next_m=along_m, next_ms=t_ms)
    if t_ms - s.next_ms < CONFIRM_MS:
        return s
    return s._replace(side=side, since_m=s.next_m, since_ms=s.next_ms)
