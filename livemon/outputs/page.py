"""The phone page as the monitor sees it: settings, and a child process that is started, looked after and ended.

The page runs in a process of its own, attached to the feed like any other viewer: whatever is done to it from the
network cannot slow the monitor, and if it dies it is started again, a bounded number of times.  The child ends by
itself when the monitor does, because its standard input then ends.  Knows nothing of what the page shows.
"""

from __future__ import annotations

import contextlib
import ipaddress
import json
import subprocess
import sys
from dataclasses import asdict, dataclass
from importlib.util import find_spec
from typing import Final

from livemon.errors import SetupError

RESTART_MS: Final = (2_000, 60_000)
"""Wait before a restart: doubled each time up to the second value, back to the first after a quiet minute."""
MAX_RESTARTS: Final = 20
MIN_TOKEN_CHARS: Final = 12
EXIT_WORDS: Final = {
    3: "the page's address cannot be opened: check page.host and page.port",
    4: "starlette or uvicorn is missing: install livemon[web]",
}


@dataclass(frozen=True, slots=True)
class PageSettings:
    """The read-only page for the passenger's phone: off unless `enabled`; `token` "" = anyone on that network may look.

    `host` is the Pi's own address on its own network; `names`, with spaces between, are further names it goes by.
    """

    enabled: bool = False
    host: str = "127.0.0.1"
    port: int = 8465
    token: str = ""
    names: str = ""


def validate(settings: PageSettings) -> None:
    """Refuse settings the page cannot run with."""
    try:
        ipaddress.ip_address(settings.host)
    except ValueError:
        raise SetupError("page.host", "an address such as 192.168.50.1", repr(settings.host)) from None
    if not 1024 <= settings.port <= 65535:
        raise SetupError("page.port", "a port from 1024 to 65535", str(settings.port))
    if settings.token and (len(settings.token) < MIN_TOKEN_CHARS or not settings.token.isalnum()):
        wanted = f'"" or at least {MIN_TOKEN_CHARS} letters and digits'
        raise SetupError("page.token", wanted, f"{len(settings.token)} characters")


class Page:
    """Keeps the page's process alive; every call returns at once."""

    def __init__(self, settings: PageSettings, feed_path: str) -> None:
        """Check the settings and that the `web` extra is there; nothing is started yet."""
        validate(settings)
        if not feed_path:
            raise SetupError("page.enabled", "a feed to show (feed.socket)", "no feed", "Set feed.socket")
        missing = [name for name in ("starlette", "uvicorn", "h11") if find_spec(name) is None]
        if missing:
            raise SetupError("page.enabled", "the web extra", f"no {missing[0]}", "Install livemon[web]")
        self._asked = json.dumps({**asdict(settings), "feed": feed_path}).encode()
        self._child: subprocess.Popen[bytes] | None = None
        self._started_ms = 0
        self._next_ms: int | None = None
        self._wait_ms = RESTART_MS[0]
        self.starts = 0
        self.note = ""

    def start(self, now_ms: int) -> None:
        """Start the child."""
        self.starts += 1
        self._started_ms, self._next_ms = now_ms, None
        try:
            self._child = subprocess.Popen(
                [sys.executable, "-m", "livemon.outputs.page_server"],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            assert self._child.stdin is not None
            self._child.stdin.write(self._asked + b"\n")  # far below the size of a pipe: does not block
            self._child.stdin.flush()
        except OSError as error:
            self.note = f"page: could not be started ({error.strerror})"

    def check(self, now_ms: int) -> str:
        """Once a second: start the child again if it died; returns a note for the screen, "" when all is well."""
        code = None if self._child is None else self._child.poll()
        if self._child is not None and code is None:
            if now_ms - self._started_ms > RESTART_MS[1]:
                self._wait_ms, self.starts, self.note = RESTART_MS[0], 1, ""
            return self.note
        if self._next_ms is None:
            self._let_go()
            self.note = "page: " + EXIT_WORDS.get(code or 0, f"ended with status {code}")
            if self.starts > MAX_RESTARTS:
                self.note += "; given up"
                self._next_ms = sys.maxsize
            else:
                self._next_ms = now_ms + self._wait_ms
                self._wait_ms = min(2 * self._wait_ms, RESTART_MS[1])
        elif now_ms >= self._next_ms:
            self.start(now_ms)
        return self.note

    def close(self, patience_s: float = 2.0) -> None:
        """End the child."""
        child = self._child
        self._let_go()
        if child is not None:
            try:
                child.wait(patience_s)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait(patience_s)

    def _let_go(self) -> None:
        if self._child is not None and self._child.stdin is not None:
            with contextlib.suppress(OSError):  # it died with our words unread
                self._child.stdin.close()
        self._child = None
