"""A planned road in steps, and what one way of driving asks of the engine and its cooling at each of them.

Speed, gear, rpm and heat follow from road load, torque curve and the power left at this height, for all steps at once.
Slow speed changes are taken as steady (no kinetic energy).  Knows nothing of coolant temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core import engine as heat_made
from livemon.core import traction
from livemon.core.air import air_c_at, air_density, standard_pressure_kpa
from livemon.core.radiator import engine_fan_rpm
from livemon.core.route import Route
from livemon.core.vehicle import Body, Cooling, Engine

Floats = NDArray[np.float64]

MOST_STEPS: Final = 1_000
"""Steps of a road; on 300 km at 80 km/h the peak moves by some 0.2 K against ten thousand (docs/plan.md)."""
SHORTEST_STEP_M: Final = 25.0
LAPSE_C_KM: Final = 6.5
"""ISO 2533; what the weather does on the day is the traveller's to type."""
CRUISE_RPM: Final = 2_500.0
"""The gear is chosen with the accessories' power at this speed: they depend on rpm and fan, but little."""


@dataclass(frozen=True, slots=True)
class Weather:
    """Outside air at the foot of the route [C], and at its highest point where that is known, else by lapse."""

    foot_c: float
    top_c: float | None = None
    headwind_kmh: float = 0.0


@dataclass(frozen=True, slots=True)
class Way:
    """One way of driving the route.  `gear` holds the lever down (3 = no higher than third)."""

    name: str
    speed_kmh: float
    gear: int | None = None
    ac_on: bool = False
    ac_off_from_m: float | None = None
    heater_on: bool = False
    fan_on: bool = False
    cooler_c: float = 0.0
    """Air so much cooler than the plan's weather: another hour of the day."""
    stop_at_m: float | None = None
    stop_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Road:
    """The steps: distance of each step's end [m], its length [m], height in its middle [m], mean grade, pressure."""

    distance_m: Floats
    step_m: Floats
    height_m: Floats
    grade_pct: Floats
    pressure_kpa: Floats


def in_steps(route: Route, most: int = MOST_STEPS) -> Road:
    """The route in at most `most` steps, each with its mean grade; ahead of them one level place at the foot.

    The first place takes no time: it is where the vehicle comes from, warm and cruising on the level.
    """
    steps = int(min(most, max(2.0, route.length_m / SHORTEST_STEP_M)))
    edge = np.linspace(0.0, route.length_m, steps + 1)
    level = np.interp(edge, route.distance_m, route.height_m)
    length = np.diff(edge)
    height = np.concatenate([level[:1], 0.5 * (level[1:] + level[:-1])])
    grade = np.concatenate([[0.0], 100.0 * np.diff(level) / length])
    step_m = np.concatenate([[0.0], length])
    return Road(edge, step_m, height, grade, np.asarray(standard_pressure_kpa(height)))


def air_along_c(road: Road, weather: Weather, way: Way) -> Floats:
    """Outside air at each step [C]: between foot and top as typed, else by the standard lapse."""
    foot_m, top_m = float(road.height_m[0]), float(np.max(road.height_m))
    lapse = LAPSE_C_KM
    if weather.top_c is not None and top_m > foot_m + 50.0:
        lapse = (weather.foot_c - weather.top_c) / ((top_m - foot_m) / 1000.0)
    return np.asarray(air_c_at(road.height_m, weather.foot_c - way.cooler_c, foot_m, lapse))


@dataclass(frozen=True, slots=True)
class Drive:
    """One way along the whole road: arrays of steps, heat of (steps, draws)."""

    speed_kmh: Floats
    gear: Floats
    rpm: Floats
    holds: NDArray[np.bool_]
    air_c: Floats
    air_kg_m3: Floats
    ac_on: Floats
    heat_kw: Floats


def drive(
    road: Road, weather: Weather, way: Way, likely: tuple[Body, Engine, Cooling], drawn: tuple[Body, Engine]
) -> Drive:
    """`way` along `road`: speed, gear and rpm of the likely vehicle, heat of every drawn one in that gear."""
    body, engine, cooling = likely
    air_c = air_along_c(road, weather, way)
    density = np.asarray(air_density(road.pressure_kpa, air_c))
    ac_on = np.full(len(air_c), float(way.ac_on))
    if way.ac_off_from_m is not None:
        ac_on = np.where(road.distance_m >= way.ac_off_from_m, 0.0, ac_on)
    factor = np.asarray(traction.altitude_factor(road.pressure_kpa, air_c, engine.boosted))
    fan_rpm = engine_fan_rpm(cooling, CRUISE_RPM, 1.0)
    extra = np.asarray(heat_made.accessory_kw(engine, cooling, CRUISE_RPM, fan_rpm, ac_on, air_c))
    wished = way.speed_kmh + 0.0 * air_c
    speed = np.asarray(
        traction.top_speed_kmh(
            body, engine, road.grade_pct, density, factor, wished, extra, way.gear, weather.headwind_kmh
        )
    )
    force = traction.road_force_n(body, speed, road.grade_pct, density, 0.0, weather.headwind_kmh)
    pull = traction.choose_gear(body, engine, speed, force, extra, factor, highest=way.gear)
    gear, rpm = np.asarray(pull.gear), np.asarray(pull.rpm)
    many_body, many_engine = drawn
    column = slice(None), None
    force_many = traction.road_force_n(
        many_body, speed[column], road.grade_pct[column], density[column], 0.0, weather.headwind_kmh
    )
    wheel = np.maximum(traction.wheel_kw(force_many, speed[column]), 0.0)
    slip = np.where(pull.engine_kw - extra > 1.0, pull.engine_kw - extra, 1.0) / np.maximum(
        traction.wheel_kw(force, speed) / body.driveline_efficiency, 1.0
    )
    brake = wheel / many_body.driveline_efficiency * np.clip(slip, 1.0, traction.SLIP_MOST)[column] + extra[column]
    fuel = heat_made.fuel_kw_from_power(many_engine, brake, rpm[column])
    coasting = np.asarray(force_many) <= 0.0
    idle = heat_made.fuel_kw_from_power(many_engine, extra[column], engine.idle_rpm)
    made = heat_made.coolant_heat_kw(many_engine, np.where(coasting, idle, fuel))
    holds = speed >= way.speed_kmh - 0.5
    heat_kw = np.asarray(made) + 0.0 * np.asarray(many_body.mass_kg)
    return Drive(speed, gear, rpm, holds, air_c, density, ac_on, heat_kw)
