"""Drives for the bench of trust: each broken drive with its healthy twin, and healthy drives without an oracle.

The twin is the same vehicle, road, weather and driver with nothing broken, so that what a fault did to the coolant is
known second by second, and a fault that did nothing is not counted as missed.  Each vehicle has driven three other
roads before, sound, from which `learn` makes its profile (`learned`).  `ideal_s` says when somebody who knows the
vehicle to its last figure, but not this drive's heat, wind and air, could have told: nobody can do better.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from livemon.core.prior import DRIVE_AIR_C, DRIVE_HEAT, DRIVE_WIND_KMH
from livemon.core.vehicle import VehicleProfile
from livemon.sim import drive as sim
from livemon.sim import rigs as sim_rigs
from livemon.sim.faults import Break, Fault
from tests.bench import route_climbs
from tests.bench.forecast import drives, plant_sim, plant_two, roads
from tests.bench.forecast.drives import Drive, Oracle
from tests.plant2 import rig as plant2_rigs
from tests.plant2 import world

Array = NDArray[np.float64]
BATCH = 48
FELT_C = 3.0
"""A fault is felt once the coolant runs so far over the twin's [K] ..."""
DRY_C = 5.0
"""... or the sensor reads so far under the coolant [K]."""
MATTERS_C = 6.0
"""A fault that never drove the coolant so far over the twin's while hot, nor left the sensor dry, did not matter."""
OWNER_C = 108.0
"""The owner's limit in these drives: this, or 3 K over what the healthy twin reaches, if that is more."""
IDEAL_SPREADS = 4.0
IDEAL_SD_C = 0.4
"""A whole degree through a sensor of known lag ..."""
IDEAL_OFFSET_C = 0.5
"""... rounded or cut off."""
IDEAL_EVERY_S = 10
_NO_ORACLE = Oracle(np.empty(0), np.empty(0), np.empty(0), {})


@dataclass(frozen=True)
class Broken:
    """A drive in which something breaks at `drive.fault_at_s`."""

    drive: Drive
    kind: str
    twin: Drive
    """The same drive with nothing broken."""
    regulated_c: float
    sensed_c: Array
    """What a sensor without steps would read in the twin [C], second by second ..."""
    moved_c: Array
    """... and by how much more with one standard deviation more heat, wind and air (3, seconds)."""
    typed: VehicleProfile
    earlier: tuple[route_climbs.Told, ...]

    @property
    def twin_c(self) -> Array:
        """True coolant of the healthy twin [C], second by second."""
        return self.twin.truth_c

    @property
    def learned(self) -> VehicleProfile:
        """What `learn` makes of the earlier drives."""
        return route_climbs.taught(self.typed, self.earlier)

    @property
    def ideal_s(self) -> int | None:
        """First second at which nothing but a fault explains the reading to one who knows this vehicle exactly.

        Heat, wind and air of the drive are what a vehicle known to its last figure still leaves open (`core/prior`).
        They are fitted to the readings before the fault, of which also the second is known; then a reading
        IDEAL_SPREADS off what they allow tells.
        """
        at = self.drive.fault_at_s
        assert at is not None
        off = self.drive.readings["coolant_c"] - self.sensed_c
        may = np.vstack([self.moved_c, np.full(off.size, IDEAL_OFFSET_C)])
        before = may[:, :at:IDEAL_EVERY_S]
        cov = np.linalg.inv(np.eye(len(may)) + before @ before.T / IDEAL_SD_C**2)
        fitted = cov @ before @ off[:at:IDEAL_EVERY_S] / IDEAL_SD_C**2
        spread = np.sqrt(np.einsum("it,ij,jt->t", may, cov, may) + IDEAL_SD_C**2)
        told = np.abs(off - fitted @ may) >= IDEAL_SPREADS * spread
        told[:at] = False
        return int(np.flatnonzero(told)[0]) if told.any() else None

    @property
    def felt_s(self) -> int | None:
        """First second at which the fault is felt; None where it did not matter."""
        assert self.drive.fault_at_s is not None
        over = self.drive.truth_c - self.twin_c
        hot = self.drive.truth_c >= self.regulated_c + 8.0
        dry = self.drive.truth_c - self.drive.readings["coolant_c"] >= DRY_C
        falls = (over <= -MATTERS_C) & (self.drive.truth_c < self.regulated_c - 8.0)
        after = np.arange(over.size) >= self.drive.fault_at_s
        if not (((over >= MATTERS_C) & hot) | (dry & hot) | falls)[after].any():
            return None
        return int(np.flatnonzero(((over >= FELT_C) | (over <= -FELT_C) | (dry & hot)) & after)[0])

    @property
    def crossing_s(self) -> int | None:
        """First second at the owner's limit after the fault."""
        assert self.drive.fault_at_s is not None
        over = np.flatnonzero(self.drive.truth_c[self.drive.fault_at_s :] >= self.drive.limit_c)
        return self.drive.fault_at_s + int(over[0]) if over.size else None


@cache
def broken(plant: str, batches: int, seed: int) -> tuple[Broken, ...]:
    """All drives of so many batches in which something breaks before the end."""
    make = {"plant2": _plant2, "sim": _sim}[plant]
    return tuple(one for batch in range(batches) for one in make(batch, seed))


def _limit_c(well_c: Array) -> float:
    return float(np.round(max(OWNER_C, well_c.max() + 3.0), 1))


def _plant2(batch: int, seed: int) -> list[Broken]:
    numbers = range(batch * BATCH, (batch + 1) * BATCH)
    rngs = [np.random.default_rng([seed, 77, n]) for n in numbers]
    rig = plant2_rigs.draw(rngs)
    some = [roads.draw("faults", rng) for rng in rngs]
    sound = [replace(road, fault="") for road in some]
    sick, well = world.simulate(rig, some), world.simulate(rig, sound)
    hotter = replace(
        rig,
        heat_share=rig.heat_share * (1.0 + DRIVE_HEAT),
        heat_share_slope=rig.heat_share_slope * (1.0 + DRIVE_HEAT),
    )
    moved = [
        world.simulate(hotter, sound),
        world.simulate(rig, [replace(road, wind_kmh=road.wind_kmh + DRIVE_WIND_KMH) for road in sound]),
        world.simulate(rig, [replace(road, outside_c=road.outside_c + DRIVE_AIR_C) for road in sound]),
    ]
    earlier = _earlier(lambda k: _before_two(rig, k, numbers, seed))
    out = []
    for i, (number, road) in enumerate(zip(numbers, some, strict=True)):
        n = road.seconds
        ac = (road.ac > 0).astype(float) if rig.ac_declared[i] > 0.5 else None
        two = [(h.truth_c[:n, i].copy(), plant_two.readings(rig, h, i, n)) for h in (sick, well)]
        drive, twin = (
            Drive("plant2", "faults", "trust", number, road.fault, _limit_c(two[1][0]), *told, ac, at, _NO_ORACLE)
            for told, at in zip(two, (road.fault_at_s, None), strict=True)
        )
        sensed = well.readings["coolant_c"][:n, i].copy()
        more = np.stack([h.readings["coolant_c"][:n, i] - sensed for h in moved])
        regulated = float(rig.stat_open_c[i] + rig.stat_span_c[i]) - 4.0
        typed = route_climbs._typed_two(rig, i)
        out.append(Broken(drive, road.fault, twin, regulated, sensed, more, typed, earlier[i]))
    return out


def _earlier(one: Callable[[int], list[route_climbs.Told]]) -> list[tuple[route_climbs.Told, ...]]:
    """Of each vehicle its drives before, on each kind of road of ROADS."""
    return list(zip(*(one(k) for k in range(len(route_climbs.ROADS))), strict=True))


def _before_two(rig: plant2_rigs.Rig, k: int, numbers: range, seed: int) -> list[route_climbs.Told]:
    some = [roads.draw(route_climbs.ROADS[k], np.random.default_rng([seed, 80, k, n])) for n in numbers]
    history = world.simulate(rig, some)
    out = []
    for i, road in enumerate(some):
        n = min(road.seconds, route_climbs.EARLIER_S)
        ac = (road.ac[:n] > 0).astype(float) if rig.ac_declared[i] > 0.5 else None
        out.append(route_climbs.Told(plant_two.readings(rig, history, i, n), ac))
    return out


def _sim(batch: int, seed: int) -> list[Broken]:
    """Two batches of three on the road, the third in a jam, where a fan is missed most."""
    first = batch * BATCH
    rigs = sim_rigs.draw(seed * 10 + 7, BATCH, "traffic" if batch % 3 == 2 else "faults", first=first)
    if batch % 3 == 2:
        rigs = [replace(rig, breaks=_in_jam(rig, first + i, seed)) for i, rig in enumerate(rigs)]
    chosen = []
    for i in range(BATCH):
        rng = np.random.default_rng([seed, 78, first + i])
        chosen.append((int(rng.uniform(20.0, 60.0) * 60), rng.random() < 0.5, plant_sim._names(rng)))
    sound = [replace(rig, breaks=Break()) for rig in rigs]
    sick, well = sim.run(rigs, plant_sim.SECONDS), sim.run(sound, plant_sim.SECONDS)
    moved = [
        sim.run([change(rig) for rig in sound], plant_sim.SECONDS).truth["sensed_c"]
        for change in (_hotter, _windier, _warmer)
    ]
    earlier = _earlier(lambda k: _before_sim(sound, k, first, chosen, seed))
    out = []
    for i, (rig, (n, declared, names)) in enumerate(zip(rigs, chosen, strict=True)):
        if rig.breaks.at_s >= n - 300:
            continue
        two = [
            (d.truth["coolant_c"][:n, i].copy(), {name: d.readings[name][:n, i].copy() for name in names})
            for d in (sick, well)
        ]
        ac = sick.truth["ac_on"][:n, i].copy() if declared else None
        kind, limit = rig.breaks.fault.value, _limit_c(two[1][0])
        drive, twin = (
            Drive("sim", "faults", "trust", first + i, kind, limit, *told, ac, at, _NO_ORACLE)
            for told, at in zip(two, (int(rig.breaks.at_s), None), strict=True)
        )
        sensed = well.truth["sensed_c"][:n, i].copy()
        more = np.stack([values[:n, i] - sensed for values in moved])
        regulated = float(rig.cooling.open_c + rig.cooling.full_span_c) - 4.0
        typed = route_climbs._typed_sim(rig)
        out.append(Broken(drive, kind, twin, regulated, sensed, more, typed, earlier[i]))
    return out


def _hotter(rig: sim.Rig) -> sim.Rig:
    engine = rig.engine
    more = 1.0 + DRIVE_HEAT
    return replace(
        rig,
        engine=replace(
            engine,
            coolant_share=engine.coolant_share * more,
            coolant_share_slope=engine.coolant_share_slope * more,
        ),
    )


def _windier(rig: sim.Rig) -> sim.Rig:
    return replace(rig, headwind_kmh=rig.headwind_kmh + DRIVE_WIND_KMH)


def _warmer(rig: sim.Rig) -> sim.Rig:
    return replace(rig, air_foot_c=rig.air_foot_c + DRIVE_AIR_C)


def _before_sim(
    sound: list[sim.Rig], k: int, first: int, chosen: list[tuple[int, bool, list[str]]], seed: int
) -> list[route_climbs.Told]:
    kind = route_climbs.ROADS[k]
    rngs = [np.random.default_rng([seed, 80, k, first + i]) for i in range(len(sound))]
    some = [route_climbs._elsewhere(rig, kind, rng) for rig, rng in zip(sound, rngs, strict=True)]
    done = sim.run(some, route_climbs.EARLIER_S)
    return [
        route_climbs.Told(
            {name: done.readings[name][:, i].copy() for name in names},
            done.truth["ac_on"][:, i].copy() if declared else None,
        )
        for i, (_, declared, names) in enumerate(chosen)
    ]


def _in_jam(rig: sim.Rig, number: int, seed: int) -> Break:
    """A fan that dies some minutes into the jam; some are thermostats that stay open instead."""
    rng = np.random.default_rng([seed, 79, number])
    assert rig.driver.jam is not None
    at = float(rig.driver.jam[0] + rng.uniform(120.0, 700.0))
    over, size = float(rng.uniform(1.0, 60.0)), float(rng.uniform(0.7, 1.0))
    if number % 4 == 3:
        return Break(Fault.THERMOSTAT_STUCK_OPEN, float(rng.uniform(240.0, 1000.0)), over, size)
    driven = rig.cooling.fan_m_s_krpm > 0.0
    return Break(Fault.FAN_CLUTCH_SLIPS if driven and number % 4 else Fault.ELECTRIC_FAN_DEAD, at, over, size)


@cache
def healthy(plant: str, kind: str, count: int, seed: int) -> tuple[Drive, ...]:
    """`count` healthy drives of each family, the same as those of the forecast's benchmark, without their oracle."""
    module = importlib.import_module(drives._MODULES[plant])
    out: list[Drive] = []
    for family in ("steady", "irregular", "rolling", "traffic"):
        tag = [drives.PLANTS.index(plant), roads.FAMILIES.index(family), drives.KINDS.index(kind)]
        kept: list[Drive] = []
        for batch in range(drives._MOST_BATCHES):
            numbers = range(batch * BATCH, (batch + 1) * BATCH)
            rngs = [np.random.default_rng([seed, *tag, n]) for n in numbers]
            for run, n in zip(module.run(family, rngs, numbers, seed * 10 + tag[2]), numbers, strict=True):
                limit = drives._limit(run, kind, np.random.default_rng([seed, *tag, n, 1]))
                if limit is not None and len(kept) < count:
                    what = run.truth_c, run.readings, run.ac, None, _NO_ORACLE
                    kept.append(Drive(plant, family, kind, n, run.label, limit, *what))
            if len(kept) >= count:
                break
        out += kept
    return tuple(out)
