"""What was done is recognised from its signs, and its effect is measured against the forecast made before it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import pytest

from livemon.core import acted
from livemon.core.acted import Doing
from livemon.core.outcome import Acted, Action, Band


def ahead(now_c: float, per_min: float) -> tuple[tuple[int, Band], ...]:
    """A forecast that goes on straight."""
    return tuple(
        (s, Band(now_c + per_min * s / 60 - 1, now_c + per_min * s / 60, now_c + per_min * s / 60 + 1))
        for s in (120, 300, 600)
    )


CLIMB = Doing(
    0,
    watching=True,
    advised=(Action.AC_OFF, Action.SLOW_DOWN, Action.DOWNSHIFT),
    gains={Action.AC_OFF: (Band(1.0, 2.0, 3.0), 120.0)},
    speed_kmh=80.0,
    rpm=2400.0,
    load_pct=80.0,
    ac_on=True,
)
IDLE = replace(CLIMB, speed_kmh=0.0, rpm=750.0, load_pct=30.0, ac_on=None)


def run(ticks: Iterable[Doing]) -> tuple[Acted, ...]:
    state, out = acted.start(), ()
    for second, tick in enumerate(ticks):
        state, out = acted.recognise(state, replace(tick, t_ms=1000 * second))
    return out


def steps(before: Doing, after: Doing, seconds: int = 40) -> list[Doing]:
    return [before] * seconds + [after] * seconds


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        (CLIMB, replace(CLIMB, ac_on=False), Action.AC_OFF),
        (CLIMB, replace(CLIMB, heater_on=True), Action.HEATER_ON),
        (CLIMB, replace(CLIMB, fan_on=True), Action.FAN_ON),
        (CLIMB, replace(CLIMB, rpm=3300.0), Action.DOWNSHIFT),
        (
            replace(CLIMB, rpm=3300.0, advised=(Action.UPSHIFT,)),
            replace(CLIMB, advised=(Action.UPSHIFT,)),
            Action.UPSHIFT,
        ),
        (CLIMB, replace(CLIMB, speed_kmh=70.0, rpm=2100.0), Action.SLOW_DOWN),
        (IDLE, replace(IDLE, load_pct=24.0), Action.AC_OFF),
        (
            replace(IDLE, ac_on=False, advised=(Action.IDLE_NEUTRAL,)),
            replace(IDLE, ac_on=False, load_pct=24.0, advised=(Action.IDLE_NEUTRAL,)),
            Action.IDLE_NEUTRAL,
        ),
        (
            replace(IDLE, advised=(Action.RAISE_IDLE,)),
            replace(IDLE, rpm=1500.0, advised=(Action.RAISE_IDLE,)),
            Action.RAISE_IDLE,
        ),
        (
            replace(CLIMB, advised=(Action.PULL_OVER,)),
            replace(CLIMB, speed_kmh=0.0, rpm=750.0, advised=()),
            Action.PULL_OVER,
        ),
        (
            replace(IDLE, advised=(Action.STOP_ENGINE,)),
            replace(IDLE, rpm=0.0, load_pct=0.0, advised=()),
            Action.STOP_ENGINE,
        ),
    ],
    ids=lambda v: v.value if isinstance(v, Action) else "",
)
def test_action_is_recognised_once_and_dated_to_its_begin(before: Doing, after: Doing, expected: Action) -> None:
    out = run(steps(before, after))
    assert [a.action for a in out] == [expected]
    assert out[0].at_s == pytest.approx(40, abs=5)


def test_ordinary_driving_is_not_taken_for_obedience() -> None:
    quiet = replace(CLIMB, watching=False, advised=())
    for after in (
        replace(quiet, rpm=3300.0),
        replace(quiet, speed_kmh=60.0, rpm=1800.0),
        replace(quiet, ac_on=False),
    ):
        assert run(steps(quiet, after)) == ()


def test_shifts_of_an_automatic_gearbox_are_no_answer() -> None:
    unasked = replace(CLIMB, advised=(Action.AC_OFF,))
    assert run(steps(unasked, replace(unasked, rpm=3300.0))) == ()
    kick_down = [CLIMB] * 20 + [replace(CLIMB, rpm=3300.0)] * 6 + [CLIMB] * 30
    assert run(kick_down) == ()


def test_stop_and_go_is_no_pulling_over() -> None:
    crawl = replace(CLIMB, speed_kmh=12.0, rpm=900.0, advised=(Action.PULL_OVER,))
    assert run(steps(crawl, replace(crawl, speed_kmh=0.0, rpm=700.0))) == ()


def test_rough_running_at_idle_is_no_action() -> None:
    rough = [replace(IDLE, rpm=750.0 + 60 * (-1) ** s, load_pct=30 + 2.0 * (-1) ** s) for s in range(80)]
    assert run(rough) == ()


def test_converter_slip_is_no_shift() -> None:
    slipping = [replace(CLIMB, rpm=2400.0 + 8 * s) for s in range(40)]
    assert run(slipping) == ()


def drive(course_c: Callable[[int], float], act_s: int = 100, end_s: int = 760) -> list[Doing]:
    """Forecast 1 K a minute up before the action; A/C off at `act_s`; then `course_c(second)`."""
    out = []
    for s in range(end_s):
        now_c = 100 + s / 60 if s < act_s else course_c(s)
        out.append(replace(CLIMB, estimate_c=now_c, ahead_c=ahead(now_c, 1.0), ac_on=s < act_s))
    return out


def test_seen_is_the_best_difference_to_the_forecast_without_the_action() -> None:
    out = run(drive(lambda s: 100 + s / 60 - min(2.5, 0.5 * (s - 100) / 60)))
    assert out[0].expected_c == 2.0
    assert out[0].seen_c == pytest.approx(2.5, abs=0.05)


def test_seen_is_null_before_a_minute_and_without_a_forecast() -> None:
    assert run(drive(lambda s: 100.0, end_s=155))[0].seen_c is None
    blind = [replace(d, ahead_c=None) for d in drive(lambda s: 100.0)]
    assert run(blind)[0].seen_c is None


def test_an_action_without_effect_shows_none() -> None:
    out = run(drive(lambda s: 100 + s / 60))
    assert out[0].seen_c == pytest.approx(0.0, abs=0.05)


def test_the_next_action_closes_the_watch_of_the_one_before() -> None:
    ticks = drive(lambda s: 100 + s / 60 - 1.0)
    ticks = [
        replace(d, rpm=2400.0 if s < 200 else 3300.0, estimate_c=d.estimate_c - (5 if s > 230 else 0))
        for s, d in enumerate(ticks)
        if d.estimate_c is not None
    ]
    out = run(ticks)
    assert [a.action for a in out] == [Action.AC_OFF, Action.DOWNSHIFT]
    assert out[0].seen_c == pytest.approx(1.0, abs=0.05)
    assert out[1].seen_c == pytest.approx(5.0, abs=0.05)


def test_memory_is_bounded() -> None:
    ticks = [replace(CLIMB, ac_on=(s // 70) % 2 == 0) for s in range(3000)]
    state = acted.start()
    out: tuple[Acted, ...] = ()
    for second, tick in enumerate(ticks):
        state, out = acted.recognise(state, replace(tick, t_ms=1000 * second))
    assert len(out) == acted.KEEP
    assert len(state.ring) <= 46
    assert len(state.done) <= acted.KEEP
