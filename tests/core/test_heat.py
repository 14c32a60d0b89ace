"""The step and its analytic pieces: protection standards, energy balance, equilibrium, thermostat, one or many."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livemon.core import heat
from livemon.core.heat import Nodes
from livemon.core.radiator import COOLANT_KJ_LK, Demand, Surroundings, coolant_flow_l_s
from livemon.core.vehicle import Cooling, VehicleProfile

COOLING = VehicleProfile().cooling()
AROUND = Surroundings(35.0, 1.05)

# IEC 60255-149 (formulas as relay makers print them), k IB = 1: t / tau for load I, cold and with previous load Ip.
IEC = {
    1.05: (2.3755, 2.1183, 1.7877, 1.0486),
    1.10: (1.7513, 1.5198, 1.2321, 0.6444),
    1.20: (1.1856, 0.9949, 0.7697, 0.3589),
    1.50: (0.5878, 0.4700, 0.3422, 0.1415),
    2.00: (0.2877, 0.2231, 0.1570, 0.0614),
    5.00: (0.0408, 0.0308, 0.0210, 0.0079),
}


@pytest.mark.parametrize("load", IEC)
def test_operate_times_of_thermal_overload_protection(load: float) -> None:
    for before, expected in zip((0.0, 0.5, 0.7, 0.9), IEC[load], strict=True):
        assert heat.time_to_limit_s(before**2, load**2, 1.0, 1.0) == pytest.approx(expected, abs=6e-5)


def test_operate_times_in_seconds() -> None:
    assert heat.time_to_limit_s(0.0, 2.25, 1.0, 600.0) == pytest.approx(352.7, abs=0.05)
    assert heat.time_to_limit_s(0.81, 2.25, 1.0, 600.0) == pytest.approx(84.9, abs=0.05)


@pytest.mark.parametrize(
    ("tau", "now", "limit", "settles", "expected"),
    [(300, 95, 115, 125, 329.6), (300, 95, 115, 116, 913.4), (240, 95, 115, 120, 386.3), (300, 100, 115, 130, 207.9)],
)
def test_temperature_form(tau: float, now: float, limit: float, settles: float, expected: float) -> None:
    # The same standard with temperatures, computed by hand: t = tau ln((Tinf - T) / (Tinf - Tlim)).
    assert heat.time_to_limit_s(now, settles, limit, tau) == pytest.approx(expected, abs=0.06)


def test_never_and_already() -> None:
    assert heat.time_to_limit_s(95.0, 115.0, 115.0, 300.0) == np.inf
    assert heat.time_to_limit_s(95.0, 90.0, 115.0, 300.0) == np.inf
    assert heat.time_to_limit_s(116.0, 130.0, 115.0, 300.0) == 0.0
    many = heat.time_to_limit_s(np.array([95.0, 95.0, 120.0]), np.array([125.0, 110.0, 100.0]), 115.0, 300.0)
    np.testing.assert_allclose(many, [329.58, np.inf, 0.0], atol=0.01)


def test_exponential_rise() -> None:
    # IEEE C57.91 / IEC 60076-7: share of the rise after 0.5, 1, 2, 3, 4, 5 time constants.
    for taus, share in ((0.5, 39.35), (1, 63.21), (2, 86.47), (3, 95.02), (4, 98.17), (5, 99.33)):
        assert heat.rise_c(20.0, 120.0, taus * 300.0, 300.0) - 20.0 == pytest.approx(share, abs=0.006)


@given(st.floats(60, 110), st.floats(112, 140), st.floats(60, 900))
def test_rise_and_time_to_limit_are_one_curve(now: float, settles: float, tau: float) -> None:
    time = float(heat.time_to_limit_s(now, settles, 111.0, tau))
    assert heat.rise_c(now, settles, time, tau) == pytest.approx(111.0, abs=1e-6)


def adiabatic() -> Cooling:
    """Nothing leaves: the thermostat shut, no loss."""
    return replace(
        COOLING, thermostat_floor=0.0, thermostat_ceiling=1e-9, loss_kw_k=0.0, metal_kj_k=60.0, coolant_l=4.0
    )


def test_five_kilowatts_on_a_hundred_kilojoules_are_three_kelvin_a_minute() -> None:
    cooling = adiabatic()
    mass = float(cooling.metal_kj_k + heat.engine_coolant_kj_k(cooling))
    cooling = replace(cooling, metal_kj_k=cooling.metal_kj_k + 100.0 - mass)
    nodes = heat.regulated(60.0, 35.0, 5.0, cooling)
    for _ in range(60):
        nodes = heat.advance(nodes, Demand(5.0, 0.0, 0.0), AROUND, cooling, 1.0)
    before = nodes.coolant_c
    for _ in range(60):
        nodes = heat.advance(nodes, Demand(5.0, 0.0, 0.0), AROUND, cooling, 1.0)
    # 3.0 K/min, less what the trickle to the cold radiator takes
    assert nodes.coolant_c - before == pytest.approx(3.0, abs=1.1)
    assert nodes.coolant_c - before < 3.0


@settings(max_examples=60, deadline=None)
@given(
    st.floats(5, 90),
    st.floats(700, 4500),
    st.floats(0, 110),
    st.floats(0, 1),
    st.floats(0.2, 5),
    st.floats(60, 120),
    st.floats(0, 25),
)
def test_every_step_keeps_the_energy(
    made_kw: float, rpm: float, speed: float, ac: float, dt_s: float, coolant_c: float, over: float
) -> None:
    """Stored heat changes by exactly what came in less what went out at the end of the step (backward Euler)."""
    start = Nodes(coolant_c + over, coolant_c, coolant_c - 20.0, 0.6, 0.3, 0.0)
    demand = Demand(made_kw, rpm, speed, ac, 1.0)
    after = heat.advance(start, demand, AROUND, COOLING, dt_s)
    stored = (
        COOLING.metal_kj_k * (after.metal_c - start.metal_c)
        + heat.engine_coolant_kj_k(COOLING) * (after.coolant_c - start.coolant_c)
        + COOLING.radiator_kj_k * (after.radiator_c - start.radiator_c)
    ) / dt_s
    flow = COOLANT_KJ_LK * coolant_flow_l_s(COOLING, rpm, after.opening)
    into_radiator = flow * (after.coolant_c - after.radiator_c)
    kept = COOLING.radiator_kj_k * (after.radiator_c - start.radiator_c) / dt_s
    shed_kw = into_radiator - kept
    lost = heat.loss_kw_k(COOLING, speed) * (after.metal_c - AROUND.air_c)
    heater = COOLING.heater_kw_k * (after.coolant_c - heat.CABIN_C)
    assert stored == pytest.approx(made_kw - shed_kw - lost - heater, abs=1e-6)


def run(nodes: Nodes, demand: Demand, cooling: Cooling, seconds: float, dt_s: float) -> Nodes:
    for _ in range(round(seconds / dt_s)):
        nodes = heat.advance(nodes, demand, AROUND, cooling, dt_s)
    return nodes


# Demands that end open, regulated, on the clutch, in traffic with A/C, and with the heater on.
DEMANDS = [
    Demand(58.0, 2600.0, 80.0, 1.0),
    Demand(80.0, 3400.0, 70.0),
    Demand(22.0, 2000.0, 90.0),
    Demand(12.0, 900.0, 6.0, 1.0),
    Demand(70.0, 3000.0, 60.0, 1.0, 1.0),
]


@pytest.mark.parametrize("demand", DEMANDS)
def test_settle_is_where_the_step_ends(demand: Demand) -> None:
    """The equilibrium solver and two hours of stepping agree within 0.3 K (regulated: within the hysteresis)."""
    settled = heat.settle(demand, AROUND, COOLING)
    end = run(heat.regulated(88.0, 35.0, 20.0, COOLING), demand, COOLING, 7200.0, 1.0)
    slack = float(COOLING.hysteresis_c) + 0.3 if bool(settled.regulated) else 0.3
    assert float(settled.coolant_c) == pytest.approx(float(end.coolant_c), abs=slack)


def test_time_constant_is_that_of_the_step() -> None:
    """With the thermostat full open a small step of heat follows exp(-t / tau) within 10 %."""
    base = Demand(75.0, 3000.0, 80.0)
    more = replace(base, heat_kw=76.0)
    fixed = replace(COOLING, clutch_on_share=0.25, electric_m_s=0.0)
    start = run(heat.regulated(100.0, 35.0, 60.0, fixed), base, fixed, 4000.0, 1.0)
    settled = heat.settle(more, AROUND, fixed)
    tau = float(settled.tau_s)
    after = run(start, more, fixed, round(tau), 1.0)
    share = (after.coolant_c - start.coolant_c) / (float(settled.coolant_c) - start.coolant_c)
    assert not bool(settled.regulated)
    assert share == pytest.approx(0.632, abs=0.06)


def test_error_of_long_steps() -> None:
    """Against steps of 0.1 s on a hard climb after cruising: what `advance` says of its own error, in kelvin."""
    cruise = run(heat.regulated(88.0, 35.0, 20.0, COOLING), Demand(25.0, 2000.0, 90.0), COOLING, 600.0, 0.5)
    climb = Demand(75.0, 3200.0, 75.0, 1.0)
    exact, rough = cruise, dict.fromkeys((0.5, 1.0, 2.0, 5.0), cruise)
    for _ in range(3):
        exact = run(exact, climb, COOLING, 100.0, 0.1)
        for dt_s, allowed in ((0.5, 0.15), (1.0, 0.3), (2.0, 0.6), (5.0, 1.6)):
            rough[dt_s] = run(rough[dt_s], climb, COOLING, 100.0, dt_s)
            assert rough[dt_s].coolant_c == pytest.approx(float(exact.coolant_c), abs=allowed), dt_s


@pytest.mark.parametrize("dt_s", [0.5, 5.0, 30.0, 300.0])
def test_no_step_is_too_long_to_be_stable(dt_s: float) -> None:
    nodes = run(heat.cold(35.0, COOLING), Demand(60.0, 2600.0, 80.0), COOLING, 100 * dt_s, dt_s)
    assert 35.0 < nodes.coolant_c < 160.0


def test_one_by_one_is_the_same_as_many_at_once() -> None:
    rng = np.random.default_rng(5)
    names = ["radiator_kw_k", "metal_kj_k", "open_c", "ram_share", "clutch_on_c", "electric_on_c", "recirculation"]
    normals = {name: rng.standard_normal(6) for name in names}
    _, _, many = VehicleProfile().draw(normals)
    start = np.linspace(80.0, 105.0, 6)
    batch = heat.regulated(start, 35.0, 30.0, many)
    demand = Demand(55.0, 2600.0, 70.0, 1.0)
    for _ in range(50):
        batch = heat.advance(batch, demand, AROUND, many, 1.0)
    settled = heat.settle(demand, AROUND, many)
    for i in range(6):
        values = {f.name: getattr(many, f.name) for f in fields(many)}
        one = Cooling(**{k: float(v[i]) if isinstance(v, np.ndarray) else v for k, v in values.items()})
        nodes = heat.regulated(float(start[i]), 35.0, 30.0, one)
        for _ in range(50):
            nodes = heat.advance(nodes, demand, AROUND, one, 1.0)
        assert nodes.coolant_c == pytest.approx(float(np.asarray(batch.coolant_c)[i]), abs=1e-9)
        alone = float(heat.settle(demand, AROUND, one).coolant_c)
        assert alone == pytest.approx(float(np.asarray(settled.coolant_c)[i]), abs=1e-6)


def test_thermostat_rests_between_its_two_curves() -> None:
    cooling = replace(COOLING, open_c=82.0, full_span_c=13.0, hysteresis_c=3.0, thermostat_lag_s=1e-3)
    up = heat.thermostat(cooling, 0.01, 88.5, 10.0)
    assert up == pytest.approx(0.5)
    assert heat.thermostat(cooling, up, 87.0, 10.0) == pytest.approx(0.5)  # falling 1.5 K: still inside
    assert heat.thermostat(cooling, up, 84.0, 10.0) == pytest.approx(5.0 / 13.0)  # past the closing curve
    assert heat.thermostat(cooling, up, 99.0, 10.0) == 1.0  # service manual: full at 95
    assert heat.thermostat(cooling, up, 60.0, 10.0) == pytest.approx(float(cooling.thermostat_floor))
    stuck = VehicleProfile().with_parts("thermostat_stuck_open").cooling()
    assert heat.thermostat(stuck, 1.0, 20.0, 10.0) == 1.0


def test_engine_warms_up_and_is_regulated() -> None:
    demand = Demand(20.0, 1900.0, 70.0)
    nodes = heat.cold(10.0, COOLING)
    around = Surroundings(10.0, 1.2)
    warm_at = None
    for second in range(1800):
        nodes = heat.advance(nodes, demand, around, COOLING, 1.0)
        if warm_at is None and nodes.coolant_c > 80.0:
            warm_at = second
    assert warm_at is not None
    assert 180 < warm_at < 900  # three to fifteen minutes from cold (common practice, no source)
    assert COOLING.open_c - 3.0 < nodes.coolant_c < COOLING.full_c
    stuck = VehicleProfile().with_parts("thermostat_stuck_open").cooling()
    never = run(heat.cold(10.0, stuck), demand, stuck, 1800.0, 1.0)
    assert never.coolant_c < COOLING.open_c - 10.0


def test_electric_fan_switches_with_hysteresis_or_when_forced() -> None:
    on_c, span = float(COOLING.electric_on_c), float(COOLING.electric_span_c)
    assert heat.electric_target(COOLING, 0.0, on_c - 0.1, 0.0) == 0.0
    assert heat.electric_target(COOLING, 0.0, on_c, 0.0) == 1.0
    assert heat.electric_target(COOLING, 1.0, on_c - span + 0.1, 0.0) == 1.0
    assert heat.electric_target(COOLING, 1.0, on_c - span, 0.0) == 0.0
    assert heat.electric_target(COOLING, 0.0, 60.0, 1.0) == 1.0


def test_a_running_ac_doses_the_electric_fan_and_leaves_no_hysteresis() -> None:
    dosed = replace(COOLING, ac_fan=0.6)
    between_c = float(COOLING.electric_on_c - 0.5 * COOLING.electric_span_c)
    assert heat.electric_forced(dosed, 1.0, 0.0) == 0.6
    assert heat.electric_forced(dosed, 1.0, 1.0) == 1.0
    assert heat.electric_forced(dosed, 0.0, 0.0) == 0.0
    assert heat.electric_target(dosed, 0.6, between_c, 0.6) == 0.6  # it had not started by the coolant
    assert heat.electric_target(dosed, 1.0, between_c, 0.6) == 1.0


@pytest.mark.parametrize("ac_fan", [0.5, 1.0, 1.2])
def test_hotter_coolant_or_a_switch_never_slows_the_electric_fan(ac_fan: float) -> None:
    """However hard the A/C drives it; and a long drive comes to rest where `settle` says."""
    dosed = replace(COOLING, ac_fan=ac_fan, electric_m_s=1.6, fan_m_s_krpm=0.0)
    assert heat.electric_forced(dosed, 1.0, 1.0) >= heat.electric_forced(dosed, 1.0, 0.0)
    speeds = [float(heat.electric_target(dosed, ac_fan, c, ac_fan)) for c in (90.0, 95.5, 99.0)]
    assert speeds == sorted(speeds)
    demand = Demand(45.0, 2500.0, 20.0, 1.0)
    rest = run(heat.cold(95.0, dosed), demand, dosed, 7200.0, 5.0)
    assert rest.coolant_c == pytest.approx(heat.settle(demand, AROUND, dosed).coolant_c, abs=0.3)


def test_slower_up_the_same_grade_is_cooler() -> None:
    """Grade dominates: 30 % less heat at 60 than at 80 km/h, while ram air falls by a quarter."""
    fast = heat.settle(Demand(47.1 * 1.6, 2600.0, 80.0), AROUND, COOLING)
    slow = heat.settle(Demand(32.9 * 1.6, 2000.0, 60.0), AROUND, COOLING)
    assert slow.coolant_c < fast.coolant_c
