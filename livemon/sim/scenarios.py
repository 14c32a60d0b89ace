"""Named made-up drives: one invented wagon, the invented Karga pass and the town of Orlo, with a seed for the rest.

Each scenario is a rig built by hand, so that a demonstration, a recorded replay and a bus can all play the same
drive.  The seed moves the driver's wandering and the noise of the sensors, not the vehicle.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from livemon.core.figures import Figure
from livemon.core.vehicle import VehicleProfile
from livemon.sim.drive import Rig
from livemon.sim.driver import Driver
from livemon.sim.faults import Break, Fault
from livemon.sim.road import FREE_KMH, STEP_M, Road, from_grades, wander
from livemon.sim.sensors import SensorFigures


def _typed(**figures: float) -> Mapping[str, Figure]:
    return {name: Figure(value, 0.0, "typed") for name, value in figures.items()}


WAGON: Final = VehicleProfile(
    name="Brindle wagon",
    typed=_typed(
        mass_kg=2150.0,
        drag_area_m2=1.30,
        rolling_resistance=0.014,
        tyre_radius_m=0.375,
        axle_ratio=3.9,
        displacement_l=4.2,
        radiator_kw_k=1.27,
        ram_share=0.13,
        electric_m_s=0.9,
        clutch_on_share=0.6,
        recirculation=0.16,
        cap_kpa=108.0,
    ),
)
"""Invented: a heavy wagon with a small radiator, engine-driven and electric fan."""


def _pieces(rng: np.random.Generator, foot_m: float, *pieces: tuple[float, float]) -> Road:
    """Road of (length km, grade %) pieces with a little unevenness, the same for every seed of a scenario."""
    sharp = np.concatenate([np.full(round(1000.0 * km / STEP_M), grade) for km, grade in pieces])
    smooth = np.convolve(np.pad(sharp, 6, mode="edge"), np.full(13, 1.0 / 13.0), mode="valid")
    climb = max(grade for _, grade in pieces)
    return from_grades(smooth + wander(rng, len(smooth), 0.35, 600.0), foot_m, climb, np.full(len(smooth), FREE_KMH))


def karga_road() -> Road:
    """The west side of Karga pass: 16 km from the river at 410 m, in two ramps, then down the other side."""
    rng = np.random.default_rng(410)
    return _pieces(rng, 410.0, (3.0, 0.6), (4.5, 5.2), (1.2, 1.8), (6.5, 6.3), (1.0, 3.0), (0.6, 0.0), (8.0, -4.5))


def orlo_road() -> Road:
    """From the plain into the town of Orlo, nearly level at 260 m."""
    return _pieces(np.random.default_rng(260), 260.0, (12.0, 0.3), (6.0, 0.0), (12.0, -0.2))


def _karga(seed: int) -> Rig:
    return Rig(
        name="karga-pass",
        key=(seed, 1),
        body=WAGON.body(),
        engine=WAGON.engine(),
        cooling=WAGON.cooling(),
        road=karga_road(),
        driver=Driver(wish_kmh=86.0, wander_kmh=2.0, ac_on=True, lever=3),
        air_foot_c=37.0,
        lapse_c_km=7.0,
        sensor=SensorFigures(coolant_lag_s=5.0),
        start_c=88.0,
    )


def _gentle(seed: int) -> Rig:
    rig = _karga(seed)
    return replace(rig, name="karga-gentle", driver=replace(rig.driver, wish_kmh=66.0, ac_on=False), air_foot_c=33.0)


def _jam(seed: int) -> Rig:
    worn = WAGON.with_parts("weak_electric_fan")
    driver = Driver(wish_kmh=82.0, jam=(420.0, 1800.0), jam_kmh=13.0, ac_on=True)
    rig = replace(_karga(seed), name="orlo-jam", road=orlo_road(), driver=driver, air_foot_c=43.0)
    return replace(rig, cooling=worn.cooling())


def _leak(seed: int) -> Rig:
    return replace(_gentle(seed), name="karga-leak", breaks=Break(Fault.COOLANT_LOSS, 420.0, 420.0, 0.7))


def _stuck(seed: int) -> Rig:
    return replace(_karga(seed), name="karga-stuck-sensor", breaks=Break(Fault.SENSOR_STUCK, 400.0))


def _jumps(seed: int) -> Rig:
    return replace(_gentle(seed), name="karga-loose-sensor", breaks=Break(Fault.SENSOR_JUMPS, 300.0))


def _fan(seed: int) -> Rig:
    cooling = replace(_karga(seed).cooling, fan_m_s_krpm=0.0, electric_m_s=1.6)
    dies = Break(Fault.ELECTRIC_FAN_DEAD, 700.0, 5.0)
    return replace(_jam(seed), name="orlo-dead-fan", breaks=dies, air_foot_c=24.0, cooling=cooling)


def _cold(seed: int) -> Rig:
    rig = _gentle(seed)
    return replace(rig, name="cold-morning", air_foot_c=4.0, start_c=None, road=orlo_road())


def _never_warm(seed: int) -> Rig:
    return replace(_cold(seed), name="thermostat-open", breaks=Break(Fault.THERMOSTAT_STUCK_OPEN, 0.0))


@dataclass(frozen=True, slots=True)
class Scenario:
    """One named drive: what it shows, how long it is by default, and how it is built from a seed."""

    words: str
    seconds: int
    build: Callable[[int], Rig]


SCENARIOS: Final[dict[str, Scenario]] = {
    "karga-pass": Scenario("a hot climb at speed with A/C: crosses 108 C on the second ramp", 1200, _karga),
    "karga-gentle": Scenario("the same pass, slower, A/C off: bends off below the limit", 1500, _gentle),
    "orlo-jam": Scenario("a traffic jam at 43 C with A/C", 2100, _jam),
    "orlo-dead-fan": Scenario("a jam in which the electric fan dies", 2100, _fan),
    "karga-leak": Scenario("coolant is lost on the climb; the reading falls when the sensor hangs dry", 1200, _leak),
    "karga-stuck-sensor": Scenario("the coolant sensor sticks on the climb", 1200, _stuck),
    "karga-loose-sensor": Scenario("a loose plug: the coolant reading jumps", 1200, _jumps),
    "cold-morning": Scenario("a cold start and a level drive", 1500, _cold),
    "thermostat-open": Scenario(
        "the same with a thermostat stuck open: the engine does not warm up", 1500, _never_warm
    ),
}
