"""The adapter's state table against an emulated adapter in made-up time: start, live, faults, and what may leave."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livemon.core.events import Link, Sample
from livemon.sim.adapter import CAN11_500, CAN29_500, CLONE, ISO9141, KWP_FAST, PWM, VPW, Habits
from livemon.sim.ecu import ENGINE, GEARBOX, OLD_ENGINE
from livemon.sim.link_faults import IN_SESSION, LinkFault
from livemon.wire import allow
from livemon.wire.elm import Session
from livemon.wire.elm_facts import ElmSettings, Pace, Trial
from livemon.wire.elm_replies import Message
from tests.sim.made_up_link import DRIVE, MadeUpLink

TRANSPORTS = {"PWM": PWM, "VPW": VPW, "9141": ISO9141, "14230": KWP_FAST, "CAN 11": CAN11_500, "CAN 29": CAN29_500}
START = [b"ATI\r", b"ATZ\r", b"ATE0\r", b"ATL0\r", b"ATS0\r", b"ATH1\r", b"ATAT1\r", b"ATSP0\r", b"0100\r", b"ATDPN\r"]
PORT_FAULTS = (LinkFault.UNPLUGGED, LinkFault.RENAMED)
EITHER_SENSOR = (LinkFault.JUMPING_SENSOR, LinkFault.STUCK_SENSOR)


def written(link: MadeUpLink) -> list[bytes]:
    return [raw for _, raw, _ in link.written]


def assert_nothing_but_reading_left(link: MadeUpLink) -> None:
    """The invariants of what is written, whatever the other end does."""
    for at_ms, raw, before in link.written:
        assert allow.is_allowed_text(raw), (at_ms, raw)
        if not raw.startswith(b"AT"):
            assert before == b">", f"{raw!r} at {at_ms} ms was written without a prompt"
    for payload in link.adapter.to_vehicle:
        # What the adapter made of it, even where it swallowed characters: never a service that writes.
        assert payload[0] not in allow.ALWAYS_WRITING
        assert len(payload) == 1 or payload[0] not in allow.WRITING


@pytest.mark.parametrize("protocol", TRANSPORTS.values(), ids=TRANSPORTS.keys())
def test_start_order_then_live_on_every_transport(protocol: int) -> None:
    link = MadeUpLink(Habits(protocol=protocol))
    link.run(12)
    assert written(link)[: len(START)] == START
    assert link.links == [Link(link.links[0].t_ms, True, "")]
    for name in ("coolant_c", "rpm", "speed_kmh", "intake_air_c", "fuel_status"):
        assert {round(v - DRIVE[name], 1) for _, v in link.seen(name)} == {0.0}, name
    times = [t for t, _ in link.seen("coolant_c")]
    assert max(b - a for a, b in pairwise(times)) <= 1_300
    assert_nothing_but_reading_left(link)


@pytest.mark.parametrize(("protocol", "most"), [(VPW, 8.0), (ISO9141, 8.0), (CAN11_500, 20.0)])
def test_polite_rate_is_never_passed(protocol: int, most: float) -> None:
    link = MadeUpLink(Habits(protocol=protocol))
    link.run(20)
    asked = [t for t, raw, _ in link.written if not raw.startswith(b"AT")]
    assert min(b - a for a, b in pairwise(asked)) >= 1000 / most - 60  # start has no gap rule
    live = [t for t in asked if t > link.links[0].t_ms + 500]
    assert min(b - a for a, b in pairwise(live)) >= 1000 / most - 1


def test_several_pids_a_request_only_where_proven() -> None:
    proven = MadeUpLink(Habits(protocol=CAN11_500))
    proven.run(15)
    assert proven.session.facts.batches is Trial.PROVEN
    assert any(len(raw) > 8 for raw in written(proven))
    single = MadeUpLink(Habits(protocol=CAN11_500), units=(replace(ENGINE, several=False),))
    single.run(15)
    assert single.session.facts.batches is Trial.FAILED
    assert sum(len(raw) > 8 for raw in written(single)) <= 2
    assert len(single.seen("coolant_c")) >= 10
    never = MadeUpLink(Habits(protocol=CAN11_500), session=Session(ElmSettings(try_batches=False)))
    never.run(15)
    assert not any(len(raw) > 8 for raw in written(never))


def test_blanks_before_requests_only_where_understood() -> None:
    proven = MadeUpLink(Habits(protocol=VPW))
    proven.run(10)
    assert proven.session.facts.lead_in is Trial.PROVEN
    assert written(proven)[-1].startswith(b"  01")
    plain = MadeUpLink(Habits(protocol=VPW, blanks_garble=True))
    plain.run(10)
    assert plain.session.facts.lead_in is Trial.FAILED
    assert sum(raw.startswith(b" ") for raw in written(plain)) == 1
    assert len(plain.seen("coolant_c")) >= 6


def test_a_swallowed_character_is_a_blank() -> None:
    """The adapter resets itself just as a request arrives: what it makes of the rest is the request itself."""
    for at_ms in range(0, 400, 7):
        link = MadeUpLink(Habits(protocol=VPW))
        link.run(8 + at_ms / 1000)
        link.adapter.set_faults(frozenset({LinkFault.REBOOT}), link.now_ms)
        link.run(3)
        assert {payload[0] for payload in link.adapter.to_vehicle} <= allow.READING_SERVICES


def test_a_trial_that_a_restart_cut_short_proves_nothing() -> None:
    """Found by random sessions: blanks that were only being tried stayed in use and no request was understood."""
    for at_ms in range(2_300, 3_200, 20):
        link = MadeUpLink(Habits(protocol=VPW, blanks_garble=True))
        link.run(at_ms / 1000)
        link.adapter.set_faults(frozenset({LinkFault.REBOOT}), link.now_ms)
        link.run(8)
        assert link.seen("coolant_c", at_ms + 5_000), at_ms


def test_an_adapter_that_was_interrupted_is_waited_for() -> None:
    """Found by random sessions: answering the prompt behind STOPPED at once interrupts what follows it, for ever."""
    link = MadeUpLink(Habits(protocol=CAN11_500, late_prompt_ms=900.0))
    link.run(15)
    link.session._look_for_prompt(link.now_ms)  # writes while the adapter still works on the last request
    link.run(30)
    assert link.session.counts.messages.get(Message.STOPPED, 0) <= 4
    assert link.seen("coolant_c", 40_000)


def test_shorter_timeout_where_the_adapter_waits_and_only_if_it_works() -> None:
    lazy = MadeUpLink(Habits(protocol=VPW, adaptive=False))
    lazy.run(20)
    assert lazy.session.facts.short_timeout is Trial.PROVEN
    before, after = lazy.seen("rpm")[:4], lazy.seen("rpm")[-4:]
    assert after[-1][0] - after[0][0] <= before[-1][0] - before[0][0]
    refusing = MadeUpLink(Habits(protocol=VPW, adaptive=False, refuses=frozenset({"ATST19"})))
    refusing.run(20)
    assert refusing.session.facts.short_timeout is Trial.FAILED


def test_a_bad_adapter_is_read_all_the_same() -> None:
    link = MadeUpLink(CLONE)
    link.run(30)
    facts = link.session.facts
    assert facts.protocol == CAN11_500  # the last of three lines
    assert set(facts.refused) == {"ATAT1", "ATST19"}
    assert len(link.seen("coolant_c")) >= 16
    assert link.session.counts.timeouts == 0
    assert_nothing_but_reading_left(link)


def test_lamp_and_codes_are_read_and_told_again_only_when_they_change() -> None:
    sick = replace(OLD_ENGINE, stored=("P0217", "P0118"), pending=("P0303",))
    link = MadeUpLink(Habits(protocol=VPW), units=(sick,))
    link.run(20)
    assert {v for _, v in link.seen("mil")} == {1.0}
    assert [s.codes for s in link.samples if s.codes is not None] == ["P0217 P0118 P0303"]
    link.adapter._units = (replace(sick, stored=("P0217", "P0118", "P0301")),)
    link.run(20)
    assert [s.codes for s in link.samples if s.codes is not None][1:] == ["P0217 P0118 P0301 P0303"]


def test_no_codes_is_an_empty_text_not_silence() -> None:
    link = MadeUpLink(Habits(protocol=ISO9141))
    link.run(15)
    assert [s.codes for s in link.samples if s.codes is not None] == [""]


def test_two_ecus_one_believed_the_other_coolant_kept() -> None:
    other = replace(GEARBOX, offsets={"coolant_c": -12.0})
    link = MadeUpLink(Habits(protocol=CAN11_500), units=(ENGINE, other))
    link.run(10)
    assert {v for _, v in link.seen("coolant_c")} == {92.0}
    assert {v for _, v in link.seen("coolant2_c")} == {80.0}
    assert {s.ecu for s in link.samples if any(n == "rpm" for n, _ in s.readings)} == {"7E8"}


def test_plug_voltage_where_the_vehicle_has_none() -> None:
    link = MadeUpLink(Habits(protocol=VPW))
    link.run(10)
    assert {v for _, v in link.seen("voltage_v")} == {14.1}
    without_v = MadeUpLink(Habits(protocol=VPW, voltage_without_v=True))
    without_v.run(10)
    assert {v for _, v in without_v.seen("voltage_v")} == {14.1}
    assert len(without_v.seen("coolant_c")) >= 6


def test_listening_asks_the_vehicle_nothing_and_seldom_asks_once_a_minute() -> None:
    link = MadeUpLink(Habits(protocol=VPW))
    link.run(8)
    asked = len(link.adapter.to_vehicle)
    link.session.pace = Pace.LISTEN
    link.run(60)
    assert len(link.adapter.to_vehicle) - asked <= 1  # the one that was out
    assert len(link.seen("voltage_v", 10_000)) >= 10
    asked = len(link.adapter.to_vehicle)
    link.session.pace = Pace.SELDOM
    link.run(180)
    assert 2 <= len(link.adapter.to_vehicle) - asked <= 4
    link.session.pace = Pace.FULL
    back_ms = link.now_ms
    link.run(5)
    assert link.seen("coolant_c", back_ms)
    assert_nothing_but_reading_left(link)


def test_first_word_when_there_is_no_vehicle() -> None:
    link = MadeUpLink(Habits(protocol=CAN11_500))
    link.adapter.set_faults(frozenset({LinkFault.UNABLE_TO_CONNECT}), 0)
    link.run(60)
    assert [(e.up, e.reason) for e in link.links] == [(False, "no vehicle (UNABLE TO CONNECT): ignition on?")]
    tries = sum(raw == b"0100\r" for raw in written(link))
    assert 4 <= tries <= 14  # each 5 to 15 s and the first ones sooner
    assert_nothing_but_reading_left(link)


def test_mute_port_asks_for_reopening_and_writes_no_request() -> None:
    link = MadeUpLink()
    link.adapter.set_faults(frozenset({LinkFault.HANG}), 0)
    link.run(30)
    assert link.reopens
    assert all(raw.startswith(b"AT") for raw in written(link))
    assert [(e.up, e.reason) for e in link.links] == [(False, "adapter does not answer")]


FEW = {"VPW": VPW, "9141": ISO9141, "CAN 11": CAN11_500}


@pytest.mark.parametrize("protocol", FEW.values(), ids=FEW.keys())
@pytest.mark.parametrize("fault", list(LinkFault), ids=lambda fault: fault.value)
def test_live_again_after_each_fault(fault: LinkFault, protocol: int) -> None:
    """Ten seconds of a fault, then live within 5 s in session, within 12 s where the adapter starts or searches."""
    link = MadeUpLink(Habits(protocol=protocol), seed=2)
    link.run(8)
    assert link.seen("coolant_c")
    begun_ms = link.now_ms
    if fault in PORT_FAULTS:
        link.unplug()
    link.adapter.set_faults(frozenset({fault}), link.now_ms)
    link.run(10)
    ended_ms = link.now_ms
    link.adapter.set_faults(frozenset(), link.now_ms)
    if fault in PORT_FAULTS:
        link.plug()
    link.run(14)
    again = link.seen("coolant_c", ended_ms)
    assert again, link.links
    assert again[0][0] - ended_ms <= (5_000 if fault in IN_SESSION else 12_000)
    if fault not in (LinkFault.BIT_FLIPS, *EITHER_SENSOR):
        assert {v for _, v in link.seen("coolant_c", begun_ms)} == {92.0}  # silence, never a wrong value
    assert_nothing_but_reading_left(link)


def test_a_jump_is_looked_at_again_at_once() -> None:
    jump = {"at": 90.0}
    link = MadeUpLink(Habits(protocol=VPW), values=lambda: DRIVE | {"coolant_c": jump["at"]})
    link.run(10)
    jump["at"] = 120.0
    link.run(3)
    high = [t for t, v in link.seen("coolant_c") if v == 120.0]
    assert high[1] - high[0] <= 300


HABITS = st.builds(
    Habits,
    protocol=st.integers(1, 9),
    latency_ms=st.sampled_from([1.0, 20.0, 120.0]),
    adaptive=st.booleans(),
    refuses=st.sets(st.sampled_from(["ATE0", "ATH1", "ATAT1", "ATS0", "ATL0", "ATDPN"]), max_size=3).map(frozenset),
    blanks_garble=st.booleans(),
    late_prompt_ms=st.sampled_from([0.0, 0.0, 150.0, 900.0]),
    two_bytes_only=st.booleans(),
    voltage_without_v=st.booleans(),
)
FAULTS = st.lists(
    st.tuples(st.sets(st.sampled_from(sorted(LinkFault, key=str)), max_size=3), st.floats(0.2, 4.0)), max_size=5
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(habits=HABITS, faults=FAULTS, seed=st.integers(0, 999))
def test_nothing_else_ever_leaves(habits: Habits, faults: list[tuple[set[LinkFault], float]], seed: int) -> None:
    """Random adapters, random faults in any mixture: only allowed bytes leave, and requests only after a prompt."""
    link = MadeUpLink(habits, seed=seed)
    link.run(3)
    for active, seconds in faults:
        link.adapter.set_faults(frozenset(active), link.now_ms)
        link.run(seconds)
    link.adapter.set_faults(frozenset(), link.now_ms)
    link.run(5)
    assert_nothing_but_reading_left(link)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.binary(max_size=40), st.integers(0, 3_000)), max_size=30))
def test_any_bytes_at_any_time_raise_nothing_and_let_nothing_out(pieces: list[tuple[bytes, int]]) -> None:
    session = Session()
    session.opened(0)
    now_ms = 0
    for data, later in pieces:
        now_ms += later
        session.receive(data, now_ms)
        out = session.advance(now_ms)
        assert out is None or allow.is_allowed_text(out)
        assert session.wake_ms(now_ms) >= 0
        assert all(not isinstance(event, Sample) or event.t_ms <= now_ms for event in session.events())


SCRIPTED = st.sampled_from(
    [
        *(b"OK\r\r>", b"?\r\r>", b"\r>", b">", b"ELM327 v1.5\r\r>", b"A6\r\r>", b"\x00\x00", b"SEARCHING..."),
        *(b"7E8064100BE3FA813\r\r>", b"7E80341057B\r\r>", b"41057B\r>", b"486B1041057B06\r\r>", b"NO DATA\r\r>"),
        *(b"LV RESET\r\r>", b"STOPPED\r\r>", b"BUS INIT: ...ERROR\r\r>", b"CAN ERROR\r\r>"),
    ]
)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(SCRIPTED, st.integers(1, 1_500)), max_size=60))
def test_any_order_of_plausible_answers_is_survived(pieces: list[tuple[bytes, int]]) -> None:
    """Closer to a real adapter than noise, so that deep states are reached."""
    session = Session()
    session.opened(0)
    now_ms, last = 0, b""
    for data, later in pieces:
        now_ms += later
        session.receive(data, now_ms)
        last = data.replace(b"\x00", b"").strip()[-1:] or last
        out = session.advance(now_ms)
        if out is not None:
            assert allow.is_allowed_text(out)
            assert out.startswith(b"AT") or last == b">"
            last = b""
