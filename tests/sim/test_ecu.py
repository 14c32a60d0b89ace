"""Made-up control units against the published example replies and against python-OBD's decoders."""

from __future__ import annotations

import pytest
from obd import OBDCommand, commands
from obd.protocols.protocol import Frame as ObdFrame
from obd.protocols.protocol import Message as ObdMessage

from livemon.sim import ecu
from livemon.wire import pids

VALUES = {
    "coolant_c": 83.0,
    "rpm": 1726.0,
    "speed_kmh": 60.0,
    "maf_g_s": 30.0,
    "voltage_v": 14.0,
    "absolute_load_pct": 125.5,
    "baro_kpa": 101.0,
    "intake_air_c": 30.0,
    "run_time_s": 600.0,
    "fuel_status": 2.0,
    "ambient_air_c": 35.0,
    "oil_c": 90.0,
    "map_kpa": 33.0,
    "throttle_pct": 20.0,
    "fuel_level_pct": 50.2,
    "load_pct": 24.7,
}


# Public tables of SAE J1979 PIDs, with the examples decoded by python-OBD.
@pytest.mark.parametrize(
    "reply",
    [
        "41 05 7B",
        "41 0C 1A F8",
        "41 0D 3C",
        "41 10 0B B8",
        "41 42 36 B0",
        "41 43 01 40",
        "41 33 65",
        "41 0F 46",
        "41 1F 02 58",
        "41 03 02 00",
        "41 46 4B",
        "41 5C 82",
        "41 0B 21",
        "41 11 33",
        "41 2F 80",
        "41 04 3F",
    ],
)
def test_a_unit_answers_the_published_examples(reply: str) -> None:
    wanted = bytes.fromhex(reply)
    assert ecu.answer(ecu.ENGINE, bytes((0x01, wanted[1])), VALUES) == wanted


def test_several_pids_leave_out_what_the_unit_does_not_have() -> None:
    reply = ecu.answer(ecu.GEARBOX, bytes.fromhex("01050B0C46"), VALUES)
    assert reply == bytes.fromhex("41057B0C1AF8")
    assert ecu.answer(ecu.GEARBOX, bytes.fromhex("010B"), VALUES) is None


# Public example of a support bitmap: 41 00 BE 1F A8 13.
def test_the_bitmap_is_that_of_the_published_example() -> None:
    supported = frozenset(bytes.fromhex("01030405 06070C0D 0E0F1011 13151C1F 20".replace(" ", "")))
    assert ecu.bitmap(0, supported) == bytes.fromhex("BE1FA813")


def test_bitmaps_lead_to_every_pid_of_the_unit() -> None:
    found: set[int] = set()
    base: int | None = 0
    while base is not None:
        reply = ecu.answer(ecu.ENGINE, bytes((0x01, base)), VALUES)
        assert reply is not None
        told = pids.supported(base, reply[2:])
        found |= told
        base = pids.next_bitmap(base, told)
    assert found - set(pids.BITMAPS) == ecu.ENGINE.pids


# Public examples: 43 02 01 18 04 20 names P0118 and P0420; a VIN reply on CAN.
def test_codes_and_vin_come_in_the_published_form() -> None:
    unit = ecu.Unit("engine", ecu.ENGINE_PIDS, stored=("P0118", "P0420"), vin="1D4GP00R55B123456")
    assert ecu.answer(unit, b"\x03", VALUES) == bytes.fromhex("430201180420")
    assert ecu.answer(unit, b"\x07", VALUES) == bytes.fromhex("4700")
    assert ecu.answer(unit, b"\x09\x02", VALUES) == bytes.fromhex("490201") + b"1D4GP00R55B123456"
    assert ecu.answer(ecu.ENGINE, b"\x04", VALUES) is None


@pytest.mark.parametrize(
    ("command", "value"),
    [
        (commands.COOLANT_TEMP, 83.0),
        (commands.RPM, 1726.0),
        (commands.MAF, 30.0),
        (commands.CONTROL_MODULE_VOLTAGE, 14.0),
        (commands.BAROMETRIC_PRESSURE, 101.0),
        (commands.OIL_TEMP, 90.0),
    ],
)
def test_python_obd_decodes_what_a_unit_answers(command: OBDCommand, value: float) -> None:
    reply = ecu.answer(ecu.ENGINE, bytes.fromhex(command.command.decode()), VALUES)
    assert reply is not None
    message = ObdMessage([ObdFrame("")])
    message.data = bytearray(reply)
    assert command.decode([message]).magnitude == pytest.approx(value, abs=0.01)
