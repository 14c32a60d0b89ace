"""Height and grade along the road: one small Kalman filter along the distance driven.

Fed by GPS, route, barometer and the grade that the engine's work implies, through one function each.  Each source may
be missing, jump or freeze; then the band widens.  It does not know where on a route the vehicle is, nor what a climb
is, but keeps a climb's foot and highest place where a height is put right.
"""

from __future__ import annotations

from typing import Final

from livemon.core.air import standard_height_m
from livemon.core.road_state import RoadState
from livemon.core.signals import Inputs

GRADE_WALK: Final = 0.02**2 / 500.0
"""Grade (as a fraction) wanders by 2 % within 500 m: variance per metre (AASHTO maxima of 5 to 7 % set the size)."""
GPS_SIGMA_M: Final = 15.0
"""Each fix, widened for errors that last minutes (order of magnitude, from memory)."""
BARO_STEP_SIGMA_M: Final = 15.0
BARO_STEP_KPA: Final = 1.5
BARO_SIGMA_M: Final = 60.0
"""A barometer that does not step by one tells no more than its whole kPa, 90 m, and the weather."""
DEMAND_SIGMA: Final = 0.03
DEMAND_EVERY_S: Final = 10
DEMAND_LEAST_M_S: Final = 8.0
"""Below this a grade from the engine's work is mostly idling, gearbox and starts."""
ROUTE_SIGMA_M: Final = 5.0
ROUTE_GRADE_SIGMA: Final = 0.01
GATE: Final = 4.0
REJECTS_BEFORE_RESTART: Final = 15
STILL_M: Final = 1_000.0
"""Driven at one GPS height, to its last digit: it is held (a receiver without a fix in height), for heights flicker."""
ODOMETER_DRIFT: Final = 0.02
"""Share by which a speed signal may mislead a distance (tyres; common practice, no source)."""


def moved(s: RoadState, step_m: float) -> RoadState:
    """Driven on by `step_m` [m]: height by the grade, both less sure, and the place on the route by the odometer."""
    if step_m <= 0.0:
        return s
    noise = GRADE_WALK * step_m
    return s._replace(
        height_m=None if s.height_m is None else s.height_m + s.grade * step_m,
        p_hh=s.p_hh + 2.0 * step_m * s.p_hg + step_m * step_m * s.p_gg + noise * step_m * step_m / 3.0,
        p_hg=s.p_hg + step_m * s.p_gg + 0.5 * noise * step_m,
        p_gg=min(s.p_gg + noise, 0.06**2),
        driven_m=s.driven_m + step_m,
        along_m=None if s.along_m is None else s.along_m + step_m,
        along_var=s.along_var + (ODOMETER_DRIFT * step_m) ** 2 + 2.0 * ODOMETER_DRIFT * step_m * s.along_var**0.5,
    )


def by_route(s: RoadState, inputs: Inputs, height_m: float, grade: float) -> RoadState:
    """With the height [m] and the grade [fraction] of the route at the place of the vehicle."""
    s = _grade_heard(_told(s, height_m, ROUTE_SIGMA_M), grade, ROUTE_GRADE_SIGMA)
    return _barometer(s, inputs, heed=False)


def by_gps(s: RoadState, inputs: Inputs, altitude_m: float) -> RoadState:
    """With a GPS height [m] that moves as the vehicle does."""
    return _barometer(_told(s, altitude_m, GPS_SIGMA_M), inputs, heed=False)


def by_barometer(s: RoadState, inputs: Inputs) -> RoadState:
    """With what the barometer tells, if anything, where neither route nor GPS tell the height."""
    return _barometer(s._replace(told=False), inputs, heed=True)


def _heard(s: RoadState, height_m: float, sigma_m: float) -> RoadState:
    """A height; one far outside what is possible is refused, fifteen in a row are a new beginning."""
    if s.height_m is None:
        return s._replace(height_m=height_m, p_hh=sigma_m**2, p_hg=0.0, sources=True)
    variance = s.p_hh + sigma_m**2
    surprise = height_m - s.height_m
    if surprise * surprise > GATE * GATE * variance:
        if s.rejects < REJECTS_BEFORE_RESTART:
            return s._replace(rejects=s.rejects + 1)
        moved = height_m - s.height_m  # the climb so far stays as long as it was
        foot = None if s.foot_m is None else s.foot_m + moved
        return s._replace(height_m=height_m, p_hh=sigma_m**2, p_hg=0.0, rejects=0, foot_m=foot, top_m=s.top_m + moved)
    k_h, k_g = s.p_hh / variance, s.p_hg / variance
    return s._replace(
        height_m=s.height_m + k_h * surprise,
        grade=s.grade + k_g * surprise,
        p_hh=(1.0 - k_h) * s.p_hh,
        p_hg=(1.0 - k_h) * s.p_hg,
        p_gg=s.p_gg - k_g * s.p_hg,
        rejects=0,
        sources=True,
    )


def _told(s: RoadState, height_m: float, sigma_m: float) -> RoadState:
    """A height of GPS or route.  After a while without, it must not make a climb, or a summit, of what it puts right.

    The first one ever moves the whole climb so far to its datum; a later one that lies lower takes the highest place
    with it, which was as far off.
    """
    if s.told or s.height_m is None:
        return _heard(s, height_m, sigma_m)._replace(told=True, datum=True)
    if not s.datum:
        moved = height_m - s.height_m
        return s._replace(
            height_m=height_m,
            p_hh=sigma_m**2,
            p_hg=0.0,
            foot_m=None if s.foot_m is None else s.foot_m + moved,
            top_m=s.top_m + moved,
            baro_off_m=None if s.baro_off_m is None else s.baro_off_m + moved,
            rejects=0,
            sources=True,
            datum=True,
            told=True,
        )
    return _lowered(_heard(s, height_m, sigma_m)._replace(told=True), s)


def _lowered(heard: RoadState, before: RoadState) -> RoadState:
    """`heard` whose highest place came down with a height that was put right: it had been reckoned as far too high."""
    if heard.height_m is None or before.height_m is None or heard.foot_m != before.foot_m:
        return heard
    return heard._replace(top_m=before.top_m + min(heard.height_m - before.height_m, 0.0))


def _grade_heard(s: RoadState, grade: float, sigma: float) -> RoadState:
    variance = s.p_gg + sigma * sigma
    surprise = grade - s.grade
    k_g, k_h = s.p_gg / variance, s.p_hg / variance
    return s._replace(
        height_m=None if s.height_m is None else s.height_m + k_h * surprise,
        grade=s.grade + k_g * surprise,
        p_gg=(1.0 - k_g) * s.p_gg,
        p_hh=s.p_hh - k_h * s.p_hg,
        p_hg=(1.0 - k_g) * s.p_hg,
        sources=True,
    )


def gps_height_moves(s: RoadState, inputs: Inputs) -> tuple[RoadState, bool]:
    """Does the GPS height move as the vehicle drives?  Without a fix in height many receivers hold the last one."""
    now = inputs.altitude_m
    if now is None:
        return s._replace(level=None) if s.level is not None else s, False
    if s.level is None or now != s.level[0]:
        return s._replace(level=(now, s.driven_m)), True
    return s, s.driven_m - s.level[1] < STILL_M


def _barometer(s: RoadState, inputs: Inputs, *, heed: bool) -> RoadState:
    """Whole kPa say little while they stand and much when they step: then the height is midway between the two.

    Not heeded where GPS or route tell the height; then, and when it first comes, its offset is learned.  A step of a
    rising road that lowers the height puts right what was reckoned ahead: no summit is made of it.
    """
    now, before = inputs.baro_kpa, s.baro_kpa
    if now is None or not 45.0 <= now <= 110.0:
        return s
    s = s._replace(baro_kpa=now)
    if s.height_m is None:
        return _heard(s, float(standard_height_m(now)), BARO_SIGMA_M)._replace(baro_off_m=0.0) if heed else s
    stepped = before is not None and now != before and abs(now - before) <= BARO_STEP_KPA
    if s.baro_off_m is not None and not stepped and (now == before or not heed):
        return _bounded(s, now, s.baro_off_m) if heed else s
    level = float(standard_height_m(0.5 * (now + before) if stepped and before is not None else now))
    if s.baro_off_m is None or not heed:
        return s._replace(baro_off_m=s.height_m - level)
    heard = _heard(s, level + s.baro_off_m, BARO_STEP_SIGMA_M if stepped else BARO_SIGMA_M)
    rising = stepped and before is not None and now < before
    return _lowered(heard, s) if rising else heard


def _bounded(s: RoadState, stands_kpa: float, off_m: float) -> RoadState:
    """A pressure that stands bounds the height: a road reckoned on past the next step would have shown it."""
    assert s.height_m is not None
    bottom, top = (float(standard_height_m(stands_kpa + half)) + off_m for half in (0.5, -0.5))
    if bottom - BARO_STEP_SIGMA_M <= s.height_m <= top + BARO_STEP_SIGMA_M:
        return s
    return _lowered(_heard(s, min(max(s.height_m, bottom), top), BARO_STEP_SIGMA_M), s)


def by_demand(s: RoadState, demand_grade_pct: float | None, step_m: float) -> RoadState:
    """With the grade that the engine's work implies, in the mean of some seconds, where it can be told."""
    if demand_grade_pct is None or step_m < DEMAND_LEAST_M_S:
        return s._replace(demand_sum=0.0, demand_n=0) if s.demand_n else s
    s = s._replace(demand_sum=s.demand_sum + demand_grade_pct / 100.0, demand_n=s.demand_n + 1)
    if s.demand_n < DEMAND_EVERY_S:
        return s
    mean = s.demand_sum / s.demand_n
    if s.height_m is None:
        s = s._replace(height_m=0.0, p_hh=500.0**2, p_hg=0.0)
    return _grade_heard(s, mean, DEMAND_SIGMA)._replace(demand_sum=0.0, demand_n=0)
