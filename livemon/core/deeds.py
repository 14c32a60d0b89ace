"""What an action changes in the demand on the cooling, by road load, Willans line, gears, converter and accessories.

Before and after are both built from what is measured (fuel power, speed, engine speed of the last minutes) and from the
figures of many possible vehicles in columns; only what the action moves differs.  It knows nothing of temperatures,
nor which action is safe or worth saying.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi

import numpy as np

from livemon.core import engine as made
from livemon.core import traction
from livemon.core.air import Array, Number
from livemon.core.outcome import Action
from livemon.core.radiator import Demand, engine_fan_rpm
from livemon.core.vehicle import Body, Cooling, Engine

STEP_KMH = 10.0
"""So much slower or faster."""
LEAST_KMH = 5.0
RAISED_IDLE = 2.0
OPEN_SLIP = 1.04
"""An engine turning so much faster than its gear says runs on an open converter."""
GUESSED_RATIO = 1.4
"""Step to the next gear where the gears are not known; common practice 1.3 to 1.6."""


@dataclass(frozen=True, slots=True)
class Many:
    """Possible vehicles in columns of equal length."""

    body: Body
    engine: Engine
    cooling: Cooling


@dataclass(frozen=True, slots=True)
class Now:
    """What is asked now; arrays of one value a vehicle (last axis), or one number for all.  None = not known."""

    fuel_kw: Array
    speed_kmh: Array | None
    rpm: Array | None
    ac_on: Array
    heater_on: float
    fan_on: float
    air_c: Number
    air_kg_m3: Number
    clutch: Array
    """Engagement of the fan clutch that belongs to the present temperature, 0 to 1."""
    standing: bool = False
    lower_ratio: Number | None = None
    """Gear ratio of the next lower gear over that of the present one; None = gear not known."""
    higher_ratio: Number | None = None
    gear_slip: Number = 1.0
    """Engine speed over what the present gear says: over 1 while the converter is open."""
    lower_locks: bool = False
    higher_locks: bool = False


def demand_now(many: Many, now: Now) -> Demand:
    """The demand as it is; where speed or engine speed is not known, the usual ones stand in."""
    return _demand(many, now, now.fuel_kw, _rpm(now), _speed(now))


def demand_after(many: Many, now: Now, action: Action) -> Demand | None:
    """The demand with the action taken; None where it means nothing here or too little is known."""
    if action is Action.AC_OFF:
        if not np.any(now.ac_on > 0):
            return None
        off = replace(now, ac_on=0.0 * now.ac_on)
        return _demand(many, off, _fuel(many, off, _rpm(now), pull_kw(many, now)), _rpm(now), _speed(now))
    if action is Action.HEATER_ON:
        return None if now.heater_on else replace(demand_now(many, now), heater_on=1.0)
    if action is Action.FAN_ON:
        return None if now.fan_on else replace(demand_now(many, now), fan_on=1.0)
    if now.rpm is None:
        return None
    if action in (Action.IDLE_NEUTRAL, Action.RAISE_IDLE):
        return _idling(many, now, action)
    if now.speed_kmh is None or now.standing or float(np.max(now.speed_kmh)) < LEAST_KMH:
        return None
    if action in (Action.SLOW_DOWN, Action.SPEED_UP):
        return _other_speed(many, now, -STEP_KMH if action is Action.SLOW_DOWN else STEP_KMH)
    if action in (Action.DOWNSHIFT, Action.UPSHIFT):
        return _other_gear(many, now, action is Action.DOWNSHIFT)
    return None


def halted(many: Many, now: Now) -> Now:
    """The same moment as if the vehicle stood idling in gear: fuel for friction, accessories and converter drag."""
    rpm = np.asarray(many.engine.idle_rpm) + 0.0 * now.fuel_kw
    still = replace(now, rpm=rpm, speed_kmh=0.0 * rpm, standing=True)
    return replace(still, fuel_kw=_fuel(many, still, rpm, _drag_kw(many, rpm)))


def _drag_kw(many: Many, rpm: Number) -> Array:
    """What a stalled converter takes from the engine [kW]: c (rpm / 1000)^2 Nm.  Example: 52, 700 rpm -> 1.87 kW."""
    return np.asarray(many.body.converter_nm_krpm2 * (rpm / 1000.0) ** 2 * rpm * (pi / 30_000.0))


def _rpm(now: Now) -> Array:
    return np.full_like(now.fuel_kw, 2500.0) if now.rpm is None else now.rpm


def _speed(now: Now) -> Array:
    return np.full_like(now.fuel_kw, 72.0) if now.speed_kmh is None else now.speed_kmh


def _demand(many: Many, now: Now, fuel_kw: Array, rpm: Number, speed_kmh: Number) -> Demand:
    heat = made.coolant_heat_kw(many.engine, np.maximum(fuel_kw, 1e-3))
    return Demand(heat, rpm, speed_kmh, now.ac_on, now.heater_on, now.fan_on)


def _extra_kw(many: Many, now: Now, rpm: Number) -> Array:
    """Accessories, fan and compressor at an engine speed [kW]."""
    fan_rpm = engine_fan_rpm(many.cooling, rpm, now.clutch)
    return np.asarray(made.accessory_kw(many.engine, many.cooling, rpm, fan_rpm, now.ac_on, now.air_c))


def pull_kw(many: Many, now: Now) -> Array:
    """What goes into the gearbox [kW]: brake power by the Willans line less what the accessories take."""
    brake = np.asarray(made.brake_kw_from_fuel(many.engine, now.fuel_kw, _rpm(now)))
    return np.maximum(brake - _extra_kw(many, now, _rpm(now)), 0.0)


def _fuel(many: Many, now: Now, rpm: Number, gearbox_kw: Array) -> Array:
    """Fuel power [kW] to put `gearbox_kw` into the gearbox at `rpm`, accessories included."""
    return np.asarray(made.fuel_kw_from_power(many.engine, gearbox_kw + _extra_kw(many, now, rpm), rpm))


def _other_speed(many: Many, now: Now, step_kmh: float) -> Demand:
    """Same road, same gear, another speed: grade from the power now, road load at the other speed."""
    speed, rpm = _speed(now), _rpm(now)
    pull = pull_kw(many, now)
    body = many.body
    grade = traction.grade_from_power(body, pull / now.gear_slip, speed, now.air_kg_m3, body.driveline_efficiency)
    other = np.maximum(speed + step_kmh, LEAST_KMH)
    before = np.maximum(traction.wheel_kw(traction.road_force_n(body, speed, grade, now.air_kg_m3), speed), 0.5)
    after = np.maximum(traction.wheel_kw(traction.road_force_n(body, other, grade, now.air_kg_m3), other), 0.0)
    turned = np.maximum(rpm * other / speed, many.engine.idle_rpm)
    return _demand(many, now, _fuel(many, now, turned, pull * after / before), turned, other)


def _other_gear(many: Many, now: Now, lower: bool) -> Demand:
    """Same speed, one gear down or up; the open converter slips by its capacity law, a locked one does not."""
    speed, rpm = _speed(now), _rpm(now)
    known = now.lower_ratio if lower else now.higher_ratio
    ratio = known if known is not None else GUESSED_RATIO if lower else 1.0 / GUESSED_RATIO
    pull = pull_kw(many, now)
    turbine = rpm / now.gear_slip * ratio
    through = pull / now.gear_slip  # what the gearbox input gets
    torque = through / np.maximum(turbine, 300.0) * (30_000.0 / pi)
    slips = np.asarray(traction.converter_rpm(many.body, turbine, torque, many.engine.idle_rpm))
    # Old automatics lock the converter in the top gears only, others in most: half of the vehicles are of each kind.
    locks = (np.arange(speed.shape[-1]) % 2 == 1) | (now.lower_locks if lower else now.higher_locks)
    locked = (speed >= many.body.lockup_kmh) & (now.gear_slip < OPEN_SLIP) & locks
    turned = np.where(locked, np.maximum(turbine, many.engine.idle_rpm), slips)
    wanted = through * turned / np.maximum(turbine, 300.0)
    return _demand(many, now, _fuel(many, now, turned, wanted), turned, speed)


def _idling(many: Many, now: Now, action: Action) -> Demand | None:
    """At a standstill: the drag of the stalled converter let go, or the engine turned faster out of gear."""
    if not now.standing:
        return None
    rpm = _rpm(now)
    if action is Action.RAISE_IDLE:
        turned = RAISED_IDLE * np.maximum(many.engine.idle_rpm, 0.0) + 0.0 * rpm
        return _demand(many, now, _fuel(many, now, turned, 0.0 * now.fuel_kw), turned, 0.0 * rpm)
    spared = np.minimum(np.asarray(_drag_kw(many, rpm) / many.engine.indicated_efficiency), 0.5 * now.fuel_kw)
    return _demand(many, now, now.fuel_kw - spared, rpm, 0.0 * rpm)
