"""Garages of the plant of `livemon/sim`: vehicles that get hot, all drives as lanes of one march, and the truth."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from livemon.core import heat
from livemon.core.air import air_density
from livemon.core.figures import FIGURES, Figure
from livemon.core.radiator import Demand, Surroundings, air_behind_c, air_side, shed
from livemon.core.vehicle import Cooling, VehicleProfile
from livemon.sim import drive as sim
from livemon.sim import rigs as sim_rigs
from livemon.sim.driver import Driver
from livemon.sim.road import Road, from_grades
from livemon.sim.vehicle import side_by_side
from livemon.study.form import FORM
from tests.bench.garages.reference import AIR_C, AIR_KPA, COOLANT_C, Reference
from tests.bench.garages.trips import Array, Trip

_STATES = {
    "weak_electric_fan": "electric_health",
    "slipping_fan_clutch": "clutch_health",
    "clogged_condenser": "stack_flow",
    "half_blocked_radiator": "radiator_open",
    "low_pump_flow": "pump_health",
    "more_air": "stack_flow",
}


def vehicle(rng: np.random.Generator, number: int, air_c: float) -> sim.Rig:
    """One vehicle that gets hot in air of `air_c`: its radiator is short on a climb and its fans in traffic."""
    z = np.clip(rng.standard_normal(len(FIGURES) - len(FORM)), -2.2, 2.2)  # these vehicles have the core's form
    names = [n for n in FIGURES if n not in sim_rigs._FIXED]
    drawn = VehicleProfile().draw({n: np.array([v]) for n, v in zip(names, z, strict=False)})
    body, engine, cooling = (sim_rigs._plain(d) for d in drawn)
    kind = rng.random()
    if kind < 0.25:
        cooling = replace(cooling, fan_m_s_krpm=0.0, electric_m_s=max(cooling.electric_m_s, 1.2))
    elif kind < 0.5:
        cooling = replace(cooling, electric_m_s=0.0)
    rig = sim.Rig(
        name=f"garage {number}",
        key=(0,),
        body=body,
        engine=engine,
        cooling=cooling,
        road=replace(from_grades(np.full(800, 6.0), 200.0, 6.0)),
        driver=Driver(wish_kmh=65.0, jam_kmh=15.0, ac_on=True),
        air_foot_c=air_c,
        sensor=sim_rigs._sensor(rng),
        start_c=88.0,
    )
    full_c = cooling.open_c + cooling.full_span_c
    climb_c, jam_c = full_c + rng.uniform(11.0, 19.0), full_c + rng.uniform(5.0, 12.0)
    for _ in range(3):  # fans help on the climb a little, the radiator helps in traffic: a few turns agree
        rig = sim_rigs.aimed(rig, climb_c)
        rig = sim_rigs.aimed(rig, jam_c, jam=True)
    return rig


def profile(rng: np.random.Generator, rig: sim.Rig, number: int) -> VehicleProfile:
    """What the owner can type: engine, weight, fans there are, the number stamped on the thermostat."""
    typed = {
        "displacement_l": Figure(round(rig.engine.displacement_l, 1), 0.05, "typed"),
        "idle_rpm": Figure(rig.engine.idle_rpm, 20.0, "typed"),
        "mass_kg": Figure(rig.body.mass_kg, 100.0, "typed"),
        "open_c": Figure(round(rig.cooling.open_c + rng.normal(0.0, 1.0)), 1.5, "typed"),
    }
    for name in ("fan_m_s_krpm", "electric_m_s"):
        if getattr(rig.cooling, name) == 0.0:
            typed[name] = Figure(0.0, 0.0, "typed")
    return VehicleProfile(name=f"garage {number}", typed=typed)


def changed(rig: sim.Rig, state: str, factor: float) -> sim.Rig:
    """The vehicle with one part at `factor` of what it was."""
    if not state:
        return rig
    name = _STATES[state]
    change: dict[str, Any] = {name: getattr(rig.cooling, name) * factor}
    return replace(rig, cooling=replace(rig.cooling, **change))


def states_of(rig: sim.Rig) -> tuple[str, ...]:
    """Faults this vehicle can have."""
    has = {"weak_electric_fan": rig.cooling.electric_m_s > 0.0, "slipping_fan_clutch": rig.cooling.fan_m_s_krpm > 0.0}
    return tuple(s for s in _STATES if s != "more_air" and has.get(s, True))


def shed_kw(rigs: list[sim.Rig], at: Reference) -> Array:
    """Heat [kW] the radiator of each vehicle sheds at rest at the reference point, thermostat full open."""
    cooling: Cooling = side_by_side([r.cooling for r in rigs])
    idle = np.array([r.engine.idle_rpm for r in rigs])
    rpm = idle if at.rpm is None else np.full(len(rigs), at.rpm)
    demand = Demand(0.0 * rpm, rpm, at.speed_kmh, at.ac_on)
    around = Surroundings(AIR_C, air_density(AIR_KPA, AIR_C))
    forced = heat.electric_forced(cooling, at.ac_on, 0.0)
    electric = heat.electric_target(cooling, 0.0 * rpm, COOLANT_C + 0.0 * rpm, forced)
    clutch = 0.0 * rpm
    out = 0.0 * rpm
    for _ in range(200):  # the clutch looks at the air that the shed heat warms
        air = air_side(cooling, demand, around, clutch, electric)
        core = shed(cooling, demand, around, cooling.thermostat_ceiling, clutch, electric, air)
        out = np.asarray(core.conductance_kw_k * (COOLANT_C - core.air_c))
        clutch = clutch + 0.1 * (np.asarray(heat.clutch_target(cooling, air_behind_c(air, out, AIR_C))) - clutch)
    return out


def drive(rigs: list[sim.Rig], trips: list[Trip], keys: list[tuple[int, ...]]) -> list[dict[str, Array]]:
    """Readings of every lane at 1 Hz: one rig and one trip a lane."""
    lanes = [
        replace(
            rig,
            key=key,
            body=replace(rig.body, mass_kg=rig.body.mass_kg + trip.load_kg),
            road=_road(trip),
            air_foot_c=trip.outside_c,
            lapse_c_km=1000.0 * trip.lapse_c_per_m,
            headwind_kmh=trip.wind_kmh,
        )
        for rig, trip, key in zip(rigs, trips, keys, strict=True)
    ]
    seconds = max(t.seconds for t in trips)
    world = sim._World(lanes, seconds)
    held = np.zeros((seconds, len(trips)))
    wish, ac = np.zeros_like(held), np.zeros_like(held)
    for i, trip in enumerate(trips):
        wish[: trip.seconds, i], held[: trip.seconds, i] = trip.wish_kmh, trip.held_rpm
        ac[: trip.seconds, i] = trip.ac
    world.wish = wish
    engine = world.engine
    for k in range(seconds):
        # A right foot on the pedal with the lever in neutral is an engine that idles faster.
        world.engine = replace(engine, idle_rpm=np.where(held[k] > 0.0, held[k], engine.idle_rpm))
        world.ac = ac[k]
        world.step(k, 1.0)
        world.record(k)
    result = world.drives()
    return [
        {name: values[: trip.seconds, i].copy() for name, values in result.readings.items()}
        | {"truth_c": result.truth["coolant_c"][: trip.seconds, i].copy()}
        for i, trip in enumerate(trips)
    ]


def _road(trip: Trip) -> Road:
    return from_grades(100.0 * trip.grade, trip.height_m, 0.0)
