"""The part of `livemon simulate` that stands behind a pseudo-terminal as an ELM-style adapter, in real time or
faster."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from livemon.errors import SetupError
from livemon.sim.adapter import CLONE, Adapter, Habits
from livemon.sim.adapter_pty import PtyAdapter
from livemon.sim.drive import Drives
from livemon.sim.ecu import ENGINE, OLD_ENGINE
from livemon.sim.link_faults import LinkFault
from livemon.wire.elm_replies import CAN_PROTOCOLS, PROTOCOL_NAMES

STEP_S: Final = 0.05
MOST_PACE: Final = 100.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options for standing as an adapter."""
    stand = parser.add_argument_group("standing as an adapter")
    stand.add_argument(
        "--pty", metavar="NAME", help="stand behind a pseudo-terminal: a path to make, or auto for the system's name"
    )
    stand.add_argument("--pace", type=float, default=1.0, metavar="N", help="times real time; default 1")
    stand.add_argument(
        "--protocol", type=int, choices=sorted(set(PROTOCOL_NAMES) - {0}), default=6, help="1-9; default 6, CAN 11 bit"
    )
    stand.add_argument("--clone", action="store_true", help="an adapter with the quirks of the worst ones")
    stand.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="NAME@FROM+SECONDS",
        help=f"a fault of the link, such as hang@60+10 (real seconds): {', '.join(f.value for f in LinkFault)}",
    )


@dataclass(frozen=True, slots=True)
class Window:
    """One fault and when it is active, in seconds of real time since the start."""

    fault: LinkFault
    from_s: float
    to_s: float


def window(text: str) -> Window:
    """`hang@60+10`: the fault, when it begins, how long it lasts."""
    try:
        name, when = text.split("@")
        begin, length = when.split("+")
        return Window(LinkFault(name), float(begin), float(begin) + float(length))
    except ValueError as error:
        names = ", ".join(fault.value for fault in LinkFault)
        raise SetupError("--fault", f"NAME@FROM+SECONDS with one of {names}", repr(text)) from error


@contextmanager
def _standing(device: PtyAdapter) -> Iterator[PtyAdapter]:
    """The device, served; SetupError where its name cannot be made."""
    try:
        device.start()
    except OSError as failure:
        device.stop()
        words = failure.strerror or str(failure)
        raise SetupError("--pty", "a path where a link can be made, or auto", f"{device.path}: {words}") from None
    try:
        yield device
    finally:
        device.stop()


def stand(args: argparse.Namespace, driven: Drives) -> None:
    """Serve the drive until it ends or is interrupted; prints the device's name on standard output."""
    if not 0.1 <= args.pace <= MOST_PACE:
        raise SetupError("--pace", f"0.1 to {MOST_PACE:g}", repr(args.pace))
    windows = [window(text) for text in args.fault]
    pace: float = args.pace
    begin_s = time.monotonic()

    def drive_s() -> float:
        return (time.monotonic() - begin_s) * pace

    can = args.protocol in CAN_PROTOCOLS
    adapter = Adapter(
        lambda: driven.values_at(0, drive_s()),
        (ENGINE if can else OLD_ENGINE,),
        replace(CLONE if args.clone else Habits(), protocol=args.protocol),
        args.seed,
    )
    link = None if args.pty == "auto" else Path(args.pty)
    if link is not None and link.exists() and not link.is_symlink():
        raise SetupError("--pty", "a path that is free, or auto", f"{link}, which is there already")
    with _standing(PtyAdapter(adapter, link)) as device:
        print(device.path, flush=True)
        active: frozenset[LinkFault] = frozenset()
        while drive_s() < driven.seconds:
            now_s = time.monotonic() - begin_s
            wanted = frozenset(w.fault for w in windows if w.from_s <= now_s < w.to_s)
            if wanted != active:
                active = wanted
                other = None if link is None else link.with_name(link.name + "-again")
                device.set_faults(active, other)
                if not args.quiet:
                    print(f"{now_s:7.1f} s  {', '.join(f.value for f in active) or 'no fault'}", file=sys.stderr)
            time.sleep(STEP_S)
