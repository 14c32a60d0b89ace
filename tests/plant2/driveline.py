"""Driveline of the second plant: from the driver's wish and the grade to speed, gear, rpm, fuel, air flow and load.

Willans line for the fuel, a cubic for full-load power, gears by the power that is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.plant2.rig import Array, Rig

G = 9.80665
LHV = {"petrol": 43.4, "diesel": 42.8}  # MJ/kg


@dataclass
class Engine:
    """What the driveline did in this second, one lane a drive."""

    speed_kmh: Array
    rpm: Array
    power_kw: Array
    fuel_kw: Array
    load: Array  # brake power over the most at this rpm
    maf_g_s: Array
    map_kpa: Array
    peak_maf_g_s: Array


def full_power(rig: Rig, rpm: Array, air_ratio: Array) -> Array:
    """Most brake power at this rpm [kW]; thin air costs an engine without turbo its share."""
    x = np.clip(rpm / rig.rpm_peak, 0.05, 1.15)
    return rig.power_max_kw * x * (1.0 + x - x * x) * np.where(rig.turbo > 0.5, 1.0, air_ratio)


def move(
    rig: Rig,
    speed_kmh: Array,
    wish_kmh: Array,
    grade: Array,
    wind_kmh: Array,
    air_kg_m3: Array,
    baro_kpa: Array,
    outside_c: Array,
    ac: Array,
    smooth_kw: Array,
) -> tuple[Engine, Array]:
    """One second on: (engine, smoothed power demand for the choice of gear)."""
    v = speed_kmh / 3.6
    air_ratio = air_kg_m3 / 1.2
    wish = np.clip((wish_kmh - speed_kmh) / 3.6 / 4.0, -2.0, 1.0)  # a driver closes a gap over some 4 s
    slope = np.arctan(grade)
    force = rig.mass_kg * G * (np.sin(slope) + rig.crr * np.cos(slope))
    head = v + wind_kmh / 3.6
    force = force + 0.5 * air_kg_m3 * rig.cda_m2 * head * np.abs(head)
    extra = rig.accessory_kw + rig.ac_shaft_kw * ac
    asked = (force + 1.08 * rig.mass_kg * wish) * v / 1000.0 / rig.driveline_eff + extra
    smooth = smooth_kw + (asked - smooth_kw) * 0.2

    # Highest gear that can carry the smoothed demand with a reserve, between 1300/1100 rpm and the peak.
    rpm = np.full_like(v, 0.0)
    chosen = np.zeros_like(v, dtype=bool)
    for down in range(6):
        candidate = speed_kmh * rig.rpm_per_kmh_top * np.power(rig.gear_step, down)
        able = full_power(rig, candidate, air_ratio) * 0.82 >= smooth
        turning = candidate >= np.where(rig.diesel > 0.5, 1150.0, 1350.0)
        last = (candidate * rig.gear_step > 0.95 * rig.rpm_peak) | (rig.gears <= down + 1)
        take = ~chosen & ((able & turning) | last)
        rpm = np.where(take, candidate, rpm)
        chosen |= take
    rpm = np.where(chosen, rpm, candidate)
    rpm = np.clip(rpm, rig.rpm_idle, 1.05 * rig.rpm_peak)

    most = full_power(rig, rpm, air_ratio)
    power = np.clip(asked, 0.0, most)
    spare = np.where(v > 1.0, (power - extra) * rig.driveline_eff * 1000.0 / np.maximum(v, 1.0) - force, rig.mass_kg)
    accel = np.minimum(wish, spare / (1.08 * rig.mass_kg))
    accel = np.where(v > 1.0, accel, np.maximum(wish, -v))
    new_speed = np.maximum(speed_kmh + 3.6 * accel, 0.0)

    friction = rig.fmep_kpa * rig.displacement_l / 1000.0 * rpm / 120.0
    fuel = (np.maximum(power, extra) + friction) / rig.eta_indicated
    fuel = np.where((asked < -2.0) & (v > 5.0), 0.15 * fuel, fuel)  # overrun: mostly cut off
    load = np.clip(np.maximum(power, extra) / most, 0.0, 1.0)
    rich = np.where((rig.diesel < 0.5) & (load > 0.9), 1.0 + 1.2 * (load - 0.9), 1.0)
    fuel = fuel * rich
    per_mj = np.where(rig.diesel > 0.5, (20.0 + 25.0 * (1.0 - load)) / LHV["diesel"], 14.7 / LHV["petrol"] / rich)
    maf = fuel * per_mj
    sweep = 0.85 * rig.displacement_l * rpm / 120.0  # l/s at manifold density
    pressure = maf * 0.2871 * (outside_c + 25.0 + 273.15) / np.maximum(sweep, 0.05)
    floor = np.where(rig.diesel > 0.5, 0.98 * baro_kpa, 22.0)
    top = np.where(rig.turbo > 0.5, 250.0, baro_kpa)
    pressure = np.clip(pressure, floor, top)
    maf = np.where(rig.diesel > 0.5, np.maximum(maf, sweep * floor / 0.2871 / (outside_c + 298.15)), maf)
    top_fuel = (full_power(rig, rpm, np.ones_like(v)) + friction) / rig.eta_indicated
    peak_maf = top_fuel * np.where(rig.diesel > 0.5, 20.0 / LHV["diesel"], 14.7 / LHV["petrol"])
    engine = Engine(new_speed, rpm, power, fuel, load, maf, pressure, peak_maf)
    return engine, smooth


def reported_load(rig: Rig, e: Engine, air_kg_m3: Array) -> Array:
    """What the ECU would call load [%]: three ways that differ most in thin air and on diesels."""
    by_air = e.maf_g_s / np.maximum(e.peak_maf_g_s, 0.1)
    corrected = by_air * 1.2 / air_kg_m3
    percent = np.where(rig.load_kind == 0, corrected, np.where(rig.load_kind == 1, 0.08 + 0.92 * e.load, by_air))
    return np.clip(100.0 * percent, 0.0, 100.0)
