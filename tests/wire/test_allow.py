"""The allow-list: whole strings only, no tail that writes, no bit flip of a code request that clears
codes."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.errors import ForbiddenRequestError
from livemon.wire import allow
from livemon.wire.pids import PIDS

# Services a generic reader must never send; SAE J1979 (04, 08) and ISO 14229-1 / 14230-3 (from memory).
NEVER = {0x04, 0x08, 0x10, 0x11, 0x14, 0x27, 0x28, 0x2E, 0x2F, 0x30, 0x31, 0x34, 0x35, 0x36, 0x37, 0x3B, 0x3D, 0x85}

SINGLES = [bytes((1, pid)) for pid in PIDS if allow.is_askable(pid)]
BATCHES = [
    payload
    for size in (2, 3, 4)
    for chosen in combinations((0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x33, 0x42, 0x43, 0x46, 0x5C), size)
    if (payload := allow.batch(chosen)) is not None
]


@pytest.mark.parametrize(
    "text",
    ["0105", "010C", "0100", "0120", "0143", "0110", "010B", "0101", "03", "07", "0A", "0902", "ATZ", "ATI", "ATSP6"],
)
def test_what_is_used_passes(text: str) -> None:
    assert allow.checked_text(text.encode() + b"\r") == text.encode() + b"\r"


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"\r",  # a bare CR repeats the last command
        b"0105",  # no end
        b"0105\r\r",
        b"0105\n",
        b"\r0105\r",
        b"0105\r04\r",
        b"04\r",
        b"08\r",
        b"0104\r",  # cut by two: 04
        b"0108\r",
        b"0904\r",
        b"020400\r",
        b"01051\r",  # cut by one: service 10 with a parameter
        b"01101\r",  # cut by one: 11 01, a hard reset
        b"010C0D\r",  # cut by one: service 10 with a parameter
        b"0105 \r",
        b" 0105\r",
        b"   0105\r",
        b"  ATZ\r",
        b"  04\r",
        b"  \r",
        b"01 05\r",
        b"010c\r",
        b"1101\r",
        b"2F\r",
        b"22F190\r",
        b"ATSH7E0\r",
        b"ATMA\r",
        b"ATPP0CSV23\r",
        b"atz\r",
        b"ATSP\r",
        b"ATST04\r",
        "０１０５\r".encode(),
    ],
)
def test_everything_else_is_refused(raw: bytes) -> None:
    assert not allow.is_allowed_text(raw)
    with pytest.raises(ForbiddenRequestError, match="nothing was sent"):
        allow.checked_text(raw)


def test_load_is_not_asked_as_pid_04() -> None:
    assert not allow.is_askable(0x04)
    assert all(allow.is_askable(pid) for pid in (0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x43, 0x46, 0x5C))


@pytest.mark.parametrize("payload", [*SINGLES, *BATCHES, b"\x03", b"\x07", b"\x0a", b"\x09\x02", b"\x09\x00"])
def test_no_tail_of_any_request_writes(payload: bytes) -> None:
    """Independent of the code under test: cut the text and read it as the adapter's data sheet says."""
    digits = payload.hex().upper()
    for cut in range(1, len(digits)):
        tail = digits[cut:]
        if len(tail) % 2:
            tail = tail[:-1]  # the odd last digit is a number of replies
        if tail:
            sent = bytes.fromhex(tail)
            assert sent[0] not in {0x04, 0x08}
            assert len(sent) == 1 or sent[0] not in NEVER


def test_blanks_before_a_request_are_what_is_swallowed_first() -> None:
    for payload in (*SINGLES, *BATCHES, b"\x03", b"\x07"):
        raw = allow.LEAD_IN.encode() + payload.hex().upper().encode() + b"\r"
        assert allow.is_allowed_text(raw)
        for cut in range(1, len(allow.LEAD_IN) + 1):
            assert bytes.fromhex(raw[cut:-1].decode()) == payload


def test_adapter_commands_cut_short_reach_no_writing_service() -> None:
    for command in allow.ADAPTER_COMMANDS:
        for tail in allow.remnants(command):
            assert tail[0] not in NEVER, (command, tail.hex())


def test_one_flipped_bit_of_a_code_request_never_clears_codes() -> None:
    for text in (b"03", b"07", b"0A", b"0101"):
        for at in range(len(text)):
            for bit in range(8):
                flipped = bytearray(text)
                flipped[at] ^= 1 << bit
                assert not flipped.upper().startswith((b"04", b"08")), (text, flipped)


@given(st.binary(max_size=20))
def test_only_reading_services_pass_as_payload(payload: bytes) -> None:
    if allow.is_allowed_payload(payload):
        assert payload[0] in allow.READING_SERVICES


@given(st.text(alphabet="0123456789ABCDEFATZSPI\r >", max_size=12))
def test_only_whole_strings_pass_as_text(text: str) -> None:
    raw = text.encode()
    if allow.is_allowed_text(raw):
        assert raw.endswith(b"\r")
        assert raw.count(b"\r") == 1
        body = raw[:-1].decode()
        assert body in allow.ADAPTER_COMMANDS or bytes.fromhex(body.strip())[0] in allow.READING_SERVICES


@given(st.sets(st.sampled_from([0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x33, 0x43, 0x46]), min_size=1, max_size=5))
def test_a_batch_asks_for_what_was_wanted_and_passes(pids: set[int]) -> None:
    payload = allow.batch(tuple(sorted(pids)))
    if payload is not None:
        assert allow.is_allowed_payload(payload)
        assert set(payload[1:]) - {allow.SHIELD_PID} == pids


def test_the_batch_the_forecast_needs_exists() -> None:
    for load in (0x0B, 0x10, 0x43):
        assert allow.batch((0x05, 0x0C, 0x0D, load)) is not None
