"""Random rigs from broad distributions, by a stated seed: the made-up world's answer to "any vehicle, any climb".

Every figure of `core/figures` is drawn around its default with its own spread; then one figure of the cooling
(radiator on climbs, fan in jams) is set so that the drive heads for a drawn temperature, since most vehicles never
get hot and would teach nothing.  It does not choose limits: that is the benchmark's business.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final, TypeVar
from zlib import crc32

import numpy as np

from livemon.core import engine as heat_made
from livemon.core import traction
from livemon.core.air import Array, air_c_at, air_density, standard_pressure_kpa
from livemon.core.figures import FIGURES
from livemon.core.heat import settle
from livemon.core.radiator import Demand, Surroundings, engine_fan_rpm
from livemon.core.vehicle import Body, Cooling, Engine, VehicleProfile
from livemon.sim.drive import Rig
from livemon.sim.driver import Driver
from livemon.sim.faults import Break, Fault
from livemon.sim.road import BUILDERS
from livemon.sim.sensors import SensorFigures

FAMILIES: Final = ("steady", "irregular", "rolling", "traffic", "faults", "passes")
_Numbers = TypeVar("_Numbers", Body, Engine, Cooling)
_FIXED: Final = frozenset(
    {
        "radiator_open", "stack_flow", "electric_health", "clutch_health", "pump_health", "thermostat_ceiling",
        "fan_and_ram", "ac_fan", "speed_curve", "rpm_curve",
    }
)  # fmt: skip
_FAULT_CYCLE: Final = (
    Fault.ELECTRIC_FAN_DEAD,
    Fault.FAN_CLUTCH_SLIPS,
    Fault.RADIATOR_BLOCKED,
    Fault.PUMP_SLIPS,
    Fault.COOLANT_LOSS,
)


def draw(
    seed: int,
    count: int,
    family: str,
    spread: float = 1.0,
    target_c: tuple[float, float] = (98.0, 118.0),
    first: int = 0,
) -> list[Rig]:
    """`count` rigs of one family; rig i depends on (seed, family, first + i) alone.

    `spread` scales the standard deviations of the figures; `target_c` is the range of temperatures the drive heads
    for.
    """
    return [_rig(seed, FAMILIES.index(family), first + i, family, spread, target_c) for i in range(count)]


def _rig(seed: int, room: int, number: int, family: str, spread: float, target_c: tuple[float, float]) -> Rig:
    key = (seed, room, number)
    rng = np.random.default_rng((*key, 7))
    names = [name for name in FIGURES if name not in _FIXED]
    z = np.clip(rng.standard_normal(len(names)), -2.2, 2.2) * spread
    profile = VehicleProfile(name=f"rig {number}")
    drawn = profile.draw({n: np.array([v]) for n, v in zip(names, z, strict=True)})
    body, engine, cooling = _plain(drawn[0]), _plain(drawn[1]), _plain(drawn[2])
    ratios = tuple(r * float(np.exp(0.04 * rng.standard_normal())) for r in (2.8, 1.53, 1.0, 0.72))
    body = replace(body, gear_ratios=ratios)
    if rng.random() < 0.25:
        cooling = replace(cooling, fan_m_s_krpm=0.0, electric_m_s=max(cooling.electric_m_s, 1.2))
    elif rng.random() < 0.3:
        cooling = replace(cooling, electric_m_s=0.0)
    kind = str(rng.choice(["steady", "irregular", "passes"])) if family == "faults" else family
    road = BUILDERS[kind](rng)
    hot = rng.uniform(18.0, 45.0) if kind != "traffic" else rng.uniform(28.0, 46.0)
    ac_on = bool(rng.random() < np.clip((hot - 18.0) / 15.0, 0.1, 0.95))
    climbing_kmh = rng.uniform(50.0, 95.0)
    jam = None
    if kind == "traffic":
        start = rng.uniform(300.0, 900.0)
        jam = (start, start + rng.uniform(900.0, 2400.0))
        climbing_kmh = rng.uniform(60.0, 100.0)
    driver = Driver(
        wish_kmh=climbing_kmh,
        wander_kmh=rng.uniform(1.0, 5.0),
        wander_s=rng.uniform(15.0, 90.0),
        jam=jam,
        jam_kmh=rng.uniform(8.0, 28.0),
        ac_on=ac_on,
        lever=int(rng.choice([3, 4])),
    )
    rig = Rig(
        name=f"{family} {seed}/{number}",
        key=key,
        body=body,
        engine=engine,
        cooling=cooling,
        road=road,
        driver=driver,
        air_foot_c=float(hot),
        lapse_c_km=float(rng.uniform(4.0, 9.5)),
        headwind_kmh=float(rng.normal(0.0, 7.0)),
        pressure_error_kpa=float(rng.normal(0.0, 0.6)),
        sensor=_sensor(rng),
        start_c=float(rng.uniform(82.0, 92.0)),
    )
    rig = aimed(rig, float(rng.uniform(*target_c)), jam=kind == "traffic")
    return replace(rig, breaks=_break(rng, number)) if family == "faults" else rig


def _plain(numbers: _Numbers) -> _Numbers:
    changed: dict[str, Any] = {}
    for name in numbers.__slots__:
        value = getattr(numbers, name)
        if isinstance(value, np.ndarray):
            changed[name] = float(value[0])
    return replace(numbers, **changed)


def sensors_of(vehicle: str) -> SensorFigures:
    """Sensors of the vehicle of that name: the same on every drive, whatever the seed of the drive is."""
    return _sensor(np.random.default_rng(crc32(vehicle.encode("utf-8"))))


def _sensor(rng: np.random.Generator) -> SensorFigures:
    return SensorFigures(
        coolant_lag_s=float(rng.uniform(2.0, 14.0)),
        coolant_floor=bool(rng.random() < 0.5),
        coolant_noise_c=float(rng.uniform(0.0, 0.12)),
        maf_error=float(rng.normal(0.0, 0.04)),
        maf_noise=float(rng.uniform(0.005, 0.03)),
        map_noise_kpa=float(rng.uniform(0.3, 1.5)),
        load_error=float(rng.normal(0.0, 0.04)),
        load_noise_pct=float(rng.uniform(0.5, 2.5)),
        rpm_noise=float(rng.uniform(1.0, 10.0)),
        speed_error=float(rng.normal(0.0, 0.02)),
        intake_soak_c=float(rng.uniform(5.0, 25.0)),
        ambient_error_c=float(rng.normal(0.5, 1.0)),
        baro_error_kpa=float(rng.normal(0.0, 0.5)),
    )


def _break(rng: np.random.Generator, number: int) -> Break:
    fault = _FAULT_CYCLE[number % len(_FAULT_CYCLE)]
    at = float(rng.uniform(240.0, 1_000.0))
    if fault is Fault.COOLANT_LOSS:
        return Break(fault, at, float(rng.uniform(120.0, 900.0)), float(rng.uniform(0.4, 0.75)))
    if fault is Fault.RADIATOR_BLOCKED:
        return Break(fault, at, float(rng.uniform(30.0, 600.0)), float(rng.uniform(0.2, 0.5)))
    return Break(fault, at, float(rng.uniform(1.0, 60.0)), float(rng.uniform(0.5, 1.0)))


def mean_demand(rig: Rig, jam: bool) -> tuple[Demand, Surroundings]:
    """Demand and surroundings half way up the climb at the wished speed, or in the jam."""
    speed = 0.55 * rig.driver.jam_kmh if jam else rig.driver.wish_kmh
    grade = 0.0 if jam else rig.road.climb_pct
    heights = rig.road.height_m
    height = float(heights[0]) if jam else 0.5 * float(heights[0] + heights.max())
    air_c = float(air_c_at(height, rig.air_foot_c, float(heights[0]), rig.lapse_c_km))
    air_kpa = standard_pressure_kpa(height)
    rho = air_density(air_kpa, air_c)
    factor = traction.altitude_factor(air_kpa, air_c)
    ac_on = float(rig.driver.ac_on)
    lever = rig.driver.lever
    speed = float(traction.top_speed_kmh(rig.body, rig.engine, grade, rho, factor, speed, 3.0, lever))
    force = traction.road_force_n(rig.body, speed, grade, rho, 0.0, rig.headwind_kmh)
    pull = traction.choose_gear(rig.body, rig.engine, speed, force, 3.0, factor, highest=lever)
    fan = engine_fan_rpm(rig.cooling, pull.rpm, 0.5)
    extra = heat_made.accessory_kw(rig.engine, rig.cooling, pull.rpm, fan, ac_on, air_c) - 3.0
    fuel = heat_made.fuel_kw_from_power(rig.engine, pull.engine_kw + extra, pull.rpm)
    demand = Demand(heat_made.coolant_heat_kw(rig.engine, fuel), pull.rpm, speed, ac_on)
    return demand, Surroundings(air_c, rho, rig.headwind_kmh)


def aimed(rig: Rig, target_c: float, jam: bool = False) -> Rig:
    """The rig with radiator (climb) or fans (jam) sized so that its mean demand settles at `target_c`.

    One `settle` over 60 sizes at once, then a straight line between; a rig that cannot get there keeps the nearer
    end.
    """
    demand, around = mean_demand(rig, jam)
    factors = np.geomspace(0.1, 4.0, 60) if jam else np.geomspace(0.25, 2.5, 60)
    settles = np.asarray(settle(demand, around, sized(rig.cooling, factors, jam)).coolant_c)
    factor = float(np.exp(np.interp(-target_c, -settles, np.log(factors))))
    return replace(rig, cooling=_plain(sized(rig.cooling, np.array([factor]), jam)))


def sized(cooling: Cooling, factor: Array, fans: bool) -> Cooling:
    """Cooling with the fans, or the radiator's conductance, scaled; held inside the ranges of the table."""
    if fans:
        driven, electric = FIGURES["fan_m_s_krpm"], FIGURES["electric_m_s"]
        return replace(
            cooling,
            fan_m_s_krpm=np.minimum(cooling.fan_m_s_krpm * factor, driven.high),
            electric_m_s=np.minimum(cooling.electric_m_s * factor, electric.high),
        )
    key = FIGURES["radiator_kw_k"]
    return replace(cooling, radiator_kw_k=np.clip(cooling.radiator_kw_k * factor, key.low, key.high))
