"""From the true course of a batch to what its sensors say: errors, noise, quantising, sensor faults.

Works on whole drives at once, after the loop over seconds; arrays have shape (seconds, rigs).  Noise comes from the
generator of each rig, in a fixed order.  What the bus makes of the readings is the business of `sensors`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Final

import numpy as np

from livemon.core.air import Array
from livemon.core.engine import absolute_load_from_air, manifold_from_air
from livemon.core.vehicle import Engine
from livemon.sim.faults import Break, Fault
from livemon.sim.sensors import SensorFigures, quantised

METRES_PER_DEGREE: Final = 110_574.0  # of latitude at the equator, WGS 84
DRIFT_LAG_S: Final = 30.0


def told(
    log: Mapping[str, Array],
    engine: Engine,
    figures: Sequence[SensorFigures],
    warm_s: Array,
    random: Sequence[np.random.Generator],
) -> dict[str, Array]:
    """Readings of the whole batch at each second, by the names of `core/events.SIGNALS`; no faults yet."""
    seconds = len(log["rpm"])
    noise = partial(_noise, random, seconds)

    def each(name: str) -> Array:
        return np.array([float(getattr(f, name)) for f in figures])

    rpm = np.maximum(log["rpm"] + each("rpm_noise") * noise(), 0.0)
    maf = log["air_g_s"] * (1.0 + each("maf_error") + each("maf_noise") * noise())
    soaked = log["air_c"] + each("intake_soak_c") / (1.0 + log["speed_kmh"] / 25.0)
    intake = _slow(soaked, 60.0)
    load = log["load_pct"] * (1.0 + each("load_error")) + each("load_noise_pct") * noise()
    size, filling = np.asarray(engine.displacement_l), np.asarray(engine.volumetric_efficiency)
    drawn = manifold_from_air(log["air_g_s"], log["rpm"], intake, size, filling)
    manifold = np.minimum(drawn, log["air_kpa"] - 1.0)
    absolute = absolute_load_from_air(log["air_g_s"], np.maximum(log["rpm"], 1.0), size)
    raw = {
        "speed_kmh": log["speed_kmh"] * (1.0 + each("speed_error")),
        "rpm": rpm,
        "load_pct": load,
        "absolute_load_pct": absolute * (1.0 + each("maf_error")),
        "throttle_pct": 100.0 * log["throttle"] + 0.5 * noise(),
        "map_kpa": manifold + each("map_noise_kpa") * noise(),
        "maf_g_s": maf,
        "intake_air_c": intake,
        "ambient_air_c": _slow(log["air_c"] + each("ambient_error_c"), 90.0),
        "baro_kpa": log["air_kpa"] + each("baro_error_kpa"),
    }
    readings = {name: quantised(name, value) for name, value in raw.items()}
    readings["run_time_s"] = np.arange(float(seconds))[:, None] + warm_s
    readings["voltage_v"] = np.round(14.1 - 0.15 * log["electric"] + 0.02 * noise(), 3)
    closed = np.where(log["sensed_c"] < 50.0, 1.0, 2.0)
    readings["fuel_status"] = np.where((load > 92.0) | (log["fuel_kw"] <= 0.0), 4.0, closed)
    coolant = log["sensed_c"] + each("coolant_noise_c") * noise()
    readings["coolant_c"] = np.where(each("coolant_floor") > 0, np.floor(coolant), np.floor(coolant + 0.5))
    return readings


def _noise(random: Sequence[np.random.Generator], seconds: int) -> Array:
    """White noise (seconds, rigs), each rig from its own generator."""
    return np.array([g.standard_normal(seconds) for g in random]).T


def located(log: Mapping[str, Array], random: Sequence[np.random.Generator]) -> dict[str, Array]:
    """Readings of a satellite receiver; positions lie on one meridian in mid-ocean, so that no real place is meant."""
    noise = partial(_noise, random, len(log["height_m"]))
    readings: dict[str, Array] = {}
    white = noise()
    gain = (2.0 * DRIFT_LAG_S) ** 0.5  # white noise through the lag has 1 / gain of its size
    white[0] /= gain
    drift: Array = 3.0 * gain * _slow(white, DRIFT_LAG_S)
    readings["altitude_m"] = np.round(log["height_m"] + 1.5 * drift, 1)
    readings["latitude_deg"] = np.round((log["distance_m"] + drift) / METRES_PER_DEGREE, 6)
    readings["longitude_deg"] = np.zeros_like(log["height_m"]) - 30.0
    over_ground: Array = np.maximum(log["speed_kmh"] + 0.3 * noise(), 0.0)
    readings["gps_speed_kmh"] = np.round(over_ground, 2)
    return readings


def _slow(values: Array, lag_s: float) -> Array:
    """A sensor with a long lag, second by second."""
    out = np.empty_like(values)
    keep = float(np.exp(-1.0 / lag_s))
    now = values[0]
    for k in range(len(values)):
        now = values[k] + (now - values[k]) * keep
        out[k] = now
    return out


def break_sensor(readings: dict[str, Array], breaks: Sequence[Break], random: Sequence[np.random.Generator]) -> None:
    """Sensor faults, in place on the coolant reading; a second control unit appears where one differs."""
    coolant = readings["coolant_c"]
    seconds = len(coolant)
    for i, broken in enumerate(breaks):
        if not broken.at_s < seconds:
            continue
        k = int(max(broken.at_s, 0.0))
        if broken.fault is Fault.SENSOR_STUCK:
            coolant[k:, i] = coolant[k, i]
        elif broken.fault is Fault.SENSOR_OPEN:
            coolant[k:, i] = -40.0
        elif broken.fault is Fault.SENSOR_SHORT:
            coolant[k:, i] = 215.0
        elif broken.fault is Fault.SENSOR_JUMPS:
            wild = random[i].random(seconds - k) < 0.12
            jump = np.round(random[i].uniform(-30.0, 30.0, seconds - k))
            coolant[k:, i] = np.clip(coolant[k:, i] + np.where(wild, jump, 0.0), -40.0, 215.0)
        elif broken.fault is Fault.SECOND_ECU_DIFFERS:
            second = readings.setdefault("coolant2_c", np.full(coolant.shape, np.nan))
            second[:, i] = coolant[:, i]
            second[k:, i] += np.round(12.0 * broken.severity)
