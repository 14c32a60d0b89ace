"""Drives for the bench of trust: each broken drive with its healthy twin, and healthy drives without an oracle.

The twin is the same vehicle, road, weather and driver with nothing broken, so that what a fault did to the coolant is
known second by second, and a fault that did nothing is not counted as missed.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from livemon.sim import drive as sim
from livemon.sim import rigs as sim_rigs
from livemon.sim.faults import Break, Fault
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
_NO_ORACLE = Oracle(np.empty(0), np.empty(0), np.empty(0), {})


@dataclass(frozen=True)
class Broken:
    """A drive in which something breaks at `drive.fault_at_s`."""

    drive: Drive
    kind: str
    twin_c: Array
    """True coolant of the healthy twin [C], second by second."""
    regulated_c: float

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


Told = tuple[Array, dict[str, Array]]
"""True coolant [C] and readings of one drive."""


def _pair(
    plant: str, kind: str, number: int, sick: Told, well: Told, ac: Array | None, at_s: int, regulated_c: float
) -> Broken:
    limit = float(np.round(max(OWNER_C, well[0].max() + 3.0), 1))
    one = Drive(plant, "faults", "trust", number, kind, limit, *sick, ac, at_s, _NO_ORACLE)
    return Broken(one, kind, well[0], regulated_c)


@cache
def broken(plant: str, batches: int, seed: int) -> tuple[Broken, ...]:
    """All drives of so many batches in which something breaks before the end."""
    make = {"plant2": _plant2, "sim": _sim}[plant]
    return tuple(one for batch in range(batches) for one in make(batch, seed))


def _plant2(batch: int, seed: int) -> list[Broken]:
    numbers = range(batch * BATCH, (batch + 1) * BATCH)
    rngs = [np.random.default_rng([seed, 77, n]) for n in numbers]
    rig = plant2_rigs.draw(rngs)
    some = [roads.draw("faults", rng) for rng in rngs]
    sick, well = world.simulate(rig, some), world.simulate(rig, [replace(road, fault="") for road in some])
    out = []
    for i, (number, road) in enumerate(zip(numbers, some, strict=True)):
        n = road.seconds
        ac = (road.ac > 0).astype(float) if rig.ac_declared[i] > 0.5 else None
        pair = [(h.truth_c[:n, i].copy(), plant_two.readings(rig, h, i, n)) for h in (sick, well)]
        regulated = float(rig.stat_open_c[i] + rig.stat_span_c[i]) - 4.0
        out.append(_pair("plant2", road.fault, number, pair[0], pair[1], ac, road.fault_at_s, regulated))
    return out


def _sim(batch: int, seed: int) -> list[Broken]:
    """Two batches of three on the road, the third in a jam, where a fan is missed most."""
    first = batch * BATCH
    rigs = sim_rigs.draw(seed * 10 + 7, BATCH, "traffic" if batch % 3 == 2 else "faults", first=first)
    if batch % 3 == 2:
        rigs = [replace(rig, breaks=_in_jam(rig, first + i, seed)) for i, rig in enumerate(rigs)]
    _, sick = plant_sim._drive(rigs)
    _, well = plant_sim._drive([replace(rig, breaks=Break()) for rig in rigs])
    out = []
    for i, rig in enumerate(rigs):
        rng = np.random.default_rng([seed, 78, first + i])
        n = int(rng.uniform(20.0, 60.0) * 60)
        declared, names = rng.random() < 0.5, plant_sim._names(rng)
        if rig.breaks.at_s >= n - 300:
            continue
        pair = [
            (d.truth["coolant_c"][:n, i].copy(), {name: d.readings[name][:n, i].copy() for name in names})
            for d in (sick, well)
        ]
        ac = sick.truth["ac_on"][:n, i].copy() if declared else None
        regulated = float(rig.cooling.open_c + rig.cooling.full_span_c) - 4.0
        out.append(
            _pair("sim", rig.breaks.fault.value, first + i, pair[0], pair[1], ac, int(rig.breaks.at_s), regulated)
        )
    return out


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
