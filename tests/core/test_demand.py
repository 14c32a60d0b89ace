"""Where the heat made comes from, by what a vehicle offers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from livemon.core import demand, engine, traction
from livemon.core.outcome import Status
from livemon.core.signals import Inputs
from livemon.core.vehicle import Fuel, VehicleProfile

PETROL = VehicleProfile().engine()
DIESEL = VehicleProfile(fuel=Fuel.DIESEL, boosted=True).engine()
BODY = replace(
    VehicleProfile().body(),
    mass_kg=2200.0,
    drag_area_m2=1.2,
    rolling_resistance=0.013,
    driveline_efficiency=0.85,
)


def inputs(**values: float) -> Inputs:
    return Inputs(t_ms=0, status=Status.LIVE, **values)


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ({"rpm": 2500.0, "maf_g_s": 40.0, "load_pct": 50.0}, "air flow"),
        ({"rpm": 2500.0, "absolute_load_pct": 40.0, "load_pct": 50.0}, "absolute load"),
        ({"rpm": 2500.0, "map_kpa": 70.0, "load_pct": 50.0}, "manifold pressure"),
        ({"rpm": 2500.0, "load_pct": 50.0}, "load"),
        ({"rpm": 2500.0}, "nothing"),
        ({"speed_kmh": 60.0}, "nothing"),
    ],
)
def test_the_best_of_what_is_offered_speaks(values: dict[str, float], word: str) -> None:
    told = inputs(**values)
    assert demand.source(told, PETROL) == word
    assert (demand.fuel_kw(told, PETROL, 25.0, 100.0) is None) == (word == "nothing")


def test_air_does_not_tell_the_fuel_of_a_diesel() -> None:
    """At idle a diesel breathes as much air as a petrol engine at a third of its load and burns little of it."""
    idle = inputs(rpm=750.0, maf_g_s=14.0, load_pct=15.0)
    by_air = engine.fuel_kw_from_air(14.0)
    told = demand.fuel_kw(idle, DIESEL, 25.0, 100.0)
    assert demand.source(idle, DIESEL) == "load and torque curve"
    assert told is not None
    assert told < 0.6 * by_air


def test_full_load_of_a_diesel_is_its_torque_curve() -> None:
    rpm = 2500.0
    full_kw = float(traction.torque_limit_nm(DIESEL, rpm)) * rpm * 3.14159265 / 30_000.0
    told = demand.fuel_kw(inputs(rpm=rpm, load_pct=100.0), DIESEL, 25.0, 100.0)
    assert told == pytest.approx(float(engine.fuel_kw_from_power(DIESEL, full_kw, rpm)), rel=1e-6)


def test_a_diesel_without_load_falls_back_on_air() -> None:
    told = inputs(rpm=2000.0, maf_g_s=40.0)
    assert demand.source(told, DIESEL) == "air flow"
    assert demand.fuel_kw(told, DIESEL, 25.0, 100.0) == pytest.approx(float(engine.fuel_kw_from_air(40.0)))


@pytest.mark.parametrize(("speed_kmh", "engine_kw"), [(60.0, 34.09), (80.0, 48.85), (100.0, 66.51)])
def test_road_load_stands_in_where_no_load_is_told(speed_kmh: float, engine_kw: float) -> None:
    """Road-load equation worked by hand: 2200 kg, 6 %, CdA 1.2, Crr 0.013, 1.0 kg/m3, driveline 0.85.

    The air of 1.0 kg/m3 is 79.5 kPa at 4 C (ideal gas).
    """
    told = inputs(speed_kmh=speed_kmh, rpm=2500.0)
    fuel = demand.road_fuel_kw(told, BODY, replace(PETROL, accessory_kw=0.0), 6.0, 3.79, 79.5)
    assert fuel == pytest.approx(float(engine.fuel_kw_from_power(PETROL, engine_kw, 2500.0)), rel=2e-3)


def test_road_load_downhill_leaves_the_idling_engine() -> None:
    told = inputs(speed_kmh=60.0, rpm=2000.0)
    down = demand.road_fuel_kw(told, BODY, PETROL, -8.0, 25.0, 95.0)
    assert down == pytest.approx(float(engine.fuel_kw_from_power(PETROL, 1.5, 2000.0)))
    assert demand.road_fuel_kw(inputs(rpm=2000.0), BODY, PETROL, 6.0, 25.0, 95.0) is None
    assert demand.road_fuel_kw(inputs(speed_kmh=0.0, rpm=0.0), BODY, PETROL, 0.0, 25.0, 95.0) == 0.0


def test_the_mass_of_today_counts() -> None:
    light = demand.road_fuel_kw(inputs(speed_kmh=60.0), BODY, PETROL, 6.0, 25.0, 95.0)
    heavy = demand.road_fuel_kw(replace(inputs(speed_kmh=60.0), mass_kg=3500.0), BODY, PETROL, 6.0, 25.0, 95.0)
    assert light is not None
    assert heavy is not None
    assert heavy > 1.3 * light
