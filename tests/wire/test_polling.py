"""What is asked next: order, periods, politeness, dead PIDs, batches; and that a slow link starves nothing."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.core.events import SIGNALS
from livemon.wire import allow
from livemon.wire.pids import PIDS
from livemon.wire.polling import (
    COOLANT,
    COOLANT_TWO,
    DEMOTED_PERIOD_MS,
    POLITE_CAN_PER_S,
    POLITE_LEGACY_PER_S,
    WANTS,
    Ask,
    Poller,
)

FULL = frozenset({0x01, 0x03, 0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x11, 0x1F, 0x2F, 0x33, 0x42, 0x43, 0x46, 0x5C})


def drive(
    poller: Poller, seconds: float, rtt_ms: int, dead: frozenset[int] = frozenset(), from_ms: int = 0
) -> list[tuple[int, Ask]]:
    """Serve a poller in made-up time: every request takes `rtt_ms`; PIDs in `dead` are never answered."""
    now_ms, asked = from_ms, []
    while now_ms < from_ms + seconds * 1000:
        ask = poller.next_ask(now_ms)
        if ask is None:
            now_ms = max(now_ms + 1, poller.ready_ms())
            continue
        asked.append((now_ms, ask))
        now_ms += rtt_ms
        got = [pid for pid in ask.wanted if pid not in dead]
        if got:
            poller.answered(got, ask, now_ms)
        else:
            poller.silent(ask, True, now_ms)
    return asked


def times_of(asked: list[tuple[int, Ask]], pid: int) -> list[int]:
    return [t for t, ask in asked if pid in ask.wanted]


def test_every_want_is_a_signal_served_by_pids_that_hold_it() -> None:
    for want in WANTS:
        assert want.name in SIGNALS
        assert want.costs
        assert all(want.name in PIDS[pid].quantities for pid in want.pids)
        assert all(allow.is_askable(pid) for pid in want.pids)


def test_coolant_is_first_and_stays_at_its_period() -> None:
    asked = drive(Poller(can=False, supported=FULL), 60, 100)
    assert asked[0][1].wanted == (COOLANT,)
    gaps = [b - a for a, b in pairwise(times_of(asked, COOLANT))]
    assert max(gaps) <= 1_100


@pytest.mark.parametrize("rtt_ms", [120, 300, 700])
def test_a_slow_link_stretches_all_alike_and_coolant_least(rtt_ms: int) -> None:
    asked = drive(Poller(can=False, supported=FULL), 240, rtt_ms)
    coolant = [b - a for a, b in pairwise(times_of(asked, COOLANT))]
    assert sum(coolant) / len(coolant) <= max(1_050, 2 * rtt_ms)
    for pid in (0x0C, 0x0D, 0x0F, 0x43, 0x46, 0x33):
        assert len(times_of(asked, pid)) >= 2, hex(pid)  # nothing starves


@pytest.mark.parametrize(("can", "most"), [(False, POLITE_LEGACY_PER_S), (True, POLITE_CAN_PER_S)])
def test_never_more_than_polite(can: bool, most: float) -> None:
    asked = drive(Poller(can=can, supported=FULL), 20, 1)
    assert min(b - a for (a, _), (b, _) in pairwise(asked)) >= 1000 / most - 1
    slower = drive(Poller(can=can, supported=FULL, max_per_s=2.0), 20, 1)
    assert min(b - a for (a, _), (b, _) in pairwise(slower)) >= 500
    greedy = drive(Poller(can=can, supported=FULL, max_per_s=500.0), 20, 1)
    assert min(b - a for (a, _), (b, _) in pairwise(greedy)) >= 1000 / most - 1


def test_a_dead_pid_is_demoted_and_tried_again_now_and_then() -> None:
    asked = drive(Poller(can=False, supported=FULL), 300, 100, dead=frozenset({0x0F}))
    tries = times_of(asked, 0x0F)
    assert len([t for t in tries if t < 20_000]) == 3
    assert all(b - a >= DEMOTED_PERIOD_MS - 200 for a, b in pairwise(tries[3:]))
    assert len(tries) >= 6


def test_a_pid_that_comes_back_is_asked_as_before() -> None:
    poller = Poller(can=False, supported=FULL)
    drive(poller, 30, 100, dead=frozenset({0x0C}))
    later = drive(poller, 120, 100, from_ms=30_000)
    rpm = times_of(later, 0x0C)
    assert len([t for t in rpm if t > 100_000]) >= 40


def test_after_an_outage_nothing_is_held_against_single_pids() -> None:
    poller = Poller(can=False, supported=FULL)
    drive(poller, 10, 100)
    drive(poller, 30, 100, dead=FULL, from_ms=10_000)
    back = drive(poller, 5, 100, from_ms=40_000)
    assert {0x05, 0x0C, 0x0D, 0x43} <= {pid for _, ask in back for pid in ask.wanted}
    assert len(times_of(back, 0x0C)) >= 3


def test_a_second_choice_takes_over_where_the_first_is_dead() -> None:
    poller = Poller(can=True, supported=FULL | {COOLANT_TWO})
    asked = drive(poller, 60, 30, dead=frozenset({COOLANT}))
    assert len(times_of(asked, COOLANT_TWO)) >= 40
    assert not [t for t in times_of(asked, COOLANT) if t > 10_000]


def test_coolant_is_asked_even_where_the_bitmap_does_not_name_it() -> None:
    asked = drive(Poller(can=False, supported=frozenset({0x0C, 0x0D})), 10, 100)
    assert len(times_of(asked, COOLANT)) >= 9


def test_silent_coolant_is_never_given_up() -> None:
    asked = drive(Poller(can=False, supported=FULL), 60, 100, dead=frozenset({COOLANT}))
    assert max(b - a for a, b in pairwise(times_of(asked, COOLANT))) <= 2_200


def test_without_bitmap_the_old_list_is_tried() -> None:
    poller = Poller(can=False, supported=None)
    assert set(poller.wanted_pids) == {0x05, 0x0C, 0x0D, 0x10, 0x0B, 0x0F, 0x03, 0x01}
    assert {want.name for want in poller.missing()} >= {"ambient_air_c", "baro_kpa", "absolute_load_pct"}


def test_scarce_requests_are_not_spent_on_what_another_pid_tells() -> None:
    asked = drive(Poller(can=False, supported=FULL), 60, 120)
    assert len(times_of(asked, 0x43)) >= 40
    assert len(times_of(asked, 0x10)) <= 2
    assert len(times_of(asked, 0x0B)) <= 2


def test_batches_carry_what_the_forecast_needs_twice_a_second() -> None:
    poller = Poller(can=True, supported=FULL)
    poller.use_batches(True)
    asked = drive(poller, 30, 40)
    assert all(allow.is_allowed_payload(ask.payload) for _, ask in asked)
    assert len(times_of(asked, COOLANT)) >= 58
    per_request = sum(len(ask.wanted) for _, ask in asked) / len(asked)
    assert per_request >= 3.5


def test_a_jump_makes_coolant_due_at_once() -> None:
    poller = Poller(can=False, supported=FULL)
    drive(poller, 5, 100)
    assert not poller.coolant_seen(90.0, 5_000)
    assert not poller.coolant_seen(92.0, 5_000)
    assert poller.coolant_seen(122.0, 5_100)
    assert drive(poller, 0.3, 100, from_ms=5_200)[0][1].wanted == (COOLANT,)


@given(
    st.booleans(),
    st.one_of(st.none(), st.frozensets(st.sampled_from(sorted(PIDS)))),
    st.booleans(),
    st.frozensets(st.sampled_from(sorted(PIDS))),
    st.integers(1, 900),
)
def test_whatever_the_vehicle_has_only_allowed_requests_come_out(
    can: bool, supported: frozenset[int] | None, batches: bool, dead: frozenset[int], rtt_ms: int
) -> None:
    poller = Poller(can=can, supported=supported)
    poller.use_batches(batches and can)
    for _, ask in drive(poller, 8, rtt_ms, dead):
        assert allow.is_allowed_payload(ask.payload)
        assert set(ask.wanted) <= set(ask.pids)
        assert set(ask.pids) - set(ask.wanted) <= {allow.SHIELD_PID}
