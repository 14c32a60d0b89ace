"""Doubts: what is named, with which evidence, how soon, and that ordinary driving raises none.

Rates of finding and of crying wolf over many drives are measured by `python -m tests.bench.trust`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from livemon.core import signals, trust
from livemon.core.events import Event, Sample, Tick
from livemon.core.grid import on_grid
from livemon.core.outcome import Band, Level
from livemon.readers.log_file import LogFile
from tests.datasets import dataset

Row = dict[str, float]


def drive(seconds: int, row: Callable[[int], Row]) -> Iterator[Event]:
    """One sample and one tick a second."""
    for k in range(1, seconds + 1):
        readings = row(k)
        if readings:
            yield Sample(k * 1000, tuple(readings.items()))
        yield Tick(k * 1000)


def verdicts(events: Iterator[Event], estimate: Band | None = None) -> list[trust.Trust]:
    heard, state = signals.Signals(), trust.start()
    out = []
    for event in events:
        if isinstance(event, Tick):
            heard, inputs = signals.at_tick(heard, event.t_ms, None, None)
            state, verdict = trust.judge(state, inputs, estimate)
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
    assert first(found, "jumped by +18 C and stayed") == 103
    assert found[-1].trusted is True, "calm for three minutes: believed again"


def test_a_jumping_sensor_is_named_with_its_count() -> None:
    found = verdicts(drive(120, lambda k: cruise(112.0 if k > 30 and k % 10 == 0 else 90.0)))
    at = first(found, "jumps: 3 times in a minute, by up to 22 C")
    assert at is not None
    assert at < 70
    assert found[at - 1].danger is Level.ADVISORY


def test_a_jump_across_a_gap_is_no_jump() -> None:
    """A restart 10 minutes later is 10 C cooler; the first row may still repeat the old value."""
    found = verdicts(drive(900, lambda k: {} if 300 < k < 800 else cruise(90.0 if k < 802 else 80.0)))
    assert not any(v.doubts for v in found)


def test_stuck_where_heat_must_move_it() -> None:
    found = verdicts(drive(900, lambda k: cruise(101.0, load_pct=30.0 if k % 300 < 150 else 90.0)))
    at = first(found, "may be stuck")
    assert at is not None
    assert 290 < at < 420
    assert found[-1].trusted is False


def test_a_thermostat_holds_one_degree_for_ten_minutes() -> None:
    found = verdicts(drive(600, lambda k: cruise(90.0, load_pct=30.0 if k % 300 < 150 else 90.0)))
    assert not any(v.doubts for v in found)


def test_two_sensors_that_part_and_two_that_never_agreed() -> None:
    part = verdicts(drive(200, lambda k: cruise(90.0, coolant2_c=91.0 if k < 100 else 101.0)))
    at = first(part, "now differ: 90 and 101 C")
    assert at is not None
    assert 129 <= at <= 132
    assert part[-1].danger is Level.CAUTION
    apart = verdicts(drive(200, lambda k: cruise(90.0, coolant2_c=60.0)))
    assert not any(v.doubts for v in apart)


def test_an_engine_that_never_warms() -> None:
    found = verdicts(drive(1500, lambda k: cruise(min(20.0 + k * 0.08, 62.0))))
    at = first(found, "stuck open")
    assert at is not None
    assert at < 1000
    assert found[-1].trusted is True, "the sensor is fine, the thermostat is not"
    assert found[-1].danger is Level.ADVISORY


def _settled_then(k: int, after: Callable[[int], float]) -> float:
    return 94.0 if k < 600 else after(k - 600)


def test_rise_at_the_same_load_and_speed_is_named() -> None:
    found = verdicts(drive(900, lambda k: cruise(float(int(_settled_then(k, lambda s: min(94.0 + s * 0.05, 106.0)))))))
    at = first(found, "at the same load and speed")
    assert at is not None
    assert at - 600 < 180
    assert max(v.danger for v in found) >= Level.ADVISORY


def test_the_same_rise_with_more_load_is_a_climb() -> None:
    def row(k: int) -> Row:
        coolant = float(int(_settled_then(k, lambda s: min(94.0 + s * 0.05, 106.0))))
        return cruise(coolant, load_pct=45.0 if k < 600 else 85.0)

    assert first(verdicts(drive(900, row)), "same load") is None


def _fall(k: int) -> float:
    """Rises 6 C without load, then falls 15 C within a minute."""
    return float(
        int(_settled_then(k, lambda s: min(94.0 + s * 0.06, 104.0) if s < 200 else max(104.0 - (s - 200) * 0.25, 80)))
    )


def test_a_reading_that_falls_while_the_engine_works_means_coolant_lost() -> None:
    found = verdicts(drive(900, lambda k: cruise(_fall(k))))
    lost = [k for k, v in enumerate(found, start=1) if v.coolant_lost]
    assert lost
    assert lost[0] - 800 < 60
    assert found[lost[0]].danger is Level.WARNING
    assert found[lost[0]].trusted is False


def test_the_same_fall_after_the_summit_is_none() -> None:
    found = verdicts(drive(900, lambda k: cruise(_fall(k), load_pct=60.0 if k < 790 else 10.0)))
    assert not any(v.coolant_lost for v in found)


def test_a_fan_that_cuts_in_at_a_crawl_is_no_loss() -> None:
    """As in a real jam: 100 to 92 C within 66 s at 8 km/h and the same air flow."""

    def row(k: int) -> Row:
        coolant = 92.0 + (8.0 * max(k - 500, 0) / 200.0 if k < 700 else max(8.0 - (k - 700) * 0.12, 0.0))
        return {"coolant_c": float(int(coolant)), "speed_kmh": 8.0, "rpm": 900.0, "maf_g_s": 12.0}

    assert not any(v.coolant_lost for v in verdicts(drive(900, row)))


def test_the_model_may_object() -> None:
    found = verdicts(drive(60, lambda k: cruise(80.0)), Band(100.0, 103.0, 106.0))
    assert first(found, "the model expects 100 to 106 C") is not None


@pytest.mark.parametrize(
    "trip",
    [
        "kit_20170711_ka_ka_stau",
        "kit_20170713_rt_ka_stau_messfehler",
        "kit_20170726_rt_s_stau",
        "kit_20170805_s_cw_normal",
        "kit_20180218_rt_ka_stau",
        "kit_20180227_ka_ka_normal",
    ],
)
def test_real_trips_raise_no_doubt(trip: str) -> None:
    """Gaps, restarts, dropouts, a fan in a jam, an overshoot an engine in deep winter (CC BY 4.0)."""
    path = dataset(f"kit-obd2-2023/by_cycle/{trip}.csv")
    found = verdicts(on_grid(LogFile(path).events()))
    assert [d for v in found for d in v.doubts] == []


def test_state_is_bounded() -> None:
    heard, state = signals.Signals(), trust.start()
    for event in drive(4000, lambda k: cruise(90.0 + (17 * k) % 23)):
        if isinstance(event, Tick):
            heard, inputs = signals.at_tick(heard, event.t_ms, None, None)
            state, _ = trust.judge(state, inputs)
            assert len(state.buckets) <= 90
            assert len(state.candidates) <= trust.CONFIRM
            assert len(state.jumps) <= 8
            assert len(state.doubts) <= 10
        else:
            heard = signals.hear(heard, event)
