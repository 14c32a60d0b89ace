"""The possible vehicles beside the real one: what a drive bears out of them, on drives made by the same cooling.

The real vehicle makes more or less heat than its figures say; only its readings tell.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core import fleet, heat, what_if
from livemon.core.air import air_density
from livemon.core.engine import coolant_heat_kw
from livemon.core.fleet import Fleet
from livemon.core.outcome import Status
from livemon.core.radiator import Demand, Surroundings
from livemon.core.signals import Inputs
from livemon.core.vehicle import VehicleProfile
from tests.core.sure import sure

PROFILE = sure(VehicleProfile())
AIR_C, KPA, KMH, RPM = 35.0, 95.0, 60.0, 2800.0


def follow(beside: Fleet, inputs: Inputs, fuel_kw: float) -> Fleet:
    """One tick on, as a moment takes it."""
    return fleet.heard(fleet.gathered(beside, inputs, fuel_kw, AIR_C), inputs, KPA)


def driven(made: float, fuel_kw: list[float], profile: VehicleProfile = PROFILE) -> tuple[Fleet, float]:
    """The vehicles beside one that makes `made` times the heat, a second an entry; and its own last coolant."""
    engine, cooling = PROFILE.engine(), PROFILE.cooling()
    beside = fleet.start(what_if.vehicles(profile))
    nodes = heat.regulated(90.0, AIR_C, 40.0, cooling)
    for k, fuel in enumerate(fuel_kw):
        demand = Demand(coolant_heat_kw(engine, fuel) * made, RPM, KMH)
        nodes = heat.advance(nodes, demand, Surroundings(AIR_C, float(air_density(KPA, AIR_C))), cooling, 1.0)
        news = ((k * 1000, float(np.floor(nodes.coolant_c))),)
        inputs = Inputs((k + 1) * 1000, Status.LIVE, speed_kmh=KMH, rpm=RPM, ac_on=False, coolant_news=news)
        beside = follow(beside, inputs, fuel)
    return beside, float(nodes.coolant_c)


CLIMB = [150.0] * 300 + [330.0] * 900


@pytest.mark.parametrize("made", [0.85, 1.0, 1.15])
def test_a_climb_tells_how_much_heat_is_made(made: float) -> None:
    beside, coolant_c = driven(made, CLIMB)
    assert coolant_c > 96.0
    assert beside.nodes is not None
    assert np.asarray(beside.nodes.coolant_c) == pytest.approx(coolant_c, abs=0.8)
    found = float((fleet.shares(beside) * beside.unknown[fleet.HEAT]).sum())
    assert found == pytest.approx(np.log(made), abs=0.04)
    assert np.sqrt(beside.cov[fleet.HEAT, fleet.HEAT]).max() < 0.05


def test_a_regulated_engine_tells_nothing_of_the_heat_made() -> None:
    beside, _ = driven(1.15, [90.0] * 900)
    assert np.abs(beside.unknown[fleet.HEAT]).max() < 0.01
    assert np.sqrt(beside.cov[fleet.HEAT, fleet.HEAT]).min() > 0.09


def test_vehicles_that_foretell_better_weigh_more() -> None:
    beside, _ = driven(1.0, CLIMB, VehicleProfile())
    weight = fleet.shares(beside)
    assert weight.sum() == pytest.approx(1.0)
    assert weight.max() > 1.5 / beside.size
    assert weight.max() / weight.min() <= np.exp(-fleet.LIGHTEST) * 1.001  # none is ever given up


def test_a_hole_ends_what_was_followed_and_keeps_what_was_learned() -> None:
    beside, _ = driven(1.15, CLIMB)
    gap = Inputs(2_000_000, Status.LIVE, speed_kmh=KMH, rpm=RPM, gap=True)
    after = follow(beside, gap, 100.0)
    assert after.nodes is None
    assert after.unknown[fleet.HEAT] == pytest.approx(beside.unknown[fleet.HEAT])
    assert follow(after, replace(gap, gap=False, speed_kmh=None), 100.0) is after


def test_nothing_is_followed_before_a_reading() -> None:
    beside = fleet.start(what_if.vehicles(PROFILE))
    for k in range(20):
        beside = follow(beside, Inputs(k * 1000, Status.LIVE, speed_kmh=KMH, rpm=RPM), 100.0)
    assert beside.nodes is None
