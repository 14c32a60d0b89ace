"""Doubts: what is named, with which evidence, how soon, and that ordinary driving raises none.

Rates of finding and of crying wolf over many drives are measured by `python -m tests.bench.trust`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from livemon.core import signals, trust
from livemon.core.events import Event, Sample, Tick
from livemon.core.outcome import Level

Row = dict[str, float]


def drive(seconds: int, row: Callable[[int], Row]) -> Iterator[Event]:
    """One sample and one tick a second."""
    for k in range(1, seconds + 1):
        readings = row(k)
        if readings:
            yield Sample(k * 1000, tuple(readings.items()))
        yield Tick(k * 1000)


def verdicts(events: Iterator[Event]) -> list[trust.Trust]:
    """As `moment.at_tick` judges, without what was expected: the drive compared with itself alone."""
    heard, state = signals.Signals(), trust.start()
    out = []
    for event in events:
        if isinstance(event, Tick):
            heard, inputs = signals.at_tick(heard, event.t_ms, None, None)
            state, verdict = trust.judge(state, inputs)
            out.append(verdict)
        else:
            heard = signals.hear(heard, event)
    return out


def cruise(coolant_c: float, **more: float) -> Row:
    return {"coolant_c": coolant_c, "speed_kmh": 80.0, "rpm": 2400.0, "load_pct": 60.0, **more}


def first(found: list[trust.Trust], words: str) -> int | None:
    return next((k + 1 for k, v in enumerate(found) if any(words in d for d in v.doubts)), None)


def test_nothing_known_is_not_trusted_and_not_doubted() -> None:
    found = verdicts(drive(5, lambda k: {}))
    assert found[-1] == trust.Trust(None)


def test_steady_cruise_is_trusted() -> None:
    found = verdicts(drive(1200, lambda k: cruise(90.0 + (k // 40) % 2)))
    assert all(v.trusted and not v.doubts and v.danger is Level.NORMAL for v in found)


@pytest.mark.parametrize(("value", "word"), [(-40.0, "open circuit"), (215.0, "short circuit")])
def test_ends_of_the_range_are_named_at_once(value: float, word: str) -> None:
    found = verdicts(drive(120, lambda k: cruise(90.0 if k < 60 else value)))
    assert first(found, word) == 60
    assert found[-1].trusted is False
    assert found[-1].danger is Level.ADVISORY


def test_open_while_hot_is_a_caution() -> None:
    found = verdicts(drive(120, lambda k: cruise(104.0 if k < 60 else -40.0)))
    assert found[-1].danger is Level.CAUTION


@pytest.mark.parametrize("wild", [115.0, 60.0, 94.0])
def test_one_wild_reading_never_raises_a_level(wild: float) -> None:
    found = verdicts(drive(200, lambda k: cruise(wild if k == 100 else 90.0)))
    assert all(v.danger is Level.NORMAL for v in found)
    assert found[-1].trusted is True


def test_a_jump_that_stays_is_believed_after_four_readings_and_doubted_a_while() -> None:
    found = verdicts(drive(300, lambda k: cruise(90.0 if k < 100 else 108.0)))
    assert found[100].trusted is False
    assert first(found, "jumped by +18 K and stayed") == 103
    assert found[-1].trusted is True, "calm for three minutes: believed again"


def test_a_jumping_sensor_is_named_with_its_count() -> None:
    found = verdicts(drive(120, lambda k: cruise(112.0 if k > 30 and k % 10 == 0 else 90.0)))
    at = first(found, "jumps: 3 times in a minute, by up to 22 K")
    assert at is not None
    assert at < 70
    assert found[at - 1].danger is Level.ADVISORY


def test_a_jump_across_a_gap_is_no_jump() -> None:
    """A restart 10 minutes later is 10 C cooler; the first row may still repeat the old value."""
    found = verdicts(drive(900, lambda k: {} if 300 < k < 800 else cruise(90.0 if k < 802 else 80.0)))
    assert not any(v.doubts for v in found)


def test_two_sensors_that_part_and_two_that_never_agreed() -> None:
    part = verdicts(drive(200, lambda k: cruise(90.0, coolant2_c=91.0 if k < 100 else 101.0)))
    at = first(part, "now differ: 90 C and 101 C")
    assert at is not None
    assert 129 <= at <= 132
    assert part[-1].danger is Level.CAUTION
    apart = verdicts(drive(200, lambda k: cruise(90.0, coolant2_c=60.0)))
    assert not any(v.doubts for v in apart)


def test_a_doubted_reading_says_nothing_of_the_cooling() -> None:
    """A sensor whose wiring is open is named; the cooling is not blamed for what it reads."""
    found = verdicts(drive(900, lambda k: cruise(_rise(k) if k < 700 else -40.0)))
    assert first(found, "open circuit") == 700
    assert not any("same load" in d for v in found[790:] for d in v.doubts)


def _rise(k: int) -> float:
    return 94.0 if k < 600 else float(int(min(94.0 + (k - 600) * 0.05, 106.0)))


def test_state_is_bounded() -> None:
    heard, state = signals.Signals(), trust.start()
    for event in drive(4000, lambda k: cruise(90.0 + (17 * k) % 23)):
        if isinstance(event, Tick):
            heard, inputs = signals.at_tick(heard, event.t_ms, None, None)
            state, _ = trust.judge(state, inputs)
            assert len(state.slow.buckets) <= 90
            assert len(state.candidates) <= trust.CONFIRM
            assert len(state.jumps) <= 8
            assert len(state.doubts) <= 10
        else:
            heard = signals.hear(heard, event)
