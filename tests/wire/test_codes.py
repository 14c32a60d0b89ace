"""Trouble codes against published vectors, python-OBD's table and decoder, and random bytes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from obd.codes import DTC
from obd.decoders import parse_dtc

from livemon.wire import codes


@pytest.mark.parametrize(
    ("body", "counted", "expected"),
    [
        ("02 01 18 04 20", True, ("P0118", "P0420")),  # published: 43 02 01 18 04 20 on CAN
        ("00", True, ()),  # published: 43 00
        ("01 02 17 AA AA AA", True, ("P0217",)),  # padding behind the count is not a code
        ("01 18 02 17 00 00", False, ("P0118", "P0217")),  # three a frame, filled with zeros
        ("00 00 00 00 00 00", False, ()),
        ("01 18 01 18 00 00", False, ("P0118",)),  # named twice, told once
        ("03 01 18", True, None),  # says three, holds one
        ("", True, None),
        ("01 18 02", False, None),
    ],
)
def test_lists(body: str, counted: bool, expected: tuple[str, ...] | None) -> None:
    assert codes.parse_codes(bytes.fromhex(body), counted) == expected


def test_published_codes() -> None:
    assert codes.code_text(0x02, 0x17) == "P0217"
    assert codes.code_text(0xC1, 0x00) == "U0100"


@given(st.binary(min_size=2, max_size=2))
def test_same_text_as_python_obd_and_back(pair: bytes) -> None:
    text = codes.code_text(*pair)
    assert codes.code_bytes(text) == pair
    if any(pair):
        assert parse_dtc(bytearray(pair))[0].upper() == text


@pytest.mark.parametrize("code", codes.KNOWN)
def test_every_explained_code_is_in_the_public_list_with_the_same_subject(code: str) -> None:
    public = DTC[code].lower()
    bearing = codes.explain(code).bearing
    words = {
        codes.Bearing.COOLANT_SENSOR: "coolant",
        codes.Bearing.FAN: "fan",
        codes.Bearing.MISFIRE: "misfire",
        codes.Bearing.INJECTOR: "injector",
    }
    assert words.get(bearing, "") in public
    if bearing in codes.MARKS_DRIVE and code not in ("P0300", "P0200"):
        assert int(code[3:]) == int("".join(c for c in public if c.isdigit()))


@pytest.mark.parametrize("text", ["", "P02", "X0217", "P4217", "P021G", "P0217 "])
def test_not_a_code(text: str) -> None:
    with pytest.raises(ValueError, match=r"code|hex|int|base"):
        codes.code_bytes(text)


def test_misfire_and_injector_mark_the_drive() -> None:
    assert codes.marks_drive("P0118 P0303")
    assert codes.marks_drive("P0203")
    assert not codes.marks_drive("P0118 P0217")
    assert not codes.marks_drive("")


@given(st.binary(max_size=300), st.booleans())
def test_any_bytes_give_codes_or_nothing(body: bytes, counted: bool) -> None:
    found = codes.parse_codes(body, counted)
    assert found is None or all(len(code) == 5 and codes.explain(code).code == code for code in found)
