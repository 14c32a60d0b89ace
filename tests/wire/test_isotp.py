"""ISO-TP against the published frames and against the independent can-isotp library, in both directions."""

from __future__ import annotations

from collections import deque

import isotp as reference
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.wire import isotp
from livemon.wire.isotp import Fault, Flow, FlowControl, Receiver, Sender, Sending, Taken

ENGINE, GEARBOX = 0x7E8, 0x7E9


def _hex(text: str) -> bytes:
    return bytes.fromhex(text)


def _message(receiver: Receiver, frames: list[bytes], can_id: int = ENGINE) -> list[Taken]:
    return [taken for t, data in enumerate(frames) for taken in receiver.feed(t, can_id, data)]


# Published vehicle-number reply in three frames, read in the data sheet of the ELM-style adapter chip.
VIN_FRAMES = [_hex("1014490201314434"), _hex("2147503030523535"), _hex("2242313233343536")]
VIN = _hex("490201") + b"1D4GP00R55B123456"


def test_published_vin_reply_comes_whole() -> None:
    taken = _message(Receiver(), VIN_FRAMES)
    assert [t.wants_flow_control for t in taken] == [True, False, False]
    assert taken[-1].message == VIN


# Published reply to 01 04 05 0B 0C, same source: ten bytes, there as 00A / 0:41043F05440B / 1:210C17B8000000.
def test_published_reply_of_several_pids_with_padding_dropped() -> None:
    taken = _message(Receiver(), [_hex("100A41043F05440B"), _hex("21210C17B8000000")])
    assert taken[-1].message == _hex("41043F05440B210C17B8")


@pytest.mark.parametrize("pad", ["00", "55", "AA", "CC", "FF"])
def test_padding_of_a_single_frame_is_ignored(pad: str) -> None:
    assert Receiver().feed(0, ENGINE, _hex("0341057B" + 4 * pad)) == (Taken(message=_hex("41057B")),)


def test_interleaved_control_units_are_kept_apart() -> None:
    receiver = Receiver()
    order = [(ENGINE, VIN_FRAMES[0]), (GEARBOX, _hex("100A41043F05440B"))]
    order += [(ENGINE, VIN_FRAMES[1]), (GEARBOX, _hex("21210C17B8555555")), (ENGINE, VIN_FRAMES[2])]
    whole = [
        (can_id, taken.message)
        for t, (can_id, data) in enumerate(order)
        for taken in receiver.feed(t, can_id, data)
        if taken.message
    ]
    assert whole == [(GEARBOX, _hex("41043F05440B210C17B8")), (ENGINE, VIN)]
    assert receiver.unfinished == 0


@pytest.mark.parametrize(
    ("frames", "faults"),
    [
        ([VIN_FRAMES[0], VIN_FRAMES[2]], [Fault.SEQUENCE]),
        ([VIN_FRAMES[0], VIN_FRAMES[1], VIN_FRAMES[1]], [Fault.SEQUENCE]),
        ([VIN_FRAMES[1]], [Fault.STRAY]),
        ([VIN_FRAMES[0], *VIN_FRAMES], [Fault.CUT_OFF]),
        ([VIN_FRAMES[0], _hex("0341057B")], [Fault.CUT_OFF]),
        ([VIN_FRAMES[0], _hex("214750")], [Fault.SEQUENCE]),
        ([_hex("00")], [Fault.MALFORMED]),
        ([_hex("1003414243")], [Fault.MALFORMED]),
        ([_hex("1007414243444546")], [Fault.MALFORMED]),
        ([_hex("0641")], [Fault.MALFORMED]),
        ([b""], [Fault.MALFORMED]),
        ([_hex("F000000000000000")], [Fault.MALFORMED]),
    ],
)
def test_faults_are_named_and_nothing_wrong_comes_out(frames: list[bytes], faults: list[Fault]) -> None:
    taken = _message(Receiver(), frames)
    assert [t.fault for t in taken if t.fault] == faults
    assert all(t.message in (None, VIN, _hex("41057B")) for t in taken)


def test_silence_of_more_than_a_second_gives_the_message_up() -> None:
    receiver = Receiver()
    receiver.feed(0, ENGINE, VIN_FRAMES[0])
    assert receiver.expire(1000) == 0
    assert receiver.feed(1001, ENGINE, VIN_FRAMES[1]) == (
        Taken(fault=Fault.SILENCE),
        Taken(fault=Fault.STRAY),
    )
    receiver.feed(2000, ENGINE, VIN_FRAMES[0])
    assert receiver.expire(3001) == 1  # seen without any further frame


def test_the_number_of_open_messages_is_bounded() -> None:
    receiver = Receiver()
    taken = [receiver.feed(0, 0x18DAF100 + n, VIN_FRAMES[0])[0] for n in range(100)]
    assert receiver.unfinished == isotp.MOST_AT_ONCE
    assert sum(t.fault is Fault.TOO_MANY for t in taken) == 100 - isotp.MOST_AT_ONCE


def _reference(inbox: deque[reference.CanMessage], outbox: list[bytes], **params: int) -> reference.TransportLayer:
    """A can-isotp peer at the control unit's side (answers on 7E8) without any bus or thread."""
    return reference.TransportLayer(
        rxfn=lambda _timeout: inbox.popleft() if inbox else None,
        txfn=lambda message: outbox.append(bytes(message.data)),
        address=reference.Address(reference.AddressingMode.Normal_11bits, rxid=0x7E0, txid=0x7E8),
        params={"tx_padding": 0x55, "tx_data_min_length": 8, "blocking_send": False, **params},
    )


LENGTHS = [1, 6, 7, 8, 13, 14, 20, 62, 63, 118, 119, 200, 1000, 4095]


@pytest.mark.parametrize("length", LENGTHS)
def test_the_reference_sends_and_we_put_it_together(length: int) -> None:
    inbox: deque[reference.CanMessage] = deque()
    outbox: list[bytes] = []
    peer, receiver = _reference(inbox, outbox), Receiver()
    payload = bytes((7 * n + length) % 256 for n in range(length))
    peer.send(payload)
    for t in range(length + 5):
        peer.process()
        for data in outbox:
            for taken in receiver.feed(t, ENGINE, data):
                assert taken.fault is None
                if taken.wants_flow_control:
                    inbox.append(reference.CanMessage(arbitration_id=0x7E0, data=isotp.flow_control()))
                if taken.message is not None:
                    assert taken.message == payload
                    return
        outbox.clear()
    pytest.fail("the message never came whole")


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("block_size", [0, 1, 8])
def test_we_send_and_the_reference_puts_it_together(length: int, block_size: int) -> None:
    inbox: deque[reference.CanMessage] = deque()
    outbox: list[bytes] = []
    peer = _reference(inbox, outbox, blocksize=block_size, stmin=2)
    payload = bytes((5 * n + length) % 256 for n in range(length))
    sender = Sender(0, payload)
    for t in range(0, 4 * length + 20):
        inbox.extend(reference.CanMessage(arbitration_id=0x7E0, data=data) for data in sender.due(t))
        peer.process()
        for data in outbox:
            control = isotp.parse(data)
            assert isinstance(control, FlowControl)
            assert (control.block_size, control.gap_ms) == (block_size, 2)
            sender.take(t, control)
        outbox.clear()
        if peer.available():
            break
    assert peer.recv() == payload
    assert sender.state is Sending.DONE


def test_a_sender_keeps_the_gap_it_was_asked_for() -> None:
    sender = Sender(0, bytes(30))
    assert len(sender.due(0)) == 1
    sender.take(5, FlowControl(Flow.GO_ON, 0, 20))
    sent = [t for t in range(5, 200) if sender.due(t)]
    assert sent == [5, 25, 45, 65]


def test_a_sender_gives_up_on_silence_overflow_and_endless_waiting() -> None:
    silent = Sender(0, bytes(30))
    silent.due(0)
    assert silent.next_ms == 1001
    silent.due(1001)
    assert silent.state is Sending.GIVEN_UP
    full = Sender(0, bytes(30))
    full.due(0)
    full.take(1, FlowControl(Flow.OVERFLOW))
    assert full.state is Sending.GIVEN_UP
    patient = Sender(0, bytes(30))
    patient.due(0)
    for t in range(isotp.MOST_WAITS + 1):
        assert patient.state is Sending.WAITING
        patient.take(t, FlowControl(Flow.WAIT))
    assert patient.state is Sending.GIVEN_UP


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 700), st.binary(max_size=9)), max_size=60))
def test_any_bytes_in_any_order_never_raise(frames: list[tuple[int, int, bytes]]) -> None:
    receiver, t = Receiver(), 0
    for can_id, gap, data in frames:
        t += gap
        for taken in receiver.feed(t, can_id, data):
            assert taken.message is None or 1 <= len(taken.message) <= isotp.LONGEST
    assert receiver.unfinished <= 4


@given(st.binary(min_size=1, max_size=4095), st.sampled_from([0x00, 0x55, 0xAA, 0xCC]))
def test_what_we_cut_we_put_together_again(payload: bytes, pad: int) -> None:
    taken = _message(Receiver(), list(isotp.segments(payload, pad)))
    assert taken[-1].message == payload
    assert all(len(data) == 8 for data in isotp.segments(payload, pad))


@given(st.binary(min_size=14, max_size=300), st.data())
def test_a_lost_frame_never_gives_a_message(payload: bytes, data: st.DataObject) -> None:
    frames = list(isotp.segments(payload))
    lost = data.draw(st.integers(0, len(frames) - 1))
    assert all(t.message is None for t in _message(Receiver(), frames[:lost] + frames[lost + 1 :]))
