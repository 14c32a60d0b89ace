"""Big digits and shapes as masks of characters, at any size from 3 rows up.

Digits are drawn from seven strokes, about 0.7 times as wide as high (a character cell is twice as high as wide), the
proportion ISO 15008 asks of in-vehicle characters (0.65 to 0.80, as quoted by a font checker).  Each level has its own
outline, so that it is told without colour.
"""

from __future__ import annotations

from typing import Final

from livemon.core.outcome import Level

_CELL_ASPECT: Final = 2.0
_WIDTH_OVER_HEIGHT: Final = 0.7
# Strokes: top, upper left, upper right, middle, lower left, lower right, bottom.
_STROKES: Final[dict[str, str]] = {
    "0": "tabcde",
    "1": "be",
    "2": "tbmcd",
    "3": "tbmed",
    "4": "abme",
    "5": "tamed",
    "6": "tamced",
    "7": "tbe",
    "8": "tabmced",
    "9": "tabmed",
    "-": "m",
    " ": "",
}
# named: t top, a upper left, b upper right, m middle, c lower left, e lower right, d bottom


def digit_width(rows: int) -> int:
    """Width of one digit [characters] for a height of `rows`."""
    return max(3, round(rows * _CELL_ASPECT * _WIDTH_OVER_HEIGHT))


def gap_width(rows: int) -> int:
    """Space between two digits [characters]."""
    return max(1, round(rows * 0.3))


def number_width(text: str, rows: int) -> int:
    """Width of `text` in digits `rows` high [characters]."""
    return sum(_width(character, rows) for character in text) + (len(text) - 1) * gap_width(rows)


def _width(character: str, rows: int) -> int:
    return (2 * max(2, round(rows / 4)) | 1) + 1 if character == "°" else digit_width(rows)


def number(text: str, rows: int) -> tuple[str, ...]:
    """Mask of `text` (digits, '-', '<', '°', blanks), `rows` high; ValueError on any other character."""
    masks = [_digit(character, rows) for character in text]
    gap = " " * gap_width(rows)
    return tuple(gap.join(mask[row] for mask in masks) for row in range(rows))


def _digit(character: str, rows: int) -> tuple[str, ...]:
    if rows < 3:
        raise ValueError(f"big digits need at least 3 rows, found {rows}")
    width = digit_width(rows)
    if character == "<":
        return _less_than(width, rows)
    if character == "°":
        return _degree(_width(character, rows), rows)
    if character not in _STROKES:
        raise ValueError(f"a digit, '-', '<', '°' or a blank, found {character!r}")
    strokes = _STROKES[character]
    thick = max(1, round(rows / 6))
    wide = max(1 if rows < 5 else 2, round(thick * _CELL_ASPECT))
    cells = [[" "] * width for _ in range(rows)]
    middle = (rows - thick) // 2
    upper, lower = range(0, middle + thick), range(middle, rows)
    areas = {
        "t": (range(0, thick), range(width)),
        "m": (range(middle, middle + thick), range(width)),
        "d": (range(rows - thick, rows), range(width)),
        "a": (upper, range(0, wide)),
        "b": (upper, range(width - wide, width)),
        "c": (lower, range(0, wide)),
        "e": (lower, range(width - wide, width)),
    }
    for stroke in strokes:
        down, across = areas[stroke]
        for row in down:
            for column in across:
                cells[row][column] = "#"
    return tuple("".join(row) for row in cells)


def _less_than(width: int, rows: int) -> tuple[str, ...]:
    half = (rows - 1) / 2
    lines = []
    for row in range(rows):
        start = round(abs(row - half) / half * (width - 3))
        lines.append((" " * start + "###").ljust(width)[:width])
    return tuple(lines)


def _degree(width: int, rows: int) -> tuple[str, ...]:
    """A small frame at the top; its hole is the sign of degrees."""
    high = max(3, round(rows / 3))
    side = "##" if width > 5 else "#"
    frame = ["#" * width, *[side + " " * (width - 2 * len(side)) + side] * (high - 2), "#" * width]
    return (*frame, *[" " * width] * (rows - high))


def shape_width(rows: int) -> int:
    """Width of a shape `rows` high [characters], so that it looks as wide as high."""
    return round(rows * _CELL_ASPECT) | 1


def shape(level: Level, rows: int) -> tuple[str, ...]:
    """Mask of the level's outline: ring, solid diamond, open triangle, solid eight-corner, broken frame."""
    width = shape_width(rows)
    half_w, half_h = (width - 1) / 2, (rows - 1) / 2
    lines = []
    for row in range(rows):
        y = (row - half_h) / half_h
        line = ""
        for column in range(width):
            x = (column - half_w) / half_w
            line += "#" if _inside(level, x, y, 2.4 / rows) else " "
        lines.append(line.rstrip())
    return tuple(lines)


def _inside(level: Level, x: float, y: float, stroke: float) -> bool:
    """Whether the point (x right, y down, both -1 to 1) belongs to the level's shape."""
    ax, ay = abs(x), abs(y)
    if level is Level.WARNING:
        eight_corner = ax + ay <= 1.45
        exclamation = ax <= 0.16 and (-0.75 <= y <= 0.2 or 0.45 <= y <= 0.75)
        return eight_corner and not exclamation
    if level is Level.CAUTION:
        depth = (y + 1) / 2 - ax
        return depth >= -0.02 and (depth <= stroke * 0.75 or y >= 1 - stroke * 0.6)
    if level is Level.ADVISORY:
        return ax + ay <= 1.02
    if level is Level.NORMAL:
        return (1 - stroke) ** 2 <= x * x + y * y <= 1.1
    return max(ax, ay) > 1 - stroke * 0.7 and (ax > 0.35) == (ay > 0.35)


SIGNS: Final[dict[Level, str]] = {
    Level.UNKNOWN: "[?]",
    Level.NORMAL: "( )",
    Level.ADVISORY: "< >",
    Level.CAUTION: "/!\\",
    Level.WARNING: "[!!]",
}
"""The same outlines in one line of text."""
