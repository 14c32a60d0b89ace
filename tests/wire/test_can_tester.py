"""The tester against made-up control units on paper: what it asks, what it hears, how it comes back from each fault."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livemon.core.events import Sample
from livemon.sim.can_units import CanFault, Spell
from livemon.sim.ecu import ENGINE, GEARBOX, OLD_ENGINE, Unit
from livemon.wire import can_allow, isotp, pids
from livemon.wire.can_talk import P2_MS, CanSettings
from livemon.wire.can_tester import CanTester, State
from livemon.wire.elm_facts import Pace
from livemon.wire.frames import Addressing, BusFault, Frame
from tests.wire.paper_bus import STEADY, PaperBus, paper_bus

LISTEN_MS = CanSettings().listen_ms


def _requests(bus: PaperBus) -> list[tuple[int, Frame, bytes]]:
    """Everything sent that is not a flow control, with its payload."""
    out = []
    for t_ms, frame in bus.sent:
        pdu = isotp.parse(frame.data)
        if isinstance(pdu, isotp.Single):
            out.append((t_ms, frame, pdu.data))
    return out


# ---- before the first request ----------------------------------------------------------------------------------------


def test_it_listens_for_a_second_before_it_sends_and_asks_all_first() -> None:
    bus = paper_bus().run(5_000)
    t_ms, first = bus.sent[0]
    assert t_ms >= LISTEN_MS
    assert first == Frame(0x7DF, bytes.fromhex("0201000000000000"))  # the published form of the first request


def test_on_a_silent_bus_nothing_is_ever_sent() -> None:
    bus = paper_bus(traffic_per_s=0).run(60_000)
    assert bus.sent == []
    assert [(up, reason.split(",")[0]) for _, up, reason in bus.links()] == [(False, "bus silent")]


def test_a_bus_that_is_silent_until_asked_is_asked_when_the_owner_says_so() -> None:
    bus = paper_bus(traffic_per_s=0, settings=CanSettings(ask_silent_bus=True)).run(5_000)
    assert bus.samples("coolant_c")


@pytest.mark.parametrize(("bitrate", "words"), [(500_000, "500 kbit/s"), (250_000, "250 kbit/s")])
def test_error_frames_only_mean_a_wrong_bit_rate_and_nothing_is_sent(bitrate: int, words: str) -> None:
    wrong = [Spell(CanFault.ERROR_FRAMES, 0, 60_000)]
    bus = paper_bus(faults=wrong, settings=CanSettings(bitrate=bitrate)).run(60_000)
    assert bus.sent == []
    (_, up, reason), *more = bus.links()
    assert not up
    assert reason.startswith("bit rate looks wrong")
    assert words in reason
    assert more == []  # said once, not at every try


def test_at_a_wrong_bit_rate_the_bus_is_closed_nearly_all_the_time() -> None:
    """A node that is not in listen-only mode destroys frames by its mere presence: so it leaves after a few errors."""
    tester, open_ms, t_ms = CanTester(0, CanSettings()), 0, 0
    while t_ms < 60_000:
        tester.feed(t_ms, Frame(0x80, fault=BusFault.ERROR_FRAME))
        step = tester.step(t_ms)
        open_ms += 1
        t_ms += 1
        if step.close_ms is not None:
            t_ms += step.close_ms
            tester.opened(t_ms)
    assert open_ms < 300


def test_when_the_first_request_is_disturbed_it_stops_at_once() -> None:
    bus = paper_bus(faults=[Spell(CanFault.ERROR_FRAMES, LISTEN_MS + 5, 1_400)]).run(1_400)
    assert len(bus.sent) == 1
    assert bus.links()[0][2].startswith("bit rate looks wrong")


def test_a_few_error_frames_among_good_traffic_do_not_keep_it_away() -> None:
    tester = CanTester(0, CanSettings())
    for t_ms in range(LISTEN_MS):
        tester.feed(t_ms, Frame(0x80, fault=BusFault.ERROR_FRAME) if t_ms % 100 == 0 else Frame(0x1A0, bytes(8)))
        tester.step(t_ms)
    assert tester.step(LISTEN_MS).send


# ---- addressing ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bitrate", [500_000, 250_000])
@pytest.mark.parametrize("addressing", list(Addressing))
@pytest.mark.parametrize("told", [True, False])
def test_11_and_29_bit_at_both_rates_told_or_found(addressing: Addressing, bitrate: int, told: bool) -> None:
    wanted = CanSettings(bitrate=bitrate, addressing=addressing if told else None)
    bus = paper_bus(addressing=addressing, settings=wanted, units=[ENGINE, GEARBOX]).run(6_000)
    assert bus.links() == [
        (bus.links()[0][0], True, f"CAN {addressing.value} bit {bitrate // 1000} kbit/s, 2 control unit(s)")
    ]
    assert bus.samples("coolant_c")
    assert bus.tester.units.keys() == {
        key for key in bus.tester.units if key.can_id in {bus.units.reply_id(0), bus.units.reply_id(1)}
    }


def test_functional_to_find_physical_to_read_and_flow_control_never_to_all() -> None:
    bus = paper_bus(units=[ENGINE, GEARBOX]).run(10_000)
    for _, frame, payload in _requests(bus):
        reads_data = payload[0] == pids.SHOW_CURRENT and payload[1] not in pids.BITMAPS
        assert frame.can_id == 0x7E0 if reads_data else frame.can_id in (0x7DF, 0x7E0)
    controls = [frame for _, frame in bus.sent if frame.data[0] >> 4 == 3]
    assert controls
    assert {frame.can_id for frame in controls} == {0x7E0}


def test_a_pid_that_only_the_second_unit_has_is_asked_of_all() -> None:
    body = Unit("body", frozenset({0x46}))
    bus = paper_bus(units=[OLD_ENGINE, body]).run(20_000)
    assert {value for _, value in bus.samples("ambient_air_c")} == {33.0}
    assert any(frame.can_id == 0x7DF and b"\x46" in payload for _, frame, payload in _requests(bus))


# ---- polling ---------------------------------------------------------------------------------------------------------


def test_polite_one_request_outstanding_and_never_more_than_twenty_a_second() -> None:
    bus = paper_bus(settings=CanSettings(faster=100.0)).run(30_000)
    times = [t_ms for t_ms, _, _ in _requests(bus)]
    assert min(b - a for a, b in itertools.pairwise(times)) >= 50
    assert len(times) / 29 > 15  # the room is used


def test_a_silent_request_holds_the_next_one_back_until_it_timed_out() -> None:
    bus = paper_bus(faults=[Spell(CanFault.NO_REPLY, 5_000, 6_500)]).run(6_500)
    times = [t_ms for t_ms, _, _ in _requests(bus) if t_ms >= 5_000]
    assert min(b - a for a, b in itertools.pairwise(times)) >= P2_MS


def test_six_pids_in_a_request_and_at_least_three_times_the_readings() -> None:
    """Same vehicle, same limit of 20 requests a second, everything wanted as fast as the link can."""
    several = paper_bus(settings=CanSettings(faster=100.0)).run(31_000)
    single = paper_bus(settings=CanSettings(faster=100.0, several_pids=False)).run(31_000)
    assert max(len(payload) - 1 for _, _, payload in _requests(several)) == 6
    assert max(len(payload) - 1 for _, _, payload in _requests(single)) == 1
    per_request = several.tester.stats.readings / several.tester.stats.requests
    per_single = single.tester.stats.readings / single.tester.stats.requests
    assert per_request >= 3 * per_single


def test_a_unit_that_takes_one_pid_a_request_is_read_one_by_one() -> None:
    shy = Unit("engine", ENGINE.pids, several=False)
    bus = paper_bus(units=[shy]).run(20_000)
    for name in ("coolant_c", "rpm", "speed_kmh", "absolute_load_pct", "ambient_air_c"):
        assert bus.samples(name, 10_000), name
    assert [up for _, up, _ in bus.links()] == [True]


def test_a_short_outage_does_not_change_how_the_unit_is_asked() -> None:
    bus = paper_bus(faults=[Spell(CanFault.NO_REPLY, 5_000, 6_200)]).run(15_000)
    assert [up for _, up, _ in bus.links()] == [True]
    late = [(frame.can_id, len(payload)) for t_ms, frame, payload in _requests(bus) if t_ms > 8_000]
    assert {can_id for can_id, _ in late} == {0x7E0}
    assert max(size for _, size in late) == 7


def test_a_unit_that_only_answers_what_is_asked_of_all_is_read_that_way() -> None:
    bus = paper_bus(units=[Unit("engine", ENGINE.pids, alone=False)]).run(40_000)
    assert len(bus.samples("coolant_c", 5_000)) >= 30
    assert [up for _, up, _ in bus.links()] == [True]


def test_the_link_is_up_before_the_first_reading_and_down_after_the_last() -> None:
    bus = paper_bus(faults=[Spell(CanFault.NO_REPLY, 5_000, 12_000)]).run(15_000)
    up = False
    for event in bus.events:
        if isinstance(event, Sample):
            assert up, event
        else:
            up = event.up
    assert up


def test_all_that_is_wanted_arrives_in_the_published_steps() -> None:
    bus = paper_bus().run(65_000)
    latest = {name: value for event in bus.events if isinstance(event, Sample) for name, value in event.readings}
    for name, value in latest.items():
        if name != "mil":
            assert value == pytest.approx(STEADY[name], abs=0.5), name
    assert set(latest) >= set(STEADY) - {"load_pct"}


def test_coolant_comes_at_least_once_a_second_while_the_link_is_good() -> None:
    bus = paper_bus().run(60_000)
    times = [t_ms for t_ms, _ in bus.samples("coolant_c")]
    assert max(b - a for a, b in itertools.pairwise(times)) <= 1_000


def test_one_unit_a_pid_the_engine_counts_when_they_disagree() -> None:
    liar = Unit("gearbox", GEARBOX.pids, offsets={"coolant_c": -25.0, "rpm": 400.0})
    bus = paper_bus(units=[ENGINE, liar]).run(30_000)
    assert {value for _, value in bus.samples("coolant_c")} == {90.0}
    assert {value for _, value in bus.samples("rpm")} == {2500.0}
    assert {event.ecu for event in bus.events if isinstance(event, Sample) and event.readings} == {"7E8"}


def test_codes_are_read_at_the_start_and_new_ones_within_a_minute() -> None:
    sick = Unit("engine", ENGINE.pids, stored=("P0118", "P0420", "P0301", "P0217"), pending=("P0480",))
    bus = paper_bus(units=[sick, GEARBOX]).run(5_000)
    found = [event.codes for event in bus.events if isinstance(event, Sample) and event.codes is not None]
    assert found[-1] == "P0118 P0217 P0301 P0420 P0480"
    assert bus.samples("mil")[-1][1] == 1.0
    bus.units.units = [Unit("engine", ENGINE.pids), GEARBOX]
    bus.run(70_000)
    found = [event.codes for event in bus.events if isinstance(event, Sample) and event.codes is not None]
    assert found[-1] == ""


# ---- listening in ----------------------------------------------------------------------------------------------------


def _other_tester(t_ms: int) -> list[Frame]:
    """Somebody else's request and the published reply to it, among other traffic."""
    if t_ms % 500 == 0:
        return [Frame(0x7DF, bytes.fromhex("0201050000000000"))]
    if t_ms % 500 == 12:
        return [Frame(0x7E8, bytes.fromhex("100A41043F05440B"))]
    if t_ms % 500 == 14:
        return [Frame(0x7E0, bytes.fromhex("3000000000000000"))]
    if t_ms % 500 == 16:
        return [Frame(0x7E8, bytes.fromhex("21210C17B8000000"))]
    return [Frame(0x1A0, bytes(8))] if t_ms % 20 == 0 else []


def test_listen_only_decodes_what_others_asked_for_and_sends_nothing() -> None:
    tester = CanTester(0, CanSettings(listen_only=True))
    events, sent = [], []
    for t_ms in range(30_000):
        for frame in _other_tester(t_ms) if t_ms < 15_000 else [Frame(0x1A0, bytes(8))]:
            tester.feed(t_ms, frame)
        step = tester.step(t_ms)
        events += step.events
        sent += step.send
    assert sent == []
    samples = [event for event in events if isinstance(event, Sample)]
    assert len(samples) == 28
    assert dict(samples[0].readings) == {"load_pct": 24.7, "coolant_c": 28.0, "map_kpa": 33.0, "rpm": 1518.0}
    links = [(event.up, event.reason) for event in events if not isinstance(event, Sample)]
    assert links[0] == (True, "listening in on CAN, 500 kbit/s")
    assert [up for up, _ in links] == [True, False]
    assert "nobody asks" in links[1][1]


def test_no_flow_control_into_the_long_reply_that_somebody_else_asked_for() -> None:
    tester = CanTester(0, CanSettings())
    for t_ms in range(LISTEN_MS):
        for frame in _other_tester(t_ms):
            tester.feed(t_ms, frame)
        assert not tester.step(t_ms).send


# ---- engine off ------------------------------------------------------------------------------------------------------


def test_at_rest_nothing_is_asked_and_traffic_after_silence_is_told() -> None:
    bus = paper_bus(faults=[Spell(CanFault.BUS_SILENT, 20_000, 60_000)]).run(10_000)
    bus.tester.pace = Pace.LISTEN
    bus.run(90_000)
    assert not [t_ms for t_ms, _ in bus.sent if t_ms > 10_100]
    rested, woken = bus.links()[-2:]
    assert rested[1:] == (False, "engine off: not asking")
    assert woken[1]
    assert 60_000 <= woken[0] <= 60_100
    bus.tester.pace = Pace.FULL
    bus.run(95_000)
    assert bus.samples("coolant_c", 90_000)


@pytest.mark.parametrize("addressing", list(Addressing))
def test_asked_seldom_it_is_one_question_a_minute_for_engine_speed(addressing: Addressing) -> None:
    bus = paper_bus(addressing=addressing).run(10_000)
    bus.tester.pace = Pace.SELDOM
    bus.run(200_000)
    late = [(t_ms, payload.hex()) for t_ms, _, payload in _requests(bus) if t_ms > 10_100]
    assert [payload for _, payload in late] == ["010c"] * 3
    assert [value for _, value in bus.samples("rpm", 10_200)] == [2500.0] * 3


# ---- faults ----------------------------------------------------------------------------------------------------------

START_MS, END_MS = 20_000, 35_000
NO_READINGS = {
    CanFault.BUS_SILENT,
    CanFault.NO_REPLY,
    CanFault.BUSY,
    CanFault.REFUSED,
    CanFault.GARBAGE,
    CanFault.ERROR_FRAMES,
    CanFault.BUS_OFF,
}


@pytest.mark.parametrize("addressing", list(Addressing))
@pytest.mark.parametrize("kind", list(CanFault))
def test_every_fault_is_survived_told_and_over_within_five_seconds(kind: CanFault, addressing: Addressing) -> None:
    bus = paper_bus(faults=[Spell(kind, START_MS, END_MS)], addressing=addressing, units=[ENGINE, GEARBOX])
    bus.run(END_MS + 15_000)
    for name in ("coolant_c", "rpm", "speed_kmh"):
        back = bus.samples(name, END_MS)
        assert back, name
        assert back[0][0] - END_MS <= 5_000, name
        assert len(back) >= 12, name
    during = bus.samples("coolant_c", START_MS + 200, END_MS)
    told = [reason for t_ms, up, reason in bus.links() if not up and START_MS <= t_ms < END_MS]
    if kind in NO_READINGS:
        assert not during
        assert told
        first_down = next(t_ms for t_ms, up, _ in bus.links() if not up and t_ms >= START_MS)
        assert first_down - START_MS <= 3_000
    else:
        assert during
        assert not told
    assert bus.links()[-1][1]


@pytest.mark.parametrize("kind", [CanFault.LOST_FRAME, CanFault.SHORT, CanFault.SLOW, CanFault.PENDING])
def test_damaged_replies_never_give_a_wrong_value(kind: CanFault) -> None:
    bus = paper_bus(faults=[Spell(kind, 5_000, 40_000)]).run(45_000)
    assert {value for _, value in bus.samples("coolant_c")} == {90.0}
    assert {value for _, value in bus.samples("rpm")} == {2500.0}


def test_response_pending_is_waited_for() -> None:
    bus = paper_bus(faults=[Spell(CanFault.PENDING, 5_000, 20_000)]).run(20_000)
    times = [t_ms for t_ms, _ in bus.samples("coolant_c", 5_000)]
    assert times
    assert max(b - a for a, b in itertools.pairwise(times)) <= 3_500
    assert (0x01, pids.PENDING) in bus.tester.stats.refusals


def test_bus_off_stops_all_sending_until_the_controller_restarted() -> None:
    bus = paper_bus(faults=[Spell(CanFault.BUS_OFF, 5_000, 15_000)]).run(30_000)
    assert not [t_ms for t_ms, _ in bus.sent if 5_001 <= t_ms < 15_000]
    assert bus.samples("coolant_c", 15_000)
    assert any("off the bus" in reason for _, _, reason in bus.links())


def test_off_the_bus_for_good_the_bus_is_closed_and_opened_again() -> None:
    tester = CanTester(0, CanSettings())
    tester.feed(0, Frame(0x40, fault=BusFault.BUS_OFF))
    assert tester.state is State.BUS_OFF
    assert tester.step(1_000).close_ms is None
    assert tester.step(2_000).close_ms


def test_a_flood_of_unrelated_frames_changes_nothing() -> None:
    quiet = paper_bus().run(30_000)
    flooded = paper_bus(faults=[Spell(CanFault.FLOOD, 3_000, 30_000)]).run(30_000)
    assert flooded.tester.frames > 50_000
    assert len(flooded.samples("coolant_c")) == pytest.approx(len(quiet.samples("coolant_c")), rel=0.1)


def test_values_follow_the_vehicle() -> None:
    def warming(t_ms: int) -> Mapping[str, float]:
        return {**STEADY, "coolant_c": 80.0 + t_ms // 10_000}

    bus = paper_bus(values=warming).run(60_000)
    for t_ms, value in bus.samples("coolant_c"):
        assert value in (80.0 + t_ms // 10_000, 80.0 + (t_ms - 20) // 10_000)


_FRAMES = st.builds(
    Frame,
    st.sampled_from([0x7E8, 0x7E9, 0x7EF, 0x7E0, 0x7DF, 0x1A0, 0x18DAF110, 0x18DB33F1]),
    st.one_of(
        st.binary(max_size=8),
        st.sampled_from(
            [bytes.fromhex(h) for h in ("0641 00BE1FA813 55", "0341057B00000000", "037F017800000000")]
            + [bytes.fromhex(h) for h in ("100A41043F05440B", "21210C17B8000000", "0643020118042055")]
        ),
    ),
    st.booleans(),
    st.sampled_from([None, None, None, *BusFault]),
)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 900), _FRAMES), max_size=120), st.booleans())
def test_whatever_comes_only_allowed_frames_leave_and_nothing_is_raised(
    traffic: list[tuple[int, Frame]], listen_only: bool
) -> None:
    tester, t_ms = CanTester(0, CanSettings(listen_only=listen_only, listen_ms=100)), 0
    for gap_ms, frame in traffic:
        t_ms += gap_ms
        tester.feed(t_ms, frame)
        step = tester.step(t_ms)
        for leaving in step.send:
            assert not listen_only
            can_allow.checked_frame(leaving)
        if step.close_ms is not None:
            t_ms += step.close_ms
            tester.opened(t_ms)
        assert isinstance(tester.next_ms, int)


@settings(max_examples=8, deadline=None)
@given(
    st.lists(
        st.builds(
            lambda kind, start, long: Spell(kind, start, start + long),
            st.sampled_from(list(CanFault)),
            st.integers(0, 40_000),
            st.integers(100, 15_000),
        ),
        max_size=5,
    )
)
def test_after_any_row_of_faults_it_reads_again(faults: list[Spell]) -> None:
    bus = paper_bus(faults=faults).run(70_000)  # the paper bus passes every frame through the allow-list
    assert bus.samples("coolant_c", 65_000)
