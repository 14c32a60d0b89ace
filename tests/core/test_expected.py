"""What the last minutes should have done: copies follow heat and air, not the reading."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from livemon.core import estimator, expected, signals
from livemon.core.events import Sample
from livemon.core.expected import Expecting, Parting
from livemon.core.vehicle import VehicleProfile


def drive(
    seconds: int,
    coolant_c: Callable[[int], float | None],
    load_pct: Callable[[int], float],
    broke_s: int = 0,
    untold: str = "",
) -> tuple[Expecting, dict[int, tuple[Parting, ...]]]:
    """A cruise at 80 km/h, one signal `untold`; at each second that was looked at, the comparisons."""
    heard, state, out = signals.Signals(), expected.start(), {}
    now = estimator.start(VehicleProfile())
    for k in range(1, seconds + 1):
        reading_c = coolant_c(k)
        if reading_c is not None:
            rows = (("coolant_c", reading_c), ("speed_kmh", 80.0), ("rpm", 2400.0), ("load_pct", load_pct(k)))
            heard = signals.hear(heard, Sample(k * 1000, tuple(row for row in rows if row[0] != untold)))
        heard, inputs = signals.at_tick(heard, k * 1000, None, None)
        broke_ms = broke_s * 1000 if k >= broke_s else 0
        state, partings = expected.advance(state, now, inputs, inputs.coolant_c, broke_ms)
        now = estimator.advance(now, inputs)
        if partings:
            out[k] = partings
    return state, out


def test_copies_are_bounded_and_no_older_than_five_minutes() -> None:
    state, looks = drive(900, lambda k: 90.0, lambda k: 50.0)
    assert len(state.copies) <= 11
    assert state.bank is not None
    assert state.bank.mean.shape[1] == len(state.copies)
    assert {p.age_s for partings in looks.values() for p in partings} <= set(range(30, 331, 10))


def test_a_reading_that_follows_heat_and_air_stays_within_a_few_degrees() -> None:
    _, looks = drive(1200, lambda k: 90.0, lambda k: 50.0)
    late = [p for k, partings in looks.items() if k > 900 for p in partings]
    assert late
    assert all(abs(p.over_c) < 2.0 and abs(p.spreads) < 2.0 for p in late)


def test_a_rise_that_heat_does_not_explain_parts_from_what_is_expected() -> None:
    _, looks = drive(1200, lambda k: 90.0 if k < 900 else float(int(90 + (k - 900) * 0.06)), lambda k: 50.0)
    last = max(looks[max(looks)], key=lambda p: p.age_s)
    assert last.over_c > 6.0
    assert last.spreads > 3.0
    assert last.heat_share == pytest.approx(1.0, abs=0.05)


def test_less_heat_is_told() -> None:
    _, looks = drive(1000, lambda k: 90.0, lambda k: 80.0 if k < 900 else 20.0)
    oldest = max(looks[max(looks)], key=lambda p: p.age_s)
    assert oldest.heat_share < 0.6


def test_nothing_is_compared_across_a_hole_or_another_reading() -> None:
    _, looks = drive(900, lambda k: None if 600 <= k < 660 else 90.0, lambda k: 50.0)
    assert all(p.age_s <= k - 660 for k, partings in looks.items() if k >= 660 for p in partings)
    _, looks = drive(900, lambda k: 90.0, lambda k: 50.0, broke_s=600)
    assert all(p.age_s <= k - 600 for k, partings in looks.items() if k >= 600 for p in partings)


@pytest.mark.parametrize("untold", ["load_pct", "rpm", "speed_kmh"])
def test_where_heat_or_road_speed_is_not_told_nothing_is_expected(untold: str) -> None:
    state, looks = drive(600, lambda k: 90.0, lambda k: 50.0, untold=untold)
    assert looks == {}
    assert state.copies == ()
    assert state.bank is None
