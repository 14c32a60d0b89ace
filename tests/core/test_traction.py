"""Road load, gears and height against worked figures; gears and speed by property."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.core import traction
from livemon.core.air import air_density, standard_pressure_kpa
from livemon.core.vehicle import VehicleProfile

BODY = VehicleProfile().body()
ENGINE = VehicleProfile().engine()
# The worked vehicle: 2200 kg, CdA 1.2, Crr 0.013, driveline 0.85.
WORKED = replace(BODY, mass_kg=2200.0, drag_area_m2=1.2, rolling_resistance=0.013, driveline_efficiency=0.85)

# 6 %, air 1.0 kg/m3, g 9.80665, brake efficiency 0.28: computed by hand from the road-load equation.
# km/h, grade N, roll N, aero N, wheel kW, engine kW, fuel kW, coolant kW at a share of 0.27
FIGURES = [
    (60, 1292.2, 280.0, 166.7, 28.98, 34.09, 121.8, 32.9),
    (80, 1292.2, 280.0, 296.3, 41.52, 48.85, 174.5, 47.1),
    (100, 1292.2, 280.0, 463.0, 56.53, 66.51, 237.5, 64.1),
]


@pytest.mark.parametrize(("kmh", "grade_n", "roll_n", "aero_n", "wheel", "engine", "fuel", "coolant"), FIGURES)
def test_worked_figures(
    kmh: float, grade_n: float, roll_n: float, aero_n: float, wheel: float, engine: float, fuel: float, coolant: float
) -> None:
    force = traction.road_force_n(WORKED, kmh, 6.0, 1.0)
    assert force == pytest.approx(grade_n + roll_n + aero_n, abs=0.2)
    slick = replace(WORKED, rolling_resistance=0.0, drag_area_m2=0.0)
    assert traction.road_force_n(slick, kmh, 6.0, 1.0) == pytest.approx(grade_n, abs=0.06)
    assert traction.road_force_n(replace(slick, drag_area_m2=1.2), kmh, 0.0, 1.0) == pytest.approx(aero_n, abs=0.06)
    power = traction.wheel_kw(force, kmh)
    assert power == pytest.approx(wheel, abs=0.006)
    assert traction.engine_kw(power, 0.85) == pytest.approx(engine, abs=0.006)
    burnt = traction.engine_kw(power, 0.85) / 0.28
    assert burnt == pytest.approx(fuel, abs=0.06)
    assert 0.27 * burnt == pytest.approx(coolant, abs=0.06)


def test_sixty_instead_of_eighty_cuts_the_heat_by_thirty_percent() -> None:
    slow, fast = (traction.wheel_kw(traction.road_force_n(WORKED, v, 6.0, 1.0), v) for v in (60.0, 80.0))
    assert slow / fast == pytest.approx(0.70, abs=0.01)


def test_acceleration_and_wind() -> None:
    still = traction.road_force_n(WORKED, 80.0, 0.0, 1.0)
    assert traction.road_force_n(WORKED, 80.0, 0.0, 1.0, accel_m_s2=1.0) - still == pytest.approx(1.08 * 2200.0)
    assert traction.road_force_n(WORKED, 60.0, 0.0, 1.0, headwind_kmh=20.0) == pytest.approx(still)
    # a tail wind stronger than the vehicle pushes
    calm = traction.road_force_n(WORKED, 10.0, 0.0, 1.0)
    assert traction.road_force_n(WORKED, 10.0, 0.0, 1.0, headwind_kmh=-40.0) < calm


@given(st.floats(-12, 12), st.floats(20, 120), st.floats(-0.5, 0.5))
def test_grade_is_found_back_from_power(grade_pct: float, speed_kmh: float, accel: float) -> None:
    force = traction.road_force_n(WORKED, speed_kmh, grade_pct, 1.1, accel)
    power = traction.wheel_kw(force, speed_kmh) / 0.85
    found = traction.grade_from_power(WORKED, power, speed_kmh, 1.1, 0.85, accel)
    assert found == pytest.approx(grade_pct, abs=0.1)


def test_turbine_speed_by_hand() -> None:
    # 80 km/h on 0.37 m tyres: 60.06 rad/s; times 3.9 = 2236.8 rpm in a gear of 1.0.
    assert traction.turbine_rpm(replace(BODY, tyre_radius_m=0.37, axle_ratio=3.9), 80.0, 1.0) == pytest.approx(
        2236.8, abs=0.3
    )


def test_open_converter() -> None:
    body = replace(BODY, converter_nm_krpm2=52.0)
    stall = traction.converter_rpm(body, 0.0, 260.0, 700.0)
    assert stall == pytest.approx(1000 * (260 / 52) ** 0.5)  # 2236 rpm: usual stall speeds are 1800 to 2600
    assert traction.converter_rpm(body, 2400.0, 200.0, 700.0) == pytest.approx(2829.0, abs=2.0)
    assert traction.converter_rpm(body, 2400.0, 0.0, 700.0) == pytest.approx(2400.0)
    assert traction.converter_rpm(body, 0.0, 0.0, 700.0) == 700.0


@given(st.integers(1, 4), st.floats(20, 120), st.floats(0.0, 0.10))
def test_gear_is_recognised_through_slip(gear: int, speed_kmh: float, slip: float) -> None:
    rpm = float(traction.turbine_rpm(BODY, speed_kmh, BODY.gear_ratios[gear - 1])) * (1 + slip)
    if rpm > 600:
        assert traction.recognise_gear(BODY, rpm, speed_kmh) == gear


def test_no_gear_explains_it() -> None:
    assert traction.recognise_gear(BODY, 700.0, 90.0) is None
    assert traction.recognise_gear(BODY, 800.0, 5.0) is None


def test_power_at_height() -> None:
    # Trade rule, no source: about 10 % per 1000 m for an engine without boost.
    for height, share in ((0.0, 1.0), (1000.0, 0.90), (2000.0, 0.80), (3000.0, 0.70)):
        assert traction.altitude_factor(standard_pressure_kpa(height), 25.0) == pytest.approx(share, abs=0.035)
    assert traction.altitude_factor(99.0, 25.0) == pytest.approx(1.0, abs=1e-3)
    assert traction.altitude_factor(90.0, 25.0, boosted=True) == 1.0
    assert traction.altitude_factor(70.0, 25.0, boosted=True) == pytest.approx(0.875)


def test_torque_curve_is_straight_between_points_and_follows_size() -> None:
    points = ((1000.0, 200.0), (3000.0, 300.0))
    typed = VehicleProfile(torque_points=points).engine()
    assert traction.torque_limit_nm(typed, 2000.0) == pytest.approx(250.0)
    assert traction.torque_limit_nm(typed, 500.0) == 200.0
    assert traction.torque_limit_nm(ENGINE, 2500.0) == pytest.approx(75.0 * 4.5)


def test_automatic_drops_a_gear_on_a_grade_and_not_past_the_rpm_limit() -> None:
    flat = traction.choose_gear(BODY, ENGINE, 90.0, traction.road_force_n(BODY, 90.0, 0.0, 1.1))
    steep = traction.choose_gear(BODY, ENGINE, 90.0, traction.road_force_n(BODY, 90.0, 7.0, 1.1))
    assert flat.gear == 4
    assert steep.gear < 4
    assert steep.rpm <= ENGINE.rpm_limit
    assert traction.choose_gear(BODY, ENGINE, 0.0, 0.0).gear == 1
    held = traction.choose_gear(BODY, ENGINE, 90.0, traction.road_force_n(BODY, 90.0, 0.0, 1.1), highest=3)
    assert held.gear == 3


def test_gears_of_many_points_are_those_of_each_point() -> None:
    speeds = np.array([5.0, 30.0, 60.0, 90.0, 110.0])
    grades = np.array([9.0, 7.0, -3.0, 5.0, 0.0])
    force = np.asarray(traction.road_force_n(BODY, speeds, grades, 1.0))
    many = traction.choose_gear(BODY, ENGINE, speeds, force, 2.0, 0.85)
    for i in range(len(speeds)):
        one = traction.choose_gear(BODY, ENGINE, float(speeds[i]), float(force[i]), 2.0, 0.85)
        assert (one.gear, one.rpm, one.engine_kw) == (
            np.asarray(many.gear)[i],
            pytest.approx(np.asarray(many.rpm)[i]),
            pytest.approx(np.asarray(many.engine_kw)[i]),
        )


@pytest.mark.parametrize("grade_pct", [3.0, 6.0, 9.0])
def test_top_speed_is_held_and_no_more(grade_pct: float) -> None:
    height = 2500.0
    rho = air_density(standard_pressure_kpa(height), 15.0)
    factor = traction.altitude_factor(standard_pressure_kpa(height), 15.0)
    top = float(traction.top_speed_kmh(BODY, ENGINE, grade_pct, rho, factor, 180.0))

    def holds(kmh: float) -> bool:
        force = traction.road_force_n(BODY, kmh, grade_pct, rho)
        return bool(traction.choose_gear(BODY, ENGINE, kmh, force, 0.0, factor, 1.0).holds)

    assert 30.0 < top < 180.0
    assert holds(top)
    assert not holds(top + 1.0)
    assert traction.top_speed_kmh(BODY, ENGINE, grade_pct, rho, factor, 25.0) == pytest.approx(25.0)


@pytest.mark.parametrize("grade_pct", [-6.0, 0.0, 4.0])
def test_a_lever_held_down_bounds_the_speed_by_the_rpm_limit(grade_pct: float) -> None:
    """Also on the level and downhill, where the engine's power would do."""
    top = float(traction.top_speed_kmh(BODY, ENGINE, grade_pct, 1.1, 1.0, 130.0, highest=1))
    force = traction.road_force_n(BODY, top, grade_pct, 1.1)
    pull = traction.choose_gear(BODY, ENGINE, top, force, 0.0, 1.0, 1.0, 1)
    assert 0.97 * ENGINE.rpm_limit < float(pull.rpm) <= ENGINE.rpm_limit
    assert top < float(traction.top_speed_kmh(BODY, ENGINE, grade_pct, 1.1, 1.0, 130.0, highest=2))


def test_what_an_open_converter_loses_is_read_off_engine_speed() -> None:
    """The slip of the gear that engine speed tells; nothing where it turns as a locked gear would."""
    force = float(traction.road_force_n(BODY, 50.0, 4.0, 1.0))
    pulls = traction.pull_in_gears(BODY, ENGINE, np.array([50.0]), force)
    for gear in (2, 3):
        rpm, turbine = (float(np.asarray(row)[gear - 1, 0]) for row in (pulls.rpm, pulls.turbine_rpm))
        slip = rpm / turbine
        assert slip > 1.05
        loss = traction.slip_loss(BODY, ENGINE, 50.0, force, 1.01 * rpm)
        assert loss == pytest.approx([slip])
        locked_kw = float(traction.wheel_kw(force, 50.0)) / BODY.driveline_efficiency
        assert loss[0] * locked_kw == pytest.approx(float(np.asarray(pulls.engine_kw)[gear - 1, 0]))  # as a plan has it
    third = float(traction.turbine_rpm(BODY, 50.0, BODY.gear_ratios[2]))
    assert traction.slip_loss(BODY, ENGINE, 50.0, force, 1.01 * third) == pytest.approx([1.0])
    assert traction.slip_loss(BODY, ENGINE, 50.0, -500.0, 1.01 * third) == pytest.approx([1.0])  # nothing to pass on
