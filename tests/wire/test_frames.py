"""Addresses and request frames against the published examples of ISO 15765-4 traffic."""

from __future__ import annotations

import isotp as reference
import pytest

from livemon.wire import frames
from livemon.wire.frames import Addressing, Frame


# Public lists of OBD identifiers: 7E0-7E7 ask, 7E8-7EF answer (+ 8); 29 bit swaps source and target byte.
@pytest.mark.parametrize(
    ("reply", "physical", "extended"),
    [
        (0x7E8, 0x7E0, False),
        (0x7E9, 0x7E1, False),
        (0x7EF, 0x7E7, False),
        (0x18DAF110, 0x18DA10F1, True),
        (0x18DAF1FE, 0x18DAFEF1, True),
    ],
)
def test_reply_and_physical_identifier_belong_together(reply: int, physical: int, extended: bool) -> None:
    assert frames.physical_id(reply, extended) == physical
    assert frames.reply_id(physical, extended) == reply
    assert frames.is_reply_id(reply, extended)
    assert frames.is_request_id(physical, extended)
    assert not frames.is_reply_id(physical, extended)
    assert not frames.is_request_id(reply, extended)


@pytest.mark.parametrize("ecu", [0x10, 0x18, 0x28])
def test_29_bit_identifiers_as_the_reference_library_makes_them(ecu: int) -> None:
    """ISO 15765-2 normal fixed addressing, by can-isotp."""
    mode = reference.AddressingMode.NormalFixed_29bits
    address = reference.Address(mode, target_address=ecu, source_address=frames.TESTER)
    physical = address.get_tx_arbitration_id(reference.TargetAddressType.Physical)
    functional = reference.Address(mode, target_address=0x33, source_address=frames.TESTER)
    assert frames.reply_id(physical, True) == address.get_rx_arbitration_id(reference.TargetAddressType.Physical)
    assert Addressing.BITS_29.functional_id == functional.get_tx_arbitration_id(reference.TargetAddressType.Functional)


@pytest.mark.parametrize(
    ("can_id", "extended"),
    [(0x7E7, False), (0x7F0, False), (0x7DF, False), (0x18DAF110, False), (0x7E8, True), (0x18DB33F1, True)],
)
def test_no_other_identifier_counts_as_a_reply(can_id: int, extended: bool) -> None:
    assert not frames.is_reply_id(can_id, extended)
    with pytest.raises(ValueError, match="reply identifier"):
        frames.physical_id(can_id, extended)


# Published request for coolant: 7DF 02 01 05, padded to eight bytes.
def test_a_request_is_a_single_frame_of_eight_bytes() -> None:
    assert frames.request(0x7DF, False, bytes.fromhex("0105")) == Frame(0x7DF, bytes.fromhex("0201050000000000"))


def test_flow_control_goes_to_the_one_control_unit_that_began() -> None:
    assert frames.flow_control(0x7E8, False) == Frame(0x7E0, bytes.fromhex("3000000000000000"))
    assert frames.flow_control(0x18DAF110, True) == Frame(0x18DA10F1, bytes.fromhex("3000000000000000"), extended=True)
