"""Garages of the second plant: other fans, other radiator, other engine; all drives as lanes of one march."""

from __future__ import annotations

from dataclasses import fields, replace
from types import SimpleNamespace

import numpy as np

from livemon.core.figures import Figure
from livemon.core.vehicle import Fuel, VehicleProfile
from tests.bench.forecast import plant_two as forecast
from tests.bench.garages.reference import AIR_C, AIR_KPA, COOLANT_C, Reference
from tests.bench.garages.trips import POINTS, STEP_M, Array, Trip
from tests.plant2 import driveline, thermal, world
from tests.plant2 import rig as rigs

_ELECTRIC = (0.0, 1.0)
NAMES = ("fan_ok", "air_ok", "pump_ok", "core_ok")
_STATES = {
    "weak_electric_fan": "fan_ok",
    "slipping_fan_clutch": "fan_ok",
    "clogged_condenser": "air_ok",
    "half_blocked_radiator": "core_ok",
    "low_pump_flow": "pump_ok",
    "more_air": "air_ok",
}


def vehicle(rng: np.random.Generator, number: int, air_c: float) -> dict[str, float]:
    """One vehicle that gets hot in air of `air_c`: radiator sized for a climb, fan for traffic; parts whole."""
    lane = rigs._one(rng)
    lane["ac_declared"] = 1.0
    full_c = lane["stat_open_c"] + lane["stat_span_c"]
    climb_c, jam_c = full_c + rng.uniform(11.0, 19.0), full_c + rng.uniform(7.0, 14.0)
    lane |= dict.fromkeys(NAMES, 1.0)
    climb = _demand(lane, 0.06, np.full(90, 65.0), air_c)
    jam = _demand(lane, 0.0, np.tile(np.repeat([0.0, 16.0], 15), 6), air_c)
    size, blow = 1.0, 1.0
    for _ in range(2):  # fans help on the climb a little, the radiator helps in traffic: a few turns agree
        size = _pick([_scaled(lane, float(f), blow) for f in _SIZES], climb, climb_c, air_c)
        blow = _pick([_scaled(lane, size, float(f)) for f in _SIZES], jam, jam_c, air_c)
    return _scaled(lane, size, blow)


_SIZES = np.geomspace(0.4, 2.5, 16)


def _scaled(lane: dict[str, float], size: float, blow: float) -> dict[str, float]:
    scaled = {"ua_kw_k": lane["ua_kw_k"] * size, "face_m2": lane["face_m2"] * size, "fan_ms": lane["fan_ms"] * blow}
    return lane | scaled


def _pick(lanes: list[dict[str, float]], running: dict[str, float], target_c: float, air_c: float) -> float:
    """The size at which the plant settles at `target_c` when it runs so for 40 minutes."""
    rig, n = _rig(lanes), len(lanes)
    one = np.ones(n)
    mean = {name: value * one for name, value in running.items()}
    around = thermal.Drive(
        outside_c=air_c * one, air_kg_m3=1.08 * one, ac=one, fan_ok=one, air_ok=one, pump_ok=one, stat_most=one,
        leak_per_s=0.0 * one, **mean,
    )  # fmt: skip
    state = thermal.start(rig, air_c * one, one)
    for _ in range(120):
        state = thermal.step(rig, state, around, 20.0)
    return float(np.exp(np.interp(-target_c, np.maximum.accumulate(-state.coolant_c), np.log(_SIZES))))


def _demand(lane: dict[str, float], grade: float, wish_kmh: Array, air_c: float) -> dict[str, float]:
    """Mean fuel, load, rpm and speed of the vehicle under this wish, A/C on."""
    rig = _rig([lane])
    one = np.ones(1)
    speed, smooth = wish_kmh[:1].copy(), 0.0 * one
    seen = []
    for wish in wish_kmh:
        engine, smooth = driveline.move(
            rig, speed, wish * one, grade * one, 0.0 * one, 1.08 * one, 95.0 * one, air_c * one, one, smooth
        )
        speed = engine.speed_kmh
        seen.append((float(engine.fuel_kw[0]), float(engine.load[0]), float(engine.rpm[0]), float(speed[0])))
    fuel, load, rpm, kmh = np.mean(seen[30:], axis=0)
    return {"fuel_kw": fuel, "load": load, "rpm": rpm, "speed_kmh": kmh}


def profile(rng: np.random.Generator, lane: dict[str, float], number: int) -> VehicleProfile:
    """What the owner can type: engine, weight, fans there are, the number stamped on the thermostat."""
    typed = {
        "displacement_l": Figure(round(lane["displacement_l"], 1), 0.05, "typed"),
        "idle_rpm": Figure(lane["rpm_idle"], 20.0, "typed"),
        "mass_kg": Figure(lane["mass_kg"], 100.0, "typed"),
        "open_c": Figure(round(lane["stat_open_c"] + rng.normal(0.0, 1.0)), 1.5, "typed"),
        "electric_m_s" if lane["fan_kind"] == 2 else "fan_m_s_krpm": Figure(0.0, 0.0, "typed"),
    }
    return VehicleProfile(
        name=f"garage {number}",
        typed=typed,
        fuel=Fuel.DIESEL if lane["diesel"] else Fuel.PETROL,
        boosted=bool(lane["turbo"]),
    )


def changed(lane: dict[str, float], state: str, factor: float) -> dict[str, float]:
    """The vehicle with one part at `factor` of what it was."""
    return lane | {_STATES[state]: lane[_STATES[state]] * factor} if state else lane


def states_of(lane: dict[str, float]) -> tuple[str, ...]:
    """Faults this vehicle can have."""
    fan = "weak_electric_fan" if lane["fan_kind"] in _ELECTRIC else "slipping_fan_clutch"
    return fan, "clogged_condenser", "half_blocked_radiator", "low_pump_flow"


def _rig(lanes: list[dict[str, float]]) -> rigs.Rig:
    rig = rigs.Rig(**{f.name: np.array([lane[f.name] for lane in lanes]) for f in fields(rigs.Rig)})
    core = np.array([lane["core_ok"] for lane in lanes])
    return replace(rig, ua_kw_k=rig.ua_kw_k * core, face_m2=rig.face_m2 * core)


def shed_kw(lanes: list[dict[str, float]], at: Reference, coolant_c: float = COOLANT_C, air_c: float = AIR_C) -> Array:
    """Heat [kW] the radiator of each vehicle sheds at rest at the reference point, thermostat full open."""
    rig = _rig(lanes)
    part = {name: np.array([lane[name] for lane in lanes]) for name in NAMES}
    n = len(lanes)
    rpm = rig.rpm_idle if at.rpm is None else np.full(n, at.rpm)
    zero = np.zeros(n)
    density = AIR_KPA / (0.287053 * (air_c + 273.15))
    around = thermal.Drive(
        zero, zero, rpm, zero + at.speed_kmh, zero + air_c, zero + density, zero + at.ac_on,
        part["fan_ok"], part["air_ok"], part["pump_ok"], zero + 1.0, zero,
    )  # fmt: skip
    # The plant's own step with the coolant held and everything else let settle.
    state = thermal.start(rig, zero + air_c, zero + 1.0)
    state = replace(state, stat=zero + 1.0)
    for _ in range(40):
        state = replace(state, coolant_c=zero + coolant_c, stat=zero + 1.0)
        state = thermal.step(rig, state, around, 20.0)
    flow = rig.pump_kw_k * rpm / 3000.0 * part["pump_ok"] + 1e-4
    return np.asarray(flow * (coolant_c - state.cells_c[-1]))


def drive(lanes: list[dict[str, float]], trips: list[Trip], keys: list[tuple[int, ...]]) -> list[dict[str, Array]]:
    """Readings of every lane at 1 Hz: one rig and one trip a lane."""
    rig = _rig(lanes)
    rig = replace(rig, mass_kg=rig.mass_kg + np.array([t.load_kg for t in trips]))
    part = {name: np.array([lane[name] for lane in lanes]) for name in NAMES if name != "core_ok"}
    n, total = len(lanes), max(t.seconds for t in trips)
    grade = np.stack([t.grade for t in trips])
    wish, held, ac = (np.zeros((total, n)) for _ in range(3))
    for i, t in enumerate(trips):
        wish[: t.seconds, i], held[: t.seconds, i], ac[: t.seconds, i] = t.wish_kmh, t.held_rpm, t.ac
    base = np.array([t.outside_c for t in trips])
    lapse = np.array([t.lapse_c_per_m for t in trips])
    foot = np.array([t.height_m for t in trips])
    wind = np.array([t.wind_kmh for t in trips])
    state = thermal.start(rig, base, np.ones(n))
    speed, smooth, place, height = np.zeros(n), np.zeros(n), np.zeros(n), foot.copy()
    load_seen, intake, lane = np.zeros(n), base + 8.0, np.arange(n)
    names = ("coolant_c", "rpm", "speed_kmh", "load_pct", "maf_g_s", "map_kpa", "intake_air_c", "ambient_air_c",
             "baro_kpa", "height_m", "truth_c")  # fmt: skip
    log = {name: np.empty((total, n)) for name in names}
    idle = rig.rpm_idle
    for t in range(total):
        outside = base - lapse * (height - foot)
        baro, density = world.air_at(height, outside)
        at = np.minimum((place / STEP_M).astype(np.intp), POINTS - 1)
        here = grade[lane, at]
        # A right foot on the pedal with the lever in neutral is an engine that idles faster.
        now = replace(rig, rpm_idle=np.where(held[t] > 0.0, held[t], idle))
        engine, smooth = driveline.move(now, speed, wish[t], here, wind, density, baro, outside, ac[t], smooth)
        around = thermal.Drive(
            fuel_kw=engine.fuel_kw,
            load=engine.load,
            rpm=engine.rpm,
            speed_kmh=np.maximum(engine.speed_kmh + wind, 0.0) * (engine.speed_kmh > 1.0),
            outside_c=outside,
            air_kg_m3=density,
            ac=ac[t],
            stat_most=np.ones(n),
            leak_per_s=np.zeros(n),
            **part,
        )
        state = thermal.step(now, state, around)
        speed = engine.speed_kmh
        place, height = place + speed / 3.6, height + here * speed / 3.6
        load_seen = load_seen + (driveline.reported_load(rig, engine, density) - load_seen) / (1.0 + rig.load_lag_s)
        intake = intake + (outside + 4.0 + 22.0 * np.exp(-speed / 25.0) - intake) / 40.0
        values = (state.sensor_c, engine.rpm, speed, load_seen, engine.maf_g_s, engine.map_kpa, intake, outside, baro,
                  height, state.coolant_c)  # fmt: skip
        for name, value in zip(names, values, strict=True):
            log[name][t] = value
    history = SimpleNamespace(readings=log)
    out = []
    for i, (t, key) in enumerate(zip(trips, keys, strict=True)):
        told = forecast.readings(rig, history, i, t.seconds)  # type: ignore[arg-type]  # readings are all it takes
        rng = np.random.default_rng(key)
        drift = 3.0 * np.repeat(rng.standard_normal(t.seconds // 60 + 1), 60)[: t.seconds]
        told["altitude_m"] = np.round(log["height_m"][: t.seconds, i] + drift, 1)
        told["truth_c"] = log["truth_c"][: t.seconds, i].copy()
        out.append(told)
    return out
