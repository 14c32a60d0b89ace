"""What drives the temperature at this second, and how it has been going: heat, ram air, fan, outside air.

`flow` forms them from whatever the vehicle offers, best source first; `paced` keeps running means over four time
scales, which is what the forecast knows of the road and the driver.  Elementwise, so one drive and a thousand run
the same code.  It does not know the vehicle's true figures: scale errors are for the hypotheses to find.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np

from livemon.core import air, engine, traction
from livemon.core.air import Number
from livemon.core.signals import Inputs
from livemon.core.vehicle import Body, Cooling, Engine, Fuel

RAM_KMH: Final = 72.0
FAN_RPM: Final = 2500.0
"""Road speed and engine speed at which relative ram air and fan are 1."""
FAN_TOP: Final = 1.28  # the clutch holds the fan at about 3200 rpm of the engine
HEAT_LAG_S: Final = 25.0  # metal to coolant to sensor
AIR_LAG_S: Final = 6.0
FAN_LAG_S: Final = 15.0
SCALES_S: Final = (20.0, 60.0, 180.0, 600.0)
BLIND_KW: Final = 30.0  # heat taken where nothing tells it: only its constancy matters, the hypotheses find the rest
BLIND_RAM: Final = 1.0
UNKNOWN_AIR_C: Final = 25.0
UNKNOWN_RPM: Final = 2000.0
INTAKE_OVER_C: Final = 8.0  # intake air over outside air at speed, common practice, no source
AC_UNTOLD: Final = 0.5
"""Share of the A/C that is taken to run where nobody tells: for the fuel, the vehicles beside and the road ahead."""


class Flow(NamedTuple):
    """Lagged drive of the temperature: heat to the coolant [kW], (speed / 72 km/h)^2, rpm / 2500, air [C], and
    (density / 1.1)^0.65."""

    heat_kw: Number
    ram2: Number
    fan: Number
    air_c: Number
    density: Number


class Raw(NamedTuple):
    """The same before lags: heat [kW], speed / 72 km/h, rpm / 2500."""

    heat_kw: Number
    ram: Number
    fan: Number


class Pace(NamedTuple):
    """Running means over SCALES_S of heat, ram and fan, the mean squares of their unrest, and the lagged values."""

    seconds: float
    heat: tuple[Number, ...]
    ram: tuple[Number, ...]
    fan: tuple[Number, ...]
    unrest_heat: Number
    unrest_ram: Number
    lag_heat: Number
    lag_ram: Number
    lag_fan: Number


def fuel_kw(inputs: Inputs, motor: Engine, outside_c: float, air_kpa: float) -> float | None:
    """Fuel power [kW] from the best of what is offered; None where nothing tells it.

    Mass air flow; absolute load and rpm; manifold pressure and rpm; calculated load and rpm (near 100 % at full
    throttle at any height, so the air pressure enters).  A diesel burns lean, so its load is taken with the torque
    curve, and its air only where no load is told.  Formulas: `engine`.
    """
    rpm = inputs.rpm
    if rpm is not None and rpm < 1.0:
        return 0.0
    if _by_torque(inputs, motor):
        assert rpm is not None
        assert inputs.load_pct is not None
        factor = traction.altitude_factor(air_kpa, outside_c, motor.boosted)
        return float(engine.fuel_kw_from_load_curve(motor, inputs.load_pct, rpm, factor))
    if inputs.maf_g_s is not None:
        return float(engine.fuel_kw_from_air(inputs.maf_g_s))
    if rpm is None:
        return None
    size = motor.displacement_l
    if inputs.absolute_load_pct is not None:
        return float(engine.fuel_kw_from_air(engine.air_from_absolute_load(inputs.absolute_load_pct, rpm, size)))
    if inputs.map_kpa is not None:
        warm = inputs.intake_air_c if inputs.intake_air_c is not None else outside_c + INTAKE_OVER_C
        drawn = engine.air_from_manifold(inputs.map_kpa, rpm, warm, size, motor.volumetric_efficiency)
        return float(engine.fuel_kw_from_air(drawn))
    if inputs.load_pct is not None:
        drawn = engine.air_from_calculated_load(
            inputs.load_pct, rpm, size, air_kpa, outside_c, motor.volumetric_efficiency
        )
        return float(engine.fuel_kw_from_air(drawn))
    return None


def _by_torque(inputs: Inputs, motor: Engine) -> bool:
    return motor.fuel is Fuel.DIESEL and inputs.load_pct is not None and inputs.rpm is not None


def told_ac(inputs: Inputs) -> float:
    """A/C as it is declared, 0 or 1; `AC_UNTOLD` where nobody tells."""
    return AC_UNTOLD if inputs.ac_on is None else float(inputs.ac_on)


def fuel_for_road_kw(
    body: Body,
    motor: Engine,
    speed_kmh: Number,
    rpm: Number,
    grade_pct: Number,
    air_kg_m3: Number,
    accessory_kw: Number,
    accel_m_s2: Number = 0.0,
) -> Number:
    """Fuel power [kW] that the road asks for, elementwise: force on the grade at this speed, over the driveline, plus
    what the engine drives besides, by the Willans line; braking asks for nothing at the wheels."""
    force = traction.road_force_n(body, speed_kmh, grade_pct, air_kg_m3, accel_m_s2)
    wheel = np.maximum(traction.wheel_kw(force, speed_kmh), 0.0)
    return engine.fuel_kw_from_power(motor, traction.engine_kw(wheel, body.driveline_efficiency) + accessory_kw, rpm)


def road_fuel_kw(
    inputs: Inputs, body: Body, motor: Engine, grade_pct: float, outside_c: float, air_kpa: float
) -> float | None:
    """Fuel power [kW] from road load, for a vehicle that tells neither air nor load; None without a speed.

    As `fuel_for_road_kw`, with pump and alternator; engine speed 2000 rpm where it is not told.  Speed changes are
    left out: over the half minute that the metal lags they even out.
    Rough (+-25 %: mass, wind, surface), and needs a grade from height or route.
    Example: 2200 kg on 6 % at 80 km/h, driveline 0.85 -> 48.9 kW at the engine (`traction.road_force_n`).
    """
    speed = inputs.speed_kmh if inputs.speed_kmh is not None else inputs.gps_speed_kmh
    if speed is None:
        return None
    if inputs.mass_kg is not None:
        body = replace(body, mass_kg=inputs.mass_kg)
    rpm = UNKNOWN_RPM if inputs.rpm is None else inputs.rpm
    if rpm < 1.0:
        return 0.0
    density = air.air_density(air_kpa, outside_c)
    return float(fuel_for_road_kw(body, motor, speed, rpm, grade_pct, density, motor.accessory_kw))


def source(inputs: Inputs, motor: Engine) -> str:
    """Plain word for where the heat made comes from, of `fuel_kw`."""
    if _by_torque(inputs, motor):
        return "load and torque curve"
    if inputs.maf_g_s is not None:
        return "air flow"
    if inputs.rpm is None:
        return "nothing"
    if inputs.absolute_load_pct is not None:
        return "absolute load"
    if inputs.map_kpa is not None:
        return "manifold pressure"
    return "load" if inputs.load_pct is not None else "nothing"


def air_pressure_kpa(inputs: Inputs) -> float:
    """Outside pressure [kPa]: measured, else of the height, else that of 300 m."""
    if inputs.baro_kpa is not None and inputs.baro_kpa > 45.0:
        return inputs.baro_kpa
    return float(air.standard_pressure_kpa(300.0 if inputs.altitude_m is None else inputs.altitude_m))


def outside_c(inputs: Inputs, before_c: float | None) -> float:
    """Outside air [C]: measured or declared, else intake air at speed less 8 K (held when slow), else 25 C."""
    if inputs.outside_c is not None:
        return inputs.outside_c
    if inputs.intake_air_c is not None:
        guess = inputs.intake_air_c - INTAKE_OVER_C
        if before_c is None:
            return guess
        if (inputs.speed_kmh or 0.0) > 30.0:
            return before_c + (guess - before_c) / 60.0
        return min(before_c, guess)
    return UNKNOWN_AIR_C if before_c is None else before_c


def condenser_c(cooling: Cooling, outside: Number, ram: Number) -> Number:
    """Rise [K] of the air ahead of the radiator by a running A/C: 7 kW into ram and fan air of `cooling`."""
    face = cooling.ram_share * RAM_KMH / 3.6 * ram + 0.8
    return (
        cooling.condenser_kw
        * (0.3 + 0.035 * (outside - 15.0))
        / (1.1 * air.AIR_CP_KJ_KGK * cooling.face_area_m2 * face)
    )


def begin(raw: Raw) -> Pace:
    """The pace at the first second."""
    four = len(SCALES_S)
    zero = 0.0 * raw.heat_kw
    return Pace(
        1.0, (raw.heat_kw,) * four, (raw.ram,) * four, (raw.fan,) * four, zero, zero, raw.heat_kw, raw.ram, raw.fan
    )


def paced(pace: Pace, raw: Raw, dt_s: float) -> Pace:
    """The pace `dt_s` later; a mean over a scale longer than the drive is the mean of the drive so far."""
    seconds = pace.seconds + dt_s
    rates = [max(1.0 - 2.718281828459045 ** (-dt_s / scale), dt_s / seconds) for scale in SCALES_S]
    warm = tuple(m + (raw.heat_kw - m) * k for m, k in zip(pace.heat, rates, strict=True))
    ram = tuple(m + (raw.ram - m) * k for m, k in zip(pace.ram, rates, strict=True))
    fan = tuple(m + (raw.fan - m) * k for m, k in zip(pace.fan, rates, strict=True))
    off_heat, off_ram = warm[0] - warm[2], ram[0] - ram[2]
    return Pace(
        seconds,
        warm,
        ram,
        fan,
        pace.unrest_heat + (off_heat * off_heat - pace.unrest_heat) * rates[2],
        pace.unrest_ram + (off_ram * off_ram - pace.unrest_ram) * rates[2],
        pace.lag_heat + (raw.heat_kw - pace.lag_heat) * (dt_s / HEAT_LAG_S),
        pace.lag_ram + (raw.ram - pace.lag_ram) * (dt_s / AIR_LAG_S),
        pace.lag_fan + (raw.fan - pace.lag_fan) * (dt_s / FAN_LAG_S),
    )


def flow(pace: Pace, air_c: Number, density: Number) -> Flow:
    """The lagged drive of this second; `density` is already (kg/m3 / 1.1)^0.65."""
    return Flow(pace.lag_heat, pace.lag_ram * pace.lag_ram, pace.lag_fan, air_c, density)
