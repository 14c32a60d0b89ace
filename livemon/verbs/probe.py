"""`livemon probe`: talk to the adapter or bus and print what it supports, at what rate, and what is wrong.

Ends with 0 where the vehicle answers with coolant, 1 where it does not.  Without `--find` no port is touched that was
not named.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from livemon.errors import NoDataError, SetupError
from livemon.readers.base import LinkSettings
from livemon.readers.serial_elm import SerialSettings
from livemon.settings import from_file, settle
from livemon.verbs import probe_adapter
from livemon.verbs.probe_report import ProbeReport, to_json, to_text
from livemon.wire.elm_facts import ElmSettings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument("--port", metavar="PATH", help="ELM-style adapter: a serial device, or socket://HOST:PORT")
    parser.add_argument("--baud", type=int, default=0, metavar="N", help="speed of the port; default: find it")
    parser.add_argument(
        "--protocol", type=int, choices=range(10), default=0, help="adapter's protocol number; 0 search"
    )
    parser.add_argument(
        "--find", action="store_true", help="look for an adapter on every serial port and at every usual speed"
    )
    bus = parser.add_argument_group("a CAN bus")
    bus.add_argument("--can", metavar="CHANNEL", help="CAN channel, such as can0")
    bus.add_argument("--interface", default="socketcan", metavar="NAME", help="python-can interface; default socketcan")
    bus.add_argument("--bitrate", type=int, default=500_000, metavar="N", help="bit/s; default 500000")
    bus.add_argument("--can-bits", type=int, choices=(11, 29), help="identifiers of 11 or 29 bit; default: find out")
    bus.add_argument("--listen-only", action="store_true", help="never send; tell what others are answered")
    bus.add_argument("--ask-silent-bus", action="store_true", help="ask although nothing is heard (gateways)")
    parser.add_argument("--gps", metavar="PATH", help="a GPS receiver, NMEA 0183 over a serial device, instead")
    parser.add_argument("--gps-baud", type=int, default=9600, metavar="N", help="its speed; default 9600")
    parser.add_argument("--seconds", type=float, default=60.0, metavar="N", help="give up after so long; default 60")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of text")
    parser.add_argument("--quiet", action="store_true", help="no progress, only the result")
    parser.add_argument(
        "--settings", type=Path, metavar="FILE", help="where the vehicle is (section link), unless it is said here"
    )


def run(args: argparse.Namespace) -> int:
    """Probe once; 0 the vehicle answers with coolant, 1 it does not."""
    if not 5.0 <= args.seconds <= 600.0:
        raise SetupError("--seconds", "5 to 600", repr(args.seconds))
    if args.settings is not None and not (args.port or args.find or args.can or args.gps):
        _as_settings_say(args)
    if args.gps is not None:
        if args.port is not None or args.find or args.can is not None:
            raise SetupError("probe", "either --gps or a vehicle", "both", "Probe one after the other.")
        from livemon.verbs import probe_gps

        return probe_gps.show(probe_gps.examine(args.gps, args.gps_baud, args.seconds), args.json)
    if args.can is not None:
        if args.port is not None or args.find:
            raise SetupError(
                "the vehicle", "either --port, --find or --can", "more than one", "Probe one after the other."
            )
        return show(_bus(args), args.json)
    if args.find and args.port is None:
        args.port, args.baud = _found(args.quiet)
    if args.port is None:
        raise SetupError("the vehicle", "--port PATH, --find or --can CHANNEL", "none", "Say where the vehicle is.")
    settings = SerialSettings(args.port, args.baud, elm=ElmSettings(protocol=args.protocol))
    return show(probe_adapter.examine(settings, args.seconds), args.json)


def _as_settings_say(args: argparse.Namespace) -> None:
    """The vehicle as `watch --settings` would look for it."""
    link = settle(from_file(args.settings)).of(LinkSettings)
    args.port, args.can = link.port or None, link.can or None
    args.baud, args.interface = args.baud or link.baud, link.interface
    args.bitrate = link.bitrate or args.bitrate
    args.listen_only |= link.listen_only
    args.ask_silent_bus |= link.ask_silent_bus


def _bus(args: argparse.Namespace) -> ProbeReport:
    from livemon.verbs import probe_bus  # python-can costs time that an adapter need not pay
    from livemon.wire.can_talk import CanSettings
    from livemon.wire.frames import Addressing

    settings = CanSettings(
        bitrate=args.bitrate,
        addressing=Addressing(args.can_bits) if args.can_bits else None,
        listen_only=args.listen_only,
        ask_silent_bus=args.ask_silent_bus,
    )
    return probe_bus.examine(args.can, args.interface, settings, args.seconds)


def show(report: ProbeReport, as_json: bool) -> int:
    """Print a report; its exit status."""
    sys.stdout.write(to_json(report) if as_json else to_text(report))
    return report.exit_status


def _found(quiet: bool) -> tuple[str, int]:
    ports = probe_adapter.candidate_ports()
    if not ports:
        raise NoDataError(
            "probe --find: expected a serial port on this machine, found none. Is the adapter plugged in?"
        )
    for name, baud, words in probe_adapter.find(ports):
        if not quiet:
            print(f"found on {name} at {baud}: {words}", file=sys.stderr)
        return name, baud
    raise NoDataError(f"probe --find: expected an adapter, found none on {', '.join(ports)}. Is it powered?")
