"""A line of the feed and the way back: whatever the core can say, a viewer gets it as it was rounded for the line."""

from __future__ import annotations

import json
from dataclasses import fields

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livemon.core.outcome import (
    Acted,
    Action,
    Advice,
    Band,
    Climb,
    Crossing,
    Level,
    OffPlan,
    Outcome,
    RoadAhead,
    Status,
    Withheld,
)
from livemon.outputs.feed_line import feed_line, health_of, outcome_of
from livemon.outputs.json_lines import outcome_line
from livemon.outputs.view_passenger import Health

figure = st.none() | st.integers(-5000, 5000).map(float)
words = st.text(max_size=20)
bands = st.none() | st.builds(Band, figure, figure, figure)
whole_bands = st.builds(Band, figure, figure, figure)
per_horizon = st.none() | st.tuples(
    *(st.tuples(st.just(h), st.sampled_from([0.0, 0.25, 1.0])) for h in (120, 300, 600))
)
outcome_fields = {
    "status": st.sampled_from(Status),
    "level": st.sampled_from(Level),
    "crossing": st.sampled_from(Crossing),
    "t_ms": st.integers(0, 10**9),
    "coolant_c": figure,
    "age_s": figure,
    "trusted": st.none() | st.booleans(),
    "doubts": st.lists(words, max_size=3).map(tuple),
    "estimate_c": bands,
    "rate_c_per_min": bands,
    "limit_c": figure,
    "stop_c": figure,
    "margin_c": bands,
    "ahead_c": st.none() | st.tuples(*(st.tuples(st.just(h), whole_bands) for h in (120, 300, 600))),
    "settles_c": bands,
    "time_to_limit_s": bands,
    "chance": per_horizon,
    "chance_stop": per_horizon,
    "grade_pct": bands,
    "climb": st.none() | st.builds(Climb, st.booleans(), figure, figure, figure, figure, figure, st.booleans()),
    "boil_margin_c": bands,
    "advice": st.lists(st.builds(Advice, gain_c=bands, gain_s=figure, words=words, why=words), max_size=2).map(tuple),
    "acted": st.lists(
        st.builds(Acted, at_s=st.integers(0, 10**6).map(float), expected_c=figure, seen_c=figure), max_size=2
    ).map(tuple),
    "silenced": st.booleans(),
    "speed_kmh": figure,
    "notes": st.lists(words, max_size=4).map(tuple),
    "reason": words,
    "easing": st.booleans(),
    "withheld": st.lists(st.builds(Withheld, st.sampled_from(Action), words), max_size=2).map(tuple),
    "off_plan": st.none() | st.builds(OffPlan, *6 * [st.integers(-5000, 5000).map(float)], figure),
    "road": st.none()
    | st.builds(
        RoadAhead,
        on_route=st.booleans(),
        words=words,
        along_km=figure,
        drift_km=figure,
        peak_c=bands,
        peak_in_km=figure,
        peak_in_s=figure,
        chance=st.sampled_from([None, 0.0, 0.25, 1.0]),
        summit_in_km=figure,
        summit_in_s=bands,
        summit_boil_margin_c=bands,
    ),
}
outcomes = st.builds(Outcome, **outcome_fields)
healths = st.builds(
    Health,
    source=words,
    link=words,
    rates_hz=st.lists(st.tuples(words, st.sampled_from([0.0, 0.5, 4.0])), max_size=3).map(tuple),
    mil=st.none() | st.booleans(),
    codes=st.none() | words,
    recorder=words,
    recorder_ok=st.none() | st.booleans(),
    inputs=st.lists(st.tuples(words, st.booleans()), max_size=3).map(tuple),
    voltage_v=figure,
    gps=words,
)


def test_nothing_the_core_can_say_is_left_out_of_these_tests() -> None:
    assert outcome_fields.keys() == {field.name for field in fields(Outcome)}


@settings(max_examples=60, deadline=None)
@given(outcomes, st.none() | healths)
def test_a_viewer_gets_what_the_core_said(said: Outcome, health: Health | None) -> None:
    line = feed_line(said, health)
    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    assert outcome_of(line) == said
    assert health_of(line) == health


def test_the_public_fields_are_the_public_line_unchanged() -> None:
    said = Outcome(4000, Status.LIVE, Level.NORMAL, coolant_c=91.0, notes=("a", "b", "c", "d", "e"))
    told, public = json.loads(feed_line(said)), json.loads(outcome_line(said))
    assert told["notes"] == ["b", "c", "d", "e"], "bounded"
    assert {key: told[key] for key in public} == public
    more = {"silenced", "speed_kmh", "notes", "reason", "easing", "withheld", "climb_more", "off_plan", "health"}
    assert told.keys() - public.keys() == more


def test_fields_of_a_later_version_are_passed_over() -> None:
    said = Outcome(4000, Status.LIVE, Level.NORMAL, coolant_c=91.0)
    later = json.dumps({**json.loads(feed_line(said)), "oil_margin_c": None}).encode()
    assert outcome_of(later) == said


@pytest.mark.parametrize(
    "line", [b"", b"{}", b"[1]", b"null", b'{"time_s": 1, "status": "fine", "level": "normal"}', b"\xff", b"[" * 9000]
)
def test_anything_else_is_told(line: bytes) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - JSON's own error is a ValueError too
        outcome_of(line)
