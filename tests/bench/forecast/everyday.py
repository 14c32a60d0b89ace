"""Everyday drives for `learn`: sound cooling held by its thermostat, most of them from cold, in town and on motorways.

The five families of the benchmark make vehicles that get hot.  Most driving is not like that, and a table that never
saw a warm-up or an hour of regulation expects too much of both.  Rigs are drawn from the same plants, then made lighter
and cooler.  Nothing here is used by the benchmark, so a table that learned from it is judged on other drives.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from livemon.sim import rigs as sim_rigs
from livemon.sim import road as sim_roads
from livemon.sim.drive import Rig as SimRig
from tests.bench.forecast import drives, plant_sim, plant_two, roads
from tests.bench.forecast.drives import Array
from tests.plant2 import rig as second
from tests.plant2 import world

FAMILY = "everyday"
COLD = 0.75
"""Share of drives that start at the temperature of the air."""
KINDS = {
    "town": (0.35, (25.0, 55.0), 0.02, 50.0),
    "country": (0.25, (60.0, 95.0), 0.004, 50.0),
    "motorway": (0.15, (95.0, 140.0), 0.0, 0.0),
    "jam": (0.25, (8.0, 30.0), 0.06, 120.0),
}
"""Share, wished speed [km/h], chance of a stop in each second, longest stop [s]."""
MIXED = 3.0
"""How alike the mixes of the drivers are: small = one spends all day in town, the next on the motorway."""


@dataclass(frozen=True)
class _Leg:
    kmh: float
    stops: float
    stand_s: float
    seconds: int


def run(plant: str, rngs: list[np.random.Generator], numbers: range, seed: int) -> list[drives.Run]:
    """One everyday run a generator, on the plant of that name."""
    return _second(rngs) if plant == "plant2" else _sim(rngs, numbers, seed)


def _legs(rng: np.random.Generator, seconds: int) -> list[_Leg]:
    """Legs of town, country, motorway and jam that fill the drive; every driver has a mix of their own."""
    names = list(KINDS)
    share = rng.dirichlet([MIXED * KINDS[name][0] for name in names])
    legs: list[_Leg] = []
    left = seconds
    while left > 0:
        _, (low, high), stops, stand_s = KINDS[str(rng.choice(names, p=share))]
        leg = _Leg(rng.uniform(low, high), stops * rng.uniform(0.5, 1.5), stand_s, int(rng.uniform(2.0, 15.0) * 60.0))
        legs.append(leg)
        left -= leg.seconds
    return legs


def _weather(rng: np.random.Generator) -> float:
    return float(rng.uniform(-8.0, 36.0))


def _second(rngs: list[np.random.Generator]) -> list[drives.Run]:
    rig = second.draw(rngs)

    def each(low: float, high: float) -> Array:
        return np.array([rng.uniform(low, high) for rng in rngs])

    shrunk = each(0.5, 1.0)
    electric = np.array([float(rng.random() < 0.75) for rng in rngs])
    rig = replace(
        rig,
        mass_kg=rig.mass_kg * each(0.5, 0.9),
        cda_m2=rig.cda_m2 * each(0.45, 0.9),
        ua_kw_k=rig.ua_kw_k * each(1.1, 2.4),
        stat_leak=rig.stat_leak + each(0.0, 0.015),  # bleed, and a heater core that is in use
        heat_share=rig.heat_share + each(0.0, 0.10),
        skin_kw_k=rig.skin_kw_k * each(0.2, 0.9),
        metal_kj_k=rig.metal_kj_k * shrunk,
        coolant_kj_k=rig.coolant_kj_k * shrunk,
        oil_kj_k=rig.oil_kj_k * shrunk,
        fan_kind=np.where(electric > 0, np.minimum(rig.fan_kind, 1.0), rig.fan_kind),
        fan_on_c=np.where((electric > 0) & (rig.fan_kind > 1.5), rig.stat_open_c + each(8.0, 15.0), rig.fan_on_c),
        fan_full_c=np.where((electric > 0) & (rig.fan_kind > 1.5), rig.stat_open_c + each(17.0, 24.0), rig.fan_full_c),
    )
    some = [_road(rng) for rng in rngs]
    history = world.simulate(rig, some)
    regulated = rig.stat_open_c + rig.stat_span_c
    return [
        drives.Run(
            truth_c=history.truth_c[: road.seconds, i].copy(),
            readings=plant_two.readings(rig, history, i, road.seconds),
            regulated_c=float(regulated[i]) - 4.0,
            label=f"{FAMILY}, {'warm' if road.warm else 'cold'}",
            fault_at_s=None,
            ac=(road.ac > 0).astype(float) if rig.ac_declared[i] > 0.5 else None,
            drive_on=_none,
        )
        for i, road in enumerate(some)
    ]


def _none() -> Array:
    raise RuntimeError("an everyday drive is learned from and has no oracle")


def _road(rng: np.random.Generator) -> roads.Road:
    seconds = int(rng.uniform(20.0, 60.0) * 60)
    outside = _weather(rng)
    grade = rng.uniform(0.0, 0.012) * roads.wander(rng, roads.POINTS, rng.uniform(40.0, 300.0))
    cap = np.zeros(seconds)
    at = int(rng.uniform(2.0, 60.0))  # the engine idles before it drives off
    for leg in _legs(rng, seconds):
        end = min(at + leg.seconds, seconds)
        cap[at:end] = leg.kmh * (1.0 + 0.12 * roads.wander(rng, max(end - at, 1), 40.0)[: end - at])
        while at < end:
            at += int(rng.exponential(1.0 / leg.stops)) if leg.stops else end - at
            stand = int(rng.uniform(4.0, max(leg.stand_s, 5.0)))
            if leg.stops:
                cap[at : min(at + stand, end)] = 0.0
                at += stand
        at = end
    ac = np.zeros(seconds)
    if rng.random() < np.clip((outside - 18.0) / 12.0, 0.0, 0.9):
        ac[:] = rng.uniform(0.4, 1.0)
    return roads.Road(
        seconds=seconds,
        warm=bool(rng.random() >= COLD),
        grade=grade,
        wish_kmh=np.full(roads.POINTS, 180.0),
        cap_kmh=np.maximum(cap, 0.0),
        ac=ac,
        outside_c=outside,
        lapse_c_per_m=float(rng.uniform(0.004, 0.009)),
        height_m=float(rng.uniform(0.0, 600.0)),
        wind_kmh=float(rng.normal(0.0, 8.0)),
    )


def _sim(rngs: list[np.random.Generator], numbers: range, seed: int) -> list[drives.Run]:
    drawn = sim_rigs.draw(seed, len(numbers), "rolling", target_c=(72.0, 99.0), first=numbers.start)
    rigs = [_tame(rig, rng) for rig, rng in zip(drawn, rngs, strict=True)]
    return plant_sim.runs(rigs, rngs, FAMILY)


def _tame(rig: SimRig, rng: np.random.Generator) -> SimRig:
    """The rig, lighter and in mild weather, on a road of legs; its radiator was drawn to keep it cool."""
    body = replace(
        rig.body,
        mass_kg=float(rig.body.mass_kg) * rng.uniform(0.5, 0.9),
        drag_area_m2=float(rig.body.drag_area_m2) * rng.uniform(0.45, 0.9),
    )
    cooling = rig.cooling
    if rng.random() < 0.75:
        cooling = replace(cooling, fan_m_s_krpm=0.0, electric_m_s=max(float(cooling.electric_m_s), 1.2))
    outside = _weather(rng)
    legs = _legs(rng, 4_200)
    steps = [max(1, round(leg.kmh / 3.6 * leg.seconds / sim_roads.STEP_M)) for leg in legs]
    curve = np.concatenate([np.full(n, leg.kmh) for n, leg in zip(steps, legs, strict=True)])
    for start in np.flatnonzero(rng.random(curve.size) < 0.02):  # crossings and roundabouts
        curve[start : start + 2] = np.minimum(curve[start : start + 2], rng.uniform(5.0, 30.0))
    grades = np.clip(sim_roads.wander(rng, curve.size, rng.uniform(0.0, 1.2), rng.uniform(600.0, 6_000.0)), -4.0, 4.0)
    road = sim_roads.from_grades(grades, rng.uniform(20.0, 600.0), 0.0, curve)
    jam = None
    if rng.random() < 0.6:
        begin = rng.uniform(0.0, 2_400.0)
        jam = (begin, begin + rng.uniform(200.0, 1_500.0))
    driver = replace(
        rig.driver,
        wish_kmh=rng.uniform(60.0, 140.0),
        jam=jam,
        ac_on=bool(rng.random() < np.clip((outside - 18.0) / 15.0, 0.0, 0.9)),
        heater_on=bool(outside < 15.0 and rng.random() < 0.7),
    )
    start = None if rng.random() < COLD else rig.start_c
    return replace(rig, body=body, cooling=cooling, road=road, driver=driver, air_foot_c=outside, start_c=start)
