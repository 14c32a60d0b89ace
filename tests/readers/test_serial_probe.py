"""`livemon probe` on an emulated adapter: what it finds, what it says is missing or wrong, and its exit status."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from livemon import cli
from livemon.readers.serial_elm import SerialSettings
from livemon.sim.adapter import CLONE, ISO9141, Adapter, Habits
from livemon.sim.adapter_pty import PtyAdapter
from livemon.sim.ecu import ENGINE, GEARBOX, OLD_ENGINE
from livemon.sim.link_faults import LinkFault
from livemon.verbs import probe, probe_adapter
from livemon.verbs.probe_report import to_json, to_text
from tests.sim.made_up_link import DRIVE

QUICK = Habits(reset_ms=40.0, search_ms=40.0, time_scale=0.3)


def test_a_sound_vehicle_is_described(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sick = replace(ENGINE, stored=("P0118",), pending=("P0303",), permanent=("P0118",))
    with PtyAdapter(Adapter(lambda: DRIVE, (sick, GEARBOX), QUICK), tmp_path / "dev") as device:
        report = probe_adapter.examine(SerialSettings(device.path), 30.0, drive_s=1.5)
    assert report.exit_status == 0
    assert report.protocol == "ISO 15765-4, 11 bit, 500 kbit/s"
    assert report.ecus == ("7E8", "7E9")
    assert report.voltage_v == 14.1
    assert (report.mil, report.stored, report.pending, report.permanent) == (True, ("P0118",), ("P0303",), ("P0118",))
    told = {found.name: found for found in report.signals}
    assert told["coolant_c"].value == 92.0
    assert told["coolant_c"].answered == told["coolant_c"].asked == 3
    assert 0 < (told["coolant_c"].round_trip_ms or 0) < 500
    assert report.requests_per_s is not None
    assert report.readings_per_s is not None
    assert report.readings_per_s > report.requests_per_s  # several PIDs a request
    assert {lack.name for lack in report.missing} == {"coolant2_c", "pedal_pct"}
    assert probe.show(report, True) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["codes_explained"]["P0303"].startswith("misfire: cylinder 3 misfire")
    assert found["fit_to_learn"] is False
    text = to_text(report)
    assert "P0118  coolant sensor: coolant temperature sensor circuit high" in text
    assert "not fit to learn from" in text
    assert to_json(report).count("\n") == 1


def test_an_old_vehicle_behind_a_bad_adapter(tmp_path: Path) -> None:
    habits = replace(CLONE, protocol=ISO9141, reset_ms=40.0, search_ms=40.0, time_scale=0.2)
    with PtyAdapter(Adapter(lambda: DRIVE, (OLD_ENGINE,), habits), tmp_path / "dev") as device:
        report = probe_adapter.examine(SerialSettings(device.path), 40.0, drive_s=1.0)
    assert report.exit_status == 0
    assert report.protocol == "ISO 9141-2"
    assert any("does not know" in words and "ATAT1" in words for words in report.identity)
    lacking = {lack.name: lack.costs for lack in report.missing}
    assert {"ambient_air_c", "baro_kpa", "absolute_load_pct"} <= set(lacking)
    assert "outside air" in lacking["ambient_air_c"]


def test_no_vehicle_and_no_adapter_end_with_one_and_say_why(tmp_path: Path) -> None:
    adapter = Adapter(lambda: DRIVE, (ENGINE,), QUICK)
    with PtyAdapter(adapter, tmp_path / "dev") as device:
        device.set_faults(frozenset({LinkFault.UNABLE_TO_CONNECT}))
        report = probe_adapter.examine(SerialSettings(device.path), 3.0)
        assert report.exit_status == 1
        assert any("ignition on?" in words for words in report.wrong)
        assert report.identity[0] == "calls itself 'ELM327 v1.5'"
        device.set_faults(frozenset({LinkFault.HANG}))
        mute = probe_adapter.examine(SerialSettings(device.path), 4.0)
    assert mute.exit_status == 1
    assert any("does not answer" in words for words in mute.wrong)
    assert "what is wrong" in to_text(mute)
    assert "lacks" not in to_text(mute), "nothing is known of a vehicle that was not reached"


def test_usage(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert cli.main(["probe"]) == 2
    assert "expected --port PATH" in capsys.readouterr().err
    assert cli.main(["probe", "--port", "x", "--seconds", "1"]) == 2
    assert cli.main(["probe", "--port", str(tmp_path / "none"), "--seconds", "5"]) == 1
    assert "no such device" in capsys.readouterr().out


class SpeedyPort:
    """Answers only at one speed, as a real adapter does; at others it is silent or talks rubbish."""

    def __init__(self, baud: int) -> None:
        self.written = b""
        self._out = bytearray(b"ATI\r\x00ELM327 v1.5\r\r>" if baud == 9600 else b"\xf8\x80\xfe")

    def write(self, data: bytes) -> int:
        self.written += data
        return len(data)

    def read(self, size: int) -> bytes:
        taken = bytes(self._out[:size])
        del self._out[:size]
        return taken

    def close(self) -> None:
        pass


def test_find_tries_ports_and_speeds_with_one_harmless_word(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe_adapter, "FIND_WAIT_S", 0.01)
    opened: list[tuple[str, int, SpeedyPort]] = []

    def opener(name: str, baud: int) -> SpeedyPort:
        if name == "busy":
            raise OSError(16, "Device or resource busy")
        opened.append((name, baud, SpeedyPort(baud if name == "right" else 0)))
        return opened[-1][2]

    assert list(probe_adapter.find(["busy", "wrong", "right"], opener=opener)) == [("right", 9600, "ELM327 v1.5")]
    assert {port.written for _, _, port in opened} == {b"ATI\r"}
