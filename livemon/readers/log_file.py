"""Door in for recordings: opens one log file, plain or gzip, and gives its events in constant memory.

The header is read at once, so that the settings it holds are known before the first event; the rest is read in pieces
as the events are asked for.  It decides nothing: what the bytes mean is the business of `wire/log_text`.
"""

from __future__ import annotations

import gzip
import stat
import zlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import BinaryIO, Final, cast

from livemon.core.events import Event
from livemon.errors import SetupError
from livemon.wire.log_text import LogParser

PIECE_BYTES: Final = 65_536


def looks_like_log(path: Path) -> bool:
    """True if the first line names `time_s` or is a metadata line; False also when it cannot be read."""
    if not path.is_file():  # a pipe would be waited for, and what is read of it once is gone
        return False
    try:
        with _opened(path) as file:
            first = file.readline(PIECE_BYTES)
    except (OSError, EOFError, zlib.error):
        return False
    return b"time_s" in first or first.removeprefix(b"\xef\xbb\xbf").startswith(b"#")


def _opened(path: Path) -> BinaryIO:
    if path.suffix == ".gz":
        return cast(BinaryIO, gzip.open(path, "rb"))
    return path.open("rb")


class LogFile:
    """One log, open; `rows`, `skipped` and `share_read` grow while `events` is read."""

    def __init__(self, path: Path) -> None:
        """Opens the file and reads its header; SetupError or NoDataError when it is no log."""
        self.path = path
        self._parser = LogParser(str(path))
        self._before = self._after = 0  # position in the file before and after the piece in hand
        self._share_of_piece = 0.0
        try:
            kept = path.stat()
            if not stat.S_ISREG(kept.st_mode) and not stat.S_ISDIR(kept.st_mode):
                todo = "A log is read twice: write it to a file first"
                raise SetupError(str(path), "a readable log file", "a pipe or device", todo)
            self._size = kept.st_size
            self._raw = path.open("rb")
        except OSError as failure:
            todo = "Check the path and who may read it"
            if path.is_dir():
                todo = f"Name the logs in it: {path}/*.csv"
            elif str(path) == "-":
                todo = "A log is read twice: write what comes on standard input to a file first"
            raise SetupError(str(path), "a readable log file", failure.strerror or str(failure), todo) from None
        # gzip reads through `_raw`, whose position then tells how far we are
        packed = path.suffix == ".gz"
        self._file = cast(BinaryIO, gzip.GzipFile(fileobj=self._raw, mode="rb")) if packed else self._raw
        self._ended = False
        try:
            self._first: list[Event] = []
            while not self._parser.ready and not self._ended:
                self._first += self._piece()
        except BaseException:
            self.close()
            raise

    @property
    def metadata(self) -> Mapping[str, str]:
        return self._parser.metadata

    @property
    def unknown(self) -> tuple[str, ...]:
        """Columns that are not in the log form."""
        return self._parser.unknown

    @property
    def rows(self) -> int:
        return self._parser.rows

    @property
    def skipped(self) -> Mapping[str, int]:
        return self._parser.skipped

    @property
    def share_read(self) -> float:
        """How much of the file was read, 0 to 1."""
        if self._raw.closed or self._size == 0:
            return 1.0
        return min((self._before + (self._after - self._before) * self._share_of_piece) / self._size, 1.0)

    def events(self) -> Iterator[Event]:
        """Events in the order of the rows; closes the file at the end."""
        try:
            piece, self._first = self._first, []
            while True:
                for at, event in enumerate(piece):
                    self._share_of_piece = at / len(piece)
                    yield event
                if self._ended:
                    break
                piece = self._piece()
        finally:
            self.close()

    def close(self) -> None:
        self._file.close()
        self._raw.close()

    def _piece(self) -> list[Event]:
        try:
            data = self._file.read(PIECE_BYTES)
        except (OSError, EOFError, zlib.error) as failure:
            if not self._parser.ready:
                words = getattr(failure, "strerror", None) or str(failure)
                raise SetupError(str(self.path), "a readable log file", words) from None
            self._parser.skipped["rest of the file unreadable"] = 1
            data = b""
        self._before, self._after, self._share_of_piece = self._after, self._raw.tell(), 0.0
        if data:
            return self._parser.feed(data)
        self._ended = True
        return self._parser.close()
