"""Raw points of a road, and the table of distance and height as text -> such points.

A table is what people type or a spreadsheet saves: comma, semicolon or tab between the columns, and a decimal comma
where a comma does not separate.  Returns what the file says and nothing more; cleaning is `core/route`'s.  A table that
cannot be used raises SetupError with row, expected and found.
"""

from __future__ import annotations

import csv
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.errors import SetupError

Floats = NDArray[np.float64]

MAX_POINTS: Final = 2_000_000
LOWEST_M: Final = -500.0
HIGHEST_M: Final = 9_000.0
"""No road lies outside: lowest shore and highest pass on Earth with room to spare; what is outside is not a height."""
NAN: Final = float("nan")
_DISTANCE: Final = {"distance_m": 1.0, "distance_km": 1000.0, "distance_mi": 1609.344, "distance_ft": 0.3048}
_HEIGHT: Final = {"height_m": 1.0, "altitude_m": 1.0, "height_ft": 0.3048, "altitude_ft": 0.3048}


@dataclass(frozen=True, slots=True)
class RoutePoints:
    """Raw points in order: positions [degree] or distances [m], the other None; heights [m], nan = missing."""

    name: str
    heights_m: Floats
    latitude_deg: Floats | None = None
    longitude_deg: Floats | None = None
    distances_m: Floats | None = None


def height_or_nan(text: str) -> float:
    """Height [m]; nan for an empty cell, for words such as nan, and for what lies on no road.  ValueError for others.

    Example: "412.5" -> 412.5, " " -> nan, "99999" (a device's word for unknown) -> nan.
    """
    try:
        value = float(text)
    except ValueError:
        if text.strip():
            raise
        return NAN
    return value if LOWEST_M <= value <= HIGHEST_M else NAN


def _rows(lines: list[str], between: str, where: str) -> Iterator[list[str]]:
    """Cells of each row; SetupError where the rules of CSV are broken, as by a quote that never closes."""
    rows = csv.reader(lines, delimiter=between)
    try:
        yield from rows
    except csv.Error as wrong:
        raise SetupError(f"{where}, line {rows.line_num}", "a row of a table", str(wrong)) from None


def parse_table(text: str, where: str) -> RoutePoints:
    """Columns distance_m|_km|_mi|_ft and height_m|_ft or altitude_m|_ft, named in the first row, in any order."""
    lines = [line for line in text.removeprefix("\ufeff").splitlines() if line.strip() and not line.startswith("#")]
    head = lines[0] if lines else ""
    between = max(";\t,", key=head.count)
    rows = _rows(lines, between, where)
    names = [name.strip().lower() for name in next(rows, [])]
    distance = next((n for n in names if n in _DISTANCE), None)
    height = next((n for n in names if n in _HEIGHT), None)
    if distance is None or height is None:
        wanted = f"columns {'|'.join(_DISTANCE)} and {'|'.join(_HEIGHT)}"
        found = ", ".join(names)[:80] or "none"
        raise SetupError(where, wanted, f"columns {found}", "Name the columns in the first row, with their unit.")
    twice = next((n for n in (distance, height) if names.count(n) > 1), None)
    if twice is not None:
        raise SetupError(where, f"one column {twice}", f"{names.count(twice)} of them", "Keep the one that is right")
    at_column, height_column = names.index(distance), names.index(height)
    distances, heights = array("d"), array("d")
    for number, row in enumerate(rows, start=2):
        if number > MAX_POINTS:
            raise SetupError(where, f"at most {MAX_POINTS} rows", "more", "Thin the table.")
        cells = row if between == "," else [cell.replace(",", ".") for cell in row]
        try:
            at = float(cells[at_column]) * _DISTANCE[distance]
            cell = cells[height_column] if len(cells) > height_column else ""
            level = height_or_nan(str(float(cell) * _HEIGHT[height]) if cell.strip() else "")
        except (IndexError, ValueError):
            raise SetupError(f"{where}, row {number}", "two numbers", repr(between.join(row)[:60])) from None
        if not abs(at) < 1e9:
            raise SetupError(f"{where}, row {number}", "a distance", repr(cells[at_column][:20]))
        if distances and at < distances[-1]:
            raise SetupError(f"{where}, row {number}", "a distance that grows", f"{at:g} m after {distances[-1]:g} m")
        distances.append(at)
        heights.append(level)
    level_m = np.array(heights)
    with_height = np.count_nonzero(np.isfinite(level_m))
    if with_height < 2:
        wanted = f"at least two rows with a height of {LOWEST_M:.0f} to {HIGHEST_M:.0f} m"
        raise SetupError(where, wanted, f"{with_height} in {len(heights)} rows", "Fill the height column.")
    return RoutePoints(where, level_m, distances_m=np.array(distances))
