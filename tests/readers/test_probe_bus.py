"""`livemon probe` on a bus: what it finds, what it says of a sick vehicle, of a silent bus and of a wrong bit rate."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import can
import pytest

from livemon.cli import main
from livemon.sim.bus import BusVehicle
from livemon.sim.can_units import CanFault, Spell, UnitsOnBus
from livemon.sim.ecu import ENGINE, GEARBOX, Unit
from livemon.verbs import probe_bus
from livemon.verbs.probe_report import to_json, to_text
from livemon.wire.can_talk import CanSettings
from livemon.wire.frames import Addressing
from tests.wire.paper_bus import STEADY

SICK = Unit(
    "engine",
    ENGINE.pids - {0x46},
    stored=("P0118", "P0301"),
    pending=("P0480",),
    permanent=("P0217",),
    vin="1D4GP00R55B123456",
)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe_bus, "ROUNDS", 1)
    monkeypatch.setattr(probe_bus, "DRIVE_MS", 1_500)


def _vehicle(channel: str, units: Sequence[Unit], *faults: Spell, **more: Any) -> BusVehicle:
    on_bus = UnitsOnBus(units, lambda _t: STEADY, traffic_per_s=100, faults=faults, **more)
    return BusVehicle(can.Bus(channel, interface="virtual"), on_bus, own_bus=True)


def test_it_tells_units_signals_codes_and_what_is_missing(quick: None) -> None:
    with _vehicle("probe-sick", [SICK, GEARBOX]):
        report = probe_bus.examine("probe-sick", "virtual", CanSettings(listen_ms=200))
    assert report.exit_status == 0
    assert report.protocol == "ISO 15765-4, 11 bit"
    assert report.ecus == ("7E8", "7E9")
    assert report.mil is True
    assert report.stored == ("P0118", "P0301")
    assert report.pending == ("P0480",)
    assert report.permanent == ("P0217",)
    assert {lack.name for lack in report.missing} == {"ambient_air_c", "coolant2_c", "pedal_pct"}
    found = {signal.name: signal for signal in report.signals}
    assert found["coolant_c"].value == 90.0
    assert found["coolant_c"].round_trip_ms is not None
    assert "load_pct" not in found  # PID 04 is never asked for
    assert report.readings_per_s is not None
    assert report.requests_per_s is not None
    assert report.readings_per_s > 3 * report.requests_per_s  # several PIDs in a request
    assert json.loads(to_json(report))["fit_to_learn"] is False
    text = to_text(report)
    assert "misfire" in text
    assert "1D4GP" not in text + to_json(report)  # the vehicle's number is nobody's business


def test_29_bit_with_a_unit_that_takes_one_pid_a_request(quick: None) -> None:
    shy = Unit("engine", frozenset({0x05, 0x0C, 0x0D}), several=False)
    with _vehicle("probe-shy", [shy], addressing=Addressing.BITS_29):
        report = probe_bus.examine("probe-shy", "virtual", CanSettings(listen_ms=200))
    assert report.ecus == ("18DAF110",)
    assert "does not take several PIDs in a request" in report.identity
    assert report.has_coolant


def test_a_silent_bus_is_named_and_nothing_was_sent() -> None:
    with can.Bus("probe-silent", interface="virtual") as ear:
        report = probe_bus.examine("probe-silent", "virtual", CanSettings(listen_ms=200), most_s=0.6)
        assert ear.recv(0) is None
    assert report.exit_status == 1
    assert report.wrong[0].startswith("bus silent, nothing was sent")


def test_a_wrong_bit_rate_is_named_and_nothing_was_sent() -> None:
    with _vehicle("probe-rate", [ENGINE], Spell(CanFault.ERROR_FRAMES, 0, 60_000)) as vehicle:
        report = probe_bus.examine("probe-rate", "virtual", CanSettings(listen_ms=200), most_s=1.0)
        assert vehicle.units.heard == 0
    assert report.exit_status == 1
    assert "bit rate looks wrong" in report.wrong[0]


def test_an_engine_without_coolant_ends_badly(quick: None) -> None:
    with _vehicle("probe-dry", [Unit("engine", frozenset({0x0C, 0x0D}))]):
        report = probe_bus.examine("probe-dry", "virtual", CanSettings(listen_ms=200))
    assert report.ecus == ("7E8",)
    assert report.exit_status == 1


def test_a_bus_that_cannot_be_opened_is_named() -> None:
    report = probe_bus.examine("nosuchcan9", "socketcan", most_s=0.3)
    assert report.exit_status == 1
    assert report.wrong[0].startswith("CAN nosuchcan9:")


def test_the_verb_prints_one_object_and_ends_with_0(quick: None, capsys: pytest.CaptureFixture[str]) -> None:
    with _vehicle("probe-verb", [ENGINE]):
        status = main(["probe", "--can", "probe-verb", "--interface", "virtual", "--bitrate", "250000", "--json"])
    report = json.loads(capsys.readouterr().out)
    assert status == 0
    assert report["source"] == "CAN probe-verb (virtual, 250 kbit/s)"
    assert report["ecus"] == ["7E8"]


@pytest.mark.parametrize(
    "words", [["--can", "x", "--port", "y"], ["--can", "x", "--interface", "nosuch"], ["--can", "x", "--find"]]
)
def test_wrong_usage_ends_with_2(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["probe", *words]) == 2
    assert "expected" in capsys.readouterr().err
