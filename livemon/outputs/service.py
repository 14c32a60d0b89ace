"""Tells the service manager how the monitor fares: ready, alive, in words; and asks for a clean power-off.

The protocol is sd_notify(3): one datagram of `KEY=value` lines to the socket named by NOTIFY_SOCKET, no library needed.
`alive` is called from the main loop with a count that only real progress raises; without progress nothing is sent, so
a hung loop is restarted by the watchdog.  Never blocks, never fails the caller; knows nothing of what is monitored.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Final, Self

MAX_STATUS_CHARS: Final = 160
POWER_OFF_REQUEST: Final = "/run/livemon/power-off"
"""The file that systemd/livemon-power-off.path waits for."""


class Notifier:
    """Sends readiness, watchdog and status to the manager; does nothing where there is none."""

    def __init__(self, address: str | None, watchdog_us: int | None = None) -> None:
        """`address`: path or `@abstract` name of the manager's socket; `watchdog_us`: its patience, if any."""
        self.failed = 0
        self._to = None if not address else ("\0" + address[1:] if address.startswith("@") else address)
        # sd_watchdog_enabled(3): ping at half of the time given
        self._every_ms = None if watchdog_us is None else watchdog_us / 2000.0
        self._socket: socket.socket | None = None
        self._progress: int | None = None
        self._pinged_ms: int | None = None
        self._status = ""
        if self._to is not None:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> Notifier:
        """The notifier the service manager offers in NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID."""
        address = environment.get("NOTIFY_SOCKET")
        if address is not None and not address.startswith(("/", "@")):
            address = None  # other address families (vsock) are for virtual machines
        watchdog = environment.get("WATCHDOG_USEC", "")
        for_me = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        return cls(address, int(watchdog) if watchdog.isdecimal() and int(watchdog) > 0 and for_me else None)

    def _send(self, text: str) -> bool:
        if self._socket is None or self._to is None:
            return False
        try:
            self._socket.sendto(text.encode(), self._to)
        except OSError:  # full or gone: the manager's matter; the next call tries again
            self.failed += 1
            return False
        return True

    def ready(self, status: str = "") -> None:
        """The doors are open: `systemctl start` may return and the watchdog begins to count."""
        self._status = _clean(status)
        self._send("READY=1" + (f"\nSTATUS={self._status}" if self._status else ""))

    def alive(self, progress: int, now_ms: int) -> bool:
        """Feed the watchdog if `progress` moved since the last ping and half its patience is over; True if sent."""
        if self._every_ms is None or progress == self._progress:
            return False
        if self._pinged_ms is not None and now_ms - self._pinged_ms < self._every_ms:
            return False
        if not self._send("WATCHDOG=1"):
            return False
        self._progress, self._pinged_ms = progress, now_ms
        return True

    def status(self, text: str) -> None:
        """One line for `systemctl status`; sent only when it changes."""
        text = _clean(text)
        if text != self._status and self._send(f"STATUS={text}"):
            self._status = text

    def stopping(self) -> None:
        """The end was asked for and is under way."""
        self._send("STOPPING=1")

    def close(self) -> None:
        """Let go of the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _clean(text: str) -> str:
    return " ".join(text.split())[:MAX_STATUS_CHARS]


def ask_power_off(request: str = POWER_OFF_REQUEST) -> str:
    """Create the file `request`, which a root-owned path unit turns into a clean power-off; "" or what went wrong.

    The monitor itself has no right to switch anything off; without the unit the file means nothing.
    """
    try:
        with contextlib.suppress(FileExistsError):
            Path(request).touch(mode=0o600, exist_ok=False)
    except OSError as error:
        return f"{request}: expected to leave a power-off request, found {error.strerror}; switch off by hand"
    return ""
