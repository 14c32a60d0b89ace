"""The viewer's end of the feed: attach, read lines, detach, attach again.

A monitor that is not there is normal life: `wait` tries again at most once a second and says so by `connected`.
Only the newest line is worth drawing, so a viewer that was asleep throws the older ones away.  Whether a line is too
old to be shown is decided by the caller, who knows when it came.
"""

from __future__ import annotations

import contextlib
import json
import select
import socket
import time
from collections.abc import Mapping
from typing import Any, Final

MAX_LINE_BYTES: Final = 65_536
RETRY_S: Final = 1.0


class Attached:
    """A viewer's connection to the feed at `path`, made and remade as needed."""

    def __init__(self, path: str) -> None:
        """Nothing is opened yet: the first `wait` does."""
        self.path = path
        self.greeting: dict[str, Any] = {}
        self._link: socket.socket | None = None
        self._inbox = b""
        self._tried_s: float | None = None

    @property
    def connected(self) -> bool:
        """Whether the monitor is at the other end, as far as is known."""
        return self._link is not None

    def wait(self, timeout_s: float) -> list[bytes]:
        """Whole lines that came within `timeout_s`, oldest first, without the greeting; [] when none came."""
        until_s = time.monotonic() + timeout_s
        while True:
            left_s = until_s - time.monotonic()
            if self._link is None and not self._connect():
                time.sleep(max(0.0, min(left_s, RETRY_S / 4)))
            elif self._link is not None and select.select([self._link], [], [], max(0.0, left_s))[0]:
                lines = self._read()
                if lines:
                    return lines
            if left_s <= 0:
                return []

    def declare(self, *, inputs: Mapping[str, bool] | None = None, note: str | None = None) -> bool:
        """Ask the monitor to record a mark; False if it cannot be reached."""
        request: dict[str, Any] = {}
        if inputs:
            request["inputs"] = dict(inputs)
        if note:
            request["note"] = note
        if self._link is None or not request:
            return False
        try:
            self._link.sendall(json.dumps(request).encode() + b"\n", socket.MSG_NOSIGNAL)
        except OSError:
            self.detach()
            return False
        return True

    def detach(self) -> None:
        """Let go; the next `wait` attaches again."""
        if self._link is not None:
            self._link.close()
        self._link, self._inbox = None, b""

    def _connect(self) -> bool:
        now_s = time.monotonic()
        if self._tried_s is not None and now_s - self._tried_s < RETRY_S:
            return False
        self._tried_s = now_s
        link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
        link.settimeout(RETRY_S)
        try:
            link.connect(self.path)
        except OSError:
            link.close()
            return False
        self._link = link
        return True

    def _read(self) -> list[bytes]:
        assert self._link is not None
        try:
            got = self._link.recv(4 * MAX_LINE_BYTES)
        except OSError:
            got = b""
        if not got:
            self.detach()
            return []
        *lines, self._inbox = (self._inbox + got).split(b"\n")
        if len(self._inbox) > MAX_LINE_BYTES:  # not our feed
            self.detach()
            return []
        fresh = []
        for line in lines:
            if line.startswith(b'{"feed":'):
                with contextlib.suppress(ValueError):
                    self.greeting = json.loads(line)
            elif line:
                fresh.append(line)
        return fresh
