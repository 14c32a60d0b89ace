"""The emulated adapter: what a data sheet says, and whether an independent client (python-OBD) can talk to it."""

from __future__ import annotations

import argparse
import contextlib
import io
import threading
import time
from pathlib import Path

import obd
import pytest

from livemon.errors import SetupError
from livemon.sim.adapter import CAN11_500, CAN29_500, CLONE, ISO9141, KWP_FAST, VPW, Adapter, Habits
from livemon.sim.adapter_pty import PtyAdapter
from livemon.sim.ecu import ENGINE, GEARBOX, OLD_ENGINE
from livemon.sim.link_faults import LinkFault
from livemon.verbs import simulate_adapter
from tests.sim.made_up_link import DRIVE


def talk(adapter: Adapter, *lines: str, from_ms: float = 0.0) -> list[str]:
    """What comes back for each line, up to and with its prompt."""
    now_ms, answers = from_ms, []
    for line in lines:
        adapter.feed(line.encode() + b"\r", now_ms)
        text = b""
        while (due := adapter.next_ms()) is not None:
            now_ms = max(now_ms, due)
            text += adapter.output(now_ms)
        now_ms += 100
        answers.append(text.decode("latin-1"))
    return answers


def adapter(protocol: int = CAN11_500, **habits: object) -> Adapter:
    unit = ENGINE if protocol >= CAN11_500 else OLD_ENGINE
    return Adapter(lambda: DRIVE, (unit,), Habits(protocol=protocol, **habits))  # type: ignore[arg-type]  # test shorthand


@pytest.mark.parametrize(
    ("protocol", "reply"),
    [
        (CAN11_500, "7E80341057B"),
        (CAN29_500, "18DAF1100341057B"),
        (VPW, "486B1041057B06"),
        (ISO9141, "486B1041057B84"),
    ],
)
def test_published_frames(protocol: int, reply: str) -> None:
    """83 C on each transport, as the frames with checksums are published."""
    made = Adapter(lambda: {"coolant_c": 83.0}, (OLD_ENGINE,), Habits(protocol=protocol))
    *_, answer = talk(made, "ATZ", "ATE0", "ATS0", "ATH1", f"ATSP{protocol}", "0105", "0105")
    assert answer == f"{reply}\r\r>"


def test_defaults_after_reset_are_echo_blanks_and_no_headers() -> None:
    banner, *_, answer = talk(adapter(), "ATZ", "ATSP6", "01 05")
    assert banner == "ATZ\r\r\rELM327 v1.5\r\r>"
    assert answer == "01 05\r41 05 84\r\r>"


def test_first_request_of_a_search_says_so() -> None:
    assert talk(adapter(), "ATE0", "0105")[1] == "SEARCHING...\r41 05 84\r\r>"
    assert talk(adapter(ISO9141), "ATE0", "ATSP3", "0105")[2] == "BUS INIT: ...OK\r41 05 84\r\r>"


def test_bare_return_repeats_the_last_command() -> None:
    made = adapter()
    talk(made, "ATE0", "0105", "")
    assert list(made.to_vehicle) == [b"\x01\x05", b"\x01\x05"]


def test_interruption_stops_and_swallows_a_character() -> None:
    made = adapter()
    talk(made, "ATE0", "ATSP6", "0105")
    made.feed(b"010C\r", 10_000.0)
    made.feed(b"0105\r", 10_001.0)  # the adapter is still at it
    later = b"".join(made.output(t) for t in range(10_000, 12_000, 10))
    assert later.startswith(b"STOPPED\r\r>")
    assert list(made.lines)[-1] == "105"


def test_multi_line_forms() -> None:
    made = adapter()
    talk(made, "ATE0", "ATS0", "ATSP6")
    assert talk(made, "01050C0D0B33", from_ms=5000.0)[0] == "00C\r0:4105840C2580\r1:0D480B50335F00\r\r>"
    talk(made, "ATH1", from_ms=6000.0)
    assert talk(made, "01050C0D0B33", from_ms=7000.0)[0] == "7E8100C4105840C2580\r7E8210D480B50335F00\r\r>"


def test_two_units_and_unknown_words() -> None:
    made = Adapter(lambda: DRIVE, (ENGINE, GEARBOX), Habits())
    *_, answer, nonsense = talk(made, "ATE0", "ATS0", "ATH1", "ATSP6", "0105", "ATXY")
    assert answer == "7E803410584\r7E903410584\r\r>"
    assert nonsense == "?\r\r>"


def test_bad_adapter() -> None:
    made = Adapter(lambda: DRIVE, (ENGINE,), CLONE)
    *_, protocol, volts, several = talk(made, "ATE0", "ATSP0", "0100", "ATDPN", "ATRV", "01050C")
    assert protocol == "AUTO\rISO\rA6\r\r>"
    assert volts == "14.1>\r\r>"
    assert several.endswith("41 05 84\r\r>")  # reads two bytes of a request


@pytest.mark.parametrize("protocol", [VPW, KWP_FAST, CAN29_500])
def test_python_obd_reads_the_same_values(protocol: int, tmp_path: Path) -> None:
    """An independent client, in real time over a pseudo-terminal."""
    quick = Habits(protocol=protocol, reset_ms=40.0, search_ms=40.0, time_scale=0.3)
    unit = ENGINE if protocol >= CAN11_500 else OLD_ENGINE
    with PtyAdapter(Adapter(lambda: DRIVE, (unit,), quick), tmp_path / "adapter") as device:
        client = obd.OBD(device.path, baudrate=38400, fast=False, timeout=1)
        try:
            assert client.status() == obd.OBDStatus.CAR_CONNECTED
            assert client.protocol_id() == str(protocol)
            assert client.query(obd.commands.COOLANT_TEMP).value.magnitude == 92.0
            assert client.query(obd.commands.RPM).value.magnitude == 2400.0
            assert client.query(obd.commands.SPEED).value.magnitude == 72.0
            assert client.query(obd.commands.GET_DTC).value == []
        finally:
            client.close()


def test_fault_windows_are_read_and_refused() -> None:
    found = simulate_adapter.window("hang@60+10")
    assert (found.fault, found.from_s, found.to_s) == (LinkFault.HANG, 60.0, 70.0)
    for text in ("hang", "hang@60", "cold@1+1", "hang@x+1"):
        with pytest.raises(SetupError, match="NAME@FROM"):
            simulate_adapter.window(text)


class _ShortDrive:
    """As much of a made-up drive as standing behind a terminal needs."""

    seconds = 3

    def values_at(self, rig: int, time_s: float) -> dict[str, float]:
        return DRIVE


def test_standing_behind_a_terminal_until_the_drive_ends(tmp_path: Path) -> None:
    args = argparse.Namespace(
        pty=str(tmp_path / "dev"), pace=2.0, protocol=6, clone=False, fault=["unplugged@0.5+0.3"], seed=1, quiet=True
    )
    seen: list[bool] = []
    shown = io.StringIO()

    def serve() -> None:
        with contextlib.redirect_stdout(shown):
            simulate_adapter.stand(args, _ShortDrive())  # type: ignore[arg-type]  # duck for Drives

    thread = threading.Thread(target=serve)
    thread.start()
    end_s = time.monotonic() + 10
    while thread.is_alive() and time.monotonic() < end_s:
        there = (tmp_path / "dev").is_symlink()
        if not seen or seen[-1] != there:
            seen.append(there)
        time.sleep(0.01)
    assert not thread.is_alive()
    assert shown.getvalue().strip() == str(tmp_path / "dev")
    assert seen[-3:] == [True, False, True]  # there, unplugged, there again
    assert not (tmp_path / "dev").is_symlink()


def test_a_path_that_is_taken_is_refused(tmp_path: Path) -> None:
    taken = tmp_path / "file"
    taken.write_text("x")
    args = argparse.Namespace(pty=str(taken), pace=1.0, protocol=6, clone=False, fault=[], seed=1, quiet=True)
    with pytest.raises(SetupError, match="there already"):
        simulate_adapter.stand(args, _ShortDrive())  # type: ignore[arg-type]  # duck for Drives
    assert taken.read_text() == "x"
