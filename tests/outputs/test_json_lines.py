"""One JSON object a line, in the form of the contract: keys, decimals, nulls, ASCII."""

from __future__ import annotations

import json
import re

from hypothesis import given, settings
from hypothesis import strategies as st

from livemon.core.outcome import (
    HORIZONS_S,
    Acted,
    Action,
    Advice,
    Band,
    Climb,
    Crossing,
    Level,
    Outcome,
    Status,
)
from livemon.outputs.json_lines import outcome_line, summary_line
from livemon.outputs.summary import Summary

KEYS = """
    time_s status level coolant_c age_s trusted doubts estimate_c rate_c_per_min limit_c stop_c margin_c ahead_c
    settles_c crossing time_to_limit_s chance chance_stop grade_pct climb boil_margin_c advice acted
""".split()  # noqa: SIM905 - reads as the contract does

number = st.none() | st.floats(allow_nan=True, allow_infinity=True)
band = st.none() | st.builds(Band, number, number, number)
chances = st.none() | st.tuples(*(st.tuples(st.just(h), st.floats(0, 1)) for h in HORIZONS_S))
outcomes = st.builds(
    Outcome,
    t_ms=st.integers(0, 10_000).map(lambda s: s * 1000),
    status=st.sampled_from(Status),
    level=st.sampled_from(Level),
    coolant_c=number,
    age_s=number,
    trusted=st.none() | st.booleans(),
    doubts=st.lists(st.text(), max_size=2).map(tuple),
    estimate_c=band,
    margin_c=band,
    ahead_c=st.none()
    | st.tuples(*(st.tuples(st.just(h), st.builds(Band, number, number, number)) for h in HORIZONS_S)),
    crossing=st.sampled_from(Crossing),
    chance=chances,
    chance_stop=chances,
    climb=st.none() | st.builds(Climb, st.booleans(), number, number, number, number),
    advice=st.lists(st.builds(Advice, st.sampled_from(Action), st.text(), st.text(), band, number), max_size=2).map(
        tuple
    ),
    acted=st.lists(st.builds(Acted, st.sampled_from(Action), st.floats(0, 1e4), number, number), max_size=2).map(tuple),
)

FULL = Outcome(
    t_ms=61_000,
    status=Status.LIVE,
    level=Level.CAUTION,
    coolant_c=97.0,
    age_s=0.25,
    trusted=True,
    doubts=("jumps",),
    estimate_c=Band(96.31, 96.94, 97.5),
    rate_c_per_min=Band(0.5, 0.749, None),
    limit_c=101.0,
    stop_c=111.0,
    margin_c=Band(3.5, 4.06, 4.69),
    ahead_c=((120, Band(97.0, 98.1, 99.0)),),
    settles_c=Band(101.0, 104.0, 108.0),
    crossing=Crossing.KNOWN,
    time_to_limit_s=Band(200.4, 330.6, None),
    chance=((120, 0.0),),
    chance_stop=((120, 0.0004),),
    grade_pct=Band(4.0, 5.04, 6.0),
    climb=Climb(True, 120.4, 3.21),
    boil_margin_c=Band(20.0, 21.0, 22.0),
    advice=(Advice(Action.AC_OFF, "A/C off", "saves 3 kW \N{DEGREE SIGN}", Band(0.5, 1.0, 1.5), 45.0),),
    acted=(Acted(Action.AC_OFF, 30.0, -1.0, -0.04),),
)
FULL_LINE = (
    '{"time_s": 61.000, "status": "live", "level": "caution", "coolant_c": 97.0, "age_s": 0.2, "trusted": true, '
    '"doubts": ["jumps"], "estimate_c": {"low": 96.3, "likely": 96.9, "high": 97.5}, '
    '"rate_c_per_min": {"low": 0.50, "likely": 0.75, "high": null}, "limit_c": 101.0, "stop_c": 111.0, '
    '"margin_c": {"low": 3.5, "likely": 4.1, "high": 4.7}, '
    '"ahead_c": {"120": {"low": 97.0, "likely": 98.1, "high": 99.0}}, '
    '"settles_c": {"low": 101.0, "likely": 104.0, "high": 108.0}, "crossing": "known", '
    '"time_to_limit_s": {"low": 200, "likely": 331, "high": null}, "chance": {"120": 0.000}, '
    '"chance_stop": {"120": 0.000}, "grade_pct": {"low": 4.0, "likely": 5.0, "high": 6.0}, '
    '"climb": {"on": true, "gained_m": 120, "minutes": 3.2, "to_go_m": null, "to_go_km": null}, '
    '"boil_margin_c": {"low": 20.0, "likely": 21.0, "high": 22.0}, '
    '"advice": [{"action": "ac_off", "words": "A/C off", "why": "saves 3 kW \\u00b0", '
    '"gain_c": {"low": 0.5, "likely": 1.0, "high": 1.5}, "gain_s": 45}], '
    '"acted": [{"action": "ac_off", "at_s": 30.000, "expected_c": -1.0, "seen_c": 0.0}]}\n'
)


def test_the_whole_line() -> None:
    assert outcome_line(FULL) == FULL_LINE


def test_what_is_not_known_is_null_and_every_key_is_there() -> None:
    said = json.loads(outcome_line(Outcome(0, Status.STARTING, Level.UNKNOWN)))
    assert list(said) == KEYS
    empty = {"doubts": [], "advice": [], "acted": [], "crossing": "unknown", "status": "starting", "level": "unknown"}
    assert {k: v for k, v in said.items() if v is not None} == {"time_s": 0.0, **empty}


@settings(max_examples=200, deadline=None)
@given(outcomes)
def test_every_outcome_is_one_line_of_strict_ascii_json(said: Outcome) -> None:
    line = outcome_line(said)
    assert line.isascii()
    assert line.count("\n") == 1
    assert not re.search(r"(?<![\d.])-0(\.0+)?(?![\d.])", re.sub(r'"(?:\\.|[^"\\])*"', "", line)), (
        "a minus before a zero"
    )

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON (RFC 8259)")

    assert list(json.loads(line, parse_constant=refuse)) == KEYS


def test_summary_line() -> None:
    summary = Summary(3, (("torn last line", 1),), 12.5, 103.0, 11.0, (9.0, 11.0), (4.0,), (), (5.0, None))
    assert summary_line(summary) == (
        '{"summary": {"rows": 3, "skipped": {"torn last line": 1}, "seconds": 12.500, "peak_c": 103.0, '
        '"peak_at_s": 11.000, "crossings": [9.000, 11.000], "cautions": [4.000], "warnings": [], '
        '"leads_s": [5.000, null]}}\n'
    )
