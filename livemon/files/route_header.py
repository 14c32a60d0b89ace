"""A route in the header of a log, so that a drive with a route is replayed with the same one.

The grid is rounded once (`settled`), before the core sees it; the header line holds it packed, since a route of some
hundred kilometres as plain text would be longer than a line may be.  Knows nothing of route files.
"""

from __future__ import annotations

import base64
import binascii
import json
import zlib
from dataclasses import replace
from typing import Any, Final

import numpy as np

from livemon.core.route import Floats, Route
from livemon.errors import SetupError

MAX_POINTS: Final = 100_000
LONGEST_LINE: Final = 250_000
"""Just under what a reader of logs takes as one line; some 2000 km of mountain road."""
_MAX_TEXT: Final = 64 * MAX_POINTS
_SCALES: Final = {
    "distance_m": 10.0,
    "height_m": 10.0,
    "grade_pct": 100.0,
    "latitude_deg": 1e6,
    "longitude_deg": 1e6,
}
"""Steps per unit that a settled route keeps."""
_OPTIONAL: Final = ("latitude_deg", "longitude_deg")


def settled(route: Route) -> Route:
    """`route` as a replay gets it back: heights to 0.1 m, grades to 0.01 %, positions to 1e-6 degree."""
    columns: dict[str, Any] = {}
    for name, scale in _SCALES.items():
        column = getattr(route, name)
        columns[name] = None if column is None else _steps(column, name) / scale
    return replace(route, **columns)


def _steps(column: Floats, name: str) -> Floats:
    return np.rint(column * _SCALES[name])


def to_header(route: Route) -> str:
    """One line; exact for a settled route, since whole steps are written, each less the one before."""
    content: dict[str, Any] = {"name": route.name, "spikes": route.spikes}
    for name in _SCALES:
        column = getattr(route, name)
        content[name] = None if column is None else np.diff(_steps(column, name).astype(int), prepend=0).tolist()
    packed = zlib.compress(json.dumps(content, separators=(",", ":")).encode(), 9)
    text = base64.b64encode(packed).decode("ascii")
    if len(text) > LONGEST_LINE:
        raise SetupError("--route", "a route that fits into the header of a log", f"{len(route.distance_m)} points")
    return text


def from_header(text: str, log: str) -> Route:
    """The route in a log's header; SetupError when it is damaged."""
    try:
        unpacker = zlib.decompressobj()
        plain = unpacker.decompress(base64.b64decode(text, validate=True), _MAX_TEXT)
        if not unpacker.eof:
            raise ValueError("cut off, or too long")
        found = json.loads(plain)
        columns = {name: _column(found[name], name) for name in _SCALES}
        lengths = {len(column) for column in columns.values() if column is not None}
        if len(lengths) != 1 or not 2 <= next(iter(lengths)) <= MAX_POINTS:
            raise ValueError(f"columns of {sorted(lengths)} points")
        return Route(name=str(found["name"]), spikes=int(found["spikes"]), **columns)  # type: ignore[arg-type]  # see _column
    except (binascii.Error, zlib.error, ValueError, KeyError, TypeError, RecursionError, OverflowError) as failure:
        what = f"{type(failure).__name__}: {failure}"[:100]
        raise SetupError(f"{log}, header, route", "a packed route", what, "Give one with --route") from None


def _column(found: Any, name: str) -> Floats | None:
    """None only where a route may lack the column."""
    if found is None and name in _OPTIONAL:
        return None
    steps = np.cumsum(np.array(found, dtype=np.int64))
    return steps / _SCALES[name]
