"""The process behind the phone page: attaches to the feed, serves the app, and bounds every connection.

Started by `page.Page` with its settings as one JSON line on standard input; ends when that input ends.  Connections
are counted in all and by address, a request has five seconds to arrive, a reader that does not read is cut off after
ten.  Runs at low priority, so that a flood of visitors takes no time from the monitor.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import resource
import socket
import sys
import time
from collections import Counter
from typing import Any, Final

try:
    import uvicorn
    from uvicorn.protocols.http.h11_impl import H11Protocol

    from livemon.outputs.page_app import Source, make_app
except ImportError:  # the extra went missing since the monitor looked
    sys.exit(4)

from livemon.outputs.attach import MAX_LINE_BYTES
from livemon.outputs.page import PageSettings

MAX_CONNECTIONS: Final = 32
MAX_PER_ADDRESS: Final = 12
"""A browser opens up to six at once; two phones may share an address."""
REQUEST_S: Final = 5.0
STALL_S: Final = 10.0
MAX_HEAD_BYTES: Final = 8_192
SEND_BUFFER_BYTES: Final = 32_768
RETRY_S: Final = 1.0
MAX_FILES: Final = 128
NICENESS: Final = 10

_open: Counter[str] = Counter()


class BoundedProtocol(H11Protocol):
    """One connection with a bounded life: counted, on the clock until its request is in, cut off when it stalls."""

    _address = ""
    _received = 0
    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as in the base class
        """Take the connection in if there is room."""
        peer = transport.get_extra_info("peername")
        address = str(peer[0]) if peer else "?"
        if _open.total() >= MAX_CONNECTIONS or _open[address] >= MAX_PER_ADDRESS:
            super().connection_made(transport)
            transport.abort()
            return
        self._address = address
        _open[address] += 1
        super().connection_made(transport)
        transport.set_write_buffer_limits(high=0)  # every unsent byte counts as a stall until it is gone
        self._on_the_clock(REQUEST_S)

    def data_received(self, data: bytes) -> None:
        """Hand on; a whole request stops the clock, too many bytes end the connection."""
        self._received += len(data)
        if self._received > MAX_HEAD_BYTES:  # one request, no body: nothing of use is longer
            self.transport.abort()
            return
        before = self.cycle
        super().data_received(data)
        if self.cycle is not before:
            self._on_the_clock(None)

    def pause_writing(self) -> None:
        """The visitor does not read: start the clock."""
        super().pause_writing()
        self._on_the_clock(STALL_S)

    def resume_writing(self) -> None:
        """The visitor reads again."""
        super().resume_writing()
        self._on_the_clock(None)

    def connection_lost(self, exc: Exception | None) -> None:
        """Give the place back."""
        self._on_the_clock(None)
        if self._address:
            _open[self._address] -= 1
            if _open[self._address] <= 0:
                del _open[self._address]
            self._address = ""
        super().connection_lost(exc)

    def _on_the_clock(self, seconds: float | None) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = None if seconds is None else self.loop.call_later(seconds, self.transport.abort)


async def follow(path: str, source: Source) -> None:
    """Keep attached to the feed; try again each second."""
    while True:
        with contextlib.suppress(OSError, ValueError, asyncio.LimitOverrunError):
            reader, writer = await asyncio.open_unix_connection(path, limit=MAX_LINE_BYTES)
            try:
                while line := await reader.readline():
                    if line.startswith(b'{"feed":'):
                        source.greet(json.loads(line))
                    else:
                        source.tell(line, time.monotonic())
            finally:
                writer.close()
        source.lost()
        await asyncio.sleep(RETRY_S)


async def _until_input_ends(server: uvicorn.Server) -> None:
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    await reader.read(1)
    server.should_exit = True


def open_door(settings: PageSettings) -> socket.socket:
    """The listening socket; accepted connections inherit its small send buffer."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    door = socket.socket(family, socket.SOCK_STREAM)
    door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    door.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
    door.bind((settings.host, settings.port))
    door.listen(MAX_CONNECTIONS)
    return door


async def serve(settings: PageSettings, feed: str, door: socket.socket) -> None:
    """Serve until standard input ends."""
    source = Source()
    config = uvicorn.Config(
        make_app(settings, source),
        http=BoundedProtocol,
        ws="none",
        lifespan="off",
        loop="asyncio",
        log_level="critical",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        date_header=False,
        h11_max_incomplete_event_size=MAX_HEAD_BYTES,
        timeout_keep_alive=int(REQUEST_S),
        timeout_graceful_shutdown=1,
    )
    server = uvicorn.Server(config)
    helpers = [asyncio.create_task(follow(feed, source)), asyncio.create_task(_until_input_ends(server))]
    try:
        await server.serve(sockets=[door])
    finally:
        for task in helpers:
            task.cancel()


def main() -> int:
    """Read the settings from standard input and serve; 0 ended as asked, 3 the address cannot be opened."""
    line = b""
    while not line.endswith(b"\n"):
        byte = os.read(0, 1)  # nothing may be read ahead: the rest of the input is watched for its end
        if not byte:
            return 0
        line += byte
    asked: dict[str, Any] = json.loads(line)
    feed = asked.pop("feed")
    settings = PageSettings(**asked)
    os.nice(NICENESS)
    resource.setrlimit(resource.RLIMIT_NOFILE, (MAX_FILES, MAX_FILES))
    try:
        door = open_door(settings)
    except OSError:
        return 3
    asyncio.run(serve(settings, feed, door))
    return 0


if __name__ == "__main__":
    sys.exit(main())
