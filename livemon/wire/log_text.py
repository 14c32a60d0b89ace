"""The log form as text, both ways: events -> rows, and bytes in any pieces -> events, in constant memory.

Strategy: a row without quotes is split by hand, one with quotes by the rules of RFC 4180; what cannot be used is
counted under a named reason and skipped, never guessed.  `settled` is the rounding at the door: what the core is
given after it is exactly what a replay of the written row gives.  This file knows nothing of files or clocks.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from livemon.core.events import INPUTS, SIGNALS, Event, Link, Mark, Sample, Tick
from livemon.errors import NoDataError, SetupError
from livemon.wire.csv_cells import quoted, split_cells
from livemon.wire.log_rows import COLUMNS, NO_CODES, RowReader, strict_float

__all__ = ["COLUMNS", "LogParser", "LogWriter", "settled"]

FORMAT: Final = 1
"""Version of the log form, in the metadata line `# format: 1`; a reader refuses a greater one."""

MAX_LINE_BYTES: Final = 262_144
MAX_ROW_LINES: Final = 16
"""A quoted cell may span this many lines; beyond it the quote counts as torn and reading goes on at the next line."""
MAX_METADATA: Final = 1_000
_RANK: Final = {name: at for at, name in enumerate(SIGNALS)}
_AT: Final = {name: at for at, name in enumerate(COLUMNS)}


def settled(event: Event, t_ms: int) -> Event:
    """`event` at `t_ms` as a replay of its row gives it: values rounded once, in range, in the order of the columns.

    Readings that are not in `SIGNALS`, are not finite or cannot be true are left out; text loses what no log can
    hold (NUL, lone surrogates); an empty note is no note.
    """
    if isinstance(event, Sample):
        kept: dict[str, float] = {}
        for name, value in event.readings:
            signal = SIGNALS.get(name)
            if signal is not None and signal.low <= value <= signal.high:
                kept[name] = round(float(value), signal.decimals) + 0.0  # + 0.0 turns -0.0 into 0.0
        readings = tuple(sorted(kept.items(), key=lambda pair: _RANK[pair[0]]))
        codes = None if event.codes is None else _holdable(event.codes)
        return Sample(t_ms, readings, "" if codes == NO_CODES else codes, _holdable(event.ecu or "") or None)
    if isinstance(event, Mark):
        declared = dict(event.inputs)
        inputs = tuple((name, bool(declared[name])) for name in INPUTS if name in declared)
        return Mark(t_ms, inputs, _holdable(event.note or "") or None)
    if isinstance(event, Link):
        return Link(t_ms, event.up, _holdable(event.reason))
    return Tick(t_ms)


def _holdable(text: str) -> str:
    if text.isascii() and "\0" not in text:
        return text
    return "".join("\ufffd" if c == "\0" or "\ud800" <= c <= "\udfff" else c for c in text)


class LogWriter:
    """Text of the log form, a row an event; the caller decides where it goes and when it is flushed."""

    def header(self, metadata: Mapping[str, str]) -> str:
        """Metadata lines, `format` first, and the header row."""
        lines = [f"# format: {FORMAT}"]
        lines += [f"# {key}: {' '.join(value.split())}" for key, value in metadata.items() if key != "format"]
        return "\n".join([*lines, ",".join(COLUMNS), ""])

    def row(self, event: Event, utc: str = "") -> str:
        """One row with its newline; "" for what is never written: a tick, and a mark that says nothing."""
        if isinstance(event, Tick):
            return ""
        cells = [""] * len(COLUMNS)
        cells[0] = f"{event.t_ms // 1000}.{event.t_ms % 1000:03d}"
        cells[1] = utc
        if isinstance(event, Sample):
            for name, value in event.readings:
                cells[_AT[name]] = f"{value:.{SIGNALS[name].decimals}f}"
            if event.codes is not None:
                cells[_AT["codes"]] = quoted(event.codes or NO_CODES)
            if event.ecu is not None:
                cells[_AT["ecu"]] = quoted(event.ecu)
        elif isinstance(event, Link):
            word = "up" if event.up else "down"
            cells[_AT["link"]] = quoted(f"{word}: {event.reason}" if event.reason else word)
        else:
            if not event.inputs and not event.note:
                return ""
            for name, on in event.inputs:
                cells[_AT[name]] = "1" if on else "0"
            cells[_AT["note"]] = quoted(event.note or "")
        return ",".join(cells) + "\n"


class LogParser:
    """Bytes of one log in any pieces -> events; a row gives its link, then its sample, then its mark.

    `metadata`, `columns` and `unknown` are filled once `ready`; `rows` counts the usable rows, `skipped` everything
    left out by reason.  Raises SetupError when the text cannot be a log at all.
    """

    def __init__(self, where: str) -> None:
        self.where = where
        self.skipped: dict[str, int] = {}
        self.metadata: dict[str, str] = {}
        self.columns: tuple[str, ...] = ()
        self.unknown: tuple[str, ...] = ()
        self._rows: RowReader | None = None
        self._lines = 0
        self._tail = bytearray()
        self._dropping = False
        self._open: list[str] = []

    @property
    def ready(self) -> bool:
        """The header row was read."""
        return self._rows is not None

    @property
    def rows(self) -> int:
        """Usable rows so far."""
        return 0 if self._rows is None else self._rows.rows

    @property
    def first_utc(self) -> tuple[int, str] | None:
        """The first wall time in the log, and when it came [ms]."""
        return None if self._rows is None else self._rows.first_utc

    def feed(self, data: bytes) -> list[Event]:
        """Events of the rows that `data` completes."""
        events: list[Event] = []
        end = data.rfind(b"\n") + 1
        if end:
            self._tail += data[:end]
            whole = bytes(self._tail)
            self._tail = bytearray(data[end:])
            if self._dropping:  # the end of a line that was already too long
                whole = whole[whole.index(b"\n") + 1 :]
                self._dropping = False
            self._block(whole, events)
        else:
            self._tail += data
        if len(self._tail) > MAX_LINE_BYTES:
            if not self._dropping:
                self._too_long()
            self._dropping = True
            self._tail.clear()
        return events

    def close(self) -> list[Event]:
        """Ends the log: counts a torn last line and a quote left open; raises when there was no header row."""
        events: list[Event] = []
        while self._open:
            self._give_up_quote(events)
        if self._rows is None and b"\0" in self._tail:
            raise self._no_log("a binary file")
        if self._tail.strip():
            self._skip("torn last line")
        self._tail.clear()
        if self._rows is None:
            if self._lines == 0 and not self.skipped:
                raise NoDataError(f"{self.where}: expected a log, found an empty file. Was the recording started?")
            raise NoDataError(
                f"{self.where}: expected a header row with time_s, found no whole row. "
                "The recording was cut off before its first reading"
            )
        return events

    def _skip(self, reason: str) -> None:
        self.skipped[reason] = self.skipped.get(reason, 0) + 1

    def _too_long(self) -> None:
        if self._rows is None:
            raise self._no_log(f"a line of more than {MAX_LINE_BYTES // 1024} KiB")
        self._skip("line too long")

    def _no_log(self, found: str) -> SetupError:
        return SetupError(
            f"{self.where}, line {self._lines + 1}",
            "CSV text with a header row that names time_s",
            found,
            "The log form stands in docs/log-form.md",
        )

    def _block(self, whole: bytes, events: list[Event]) -> None:
        """Whole lines.  Decoded in one go where possible: one call for 64 KiB costs less than one a line."""
        if len(whole) <= MAX_LINE_BYTES:
            try:
                lines = whole.decode("utf-8").split("\n")
            except UnicodeDecodeError:
                pass
            else:
                lines.pop()
                for line in lines:
                    self._line(line, events)
                return
        for raw in whole.split(b"\n")[:-1]:
            if len(raw) > MAX_LINE_BYTES:
                self._too_long()
                continue
            try:
                self._line(raw.decode("utf-8"), events)
            except UnicodeDecodeError:
                if self._rows is None:
                    raise self._no_log("bytes that are not UTF-8 text") from None
                self._skip("row: not UTF-8")

    def _line(self, line: str, events: list[Event]) -> None:
        if self._rows is None:
            self._head(line)
            self._lines += 1
            return
        if self._open or '"' in line:
            self._quoted_line(line, events)
        elif line and line[0] != "#":
            if line[-1] == "\r":
                line = line[:-1]
            if "\0" in line:  # a block that never reached the disk may join the halves of two rows
                self._skip("row: damaged by NUL bytes")
                return
            self._rows.read(line.split(","), strict_float if "_" in line else float, events)

    def _quoted_line(self, line: str, events: list[Event]) -> None:
        assert self._rows is not None  # quotes of the header are read elsewhere
        if "\0" in line:
            while self._open:
                self._give_up_quote(events)
            self._skip("row: damaged by NUL bytes")
            return
        record = "\n".join([*self._open, line])
        try:
            cells = split_cells(record.removesuffix("\r"))
        except ValueError:
            if self._open:
                self._open.append(line)
                self._give_up_quote(events)
            else:
                self._skip("row: text after a closing quote")
            return
        if cells is not None:
            self._open.clear()
            self._rows.read(cells, strict_float, events)
            return
        self._open.append(line)
        if len(self._open) > MAX_ROW_LINES or len(record) > MAX_LINE_BYTES:
            self._give_up_quote(events)

    def _give_up_quote(self, events: list[Event]) -> None:
        """The quote that opened in the first waiting line never closed: that line is lost, the others are rows."""
        waiting, self._open = self._open[1:], []
        self._skip("row: quote never closed")
        for line in waiting:
            self._line(line, events)

    def _head(self, line: str) -> None:
        """A line before or at the header row."""
        line = line.removesuffix("\r")
        if self._lines == 0:
            line = line.removeprefix("\ufeff")
        if "\0" in line:
            raise self._no_log("a binary file")
        if line.startswith("#"):
            key, colon, value = line[1:].partition(":")
            if colon and len(self.metadata) < MAX_METADATA:
                self.metadata[key.strip()] = value.strip()
        elif line.strip():
            self._header(line)

    def _header(self, line: str) -> None:
        try:
            cells = split_cells(line)
        except ValueError:
            cells = None
        names = [cell.strip() for cell in cells or [line]]
        if "time_s" not in names:
            raise self._no_log(f"{line[:60]!r}")
        version = self.metadata.get("format", str(FORMAT))
        if not version.isdecimal() or len(version) > 9 or int(version) > FORMAT:
            raise SetupError(
                self.where,
                f"log format {FORMAT}",
                f"format {version[:20]}",
                "A newer livemon wrote this log: use that one",
            )
        at: dict[str, int] = {}
        for index, name in enumerate(names):
            if name in at and name in _AT:
                raise self._no_log(f"the column {name} twice")
            at[name] = index
        if "coolant_c" not in at:
            raise NoDataError(
                f"{self.where}: expected a column coolant_c, found {', '.join(names)[:400]}. "
                "Without the coolant reading there is nothing to forecast"
            )
        self.columns = tuple(names)
        self.unknown = tuple(name for name in names if name not in _AT)
        self._rows = RowReader(at, len(names), self._skip)
