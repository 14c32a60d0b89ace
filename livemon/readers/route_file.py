"""Opens a route file (GPX, or a table of distance and height) and hands back the clean route.

Says what is wrong with a file that cannot be used: missing, torn, without heights, or of grades that no road has.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from livemon.core.route import Route, build, step_lengths_m
from livemon.errors import SetupError, printable
from livemon.wire.gpx_text import parse_gpx
from livemon.wire.route_text import Floats, RoutePoints, parse_table

MAX_BYTES: Final = 300_000_000
PIECE: Final = 1 << 16
STEEPEST_PCT: Final = 35.0
"""Steepest public streets are some 35 % (common practice, no source); a route mostly beyond is in wrong units."""
AWAY_M: Final = 500.0
"""One point that leaves the line between its neighbours by this and ten times their distance is a jump of the GPS."""


def read_route(path: Path) -> Route:
    """The route in `path`; SetupError for a file that is missing, too large, not a route, or without heights."""
    where = str(path)
    try:
        if path.stat().st_size > MAX_BYTES:
            todo = "Cut it to the climb, or thin its points."
            raise SetupError(where, f"a route of at most {MAX_BYTES // 10**6} MB", f"{path.stat().st_size} bytes", todo)
        points = _points(path, where)
    except OSError as broken:
        raise SetupError(where, "a readable route file", broken.strerror or str(broken), "Check its name.") from broken
    return _cleaned(points, where)


def _points(path: Path, where: str) -> RoutePoints:
    with path.open("rb") as file:
        pieces = _pieces(file.read(PIECE), iter(lambda: file.read(PIECE), b""))
        start = next(pieces)
        if start.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] in (b"<", b"\xff", b"\xfe"):
            return parse_gpx(_pieces(start, pieces), where)
        rest = b"".join((start, *pieces))
    return parse_table(rest.decode("utf-8", errors="replace"), where)


def _pieces(first: bytes, rest: Iterator[bytes]) -> Iterator[bytes]:
    yield first
    yield from rest


def _cleaned(points: RoutePoints, where: str) -> Route:
    heights, latitude, longitude = points.heights_m, points.latitude_deg, points.longitude_deg
    jumps = 0
    if latitude is not None and longitude is not None:
        stays = _stays(latitude, longitude)
        jumps = int(np.count_nonzero(~stays))
        heights, latitude, longitude = heights[stays], latitude[stays], longitude[stays]
        distance = np.concatenate([[0.0], np.cumsum(step_lengths_m(latitude, longitude))])
    else:
        assert points.distances_m is not None  # one of the two is there
        distance = points.distances_m
    found = f"{len(heights)} points over {distance[-1] - distance[0]:.0f} m"
    try:
        route = build(points.name, distance, heights, latitude, longitude)
    except ValueError as broken:
        raise SetupError(where, str(broken), found, "Is the distance in the unit its column says?") from broken
    usual = float(np.median(np.abs(route.grade_pct)))
    if usual > STEEPEST_PCT:
        wanted, todo = f"a road of under {STEEPEST_PCT:.0f} %", "Are distance and height in the units they claim?"
        raise SetupError(where, wanted, f"half of it steeper than {usual:.0f} %", todo)
    name = printable(route.name if route.name != where else Path(where).stem)
    return replace(route, name=name, spikes=route.spikes + jumps)


def _stays(latitude: Floats, longitude: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """False for single points far off the line between their neighbours, there and back again."""
    stays = np.ones(len(latitude), dtype=bool)
    if len(latitude) < 3:
        return stays
    steps = step_lengths_m(latitude, longitude)
    if float(steps.max()) <= AWAY_M:
        return stays  # the usual case: nothing is far from anything
    pairs = np.empty((2, 2 * len(latitude) - 4))
    for row, values in enumerate((latitude, longitude)):
        pairs[row, 0::2], pairs[row, 1::2] = values[:-2], values[2:]
    across = step_lengths_m(pairs[0], pairs[1])[0::2]
    stays[1:-1] = steps[:-1] + steps[1:] <= 10.0 * across + 2.0 * AWAY_M
    return stays
