"""The CAN reader in its own thread over real python-can buses: in this process, and between two processes."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import pytest
from can.interfaces.virtual import VirtualBus

from livemon.core.events import Link, Mark, Sample
from livemon.errors import SetupError
from livemon.readers import can_bus
from livemon.readers.can_bus import CanReader
from livemon.sim.bus import BusVehicle
from livemon.sim.can_units import CanFault, Spell, UnitsOnBus
from livemon.sim.ecu import ENGINE, GEARBOX
from livemon.wire.can_talk import CanSettings
from livemon.wire.frames import Addressing, BusFault
from tests.wire.paper_bus import STEADY

HURRY = CanSettings(listen_ms=200)
LONGEST_S = 10.0
"""Nothing here waits so long unless it is broken."""


class _Events:
    """Collects what the reader puts, and waits for what a test needs."""

    def __init__(self) -> None:
        self.all: list[Sample | Link | Mark] = []
        self._came = threading.Condition()

    def put(self, event: Sample | Link | Mark) -> None:
        with self._came:
            self.all.append(event)
            self._came.notify_all()

    def wait(self, wanted: Callable[[Sample | Link | Mark], bool], after: int = 0) -> Any:
        """The first event since number `after` that is `wanted`."""

        def found() -> Any:
            return next((event for event in self.all[after:] if wanted(event)), None)

        with self._came:
            event = self._came.wait_for(found, LONGEST_S)
        assert event is not None, f"did not come within {LONGEST_S} s; came: {self.all[-5:]}"
        return event


def _coolant(event: object) -> bool:
    return isinstance(event, Sample) and any(name == "coolant_c" for name, _ in event.readings)


def _up(event: object) -> bool:
    return isinstance(event, Link) and event.up


def _down(event: object) -> bool:
    return isinstance(event, Link) and not event.up


@pytest.fixture
def channel(request: pytest.FixtureRequest) -> str:
    return f"test-{request.node.name}"


def _vehicle(channel: str, *faults: Spell, traffic_per_s: int = 100, **more: Any) -> BusVehicle:
    bus = can.Bus(channel, interface="virtual")
    units = UnitsOnBus([ENGINE, GEARBOX], lambda _t: STEADY, traffic_per_s=traffic_per_s, faults=faults, **more)
    return BusVehicle(bus, units, own_bus=True)


def test_it_reads_a_vehicle_on_a_bus_and_ends_when_told(channel: str) -> None:
    events, reader = _Events(), CanReader(channel, "virtual", settings=HURRY)
    with _vehicle(channel):
        reader.start(events.put)
        link = events.wait(_up)
        sample = events.wait(_coolant)
        reader.stop()
    assert link.reason == "CAN 11 bit 500 kbit/s, 2 control unit(s)"
    assert dict(sample.readings)["coolant_c"] == 90.0
    assert sample.ecu == "7E8"
    assert reader.forbidden == 0
    assert not any(thread.name == "can-reader" for thread in threading.enumerate())


def test_29_bit_is_found_without_being_told(channel: str) -> None:
    events, reader = _Events(), CanReader(channel, "virtual", settings=HURRY)
    with _vehicle(channel, addressing=Addressing.BITS_29):
        reader.start(events.put)
        assert events.wait(_coolant).ecu == "18DAF110"
        reader.stop()


def test_the_full_load_of_a_bus_does_not_delay_it(channel: str) -> None:
    events, reader = _Events(), CanReader(channel, "virtual", settings=HURRY)
    with _vehicle(channel, Spell(CanFault.FLOOD, 0, 60_000)):
        reader.start(events.put)
        for _ in range(3):
            events.wait(_coolant, after=len(events.all))
        reader.stop()
    assert reader.tester.frames > 1_000


@pytest.mark.parametrize("fault", [CanFault.BUS_SILENT, CanFault.BUS_OFF, CanFault.ERROR_FRAMES])
def test_after_a_fault_of_the_bus_it_reads_again(channel: str, fault: CanFault) -> None:
    events, reader = _Events(), CanReader(channel, "virtual", settings=HURRY)
    with _vehicle(channel, Spell(fault, 1_000, 4_000)):
        reader.start(events.put)
        events.wait(_coolant)
        down = events.wait(_down)
        events.wait(_coolant, after=events.all.index(down))
        reader.stop()
    assert [event.up for event in events.all if isinstance(event, Link)][-1]


def test_an_interface_that_vanishes_and_returns_is_no_crash(channel: str, monkeypatch: pytest.MonkeyPatch) -> None:
    events, reader = _Events(), CanReader(channel, "virtual", settings=HURRY)
    real = can.Bus
    with _vehicle(channel):
        reader.start(events.put)
        events.wait(_coolant)
        with monkeypatch.context() as patched:
            patched.setattr(VirtualBus, "_recv_internal", _failing_receive())
            patched.setattr(can, "Bus", lambda *a, **k: (_ for _ in ()).throw(OSError(19, "No such device")))
            down = events.wait(_down)
            assert "Network is down" in down.reason
            events.wait(lambda event: _down(event) and "No such device" in event.reason)
        assert can.Bus is real
        events.wait(_coolant, after=events.all.index(down))
        reader.stop()


def _failing_receive() -> Callable[..., Any]:
    """A receive that fails in the reader's thread only."""
    real = VirtualBus._recv_internal

    def receive(bus: Any, timeout: float | None) -> Any:
        if threading.current_thread().name == "can-reader":
            raise can.CanOperationError("Network is down [Error Code 100]")
        return real(bus, timeout)

    return receive


def test_what_is_not_on_the_list_never_reaches_the_bus(channel: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The last line holds even if everything before it were wrong."""
    events, reader = _Events(), CanReader(channel, "virtual", settings=HURRY)
    heard: list[can.Message] = []
    with can.Bus(channel, interface="virtual") as ear, _vehicle(channel):
        monkeypatch.setattr("livemon.wire.frames.isotp.single", lambda payload, pad=0: b"\x01\x04" + bytes(6))
        reader.start(events.put)
        down = events.wait(_down)
        reader.stop()
        while (message := ear.recv(0)) is not None:
            heard.append(message)
    assert "nothing was sent" in down.reason
    assert reader.forbidden >= 1
    assert not [message for message in heard if message.arbitration_id in (0x7DF, 0x7E0)]


def test_listen_only_never_sends(channel: str) -> None:
    events = _Events()
    quiet = CanReader(channel, "virtual", settings=CanSettings(listen_ms=200, listen_only=True))
    asking = CanReader(channel, "virtual", settings=HURRY)
    with _vehicle(channel):
        quiet.start(events.put)
        asking.start(lambda _event: None)
        assert events.wait(_coolant).ecu == "7E8"
        quiet.stop()
        asking.stop()
    assert quiet.tester.stats.requests == 0


def test_the_bit_rate_may_come_with_the_options_of_the_interface() -> None:
    reader = CanReader("can0", "socketcan", options={"bitrate": 250_000})
    assert reader.settings.bitrate == 250_000


def test_at_rest_it_asks_nothing(channel: str) -> None:
    events, reader = _Events(), CanReader(channel, "virtual", settings=HURRY)
    with _vehicle(channel):
        reader.start(events.put)
        events.wait(_coolant)
        reader.asking(full=False, listen=True)
        events.wait(lambda event: _down(event) and event.reason.startswith("engine off"))
        asked = reader.tester.stats.requests
        reader.asking(full=True, listen=False)
        events.wait(_coolant, after=len(events.all))
        reader.stop()
    assert reader.tester.stats.requests > asked


def test_an_unknown_interface_is_a_set_up_error_that_names_the_known_ones() -> None:
    with pytest.raises(SetupError, match=r"--interface: expected one of .*socketcan.*, found 'nosuch'"):
        CanReader("can0", "nosuch")


def test_serving_for_a_while_in_the_calling_thread_ends_by_itself(channel: str) -> None:
    events, reader = _Events(), CanReader(channel, "virtual", settings=HURRY)
    with _vehicle(channel):
        reader.serve(events.put, until_ms=reader.clock.now_ms() + 900)
    assert any(map(_coolant, events.all))


# Classes of error frames as in Linux can/error.h.
@pytest.mark.parametrize(
    ("kind", "data", "fault"),
    [
        (0x40, "0000000000000000", BusFault.BUS_OFF),
        (0x100, "0000000000000000", BusFault.RESTARTED),
        (0x88, "0000000000000000", BusFault.ERROR_FRAME),
        (0x20, "0000000000000000", BusFault.ERROR_FRAME),
        (0x04, "0020000000000000", BusFault.ERROR_FRAME),  # transmitter passive
        (0x04, "0001000000000000", None),  # our receive buffer was full: a flood, not a wrong bit rate
        (0x02, "0000000000000000", None),  # lost arbitration: normal life
        (0x00, "", BusFault.ERROR_FRAME),  # interfaces that name no class
    ],
)
def test_error_frames_mean_what_the_kernel_says(kind: int, data: str, fault: BusFault | None) -> None:
    message = can.Message(arbitration_id=kind, is_error_frame=True, data=bytes.fromhex(data), is_extended_id=False)
    assert can_bus.as_fault(message) is fault
    frame = can_bus.as_frame(message)
    assert (None if frame is None else frame.fault) is fault


def test_remote_frames_carry_nothing() -> None:
    assert can_bus.as_frame(can.Message(arbitration_id=0x7E8, is_remote_frame=True, dlc=8)) is None


_TWO_PROCESSES = """
from livemon.readers.can_bus import CanReader
from livemon.wire.can_talk import CanSettings
came = []
reader = CanReader("239.74.163.2", "udp_multicast", settings=CanSettings(listen_ms=300))
reader.serve(came.append, until_ms=reader.clock.now_ms() + 3000)
for event in came:
    print(event)
"""
_VEHICLE = """
import can
from livemon.sim.bus import BusVehicle
from livemon.sim.can_units import UnitsOnBus
from livemon.sim.ecu import ENGINE
from tests.wire.paper_bus import STEADY
bus = can.Bus("239.74.163.2", interface="udp_multicast")
print("ready", flush=True)
BusVehicle(bus, UnitsOnBus([ENGINE], lambda _t: STEADY, traffic_per_s=100)).serve()
"""
_ALONE = "ip link set lo up multicast on && ip route add 224.0.0.0/4 dev lo"
"""A network of its own with nothing but the loopback: no packet can leave the machine."""


def test_between_two_processes_over_udp_multicast_in_a_network_of_its_own() -> None:
    try:
        subprocess.run(["unshare", "-n", "sh", "-c", _ALONE], check=True, capture_output=True, timeout=10)
    except (OSError, subprocess.SubprocessError) as error:
        pytest.skip(f"a network of its own is not permitted here (unshare -n): {error}")
    pytest.importorskip("msgpack", reason="python-can needs msgpack for udp_multicast (test extra)")
    script = f'{_ALONE}; "$0" -c "$1" & vehicle=$!; sleep 1.5; "$0" -c "$2"; kill $vehicle'
    run = subprocess.run(
        ["unshare", "-n", "sh", "-c", script, sys.executable, _VEHICLE, _TWO_PROCESSES],
        capture_output=True,
        text=True,
        timeout=60,
        cwd=Path(__file__).parents[2],
    )
    assert "up=True, reason='CAN 11 bit 500 kbit/s, 1 control unit(s)'" in run.stdout, run.stderr
    assert "('coolant_c', 90.0)" in run.stdout
