"""Advice is safe before it is clever; the order is that of the sources named in docs/safety.md."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livemon.core import advice
from livemon.core.advice import AdviceSettings, AdviceState, Advised, Situation
from livemon.core.advice_words import WORDS
from livemon.core.outcome import STANDSTILL_ONLY, Action, Band, Level, Status

S = AdviceSettings()
CLIMB = Situation(
    0,
    Status.LIVE,
    Level.CAUTION,
    limit_c=108.0,
    stop_c=118.0,
    estimate_c=104.0,
    rate_c_per_min=2.0,
    trusted=True,
    speed_kmh=80.0,
    rpm=2400.0,
    lower_gear_rpm=3400.0,
    rpm_limit=4500.0,
    grade_pct=6.0,
)
JAM = replace(CLIMB, speed_kmh=8.0, grade_pct=0.0, rpm=900.0, lower_gear_rpm=None)
HALT = replace(JAM, speed_kmh=0.0, rpm=700.0)


def after(now: Situation, for_s: int = 10, state: AdviceState | None = None) -> tuple[AdviceState, Advised]:
    state = state or advice.start()
    said = Advised()
    begin = 0 if state.t_ms is None else state.t_ms + 1000
    for second in range(for_s):
        state, said = advice.advise(state, replace(now, t_ms=begin + 1000 * second), S)
    return state, said


def actions(now: Situation, for_s: int = 10) -> list[Action]:
    return [a.action for a in after(now, for_s)[1].advice]


def gain(likely: float, width: float = 0.5) -> tuple[Band, float | None]:
    return Band(likely - width, likely, likely + width), None


def test_on_a_grade_air_conditioning_then_speed_then_gear_and_the_heater_last() -> None:
    """A/C, slower with a lower gear, heater: a maker's manual and road authorities (docs/safety.md)."""
    assert actions(CLIMB) == [Action.AC_OFF, Action.SLOW_DOWN, Action.DOWNSHIFT, Action.HEATER_ON]


def test_what_was_asked_in_calm_is_asked_again_when_it_gets_worse() -> None:
    """The heater is never the first word of a caution because gentler actions were asked, unheard, at an advisory."""
    calm, said = after(replace(CLIMB, level=Level.ADVISORY), for_s=400)
    assert len(calm.asked) >= 2
    _, said = after(CLIMB, for_s=3, state=calm)
    assert [a.action for a in said.advice] == actions(CLIMB)


def test_inside_a_step_what_buys_most_comes_first_but_steps_keep_their_order() -> None:
    gains = {Action.DOWNSHIFT: gain(3.0), Action.SLOW_DOWN: gain(2.0), Action.HEATER_ON: gain(5.0)}
    assert actions(replace(CLIMB, gains=gains)) == [
        Action.AC_OFF,
        Action.DOWNSHIFT,
        Action.SLOW_DOWN,
        Action.HEATER_ON,
    ]


def test_what_is_already_done_is_not_said() -> None:
    assert actions(replace(CLIMB, ac_on=False, heater_on=True)) == [Action.SLOW_DOWN, Action.DOWNSHIFT]


def test_heater_waits_for_a_caution_and_names_the_heat_for_the_people() -> None:
    assert Action.HEATER_ON not in actions(replace(CLIMB, level=Level.ADVISORY))
    heater = after(CLIMB)[1].advice[-1]
    assert "hot for the people inside" in heater.why


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"estimate_c": 108.0}, "past the limit"),
        ({"lower_gear_rpm": None}, "not known"),
        ({"rpm_limit": None}, "not known"),
        ({"lower_gear_rpm": 4300.0}, "speed limit"),
        ({"estimate_c": None}, "past the limit"),
        ({"fan_engine_driven": False}, "electric fan"),
        ({"gains": {Action.DOWNSHIFT: gain(-1.0)}}, "more heat"),
    ],
)
def test_downshift_is_withheld_and_says_why(change: dict[str, object], why: str) -> None:
    _, said = after(replace(CLIMB, **change))  # type: ignore[arg-type]  # fields of the dataclass
    assert Action.DOWNSHIFT not in [a.action for a in said.advice]
    assert [w.why for w in said.withheld if w.action is Action.DOWNSHIFT and why in w.why]


def test_a_gear_that_comes_and_goes_with_the_engine_speed_never_flickers_into_the_first_place() -> None:
    """Open for three seconds of every four, as on a grade where the gear can hardly be told; then for good."""
    gains = {Action.DOWNSHIFT: gain(3.0), Action.SLOW_DOWN: gain(2.0)}
    hunting = replace(CLIMB, ac_on=False, gains=gains)
    state, firsts = advice.start(), set()
    for second in range(40):
        now = hunting if second % 4 else replace(hunting, lower_gear_rpm=None)
        state, said = advice.advise(state, replace(now, t_ms=1000 * second), S)
        firsts.add(said.advice[0].action)
    assert firsts == {Action.SLOW_DOWN}
    assert after(hunting, 9, state)[1].advice[0].action is Action.DOWNSHIFT


def test_slower_is_withheld_where_it_loses_more_air_than_it_saves_heat() -> None:
    _, said = after(replace(CLIMB, gains={Action.SLOW_DOWN: gain(-1.0)}))
    assert Action.SLOW_DOWN not in [a.action for a in said.advice]
    assert "loses more air" in next(w.why for w in said.withheld if w.action is Action.SLOW_DOWN)


def test_faster_and_a_higher_gear_need_proof() -> None:
    unproven = {Action.SPEED_UP: gain(0.4, 0.5), Action.UPSHIFT: gain(0.4, 0.5)}
    proven = {Action.SPEED_UP: gain(1.0, 0.5), Action.UPSHIFT: gain(1.0, 0.5)}
    jam = replace(JAM, higher_gear_rpm=1400.0)
    assert not {Action.SPEED_UP, Action.UPSHIFT} & {*actions(jam), *actions(replace(jam, gains=unproven))}
    assert {Action.SPEED_UP, Action.UPSHIFT} <= {*actions(replace(jam, gains=proven))}
    fast = replace(CLIMB, gains=proven, higher_gear_rpm=1000.0)
    assert not {Action.SPEED_UP, Action.UPSHIFT} & {*actions(fast)}


def test_in_traffic_air_conditioning_then_fan_then_heater() -> None:
    assert actions(replace(JAM, fan_switch=True)) == [Action.AC_OFF, Action.FAN_ON, Action.HEATER_ON]


def test_a_raised_idle_of_which_something_is_expected_must_surely_help() -> None:
    for low, told in ((-3.0, False), (0.5, True)):
        expected = {Action.RAISE_IDLE: (Band(low, 5.0, 12.0), None)}
        assert (Action.RAISE_IDLE in actions(replace(HALT, gains=expected))) is told


def test_at_a_standstill_neutral_and_a_raised_idle_follow() -> None:
    said = actions(replace(HALT, fan_switch=True, estimate_c=90.0))
    assert said == [Action.AC_OFF, Action.FAN_ON, Action.IDLE_NEUTRAL, Action.RAISE_IDLE, Action.HEATER_ON]


def test_standstill_must_have_stood_and_another_speed_may_deny_it() -> None:
    assert not STANDSTILL_ONLY & set(actions(HALT, for_s=3))
    assert STANDSTILL_ONLY & set(actions(HALT, for_s=4))
    assert not STANDSTILL_ONLY & set(actions(replace(HALT, gps_speed_kmh=20.0)))


def test_pull_over_belongs_to_the_stop_line_not_to_the_limit() -> None:
    assert Action.PULL_OVER not in actions(replace(CLIMB, estimate_c=109.0))


def test_at_the_stop_line_pull_over_comes_first() -> None:
    warning = replace(CLIMB, level=Level.WARNING, estimate_c=118.0)
    assert actions(warning)[0] is Action.PULL_OVER
    assert actions(replace(warning, speed_kmh=None))[0] is Action.PULL_OVER


def test_parked_at_the_stop_line_idle_while_it_cools_else_engine_off() -> None:
    """A maker's manual: no steam, idle 3 minutes; still hot, engine off."""
    parked = replace(HALT, level=Level.WARNING, estimate_c=119.0)
    assert actions(parked) == [Action.STOP_ENGINE]
    assert actions(replace(parked, rate_c_per_min=-1.0)) == [Action.KEEP_IDLING]
    below = replace(parked, estimate_c=116.0)
    assert actions(below) == [Action.KEEP_IDLING]
    assert actions(below, for_s=70) == [Action.STOP_ENGINE]


def test_engine_off_once_said_at_a_standstill_is_not_taken_back() -> None:
    parked = replace(HALT, level=Level.WARNING, estimate_c=119.0)
    state, said = after(parked)
    assert said.advice[0].action is Action.STOP_ENGINE
    state, said = after(replace(parked, rate_c_per_min=-2.0), 5, state)
    assert said.advice[0].action is Action.STOP_ENGINE
    state, said = after(replace(parked, speed_kmh=20.0), 5, state)
    assert said.advice[0].action is Action.PULL_OVER
    state, said = after(replace(parked, rate_c_per_min=-2.0), 5, state)
    assert said.advice[0].action is Action.KEEP_IDLING


def test_lost_coolant_stop_where_it_is_safe_then_engine_off() -> None:
    lost = replace(CLIMB, coolant_lost=True, level=Level.WARNING)
    _, said = after(lost)
    assert [a.words for a in said.advice] == ["Stop where it is safe"]
    assert "then engine off" in said.advice[0].why
    assert actions(replace(lost, speed_kmh=0.0)) == [Action.STOP_ENGINE]


def test_failed_fan_at_a_standstill_is_engine_off() -> None:
    """A maker's manual: fan not running, engine off at once."""
    assert actions(replace(HALT, fan_failed=True)) == [Action.STOP_ENGINE]
    assert Action.STOP_ENGINE not in actions(replace(CLIMB, fan_failed=True))


def test_failed_fan_in_stop_and_go_says_one_thing_and_not_another_each_few_seconds() -> None:
    """Rolling and standing by turns: stop where it is safe, engine off; the A/C is said below it, the heater last."""
    state, _ = after(JAM, 60)
    firsts = []
    for second in range(60, 300):
        moving = second // 12 % 2 == 0
        now = replace(JAM if moving else HALT, fan_failed=True, estimate_c=103.2 - 0.4 * (second % 3))
        state, said = advice.advise(state, replace(now, t_ms=1000 * second), S)
        firsts.append(said.advice[0].action)
        if moving:
            assert said.advice[0].words == "Stop where it is safe"
            assert Action.AC_OFF in [a.action for a in said.advice]
    assert set(firsts[2:]) == {Action.PULL_OVER, Action.STOP_ENGINE}
    assert Action.PULL_OVER not in actions(replace(CLIMB, fan_failed=True)), "at speed there is air"
    cooler = replace(JAM, fan_failed=True, estimate_c=100.5)
    assert Action.PULL_OVER not in [a.action for a in after(cooler, 10, state)[1].advice]


@pytest.mark.parametrize("status", [Status.STALE, Status.NO_LINK, Status.NO_COOLANT])
def test_blind_means_watch_the_gauge(status: Status) -> None:
    blind = replace(CLIMB, status=status, estimate_c=None, speed_kmh=None)
    assert actions(blind) == [Action.WATCH_GAUGE]
    assert actions(replace(blind, level=Level.WARNING)) == [Action.PULL_OVER, Action.WATCH_GAUGE]


def test_doubted_sensor_means_watch_the_gauge_and_then_the_rest() -> None:
    assert actions(replace(CLIMB, trusted=False))[:2] == [Action.WATCH_GAUGE, Action.AC_OFF]
    assert actions(replace(CLIMB, trusted=False, level=Level.ADVISORY)) == [Action.WATCH_GAUGE]


@pytest.mark.parametrize("status", [Status.STARTING, Status.ENGINE_OFF])
def test_nothing_to_say_before_the_start_and_after_the_stop(status: Status) -> None:
    assert actions(replace(HALT, status=status)) == []


def test_an_advisory_that_is_not_about_heat_asks_nothing_of_anybody() -> None:
    """Data that came back, an engine that never warms: the driver is told, and has nothing to do."""
    assert actions(replace(CLIMB, level=Level.ADVISORY, heat=False)) == []
    assert Action.AC_OFF in actions(replace(CLIMB, level=Level.ADVISORY))
    assert Action.AC_OFF in actions(replace(CLIMB, heat=False)), "from a caution up nothing is kept back"


def test_normal_says_nothing_but_idling_after_a_hard_climb() -> None:
    state, said = after(replace(CLIMB, level=Level.NORMAL, climb_gained_m=300.0, estimate_c=100.0))
    assert said.advice == ()
    parked = replace(HALT, level=Level.NORMAL, estimate_c=100.0, rate_c_per_min=-0.5)
    state, said = after(parked, 10, state)
    assert [a.action for a in said.advice] == [Action.KEEP_IDLING]
    assert said.advice[0].words == "Keep idling 3 min"
    assert after(parked, 100, state)[1].advice[0].words == "Keep idling 2 min"
    assert after(parked, 165, state)[1].advice[0].words == "Keep idling 1 min"
    _, said = after(parked, 180, state)
    assert said.advice == ()
    assert actions(parked) == []
    jam, _ = after(replace(JAM, estimate_c=107.0), 60)
    assert Action.KEEP_IDLING not in [a.action for a in after(replace(HALT, estimate_c=107.0), 10, jam)[1].advice]


def test_an_action_shown_for_long_makes_room_for_the_next() -> None:
    state = advice.start()
    shown = []
    for second in range(400):
        state, said = advice.advise(state, replace(CLIMB, t_ms=1000 * second), S)
        shown.append(said.advice[0].action)
        assert Action.HEATER_ON not in [a.action for a in said.advice[:-1]], "the heater is last, or alone"
    assert shown[:45] == [Action.AC_OFF] * 45
    assert shown[60] is Action.SLOW_DOWN
    assert set(shown) == {Action.AC_OFF, Action.SLOW_DOWN, Action.DOWNSHIFT, Action.HEATER_ON}
    changes = sum(a is not b for a, b in pairwise(shown))
    assert changes <= 400 // 45


def test_what_cools_by_itself_is_asked_for_nothing_until_it_turns() -> None:
    """Past a summit the level stands longer than its reason; slower driving at 90 C and falling must not."""
    down = replace(CLIMB, estimate_c=95.0, rate_c_per_min=-8.0, limit_chance=0.05)
    assert actions(down, 30) == []
    assert Action.AC_OFF in actions(down, 10), "a fan that comes and goes takes nothing away"
    assert Action.AC_OFF in actions(replace(down, estimate_c=98.0, rate_c_per_min=-2.0), 30)
    assert Action.AC_OFF in actions(replace(down, limit_chance=0.2), 30), "the limit is still likely enough"
    assert Action.AC_OFF in actions(replace(down, road_chance=0.6), 30), "a climb lies ahead"
    assert Action.AC_OFF in actions(replace(down, estimate_c=104.5), 30), "still close"
    assert Action.AC_OFF in actions(replace(down, fault=True), 30), "something is wrong with the cooling"
    assert Action.AC_OFF in actions(replace(down, limit_chance=None), 30), "not known is not unlikely"
    assert Action.AC_OFF in actions(replace(down, level=Level.WARNING, speed_kmh=80.0, estimate_c=119.0), 30)
    state, _ = after(down, 30)
    state, said = after(replace(down, rate_c_per_min=3.0), state=state)
    assert said.advice == (), "back up to where it regulates"
    for back in ({"limit_chance": 0.25}, {"road_chance": 0.5}, {"estimate_c": 104.5}, {"fault": True}):
        assert Action.AC_OFF in [a.action for a in after(replace(down, **back), 1, state)[1].advice], back
    calm, _ = after(replace(down, level=Level.ADVISORY), 30)
    assert Action.AC_OFF in [a.action for a in after(down, 1, calm)[1].advice], "it has become worse"
    parked = replace(HALT, climb_gained_m=300.0, estimate_c=100.0, rate_c_per_min=-4.0, limit_chance=0.01)
    assert actions(parked, 30) == [Action.KEEP_IDLING]


def test_while_it_falls_fast_nothing_is_asked_that_costs_the_driver_or_the_people_inside() -> None:
    """Downhill, or out of the jam again: slower would take the air that cools, whatever the forecast says."""
    down = replace(CLIMB, estimate_c=107.0, rate_c_per_min=-8.0, limit_chance=0.7)
    assert actions(down, 20) == [Action.AC_OFF]
    assert actions(replace(down, estimate_c=111.0), 20) == [Action.AC_OFF], "past the limit too"
    assert Action.SLOW_DOWN in actions(down, 5), "it must have fallen for some seconds"
    assert Action.SLOW_DOWN in actions(replace(down, rate_c_per_min=-2.0), 20)
    for doubted in ({"fault": True}, {"trusted": False}, {"estimate_c": 118.5, "level": Level.WARNING}):
        assert Action.SLOW_DOWN in actions(replace(down, **doubted), 20), doubted
    state, _ = after(down, 20)
    assert [a.action for a in after(replace(down, rate_c_per_min=-1.5), 5, state)[1].advice] == [Action.AC_OFF]
    assert Action.SLOW_DOWN in [a.action for a in after(replace(down, rate_c_per_min=-0.5), 5, state)[1].advice]


def test_a_warning_that_has_passed_asks_nobody_to_pull_over() -> None:
    passed = replace(
        CLIMB, level=Level.WARNING, estimate_c=112.0, rate_c_per_min=-15.0, stop_chance=0.01, settles_c=90.0
    )
    assert actions(passed, 30) == [Action.AC_OFF]
    assert actions(passed, 10)[0] is Action.PULL_OVER, "it must have fallen for longer"
    for not_yet in (
        {"estimate_c": 116.5},
        {"settles_c": 110.0},
        {"settles_c": None},
        {"rate_c_per_min": -2.0},
        {"stop_chance": 0.2},
        {"stop_chance": None},
        {"fault": True},
        {"trusted": False},
        {"estimate_c": None},
    ):
        assert actions(replace(passed, **not_yet), 30)[0] is Action.PULL_OVER, not_yet
    assert actions(replace(passed, coolant_lost=True), 30) == [Action.PULL_OVER]
    assert actions(replace(passed, speed_kmh=0.0), 30) == [Action.KEEP_IDLING], "parked is parked"


def test_a_level_over_a_steady_temperature_far_from_the_limit_asks_nothing() -> None:
    """An unknown vehicle at 95 C on a hot plain: be aware, and no more."""
    plain = replace(CLIMB, level=Level.ADVISORY, estimate_c=95.0, rate_c_per_min=0.0, limit_chance=0.12)
    assert actions(plain, 30) == []
    assert Action.AC_OFF in actions(plain, 10)
    for reason in (
        {"level": Level.CAUTION, "estimate_c": 97.0},
        {"level": Level.WARNING},
        {"limit_chance": 0.2},
        {"limit_chance": None},
        {"road_chance": 0.3},
        {"rate_c_per_min": 2.5},
        {"estimate_c": 101.0},
        {"fault": True},
    ):
        assert Action.AC_OFF in actions(replace(plain, **reason), 30), reason
    assert actions(replace(plain, level=Level.CAUTION), 30) == [], "12 K and more under it, under a caution too"
    state, _ = after(replace(plain, level=Level.NORMAL), 30)
    assert after(plain, 1, state)[1].advice == (), "steady before it began: nothing is asked for a moment only"
    assert Action.AC_OFF in [a.action for a in after(replace(plain, estimate_c=97.5), 5, state)[1].advice], "it rises"
    for second in range(300):
        state, said = after(replace(plain, estimate_c=95.0 + 1.5 * second / 60.0), 1, state)
    assert Action.AC_OFF in [a.action for a in said.advice], "slowly, but it rises"


def test_air_conditioning_nobody_tells_of_is_asked_first_only_once() -> None:
    """Whether it was done cannot be seen; asked for ever it teaches the driver not to look."""
    untold, _ = after(CLIMB, 300)
    told, _ = after(replace(CLIMB, ac_on=True), 300)
    shown, shown_told = set(), set()
    for _second in range(200):
        untold, said = after(CLIMB, 1, untold)
        told, said_told = after(replace(CLIMB, ac_on=True), 1, told)
        shown.add(said.advice[0].action)
        shown_told.add(said_told.advice[0].action)
        assert {a.action for a in said.advice} == {a.action for a in said_told.advice}, "it is still in the list"
    assert shown == {Action.SLOW_DOWN}
    assert shown_told == {Action.AC_OFF}, "known to be on: it comes first"
    alone, _ = after(JAM, 300)
    assert after(JAM, 1, alone)[1].advice[0].action is Action.AC_OFF, "nothing else is there"


def test_the_heater_waits_until_the_limit_is_near_or_likely() -> None:
    likely, unlikely = replace(CLIMB, limit_chance=0.4), replace(CLIMB, limit_chance=0.2)
    assert actions(likely)[-1] is Action.HEATER_ON
    assert Action.HEATER_ON not in actions(replace(likely, rate_c_per_min=-1.0))
    assert Action.HEATER_ON not in actions(unlikely)
    assert Action.AC_OFF in actions(unlikely)
    assert actions(replace(unlikely, estimate_c=106.5))[-1] is Action.HEATER_ON
    assert Action.HEATER_ON not in actions(replace(likely, estimate_c=106.5, rate_c_per_min=-2.0))
    assert actions(replace(unlikely, estimate_c=108.5, rate_c_per_min=-2.0))[-1] is Action.HEATER_ON
    assert actions(replace(unlikely, fault=True))[-1] is Action.HEATER_ON


def test_the_heater_keeps_its_turn_while_the_limit_is_half_as_likely() -> None:
    state, said = after(replace(CLIMB, limit_chance=0.4), 60)
    while said.advice[0].action is not Action.HEATER_ON:
        state, said = after(replace(CLIMB, limit_chance=0.4), 1, state)
    assert after(replace(CLIMB, limit_chance=0.2), 10, state)[1].advice[0].action is Action.HEATER_ON
    assert after(replace(CLIMB, limit_chance=0.1), 10, state)[1].advice[0].action is Action.SLOW_DOWN


def test_words_are_at_most_five_and_every_action_has_some() -> None:
    assert set(WORDS) == set(Action)
    for words, why in WORDS.values():
        assert 1 <= len(words.split()) <= 5
        assert why.endswith(".")


@pytest.mark.parametrize("key", fields(AdviceSettings), ids=lambda k: k.name)
def test_advice_settings_keep_their_range(key: object) -> None:
    meta, name = key.metadata, key.name  # type: ignore[attr-defined]  # a dataclasses.Field
    assert meta["low"] <= getattr(S, name) <= meta["high"]
    for wrong in (meta["low"] - 1, meta["high"] + 1, float("nan")):
        with pytest.raises(ValueError, match=f"advice.{name}: expected"):
            AdviceSettings(**{name: wrong})


flag = st.sampled_from([True, False, None])
bands = st.builds(lambda likely, width: gain(likely, width), st.floats(-5, 5), st.floats(0, 4))
situations = st.builds(
    Situation,
    t_ms=st.just(0),
    status=st.sampled_from(Status),
    level=st.sampled_from(Level),
    limit_c=st.just(108.0),
    stop_c=st.just(118.0),
    estimate_c=st.none() | st.floats(60, 130),
    rate_c_per_min=st.none() | st.floats(-10, 10),
    trusted=flag,
    coolant_lost=st.booleans(),
    fan_failed=st.booleans(),
    speed_kmh=st.none() | st.just(0.0) | st.floats(0.01, 160),
    gps_speed_kmh=st.none() | st.just(0.0) | st.floats(0, 160),
    rpm=st.none() | st.floats(0, 6000),
    lower_gear_rpm=st.none() | st.floats(0, 9000),
    higher_gear_rpm=st.none() | st.floats(0, 6000),
    rpm_limit=st.none() | st.floats(3000, 6000),
    grade_pct=st.none() | st.floats(-15, 15),
    climb_gained_m=st.none() | st.floats(0, 1500),
    ac_on=flag,
    heater_on=flag,
    fan_on=flag,
    fan_switch=st.booleans(),
    fan_engine_driven=flag,
    limit_chance=st.none() | st.floats(0, 1),
    road_chance=st.none() | st.floats(0, 1),
    fault=st.booleans(),
    gains=st.dictionaries(st.sampled_from(list(Action)), bands),
)


@settings(deadline=None, max_examples=150)
@given(st.lists(st.tuples(situations, st.integers(1, 12)), min_size=1, max_size=8))
def test_standstill_advice_never_while_speed_is_above_zero_or_unknown(
    drive: list[tuple[Situation, int]],
) -> None:
    state, t_ms = advice.start(), 0
    for situation, ticks in drive:
        for _ in range(ticks):
            now = replace(situation, t_ms=t_ms)
            state, said = advice.advise(state, now, S)
            t_ms += 1000
            asked = {a.action for a in said.advice}
            if now.speed_kmh != 0 or (now.gps_speed_kmh or 0) >= 3:
                assert not asked & STANDSTILL_ONLY
            assert len(asked) == len(said.advice), "nothing is said twice"
            assert all(len(a.words.split()) <= 5 for a in said.advice)
            if Action.DOWNSHIFT in asked:
                assert now.estimate_c is not None
                assert now.estimate_c < now.limit_c
                assert now.lower_gear_rpm is not None
                assert now.rpm_limit is not None
                assert now.lower_gear_rpm < now.rpm_limit
            if Action.HEATER_ON in asked:
                assert said.advice[-1].action is Action.HEATER_ON or state.asked, "last, until others had their turn"
            if now.level is Level.WARNING and now.status is Status.LIVE and now.speed_kmh:
                assert said.advice[0].action is Action.PULL_OVER


def test_the_last_gate_holds_whatever_was_chosen(monkeypatch: pytest.MonkeyPatch) -> None:
    everything = Advised(tuple(advice.Advice(action, "x", "y") for action in Action))
    monkeypatch.setattr(advice, "_choose", lambda *_: everything)
    for speed_kmh in (None, 0.5, 90.0):
        said = set(actions(replace(CLIMB, speed_kmh=speed_kmh)))
        assert said == set(Action) - STANDSTILL_ONLY
    assert set(actions(HALT)) == set(Action)
