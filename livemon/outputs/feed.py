"""One monitor, many eyes: publishes each line of the core on a local socket, and takes marks from the passenger's keys.

No thread: the main loop calls `publish` and `poll`, which do a bounded number of non-blocking calls, so a slow, dead or
hostile viewer costs microseconds and never delays the monitor.  A viewer that cannot follow loses lines, never the
monitor; one that stays behind or talks nonsense is let go and may attach again.  Who may connect is decided by the
owner, group and mode of the socket file.  Knows nothing of what the lines mean.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
import stat
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from livemon.core.events import INPUTS, Mark
from livemon.errors import SetupError

MAX_VIEWERS: Final = 16
MAX_ACCEPTS: Final = 8
"""New viewers taken in one go; the kernel keeps as many again waiting and refuses the rest."""
MAX_REQUEST_BYTES: Final = 256
MAX_REQUESTS_PER_S: Final = 4
MAX_MARKS_PER_S: Final = 8
"""From all viewers together: what is recorded must not be drowned by one who attaches again and again."""
MAX_NOTE_CHARS: Final = 80
MAX_MISSED: Final = 30
"""A viewer that has missed so many lines in a row is taken for dead."""
SEND_BUFFER_BYTES: Final = 32_768
TRAIL_POINTS: Final = 91
TRAIL_EVERY_S: Final = 10.0
"""The trail handed to a new viewer: 15 minutes, a point each 10 s."""


@dataclass(frozen=True, slots=True)
class FeedSettings:
    """Where viewers attach, "" = no feed; `marks`: whether they may declare A/C, heater, fan, silence, notes."""

    socket: str = "/run/livemon/feed.sock"
    marks: bool = True


@dataclass(slots=True)
class _Viewer:
    link: socket.socket
    rest: bytes = b""
    missed: int = 0
    inbox: bytearray = field(default_factory=bytearray)
    second: int = -1
    requests: int = 0


class _GoneError(Exception):
    """The viewer left, or has to leave."""


class Feed:
    """A local stream socket on which every viewer gets each line; constructing it refuses a second monitor."""

    def __init__(self, settings: FeedSettings, *, greeting: dict[str, str] | None = None) -> None:
        """Bind the socket.  `greeting`: further fields of the first line each viewer gets (version, units)."""
        self._settings = settings
        self._greeting = dict(greeting or {})
        self._viewers: list[_Viewer] = []
        self._trail: deque[tuple[float, float]] = deque(maxlen=TRAIL_POINTS)
        self._last = b""
        self._marks: list[Mark] = []
        self._marks_second, self._marks_in_second = -1, 0
        self.refused = 0
        self.let_go = 0
        self._door = _bind(settings.socket)
        self._file = _identity(settings.socket)

    @property
    def viewers(self) -> int:
        """How many are attached now."""
        return len(self._viewers)

    def publish(self, line: bytes, *, time_s: float | None = None, estimate_c: float | None = None) -> None:
        """Give `line` (one JSON object, newline at the end) to every viewer; time and estimate go into the trail."""
        if time_s is not None and estimate_c is not None:
            if self._trail and time_s < self._trail[-1][0]:
                self._trail.clear()  # another drive began
            if not self._trail or time_s - self._trail[-1][0] >= TRAIL_EVERY_S:
                self._trail.append((time_s, round(estimate_c, 1)))
        self._last = line
        self._each(lambda viewer: _offer(viewer, line))

    def poll(self, now_ms: int) -> tuple[Mark, ...]:
        """Let new viewers in, hear what the passengers declared; the marks carry no time yet (`t_ms` 0)."""
        for _ in range(MAX_ACCEPTS):
            try:
                link, _address = self._door.accept()
            except (BlockingIOError, InterruptedError):
                break
            except OSError as error:
                if error.errno in (errno.ECONNABORTED, errno.EPROTO):
                    continue
                break  # out of handles: the waiting ones stay where they are
            self._welcome(link)
        self._each(lambda viewer: self._hear(viewer, now_ms))
        marks, self._marks = tuple(self._marks), []
        return marks

    def close(self) -> None:
        """End: viewers see the end of the stream, the socket file goes."""
        for viewer in self._viewers:
            viewer.link.close()
        self._viewers.clear()
        self._door.close()
        with contextlib.suppress(OSError):
            if _identity(self._settings.socket) == self._file:  # never remove a successor's socket
                os.unlink(self._settings.socket)

    def _welcome(self, link: socket.socket) -> None:
        if len(self._viewers) >= MAX_VIEWERS:
            self.refused += 1
            link.close()
            return
        link.setblocking(False)
        with contextlib.suppress(OSError):
            link.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        hello = {"feed": 1, **self._greeting, "trail": list(self._trail)}
        viewer = _Viewer(link)
        try:
            _offer(viewer, json.dumps(hello, ensure_ascii=True, separators=(",", ":")).encode() + b"\n")
            if self._last:
                _offer(viewer, self._last)
        except _GoneError:
            link.close()
            return
        self._viewers.append(viewer)

    def _each(self, do: Callable[[_Viewer], None]) -> None:
        gone = []
        for viewer in self._viewers:
            try:
                do(viewer)
            except _GoneError:
                gone.append(viewer)
        for viewer in gone:
            self.let_go += 1
            viewer.link.close()
            self._viewers.remove(viewer)

    def _hear(self, viewer: _Viewer, now_ms: int) -> None:
        try:
            got = viewer.link.recv(MAX_REQUEST_BYTES * 2, socket.MSG_DONTWAIT)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            raise _GoneError from error
        if not got:
            raise _GoneError
        viewer.inbox += got
        while (end := viewer.inbox.find(b"\n")) >= 0:
            request = bytes(viewer.inbox[:end])
            del viewer.inbox[: end + 1]
            second = now_ms // 1000
            if second != viewer.second:
                viewer.second, viewer.requests = second, 0
            viewer.requests += 1
            if viewer.requests > MAX_REQUESTS_PER_S or len(request) > MAX_REQUEST_BYTES or not self._settings.marks:
                raise _GoneError
            mark = mark_of(request)
            if second != self._marks_second:
                self._marks_second, self._marks_in_second = second, 0
            self._marks_in_second += 1
            if self._marks_in_second > MAX_MARKS_PER_S:
                raise _GoneError
            self._marks.append(mark)
        if len(viewer.inbox) > MAX_REQUEST_BYTES:
            raise _GoneError


def mark_of(request: bytes) -> Mark:
    """The mark a viewer asks for: `{"inputs": {"ac_on": true}}` or `{"note": "grille cleaned"}`, nothing else."""
    try:
        asked = json.loads(request)
    except (ValueError, RecursionError) as error:
        raise _GoneError from error
    if not isinstance(asked, dict) or not asked or not asked.keys() <= {"inputs", "note"}:
        raise _GoneError
    inputs, note = asked.get("inputs", {}), asked.get("note")
    if not isinstance(inputs, dict) or any(k not in INPUTS or not isinstance(v, bool) for k, v in inputs.items()):
        raise _GoneError
    if note is not None:
        if not isinstance(note, str) or len(note) > MAX_NOTE_CHARS or not note.isprintable() or not note.strip():
            raise _GoneError
        note = note.strip()
    return Mark(0, tuple(sorted(inputs.items())), note)


def _offer(viewer: _Viewer, line: bytes) -> None:
    """Send the rest of an earlier line, then `line` if there is room; a line is sent whole or not at all."""
    if viewer.rest:
        viewer.rest = viewer.rest[_send(viewer.link, viewer.rest) :]
        if viewer.rest:
            viewer.missed += 1
            if viewer.missed > MAX_MISSED:
                raise _GoneError
            return
    sent = _send(viewer.link, line)
    if sent == 0:
        viewer.missed += 1
        if viewer.missed > MAX_MISSED:
            raise _GoneError
        return
    viewer.missed = 0
    viewer.rest = line[sent:]


def _send(link: socket.socket, data: bytes) -> int:
    try:
        return link.send(data, socket.MSG_DONTWAIT | socket.MSG_NOSIGNAL)
    except (BlockingIOError, InterruptedError):
        return 0
    except OSError as error:
        raise _GoneError from error


def _identity(path: str) -> tuple[int, int]:
    told = os.lstat(path)
    return told.st_ino, told.st_ctime_ns  # the number alone may be given again


def _bind(path: str) -> socket.socket:
    """A listening socket at `path`, mode 0660; a dead predecessor's file is replaced, a living one's is respected."""
    door = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    try:
        _clear(path)
        door.bind(path)
        os.chmod(path, 0o660)
        door.listen(MAX_ACCEPTS)
        door.setblocking(False)
    except (OSError, SetupError) as error:
        door.close()
        if isinstance(error, SetupError):
            raise
        todo = "Name another path by feed.socket, or write none for no feed"
        raise SetupError(
            f"feed.socket {path}", "a path where a socket can be made", error.strerror or str(error), todo
        ) from error
    return door


def _clear(path: str) -> None:
    try:
        mode = os.lstat(path).st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(mode):
        raise SetupError(f"feed.socket {path}", "a socket or nothing", "another kind of file", "Name another path")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(1.0)
        try:
            probe.connect(path)
        except ConnectionRefusedError:
            os.unlink(path)
            return
        except (BlockingIOError, TimeoutError):
            pass  # its queue is full: it lives
    raise SetupError(
        f"feed.socket {path}", "no other monitor", "one that answers there", "Stop it, or name another path"
    )
