"""The level table: every row begins, holds and ends as docs/alerts.md says; never on one reading, never chattering."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields, replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livemon.core import alert, signals
from livemon.core.alert import ROWS, AlertSettings, AlertState, Evidence
from livemon.core.alert_table import Ground
from livemon.core.events import Tick
from livemon.core.grid import on_grid
from livemon.core.outcome import Band, Level, Status
from livemon.readers.log_file import LogFile
from tests.datasets import dataset

S = AlertSettings()
DOC = Path(__file__).resolve().parents[2] / "docs/alerts.md"
CALM = Evidence(0, Status.LIVE, limit_c=110.0, stop_c=120.0, coolant_c=90.0, estimate_c=Band(89.0, 90.0, 91.0))


def run(
    evidence: Iterable[Evidence], state: AlertState | None = None, s: AlertSettings = S
) -> tuple[AlertState, list[Level]]:
    state = state or alert.start()
    levels = []
    for e in evidence:
        state, level = alert.decide(state, e, s)
        levels.append(level)
    return state, levels


def seconds(like: Evidence, begin_s: int, end_s: int) -> list[Evidence]:
    """One tick and one reading a second, all alike."""
    live = like.status in (Status.LIVE, Status.ENGINE_OFF) and like.coolant_c is not None
    return [replace(like, t_ms=1000 * s, readings=s if live else begin_s) for s in range(begin_s, end_s)]


def at(temperature_c: float, **more: object) -> Evidence:
    band = Band(temperature_c - 1, temperature_c, temperature_c + 1)
    return replace(CALM, coolant_c=temperature_c, estimate_c=band, **more)  # type: ignore[arg-type]  # test shorthand


LOST = Evidence(0, Status.NO_LINK, limit_c=110.0, stop_c=120.0)

BEGINS = {
    "coolant_lost": at(90, coolant_lost=True),
    "stop_reached": at(120),
    "stop_coming": at(112, chance_stop=((120, 0.5),)),
    "fault_warning": at(90, danger=Level.WARNING),
    "limit_reached": at(110),
    "limit_coming": at(100, chance=((300, 0.5),)),
    "limit_on_climb": at(90, regulating=True, climb_chance=0.6),
    "limit_soon": at(105, time_to_limit_s=Band(40, 60, 90)),
    "limit_closing": at(108, rate_c_per_min=Band(0.5, 1.0, 1.5), usual_c=100.0),
    "fault_caution": at(90, danger=Level.CAUTION),
    "limit_close": at(108),
    "limit_possible": at(95, chance=((600, 0.25),)),
    "fault_advisory": at(90, danger=Level.ADVISORY),
}
STAYS = {
    "stop_reached": at(118),
    "stop_coming": at(112, chance_stop=((120, 0.15),)),
    "limit_reached": at(108),
    "limit_coming": at(100, chance=((300, 0.046),)),
    "limit_on_climb": at(90, climb_chance=0.2),
    "limit_soon": at(105, time_to_limit_s=Band(90, 120, 150)),
    "limit_closing": at(105.5),
    "limit_close": at(106),
    "limit_possible": at(95, chance=((600, 0.151),)),
}


def test_documents_hold_the_table_of_the_code() -> None:
    text = DOC.read_text(encoding="utf-8")
    assert alert.table() in text
    assert alert.settings_table() in text


def test_first_level_is_unknown_and_one_reading_is_not_enough() -> None:
    state, levels = run([replace(CALM, t_ms=0, readings=1), replace(CALM, t_ms=1000, readings=1)])
    assert levels == [Level.UNKNOWN, Level.UNKNOWN]
    _, levels = run([replace(CALM, t_ms=2000, readings=2)], state)
    assert levels == [Level.NORMAL]


@pytest.mark.parametrize("name", BEGINS)
def test_row_begins_after_its_delay_and_not_before(name: str) -> None:
    row = next(r for r in ROWS if r.name == name)
    state, _ = run(seconds(CALM, 0, 20))
    _, levels = run(seconds(BEGINS[name], 20, 20 + 120), state)
    delay = int(getattr(S, row.on))
    assert levels[delay] == row.level
    assert max(levels[:delay]) < row.level


@pytest.mark.parametrize("name", BEGINS)
def test_row_stays_in_its_deadband_and_ends_after_delay_and_hold(name: str) -> None:
    row = next(r for r in ROWS if r.name == name)
    state, _ = run([*seconds(CALM, 0, 20), *seconds(BEGINS[name], 20, 60)])
    state, levels = run(seconds(STAYS.get(name, BEGINS[name]), 60, 200), state)
    assert min(levels) >= row.level
    _, levels = run(seconds(CALM, 200, 400), state)
    off = int(getattr(S, row.off))
    assert min(levels[:off]) >= row.level
    assert levels[-1] == Level.NORMAL


def test_every_row_is_tried_here() -> None:
    assert {r.name for r in ROWS} == {*BEGINS, "lost_in_caution", "lost_hot", "lost"}


@pytest.mark.parametrize(
    ("before", "rises"),
    [
        (at(80), [(9, Level.NORMAL), (10, Level.ADVISORY), (600, Level.ADVISORY)]),
        (at(108.2), [(10, Level.ADVISORY), (29, Level.ADVISORY), (30, Level.CAUTION), (600, Level.CAUTION)]),
        (at(111), [(0, Level.CAUTION), (89, Level.CAUTION), (90, Level.WARNING), (600, Level.WARNING)]),
    ],
    ids=["cool", "hot", "in_caution"],
)
@pytest.mark.parametrize("status", [Status.STALE, Status.NO_LINK, Status.NO_COOLANT])
def test_lost_data_hold_the_level_and_then_raise_it(
    before: Evidence, rises: list[tuple[int, Level]], status: Status
) -> None:
    state, _ = run(seconds(before, 0, 30))
    _, levels = run(seconds(replace(LOST, status=status), 30, 700), state)
    for second, level in rises:
        assert levels[second] == level, second
    assert levels == sorted(levels)


def test_data_back_end_what_the_silence_began() -> None:
    state, _ = run([*seconds(at(108.2), 0, 30), *seconds(LOST, 30, 100)])
    assert state.level == Level.CAUTION
    _, levels = run(seconds(at(100), 100, 140), state)
    assert levels[-1] == Level.NORMAL


def test_link_cut_with_the_engine_seen_off_is_no_alarm() -> None:
    off = replace(at(108), status=Status.ENGINE_OFF)
    state, _ = run([*seconds(at(107), 0, 5), *seconds(off, 5, 15)])
    _, levels = run(seconds(LOST, 15, 400), state)
    assert max(levels) <= Level.ADVISORY
    assert levels[-1] == Level.UNKNOWN


def test_never_seen_stays_unknown() -> None:
    _, levels = run([*seconds(replace(LOST, status=Status.STARTING), 0, 30), *seconds(LOST, 30, 300)])
    assert set(levels) == {Level.UNKNOWN}


def test_regulating_thermostat_needs_a_higher_chance_and_has_no_short_time() -> None:
    slope = at(100, regulating=True, chance=((300, 0.3),), time_to_limit_s=Band(30, 50, 90))
    _, levels = run(seconds(slope, 0, 100))
    assert max(levels) == Level.NORMAL
    _, levels = run(seconds(replace(slope, chance=((300, 0.4),)), 0, 100))
    assert max(levels) == Level.CAUTION


def test_warming_up_needs_a_higher_chance_still_and_has_no_short_time() -> None:
    slope = at(100, regulating=True, warming=True, chance=((300, 0.8),), time_to_limit_s=Band(30, 50, 90))
    _, levels = run(seconds(slope, 0, 100))
    assert max(levels) == Level.NORMAL
    _, levels = run(seconds(replace(slope, chance=((300, 0.9),)), 0, 100))
    assert max(levels) == Level.CAUTION


def test_a_shut_thermostat_keeps_a_far_chance_from_an_advisory() -> None:
    """On a long descent, or cold: a climb may come within ten minutes, but the engine makes less heat than it sheds."""
    likely = ((600, 0.4),)
    _, levels = run(seconds(at(80, chance=likely, opening=0.01), 0, 60))
    assert max(levels) is Level.NORMAL
    state, levels = run(seconds(at(90, chance=likely, opening=0.3), 0, 60))
    assert levels[-1] is Level.ADVISORY
    state, levels = run(seconds(at(84, chance=likely, opening=0.03), 60, 120), state)
    assert levels[-1] is Level.ADVISORY, "all but shut: it stays, and would not begin"
    _, levels = run(seconds(at(80, chance=likely, opening=0.01), 120, 180), state)
    assert levels[-1] is Level.NORMAL


def test_a_level_that_only_stands_out_its_time_is_told_to_ease() -> None:
    state, _ = run(seconds(at(111), 0, 40))
    assert not state.easing
    state, _ = run(seconds(at(108.5), 40, 45), state)
    assert not state.easing, "in the deadband"
    state, _ = run(seconds(at(106), 45, 50), state)
    assert (state.level, state.reason, state.easing) == (Level.CAUTION, "limit reached", True)
    held, _ = run(seconds(LOST, 50, 55), state)
    assert not held.easing, "nothing eases unseen"
    state, _ = run(seconds(at(100), 50, 100), state)
    assert (state.level, state.easing) == (Level.NORMAL, False)


def test_the_first_level_is_never_normal_over_the_limit() -> None:
    """Started again on a hot climb: unknown for three seconds, then a caution."""
    _, levels = run(seconds(at(112), 0, 10))
    assert levels == [Level.UNKNOWN] * 3 + [Level.CAUTION] * 7


@pytest.mark.parametrize("row", ["stop_coming", "limit_coming", "limit_soon", "limit_closing", "limit_possible"])
def test_nothing_is_foreseen_of_an_engine_that_stands(row: str) -> None:
    """Key on at a summit: what soaks into the coolant is soon over; a line that is reached still counts."""
    off = replace(BEGINS[row], status=Status.ENGINE_OFF)
    begun, _ = run(seconds(BEGINS[row], 0, 30))
    assert begun.level >= Level.ADVISORY
    state, _ = run(seconds(off, 0, 60))
    # 108 of 110 C is close, and 112 C over it, engine or not
    reached = {"limit_closing": Level.ADVISORY, "stop_coming": Level.CAUTION}.get(row, Level.NORMAL)
    assert state.level is reached
    ended, _ = run(seconds(off, 30, 120), begun)
    assert ended.level is reached
    assert run(seconds(replace(off, moving=True), 0, 60))[0].level is begun.level, "a speed sensor of the engine fails"
    assert run(seconds(at(111, status=Status.ENGINE_OFF), 0, 10))[0].level is Level.CAUTION


def test_what_falls_fast_well_under_the_limit_begins_no_level_by_forecast() -> None:
    """A hot restart, then downhill: 94 C, falling 6 K a minute, "limit coming"."""
    down = {"rate_c_per_min": Band(-4.0, -3.0, -2.0)}
    for row in ("limit_coming", "limit_possible"):
        state, levels = run(seconds(replace(BEGINS[row], **down), 0, 60))
        assert set(levels) == {Level.UNKNOWN, Level.NORMAL}, row
        assert run(seconds(BEGINS[row], 60, 80), state)[0].level > Level.NORMAL, "the fall is over"
        begun, _ = run(seconds(BEGINS[row], 0, 40))
        assert run(seconds(replace(BEGINS[row], **down), 40, 200), begun)[0].level is begun.level, "it stays"
        slower = replace(BEGINS[row], rate_c_per_min=Band(-3.9, -2.9, -1.9))
        assert run(seconds(slower, 0, 60))[0].level > Level.NORMAL
    near = at(105.5, chance=((300, 0.5),), **down)
    assert run(seconds(near, 0, 60))[0].level is Level.CAUTION


def test_resting_after_a_climb_a_caution_ends_and_does_not_come_back_for_a_low_chance() -> None:
    """Ten minutes after the summit, 90 C and steady: a chance of 0.15 to 0.2 held the caution of the climb."""
    rest = replace(at(90, chance=((300, 0.19),)), rate_c_per_min=Band(-0.5, 0.0, 0.5), usual_c=94.0)
    hot, _ = run(seconds(at(100, chance=((300, 0.5),)), 0, 40))
    assert hot.level is Level.CAUTION
    ended, _ = run(seconds(rest, 40, 110), hot)
    assert ended.level is Level.NORMAL
    assert run(seconds(replace(rest, chance=((300, 0.39),)), 110, 200), ended)[0].level is Level.NORMAL
    assert run(seconds(replace(rest, chance=((300, 0.4),)), 110, 140), ended)[0].level is Level.CAUTION
    for not_at_rest in (
        {"usual_c": 89.0},
        {"usual_c": None},
        {"rate_c_per_min": Band(0.1, 0.6, 1.0)},
        {"rate_c_per_min": None},
    ):
        assert run(seconds(replace(rest, **not_at_rest), 40, 200), hot)[0].level is Level.CAUTION, not_at_rest
    near = replace(at(98.5, chance=((300, 0.19),)), rate_c_per_min=Band(-0.5, 0.0, 0.5), usual_c=101.0)
    assert run(seconds(near, 40, 200), hot)[0].level is Level.CAUTION


def test_disbelieved_reading_counts_for_nothing_alone() -> None:
    shorted = replace(CALM, coolant_c=215.0, trusted=False)
    _, levels = run(seconds(shorted, 0, 100))
    assert max(levels) == Level.NORMAL


def test_silence_mutes_its_level_for_a_time_and_never_a_worse_one() -> None:
    state, _ = run(seconds(at(111), 0, 30))
    assert not state.silenced
    state, _ = run(seconds(replace(at(111), silenced_ms=30_000), 30, 31), state)
    assert state.silenced
    state, levels = run(seconds(replace(at(111), silenced_ms=30_000), 31, 30 + 179), state)
    assert state.silenced
    assert set(levels) == {Level.CAUTION}, "silence never hides"
    worse, _ = run(seconds(replace(at(121), silenced_ms=30_000), 209, 209 + 4), state)
    assert worse.level == Level.WARNING
    assert not worse.silenced
    later, _ = run(seconds(replace(at(111), silenced_ms=30_000), 209, 212), state)
    assert not later.silenced, "sounds again after caution_repeat_s"
    again, _ = run(seconds(replace(at(111), silenced_ms=212_000), 212, 213), later)
    assert again.silenced


def test_silence_pressed_before_an_alarm_does_not_mute_it() -> None:
    early = replace(CALM, silenced_ms=5_000)
    state, _ = run([*seconds(early, 5, 10), *seconds(replace(at(111), silenced_ms=5_000), 10, 20)])
    assert state.level == Level.CAUTION
    assert not state.silenced


@pytest.mark.parametrize("key", fields(AlertSettings), ids=lambda k: k.name)
def test_settings_defaults_lie_in_their_range_and_the_range_is_kept(key: object) -> None:
    meta = key.metadata  # type: ignore[attr-defined]  # a dataclasses.Field
    name = key.name  # type: ignore[attr-defined]  # a dataclasses.Field
    assert meta["low"] <= getattr(S, name) <= meta["high"]
    for wrong in (meta["low"] - 1, meta["high"] + 1, float("nan")):
        with pytest.raises(ValueError, match=f"alert.{name}: expected"):
            AlertSettings(**{name: wrong})


temperatures = st.sampled_from([60.0, 90.0, 104.0, 107.9, 108.0, 109.9, 110.0, 112.0, 119.9, 120.0, 125.0])
chances = st.sampled_from([0.0, 0.2, 0.3, 0.5, 0.8, 1.0])


@st.composite
def drives(draw: st.DrawFn) -> list[Evidence]:
    """A few minutes in pieces of 1 to 40 s, each piece anything at all; readings each 1 to 4 s."""
    out: list[Evidence] = []
    period = draw(st.integers(1, 4))
    second = readings = 0
    for _ in range(draw(st.integers(1, 12))):
        status = draw(st.sampled_from([*Status, Status.LIVE, Status.LIVE, Status.LIVE]))
        e = LOST
        if status in (Status.LIVE, Status.ENGINE_OFF):
            e = at(
                draw(temperatures),
                chance=((120, draw(chances)), (300, draw(chances)), (600, draw(chances))),
                chance_stop=((120, draw(chances)),),
                coolant_lost=draw(st.booleans()),
                danger=draw(st.sampled_from([Level.NORMAL, Level.NORMAL, Level.CAUTION, Level.WARNING])),
                regulating=draw(st.booleans()),
                warming=draw(st.booleans()),
            )
        for _ in range(draw(st.integers(1, 40))):
            readings += e.coolant_c is not None and second % period == 0
            out.append(replace(e, status=status, t_ms=1000 * second, readings=readings))
            second += 1
    return out


@settings(deadline=None, max_examples=70)
@given(drives())
def test_no_alarm_chatters(drive: list[Evidence]) -> None:
    """ISA-18.2: the same alarm three times in a minute is chattering (an alarm-management article)."""
    _, levels = run(drive)
    for alarm in (Level.ADVISORY, Level.CAUTION, Level.WARNING):
        onsets = [second for second in range(1, len(levels)) if levels[second] >= alarm > levels[second - 1]]
        assert all(third - first > 60 for first, third in zip(onsets, onsets[2:], strict=False))


@settings(deadline=None, max_examples=70)
@given(drives(), st.integers(1, 12), st.sampled_from([*BEGINS.values(), CALM]))
def test_one_reading_alone_never_changes_a_level(drive: list[Evidence], ticks: int, outlier: Evidence) -> None:
    """With everything quiet but one reading, which may stand until the next one comes, the level stays as it was."""
    state, _levels = run(drive)
    begin = drive[-1].t_ms // 1000 + 1
    count = drive[-1].readings
    quiet = [replace(CALM, t_ms=1000 * (begin + k), readings=count + 1 + k // 3) for k in range(300)]
    state, levels = run(quiet, state)
    assert levels[-1] == Level.NORMAL
    begin, count = begin + 300, quiet[-1].readings
    odd = [replace(outlier, t_ms=1000 * (begin + k), readings=count + 1) for k in range(ticks)]
    state, levels = run(odd, state)
    assert set(levels) == {Level.NORMAL}


@settings(deadline=None, max_examples=100)
@given(drives())
def test_a_level_never_falls_while_data_are_lost(drive: list[Evidence]) -> None:
    _, levels = run(drive)
    lost = {Status.STALE, Status.NO_LINK, Status.NO_COOLANT}
    was_off = False
    for before, level, e in zip(levels, levels[1:], drive[1:], strict=False):
        was_off = e.status is Status.ENGINE_OFF or (was_off and e.status in lost)
        if e.status in lost and not was_off:
            assert level >= before


# Trips of the KIT vehicle data set (CC BY 4.0) with holes of minutes in the readings, and the peak of each.
WITH_HOLES = {
    "kit_20170711_ka_ka_stau": 94.0,
    "kit_20170713_rt_ka_stau_messfehler": 93.0,
    "kit_20180218_rt_ka_stau": 95.0,
}


@pytest.mark.parametrize("name", WITH_HOLES)
def test_holes_in_real_trips_are_no_caution(name: str) -> None:
    """By the readings alone, with the limit 3 degC above the trip's own peak."""
    found = sorted(dataset("kit-obd2-2023/by_cycle").glob(f"{name}*.csv"))
    state, heard, readings, levels = alert.start(), signals.Signals(), 0, set()
    for event in on_grid(LogFile(found[0]).events()):
        if not isinstance(event, Tick):
            heard = signals.hear(heard, event)
            continue
        heard, inputs = signals.at_tick(heard, event.t_ms, None, None)
        readings += len(inputs.coolant_news)
        limit_c = WITH_HOLES[name] + 3.0
        e = Evidence(event.t_ms, inputs.status, limit_c, limit_c + 10, readings, coolant_c=inputs.coolant_c)
        state, level = alert.decide(state, e, S)
        levels.add(level)
    assert levels == {Level.UNKNOWN, Level.NORMAL, Level.ADVISORY}


@pytest.mark.parametrize("calm_s", [6, 21, 27])
def test_a_condition_that_comes_and_goes_begins_at_most_twice_a_minute(calm_s: int) -> None:
    quick = AlertSettings(clear_s=5.0, reached_on_s=2.0)
    state, levels, second = alert.start(), [], 0
    while second < 400:
        state, more = run(
            [*seconds(at(111), second, second + 4), *seconds(CALM, second + 4, second + 4 + calm_s)], state, quick
        )
        levels += more
        second += 4 + calm_s
    onsets = [s for s in range(1, len(levels)) if levels[s] >= Level.CAUTION > levels[s - 1]]
    assert onsets
    assert all(third - first > 60 for first, third in zip(onsets, onsets[2:], strict=False))


def test_a_level_names_the_ground_it_stands_on_and_keeps_it_while_it_is_only_held() -> None:
    grounds = {row.name: row.ground for row in ROWS if row.ground is not Ground.HEAT}
    assert grounds == {name: Ground.FAULT for name in grounds if name != "lost"} | {"lost": Ground.DATA}
    assert {name for name in grounds if name != "lost"} == {"fault_advisory", "fault_caution", "fault_warning"}
    doubted, _ = run(seconds(at(90, danger=Level.CAUTION), 0, 10))
    assert (doubted.level, doubted.ground) == (Level.CAUTION, Ground.FAULT)
    held, _ = run(seconds(CALM, 10, 32), doubted)
    assert (held.level, held.ground) == (Level.CAUTION, Ground.FAULT)
    hot, _ = run(seconds(at(111), 32, 40), held)
    assert (hot.reason, hot.ground) == ("limit reached", Ground.HEAT)


def test_data_lost_while_a_level_is_only_held_do_not_end_it() -> None:
    state, _ = run([*seconds(CALM, 0, 5), *seconds(at(111), 5, 9), *seconds(CALM, 9, 34)])
    assert state.level is Level.CAUTION
    _, levels = run(seconds(LOST, 34, 100), state)
    assert min(levels) is Level.CAUTION
