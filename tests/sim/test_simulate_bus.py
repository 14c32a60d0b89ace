"""`livemon simulate --can`: a made-up drive on a made-up bus, and never on a real one."""

from __future__ import annotations

import argparse
import threading

import can
import pytest

from livemon.core.events import Sample
from livemon.errors import SetupError
from livemon.readers.can_bus import CanReader, CanSettings
from livemon.sim.can_units import CanFault, Spell
from livemon.sim.drive import run as drive
from livemon.sim.scenarios import SCENARIOS
from livemon.verbs import simulate_bus
from livemon.wire.frames import Addressing


@pytest.mark.parametrize(
    ("channel", "interface"), [("can0", "socketcan"), ("PCAN_USBBUS1", "pcan"), ("/dev/ttyUSB0", "slcan")]
)
def test_a_made_up_vehicle_is_never_put_on_a_real_bus(channel: str, interface: str) -> None:
    with pytest.raises(SetupError, match="never put on a real bus"):
        simulate_bus.open_bus(channel, interface)


def test_faults_are_named_with_their_seconds() -> None:
    assert simulate_bus.spells(["flood@20+20", "bus_off@1.5+0.5"]) == [
        Spell(CanFault.FLOOD, 20_000, 40_000),
        Spell(CanFault.BUS_OFF, 1_500, 2_000),
    ]
    for wrong in ("flood", "nosuch@1+2", "flood@4+0", "flood@a+b", "flood@nan+2", "flood@1+inf"):
        with pytest.raises(SetupError, match="--bus-fault"):
            simulate_bus.spells([wrong])


@pytest.mark.parametrize("bits", [11, 29])
def test_the_drive_is_what_a_reader_reads(bits: int) -> None:
    scenario = next(iter(SCENARIOS.values()))
    driven = drive([scenario.build(1)], 60)
    parser = argparse.ArgumentParser()
    simulate_bus.add_arguments(parser)
    channel = f"simulate-{bits}"
    args = parser.parse_args(["--can", channel, "--interface", "virtual", "--can-bits", str(bits)])
    vars(args).update(signals="full", seed=1, pace=30.0, quiet=True)
    server = threading.Thread(target=simulate_bus.serve, args=(args, driven))
    with can.Bus(channel, interface="virtual"):  # keeps the channel while the two come and go
        server.start()
        events: list[object] = []
        settings = CanSettings(addressing=Addressing(bits), listen_ms=150)
        reader = CanReader(channel, "virtual", settings=settings)
        reader.serve(events.append, until_ms=reader.clock.now_ms() + 1_800)
        server.join(10.0)
    assert not server.is_alive()  # the drive was over after two seconds
    seen = {name: value for event in events if isinstance(event, Sample) for name, value in event.readings}
    coolant = driven.readings_of(0)["coolant_c"]
    assert coolant.min() <= seen["coolant_c"] <= coolant.max()
    assert {"rpm", "speed_kmh", "absolute_load_pct", "maf_g_s", "baro_kpa"} <= seen.keys()
