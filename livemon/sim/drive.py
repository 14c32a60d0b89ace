"""Runs made-up drives, many at once, and gives what a scan tool would read beside the truth.

One loop over seconds for the whole batch; every random number comes from generators seeded by (seed, number
of the rig), so a rig drives the same whether alone or in a batch.  It does not judge forecasts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from livemon.core import heat
from livemon.core.air import Array, air_c_at, held, standard_pressure_kpa
from livemon.core.coolant import boiling_c
from livemon.core.events import Event, Link, Mark
from livemon.core.vehicle import Body, Cooling, Engine
from livemon.sim import sensors
from livemon.sim.driver import Driver, wished_kmh
from livemon.sim.faults import DRY_SHARE, Break, BrokenCooling, Fault, Progress
from livemon.sim.road import Road, stack
from livemon.sim.sensors import FULL, Polling, SensorFigures
from livemon.sim.vehicle import Doing, Motion, drive_second, heat_second, side_by_side, surroundings

METRES_PER_DEGREE = 110_574.0  # of latitude at the equator, WGS 84
# fmt: off
TRUTHS = (
    "coolant_c", "metal_c", "radiator_c", "sensed_c", "opening", "clutch", "electric", "heat_kw", "engine_kw", "rpm",
    "speed_kmh", "gear", "grade_pct", "height_m", "distance_m", "air_c", "air_kpa", "boiling_c", "ac_on",
    "coolant_share",
)
# fmt: on


@dataclass(frozen=True, slots=True)
class Rig:
    """One vehicle, road, driver, weather, set of sensors and fault; `key` seeds everything random on its
    drive.
    """

    name: str
    key: tuple[int, ...]
    body: Body
    engine: Engine
    cooling: Cooling
    road: Road
    driver: Driver
    air_foot_c: float
    lapse_c_km: float = 6.5
    headwind_kmh: float = 0.0
    pressure_error_kpa: float = 0.0
    sensor: SensorFigures = field(default_factory=SensorFigures)
    breaks: Break = field(default_factory=Break)
    start_c: float | None = None
    """Coolant at the start; `None` = cold, at the temperature of the air."""


@dataclass(frozen=True, slots=True)
class Drives:
    """What happened: truth[name] and readings[name] of shape (seconds, rigs); row k is the state at second
    k.
    """

    rigs: tuple[Rig, ...]
    truth: dict[str, Array]
    readings: dict[str, Array]

    @property
    def seconds(self) -> int:
        return len(self.truth["coolant_c"])

    def truth_of(self, rig: int) -> dict[str, Array]:
        """True course of one rig, by name."""
        return {name: values[:, rig] for name, values in self.truth.items()}

    def readings_of(self, rig: int) -> dict[str, Array]:
        """Readings of one rig at each second, quantised, by the names of `core/events.SIGNALS`."""
        return {name: values[:, rig] for name, values in self.readings.items()}

    def values_at(self, rig: int, time_s: float) -> dict[str, float]:
        """What the sensors of one rig say at `time_s` (the last second is held past the end): for an adapter or a
        bus.
        """
        k = min(max(int(time_s), 0), self.seconds - 1)
        now = {name: float(values[k, rig]) for name, values in self.readings.items()}
        return {name: value for name, value in now.items() if value == value}

    def events(self, rig: int, polling: Polling = FULL, declare: bool = True) -> Iterator[Event]:
        """What the core would be given: link up, samples, A/C declared when it changes (unless `declare` is
        false).
        """
        yield Link(0, True)
        ac_on = self.truth["ac_on"][:, rig]
        marks = [k for k in range(self.seconds) if k == 0 or ac_on[k] != ac_on[k - 1]] if declare else []
        due = iter([*marks, self.seconds + 1])
        at = next(due)
        for sample in sensors.samples(self.readings_of(rig), polling):
            while at * 1000 <= sample.t_ms:
                yield Mark(at * 1000, (("ac_on", bool(ac_on[at])),))
                at = next(due)
            yield sample


def run(rigs: Sequence[Rig], seconds: int, dt_s: float = 1.0) -> Drives:
    """Drives every rig for `seconds`; `dt_s` divides 1 s for finer steps inside (0.5, 0.25, ...)."""
    world = _World(rigs, seconds)
    inner = max(1, round(1.0 / dt_s))
    for k in range(seconds):
        for _ in range(inner):
            world.step(k, 1.0 / inner)
        world.record(k)
    return world.drives()


class _World:
    """The batch in motion; private to `run`."""

    def __init__(self, rigs: Sequence[Rig], seconds: int) -> None:
        self.rigs = tuple(rigs)
        self.seconds = seconds
        count = len(self.rigs)
        self.body = side_by_side([r.body for r in self.rigs])
        self.engine = side_by_side([r.engine for r in self.rigs])
        self.faults = Progress.of([r.breaks for r in self.rigs])
        self.broken = BrokenCooling(side_by_side([r.cooling for r in self.rigs]), self.faults)
        self.cooling = self.broken.at(0.0)
        self.roads = stack([r.road for r in self.rigs])
        self.random = [np.random.default_rng(r.key) for r in self.rigs]
        wishes = [wished_kmh(r.driver, seconds, g) for r, g in zip(self.rigs, self.random, strict=True)]
        self.wish = np.array(wishes).T
        self.lever = self._each(lambda r: min(r.driver.lever, len(r.body.gear_ratios)))
        self.ac = self._each(lambda r: float(r.driver.ac_on))
        self.ac_off_m = self._each(lambda r: r.driver.ac_off_m)
        self.heater = self._each(lambda r: float(r.driver.heater_on))
        self.still = np.zeros(count)
        self.foot_c = self._each(lambda r: r.air_foot_c)
        self.lapse = self._each(lambda r: r.lapse_c_km)
        self.wind = self._each(lambda r: r.headwind_kmh)
        self.pressure_error = self._each(lambda r: r.pressure_error_kpa)
        self.lag_s = self._each(lambda r: r.sensor.coolant_lag_s)
        self.foot_m = self.roads.height_m[:, 0]
        start = self._each(lambda r: r.air_foot_c if r.start_c is None else r.start_c)
        cold = self._each(lambda r: float(r.start_c is None))
        warm = heat.regulated(start, self.foot_c, self.still + 15.0, self.cooling)
        fresh = heat.cold(self.foot_c, self.cooling)
        self.nodes = heat.Nodes(
            *(np.where(cold > 0, getattr(fresh, f), getattr(warm, f)) for f in heat.Nodes.__slots__)
        )
        self.sensed = np.array(self.nodes.coolant_c)
        first = np.where(self.wish[0] > 20, np.minimum(self.wish[0], 60.0), 0.0)
        gears = np.minimum(self.lever, 3.0)
        self.motion = Motion(self.still.copy(), first, np.where(first > 0, gears, 1.0), self.still + 10.0)
        self.doing: Doing | None = None
        self.coolant_share = self.broken.coolant_share(0.0)
        self._log: dict[str, Array] = {name: np.empty((seconds, count)) for name in TRUTHS}
        self._log |= {name: np.empty((seconds, count)) for name in ("air_g_s", "full_air_g_s", "throttle")}

    def _each(self, figure: Any) -> Array:
        return np.array([figure(r) for r in self.rigs], dtype=np.float64)

    def step(self, second: int, dt_s: float) -> None:
        self.height, self.grade, curve = self.roads.at(self.motion.distance_m)
        self.air_kpa = standard_pressure_kpa(self.height) + self.pressure_error
        self.air_c = air_c_at(self.height, self.foot_c, self.foot_m, self.lapse)
        around = surroundings(np.asarray(self.air_kpa), np.asarray(self.air_c), self.wind)
        self.cooling = self.broken.at(float(second))
        self.coolant_share = self.broken.coolant_share(float(second))
        self.ac_now = np.where(self.motion.distance_m < self.ac_off_m, self.ac, 0.0)
        wish = np.minimum(self.wish[second], curve)
        self.motion, self.doing = drive_second(
            self.body,
            self.engine,
            self.cooling,
            self.motion,
            self.nodes,
            wish,
            self.grade,
            np.asarray(self.air_kpa),
            around,
            self.lever,
            self.ac_now,
            self.heater,
            self.still,
            dt_s,
        )
        if second % 30 == 0:  # the boiling point moves with height only
            self.boiling = boiling_c(self.air_kpa, self.cooling.cap_kpa, self.cooling.glycol_share)
        self.nodes = heat_second(self.nodes, self.doing.demand, around, self.cooling, np.asarray(self.boiling), dt_s)
        # With the coolant low the sensor hangs in steam and air: it reads toward the air, not the metal.
        dry = held((DRY_SHARE - self.coolant_share) / 0.15, 0.0, 1.0)
        target = self.nodes.coolant_c - 0.35 * dry * (self.nodes.coolant_c - self.air_c)
        self.sensed = np.asarray(heat.lag(self.sensed, target, dt_s, self.lag_s * (1.0 + 2.0 * dry)))

    def record(self, k: int) -> None:
        assert self.doing is not None
        log, demand = self._log, self.doing.demand
        for name in ("coolant_c", "metal_c", "radiator_c", "opening", "clutch", "electric"):
            log[name][k] = getattr(self.nodes, name)
        for name in ("heat_kw", "rpm", "speed_kmh"):
            log[name][k] = getattr(demand, name)
        log["sensed_c"][k] = self.sensed
        log["engine_kw"][k] = self.doing.engine_kw
        log["gear"][k] = self.motion.gear
        log["grade_pct"][k], log["height_m"][k] = self.grade, self.height
        log["distance_m"][k] = self.motion.distance_m
        log["air_c"][k], log["air_kpa"][k] = self.air_c, self.air_kpa
        log["boiling_c"][k], log["ac_on"][k] = self.boiling, self.ac_now
        log["coolant_share"][k] = self.coolant_share
        log["air_g_s"][k], log["full_air_g_s"][k] = self.doing.air_g_s, self.doing.full_air_g_s
        log["throttle"][k] = self.doing.throttle_share

    def drives(self) -> Drives:
        readings = _readings(self)
        truth = {name: self._log[name] for name in TRUTHS}
        return Drives(self.rigs, truth, readings)


def _readings(world: _World) -> dict[str, Array]:
    """Sensors of the whole batch: errors of each, noise, quantising, sensor faults."""
    log, rigs, seconds = world._log, world.rigs, world.seconds

    def noise() -> Array:
        return np.array([g.standard_normal(seconds) for g in world.random]).T

    def each(name: str) -> Array:
        return np.array([float(getattr(r.sensor, name)) for r in rigs])

    rpm = np.maximum(log["rpm"] + each("rpm_noise") * noise(), 0.0)
    maf = log["air_g_s"] * (1.0 + each("maf_error") + each("maf_noise") * noise())
    soaked = log["air_c"] + each("intake_soak_c") / (1.0 + log["speed_kmh"] / 25.0)
    intake = _slow(soaked, 60.0)
    load = 100.0 * log["air_g_s"] / log["full_air_g_s"] * (1.0 + each("load_error")) + each("load_noise_pct") * noise()
    size = np.asarray(world.engine.displacement_l)
    filled = np.asarray(world.engine.volumetric_efficiency) * size * log["rpm"] / 120.0
    density = log["air_g_s"] / np.maximum(filled, 1e-9)
    manifold = np.minimum(density * 0.28705287 * (intake + 273.15), log["air_kpa"] - 1.0)
    absolute = 100.0 * log["air_g_s"] / (1.184 * size * np.maximum(log["rpm"], 1.0) / 120.0)
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
    readings = {name: sensors.quantised(name, value) for name, value in raw.items()}
    clock = np.arange(float(seconds))[:, None]
    warm = np.array([0.0 if r.start_c is None else 900.0 for r in rigs])
    readings["run_time_s"] = clock + warm
    readings["voltage_v"] = np.round(14.1 - 0.15 * log["electric"] + 0.02 * noise(), 3)
    closed = np.where(log["sensed_c"] < 50.0, 1.0, 2.0)
    readings["fuel_status"] = np.where((load > 92.0) | (log["engine_kw"] <= 0.0), 4.0, closed)
    coolant = log["sensed_c"] + each("coolant_noise_c") * noise()
    readings["coolant_c"] = np.where(each("coolant_floor") > 0, np.floor(coolant), np.floor(coolant + 0.5))
    _break_sensors(world, readings)
    # Positions lie on one meridian in mid-ocean, so that no real place is meant.
    white = noise()
    white[0] /= 60.0**0.5
    drift: Array = 3.0 * 60.0**0.5 * _slow(white, 30.0)
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


def _break_sensors(world: _World, readings: dict[str, Array]) -> None:
    """Sensor faults, in place on the coolant reading."""
    coolant = readings["coolant_c"]
    for i, rig in enumerate(world.rigs):
        fault, at = rig.breaks.fault, rig.breaks.at_s
        if not at < world.seconds:
            continue
        k = int(max(at, 0.0))
        if fault is Fault.SENSOR_STUCK:
            coolant[k:, i] = coolant[k, i]
        elif fault is Fault.SENSOR_OPEN:
            coolant[k:, i] = -40.0
        elif fault is Fault.SENSOR_SHORT:
            coolant[k:, i] = 215.0
        elif fault is Fault.SENSOR_JUMPS:
            wild = world.random[i].random(world.seconds - k) < 0.12
            jump = np.round(world.random[i].uniform(-30.0, 30.0, world.seconds - k))
            coolant[k:, i] = np.clip(coolant[k:, i] + np.where(wild, jump, 0.0), -40.0, 215.0)
        elif fault is Fault.SECOND_ECU_DIFFERS:
            second = np.full(coolant.shape, np.nan) if "coolant2_c" not in readings else readings["coolant2_c"]
            second[:, i] = coolant[:, i]
            second[k:, i] += np.round(12.0 * rig.breaks.severity)
            readings["coolant2_c"] = second
