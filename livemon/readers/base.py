"""What every reader is: a thing that is started with a place to put events, and stopped.

A reader moves bytes and decides nothing.  It runs in its own thread, never raises out of it, and tells trouble as a
`Link` that is down with a reason.  Event times come from the clock it was made with; `run.py` gives the final ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from livemon.core.events import Link, Mark, Sample

Put = Callable[[Sample | Link | Mark], None]
"""Takes one event, from any thread, without blocking for long."""


class Reader(Protocol):
    """A door in."""

    def start(self, put: Put) -> None:
        """Begin to deliver events to `put` from a thread of its own."""
        ...

    def stop(self) -> None:
        """Stop delivering and wait, for at most a few seconds, until the thread has ended."""
        ...


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """Where the vehicle and the receiver are; "" = not there, 0 = found out or left as it is."""

    port: str = ""
    baud: int = 0
    follow_device: bool = False
    can: str = ""
    interface: str = "socketcan"
    bitrate: int = 0
    listen_only: bool = False
    ask_silent_bus: bool = False
    gps: str = ""
    gps_baud: int = 9600
