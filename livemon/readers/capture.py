"""A recorded bus as a drive: J1979 replies picked out of everything that passed, in any form python-can reads.

Strategy: python-can's readers turn the file into frames one by one (constant memory); text forms go through a filter
first, because a line cut inside its data would otherwise be read as another value without complaint.  What cannot be
used is counted by reason and left out.  It decides nothing about cooling: replies become readings in `wire`.
"""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, TextIO, cast

import can
from can.io.generic import TextIOMessageReader
from can.io.player import MESSAGE_READERS

from livemon.core.events import Event, Link
from livemon.errors import NoDataError, SetupError
from livemon.readers.can_bus import as_frame
from livemon.wire.can_replies import Readings, Replies
from livemon.wire.frames import Frame

CAPTURE_SUFFIXES: Final = frozenset({".asc", ".blf", ".db", ".mf4", ".trc"})
"""Forms that only a bus capture has; `.log`, `.csv` and `.txt` are told by their first line."""

LONGEST_LINE: Final = 4096
"""Characters; a CAN FD frame of 64 bytes needs under 250 in every text form."""

LONGEST_JUMP_MS: Final = 86_400_000
"""A frame a day away from the one before has a broken time."""

_CANDUMP = re.compile(
    r"\(\d+(?:\.\d+)?\) \S+ (?:[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})"
    r"#(?:R\d?|(?:#[0-9A-Fa-f])?(?:[0-9A-Fa-f]{2}){0,64})(?: [RTrt])?"
)
_CSV_HEADER = "timestamp,arbitration_id,extended,remote,error,dlc,data"
_CSV = re.compile(
    r"\d+(?:\.\d+)?(?:e[-+]?\d+)?,0x[0-9a-fA-F]{1,8}(?:,[01]){3},\d{1,2},(?:[A-Za-z0-9+/]{4})*"
    r"(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?"
)


class _WholeLines:
    """The lines of a text capture that can be whole: the torn last one, endless ones and garbled ones left out."""

    def __init__(self, file: TextIO, good: re.Pattern[str] | None, count: Callable[[str], None]) -> None:
        self._file, self._good, self._count = file, good, count
        self.number = 0

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        while line := self._file.readline(LONGEST_LINE):
            self.number += 1
            if not line.endswith("\n"):
                if len(line) < LONGEST_LINE:
                    self._count("torn last line")
                    break
                while line and not line.endswith("\n"):
                    line = self._file.readline(LONGEST_LINE)
                self._count("line too long")
            elif self._good is None or not line.strip() or self._good.fullmatch(line.strip()):
                return line
            elif self.number > 1 or line.strip() != _CSV_HEADER:
                self._count("line not understood")
            else:
                return line
        raise StopIteration

    def close(self) -> None:
        """python-can's readers close what they read from."""
        self._file.close()


def _suffix(path: Path) -> str:
    parts = [part.lower() for part in path.suffixes]
    return parts[-2] if len(parts) > 1 and parts[-1] == ".gz" else (parts[-1] if parts else "")


def _open_text(path: Path) -> TextIO:
    if path.suffix.lower() == ".gz":
        return gzip.open(path, "rt", encoding="latin-1", newline="\n")
    return path.open(encoding="latin-1", newline="\n")


def _text_form(path: Path) -> type[TextIOMessageReader] | None:
    """The reader for a text whose first line is one of candump, or the header of python-can's own CSV."""
    try:
        with _open_text(path) as file:
            first = file.readline(LONGEST_LINE).strip()
    except (OSError, EOFError):
        return None
    if _CANDUMP.fullmatch(first):
        return can.CanutilsLogReader
    return can.CSVReader if first == _CSV_HEADER else None


def is_capture(path: Path) -> bool:
    """True if `path` is a recorded bus and not a drive in the project's own log form."""
    return _suffix(path) in CAPTURE_SUFFIXES or _text_form(path) is not None


class Capture:
    """One recorded bus; `frames`, `replies` and `skipped` (reason: how many) grow while `events` is read."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.frames = 0
        self.replies = 0
        self.skipped: dict[str, int] = {}

    def _count(self, reason: str) -> None:
        self.skipped[reason] = self.skipped.get(reason, 0) + 1

    def events(self) -> Iterator[Event]:
        """Samples of every reply, `t_ms` since the first frame; NoDataError at the end where none had coolant."""
        replies, readings = Replies(), Readings()
        coolant = linked = False
        t_ms = 0
        for t_ms, frame in self._timed():
            reply = replies.feed(t_ms, frame)
            if reply is None:
                continue
            self.replies += 1
            if not linked:
                linked = True
                yield Link(t_ms, True, "bus capture")
            sample = readings.sample(reply)
            if sample is not None:
                coolant |= any(name == "coolant_c" for name, _ in sample.readings)
                yield sample
        for reasons in (replies.counts, readings.counts):
            for reason, times in reasons.items():
                self.skipped[reason] = self.skipped.get(reason, 0) + times
        self._judge(t_ms, coolant)

    def _judge(self, t_ms: int, coolant: bool) -> None:
        seen = f"{self.frames} frames in {t_ms / 1000:.0f} s"
        if self.frames == 0:
            raise NoDataError(f"{self.path}: expected a bus capture, found no frame in it. Was the bus awake?")
        if self.replies == 0:
            raise NoDataError(
                f"{self.path}: no J1979 replies. Expected frames on 7E8-7EF or 18DAF1xx, found none among {seen}. "
                "Record again while a tester asks for the coolant temperature"
            )
        if not coolant:
            raise NoDataError(
                f"{self.path}: no coolant reading. Expected replies to PID 05 or 67, found none among "
                f"{self.replies} J1979 replies and {seen}"
            )

    def _timed(self) -> Iterator[tuple[int, Frame]]:
        start: float | None = None
        last_ms = 0
        for message in self._messages():
            stamp = message.timestamp
            if not abs(stamp) < 1e12:  # NaN lands here too
                self._count("time is no number")
                continue
            start = stamp if start is None else start
            t_ms = round((stamp - start) * 1000)
            if t_ms < 0 or abs(t_ms - last_ms) > LONGEST_JUMP_MS:
                self._count("time before the start" if t_ms < 0 else "time jumps more than a day")
                continue
            last_ms = t_ms
            self.frames += 1
            frame = as_frame(message, "" if message.channel is None else str(message.channel))
            if frame is not None:
                yield t_ms, frame

    def _messages(self) -> Iterator[can.Message]:
        try:
            reader = self._reader()
        except OSError as error:
            raise self._unreadable(f"an unreadable file ({error.strerror or error})") from error
        except Exception as error:  # each form has its own kinds; none is worth a traceback
            raise self._unreadable(f"{type(error).__name__}: {error}") from error
        messages = iter(reader)
        try:
            while True:
                try:
                    message = next(messages)
                except StopIteration:
                    return
                except Exception as error:  # as above; what was read before stays good
                    if self.frames == 0 and not self.skipped:
                        raise self._unreadable(f"{type(error).__name__}: {error}") from error
                    self._count("rest of the file not understood")
                    return
                yield message
        finally:
            reader.stop()

    def _reader(self) -> can.io.generic.MessageReader:
        form = _text_form(self.path) or MESSAGE_READERS.get(_suffix(self.path))
        if form is None or not issubclass(form, TextIOMessageReader):
            return can.LogReader(self.path)
        good = {can.CanutilsLogReader: _CANDUMP, can.CSVReader: _CSV}.get(form)
        lines = _WholeLines(_open_text(self.path), good, self._count)
        return form(cast(TextIO, lines))  # the readers only iterate and close it

    def _unreadable(self, found: str) -> SetupError:
        forms = " ".join(sorted(MESSAGE_READERS))
        return SetupError(str(self.path), f"a bus capture ({forms}, also .gz)", found[:200], "See docs/can.md")


def events(path: Path) -> Iterator[Event]:
    """The events of the bus capture at `path`; see `Capture` for what was left out."""
    return Capture(path).events()
