"""Where the vehicle is, how steep the road is, and which climb it is on.

Follows the route, finds climb and summit, and says which source `height_filter` is to hear: the matched route, GPS
height, the barometer, or the grade that the engine's work implies.  Knows nothing of heat.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from livemon.core import height_filter
from livemon.core.outcome import Z80, Band, Climb
from livemon.core.road_state import RoadState
from livemon.core.route import OFF_ROUTE_M, Route, locate, match
from livemon.core.signals import Inputs

FROZEN_S: Final = 5
OFF_ROUTE_S: Final = 15
DOUBT_S: Final = 4
"""So many seconds in a row away from the route, and nothing is said any more of the road ahead; a jump is shorter."""
REACH_M: Final = 150.0
"""A fix may move the place so far, and by four times what the odometer may have drifted since the last one."""
ANCHOR_M: Final = 100.0
"""Driven between the two fixes that fix place and direction on the route."""
ANCHOR_MOST_M: Final = 1_000.0
ONWARD: Final = 0.5
"""Share of what was driven by which the place must have moved on; less is the wrong way or another road."""
LOST_M: Final = 3_000.0
"""Driven without a usable fix, after there was one, until the place counts as lost (a long tunnel)."""
DRIFT_MOST_M: Final = 1_000.0
"""Odometer drift past which a place counted from a start mark is lost: 50 km."""
ROUTE_FIX_M: Final = 50.0
START_SIGMA_M: Final = 20.0
START_NOTE: Final = "route start"
"""The note that says: here begins the route."""
CLIMB_GAIN_M: Final = 25.0
CLIMB_GRADE: Final = 0.015
SUMMIT_DROP_M: Final = 15.0
LEVEL_END_M: Final = 1_500.0
ROUGH_SIGMA_M: Final = 20.0
ROUGH_LEVEL_END_M: Final = 4_000.0
"""A height no better known shows no rise on a gentle stretch of a climb: a step of the barometer takes 90 m."""
AHEAD_STEP_M: Final = 250.0
AHEAD_M: Final = 40_000.0


@dataclass(frozen=True, slots=True)
class Ahead:
    """The road ahead of a vehicle on its route: distance from here [m], grade [%] and height [m], every 250 m."""

    distance_m: tuple[float, ...]
    grade_pct: tuple[float, ...]
    height_m: tuple[float, ...]
    summit_in_m: float
    summit_height_m: float


class Place(Enum):
    """Where the vehicle is on the route, in words for people."""

    NO_ROUTE = ""
    SEEKING = "looking for the place on the route"
    NO_POSITION = "route: no position"
    ON_ROUTE = "on the route"
    BY_ODOMETER = "on the route by distance"
    DOUBTED = "route: position in doubt"
    OFF_ROUTE = "off the route"
    LOST = "route: position lost"


@dataclass(frozen=True, slots=True)
class RoadView:
    """What is known of the road at one tick; None = not known."""

    grade_pct: Band | None = None
    altitude_m: Band | None = None
    climb: Climb | None = None
    on_route: bool | None = None
    """None without a route; False when the vehicle has left it."""
    along_m: float | None = None
    along_sigma_m: float | None = None
    ahead: Ahead | None = None
    place: Place = Place.NO_ROUTE


def start(route: Route | None = None, at_start: bool = False) -> RoadState:
    """`at_start`: the drive begins at the first point of the route (a start mark, for vehicles without GPS)."""
    return RoadState(along_m=0.0 if route is not None and at_start else None)


def advance(
    state: RoadState, inputs: Inputs, route: Route | None, demand_grade_pct: float | None = None
) -> tuple[RoadState, RoadView]:
    """One second on.  `demand_grade_pct`: the grade that the engine's work implies, where it can be told."""
    speed_kmh = inputs.speed_kmh if inputs.speed_kmh is not None else inputs.gps_speed_kmh
    step_m = 0.0 if speed_kmh is None else speed_kmh / 3.6
    state = height_filter.moved(state, step_m)
    state, moving_fix = _fix(state, inputs, step_m)
    if route is not None:
        state = _follow(_marked(state, inputs), inputs, route, moving_fix)
    place = _place(state, inputs, route)
    known = state.along_m is not None and place in _KNOWN
    on_route = None if route is None else known
    state, moving_height = height_filter.gps_height_moves(state, inputs)
    if route is not None and known and state.along_m is not None:
        grade = route.grade_at(state.along_m) / 100.0
        state = height_filter.by_route(state, inputs, route.height_at(state.along_m), grade)
    else:
        if moving_fix and moving_height and inputs.altitude_m is not None:
            state = height_filter.by_gps(state, inputs, inputs.altitude_m)
        else:
            state = height_filter.by_barometer(state, inputs)
        state = height_filter.by_demand(state, demand_grade_pct, step_m)
    state = _climb(state, inputs.t_ms)
    return state, _view(state, inputs.t_ms, route if known else None, on_route, place)


def _fix(s: RoadState, inputs: Inputs, step_m: float) -> tuple[RoadState, bool]:
    """Is there a GPS fix that moves when the vehicle does?  A frozen one looks perfect and is worth nothing."""
    if inputs.latitude_deg is None or inputs.longitude_deg is None:
        return s._replace(fix=None, frozen_s=0) if s.fix is not None else s, inputs.altitude_m is not None
    fix = (inputs.latitude_deg, inputs.longitude_deg)
    frozen_s = s.frozen_s + 1 if fix == s.fix and step_m > 4.0 else 0
    return s._replace(fix=fix, frozen_s=min(frozen_s, 3600)), frozen_s < FROZEN_S


_KNOWN: Final = frozenset({Place.ON_ROUTE, Place.BY_ODOMETER})


def _place(s: RoadState, inputs: Inputs, route: Route | None) -> Place:
    if route is None:
        return Place.NO_ROUTE
    if s.along_m is None:
        if s.off_s >= OFF_ROUTE_S:
            return Place.OFF_ROUTE
        if s.lost:
            return Place.LOST
        return Place.NO_POSITION if inputs.latitude_deg is None or route.latitude_deg is None else Place.SEEKING
    if s.off_s >= DOUBT_S:
        return Place.DOUBTED
    return Place.ON_ROUTE if s.by_fix and s.driven_m - s.seen_m < ANCHOR_M else Place.BY_ODOMETER


def _marked(s: RoadState, inputs: Inputs) -> RoadState:
    """A start mark sets the place to the first point of the route."""
    marks = inputs.notes.count(START_NOTE)
    if marks <= s.marks:
        return s if marks == s.marks else s._replace(marks=marks)
    return _found(s, 0.0, START_SIGMA_M)._replace(marks=marks, by_fix=False)


def _found(s: RoadState, along_m: float, sigma_m: float) -> RoadState:
    return s._replace(
        along_m=along_m,
        along_var=sigma_m**2,
        off_s=0,
        seen_m=s.driven_m,
        anchor=None,
        onward=(along_m, s.driven_m),
        lost=False,
    )


def _lost(s: RoadState) -> RoadState:
    return s._replace(along_m=None, by_fix=False, anchor=None, lost=True)


def _follow(s: RoadState, inputs: Inputs, route: Route, moving_fix: bool) -> RoadState:
    """The place on the route one second on: by fix where one agrees, else by distance for some kilometres."""
    if inputs.latitude_deg is None or inputs.longitude_deg is None or not moving_fix or route.latitude_deg is None:
        unseen = s.along_m is not None and s.by_fix and s.driven_m - s.seen_m > LOST_M
        drifted = s.along_m is not None and s.along_var > DRIFT_MOST_M**2
        return _lost(s) if unseen or drifted else s._replace(anchor=None) if s.anchor is not None else s
    fix = (inputs.latitude_deg, inputs.longitude_deg)
    if s.along_m is None:
        return _sought(s, fix, route)
    reach = REACH_M + 4.0 * s.along_var**0.5
    found = match(route, *fix, s.along_m, reach)
    assert found is not None  # the route has positions
    along, away = found
    if away > OFF_ROUTE_M:
        s = s._replace(off_s=min(s.off_s + 1, 3600))
        return s._replace(along_m=None, by_fix=False, anchor=None, lost=False) if s.off_s >= OFF_ROUTE_S else s
    at_m, driven_m = s.onward
    s = s._replace(along_m=along, along_var=10.0**2, off_s=0, by_fix=True, seen_m=s.driven_m)
    if s.driven_m - driven_m < 2.0 * ANCHOR_M:
        return s
    if along - at_m < ONWARD * (s.driven_m - driven_m) - ROUTE_FIX_M and along < route.length_m - REACH_M:
        return _lost(s)._replace(lost=False)  # the wrong way, or a receiver that creeps
    return s._replace(onward=(along, s.driven_m))


def _sought(s: RoadState, fix: tuple[float, float], route: Route) -> RoadState:
    """Place and direction from this fix and one at least 100 m before it; nothing is said until both agree."""
    if s.anchor is None or s.driven_m - s.anchor[2] > ANCHOR_MOST_M:
        return s._replace(anchor=(*fix, s.driven_m))
    driven = s.driven_m - s.anchor[2]
    if driven < ANCHOR_M:
        return s
    along = locate(route, s.anchor[:2], fix, driven)
    if along is not None:
        return _found(s, along, 10.0)._replace(by_fix=True)
    nearest = match(route, *fix, None)
    away = nearest is not None and nearest[1] > OFF_ROUTE_M
    return s._replace(anchor=(*fix, s.driven_m), off_s=OFF_ROUTE_S if away else 0, lost=False)


def _climb(s: RoadState, t_ms: int) -> RoadState:
    """Foot = lowest place since the last summit; a climb is on from 25 m above it at 1.5 % or more on average."""
    height, foot = s.height_m, s.foot_m
    if height is None or not s.sources:
        return s
    if foot is None or (not s.climbing and height <= foot):
        return _new_foot(s, height, t_ms)
    if height > s.top_m:
        s = s._replace(top_m=height, top_at_m=s.driven_m)
    gained, along = height - foot, s.driven_m - s.foot_at_m
    if not s.climbing:
        if gained >= CLIMB_GAIN_M and gained >= CLIMB_GRADE * max(along, 1.0):
            return s._replace(climbing=True, passed=False)
        rolling = along > 2.0 * LEVEL_END_M and gained < CLIMB_GAIN_M  # then the foot comes along
        return _new_foot(s, height, t_ms) if rolling else s
    sigma = max(s.p_hh, 0.0) ** 0.5
    level_end_m = LEVEL_END_M if sigma < ROUGH_SIGMA_M else ROUGH_LEVEL_END_M
    if s.top_m - height > max(SUMMIT_DROP_M, sigma) or s.driven_m - s.top_at_m > level_end_m:
        return _new_foot(s, height, t_ms)._replace(climbing=False, passed=True)
    return s


def _new_foot(s: RoadState, height_m: float, t_ms: int) -> RoadState:
    return s._replace(foot_m=height_m, foot_at_m=s.driven_m, foot_t_ms=t_ms, top_m=height_m, top_at_m=s.driven_m)


def _view(s: RoadState, t_ms: int, route: Route | None, on_route: bool | None, place: Place) -> RoadView:
    ahead = None if route is None or s.along_m is None else look_ahead(route, s.along_m)
    to_go = None if ahead is None else max(ahead.summit_height_m - (s.height_m or ahead.height_m[0]), 0.0)
    climb = None
    if s.height_m is not None and s.foot_m is not None and s.sources:
        gained = s.height_m - s.foot_m if s.climbing else 0.0
        along = s.driven_m - s.foot_at_m
        climb = Climb(
            on=s.climbing,
            gained_m=gained,
            minutes=(t_ms - s.foot_t_ms) / 60_000.0 if s.climbing else 0.0,
            to_go_m=to_go,
            to_go_km=None if ahead is None else ahead.summit_in_m / 1000.0,
            average_grade_pct=100.0 * gained / along if s.climbing and along > 100.0 else None,
            passed=s.passed,
        )
    return RoadView(
        grade_pct=_band(100.0 * s.grade, 100.0 * max(s.p_gg, 0.0) ** 0.5) if s.sources else None,
        altitude_m=_band(s.height_m, max(s.p_hh, 0.0) ** 0.5) if s.height_m is not None and s.p_hh < 300.0**2 else None,
        climb=climb,
        on_route=on_route,
        along_m=s.along_m,
        along_sigma_m=None if s.along_m is None else s.along_var**0.5,
        ahead=ahead,
        place=place,
    )


def look_ahead(route: Route, along_m: float) -> Ahead:
    """The next 40 km of the route from `along_m` on, every 250 m."""
    end = min(route.length_m, along_m + AHEAD_M)
    distance = np.arange(0.0, max(end - along_m, 1.0), AHEAD_STEP_M)
    at = along_m + distance
    grade = np.interp(at, route.distance_m, route.grade_pct)
    height = np.interp(at, route.distance_m, route.height_m)
    summit_at, summit = route.summit_after(along_m)
    return Ahead(
        tuple(distance.tolist()), tuple(grade.tolist()), tuple(height.tolist()), max(summit_at - along_m, 0.0), summit
    )


def _band(value: float, sigma: float) -> Band:
    return Band(value - Z80 * sigma, value, value + Z80 * sigma)
