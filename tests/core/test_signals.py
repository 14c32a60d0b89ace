"""Signals: ages, patience, status, and what is handed over at a tick."""

from __future__ import annotations

import pytest

from livemon.core.events import Link, Mark, Sample
from livemon.core.outcome import Status
from livemon.core.signals import Inputs, Signals, at_tick, hear


def told(*events: Sample | Link | Mark) -> Signals:
    state = Signals()
    for event in events:
        state = hear(state, event)
    return state


def coolant(t_ms: int, value: float = 90.0, **others: float) -> Sample:
    return Sample(t_ms, (("coolant_c", value), *others.items()))


def look(state: Signals, t_ms: int) -> Inputs:
    return at_tick(state, t_ms, None, None)[1]


def test_nothing_heard_is_starting_then_no_coolant() -> None:
    state = told(Link(0, True))
    assert look(state, 30_000).status is Status.STARTING
    assert look(state, 31_000).status is Status.NO_COOLANT


def test_a_link_that_never_came_up_is_starting_then_no_link() -> None:
    state = told(Link(0, False, "starting"))
    assert look(state, 30_000).status is Status.STARTING
    assert look(state, 31_000).status is Status.NO_LINK


def test_stale_comes_within_three_missed_periods_and_hides_the_number() -> None:
    state = told(*(coolant(k * 1000) for k in range(10)))
    assert look(state, 12_000).coolant_c == 90.0
    late = look(state, 12_001)
    assert late.status is Status.STALE
    assert late.coolant_c is None
    assert late.coolant_age_s == pytest.approx(3.001)


def test_a_slow_bus_is_not_stale() -> None:
    state = told(*(coolant(k * 3000) for k in range(10)))
    assert look(state, 27_000 + 9_000).status is Status.LIVE
    assert look(state, 27_000 + 9_001).status is Status.STALE


def test_coolant_missing_while_others_answer_is_no_coolant() -> None:
    state = told(*(coolant(k * 1000) for k in range(5)), *(Sample(k * 1000, (("rpm", 900.0),)) for k in range(5, 60)))
    assert look(state, 59_000).status is Status.NO_COOLANT


def test_a_link_down_hides_everything_at_once() -> None:
    seen = look(told(coolant(0), Link(500, False, "port vanished")), 1000)
    assert (seen.status, seen.coolant_c, seen.link_reason) == (Status.NO_LINK, None, "port vanished")


def test_engine_off_needs_five_seconds_of_zero_rpm() -> None:
    state = told(*(coolant(k * 1000, rpm=0.0) for k in range(6)))
    assert look(state, 4_000).status is Status.LIVE
    assert look(state, 5_000).status is Status.ENGINE_OFF
    assert look(state, 5_000).coolant_c == 90.0


def test_news_are_handed_over_once() -> None:
    state, first = at_tick(told(coolant(100), coolant(900, 91.0)), 1000, None, None)
    assert first.coolant_news == ((100, 90.0), (900, 91.0))
    assert at_tick(state, 2000, None, None)[1].coolant_news == ()


def test_a_hole_is_marked_at_the_first_news_after_it() -> None:
    state, _ = at_tick(told(coolant(0), coolant(1000)), 1000, None, None)
    assert look(hear(state, coolant(22_000)), 22_000).gap
    assert not look(hear(state, coolant(20_000)), 20_000).gap


def test_backward_time_is_counted_and_never_steps_back() -> None:
    state = told(coolant(5000, 90.0), coolant(3000, 70.0))
    seen = look(state, 6000)
    assert seen.late == 1
    assert seen.coolant_c == 90.0
    assert seen.coolant_age_s == 1.0
    assert seen.coolant_news == ((5000, 90.0),)


def test_declared_inputs_and_outside_air() -> None:
    state = told(coolant(0), Mark(0, (("ac_on", True), ("silenced", True)), "foot of the pass"))
    seen = at_tick(state, 1000, 36.0, 2150.0)[1]
    assert (seen.ac_on, seen.silenced, seen.fan_on, seen.outside_c, seen.mass_kg) == (True, True, None, 36.0, 2150.0)
    assert seen.notes == ("foot of the pass",)
    measured = at_tick(told(coolant(0, ambient_air_c=31.0)), 1000, 36.0, None)[1]
    assert measured.outside_c == 31.0


def test_old_speed_is_unknown_not_zero() -> None:
    state = told(coolant(0, speed_kmh=0.0), *(coolant(k * 1000) for k in range(1, 30)))
    assert look(state, 29_000).speed_kmh is None


def test_the_old_state_is_untouched() -> None:
    state = told(coolant(0))
    before = dict(state.latest)
    hear(state, coolant(1000, 95.0))
    at_tick(state, 1000, None, None)
    assert dict(state.latest) == before
    assert state.news == ((0, 90.0),)


def test_holes_of_a_failing_link_do_not_stretch_what_counts_as_usual() -> None:
    """Each third reading comes 5 s late; a mean of the gaps would let 6 s pass as live."""
    times, now = [0], 0
    for k in range(1, 30):
        now += 5000 if k % 3 == 0 else 1000
        times.append(now)
    state = told(*(coolant(t) for t in times))
    assert look(state, now + 3_000).status is Status.LIVE
    assert look(state, now + 3_001).status is Status.STALE


def test_a_bus_that_becomes_slow_is_believed_after_a_few_readings() -> None:
    state = told(*(coolant(k * 1000) for k in range(20)), *(coolant(19_000 + k * 4000) for k in range(1, 8)))
    assert look(state, 47_000 + 12_000).status is Status.LIVE
    assert look(state, 47_000 + 12_001).status is Status.STALE
