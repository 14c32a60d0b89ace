"""Runs made-up drives, many at once, and gives what a scan tool would read beside the truth.

One loop over seconds for the whole batch; every random number comes from generators seeded by (seed, number of the
rig), so a rig drives the same whether alone or in a batch.  It does not judge forecasts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from livemon.core import heat
from livemon.core.air import LAPSE_C_KM, Array, air_c_at, held, standard_pressure_kpa
from livemon.core.coolant import boiling_c
from livemon.core.events import Event, Link, Mark
from livemon.core.vehicle import Body, Cooling, Engine
from livemon.sim import sensors
from livemon.sim.driver import Driver, wished_kmh
from livemon.sim.faults import DRY_SHARE, Break, BrokenCooling, Progress
from livemon.sim.readings import break_sensor, located, told
from livemon.sim.road import Road, stack
from livemon.sim.sensors import FULL, Polling, SensorFigures
from livemon.sim.vehicle import Doing, Motion, drive_second, heat_second, side_by_side, surroundings

WARM_FOR_S = 900.0
"""A rig that starts warm has run this long."""
# fmt: off
TRUTHS = (
    "coolant_c", "metal_c", "radiator_c", "sensed_c", "opening", "clutch", "electric", "heat_kw", "fuel_kw",
    "engine_kw", "rpm", "speed_kmh", "gear", "grade_pct", "height_m", "distance_m", "air_c", "air_kpa", "boiling_c",
    "ac_on", "coolant_share",
)
# fmt: on


@dataclass(frozen=True, slots=True)
class Rig:
    """One vehicle, road, driver, weather, set of sensors and fault; `key` seeds everything random on its drive."""

    name: str
    key: tuple[int, ...]
    body: Body
    engine: Engine
    cooling: Cooling
    road: Road
    driver: Driver
    air_foot_c: float
    lapse_c_km: float = LAPSE_C_KM
    headwind_kmh: float = 0.0
    pressure_error_kpa: float = 0.0
    sensor: SensorFigures = field(default_factory=SensorFigures)
    breaks: Break = field(default_factory=Break)
    start_c: float | None = None
    """Coolant at the start; `None` = cold, at the temperature of the air."""


@dataclass(frozen=True, slots=True)
class Drives:
    """What happened: truth[name] and readings[name] of shape (seconds, rigs); row k is the state at second k."""

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
        """What the sensors of one rig say at `time_s` (past the end: at the last second), for an adapter or a bus."""
        k = min(max(int(time_s), 0), self.seconds - 1)
        now = {name: float(values[k, rig]) for name, values in self.readings.items()}
        return {name: value for name, value in now.items() if value == value}

    def events(self, rig: int, polling: Polling = FULL, declare: bool = True) -> Iterator[Event]:
        """What the core would be given: link up, samples, A/C declared when it changes (unless `declare` is false)."""
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
        either = zip(fresh.figures(), warm.figures(), strict=True)
        self.nodes = heat.Nodes(*(np.where(cold > 0, a, b) for a, b in either))
        self.sensed = np.array(self.nodes.coolant_c)
        first = np.where(self.wish[0] > 20, np.minimum(self.wish[0], 60.0), 0.0)
        gears = np.minimum(self.lever, 3.0)
        self.motion = Motion(self.still.copy(), first, np.where(first > 0, gears, 1.0), self.still + 10.0)
        self.doing: Doing  # set by the first step
        self.coolant_share = self.broken.coolant_share(0.0)
        self._log: dict[str, Array] = {name: np.empty((seconds, count)) for name in TRUTHS}
        self._log |= {name: np.empty((seconds, count)) for name in ("air_g_s", "load_pct", "throttle")}

    def _each(self, figure: Callable[[Rig], float]) -> Array:
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
        log, demand = self._log, self.doing.demand
        for name in ("coolant_c", "metal_c", "radiator_c", "opening", "clutch", "electric"):
            log[name][k] = getattr(self.nodes, name)
        for name in ("heat_kw", "rpm", "speed_kmh"):
            log[name][k] = getattr(demand, name)
        log["sensed_c"][k] = self.sensed
        log["engine_kw"][k], log["fuel_kw"][k] = self.doing.engine_kw, self.doing.fuel_kw
        log["gear"][k] = self.motion.gear
        log["grade_pct"][k], log["height_m"][k] = self.grade, self.height
        log["distance_m"][k] = self.motion.distance_m
        log["air_c"][k], log["air_kpa"][k] = self.air_c, self.air_kpa
        log["boiling_c"][k], log["ac_on"][k] = self.boiling, self.ac_now
        log["coolant_share"][k] = self.coolant_share
        log["air_g_s"][k], log["load_pct"][k] = self.doing.air_g_s, self.doing.load_pct
        log["throttle"][k] = self.doing.throttle_share

    def drives(self) -> Drives:
        figures = [r.sensor for r in self.rigs]
        warm_s = self._each(lambda r: 0.0 if r.start_c is None else WARM_FOR_S)
        readings = told(self._log, self.engine, figures, warm_s, self.random)
        break_sensor(readings, [r.breaks for r in self.rigs], self.random)
        readings |= located(self._log, self.random)
        truth = {name: self._log[name] for name in TRUTHS}
        return Drives(self.rigs, truth, readings)
