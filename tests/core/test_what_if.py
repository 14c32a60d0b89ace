"""What actions change in the demand, against figures worked by hand, and what they buy, against the physics itself."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from scipy import stats

from livemon.core import engine, estimator, heat, signals, what_if
from livemon.core.deeds import Many, Now, demand_after, demand_now
from livemon.core.draws import draws, normal_quantile
from livemon.core.estimator import State
from livemon.core.events import Mark, Sample
from livemon.core.figures import Figure
from livemon.core.outcome import Action, Band
from livemon.core.radiator import Demand
from livemon.core.signals import Inputs
from livemon.core.vehicle import VehicleProfile


def typed(**figures: float) -> VehicleProfile:
    return VehicleProfile(typed={name: Figure(value, 0.0, "typed") for name, value in figures.items()})


# The road-load equation worked for 2200 kg, 6 %, CdA 1.2 m2, Crr 0.013, 1.0 kg/m3 (g 9.80665): force at the wheels
# 1738.9 N at 60 km/h, 1868.5 N at 80: 28.98 and 41.52 kW.  Plain arithmetic on the textbook equation.
WHEEL_KW = {60: 28.98, 80: 41.52}
PLAIN = typed(
    mass_kg=2200.0,
    drag_area_m2=1.2,
    rolling_resistance=0.013,
    driveline_efficiency=0.85,
    friction_bar=0.3,
    friction_bar_krpm=0.0,
    accessory_kw=0.0,
    fan_m_s_krpm=0.0,
    displacement_l=4.36,
    indicated_efficiency=0.36,
    lockup_kmh=60.0,
    idle_rpm=700.0,
)


def one(profile: VehicleProfile) -> Many:
    body, motor, cooling = profile.body(), profile.engine(), profile.cooling()
    return Many(body, motor, cooling)


def now(fuel_kw: float, speed_kmh: float = 70.0, rpm: float = 2500.0, **more: object) -> Now:
    column = np.array
    return Now(
        fuel_kw=column([fuel_kw]),
        speed_kmh=column([speed_kmh]),
        rpm=column([rpm]),
        ac_on=column([float(bool(more.pop("ac", 0.0)))]),
        heater_on=0.0,
        fan_on=0.0,
        air_c=25.0,
        air_kg_m3=1.0,
        clutch=column([0.0]),
        **more,  # type: ignore[arg-type]  # test shorthand
    )


def fuel_of(many: Many, asked: Demand | None) -> float:
    assert asked is not None
    return float(np.asarray(engine.fuel_kw_from_coolant_heat(many.engine, asked.heat_kw))[0])


def test_fuel_from_heat_turns_heat_from_fuel_round() -> None:
    motor = VehicleProfile().engine()
    for fuel in (20.0, 60.0, 174.5, 300.0):
        made = engine.coolant_heat_kw(motor, fuel)
        assert float(engine.fuel_kw_from_coolant_heat(motor, made)) == pytest.approx(fuel, rel=1e-9)


def test_another_speed_asks_what_the_road_load_equation_says() -> None:
    many = one(PLAIN)
    speed = 70.0
    friction = 0.3 * 4.36 * 2500.0 / 1200.0  # mean pressure [bar] x litres x rpm / 1200
    at_70 = (1292.2 + 280.0 + 463.0 * 0.49) * speed / 3600.0
    fuel = (at_70 / 0.85 + friction) / 0.36
    for action, other in ((Action.SLOW_DOWN, 60), (Action.SPEED_UP, 80)):
        after = demand_after(many, now(fuel), action)
        lost = friction * other / speed
        assert fuel_of(many, after) == pytest.approx((WHEEL_KW[other] / 0.85 + lost) / 0.36, rel=0.004)
        assert after is not None
        assert float(np.asarray(after.rpm)[0]) == pytest.approx(2500.0 * other / speed)
        assert float(np.asarray(after.speed_kmh)[0]) == other


def test_a_lower_gear_costs_the_friction_of_the_faster_engine() -> None:
    many = one(PLAIN)
    before = now(150.0, lower_ratio=1.5, lower_locks=True)
    after = demand_after(many, before, Action.DOWNSHIFT)
    more = 0.3 * 4.36 * (3750.0 - 2500.0) / 1200.0
    assert fuel_of(many, after) == pytest.approx(150.0 + more / 0.36, rel=1e-6)
    up = demand_after(many, now(150.0, higher_ratio=0.7, higher_locks=True), Action.UPSHIFT)
    assert fuel_of(many, up) == pytest.approx(150.0 - 0.3 * 4.36 * 750.0 / 1200.0 / 0.36, rel=1e-6)
    open_converter = demand_after(many, now(150.0, lower_ratio=1.5), Action.DOWNSHIFT)
    assert open_converter is not None
    assert float(np.asarray(open_converter.rpm)[0]) > 3750.0, "an open converter slips"
    assert fuel_of(many, open_converter) > fuel_of(many, after)


def test_without_the_compressor_its_shaft_power_is_spared() -> None:
    many = one(typed(compressor_kw=3.0, fan_m_s_krpm=0.0))
    before = now(120.0, rpm=3000.0, ac=1.0)
    # at 25 C outside its duty is 0.3 + 0.035 x 10 = 0.65, by 0.5 + 3000/3000 held at 1
    assert fuel_of(many, demand_after(many, before, Action.AC_OFF)) == pytest.approx(
        120.0 - 3.0 * 0.65 / 0.36, rel=1e-6
    )
    assert demand_after(many, now(120.0), Action.AC_OFF) is None, "it is off already"


def test_neutral_lets_go_the_drag_of_the_stalled_converter() -> None:
    many = one(typed(converter_nm_krpm2=52.0))
    idle = now(16.0, speed_kmh=0.0, rpm=700.0, standing=True)
    drag_kw = 52.0 * 0.7**2 * 700.0 * pi / 30.0 / 1000.0  # 25.5 Nm at 73.3 rad/s
    assert fuel_of(many, demand_after(many, idle, Action.IDLE_NEUTRAL)) == pytest.approx(
        16.0 - drag_kw / 0.36, rel=1e-6
    )
    raised = demand_after(many, idle, Action.RAISE_IDLE)
    assert raised is not None
    assert float(np.asarray(raised.rpm)[0]) == 1400.0
    assert demand_after(many, now(60.0), Action.RAISE_IDLE) is None, "not on the move"


def test_what_is_not_known_is_not_guessed() -> None:
    many = one(PLAIN)
    blind = replace(now(100.0), rpm=None, speed_kmh=None)
    for action in (Action.SLOW_DOWN, Action.SPEED_UP, Action.DOWNSHIFT, Action.UPSHIFT, Action.RAISE_IDLE):
        assert demand_after(many, blind, action) is None
    assert demand_after(many, blind, Action.HEATER_ON) is not None
    assert demand_after(many, now(100.0, speed_kmh=3.0), Action.SLOW_DOWN) is None
    assert demand_after(many, now(100.0), Action.PULL_OVER) is None


def test_draws_begin_with_the_likely_vehicle_and_spread_as_the_profile_says() -> None:
    body, motor, cooling = draws(VehicleProfile(), 400)
    assert np.asarray(body.mass_kg)[0] == VehicleProfile().body().mass_kg
    share = np.log(np.asarray(cooling.radiator_kw_k)[1:] / 1.8)
    assert share.std() == pytest.approx(0.4 / 1.8, rel=0.1)
    assert np.asarray(motor.displacement_l).shape == (400,)
    at = np.array([0.025, 0.1, 0.5, 0.9, 0.975])
    np.testing.assert_allclose(stats.norm.cdf(normal_quantile(at)), at, atol=0.003)


READINGS = {"speed_kmh": 70.0, "rpm": 2600.0, "maf_g_s": 52.0, "ambient_air_c": 34.0, "baro_kpa": 92.0}
IDLING = {"speed_kmh": 0.0, "rpm": 700.0, "maf_g_s": 6.0, "ambient_air_c": 40.0, "baro_kpa": 98.0}


def seen(
    profile: VehicleProfile, readings: dict[str, float], ac_on: bool | None, coolant_c: float = 106.0
) -> tuple[State, Inputs]:
    """Estimator and inputs after four minutes at a steady coolant and demand."""
    heard, state = signals.Signals(), estimator.start(profile)
    inputs = None
    if ac_on is not None:
        heard = signals.hear(heard, Mark(0, (("ac_on", ac_on),)))
    for second in range(1, 241):
        heard = signals.hear(heard, Sample(second * 1000, (("coolant_c", coolant_c), *readings.items())))
        heard, inputs = signals.at_tick(heard, second * 1000, None, None)
        state = estimator.advance(state, inputs)
    assert inputs is not None
    return state, inputs


def bought(
    profile: VehicleProfile, readings: dict[str, float], action: Action, ac_on: bool | None = True
) -> tuple[Band, float | None]:
    state, inputs = seen(profile, readings, ac_on)
    return what_if.gains(what_if.vehicles(profile), state, inputs, 108.0, [action])[action]


def test_every_possible_vehicle_stands_where_the_reading_stands() -> None:
    profile = VehicleProfile()
    state, inputs = seen(profile, READINGS, True)
    moment = what_if.fitted(what_if.vehicles(profile), state, inputs)
    assert moment is not None
    known = estimator.estimate(state)
    assert known is not None
    nodes, asked = moment.nodes, demand_now(moment.many, moment.now)
    for _ in range(8):
        nodes = heat.advance(nodes, asked, moment.around, moment.many.cooling, 15.0)
    moved = np.asarray(nodes.coolant_c) - np.asarray(moment.nodes.coolant_c)
    assert np.abs(moved).max() < 2.5, "two minutes at the demand it stood steady at"
    assert np.median(np.abs(moved)) < 0.7
    assert np.asarray(moment.nodes.coolant_c)[0] == pytest.approx(known.coolant_c.likely)


def likely(gain: tuple[Band, float | None]) -> float:
    assert gain[0].likely is not None
    return gain[0].likely


# The pattern by which parts are told apart: the step of the A/C is much larger at low speed (follows from the
# condenser's heat over the air that passes).
def test_the_air_conditioning_off_buys_more_the_slower_the_vehicle() -> None:
    slow = {**READINGS, "speed_kmh": 25.0, "rpm": 1500.0, "maf_g_s": 22.0}
    assert likely(bought(VehicleProfile(), slow, Action.AC_OFF)) > 1.5 * likely(
        bought(VehicleProfile(), READINGS, Action.AC_OFF)
    )


def test_an_undeclared_air_conditioning_may_be_off_already() -> None:
    gain, _ = bought(VehicleProfile(), READINGS, Action.AC_OFF, ac_on=None)
    declared, _ = bought(VehicleProfile(), READINGS, Action.AC_OFF)
    assert gain.low is not None
    assert declared.low is not None
    assert gain.low < 0.0 < declared.low


def test_a_lower_gear_does_not_help_an_electric_fan() -> None:
    # third of four gears, converter locked: 70 km/h x 3.9 over a radius of 0.37 m is 1957 rpm
    locked = {**READINGS, "rpm": 1970.0, "maf_g_s": 40.0}
    electric = typed(fan_m_s_krpm=0.0, electric_m_s=1.8, lockup_kmh=40.0)
    hurts = likely(bought(electric, locked, Action.DOWNSHIFT))
    assert hurts < 0.0
    driven = typed(fan_m_s_krpm=1.6, clutch_on_share=0.85, electric_m_s=0.0, lockup_kmh=40.0)
    assert likely(bought(driven, locked, Action.DOWNSHIFT)) > hurts


def test_the_gear_is_told_by_the_torque_of_an_open_converter() -> None:
    body = VehicleProfile().body()
    turbines = [2800.0, 1530.0, 1000.0, 720.0]
    # T = c Ne^2 (1 - (Nt/Ne)^4): 52 x 1.911^2 = 189.9; 1 - 175/189.9 = 0.0785; fourth root 0.529; 1911 x 0.529 = 1011
    assert what_if.gear_by_torque(body, 1911.0, turbines, 175.0) == 3
    assert what_if.gear_by_torque(body, 1540.0, turbines, 60.0) == 2, "locked"
    assert what_if.gear_by_torque(body, 2000.0, [400.0], 20.0) is None


def test_slower_helps_on_a_grade_and_may_hurt_where_ram_air_is_all_there_is() -> None:
    heavy = {**READINGS, "maf_g_s": 75.0}
    grade = likely(bought(typed(fan_m_s_krpm=0.0, electric_m_s=1.5), heavy, Action.SLOW_DOWN))
    crawl = {**READINGS, "speed_kmh": 30.0, "rpm": 1400.0, "maf_g_s": 14.0}
    level = likely(bought(typed(fan_m_s_krpm=0.0, electric_m_s=0.0, mass_kg=1800.0), crawl, Action.SLOW_DOWN))
    assert grade > 0.3
    assert level < 0.0


def test_idle_actions_are_for_a_standstill() -> None:
    state, inputs = seen(VehicleProfile(), IDLING, True)
    told = what_if.gains(what_if.vehicles(VehicleProfile()), state, inputs, 108.0, list(Action))
    assert Action.IDLE_NEUTRAL in told
    assert Action.SLOW_DOWN not in told
    assert likely(told[Action.IDLE_NEUTRAL]) > 0.0
    assert likely(told[Action.AC_OFF]) > 0.0


def test_later_or_sooner_by_so_many_seconds() -> None:
    profile = VehicleProfile()
    state, inputs = seen(profile, {**READINGS, "maf_g_s": 60.0}, True, 104.0)
    for limit in (103.0, 150.0):
        told = what_if.gains(what_if.vehicles(profile), state, inputs, limit, [Action.AC_OFF])
        assert told[Action.AC_OFF][1] == (0.0 if limit == 103.0 else None)


def test_nothing_before_the_first_reading_and_the_same_twice() -> None:
    profile = VehicleProfile()
    many = what_if.vehicles(profile)
    heard, inputs = signals.at_tick(signals.Signals(), 1000, None, None)
    assert what_if.gains(many, estimator.start(profile), inputs, 108.0, [Action.AC_OFF]) == {}
    state, inputs = seen(profile, READINGS, None)
    first = what_if.gains(many, state, inputs, 108.0, list(Action))
    assert repr(first) == repr(what_if.gains(what_if.vehicles(profile), state, inputs, 108.0, list(Action)))
    assert heard.latest == {}


def test_moments_together_are_the_moments_one_by_one_to_the_last_bit() -> None:
    profile = VehicleProfile()
    jam = {**READINGS, "speed_kmh": 12.0, "rpm": 900.0, "maf_g_s": 9.0}
    crawl = {**READINGS, "speed_kmh": 3.0, "rpm": 800.0}
    unknown = {name: value for name, value in READINGS.items() if name not in ("speed_kmh", "rpm")}
    asked = [
        what_if.Asked(*seen(profile, {**readings, "ambient_air_c": air_c}, ac_on, coolant_c), limit_c)
        for readings in (READINGS, jam, IDLING, crawl, unknown)
        for ac_on, coolant_c, limit_c, air_c in (
            (True, 104.0, 108.0, 36.0),
            (True, 101.0, 102.0, 31.0),
            (False, 106.0, 105.0, 36.0),
            (None, 84.0, 95.0, 20.0),
        )
    ]
    many, actions = what_if.vehicles(profile), list(Action)
    one_by_one = [what_if.gains(many, *one, actions) for one in asked]
    assert len({tuple(told) for told in one_by_one}) > 4, "several kinds of moments"
    assert repr(what_if.gains_each(many, asked * 9, actions)) == repr(one_by_one * 9)


def test_a_vehicle_without_air_conditioning_has_no_condenser() -> None:
    many = what_if.vehicles(VehicleProfile(has_ac=False))
    assert np.all(np.asarray(many.cooling.condenser_kw) == 0.0)
    assert np.all(np.asarray(many.cooling.compressor_kw) == 0.0)
