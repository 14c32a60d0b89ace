"""What every reader is: a thing that is started with a place to put events, and stopped.

A reader moves bytes and decides nothing.  It runs in its own thread, never raises out of it, and tells trouble as a
`Link` that is down with a reason.  Event times come from the clock it was made with; `run.py` gives the final ones.
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

from livemon.core.events import Link, Mark, Sample

Put = Callable[[Sample | Link | Mark], None]
"""Takes one event, from any thread, without blocking for long."""


_PORT_WORDS: Final[dict[int, str]] = {
    errno.ENOENT: "no such device: is the {what} plugged in?",
    errno.EACCES: "no permission: is this user in the group dialout?",
    errno.EBUSY: "in use by another program",
    errno.EAGAIN: "in use by another program",
    errno.EIO: "the device vanished",
    errno.ENXIO: "the device vanished",
    errno.ENODEV: "the device vanished",
    errno.ENOTTY: "no serial device",
    errno.EISDIR: "no serial device",
    errno.ECONNREFUSED: "connection refused: is the {what} on?",
}


def port_words(error: Exception, what: str) -> str:
    """What went wrong with a serial port, for people; pyserial's own words name the port twice, and where reading or
    writing failed it keeps the system's error behind its own.

    `what` is behind the port, such as "adapter".
    """
    number = getattr(error, "errno", None) or getattr(error.__context__, "errno", None)
    if number in _PORT_WORDS:
        return _PORT_WORDS[number].format(what=what)
    if str(error).startswith("Could not configure port"):  # pyserial keeps the number to itself
        return _PORT_WORDS[errno.ENOTTY]
    if "returned no data" in str(error) or "socket disconnected" in str(error):
        return "the device vanished"
    return str(error)


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
