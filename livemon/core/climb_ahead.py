"""The climb before it is driven: the possible vehicles run along the road of the route, and what comes of it.

Draws of everything not known (vehicle, driver's speed, weight of the grade, weather) go side by side over the road to
the summit, with the full cooling (`heat.advance`), from where `fleet` has them now.  Peak, place, times and chances are
shares of the draws.  It knows levels and words as little as `forecast`, and says nothing where position, speed or the
heat made are not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livemon.core import fleet as beside
from livemon.core import heat, road_demand
from livemon.core.ahead import HORIZONS
from livemon.core.air import Array, held, standard_pressure_kpa
from livemon.core.coolant import boiling_c
from livemon.core.deeds import Many
from livemon.core.demand import told_ac
from livemon.core.draws import normals
from livemon.core.fleet import DRIFT, TEMP, Asked, Fleet, drifted, supposed
from livemon.core.heat import Nodes
from livemon.core.hypotheses import DRIFT_TAU_S, normal_below
from livemon.core.outcome import Z80, Band
from livemon.core.radiator import Demand, Surroundings
from livemon.core.road import RoadView
from livemon.core.road_demand import Course, Shown, Vehicle
from livemon.core.signals import Inputs
from livemon.core.vehicle import take

LANES: Final = 288
"""Draws of vehicle, driver and weather together; those of one vehicle share its weight."""
_Z: Final = normals(LANES, beside.UNKNOWNS + road_demand.UNKNOWNS)
EVERY_MS: Final = 10_000
TOGETHER: Final = 8
"""So many looks are marched side by side at most: more would not fit the processor's own memory."""
LONGEST_S: Final = 1_800.0
LEAST_S: Final = 900.0
PAST_SUMMIT_M: Final = 1_500.0
STEPS: Final = 96
SHORTEST_M: Final = 50.0
CLIMB_LEAST_M: Final = 30.0
"""A highest point less than this above here is no summit worth naming."""
ALERT_S: Final = 900
RESIDUAL_C: Final = 1.5
"""What the model misses in a peak over one climb, as one standard deviation (measured: docs/road.md)."""
RESIDUAL_GROWS_S: Final = 200.0
OVER: Final = 0.5
"""The highest of a path that wanders lies above the highest of the even one, by so much of what it wanders (the greater
of two normal numbers: 0.56)."""


@dataclass(frozen=True, slots=True)
class ClimbAhead:
    """What the road ahead does to the coolant; bands are 80 %, times [s] and distances [km] from here."""

    t_ms: int
    ahead_c: tuple[tuple[int, Band], ...]
    chance: tuple[tuple[int, float], ...]
    chance_stop: tuple[tuple[int, float], ...]
    peak_c: Band
    """Highest up to the summit, or over the next half hour where it is farther."""
    peak_in_km: float
    peak_in_s: float
    chance_climb: float
    """Limit crossed before the summit, at most `LONGEST_S` ahead."""
    chance_soon: float
    """The same within `ALERT_S`."""
    summit_in_km: float | None
    summit_in_s: Band | None
    summit_boil_margin_c: Band | None


class Look(NamedTuple):
    """A moment that the climb ahead is asked for, with the demand foreseen; one drive has one set of vehicles."""

    t_ms: int
    fleet: Fleet
    ac_on: float
    """0 to 1, as `demand.told_ac`."""
    course: Course
    summit_m: float | None
    vehicle: Vehicle
    limit_c: float
    stop_c: float


def prepared(
    fleet: Fleet,
    shown: Shown,
    inputs: Inputs,
    where: RoadView,
    vehicle: Vehicle,
    air_c: float | None,
    limit_c: float,
    stop_c: float,
) -> Look | None:
    """What `looked_along` needs at this tick; None where the road, the driver's speed or the heat made is not known."""
    ahead = where.ahead
    if fleet.nodes is None or ahead is None or air_c is None:
        return None
    speed, _ = road_demand.climb_speed(shown)
    if speed is None:
        return None
    rise_m = ahead.summit_height_m - ahead.height_m[0]
    summit_m = ahead.summit_in_m if rise_m >= CLIMB_LEAST_M else None
    points = _points(summit_m, speed, shown.level_kmh or speed)
    course = road_demand.course(shown, ahead, vehicle, inputs, air_c, points, _Z[beside.UNKNOWNS :])
    if course is None:
        return None
    return Look(inputs.t_ms, fleet, told_ac(inputs), course, summit_m, vehicle, limit_c, stop_c)


def looked_along(looks: Sequence[Look], horizons_s: tuple[int, ...]) -> list[ClimbAhead]:
    """The climbs ahead of moments of one drive, marched side by side: the same to the last bit as one by one."""
    said: list[ClimbAhead] = []
    for look, (start_c, temps) in zip(looks, march(looks), strict=True):
        weight = beside.shares(look.fleet)[np.arange(LANES) % look.fleet.size]
        said.append(_said(look, weight / weight.sum(), start_c, temps, horizons_s))
    return said


def _points(summit_m: float | None, climb_kmh: float, level_kmh: float) -> Array:
    """Ends of the steps [m from here]: fine at first, up to past the summit, a quarter to half an hour long."""
    slow, fast = min(climb_kmh, level_kmh), max(climb_kmh, level_kmh)
    least, most = 1.3 * LEAST_S * fast / 3.6, LONGEST_S * slow / 3.6
    wanted = least if summit_m is None else summit_m + PAST_SUMMIT_M
    length = max(least, min(wanted, most), STEPS * SHORTEST_M)
    share = np.arange(1, STEPS + 1) / STEPS
    fine = SHORTEST_M * STEPS / length
    return length * share * (fine + (1.0 - fine) * share)  # steps grow evenly from the shortest


def march(looks: Sequence[Look]) -> list[tuple[Array, Array]]:
    """For each look (start (LANES,), (points, LANES)) coolant [C] of every lane along its course, by the full cooling.

    Lane k is vehicle k modulo the vehicles, with its own draw of what is not known of it and of the road.  The lanes of
    all looks stand side by side.
    """
    lane = np.arange(LANES) % looks[0].fleet.size
    lanes = np.tile(lane, len(looks))
    many = looks[0].fleet.many
    many = Many(many.body, take(many.engine, lanes), take(many.cooling, lanes))
    unknown = np.concatenate([drawn(look.fleet) for look in looks], axis=1)
    nodes = Nodes(*(np.concatenate(same) for same in zip(*(_fields(look.fleet, lane) for look in looks), strict=True)))
    nodes = replace(nodes, coolant_c=nodes.coolant_c + unknown[TEMP])
    start_c = np.asarray(nodes.coolant_c)
    # What the temperatures do not change is worked out for the whole course at once.
    asked, seconds = _asked(looks)
    demand, cooling = supposed(many, unknown, asked)
    made_kw, off = np.asarray(demand.heat_kw), np.zeros(seconds.shape)
    same = heat.steady(replace(demand, heater_on=off, fan_on=off), asked.around(), cooling, seconds)
    fading = np.exp(-seconds / DRIFT_TAU_S)
    rpm, kmh, air_c, kg_m3 = (np.asarray(v) for v in (asked.rpm, asked.speed_kmh, asked.air_c, asked.kg_m3))
    out = np.empty(seconds.shape)
    for place, dt_s in enumerate(seconds):
        here = Demand(made_kw[place], rpm[place], kmh[place])
        around = Surroundings(air_c[place], kg_m3[place])
        nodes = heat.advance(nodes, here, around, cooling, dt_s, heat.part_of(same, place))
        nodes = drifted(nodes, unknown, dt_s)
        unknown[DRIFT] *= fading[place]
        out[place] = nodes.coolant_c
    parts = [slice(k * LANES, (k + 1) * LANES) for k in range(len(looks))]
    return [(start_c[part], out[:, part]) for part in parts]


def _asked(looks: Sequence[Look]) -> tuple[Asked, Array]:
    """What is asked of the cooling along the courses, and the time for each step [s], (points, lanes of all looks)."""
    rows: list[tuple[Array, ...]] = []
    for look in looks:
        course = look.course
        seconds = course.seconds()
        ac_on, kg_m3 = (np.broadcast_to(v, seconds.shape) for v in (look.ac_on, course.kg_m3[:, None]))
        rows.append((course.fuel_kw, course.rpm, course.speed_kmh, ac_on, course.air_c, kg_m3, seconds))
    *asked, seconds = (np.concatenate(same, axis=1) for same in zip(*rows, strict=True))
    return Asked(*asked), seconds


def drawn(fleet: Fleet) -> Array:
    """(UNKNOWNS, LANES) draws of each vehicle's unknowns: mean + L z, L the Cholesky root of its covariance.

    Written out: it is four by four for the vehicles side by side, and a library routine may differ in the last bits.
    """
    size = len(fleet.unknown)
    root = np.zeros((size, size, fleet.size))
    for i in range(size):
        for j in range(i + 1):
            rest = fleet.cov[i, j] - (root[i, :j] * root[j, :j]).sum(axis=0)
            root[i, j] = np.sqrt(np.maximum(rest, 1e-12)) if i == j else rest / root[j, j]
    lane = np.arange(LANES) % fleet.size
    out: Array = fleet.unknown[:, lane] + (root[:, :, lane] * _Z[None, :size]).sum(axis=1)
    return out


def _fields(fleet: Fleet, lane: NDArray[np.intp]) -> tuple[Array, ...]:
    assert fleet.nodes is not None
    return tuple(np.broadcast_to(v, (fleet.size,))[lane] for v in fleet.nodes.figures())


def _said(look: Look, weight: Array, start_c: Array, temps: Array, horizons_s: tuple[int, ...]) -> ClimbAhead:
    course, summit_m, vehicle, limit_c, stop_c = look.course, look.summit_m, look.vehicle, look.limit_c, look.stop_c
    clock = np.cumsum(course.seconds(), axis=0)  # (points, lanes)
    before = np.concatenate([np.zeros_like(clock[:1]), clock[:-1]])
    path = np.concatenate([start_c[None], temps])
    rise = np.diff(path, axis=0)

    span = clock - before

    def at_s(horizon: float) -> Array:
        share = held((horizon - before) / span, 0.0, 1.0)
        return np.asarray(start_c + (share * rise).sum(axis=0))

    at = {h: at_s(float(h)) for h in sorted({*HORIZONS, *horizons_s})}

    def highest_by(horizon: int) -> Array:
        seen = np.where(clock <= horizon, temps, -1e3).max(axis=0)
        return np.asarray(np.maximum(np.maximum(seen, at[horizon]), start_c))

    by = {h: highest_by(h) for h in HORIZONS}
    end_m = float(course.distance_m[-1]) if summit_m is None else summit_m + 0.5 * PAST_SUMMIT_M
    upto = (course.distance_m[:, None] <= max(end_m, course.distance_m[0])) & (clock <= LONGEST_S)
    climbing = np.where(upto, temps, -1e3)
    peak = np.maximum(climbing.max(axis=0), start_c)
    place = np.where(climbing.max(axis=0) > start_c, 1 + climbing.argmax(axis=0), 0)
    where_m = np.concatenate([[0.0], course.distance_m])[place]
    when_s = np.concatenate([np.zeros_like(clock[:1]), clock])[place, np.arange(LANES)]
    soon = np.minimum(peak, by[ALERT_S]) if summit_m is not None else by[ALERT_S]
    now_c = float((weight * start_c).sum())
    summit_s = None
    boil = None
    if summit_m is not None and summit_m <= float(course.distance_m[-1]):
        top = min(int(np.searchsorted(course.distance_m, summit_m)), len(temps) - 1)
        begun_m = float(course.distance_m[top - 1]) if top else 0.0
        share = (summit_m - begun_m) / (float(course.distance_m[top]) - begun_m)
        at_top_s = before[top] + share * (clock[top] - before[top])
        summit_s = _band(at_top_s, weight, 0.0)
        kpa = float(standard_pressure_kpa(float(course.height_m[max(top - 1, 0) : top + 1].max())))
        ideal = float(boiling_c(kpa, vehicle.cooling.cap_kpa, vehicle.cooling.glycol_share))
        # the step over the summit may end well down the other side, cooled already: its hotter end counts
        hottest = np.maximum(path[top], path[top + 1])
        boil = _band(ideal - hottest, weight, residual_c(float(np.median(at_top_s))))
    peak_s = float((weight * when_s).sum())
    over_c = OVER * residual_c(peak_s) if peak_s > 0.0 else 0.0
    chance = _rising([_chance(by[h], weight, limit_c, now_c, residual_c(h)) for h in HORIZONS])
    stop = _rising([_chance(by[h], weight, stop_c, now_c, residual_c(h)) for h in HORIZONS])
    return ClimbAhead(
        t_ms=look.t_ms,
        ahead_c=tuple((h, _band(at[h], weight, residual_c(h))) for h in horizons_s),
        chance=tuple(zip(HORIZONS, chance, strict=True)),
        chance_stop=tuple(zip(HORIZONS, stop, strict=True)),
        peak_c=_band(peak + over_c, weight, residual_c(peak_s)),
        peak_in_km=_quantile(where_m, weight, 0.5) / 1000.0,
        peak_in_s=_quantile(when_s, weight, 0.5),
        chance_climb=_chance(peak, weight, limit_c, now_c, residual_c(float((weight * when_s).sum()))),
        chance_soon=_chance(soon, weight, limit_c, now_c, residual_c(ALERT_S)),
        summit_in_km=None if summit_m is None else summit_m / 1000.0,
        summit_in_s=summit_s,
        summit_boil_margin_c=boil,
    )


def residual_c(ahead_s: float) -> float:
    """What no draw holds, so many seconds ahead [K]: grows from nothing to `RESIDUAL_C`."""
    return RESIDUAL_C * float(-np.expm1(-ahead_s / RESIDUAL_GROWS_S)) + 0.3


def _chance(highest: Array, weight: Array, line_c: float, now_c: float, smear_c: float) -> float:
    """Share of the draws that pass the line, each smeared by what no draw holds."""
    if now_c >= line_c:
        return 1.0
    return round(float((weight * normal_below((highest - line_c) / smear_c)).sum()), 4)


def _rising(chances: list[float]) -> list[float]:
    return [float(p) for p in np.maximum.accumulate(chances)]


def _quantile(values: Array, weight: Array, level: float) -> float:
    order = np.argsort(values.ravel(), kind="stable")
    ordered, so_far = values.ravel()[order], weight.ravel()[order].cumsum()
    return float(ordered[min(int((so_far < level * so_far[-1]).sum()), so_far.size - 1)])


def _band(values: Array, weight: Array, extra_sd: float) -> Band:
    """80 % band of weighted draws; what no draw holds is added to each side as independent."""
    order = np.argsort(values.ravel(), kind="stable")
    ordered, so_far = values.ravel()[order], weight.ravel()[order].cumsum()
    so_far = so_far / so_far[-1]
    low, likely, high = (float(ordered[min(int((so_far < q).sum()), so_far.size - 1)]) for q in (0.1, 0.5, 0.9))
    more = Z80 * extra_sd
    return Band(likely - float(np.hypot(likely - low, more)), likely, likely + float(np.hypot(high - likely, more)))
