"""PID table against published replies, against python-OBD's decoders over every byte, and against random
bytes."""

from __future__ import annotations

from dataclasses import dataclass

import obd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.core.events import SIGNALS
from livemon.wire import pids

# Reply after the header -> readings.  Public PID table after SAE J1979 and the ELM327 data sheet's examples;
# rows marked (computed) follow from the published formula.
PUBLISHED = [
    ("41 01 83 07 65 04", (("mil", 1.0),)),
    ("41 03 02 00", (("fuel_status", 2.0),)),
    ("41 04 3F", (("load_pct", 24.7),)),
    ("41 05 7B", (("coolant_c", 83.0),)),
    ("41 05 97", (("coolant_c", 111.0),)),
    ("41 05 44", (("coolant_c", 28.0),)),
    ("41 0B 21", (("map_kpa", 33.0),)),
    ("41 0C 1A F8", (("rpm", 1726.0),)),
    ("41 0C 17 B8", (("rpm", 1518.0),)),
    ("41 0D 3C", (("speed_kmh", 60.0),)),
    ("41 0F 46", (("intake_air_c", 30.0),)),
    ("41 10 0B B8", (("maf_g_s", 30.0),)),
    ("41 11 33", (("throttle_pct", 20.0),)),
    ("41 1F 02 58", (("run_time_s", 600.0),)),
    ("41 2F 80", (("fuel_level_pct", 50.2),)),
    ("41 33 65", (("baro_kpa", 101.0),)),
    ("41 42 36 B0", (("voltage_v", 14.0),)),
    ("41 43 00 80", (("absolute_load_pct", 50.2),)),
    ("41 43 01 40", (("absolute_load_pct", 125.5),)),
    ("41 46 4B", (("ambient_air_c", 35.0),)),
    ("41 49 33", (("pedal_pct", 20.0),)),
    ("41 5C 82", (("oil_c", 90.0),)),
    ("41 66 01 0C 80 00 00", (("maf_g_s", 100.0),)),  # (computed) 3200 / 32
    ("41 66 03 0C 80 06 40", (("maf_g_s", 150.0),)),  # (computed) 100 + 50, the sum is from memory
    ("41 66 02 FF FF 06 40", (("maf_g_s", 50.0),)),  # (computed) sensor A not fitted
    ("41 67 03 7B 69", (("coolant_c", 83.0), ("coolant2_c", 65.0))),  # (computed)
    ("41 67 01 7B 00", (("coolant_c", 83.0),)),  # (computed)
    ("41 67 02 00 69", (("coolant2_c", 65.0),)),  # (computed)
    ("41 68 01 46 00", (("intake_air_c", 30.0),)),  # (computed) three-byte form
    ("41 68 02 00 46", (("intake_air_c", 30.0),)),  # (computed)
    ("41 68 08 00 00 00 46 00 00", (("intake_air_c", 30.0),)),  # (computed) seven-byte form, bank 2 sensor 1
    ("41 68 00 46 46", ()),  # (computed) no sensor fitted
]


@pytest.mark.parametrize(("reply", "expected"), PUBLISHED)
def test_published_reply(reply: str, expected: tuple[tuple[str, float], ...]) -> None:
    body = bytes.fromhex(reply)
    assert pids.readings(body[1], body[2:]) == expected


def test_quantities_that_are_not_signals_are_known_but_not_kept() -> None:
    assert pids.quantities(0x45, b"\x1a") == (("relative_throttle_pct", pytest.approx(10.2, abs=0.05)),)
    assert pids.quantities(0x5E, b"\x00\xc8") == (("fuel_rate_l_h", 10.0),)
    assert pids.readings(0x45, b"\x1a") == () == pids.readings(0x5E, b"\x00\xc8")


def test_every_signal_name_of_the_table_exists_or_is_listed_as_not_kept() -> None:
    names = {name for pid in pids.PIDS.values() for name in pid.quantities}
    assert names - set(SIGNALS) == {"stored_codes", "relative_throttle_pct", "fuel_rate_l_h"}


def test_published_support_bitmap() -> None:
    # Public PID table: 41 00 BE 1F A8 13
    found = pids.supported(0x00, bytes.fromhex("BE1FA813"))
    assert sorted(found) == [
        1,
        3,
        4,
        5,
        6,
        7,
        0x0C,
        0x0D,
        0x0E,
        0x0F,
        0x10,
        0x11,
        0x13,
        0x15,
        0x1C,
        0x1F,
        0x20,
    ]
    assert pids.next_bitmap(0x00, found) == 0x20
    assert pids.next_bitmap(0x00, found - {0x20}) is None
    assert pids.next_bitmap(0x60, {0x80}) is None


def test_monitor_status_published() -> None:
    status = pids.monitor_status(bytes.fromhex("83076504"))
    assert status == pids.MonitorStatus(mil=True, codes=3, compression_ignition=False)
    assert pids.monitor_status(b"\x83") is None


def test_published_reply_of_several_pids() -> None:
    # ELM327 data sheet, multiple PID requests: 01 04 05 0B 0C.
    body = bytes.fromhex("41043F05440B210C17B8")
    walked = pids.walk(body[1:], (0x04, 0x05, 0x0B, 0x0C))
    assert walked.rest == b""
    values = [pair for pid, data in walked.parts for pair in pids.readings(pid, data)]
    assert values == [("load_pct", 24.7), ("coolant_c", 28.0), ("map_kpa", 33.0), ("rpm", 1518.0)]


def test_walk_takes_any_order_and_missing_pids() -> None:
    body = bytes.fromhex("0C17B80544")
    walked = pids.walk(body, (0x05, 0x0B, 0x0C))
    assert [pid for pid, _ in walked.parts] == [0x0C, 0x05]
    assert walked.rest == b""


@pytest.mark.parametrize(
    ("body", "good", "rest"),
    [
        ("0544 0D3C 0B21", [0x05], "0D3C0B21"),  # a PID that was not asked
        ("0544 0545", [0x05], "0545"),  # twice
        ("0544 0C17", [0x05], "0C17"),  # cut short
        ("", [], ""),
    ],
)
def test_walk_stops_at_nonsense(body: str, good: list[int], rest: str) -> None:
    walked = pids.walk(bytes.fromhex(body), (0x05, 0x0B, 0x0C))
    assert [pid for pid, _ in walked.parts] == good
    assert walked.rest == bytes.fromhex(rest)


def test_pid_of_several_lengths_takes_the_whole_reply_and_is_not_batched() -> None:
    assert not pids.PIDS[0x68].batchable
    assert pids.walk(bytes.fromhex("68 01 46 00"), (0x68,)).parts == ((0x68, bytes.fromhex("014600")),)
    assert pids.walk(bytes.fromhex("68 01 46 00 00"), (0x68,)).parts == ()


@dataclass
class Message:
    """What python-OBD's decoders look at: the whole reply."""

    data: bytearray


# python-OBD has no decoder of its own for 03's raw byte, 66, 67, 68 and the bitmaps; those are checked above.
SAME_AS_PYTHON_OBD = [p for p in sorted(pids.PIDS) if p not in (0x00, 0x01, 0x03, 0x20, 0x40, 0x60, 0x66, 0x67, 0x68)]
UNIT = {"rpm": "rpm", "coolant_c": "degC", "speed_kmh": "kph", "maf_g_s": "gps"}


@pytest.mark.parametrize("number", SAME_AS_PYTHON_OBD)
def test_same_value_as_python_obd(number: int) -> None:
    entry = pids.PIDS[number]
    command = obd.commands[1][number]
    assert command.bytes in (0, 2 + entry.lengths[0])
    raws = range(256) if entry.lengths == (1,) else range(0, 65536, 17)
    for raw in raws:
        data = raw.to_bytes(entry.lengths[0], "big")
        theirs = command.decode([Message(bytearray([0x41, number]) + data)])
        (_, ours), *_ = pids.quantities(number, data)
        assert ours == pytest.approx(float(theirs.magnitude), abs=1e-6), (number, data.hex())


def test_same_status_as_python_obd() -> None:
    for first in range(256):
        for second in (0x00, 0x08):
            data = bytes([first, second, 0, 0])
            theirs = obd.commands[1][1].decode([Message(bytearray(b"\x41\x01") + data)])
            ours = pids.monitor_status(data)
            assert ours is not None
            assert (ours.mil, ours.codes) == (theirs.MIL, theirs.DTC_count)
            assert ours.compression_ignition == (theirs.ignition_type == "compression")


@given(st.binary(min_size=4, max_size=4))
def test_same_bitmap_as_python_obd(data: bytes) -> None:
    theirs = obd.commands[1][0].decode([Message(bytearray(b"\x41\x00") + data)])
    ours = pids.supported(0x00, data)
    assert [bool(theirs[i]) for i in range(32)] == [i + 1 in ours for i in range(32)]


@given(st.integers(0, 255), st.binary(max_size=8))
def test_any_bytes_give_values_in_range_or_nothing(pid: int, data: bytes) -> None:
    for name, value in pids.readings(pid, data):
        signal = SIGNALS[name]
        assert signal.low <= value <= signal.high
        assert value == round(value, signal.decimals)


@given(st.binary(max_size=64), st.lists(st.sampled_from(sorted(pids.PIDS)), max_size=6))
def test_walk_never_fails_and_loses_nothing(body: bytes, asked: list[int]) -> None:
    walked = pids.walk(body, asked)
    assert b"".join(bytes([pid]) + data for pid, data in walked.parts) + walked.rest == body
    assert {pid for pid, _ in walked.parts} <= set(asked)
