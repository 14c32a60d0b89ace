"""A made-up vehicle in motion: one second of driver, gearbox, engine and cooling for a batch of rigs at once.

The speed follows the wish as far as the engine allows at this height; the gearbox shifts with hysteresis; heat made
and shed is the core's physics, with the figures of each rig.  It knows the truth and nothing of sensors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, TypeVar

import numpy as np

from livemon.core import engine as heat_made
from livemon.core import traction
from livemon.core.air import Array, air_density
from livemon.core.heat import Nodes, advance
from livemon.core.radiator import Demand, Surroundings, engine_fan_rpm
from livemon.core.vehicle import Body, Cooling, Engine, Fuel

GAIN_S = 2.5  # a driver closes the gap to the wished speed in about this time
GENTLE_M_S2 = 1.0
BRAKE_M_S2 = -2.0
UPSHIFT_WAIT_S = 3.0
UPSHIFT_RESERVE = 0.75
DOWNSHIFT_RESERVE = 0.93
OVERRUN_AIR = 0.12
"""Air drawn with the throttle shut, as a share of a full charge."""
LEAST_LEAN = 1.3
"""A diesel burns with at least so much more air than it needs, under boost too; common practice, no source."""

_Numbers = TypeVar("_Numbers", Body, Engine, Cooling)


def side_by_side(rigs: Sequence[_Numbers]) -> _Numbers:
    """The numbers of many vehicles as one set of arrays; they must have as many gears and the same torque points."""
    first = rigs[0]
    joined: dict[str, Any] = {}
    for item in fields(first):
        values = [getattr(rig, item.name) for rig in rigs]
        if item.name == "gear_ratios":
            joined[item.name] = tuple(np.array(ratios) for ratios in zip(*values, strict=True))
        elif isinstance(values[0], (int, float)) and not isinstance(values[0], bool):
            joined[item.name] = np.array(values, dtype=np.float64)
        elif any(value != values[0] for value in values):
            raise ValueError(f"rigs of one batch must share {item.name}")
        else:
            joined[item.name] = values[0]
    return type(first)(**joined)


@dataclass(frozen=True, slots=True)
class Motion:
    """Where each rig is and how it moves."""

    distance_m: Array
    speed_kmh: Array
    gear: Array
    since_shift_s: Array


@dataclass(frozen=True, slots=True)
class Doing:
    """What the engine did in this second: the demand on the cooling, and the air it drew."""

    demand: Demand
    engine_kw: Array
    fuel_kw: Array
    air_g_s: Array
    load_pct: Array
    throttle_share: Array


def drive_second(
    body: Body,
    engine: Engine,
    cooling: Cooling,
    motion: Motion,
    nodes: Nodes,
    wish_kmh: Array,
    grade_pct: Array,
    air_kpa: Array,
    around: Surroundings,
    lever: Array,
    ac_on: Array,
    heater_on: Array,
    fan_on: Array,
    dt_s: float,
) -> tuple[Motion, Doing]:
    """Motion and engine `dt_s` on: wish, gearbox, limit of the engine, fuel and air."""
    speed = motion.speed_kmh
    accel = np.minimum(np.maximum((wish_kmh - speed) / (3.6 * GAIN_S), BRAKE_M_S2), GENTLE_M_S2)
    rho = around.air_kg_m3
    hold_n = traction.road_force_n(body, speed, grade_pct, rho, 0.0, around.headwind_kmh)
    inertia = (1.0 + traction.ROTATING_SHARE) * body.mass_kg
    wanted_n = hold_n + inertia * accel

    turning = traction.turbine_rpm(body, speed, traction.ratio_of(body, motion.gear))
    fan = engine_fan_rpm(cooling, np.maximum(turning, engine.idle_rpm), nodes.clutch)
    rpm_now = np.maximum(turning, engine.idle_rpm)
    accessory = heat_made.accessory_kw(engine, cooling, rpm_now, fan, ac_on, around.air_c)
    factor = traction.altitude_factor(air_kpa, around.air_c, engine.boosted)
    pulls = traction.pull_in_gears(body, engine, speed, wanted_n, accessory, factor)
    gears = traction.highest_gears(engine, pulls, UPSHIFT_RESERVE, DOWNSHIFT_RESERVE)
    up, down = np.minimum(gears[0], lever), np.minimum(gears[1], lever)
    may_rise = np.where(motion.since_shift_s >= UPSHIFT_WAIT_S, up, np.minimum(motion.gear, up))
    gear = np.minimum(np.maximum(motion.gear, may_rise), np.maximum(down, 1.0))
    pull = traction.in_gear(pulls, gear)

    need = np.maximum(pull.engine_kw - accessory, 1e-6)
    share = np.minimum(np.maximum((pull.limit_kw - accessory) / need, 0.0), 1.0)
    given_n = np.where(wanted_n > 0, wanted_n * share, wanted_n)
    new_speed = np.maximum(speed + 3.6 * (given_n - hold_n) / inertia * dt_s, 0.0)
    rpm = np.minimum(pull.rpm, 1.05 * engine.rpm_limit)
    power = accessory + need * share
    overrun = (wanted_n < 0) & (rpm > 1.5 * engine.idle_rpm)
    fuel = np.where(overrun, 0.0, heat_made.fuel_kw_from_power(engine, power, rpm))
    full_air = heat_made.air_from_calculated_load(
        100.0, rpm, engine.displacement_l, air_kpa, around.air_c, engine.volumetric_efficiency
    )
    burnt_air = fuel / heat_made.PETROL_MJ_KG * heat_made.STOICHIOMETRIC
    if engine.fuel is Fuel.DIESEL:  # nothing throttles its air, so its load is told by its torque
        air = np.maximum(full_air, LEAST_LEAN * burnt_air)
        load = heat_made.load_pct_from_fuel_kw(engine, fuel, rpm, factor)
        open_share = load / 100.0
    else:
        air = np.minimum(np.maximum(burnt_air, OVERRUN_AIR * full_air), 1.05 * full_air)
        load = 100.0 * air / full_air
        open_share = air / full_air
    demand = Demand(heat_made.coolant_heat_kw(engine, fuel), rpm, 0.5 * (speed + new_speed), ac_on, heater_on, fan_on)
    moved = Motion(
        motion.distance_m + 0.5 * (speed + new_speed) / 3.6 * dt_s,
        new_speed,
        gear,
        np.where(gear == motion.gear, motion.since_shift_s + dt_s, 0.0),
    )
    throttle = 0.08 + 0.85 * open_share**1.3
    return moved, Doing(demand, power, fuel, np.asarray(air), np.asarray(load), np.asarray(throttle))


def heat_second(
    nodes: Nodes, demand: Demand, around: Surroundings, cooling: Cooling, boiling_c: Array, dt_s: float
) -> Nodes:
    """The cooling `dt_s` on; at its boiling point the coolant stays there, what is more goes out as steam."""
    after = advance(nodes, demand, around, cooling, dt_s)
    boiled = np.minimum(after.coolant_c, boiling_c)
    return Nodes(after.metal_c, boiled, after.radiator_c, after.opening, after.clutch, after.electric)


def surroundings(air_kpa: Array, air_c: Array, headwind_kmh: Array) -> Surroundings:
    """The air around the batch."""
    return Surroundings(air_c, air_density(air_kpa, air_c), headwind_kmh)
