"""Figures and profiles: ranges, layers, part states, hypotheses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core import heat
from livemon.core.figures import BODY, COOLING, ENGINE, FIGURES, Figure
from livemon.core.together import Together
from livemon.core.vehicle import PARTS, VehicleProfile, spread_by, spread_ends, take


@pytest.mark.parametrize("name", FIGURES)
def test_default_lies_inside_its_range_and_says_where_it_is_from(name: str) -> None:
    key = FIGURES[name]
    assert key.low <= key.likely <= key.high
    assert key.spread >= 0
    assert key.meaning
    assert key.source
    if key.kind is not None:
        assert key.kind.units  # people can write it


def test_the_numbers_are_exactly_the_table() -> None:
    profile = VehicleProfile()
    for table, numbers in ((BODY, profile.body()), (ENGINE, profile.engine()), (COOLING, profile.cooling())):
        for name in table:
            assert getattr(numbers, name) == FIGURES[name].likely


def test_ranges_of_the_published_figures() -> None:
    cooling = VehicleProfile().cooling()
    assert 60 <= heat.heat_capacity_kj_k(cooling) <= 150  # metal that follows, with 9 to 15 L of coolant
    assert 0.10 <= cooling.ram_share <= 0.25
    assert 5 <= cooling.condenser_kw <= 10
    assert 2 <= cooling.compressor_kw <= 5
    assert cooling.air_share >= 0.8  # Webb & Trauger 1991
    assert 0.007 <= VehicleProfile().body().rolling_resistance <= 0.017


def test_learned_over_typed_over_default() -> None:
    typed = {"mass_kg": Figure(2400.0, 50.0, "typed"), "cap_kpa": Figure(90.0, 2.0, "typed")}
    learned = {"mass_kg": Figure(2450.0, 20.0, "learned from 3 logs")}
    profile = VehicleProfile(typed=typed, learned=learned)
    assert profile.figure("mass_kg").source == "learned from 3 logs"
    assert profile.figure("cap_kpa").likely == 90.0
    assert profile.figure("open_c") == FIGURES["open_c"].default
    assert profile.typed["mass_kg"].likely == 2400.0  # the typed part stays as it was


def test_a_learned_figure_has_the_part_states_in_it_that_stood_while_learning() -> None:
    taught = {"stack_flow": Figure(0.8, 0.04, "learned"), "thermostat_ceiling": Figure(0.4, 0.05, "learned")}
    both = ("clogged_condenser", "thermostat_stuck_part_open")
    together = Together(("stack_flow", "thermostat_ceiling"), ((1.0,), (-0.6, 0.8)))
    profile = VehicleProfile(learned=taught, parts=both, learned_parts=both, together=together)
    assert profile.state("stack_flow") == taught["stack_flow"]
    assert profile.state("thermostat_ceiling") == taught["thermostat_ceiling"]
    assert profile.joint() == together
    later = replace(profile, learned_parts=())
    assert later.state("stack_flow").likely == pytest.approx(0.8 * 0.85)
    assert later.state("thermostat_ceiling").likely == 0.3
    repaired = replace(profile, parts=())
    assert repaired.state("stack_flow").likely == pytest.approx(0.8 / 0.85)
    assert repaired.state("stack_flow").spread > 0.04 / 0.85
    assert repaired.state("thermostat_ceiling") == FIGURES["thermostat_ceiling"].default
    assert profile.with_parts("new_condenser").state("stack_flow").likely == 1.0
    assert not repaired.joint().normals({"thermostat_ceiling": np.ones(1), "stack_flow": np.zeros(1)})["stack_flow"][0]


@pytest.mark.parametrize("part", PARTS)
def test_part_states_change_their_figure_and_stay_in_range(part: str) -> None:
    change = PARTS[part]
    key = FIGURES[change.figure]
    state = VehicleProfile().with_parts(part).state(change.figure)
    assert key.low <= state.likely <= key.high
    if not change.fitted:
        assert state.likely != key.likely
    assert state.source == part


def test_a_new_part_replaces_the_worn_one() -> None:
    worn = VehicleProfile().with_parts("clogged_condenser")
    assert worn.cooling().stack_flow < 1.0
    assert worn.with_parts("new_condenser").cooling().stack_flow == 1.0
    with pytest.raises(KeyError):
        VehicleProfile().with_parts("no_such_part").cooling()


def test_hypotheses_follow_the_figure() -> None:
    z = np.random.default_rng(3).standard_normal(4000)
    body, engine, cooling = VehicleProfile(typed={"mass_kg": Figure(2000.0, 100.0)}).draw(
        {"mass_kg": z, "radiator_kw_k": z, "open_c": z, "displacement_l": z}
    )
    mass = np.asarray(body.mass_kg)
    assert np.median(mass) == pytest.approx(2000.0, rel=0.01)
    assert np.std(mass) == pytest.approx(100.0, rel=0.06)
    assert np.std(np.asarray(cooling.open_c)) == pytest.approx(FIGURES["open_c"].spread, rel=0.05)
    assert isinstance(cooling.metal_kj_k, (int, float))
    assert np.min(np.asarray(cooling.radiator_kw_k)) >= FIGURES["radiator_kw_k"].low
    assert engine.torque_scale is engine.displacement_l
    few = take(cooling, np.array([0, 0, 1]))
    np.testing.assert_array_equal(few.radiator_kw_k, np.asarray(cooling.radiator_kw_k)[[0, 0, 1]])
    assert few.metal_kj_k == cooling.metal_kj_k


def test_a_figure_without_spread_does_not_move() -> None:
    z = np.array([-3.0, 0.0, 3.0])
    np.testing.assert_array_equal(spread_by(FIGURES["cap_kpa"], Figure(0.0, 0.0), z), 0.0)
    np.testing.assert_array_equal(spread_by(FIGURES["mass_kg"], Figure(2000.0, 0.0), z), 2000.0)


@pytest.mark.parametrize("name", FIGURES)
def test_the_ends_of_a_range_are_where_spreading_stops(name: str) -> None:
    key = FIGURES[name]
    figure = Figure(key.likely, key.spread or 0.1)
    low, high = spread_ends(key, figure)
    assert low <= 0.0 <= high
    assert spread_by(key, figure, np.array(high)) == pytest.approx(key.high)
    assert spread_by(key, figure, np.array(low)) == pytest.approx(key.low, abs=1e-5)
