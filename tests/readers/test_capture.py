"""Recorded buses in every form python-can writes, whole, torn, garbled and random."""

from __future__ import annotations

import gzip
import tracemalloc
from pathlib import Path

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livemon.core.events import Event, Link, Sample
from livemon.errors import LivemonError, NoDataError, SetupError
from livemon.readers import capture
from livemon.wire import isotp
from tests.datasets import dataset

FORMS = [".asc", ".blf", ".csv", ".db", ".log", ".trc"]
START = 1_573_221_617.25


def _frame(at_s: float, can_id: int, data: str, extended: bool = False) -> can.Message:
    return can.Message(
        timestamp=START + at_s,
        arbitration_id=can_id,
        data=bytes.fromhex(data),
        is_extended_id=extended,
        channel=0,
    )


# The replies are published examples: coolant 83 C, the reply of four PIDs, stored codes P0118 P0420.
TRAFFIC = [
    _frame(0.0, 0x1A0, "FB18A125BCDC1894"),
    _frame(0.5, 0x7DF, "0201050000000000"),
    _frame(0.512, 0x7E8, "0341057B55555555"),
    _frame(0.520, 0x4BC, "0000"),
    _frame(1.0, 0x7E8, "100A41043F05440B"),
    _frame(1.002, 0x7E0, "3000000000000000"),
    _frame(1.004, 0x7E8, "21210C17B8000000"),
    _frame(1.5, 0x7E8, "0643020118042055"),
    _frame(1.8, 0x7E9, "0341055B55555555"),
    _frame(2.0, 0x7E8, "0462F190AA000000"),  # another service: not ours
    _frame(2.5, 0x18DAF110, "03410565AAAAAAAA", extended=True),
]
WANTED: list[Event] = [
    Link(512, True, "bus capture"),
    Sample(512, (("coolant_c", 83.0),), ecu="7E8"),
    Sample(1004, (("load_pct", 24.7), ("coolant_c", 28.0), ("map_kpa", 33.0), ("rpm", 1518.0)), ecu="7E8"),
    Sample(1500, codes="P0118 P0420", ecu="7E8"),
    Sample(1800, (("coolant2_c", 51.0),), ecu="7E9"),
    Sample(2500, (("coolant2_c", 61.0),), ecu="18DAF110"),
]


def _write(path: Path, messages: list[can.Message] = TRAFFIC) -> Path:
    with can.Logger(path) as writer:
        for message in messages:
            writer(message)
    return path


@pytest.mark.parametrize("form", FORMS)
def test_every_form_gives_the_same_drive(tmp_path: Path, form: str) -> None:
    path = _write(tmp_path / f"bus{form}")
    one = capture.Capture(path)
    assert capture.is_capture(path)
    assert list(one.events()) == WANTED
    assert one.frames == len(TRAFFIC)
    assert one.skipped == {"another service": 1}


@pytest.mark.parametrize("form", [".asc", ".csv", ".log", ".trc"])
def test_compressed_texts_are_read_as_they_are(tmp_path: Path, form: str) -> None:
    plain = _write(tmp_path / f"bus{form}")
    packed = tmp_path / f"bus{form}.gz"
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    assert capture.is_capture(packed)
    assert list(capture.events(packed)) == WANTED


@pytest.mark.parametrize("form", [".csv", ".log", ".trc"])
def test_a_torn_last_line_is_dropped_and_counted(tmp_path: Path, form: str) -> None:
    path = _write(tmp_path / f"bus{form}", TRAFFIC[:3])
    whole = path.read_bytes()
    for cut in range(1, 9):
        path.write_bytes(whole[:-cut])
        one = capture.Capture(path)
        with pytest.raises(NoDataError, match="no J1979 replies"):
            list(one.events())
        assert one.skipped == {"torn last line": 1}
        assert one.frames == 2


def test_garbled_lines_are_counted_and_the_rest_is_read(tmp_path: Path) -> None:
    path = _write(tmp_path / "bus.log")
    lines = path.read_text().splitlines(keepends=True)
    bad = ["(12.5 can0 7E8#03\n", "(1573221617.9) can0 7E8#0341057\n", "\0\0\xff\n", "x" * 200_000 + "\n", "\n"]
    path.write_text("".join([lines[0], *bad, *lines[1:]]), encoding="latin-1")
    one = capture.Capture(path)
    assert list(one.events()) == WANTED
    assert one.skipped == {"line not understood": 3, "line too long": 1, "another service": 1}


def test_times_that_cannot_be_are_counted(tmp_path: Path) -> None:
    odd = [_frame(-5.0, 0x7E8, "0341057B55555555"), _frame(2e5, 0x7E8, "0341057B55555555")]
    path = _write(tmp_path / "bus.csv", [*TRAFFIC[:3], *odd])
    one = capture.Capture(path)
    assert list(one.events()) == WANTED[:2]
    assert one.skipped == {"time before the start": 1, "time jumps more than a day": 1}


def test_the_full_bus_of_a_light_truck_holds_no_reply_and_says_so() -> None:
    """ReCAN recording (MIT), 20 s at 527 frames/s, recorded without a tester asking."""
    path = dataset("recan-isuzu-m55/m55_exp1_fullbus_20s_candump.log")
    assert capture.is_capture(path)
    one = capture.Capture(path)
    with pytest.raises(NoDataError, match=r"no J1979 replies.*10540 frames in 20 s") as caught:
        list(one.events())
    assert caught.value.exit_status == 1
    assert one.frames == 10_540


def test_replies_among_the_full_bus_are_found(tmp_path: Path) -> None:
    busy = dataset("recan-isuzu-m55/m55_exp1_fullbus_20s_candump.log").read_text().splitlines(keepends=True)
    reply = [f"({busy[at][1:18]}) can0 7E8#034105{60 + at // 1000:02X}55555555\n" for at in range(0, 10_000, 1000)]
    merged = [line for at, block in enumerate(reply) for line in (*busy[at * 1000 : at * 1000 + 1000], block)]
    path = tmp_path / "busy.log"
    path.write_text("".join(merged))
    found = [event for event in capture.events(path) if isinstance(event, Sample)]
    assert [sample.readings[0][1] for sample in found] == [20.0 + n for n in range(10)]


def test_replies_without_coolant_end_badly_too(tmp_path: Path) -> None:
    path = _write(tmp_path / "bus.log", [_frame(0, 0x7E8, "04410C1AF8555555")])
    with pytest.raises(NoDataError, match="no coolant reading"):
        list(capture.events(path))


def test_a_log_of_our_own_form_is_no_capture(tmp_path: Path) -> None:
    for name in ("drive.csv", "drive.log", "drive.txt"):
        path = tmp_path / name
        path.write_text("time_s,coolant_c\n0,80\n")
        assert not capture.is_capture(path)
    assert not capture.is_capture(tmp_path / "absent.csv")


@pytest.mark.parametrize("form", [*FORMS, ".mf4", ".asc.gz"])
@pytest.mark.parametrize("content", [b"", b"\0\xff\x00garbage" * 50, b"hello\nworld\n"])
def test_what_is_no_capture_gives_one_clear_error(tmp_path: Path, form: str, content: bytes) -> None:
    path = tmp_path / f"bus{form}"
    path.write_bytes(content)
    with pytest.raises(LivemonError, match=r"expected .*(bus capture|J1979)|no J1979 replies") as caught:
        list(capture.events(path))
    assert str(path) in str(caught.value)


def test_an_absent_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SetupError, match=r"absent\.blf.*No such file"):
        list(capture.events(tmp_path / "absent.blf"))


def test_memory_does_not_grow_with_the_length_of_the_capture(tmp_path: Path) -> None:
    def peak(frames: int) -> int:
        path = tmp_path / f"{frames}.log"
        with path.open("w") as file:
            for n in range(frames):
                file.write(f"({1000 + n / 500:.6f}) can0 {'7E8#0341057B55555555' if n % 50 == 0 else '1A0#FB18'}\n")
        tracemalloc.start()
        count = sum(1 for _ in capture.events(path))
        used = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert count == frames // 50 + 1
        return used

    peak(500)  # imports and caches
    assert peak(20_000) < peak(2_000) + 200_000


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(form=st.sampled_from(FORMS), content=st.binary(max_size=300), keep=st.integers(0, 600))
def test_any_bytes_give_events_or_a_declared_error(tmp_path: Path, form: str, content: bytes, keep: int) -> None:
    path = _write(tmp_path / f"bus{form}")
    path.write_bytes(path.read_bytes()[:keep] + content)
    try:
        for event in capture.events(path):
            assert isinstance(event, Sample | Link)
    except LivemonError:
        pass
    finally:
        path.unlink()


def test_a_long_reply_of_two_units_interleaved_comes_whole(tmp_path: Path) -> None:
    first = isotp.segments(bytes.fromhex("41043F05440B210C17B8"))
    second = isotp.segments(bytes.fromhex("410C1AF80F4611330B21"))
    messages = [
        _frame(0.01 * n, can_id, data.hex())
        for n, (can_id, data) in enumerate(
            [(0x7E8, first[0]), (0x7E9, second[0]), (0x7E9, second[1]), (0x7E8, first[1])]
        )
    ]
    path = _write(tmp_path / "bus.blf", messages)
    found = [event.ecu for event in capture.events(path) if isinstance(event, Sample)]
    assert found == ["7E9", "7E8"]
