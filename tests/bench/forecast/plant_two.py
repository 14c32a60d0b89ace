"""The second plant as the benchmark sees it: rigs and roads drawn, driven, and read through the vehicle's sensors."""

from __future__ import annotations

from functools import partial

import numpy as np

from tests.bench.forecast import drives, roads
from tests.plant2 import rig as rigs
from tests.plant2 import world

SOURCES = (
    "tests.bench.forecast.plant_two",
    "tests.plant2.rig",
    "tests.plant2.thermal",
    "tests.plant2.driveline",
    "tests.plant2.world",
)


def run(family: str, rngs: list[np.random.Generator], numbers: range, seed: int) -> list[drives.Run]:
    """One run a generator; `numbers` and `seed` are for plants that draw by them."""
    rig = rigs.draw(rngs)
    some = [roads.draw(family, rng) for rng in rngs]
    history = world.simulate(rig, some)
    out: list[drives.Run] = []
    regulated = rig.stat_open_c + rig.stat_span_c
    for i, road in enumerate(some):
        n = road.seconds
        out.append(
            drives.Run(
                truth_c=history.truth_c[:n, i].copy(),
                readings=readings(rig, history, i, n),
                regulated_c=float(regulated[i]) - 4.0,
                label=f"{road.fault or family}, {'warm' if road.warm else 'cold'}",
                fault_at_s=road.fault_at_s if road.fault else None,
                ac=(road.ac > 0).astype(float) if rig.ac_declared[i] > 0.5 else None,
                drive_on=partial(_drive_on, rig, history, i, n),
            )
        )
    return out


def _drive_on(rig: rigs.Rig, history: world.History, lane: int, seconds: int) -> np.ndarray:
    snaps = np.arange(seconds // world.SNAP_S, dtype=np.intp)
    return world.drive_on(rig, history, np.full(snaps.size, lane), snaps, drives.FORESEE_S).T


def readings(rig: rigs.Rig, history: world.History, i: int, n: int) -> dict[str, np.ndarray]:
    """What the vehicle of lane `i` reports in its first `n` seconds, in the steps of J1979."""
    raw = {name: values[:n, i] for name, values in history.readings.items()}
    whole = np.floor if rig.sensor_floor[i] > 0.5 else np.round
    out = {
        "coolant_c": whole(raw["coolant_c"]),
        "rpm": np.floor(raw["rpm"] * 4.0) / 4.0,
        "speed_kmh": np.floor(raw["speed_kmh"]),
        "load_pct": np.round(np.floor(raw["load_pct"] * 2.55) / 2.55, 1),
        "intake_air_c": np.floor(raw["intake_air_c"]),
    }
    if rig.signal_kind[i] == 1:
        out["maf_g_s"] = np.round(raw["maf_g_s"], 2)
    if rig.signal_kind[i] == 2:
        out["map_kpa"] = np.floor(raw["map_kpa"])
    if rig.has_ambient[i] > 0.5:
        out["ambient_air_c"] = np.floor(raw["ambient_air_c"])
    if rig.has_baro[i] > 0.5:
        out["baro_kpa"] = np.floor(raw["baro_kpa"])
    return out
