"""Demand along a route: what a drive has shown of fuel and gear holds for the road ahead, where the gear is another.

The road: 1.5 km level, then 7 % for 8 km.  The vehicle goes 50 km/h in the gears that its gearbox would choose, on an
open converter; it burns what road load and that converter ask.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core import road_demand, traction
from livemon.core.air import air_density
from livemon.core.outcome import Status
from livemon.core.road import Ahead, RoadView
from livemon.core.road_demand import Course, Shown, Vehicle
from livemon.core.signals import Inputs
from livemon.core.vehicle import VehicleProfile

PROFILE = VehicleProfile()
VEHICLE = Vehicle(PROFILE.body(), PROFILE.engine(), PROFILE.cooling())
KMH, KPA, AIR_C, FOOT_M, LENGTH_M, GRADE_PCT = 50.0, 95.0, 25.0, 1_500.0, 9_500.0, 7.0
FAR = np.arange(0.0, LENGTH_M + 1.0, 50.0)
HEIGHT = 540.0 + np.maximum(FAR - FOOT_M, 0.0) * GRADE_PCT / 100.0


def asked(climbing: bool, gear: int | None = None) -> tuple[float, float]:
    """(engine speed, fuel [kW]) of the made-up vehicle, in the gear it chooses or in `gear`."""
    grade = GRADE_PCT if climbing else 0.0
    density = float(air_density(KPA, AIR_C))
    force = float(traction.road_force_n(VEHICLE.body, KMH, grade, density))
    pulls = traction.pull_in_gears(VEHICLE.body, VEHICLE.engine, np.array([KMH]), force, 3.0)
    chosen = traction.highest_gears(VEHICLE.engine, pulls, 0.85)[0] if gear is None else np.array([float(gear)])
    rpm = float(np.asarray(traction.in_gear(pulls, chosen).rpm)[0])
    loss = float(traction.slip_loss(VEHICLE.body, VEHICLE.engine, KMH, force, rpm)[0])
    fuel = road_demand._level_fuel_kw(VEHICLE, KMH, rpm, density, 0.0, AIR_C, loss)
    return rpm, float(fuel + road_demand._lift_fuel_kw(VEHICLE, KMH, grade, loss))


def view(along_m: float) -> RoadView:
    ahead = np.arange(0.0, LENGTH_M - along_m + 1.0, 250.0)
    height = np.interp(along_m + ahead, FAR, HEIGHT)
    return RoadView(
        on_route=True,
        along_m=along_m,
        ahead=Ahead(
            tuple(ahead), tuple(0.0 * ahead), tuple(height), LENGTH_M - along_m, float(HEIGHT[-1])
        ),
    )  # fmt: skip


def inputs(second: int, rpm: float) -> Inputs:
    return Inputs(second * 1000, Status.LIVE, speed_kmh=KMH, rpm=rpm, ac_on=False)


def driven(to_m: float, gears: tuple[int | None, ...] = (None,)) -> tuple[Shown, Course]:
    """What the drive up to there has shown, and the course foreseen from there, without anything drawn.

    On the climb each of `gears` is held for two blocks in turn.
    """
    shown = road_demand.begin(PROFILE)
    along, second = 0.0, 0
    while along < to_m:
        climbing = along >= FOOT_M
        gear = gears[second // (2 * road_demand.BLOCK_S) % len(gears)] if climbing else None
        rpm, fuel = asked(climbing, gear)
        shown = road_demand.heard(shown, inputs(second, rpm), view(along), VEHICLE, fuel, KPA, AIR_C)
        along, second = along + KMH / 3.6, second + 1
    points = np.linspace(50.0, LENGTH_M - along, 40)
    nothing = np.zeros((road_demand.UNKNOWNS, 1))
    now = inputs(second, asked(along >= FOOT_M)[0])
    course = road_demand.course(shown, view(along).ahead, VEHICLE, now, AIR_C, points, nothing)
    assert course is not None
    return shown, course


def test_the_loss_of_the_converter_is_no_part_of_the_scales() -> None:
    """Level and climb in two gears with two losses: one pair of scales explains both."""
    (level_rpm, _), (climb_rpm, _) = asked(False), asked(True)
    level_n, climb_n = (float(traction.road_force_n(VEHICLE.body, KMH, g, 1.1)) for g in (0.0, GRADE_PCT))
    losses = [
        float(traction.slip_loss(VEHICLE.body, VEHICLE.engine, KMH, force, rpm)[0])
        for force, rpm in ((level_n, level_rpm), (climb_n, climb_rpm))
    ]
    assert losses[1] > losses[0] + 0.05
    shown, _ = driven(FOOT_M + 3_000.0)
    assert shown.level == pytest.approx(1.0, abs=0.03)
    assert shown.lift == pytest.approx(1.0, abs=0.03)


def test_a_block_across_the_foot_tells_no_gear() -> None:
    across, _ = driven(FOOT_M + 200.0)
    later, _ = driven(FOOT_M + 1_500.0)
    rpm, _ = asked(climbing=True)
    assert across.climb_s > 0.0
    assert across.climb_gear_s == 0.0
    assert later.climb_rpm_kmh == pytest.approx(rpm / KMH, rel=0.01)


def test_the_fuel_of_a_climb_is_foreseen_before_it() -> None:
    """Nothing of the climb has been seen: its gear, and what its converter loses, are those of the vehicle's model."""
    _, course = driven(FOOT_M - 100.0)
    _, fuel = asked(climbing=True)
    climb = course.height_m > HEIGHT[0] + 50.0
    assert np.median(course.fuel_kw[climb, 0] / course.speed_kmh[climb, 0]) == pytest.approx(fuel / KMH, rel=0.05)


def test_two_gears_in_turn_have_the_mean_of_their_losses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Their mean engine speed belongs to neither; read as one gear on a slipping converter it would burn more."""
    monkeypatch.setattr("tests.core.test_road_demand.KMH", 85.0)  # third is locked, second open
    _, course = driven(FOOT_M + 4_000.0, gears=(2, 3))
    fuel = [asked(climbing=True, gear=gear)[1] for gear in (2, 3)]
    foreseen = np.median(course.fuel_kw[5:, 0] / course.speed_kmh[5:, 0]) * KMH
    assert foreseen == pytest.approx(np.mean(fuel), rel=0.04)


def test_what_climbing_cost_so_far_it_will_cost(monkeypatch: pytest.MonkeyPatch) -> None:
    """Braking for bends: blocks of overrun teach no scale, yet the fuel of getting up to speed again has been burnt."""
    shown, course = driven(FOOT_M + 4_000.0)
    assert road_demand.climb_cost(shown) == pytest.approx(1.0, abs=0.03)
    dear = shown._replace(climb_seen_kw=1.2 * shown.climb_said_kw)
    assert 1.1 < road_demand.climb_cost(dear) < 1.2
    assert road_demand.climb_cost(dear._replace(climb_gear_s=20.0)) < 1.05  # one block is no habit
    monkeypatch.setattr(road_demand, "climb_cost", lambda _: 1.1)
    _, more = driven(FOOT_M + 4_000.0)
    climb = course.height_m > HEIGHT[0] + 50.0
    assert np.median(more.fuel_kw[climb] / course.fuel_kw[climb]) == pytest.approx(1.1, abs=0.02)


def test_a_driver_not_seen_on_a_climb_keeps_his_speed_or_has_one_of_his_own() -> None:
    z = np.random.default_rng(1).standard_normal((road_demand.UNKNOWNS, 4_000))
    new = road_demand.begin(PROFILE)._replace(level_kmh=95.0, level_s=300.0)
    speed = 95.0 * np.exp(road_demand.climb_apart(new, 95.0, z))
    keeps = z[5] <= 0.0
    assert np.median(speed[keeps]) == pytest.approx(95.0, rel=0.01)
    assert np.median(speed[~keeps]) == pytest.approx(road_demand.OWN_KMH, rel=0.02)
    seen = new._replace(climb_kmh=80.0, climb_s=400.0)
    speed = 80.0 * np.exp(road_demand.climb_apart(seen, 80.0, z))
    assert np.median(speed) == pytest.approx(80.0, rel=0.01)
    assert np.std(np.log(speed)) == pytest.approx(road_demand.STEADY, rel=0.1)


def test_nobody_telling_of_the_air_conditioning_is_half_of_it() -> None:
    shown, points = driven(FOOT_M)[0], np.linspace(50.0, 5_000.0, 40)
    nothing, ahead = np.zeros((road_demand.UNKNOWNS, 1)), view(FOOT_M).ahead
    assert ahead is not None
    fuel = []
    for ac_on in (False, None, True):
        now = replace(inputs(300, 2_000.0), ac_on=ac_on)
        course = road_demand.course(shown, ahead, VEHICLE, now, AIR_C, points, nothing)
        assert course is not None
        fuel.append(float(np.median(course.fuel_kw)))
    assert fuel[0] < fuel[1] < fuel[2]
    assert fuel[1] == pytest.approx(0.5 * (fuel[0] + fuel[2]), rel=0.01)
