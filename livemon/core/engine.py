"""Heat made: from what the vehicle offers (air flow, manifold pressure, load, road load) to fuel power and coolant
heat.

Each way is its own function and gives fuel power [kW]; `coolant_heat_kw` takes the share that reaches the coolant.
Best first: mass air flow, then manifold pressure with rpm, absolute load with rpm, calculated load with rpm, road
load.  It does not know transients of mixture: fuel is air over 14.7, which holds within 15 % outside cold start and
overrun.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from livemon.core.air import GAS_CONSTANT_J_KGK, ZERO_C_K, Number, held
from livemon.core.traction import torque_limit_nm
from livemon.core.vehicle import Cooling, Engine

PETROL_MJ_KG: Final = 43.4  # lower heating value, 43 to 44
STOICHIOMETRIC: Final = 14.7  # air per petrol by mass
J1979_AIR_G_L: Final = 1.184  # air density in the definition of absolute load, 25 C and 101.325 kPa
FUEL_KW_L_REFERENCE: Final = 40.0  # fuel power per litre at which `coolant_share` is stated
SHARE_LOW: Final = 0.6
SHARE_HIGH: Final = 1.6
"""The share at light and heavy load stays within these multiples of `coolant_share`."""


def fuel_kw_from_air(air_g_s: Number, air_fuel_ratio: Number = STOICHIOMETRIC) -> Number:
    """Fuel power [kW] of a petrol engine from its air flow [g/s].

    Fuel = air / ratio, times 43.4 MJ/kg.  Valid for spark ignition in closed loop; in enrichment the ratio is 12.3 to
    13.4 (more fuel, but the extra is not burnt: keep 14.7 for heat); in overrun fuel is cut and this reads high by a
    few kW.
    Example: 30 g/s -> 88.6 kW.
    """
    return air_g_s / air_fuel_ratio * PETROL_MJ_KG


def air_from_manifold(
    map_kpa: Number, rpm: Number, intake_air_c: Number, displacement_l: Number, filling: Number
) -> Number:
    """Air flow [g/s] by speed and density: filling x swept volume per second x p / (R T), four-stroke.

    `filling` is the volumetric efficiency at manifold density.  Example: 4.0 L, 2500 rpm, 80 kPa, 40 C, 0.80 -> 59.3.
    """
    density = 1000.0 * map_kpa / (GAS_CONSTANT_J_KGK * (intake_air_c + ZERO_C_K))
    return filling * displacement_l * rpm / 120.0 * density


def air_from_absolute_load(absolute_load_pct: Number, rpm: Number, displacement_l: Number) -> Number:
    """Air flow [g/s] from absolute load (PID 43): load = air per intake stroke / (1.184 g/L x swept volume).

    Falls with height as the engine does.  Example: 54.1 %, 4.0 L, 2500 rpm -> 53.4 g/s.
    """
    return absolute_load_pct / 100.0 * J1979_AIR_G_L * displacement_l * rpm / 120.0


def manifold_from_air(
    air_g_s: Number, rpm: Number, intake_air_c: Number, displacement_l: Number, filling: Number
) -> Number:
    """Manifold pressure [kPa] that draws an air flow [g/s]: `air_from_manifold` solved for pressure."""
    per_kpa = air_from_manifold(1.0, rpm, intake_air_c, displacement_l, filling)
    return air_g_s / np.maximum(per_kpa, 1e-9)


def absolute_load_from_air(air_g_s: Number, rpm: Number, displacement_l: Number) -> Number:
    """Absolute load [%] of an air flow [g/s]: `air_from_absolute_load` solved for load."""
    return air_g_s / np.maximum(air_from_absolute_load(1.0, rpm, displacement_l), 1e-9)


def air_from_calculated_load(
    load_pct: Number,
    rpm: Number,
    displacement_l: Number,
    air_kpa: Number,
    air_c: Number,
    filling: Number = 0.82,
) -> Number:
    """Air flow [g/s] from calculated load (PID 04), which is normalised to the most the engine can draw here.

    air = load x filling x V n/2 x 1.184 g/L x (p / 101.325) x sqrt(298 / T), after the definition in SAE J1979
    (second-hand). Full load reads near 100 % at any height, so height must be known: 3000 m unknown makes this 30 %
    too high.
    Example: 50 %, 2500 rpm, 4.0 L, 101.3 kPa, 25 C, 0.82 -> 40.5 g/s.
    """
    here = (air_kpa / 101.325) * np.sqrt(298.15 / (np.asarray(air_c) + ZERO_C_K))
    flow: Number = load_pct / 100.0 * filling * J1979_AIR_G_L * displacement_l * rpm / 120.0 * here
    return flow


def friction_kw(engine: Engine, rpm: Number) -> Number:
    """Friction and pumping power [kW]: mean pressure (a + b rpm) x swept volume x rpm / 2.

    Example: 4.5 L, 1.15 + 0.25 bar per 1000 rpm, 2500 rpm -> 16.6 kW.
    """
    bar = engine.friction_bar + engine.friction_bar_krpm * rpm / 1000.0
    return bar * engine.displacement_l * rpm / 1200.0


def fuel_kw_from_power(engine: Engine, brake_kw: Number, rpm: Number) -> Number:
    """Fuel power [kW] for a brake power at an engine speed: the Willans line (brake + friction) / indicated efficiency.

    Never below zero: in overrun fuel is cut.  Valid for spark ignition away from full-throttle enrichment, and for
    diesels with their own efficiency.  Example: default engine, 50 kW at 2500 rpm -> 185 kW (27 % brake efficiency).
    """
    fuel: Number = np.maximum((brake_kw + friction_kw(engine, rpm)) / engine.indicated_efficiency, 0.0)
    return fuel


def brake_kw_from_fuel(engine: Engine, fuel_kw: Number, rpm: Number) -> Number:
    """Brake power [kW] from fuel power: the Willans line solved for power; negative in overrun (engine braking)."""
    return fuel_kw * engine.indicated_efficiency - friction_kw(engine, rpm)


def fuel_kw_from_load_curve(engine: Engine, load_pct: Number, rpm: Number, power_factor: Number) -> Number:
    """Fuel power [kW] from calculated load and the full-throttle torque curve; the way for diesels.

    Brake torque ~ load x full-load torque here (power_factor for height), then the Willans line.  Rough: +-20 %.
    """
    full_kw = torque_limit_nm(engine, rpm) * rpm * (np.pi / 30_000.0) * power_factor
    # Load counts the air, so friction is inside it: indicated power ~ load x (full brake + friction).
    lost = friction_kw(engine, rpm)
    fuel: Number = np.maximum(load_pct / 100.0 * (full_kw + lost) / engine.indicated_efficiency, 0.0)
    return fuel


def load_pct_from_fuel_kw(engine: Engine, fuel_kw: Number, rpm: Number, power_factor: Number) -> Number:
    """Calculated load [%] of an engine whose torque tells it: `fuel_kw_from_load_curve` solved for load, 0 to 100."""
    at_full = fuel_kw_from_load_curve(engine, 100.0, rpm, power_factor)
    load: Number = held(100.0 * fuel_kw / np.maximum(at_full, 1e-6), 0.0, 100.0)
    return load


def share_shape(engine: Engine, fuel_kw: Number) -> Number:
    """How the coolant's share moves with load: (fuel per litre / 40 kW)^-slope, held between 0.6 and 1.6. No unit.

    Separate from `coolant_share`, so that with a fixed slope it is one number for all hypotheses.
    """
    relative = np.maximum(fuel_kw / engine.displacement_l / FUEL_KW_L_REFERENCE, 1e-3)
    shape: Number = held(relative ** (-engine.coolant_share_slope), SHARE_LOW, SHARE_HIGH)
    return shape


def coolant_heat_kw(engine: Engine, fuel_kw: Number) -> Number:
    """Heat [kW] that reaches the engine metal and coolant from burning `fuel_kw`.

    share x shape x fuel: the share falls from about 0.42 at idle to 0.25 at full load, since the gas-side film grows
    slower than the charge (Nu ~ Re^0.75).  Example: 174.5 kW in a 4.36 L engine at share 0.27 -> 47.1 kW.
    """
    return engine.coolant_share * share_shape(engine, fuel_kw) * fuel_kw


def fuel_kw_from_coolant_heat(engine: Engine, heat_kw: Number) -> Number:
    """Fuel power [kW] that makes a coolant heat: `coolant_heat_kw` solved for fuel, held at the ends of the share.

    fuel = (heat / (share (40 L)^slope))^(1 / (1 - slope)) where the share is free.  Example: 47.1 kW, 4.36 L, share
    0.27 -> 174.5 kW.
    """
    reference = FUEL_KW_L_REFERENCE * engine.displacement_l
    whole = np.maximum(heat_kw, 1e-3) / engine.coolant_share
    free = reference * (whole / reference) ** (1.0 / (1.0 - engine.coolant_share_slope))
    fuel: Number = whole / share_shape(engine, free)
    return fuel


def ac_duty(air_c: Number, rpm: Number) -> Number:
    """How hard the air conditioning works against its 35 C rating; no unit, from memory.

    Grows from 0.3 at 15 C to 1.3 at 47 C with the outside air; at idle the compressor turns too slowly for more than
    0.73 of that.
    """
    by_air = held(0.3 + 0.035 * (np.asarray(air_c) - 15.0), 0.2, 1.3)
    by_rpm = held(0.5 + np.asarray(rpm) / 3000.0, 0.5, 1.0)
    duty: Number = by_air * by_rpm
    return duty


def accessory_kw(
    engine: Engine, cooling: Cooling, rpm: Number, fan_rpm: Number, ac_on: Number, air_c: Number
) -> Number:
    """Power [kW] taken from the engine by pump, alternator, steering, engine-driven fan and compressor.

    Fan power follows the fan law N^3 (3 kW at 2500 rpm for a fan of 1.1 m/s per 1000 rpm, from memory).
    """
    fan = 3.0 * (cooling.fan_m_s_krpm / 1.1) * (fan_rpm / 2500.0) ** 3
    base = engine.accessory_kw * (0.5 + 0.5 * rpm / 2000.0)
    return base + fan + ac_on * cooling.compressor_kw * ac_duty(air_c, rpm)
