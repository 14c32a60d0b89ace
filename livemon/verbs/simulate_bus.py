"""The bus part of `livemon simulate`: the made-up drive answers on a CAN bus, in real time or faster.

Only buses that no vehicle can hang on are accepted; a made-up control unit on a real bus would talk into a real one.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

import can

from livemon.errors import SetupError
from livemon.sim.bus import BusVehicle, now_ms
from livemon.sim.can_units import CanFault, Spell, UnitsOnBus
from livemon.sim.drive import Drives
from livemon.sim.ecu import ENGINE, GEARBOX_PIDS, OLD_ENGINE, Unit, Values, encode
from livemon.verbs.simulate_adapter import MOST_PACE
from livemon.wire.frames import Addressing

MOST_TRAFFIC: Final = 5000

HOST_ONLY: dict[str, dict[str, Any]] = {"udp_multicast": {"hop_limit": 0}}
"""No packet of the made-up bus leaves this machine."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    bus = parser.add_argument_group("on a CAN bus")
    bus.add_argument("--can", metavar="CHANNEL", help="answer here, such as vcan0, or 239.74.163.2 for udp_multicast")
    bus.add_argument(
        "--interface", default="udp_multicast", metavar="NAME", help="udp_multicast (default), virtual, or socketcan"
    )
    bus.add_argument("--can-bits", type=int, choices=(11, 29), default=11, help="identifiers of 11 or 29 bit")
    bus.add_argument("--traffic", type=int, default=100, metavar="N", help="unrelated frames a second; default 100")
    bus.add_argument(
        "--bus-fault",
        action="append",
        default=[],
        metavar="NAME@FROM+SECONDS",
        help=f"a fault of the bus, such as flood@20+10: {', '.join(fault.name.lower() for fault in CanFault)}",
    )


def values_of(driven: Drives, pace: float = 1.0) -> Callable[[int], Values]:
    """What the sensors say `t_ms` after the start, with the two quantities that every running engine has."""

    def at(t_ms: int) -> Values:
        time_s = t_ms / 1000 * pace
        return {"voltage_v": 14.1, "run_time_s": float(int(time_s)), **driven.values_at(0, time_s)}

    return at


def units_for(values: Values, old: bool) -> list[Unit]:
    """An engine and a gearbox that claim only what this drive has values for."""
    engine = OLD_ENGINE if old else ENGINE
    told = frozenset(pid for pid in engine.pids if pid == 0x01 or encode(pid, values) is not None)
    return [replace(engine, pids=told), Unit("gearbox", (GEARBOX_PIDS - {0x05}) & told)]


def spells(words: list[str]) -> list[Spell]:
    """`flood@20+10` as a fault from second 20 to second 30."""
    out = []
    for word in words:
        name, _, times = word.partition("@")
        start, _, length = times.partition("+")
        try:
            start_ms = round(float(start) * 1000)
            spell = Spell(CanFault[name.upper()], start_ms, start_ms + round(float(length) * 1000))
        except (KeyError, ValueError, OverflowError) as error:
            raise SetupError("--bus-fault", "NAME@FROM+SECONDS, such as flood@20+10", repr(word)) from error
        if not 0 <= spell.start_ms < spell.end_ms:
            raise SetupError("--bus-fault", "a time from 0 on and a length above 0", repr(word))
        out.append(spell)
    return out


def open_bus(channel: str, interface: str) -> can.BusABC:
    """A bus on which no vehicle can be."""
    made_up = interface in ("virtual", "udp_multicast") or (interface == "socketcan" and channel.startswith("vcan"))
    if not made_up:
        raise SetupError(
            "--can",
            "a made-up bus (--interface udp_multicast or virtual, or socketcan with vcan0)",
            f"{channel!r} with {interface!r}",
            "A made-up vehicle is never put on a real bus.",
        )
    try:
        return can.Bus(channel=channel, interface=interface, **HOST_ONLY.get(interface, {}))
    except (can.CanError, OSError, ValueError, ImportError) as error:
        raise SetupError("--can", f"a bus {channel!r} that can be opened", f"{error}", "See docs/can.md") from error


def serve(args: argparse.Namespace, driven: Drives) -> None:
    """Answer until the drive is over; Ctrl-C ends it sooner."""
    if not 0.1 <= args.pace <= MOST_PACE:
        raise SetupError("--pace", f"0.1 to {MOST_PACE:g}", repr(args.pace))
    if not 0 <= args.traffic <= MOST_TRAFFIC:
        raise SetupError("--traffic", f"0 to {MOST_TRAFFIC}", repr(args.traffic))
    values = values_of(driven, args.pace)
    units = UnitsOnBus(
        units_for(values(0), old=args.signals in ("old", "slow")),
        values,
        Addressing(args.can_bits),
        args.traffic,
        spells(args.bus_fault),
        seed=args.seed,
    )
    end_ms = round(driven.seconds * 1000 / args.pace)
    with open_bus(args.can, args.interface) as bus:
        if not args.quiet:
            print(f"livemon simulate: on {args.can} ({args.interface}) for {end_ms / 1000:.0f} s", file=sys.stderr)
        BusVehicle(bus, units).serve(until_ms=now_ms() + end_ms)
