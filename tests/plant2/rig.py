"""Random rigs of the second plant: one lane of numbers a rig, drawn from broad ranges.

Ranges follow the trade's textbook spans (docs/benchmark.md lists them); nothing here is a real vehicle.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rig:
    """One lane a rig; units in the names, shares without unit.  Kinds are whole numbers kept as floats."""

    mass_kg: Array
    crr: Array
    cda_m2: Array
    driveline_eff: Array
    power_max_kw: Array
    rpm_peak: Array
    rpm_idle: Array
    displacement_l: Array
    turbo: Array  # 1 keeps its power in thin air
    diesel: Array
    eta_indicated: Array
    fmep_kpa: Array
    rpm_per_kmh_top: Array
    gear_step: Array
    gears: Array
    accessory_kw: Array
    ac_shaft_kw: Array
    ac_heat_kw: Array
    heat_share: Array  # of fuel power into the metal at half load
    heat_share_slope: Array  # change of that share from no load to full load
    oil_share: Array
    metal_kj_k: Array
    coolant_kj_k: Array
    oil_kj_k: Array
    radiator_kj_k: Array
    metal_film_kw_k: Array
    oil_film_kw_k: Array
    skin_kw_k: Array  # engine to under-bonnet air
    pump_kw_k: Array  # coolant capacity rate at 3000 rpm, thermostat open
    stat_open_c: Array
    stat_span_c: Array
    stat_lag_s: Array
    stat_leak: Array
    face_m2: Array
    ua_kw_k: Array  # at 4 m/s face speed, 1.1 kg/m3
    ua_power: Array
    ram: Array  # face speed over road speed, fan off
    fan_ms: Array  # face speed at standstill, fan at full
    fan_kind: Array  # 0 PWM electric, 1 two-speed electric, 2 viscous clutch
    fan_on_c: Array
    fan_full_c: Array
    fan_lag_s: Array
    recirculation: Array
    sensor_lag_s: Array
    sensor_floor: Array  # 1 floors to whole degrees, 0 rounds
    load_kind: Array  # 0 air flow over peak, 1 torque over peak torque, 2 air flow without air-density correction
    load_lag_s: Array
    signal_kind: Array  # 0 load only, 1 load and MAF, 2 load and MAP
    has_ambient: Array
    has_baro: Array
    ac_declared: Array

    def take(self, index: NDArray[np.intp]) -> Rig:
        """The lanes `index`, in that order, repeats allowed."""
        return Rig(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def draw(rngs: list[np.random.Generator]) -> Rig:
    """One rig a generator: the same generator always gives the same rig, whatever stands beside it."""
    lanes = [_one(rng) for rng in rngs]
    return Rig(**{f.name: np.array([lane[f.name] for lane in lanes], dtype=float) for f in fields(Rig)})


def _one(rng: np.random.Generator) -> dict[str, float]:
    u: Callable[[float, float], float] = rng.uniform
    diesel = rng.random() < 0.25
    turbo = diesel or rng.random() < 0.2
    mass = u(1700.0, 4200.0)
    power = mass / 1000.0 * u(38.0, 62.0)
    fan_kind = float(rng.choice([0, 1, 2], p=[0.4, 0.25, 0.35]))
    opens = u(78.0, 90.0)
    size = power / 120.0
    displacement = power / (u(38.0, 50.0) if turbo else u(26.0, 36.0))
    return {
        "mass_kg": mass,
        "crr": u(0.010, 0.020),
        "cda_m2": u(1.0, 2.2),
        "driveline_eff": u(0.75, 0.90),
        "power_max_kw": power,
        "rpm_peak": u(3400.0, 4000.0) if diesel else u(4200.0, 5200.0),
        "rpm_idle": u(620.0, 820.0),
        "displacement_l": displacement,
        "turbo": float(turbo),
        "diesel": float(diesel),
        "eta_indicated": u(0.40, 0.46) if diesel else u(0.33, 0.39),
        "fmep_kpa": u(130.0, 200.0),
        "rpm_per_kmh_top": u(17.0, 24.0) if diesel else u(20.0, 28.0),
        "gear_step": u(1.28, 1.48),
        "gears": float(rng.integers(4, 7)),
        "accessory_kw": u(1.0, 3.0),
        "ac_shaft_kw": u(2.0, 5.0),
        "ac_heat_kw": u(5.0, 10.0),
        "heat_share": u(0.19, 0.27),
        "heat_share_slope": u(-0.06, 0.0),
        "oil_share": u(0.03, 0.07),
        "metal_kj_k": size * u(50.0, 100.0),
        "coolant_kj_k": size * u(25.0, 48.0),
        "oil_kj_k": size * u(8.0, 18.0),
        "radiator_kj_k": size * u(9.0, 17.0),
        "metal_film_kw_k": size * u(2.0, 4.5),
        "oil_film_kw_k": size * u(0.15, 0.6),
        "skin_kw_k": size * u(0.02, 0.06),
        "pump_kw_k": size * u(4.5, 9.0),
        "stat_open_c": opens,
        "stat_span_c": u(8.0, 14.0),
        "stat_lag_s": u(8.0, 30.0),
        "stat_leak": u(0.001, 0.01),
        "face_m2": size**0.5 * u(0.22, 0.38),
        "ua_kw_k": size * u(0.55, 1.5),
        "ua_power": u(0.45, 0.65),
        "ram": u(0.10, 0.22),
        "fan_ms": u(0.8, 4.5),
        "fan_kind": fan_kind,
        "fan_on_c": (u(52.0, 72.0) if fan_kind == 2 else opens + u(8.0, 15.0)),
        "fan_full_c": (u(74.0, 90.0) if fan_kind == 2 else opens + u(17.0, 24.0)),
        "fan_lag_s": u(30.0, 90.0) if fan_kind == 2 else u(2.0, 8.0),
        "recirculation": u(0.0, 0.25),
        "sensor_lag_s": u(4.0, 15.0),
        "sensor_floor": float(rng.random() < 0.5),
        "load_kind": float(rng.choice([0, 1, 2], p=[0.3, 0.4, 0.3])),
        "load_lag_s": u(0.5, 3.0),
        "signal_kind": float(rng.choice([0, 1, 2], p=[0.34, 0.33, 0.33])),
        "has_ambient": float(rng.random() < 0.4),
        "has_baro": float(rng.random() < 0.4),
        "ac_declared": float(rng.random() < 0.5),
    }
