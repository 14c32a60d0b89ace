"""Drives rigs of the second plant over roads, many lanes at once, and drives on from any moment for the oracle.

`simulate` gives each lane's truth, its readings as the vehicle would report them, and snapshots every SNAP_S from which
`drive_on` runs the same plant ahead with the demand of the last minute frozen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from tests.bench.forecast.roads import POINTS, STEP_M, Road
from tests.plant2 import driveline, thermal
from tests.plant2.rig import Array, Rig

SNAP_S = 10
_FAULT_PART = {"fan": "fan_ok", "air": "air_ok", "pump": "pump_ok", "thermostat": "stat_most"}


@dataclass
class History:
    """What happened, lanes first in the last axis; readings unrounded, NaN never."""

    truth_c: Array  # (T, lanes) coolant at the sensor's place
    fill: Array
    metal_c: Array
    readings: dict[str, Array]  # name -> (T, lanes)
    drive: dict[str, Array]  # fields of thermal.Drive -> (T, lanes)
    snaps: list[thermal.State]  # state at the end of second SNAP_S * k


def air_at(height_m: Array, outside_c: Array) -> tuple[Array, Array]:
    """(pressure [kPa], density [kg/m3]): ISO 2533 pressure, density of dry air at the true temperature."""
    pressure = 101.325 * np.power(1.0 - 2.25577e-5 * height_m, 5.25588)
    return pressure, pressure / (0.287053 * (outside_c + 273.15))


def simulate(rig: Rig, roads: list[Road], rig_at: Callable[[int], Rig] | None = None) -> History:
    """Every road driven to its end by the rig of its lane; shorter roads idle on (cut later by the caller).

    `rig_at` gives the rig at each second where something of it is changed on the way.
    """
    lanes = len(roads)
    total = max(road.seconds for road in roads)
    grade = np.stack([road.grade for road in roads])
    wish = np.stack([road.wish_kmh for road in roads])
    cap = np.zeros((total, lanes))
    ac = np.zeros((total, lanes))
    for i, road in enumerate(roads):
        cap[: road.seconds, i] = road.cap_kmh
        ac[: road.seconds, i] = road.ac
    base = np.array([road.outside_c for road in roads])
    lapse = np.array([road.lapse_c_per_m for road in roads])
    foot = np.array([road.height_m for road in roads])
    wind = np.array([road.wind_kmh for road in roads])
    warm = np.array([float(road.warm) for road in roads])
    parts = _parts(roads, total)

    lane = np.arange(lanes)
    state = thermal.start(rig, base, warm)
    speed, smooth, place, height = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes), foot.copy()
    load_seen = np.zeros(lanes)
    intake = base + 8.0
    drive_log: dict[str, Array] = {f.name: np.empty((total, lanes)) for f in fields(thermal.Drive)}
    names = (
        "coolant_c",
        "rpm",
        "speed_kmh",
        "load_pct",
        "maf_g_s",
        "map_kpa",
        "intake_air_c",
        "ambient_air_c",
        "baro_kpa",
    )
    log = {name: np.empty((total, lanes)) for name in names}
    truth, fill, metal = np.empty((total, lanes)), np.empty((total, lanes)), np.empty((total, lanes))
    snaps: list[thermal.State] = []
    for t in range(total):
        rig = rig if rig_at is None else rig_at(t)
        outside = base - lapse * (height - foot)
        baro, density = air_at(height, outside)
        at = np.minimum((place / STEP_M).astype(np.intp), POINTS - 1)
        here = grade[lane, at]
        engine, smooth = driveline.move(
            rig, speed, np.minimum(wish[lane, at], cap[t]), here, wind, density, baro, outside, ac[t], smooth
        )
        drive = thermal.Drive(
            fuel_kw=engine.fuel_kw,
            load=engine.load,
            rpm=engine.rpm,
            speed_kmh=np.maximum(engine.speed_kmh + wind, 0.0) * (engine.speed_kmh > 1.0),
            outside_c=outside,
            air_kg_m3=density,
            ac=ac[t],
            **{name: values[t] for name, values in parts.items()},
        )
        state = thermal.step(rig, state, drive)
        speed = engine.speed_kmh
        place = place + speed / 3.6
        height = height + here * speed / 3.6
        load_seen += (driveline.reported_load(rig, engine, density) - load_seen) / (1.0 + rig.load_lag_s)
        soak = outside + 4.0 + 22.0 * np.exp(-speed / 25.0)
        intake = intake + (soak - intake) / 40.0
        for f in fields(thermal.Drive):
            drive_log[f.name][t] = getattr(drive, f.name)
        values = (state.sensor_c, engine.rpm, speed, load_seen, engine.maf_g_s, engine.map_kpa, intake, outside, baro)
        for name, value in zip(names, values, strict=True):
            log[name][t] = value
        truth[t], fill[t], metal[t] = state.coolant_c, state.fill, state.metal_c
        if t % SNAP_S == SNAP_S - 1:
            snaps.append(state)
    return History(truth, fill, metal, log, drive_log, snaps)


def _parts(roads: list[Road], total: int) -> dict[str, Array]:
    """State of the parts over time: fields of `thermal.Drive` -> (T, lanes)."""
    lanes = len(roads)
    parts = {name: np.ones((total, lanes)) for name in ("fan_ok", "air_ok", "pump_ok", "stat_most")}
    parts["leak_per_s"] = np.zeros((total, lanes))
    t = np.arange(total)
    for i, road in enumerate(roads):
        if not road.fault:
            continue
        done = np.clip((t - road.fault_at_s) / road.fault_over_s, 0.0, 1.0)
        if road.fault == "coolant":
            parts["leak_per_s"][:, i] = (1.0 - road.fault_size) / road.fault_over_s * ((done > 0.0) & (done < 1.0))
        else:
            parts[_FAULT_PART[road.fault]][:, i] = 1.0 - done * (1.0 - road.fault_size)
    return parts


def drive_on(rig: Rig, history: History, lanes: NDArray[np.intp], snaps: NDArray[np.intp], ahead_s: int) -> Array:
    """Truth [C] for the next `ahead_s` seconds, (ahead_s, starts): same plant and state, last minute's demand."""
    state = thermal.State(
        **{
            f.name: np.stack(
                [getattr(history.snaps[k], f.name)[..., lane] for k, lane in zip(snaps, lanes, strict=True)], axis=-1
            )
            for f in fields(thermal.State)
        }
    )
    end = (snaps + 1) * SNAP_S
    begin = np.maximum(end - 60, 0)
    frozen: dict[str, Array] = {}
    for name, values in history.drive.items():
        if name in ("fan_ok", "air_ok", "pump_ok", "stat_most", "leak_per_s"):
            frozen[name] = values[end - 1, lanes]
            continue
        frozen[name] = np.array([values[b:e, lane].mean() for b, e, lane in zip(begin, end, lanes, strict=True)])
    drive = thermal.Drive(**frozen)
    some = rig.take(lanes)
    out = np.empty((ahead_s, len(lanes)))
    for t in range(ahead_s):
        state = thermal.step(some, state, drive)
        out[t] = state.coolant_c
    return out
