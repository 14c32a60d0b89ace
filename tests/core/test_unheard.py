"""What the possible vehicles would have done unheard: close to a sound vehicle, apart from one whose fan is gone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from livemon.core import fleet, heat, trust_cooling, unheard, what_if
from livemon.core.air import air_density
from livemon.core.engine import coolant_heat_kw
from livemon.core.heat import Nodes
from livemon.core.outcome import Status
from livemon.core.radiator import Demand, Surroundings
from livemon.core.signals import Inputs
from livemon.core.unheard import Departure, Unheard
from livemon.core.vehicle import VehicleProfile
from tests.core.sure import sure

KNOWN = sure(VehicleProfile())
AIR_C, KPA, RPM, JAM_KMH, FUEL_KW = 38.0, 95.0, 2200.0, 6.0, 130.0


def driven(
    seconds: int, fan_dies_s: int | None = None, gap_s: int | None = None, broke_s: int | None = None
) -> tuple[Unheard, dict[int, tuple[Departure, ...]]]:
    """A jam of a known vehicle, one second a tick; at each second that was looked at, the comparisons."""
    engine, cooling = KNOWN.engine(), KNOWN.cooling()
    state, followed = unheard.start(), fleet.start(what_if.vehicles(KNOWN))
    nodes = heat.regulated(92.0, AIR_C, 30.0, cooling)
    around = Surroundings(AIR_C, float(air_density(KPA, AIR_C)))
    out, reading = {}, 92.0
    for k in range(1, seconds + 1):
        dead = fan_dies_s is not None and k >= fan_dies_s
        parts = replace(cooling, electric_health=0.0, clutch_health=0.0) if dead else cooling
        nodes = heat.advance(nodes, Demand(coolant_heat_kw(engine, FUEL_KW), RPM, JAM_KMH), around, parts, 1.0)
        news = ((k * 1000, float(np.floor(nodes.coolant_c))),)
        inputs = Inputs(
            k * 1000, Status.LIVE, rpm=RPM, speed_kmh=JAM_KMH, ac_on=False, gap=k == gap_s, coolant_news=news
        )
        broke_ms = 0 if broke_s is None or k < broke_s else broke_s * 1000
        followed = fleet.gathered(followed, inputs, FUEL_KW, AIR_C)
        state, looks, stepped = unheard.advance(state, followed, k * 1000, KPA, reading, broke_ms)
        followed, reading = fleet.heard(followed, inputs, KPA, stepped), news[0][1]
        if looks:
            out[k] = looks
    return state, out


def test_the_fleet_stepped_with_its_copies_is_the_fleet_stepped_alone() -> None:
    alone = fleet.start(what_if.vehicles(KNOWN))
    state, together = unheard.start(), alone
    for k in range(1, 400):
        news = ((k * 1000, 90.0 + k // 40),)
        inputs = Inputs(k * 1000, Status.LIVE, rpm=RPM, speed_kmh=JAM_KMH, ac_on=False, coolant_news=news)
        alone = fleet.heard(fleet.gathered(alone, inputs, FUEL_KW, AIR_C), inputs, KPA)
        gathered = fleet.gathered(together, inputs, FUEL_KW, AIR_C)
        state, _, stepped = unheard.advance(state, gathered, k * 1000, KPA, 90.0)
        together = fleet.heard(gathered, inputs, KPA, stepped)
    for one, other in zip(alone[2:7], together[2:7], strict=True):
        if isinstance(one, Nodes):
            assert all(np.array_equal(getattr(one, name), getattr(other, name)) for name in Nodes.__slots__)
        else:
            assert np.array_equal(one, other)


def test_what_was_put_off_is_the_same_once_wanted() -> None:
    """Wanted always, from the fifteenth minute on, or by turns: the comparisons told are the same to the last bit."""
    begun = fleet.start(what_if.vehicles(KNOWN))
    told: list[dict[int, tuple[Departure, ...]]] = []
    for wanted in (lambda k: True, lambda k: k > 900, lambda k: k > 900 and k // 70 % 2 == 0):
        state, followed, looks = unheard.start(), begun, {}
        for k in range(1, 1400):
            news = ((k * 1000, 88.0 + k // 60),)
            inputs = Inputs(k * 1000, Status.LIVE, rpm=RPM, speed_kmh=JAM_KMH, ac_on=False, coolant_news=news)
            gathered = fleet.gathered(followed, inputs, FUEL_KW, AIR_C)
            state, now, stepped = unheard.advance(state, gathered, k * 1000, KPA, news[0][1], wanted=wanted(k))
            followed = fleet.heard(gathered, inputs, KPA, stepped)
            assert len(state.put_off) <= 2 * (unheard.LIVE_MS // 1000 // fleet.STEP_S + 15)
            if now:
                looks[k] = now
        told.append(looks)
    always, late, by_turns = told
    assert len(late) >= 40
    assert late == {k: some for k, some in always.items() if k > 900}
    assert len(by_turns) >= 20
    assert by_turns == {k: late[k] for k in by_turns}


def test_copies_are_bounded_and_no_older_than_seven_minutes() -> None:
    state, looks = driven(1000)
    assert 14 <= len(state.begin_ms) <= 15
    assert state.lanes is not None
    assert state.lanes.unknown.shape == (fleet.UNKNOWNS, len(state.begin_ms) * what_if.VEHICLES)
    ages = {one.age_s for some in looks.values() for one in some}
    assert min(ages) >= unheard.YOUNGEST_S
    assert 390 <= max(ages) <= 450


def test_a_sound_vehicle_does_what_is_expected_of_it() -> None:
    _, looks = driven(1000)
    late = [one for at, some in looks.items() if at > 500 for one in some]
    assert late
    assert all(abs(one.over_c) < 1.5 and abs(one.nearest) < 1.5 for one in late)
    assert all(one.opening > 0.9 for one in late)


def test_a_fan_that_dies_parts_from_it_within_two_minutes() -> None:
    _, looks = driven(900, fan_dies_s=700)
    before = [one for at, some in looks.items() if 500 < at < 700 for one in some]
    assert max(one.nearest for one in before) < 1.5
    soon = [one for one in looks[820] if 130 <= one.age_s <= 240]
    assert soon
    assert all(one.over_c > 5.0 and one.over_c > 3.0 * one.spread_c and one.nearest > 2.0 for one in soon)


def test_nothing_is_compared_across_a_hole_or_another_reading() -> None:
    for state, looks in (driven(700, gap_s=600), driven(700, broke_s=600)):
        assert all(begin >= 600_000 for begin in state.begin_ms)
        assert all(one.age_s <= at - 600 for at, some in looks.items() if at > 600 for one in some)


def test_a_sound_vehicle_surprises_nobody_and_a_dead_fan_does() -> None:
    _, sound_looks = driven(1000)
    _, looks = driven(900, fan_dies_s=700)
    calm = [one.surprise for at, some in sound_looks.items() if at > 500 for one in some if one.surprise is not None]
    assert calm
    assert max(calm) < 3.0
    late = sorted(one.surprise for one in looks[850] if one.surprise is not None)
    assert len(late) >= 4
    assert late[-2] > trust_cooling.RISE_SURPRISE


def test_what_was_known_of_copies_is_bounded_and_reaches_five_minutes_before_the_oldest() -> None:
    state, _ = driven(1500)
    assert len(state.known) == unheard.REMEMBERED
    assert state.begin_ms[0] - state.known[0].begin_ms >= 270_000
    assert state.sums.seconds > 1400
