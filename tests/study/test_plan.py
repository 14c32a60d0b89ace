"""Plans: they agree with the same physics run by hand, and react to road, weather and load as they must."""

from __future__ import annotations

import numpy as np
import pytest

from livemon.core import heat
from livemon.core.air import air_density, standard_pressure_kpa
from livemon.core.figures import Figure
from livemon.core.radiator import Demand, Surroundings
from livemon.core.route import Route, build
from livemon.core.vehicle import VehicleProfile
from livemon.study.plan import DRAWS, Way, Weather, draws, gain_c, plan, plan_each
from livemon.study.remedies import burden, remedies

PROFILE = VehicleProfile(typed={"mass_kg": Figure(3000.0, 60.0, "typed")})


def hill(km: float, grade_pct: float, foot_m: float = 400.0) -> Route:
    distance = np.arange(0.0, 1000.0 * km + 1.0, 50.0)
    return build("hill", distance, foot_m + grade_pct / 100.0 * distance)


def test_a_long_steady_climb_ends_where_heat_made_equals_heat_shed() -> None:
    """Against `heat.settle`, found by another way (halving) than the march in time."""
    road = hill(40.0, 0.0)
    blocked = PROFILE.with_parts("half_blocked_radiator")
    got = plan(road, blocked, Weather(46.0), [Way("level", 100.0, ac_on=True)])[0]
    pressure = standard_pressure_kpa(400.0)
    demand = Demand(got.heat_kw[-1], got.rpm[-1], 100.0, 1.0)
    rest = heat.settle(demand, Surroundings(46.0, air_density(pressure, 46.0)), blocked.cooling())
    assert not rest.regulated
    assert got.likely_c[-1] == pytest.approx(float(rest.coolant_c), abs=0.3)


def test_a_level_road_begins_where_it_stays() -> None:
    """A hot jam has no first minute of its own: fan clutch and radiator have come to rest with the coolant."""
    for way in (Way("jam", 12.0, ac_on=True), Way("cruise", 100.0)):
        got = plan(hill(12, 0.0), PROFILE.with_parts("weak_electric_fan"), Weather(43.0), [way])[0]
        assert np.ptp(got.likely_c) < 0.3


def test_a_part_is_planned_with_the_same_draws_as_the_vehicle_without_it() -> None:
    way, worn = Way("w", 70.0, ac_on=True), PROFILE.with_parts("slipping_fan_clutch")
    renewed = worn.with_parts("new_fan_clutch")
    before, after = plan_each(hill(10, 6.0), Weather(40.0), [(worn, way), (renewed, way)])
    assert np.array_equal(before.peaks_c, plan(hill(10, 6.0), worn, Weather(40.0), [way])[0].peaks_c)
    assert np.array_equal(after.peaks_c, plan(hill(10, 6.0), renewed, Weather(40.0), [way])[0].peaks_c)
    assert gain_c(before, after).likely > 0.5
    mass = [np.asarray(draws(profile)[0].mass_kg) for profile in (worn, worn.with_parts("leaking_cap"))]
    assert np.array_equal(*mass), "a figure that is known leaves the draws of the others alone"


def test_steeper_hotter_and_heavier_are_hotter() -> None:
    third = Way("third", 70.0, gear=3)  # the gear held: a shift down may outweigh a steeper road
    laden = VehicleProfile(typed={"mass_kg": Figure(3400.0, 60.0, "typed")})
    usual, steeper, hotter, heavier = (
        plan(hill(8, grade), profile, Weather(air), [third])[0].peak_c.likely
        for grade, profile, air in (
            (5.0, PROFILE, 35.0),
            (6.0, PROFILE, 35.0),
            (5.0, PROFILE, 42.0),
            (5.0, laden, 35.0),
        )
    )
    assert min(steeper, hotter, heavier) > usual


def test_ways_marched_together_are_those_marched_alone() -> None:
    ways = [Way("a", 80.0, ac_on=True), Way("b", 60.0), Way("c", 70.0, gear=2, heater_on=True)]
    together = plan(hill(12, 7.0), PROFILE, Weather(38.0), ways)
    for way, one in zip(ways, together, strict=True):
        alone = plan(hill(12, 7.0), PROFILE, Weather(38.0), [way])[0]
        assert np.array_equal(alone.likely_c, one.likely_c)
        assert alone.peak_c == one.peak_c


def test_a_speed_that_cannot_be_held_is_said_and_slowed() -> None:
    weak = VehicleProfile(
        typed={"mass_kg": Figure(5500.0, 50.0, "typed"), "displacement_l": Figure(2.5, 0.05, "typed")}
    )
    got = plan(hill(10, 9.0, 2000.0), weak, Weather(30.0), [Way("fast", 100.0)])[0]
    assert not got.holds[1:].any()  # the first place is the level before the foot
    assert got.speed_kmh[1:].max() < 80.0
    assert got.time_s[-1] > 10.0 / 80.0 * 3600.0


def test_remedies_start_gentle_and_their_gain_is_paired() -> None:
    way = Way("as wished", 80.0, ac_on=True)
    first = plan(hill(15, 7.0), PROFILE, Weather(40.0), [way])[0]
    others = plan(hill(15, 7.0), PROFILE, Weather(40.0), remedies(way, first, PROFILE))
    assert others[0].way.name.startswith("A/C off from")
    off = next(p for p in others if p.way.name == "A/C off from the foot")
    gained = gain_c(first, off)
    assert gained.low is not None
    assert gained.likely == pytest.approx(first.peaks_c[0] - off.peaks_c[0])
    assert gained.low > 0.0
    spread = np.quantile(first.peaks_c, 0.9) - np.quantile(first.peaks_c, 0.1)
    assert gained.high - gained.low < spread, "what is not known of the vehicle is the same in both"


def test_the_gentlest_comes_first() -> None:
    """In the same hour by minutes lost, A/C before engine speed; then other hours; the heater last."""
    way = Way("as wished", 80.0, ac_on=True)
    first = plan(hill(15, 7.0), PROFILE, Weather(40.0), [way])[0]
    others = plan(hill(15, 7.0), PROFILE, Weather(40.0), remedies(way, first, PROFILE))
    ordered = [other.way for other in sorted(others, key=lambda other: burden(first, other))]
    assert ordered[0].ac_off_from_m is not None
    assert (ordered[1].ac_on, ordered[1].gear, ordered[1].speed_kmh) == (False, None, 80.0)
    assert ordered[-1].heater_on
    hours = [way.cooler_c > 0.0 for way in ordered[:-1]]
    assert hours == sorted(hours)
    minutes = [other.time_s[-1] for other in sorted(others, key=lambda other: burden(first, other))]
    lost = [m for m, way in zip(minutes, ordered, strict=True) if not (way.cooler_c or way.heater_on)]
    assert np.all(np.diff(lost) > -31.0)  # whole minutes


def test_no_way_asks_for_more_than_the_rpm_limit() -> None:
    """Neither a way that is proposed, nor one that is wished: what a lever held down turns is bounded by the engine."""
    low = VehicleProfile(typed={"rpm_limit": Figure(4200.0, 50.0, "typed"), "mass_kg": Figure(3000.0, 60.0, "typed")})
    way = Way("as wished", 85.0)
    first = plan(hill(15, 7.0), low, Weather(40.0), [way])[0]
    tried = remedies(way, first, low)
    assert any(other.gear == 2 for other in tried)
    assert not any(other.gear == 1 and other.speed_kmh > 60.0 for other in tried)
    for got in plan(hill(15, 7.0), low, Weather(40.0), [*tried, Way("first", 85.0, gear=1)]):
        assert got.rpm.max() <= 4200.0
    assert not got.holds.any()


def test_slower_starts_from_what_the_engine_holds() -> None:
    heavy = VehicleProfile(typed={"mass_kg": Figure(5000.0, 60.0, "typed")})
    way = Way("as wished", 130.0)
    first = plan(hill(15, 8.0), heavy, Weather(30.0), [way])[0]
    held = float(np.median(first.speed_kmh[first.grade_pct > 7.0]))
    slower = [other.speed_kmh for other in remedies(way, first, heavy) if other.speed_kmh != 130.0]
    assert held < 100.0
    assert max(slower) == pytest.approx(held - 10.0, abs=1.0)


def test_a_stop_takes_its_time_and_lets_the_engine_cool() -> None:
    way = Way("no stop", 70.0)
    rest = Way("stop", 70.0, stop_at_m=9_000.0, stop_s=600.0)
    straight, stopped = plan(hill(14, 8.0), PROFILE, Weather(38.0), [way, rest])
    assert stopped.time_s[-1] - straight.time_s[-1] == pytest.approx(600.0)
    just_after = int(np.searchsorted(stopped.distance_m, 9_100.0))
    assert stopped.likely_c[just_after] < straight.likely_c[just_after]


def test_ways_that_stop_at_the_same_place_all_stop() -> None:
    ways = [Way(name, 70.0, ac_on=ac, stop_at_m=5_000.0, stop_s=300.0) for name, ac in (("a", True), ("b", False))]
    for got in plan(hill(10, 5.0), PROFILE, Weather(35.0), ways):
        assert got.time_s[-1] == pytest.approx(10_000.0 / (70.0 / 3.6) + 300.0, rel=1e-3)


def test_air_follows_the_typed_top_or_the_standard_lapse() -> None:
    lapse = plan(hill(20, 6.0), PROFILE, Weather(40.0), [Way("w", 70.0)])[0]
    assert lapse.air_c[0] - lapse.air_c[-1] == pytest.approx(6.5 * 1.2, abs=0.1)  # ISO 2533
    typed = plan(hill(20, 6.0), PROFILE, Weather(40.0, 28.0), [Way("w", 70.0)])[0]
    assert typed.air_c[-1] == pytest.approx(28.0, abs=0.1)


def test_draws_have_the_spread_of_the_profile() -> None:
    body, _, cooling = draws(VehicleProfile(), 1024)
    mass = np.asarray(body.mass_kg)
    assert mass[0] == VehicleProfile().figure("mass_kg").likely
    assert np.std(np.log(mass)) == pytest.approx(250.0 / 2300.0, rel=0.08)
    opens = np.asarray(cooling.open_c)
    assert np.std(opens) == pytest.approx(2.5, rel=0.08)
    assert abs(np.corrcoef(mass, opens)[0, 1]) < 0.1


def test_the_likely_vehicle_is_the_first_draw() -> None:
    got = plan(hill(10, 6.0), PROFILE, Weather(35.0), [Way("w", 70.0)])[0]
    assert got.peak_c.likely == pytest.approx(float(np.max(got.likely_c)))
    assert len(got.peaks_c) == DRAWS
