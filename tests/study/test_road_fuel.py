"""Fuel power by road load: by hand, for whom it is taken, and what is not known stays unknown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core.figures import Figure
from livemon.core.vehicle import Fuel, VehicleProfile
from livemon.study.road_fuel import SOURCE, road_fuel_kw, told_by_road
from tests.study.made_drive import drive

PETROL = VehicleProfile()
DIESEL = VehicleProfile(fuel=Fuel.DIESEL)


def test_a_grade_by_hand() -> None:
    """2200 kg, 6 %, 80 km/h, CdA 1.2, Crr 0.013, 1.0 kg/m3: 41.5 kW at the wheels (`traction`), 0.85 -> 48.9 kW;
    pumps 1.5 x (0.5 + 0.5 x 1.25) = 1.7 kW and friction 16.6 kW at 2500 rpm of 4.5 L; over 0.36 -> 187 kW."""
    typed = {
        "mass_kg": 2200.0, "drag_area_m2": 1.2, "rolling_resistance": 0.013, "driveline_efficiency": 0.85,
        "displacement_l": 4.5, "accessory_kw": 1.5, "indicated_efficiency": 0.36,
    }  # fmt: skip
    known = VehicleProfile(typed={name: Figure(value, 0.0, "typed") for name, value in typed.items()})
    flat = np.ones(2)
    fuel = road_fuel_kw(known, 80.0 * flat, 2500.0 * flat, 6.0, 25.0, 1.0)
    assert fuel == pytest.approx([187.0, 187.0], rel=0.005)
    assert road_fuel_kw(known, 80.0 * flat, 2500.0 * flat, 6.0, 25.0, 1.0, mass_kg=2600.0)[0] > fuel[0] + 10.0
    assert road_fuel_kw(known, 80.0 * flat, 2500.0 * flat, 6.0, 25.0, 1.0, 0.0, 1.0)[0] > fuel[0] + 5.0
    braking = road_fuel_kw(known, 80.0 * flat, 2500.0 * flat, -6.0, 25.0, 1.0)
    assert braking == pytest.approx(road_fuel_kw(known, 0.0 * flat, 2500.0 * flat, 0.0, 25.0, 1.0))


def test_only_a_diesel_whose_height_is_known_on_every_drive() -> None:
    high = drive(height_m=300.0, grade_pct=4.0)
    flat = drive()
    assert told_by_road([high], PETROL)[0].fuel_kw == pytest.approx(high.fuel_kw)
    assert [d.source for d in told_by_road([high, flat], DIESEL)] == ["nothing", "nothing"]
    first, second = told_by_road([high, replace(high, fuel_kw=9.0 * high.fuel_kw)], DIESEL)
    assert first.source == second.source == SOURCE
    assert first.fuel_kw == pytest.approx(second.fuel_kw)
    assert np.all(first.fuel_kw > 0.0)


def test_what_is_not_known_stays_unknown() -> None:
    """No grade: nothing is told on the move, and all of it at standstill; an engine that stands burns nothing."""
    speed = np.repeat([80.0, 0.0, 0.0], 40)
    rpm = np.repeat([2500.0, 700.0, 0.0], 40)
    told = told_by_road([drive(speed_kmh=speed, rpm=rpm, height_m=300.0)], DIESEL)[0].fuel_kw
    assert np.all(np.isnan(told[:39]))
    assert np.all(told[41:80] > 5.0)
    assert np.all(told[80:] == 0.0)
    assert np.isnan(told_by_road([drive(speed_kmh=np.nan, height_m=300.0, grade_pct=0.0)], DIESEL)[0].fuel_kw).all()


def test_a_declared_mass_is_that_of_the_drive() -> None:
    climb = drive(height_m=300.0, grade_pct=6.0)
    plain, laden = told_by_road([climb, replace(climb, mass_kg=3000.0)], DIESEL)
    assert np.all(laden.fuel_kw > plain.fuel_kw)
