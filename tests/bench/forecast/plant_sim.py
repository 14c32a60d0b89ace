"""The plant of `livemon/sim` as the benchmark sees it, with its state kept so that the oracle can drive on."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livemon.core import heat
from livemon.core.radiator import Demand, Surroundings
from livemon.core.vehicle import take
from livemon.sim import drive as sim
from livemon.sim import rigs as sim_rigs
from livemon.sim.faults import BrokenCooling, Fault, Progress
from tests.bench.forecast import drives

Array = NDArray[np.float64]
SOURCES = (
    "tests.bench.forecast.plant_sim",
    *(f"livemon.sim.{name}" for name in ("drive", "driver", "faults", "rigs", "road", "sensors", "vehicle")),
    *(f"livemon.core.{name}" for name in ("air", "coolant", "engine", "figures", "heat", "radiator", "traction")),
    "livemon.core.vehicle",
)
SECONDS = 3600
STEP_S = 2.0
"""Step of the oracle's own run ahead: the plant's steps are implicit, so two seconds cost one second of delay."""


@dataclass
class _Kept:
    """The whole batch over time; nodes at the end of each GRID_S."""

    world: Any
    nodes: list[heat.Nodes]
    demand: dict[str, Array]  # (SECONDS, rigs)
    around: dict[str, Array]
    boiling_c: Array


def run(family: str, rngs: list[np.random.Generator], numbers: range, seed: int) -> list[drives.Run]:
    """One run a number; `rngs` choose length and signals."""
    return runs(sim_rigs.draw(seed, len(numbers), family, first=numbers.start), rngs, family)


def runs(rigs: list[sim.Rig], rngs: list[np.random.Generator], family: str) -> list[drives.Run]:
    """One run a rig; `rngs` choose length and signals."""
    kept, result = _drive(rigs)
    out: list[drives.Run] = []
    for i, (rig, rng) in enumerate(zip(rigs, rngs, strict=True)):
        n = int(rng.uniform(20.0, 60.0) * 60)
        broken = rig.breaks.fault is not Fault.NONE and rig.breaks.at_s < n
        declared = rng.random() < 0.5
        names = _names(rng)
        out.append(
            drives.Run(
                truth_c=result.truth["coolant_c"][:n, i].copy(),
                readings={name: result.readings[name][:n, i].copy() for name in names},
                regulated_c=float(rig.cooling.open_c + rig.cooling.full_span_c) - 4.0,
                label=rig.breaks.fault.value if broken else family,
                fault_at_s=int(rig.breaks.at_s) if broken else None,
                ac=result.truth["ac_on"][:n, i].copy() if declared else None,
                drive_on=partial(_drive_on, kept, i, n),
            )
        )
    return out


def _names(rng: np.random.Generator) -> list[str]:
    names = ["coolant_c", "rpm", "speed_kmh", "load_pct", "intake_air_c"]
    names += [[], ["maf_g_s"], ["map_kpa"]][int(rng.integers(3))]
    names += ["ambient_air_c"] if rng.random() < 0.4 else []
    return names + (["baro_kpa"] if rng.random() < 0.4 else [])


def _drive(rigs: list[sim.Rig]) -> tuple[_Kept, sim.Drives]:
    world = sim._World(rigs, SECONDS)
    names = [f.name for f in fields(Demand)]
    demand = {name: np.zeros((SECONDS, len(rigs))) for name in names}
    around = {f.name: np.zeros((SECONDS, len(rigs))) for f in fields(Surroundings)}
    boiling = np.zeros((SECONDS, len(rigs)))
    nodes: list[heat.Nodes] = []
    for k in range(SECONDS):
        world.step(k, 1.0)
        world.record(k)
        assert world.doing is not None
        for name in names:
            demand[name][k] = getattr(world.doing.demand, name)
        near = sim.surroundings(np.asarray(world.air_kpa), np.asarray(world.air_c), world.wind)
        for name in around:
            around[name][k] = getattr(near, name)
        boiling[k] = world.boiling
        if k % drives.GRID_S == drives.GRID_S - 1:
            nodes.append(world.nodes)
    return _Kept(world, nodes, demand, around, boiling), world.drives()


def _drive_on(kept: _Kept, lane: int, seconds: int) -> Array:
    """(starts, FORESEE_S): the same plant and state, demand and air of the last minute; a leak that runs goes on."""
    ends = np.arange(1, seconds // drives.GRID_S + 1) * drives.GRID_S
    starts = len(ends)

    def frozen(values: Array) -> Array:
        return np.array([values[max(e - 60, 0) : e, lane].mean() for e in ends])

    demand = Demand(**{name: frozen(values) for name, values in kept.demand.items()})
    around = Surroundings(**{name: frozen(values) for name, values in kept.around.items()})
    state = heat.Nodes(
        *(np.array([np.asarray(getattr(n, f))[lane] for n in kept.nodes[:starts]]) for f in heat.Nodes.__slots__)
    )
    same = np.full(starts, lane)
    healthy = take(kept.world.broken._healthy, same)
    faults: Progress = kept.world.faults
    begun = np.where(ends > faults.at_s[lane], faults.at_s[lane], np.inf)
    one = Progress((faults.kind[lane],) * starts, begun, faults.over_s[same], faults.severity[same])
    broken = BrokenCooling(healthy, one)
    boiling = kept.boiling_c[ends - 1, lane]
    out = np.empty((starts, drives.FORESEE_S))
    cooling = broken.at(ends)  # type: ignore[arg-type]  # elementwise over the starts
    for t in range(0, drives.FORESEE_S, int(STEP_S)):
        if t % 20 == 0:
            cooling = broken.at(ends + t)  # type: ignore[arg-type]  # elementwise over the starts
        before = np.asarray(state.coolant_c)
        after = heat.advance(state, demand, around, cooling, STEP_S)
        boiled = np.minimum(after.coolant_c, boiling)
        state = heat.Nodes(after.metal_c, boiled, after.radiator_c, after.opening, after.clutch, after.electric)
        out[:, t] = 0.5 * (before + boiled)
        out[:, t + 1] = boiled
    return out
