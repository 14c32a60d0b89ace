"""A sheet of character cells that the views draw on, and the screen that comes out of it: lines of styled spans.

Pure text.  A cell has a character, a tone (what it means) and a look (how strongly it stands out); colours belong to
the console.  Only characters that stand in both code page 437 and the usual Linux console fonts are used; `ascii_only`
replaces them where even those cannot be had.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import Final


class Tone(Enum):
    """What a piece of text means; the console gives it a colour, the words and shapes say the same without."""

    PLAIN = "plain"
    DIM = "dim"
    NORMAL = "normal"
    ADVISORY = "advisory"
    CAUTION = "caution"
    WARNING = "warning"
    UNKNOWN = "unknown"
    FORECAST = "forecast"


class Look(Enum):
    """How strongly it stands out: text, bold, a bar (light and dark exchanged), or solid (the cell is filled)."""

    TEXT = "text"
    BOLD = "bold"
    BAR = "bar"
    SOLID = "solid"


FULL: Final = "█"
SHADE: Final = "░"
MARK: Final = "■"
_ASCII: Final = str.maketrans({FULL: "#", SHADE: ".", MARK: "o", "─": "-", "│": "|", "═": "=", "°": " "})


def ascii_only(text: str) -> str:
    """`text` in ASCII, character for character."""
    return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


@dataclass(frozen=True, slots=True)
class Span:
    """A run of characters of one tone and look."""

    text: str
    tone: Tone = Tone.PLAIN
    look: Look = Look.TEXT


Line = tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Screen:
    """A whole screen: `rows` lines of `columns` characters."""

    columns: int
    rows: int
    lines: tuple[Line, ...]

    def text(self) -> str:
        """The characters alone, a line each, without trailing blanks."""
        return "\n".join("".join(span.text for span in line).rstrip() for line in self.lines) + "\n"


_Cell = tuple[str, Tone, Look]
_BLANK: Final[_Cell] = (" ", Tone.PLAIN, Look.TEXT)


class Canvas:
    """A sheet of `columns` x `rows` cells; drawing outside it is cut off, never an error."""

    def __init__(self, columns: int, rows: int) -> None:
        self.columns, self.rows = columns, rows
        self._cells: list[list[_Cell]] = [[_BLANK] * columns for _ in range(rows)]

    def put(self, row: int, column: int, text: str, tone: Tone = Tone.PLAIN, look: Look = Look.TEXT) -> None:
        """Write `text` from (row, column) to the right."""
        if not 0 <= row < self.rows:
            return
        for offset, character in enumerate(text):
            if 0 <= column + offset < self.columns:
                self._cells[row][column + offset] = (character if character.isprintable() else "?", tone, look)

    def right(self, row: int, text: str, tone: Tone = Tone.PLAIN, look: Look = Look.TEXT) -> None:
        """Write `text` so that it ends at the right edge."""
        self.put(row, self.columns - len(text), text, tone, look)

    def bar(self, row: int, tone: Tone, look: Look) -> None:
        """Fill a whole row."""
        self.put(row, 0, " " * self.columns, tone, look)

    def stamp(self, row: int, column: int, mask: Iterable[str], tone: Tone, clear: bool = False) -> None:
        """Draw a mask: every character but a blank becomes a filled cell."""
        for down, line in enumerate(mask):
            for across, character in enumerate(line):
                if character != " ":
                    self.put(row + down, column + across, FULL, tone, Look.SOLID)
                elif clear:
                    self.put(row + down, column + across, " ")

    def screen(self) -> Screen:
        return Screen(self.columns, self.rows, tuple(_spans(row) for row in self._cells))


def _spans(cells: list[_Cell]) -> Line:
    spans: list[Span] = []
    for character, tone, look in cells:
        if spans and spans[-1].tone is tone and spans[-1].look is look:
            spans[-1] = Span(spans[-1].text + character, tone, look)
        else:
            spans.append(Span(character, tone, look))
    return tuple(spans)


def cut(text: str, width: int) -> str:
    """`text` shortened at a word to fit, with two dots where something is missing."""
    if len(text) <= width:
        return text
    if width <= 2:
        return text[: max(0, width)]
    short = text[: width - 2]
    head, _, _ = short.rpartition(" ")
    return (head if len(head) >= width // 2 else short) + ".."


def wrap(text: str, width: int) -> list[str]:
    """`text` broken at blanks into lines of at most `width`."""
    lines: list[str] = []
    for word in text.split():
        if lines and len(lines[-1]) + 1 + len(word) <= width:
            lines[-1] += " " + word
        else:
            lines.append(word[:width])
    return lines
