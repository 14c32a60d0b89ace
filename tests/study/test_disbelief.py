"""Which drives nobody should learn from, because the live program would not have believed their sensor."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import replace
from functools import cache

import pytest

from livemon.core.events import Event, Sample, Tick
from livemon.core.figures import FIGURES, Figure
from livemon.core.grid import on_grid
from livemon.core.moment import CoreSettings
from livemon.core.vehicle import VehicleProfile
from livemon.sim import drive as sim
from livemon.sim.scenarios import SCENARIOS
from livemon.study.disbelief import LEAST_S, LONGEST_HOLE_MS, Disbelief, Watch


@cache
def made_up(scenario: str) -> tuple[Event, ...]:
    some = SCENARIOS[scenario]
    return tuple(sim.run([some.build(1)], some.seconds).events(0))


def watched(events: Iterable[Event], profile: VehicleProfile | None = None, whole: bool = False) -> Watch:
    watch = Watch(CoreSettings(profile=profile or VehicleProfile()), whole)
    deque(watch.over(events), maxlen=0)
    return watch


def with_coolant(events: Iterable[Event], seconds: range, coolant_c: float) -> list[Event]:
    """The drive with that reading in `seconds`."""
    return [
        Sample(e.t_ms, tuple((n, coolant_c if n == "coolant_c" else v) for n, v in e.readings))
        if isinstance(e, Sample) and e.t_ms // 1000 in seconds
        else e
        for e in events
    ]


@pytest.mark.parametrize("scenario", ["karga-pass", "orlo-jam", "cold-morning", "orlo-dead-fan", "thermostat-open"])
def test_hot_drives_and_parts_that_fail_are_what_is_learned_from(scenario: str) -> None:
    watch = watched(made_up(scenario))
    assert watch.found is None
    assert not watch.unsure


@pytest.mark.parametrize("of_usual", [1.5, 0.7])
def test_a_vehicle_that_runs_otherwise_than_its_profile_says_is_believed(of_usual: float) -> None:
    usual = FIGURES["radiator_kw_k"].default
    typed = VehicleProfile(typed={"radiator_kw_k": Figure(of_usual * usual.likely, 0.02 * usual.likely)})
    for scenario in ("karga-pass", "orlo-jam"):
        assert watched(made_up(scenario), typed).found is None


@pytest.mark.parametrize(
    ("scenario", "words"),
    [("karga-leak", "0:11:39: reading fell 10 K"), ("karga-loose-sensor", "0:05:07: coolant reading jumps: 3 times")],
)
def test_coolant_that_left_the_sensor_and_a_loose_plug_are_not_with_time_and_reason(scenario: str, words: str) -> None:
    plain, whole = watched(made_up(scenario)), watched(made_up(scenario), whole=True)
    assert not plain.unsure
    assert plain.found == whole.found
    assert f"coolant sensor in doubt from {words}" in str(plain.found)


def test_a_sensor_that_sticks_is_looked_at_again_with_the_possible_vehicles_beside_it() -> None:
    assert watched(made_up("karga-stuck-sensor")).unsure
    whole = watched(made_up("karga-stuck-sensor"), whole=True)
    assert not whole.unsure
    assert "stands at 103 C for 5 min" in str(whole.found)


@pytest.mark.parametrize("coolant_c", [-40.0, 215.0])
def test_an_open_plug_is_left_in_for_some_seconds_and_not_for_minutes(coolant_c: float) -> None:
    short = with_coolant(made_up("karga-gentle"), range(300, 310), coolant_c)
    assert watched(short).found is None
    long = with_coolant(made_up("karga-gentle"), range(300, 310 + LEAST_S), coolant_c)
    found = watched(long).found
    assert found is not None
    assert found.at_s == pytest.approx(300.0, abs=3.0)
    assert "circuit" in found.words


def test_one_strange_reading_is_no_reason() -> None:
    assert watched(with_coolant(made_up("karga-gentle"), range(600, 601), 140.0)).found is None


def test_what_was_learned_does_not_speak_against_a_drive() -> None:
    taught = replace(VehicleProfile(), learned={"radiator_kw_k": Figure(9.0, 0.001)})
    for scenario in ("karga-pass", "karga-leak"):
        assert watched(made_up(scenario), taught).found == watched(made_up(scenario)).found


def test_events_pass_through_as_they_came_and_a_hole_of_hours_costs_no_time() -> None:
    events = [Sample(t_ms, (("coolant_c", 80.0),)) for t_ms in (0, 1_000, 2_000, 40_000_000, 40_001_000)]
    assert list(Watch(CoreSettings()).over(events)) == events
    assert sum(isinstance(event, Tick) for event in on_grid(events, LONGEST_HOLE_MS)) <= 5


def test_time_is_told_as_hours_minutes_seconds() -> None:
    assert str(Disbelief(3_725.4, "why")) == "coolant sensor in doubt from 1:02:05: why"
