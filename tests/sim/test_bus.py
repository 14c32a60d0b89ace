"""The made-up vehicle on a bus, asked by testers that we did not write: can-isotp, and python-OBD's decoders."""

from __future__ import annotations

from collections.abc import Iterator

import can
import isotp
import pytest
from obd import OBDCommand, commands
from obd.protocols.protocol import Frame as ObdFrame
from obd.protocols.protocol import Message as ObdMessage

from livemon.sim.bus import BusVehicle
from livemon.sim.can_units import CanFault, Spell, UnitsOnBus
from livemon.sim.ecu import ENGINE, GEARBOX, Unit
from livemon.wire import frames
from livemon.wire.frames import Addressing, BusFault, Frame
from tests.wire.paper_bus import STEADY

VIN = "1D4GP00R55B123456"  # the published example of the adapter chip's data sheet
SICK = Unit("engine", ENGINE.pids, stored=("P0118", "P0420"), vin=VIN)


def _units(addressing: Addressing = Addressing.BITS_11, *faults: Spell, traffic_per_s: int = 0) -> UnitsOnBus:
    return UnitsOnBus([SICK, GEARBOX], lambda _t: STEADY, addressing, traffic_per_s, faults)


@pytest.fixture(params=list(Addressing))
def tester(request: pytest.FixtureRequest) -> Iterator[isotp.CanStack]:
    """can-isotp as a tester that speaks to the engine."""
    mode = isotp.AddressingMode.Normal_11bits
    address = isotp.Address(mode, rxid=0x7E8, txid=0x7E0)
    if request.param is Addressing.BITS_29:
        address = isotp.Address(isotp.AddressingMode.Normal_29bits, rxid=0x18DAF110, txid=0x18DA10F1)
    name = f"sim-bus-{request.param.value}"
    with (
        can.Bus(name, interface="virtual") as mine,
        BusVehicle(can.Bus(name, interface="virtual"), _units(request.param, traffic_per_s=100), own_bus=True),
    ):
        stack = isotp.CanStack(mine, address=address, params={"tx_padding": 0})
        stack.start()
        yield stack
        stack.stop()


@pytest.mark.parametrize(
    ("request_hex", "reply"),
    [
        ("0105", "410582"),
        ("0902", "490201" + VIN.encode().hex()),
        ("03", "430201180420"),
        ("01050C0D", "4105820C27100D3C"),
        ("0105FF", "410582"),
    ],
)
def test_can_isotp_gets_single_and_long_replies(tester: isotp.CanStack, request_hex: str, reply: str) -> None:
    tester.send(bytes.fromhex(request_hex))
    assert tester.recv(block=True, timeout=5.0) == bytes.fromhex(reply)


def test_what_a_unit_does_not_have_is_refused_when_asked_alone(tester: isotp.CanStack) -> None:
    tester.send(bytes.fromhex("0166"))
    assert tester.recv(block=True, timeout=5.0) == bytes.fromhex("7F0131")


@pytest.mark.parametrize(
    ("command", "value"), [(commands.COOLANT_TEMP, 90.0), (commands.RPM, 2500.0), (commands.MAF, 53.4)]
)
def test_python_obd_reads_the_same_values(tester: isotp.CanStack, command: OBDCommand, value: float) -> None:
    tester.send(bytes.fromhex(command.command.decode()))
    reply = tester.recv(block=True, timeout=5.0)
    assert reply is not None
    message = ObdMessage([ObdFrame("")])
    message.data = reply
    assert command.decode([message]).magnitude == pytest.approx(value, abs=0.01)


# ---- on paper ------------------------------------------------------------------------------------------------------


def _ask(units: UnitsOnBus, t_ms: int, payload: str, can_id: int = 0x7DF) -> list[Frame]:
    units.feed(t_ms, frames.request(can_id, False, bytes.fromhex(payload)))
    return [frame for t in range(t_ms, t_ms + 400) for frame in units.due(t)]


def test_asked_of_all_two_units_answer_and_the_rest_is_silence() -> None:
    assert [frame.can_id for frame in _ask(_units(), 0, "0105")] == [0x7E8, 0x7E9]
    assert [frame.can_id for frame in _ask(_units(), 0, "0146")] == [0x7E8]
    assert _ask(_units(), 0, "0149") == []  # asked of all: silence, no refusal
    assert [frame.data[:4].hex() for frame in _ask(_units(), 0, "0149", 0x7E0)] == ["037f0131"]


@pytest.mark.parametrize("request_hex", ["04", "0801", "1003", "22F190", "3E00", "2701"])
def test_the_made_up_vehicle_has_no_service_that_writes(request_hex: str) -> None:
    assert _ask(_units(), 0, request_hex) == []


@pytest.mark.parametrize(
    ("fault", "first"),
    [
        (CanFault.BUSY, "037f0121"),
        (CanFault.REFUSED, "037f0122"),
        (CanFault.PENDING, "037f0178"),
        (CanFault.SHORT, "0141"),
    ],
)
def test_faults_of_a_unit_look_as_named(fault: CanFault, first: str) -> None:
    replies = _ask(_units(Addressing.BITS_11, Spell(fault, 0, 1_000)), 0, "0105", 0x7E0)
    assert replies[0].data.hex().startswith(first)


@pytest.mark.parametrize("fault", [CanFault.BUS_SILENT, CanFault.NO_REPLY])
def test_silence_is_silence(fault: CanFault) -> None:
    units = _units(Addressing.BITS_11, Spell(fault, 0, 1_000), traffic_per_s=100)
    seen = {frame.can_id for frame in _ask(units, 0, "0105")}
    assert not any(frames.is_reply_id(can_id, False) for can_id in seen)
    assert bool(seen) == (fault is CanFault.NO_REPLY)


def test_a_flood_is_two_thousand_frames_a_second() -> None:
    units = _units(Addressing.BITS_11, Spell(CanFault.FLOOD, 0, 10_000), traffic_per_s=50)
    assert sum(len(units.due(t)) for t in range(0, 5_001, 5)) == pytest.approx(10_000, rel=0.01)
    calm = _units(traffic_per_s=500)
    assert sum(len(calm.due(t)) for t in range(0, 5_001, 7)) == pytest.approx(2_500, rel=0.01)


def test_bus_off_is_told_once_and_so_is_the_restart() -> None:
    units = _units(Addressing.BITS_11, Spell(CanFault.BUS_OFF, 100, 200), traffic_per_s=100)
    faults = [(t, frame.fault) for t in range(400) for frame in units.due(t) if frame.fault]
    assert faults == [(100, BusFault.BUS_OFF), (200, BusFault.RESTARTED)]


def test_a_lost_frame_leaves_a_gap_in_the_sequence() -> None:
    units = _units(Addressing.BITS_11, Spell(CanFault.LOST_FRAME, 0, 10_000))
    units.feed(0, frames.request(0x7E0, False, bytes.fromhex("0902")))
    out = [frame for t in range(50) for frame in units.due(t)]
    units.feed(50, frames.flow_control(0x7E8, False))
    out += [frame for t in range(50, 100) for frame in units.due(t)]
    assert [frame.data[0] for frame in out] == [0x10, 0x22]
