"""Nothing but whole, known, reading frames passes to the bus."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.errors import ForbiddenRequestError
from livemon.wire import allow, can_allow, frames, isotp
from livemon.wire.frames import BusFault, Frame


@pytest.mark.parametrize(
    ("can_id", "extended", "payload"),
    [
        (0x7DF, False, "0105"),
        (0x7E0, False, "0100"),
        (0x7E7, False, "03"),
        (0x18DB33F1, True, "07"),
        (0x18DA10F1, True, "0A"),
        (0x7DF, False, "0902"),
    ],
)
def test_reading_requests_pass(can_id: int, extended: bool, payload: str) -> None:
    frame = frames.request(can_id, extended, bytes.fromhex(payload))
    assert can_allow.checked_frame(frame) is frame


def test_flow_control_passes_to_one_unit_only() -> None:
    assert can_allow.is_allowed_frame(frames.flow_control(0x7E8, False))
    assert not can_allow.is_allowed_frame(Frame(0x7DF, isotp.flow_control()))
    assert not can_allow.is_allowed_frame(Frame(0x7E0, isotp.flow_control(isotp.Flow.WAIT)))


@pytest.mark.parametrize(
    "frame",
    [
        Frame(0x7DF, bytes.fromhex("0104000000000000")),  # service 04 clears the codes
        Frame(0x7DF, bytes.fromhex("0208010000000000")),
        Frame(0x7E0, bytes.fromhex("0210030000000000")),
        Frame(0x7E0, bytes.fromhex("0222F19000000000")),
        Frame(0x7E0, bytes.fromhex("023E000000000000")),
        Frame(0x7DF, bytes.fromhex("0201040000000000")),  # PID 04: cut short it is service 04
        Frame(0x7DF, bytes.fromhex("020105")),  # not a whole frame
        Frame(0x7DF, bytes.fromhex("0201050000000004")),  # padding with something in it
        Frame(0x7E8, bytes.fromhex("0201050000000000")),  # the identifier of a control unit
        Frame(0x1A0, bytes.fromhex("0201050000000000")),
        Frame(0x7DF, bytes.fromhex("0201050000000000"), extended=True),
        Frame(0x7DF, bytes.fromhex("0201050000000000"), fault=BusFault.ERROR_FRAME),
        Frame(0x7E0, bytes.fromhex("1008010500000000")),  # no long request
        Frame(0x7DF, b""),
    ],
)
def test_everything_else_raises_and_names_the_frame(frame: Frame) -> None:
    with pytest.raises(ForbiddenRequestError, match=f"{frame.can_id:X}#.*nothing was sent"):
        can_allow.checked_frame(frame)


@given(
    st.one_of(st.integers(0, 0x7FF), st.sampled_from([0x7DF, *range(0x7E0, 0x7F0)])),
    st.one_of(st.binary(max_size=8), st.binary(min_size=8, max_size=8)),
    st.booleans(),
)
def test_what_passes_is_a_service_that_reads(can_id: int, data: bytes, extended: bool) -> None:
    frame = Frame(can_id, data, extended)
    if not can_allow.is_allowed_frame(frame):
        return
    if data[0] != 0x30:
        assert data[1] in allow.READING_SERVICES
        assert not any(data[1 + data[0] :])


@given(st.binary(min_size=1, max_size=7), st.sampled_from([0x7DF, 0x7E0, 0x7E3]))
def test_the_frame_passes_exactly_when_the_request_does(payload: bytes, can_id: int) -> None:
    assert can_allow.is_allowed_frame(frames.request(can_id, False, payload)) == allow.is_allowed_payload(payload)
