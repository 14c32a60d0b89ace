"""Route files as text -> raw points: GPX 1.0 and 1.1, and CSV of distance and height.

GPX is read with the standard library's XML parser: gpxpy, the usual library, needs 3 s for 100,000 points where a plan
may take 2 s in all; tests hold the two against each other.
Returns what the file says and nothing more; cleaning is `core/route`'s.  A file that cannot be used raises SetupError
with what was expected and found.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from typing import Final
from xml.etree import ElementTree

from livemon.errors import SetupError

MAX_POINTS: Final = 2_000_000
_DISTANCE: Final = {"distance_m": 1.0, "distance_km": 1000.0, "distance_mi": 1609.344}
_HEIGHT: Final = {"height_m": 1.0, "altitude_m": 1.0, "height_ft": 0.3048}


@dataclass(frozen=True, slots=True)
class RoutePoints:
    """Raw points in order: positions or distances [m], heights [m]; a missing height is None."""

    name: str
    heights_m: tuple[float | None, ...]
    positions_deg: tuple[tuple[float, float], ...] | None
    distances_m: tuple[float, ...] | None


def parse_gpx(text: str, where: str) -> RoutePoints:
    """Points of the first track that has any, else of the first route (GPX 1.0 and 1.1)."""
    try:
        root = ElementTree.fromstring(text.lstrip("\ufeff \t\r\n"))
    except ElementTree.ParseError as broken:
        raise SetupError(where, "a GPX 1.0 or 1.1 file", str(broken), "Export the route again as GPX.") from broken
    space = root.tag[: root.tag.index("}") + 1] if root.tag.startswith("{") else ""
    if root.tag != f"{space}gpx":
        raise SetupError(where, "a GPX 1.0 or 1.1 file", f"an XML file of <{root.tag.removeprefix(space)[:40]}>")
    for kind, step in (("trk", f"{space}trkseg/{space}trkpt"), ("rte", f"{space}rtept")):
        for line in root.findall(f"{space}{kind}"):
            points = line.findall(step)
            if points:
                return _points(line.findtext(f"{space}name") or where, points, f"{space}ele", where)
    raise SetupError(where, "a track or route with points", "none", "Waypoints alone are not a road.")


def _points(name: str, points: list[ElementTree.Element], height_tag: str, where: str) -> RoutePoints:
    if len(points) > MAX_POINTS:
        raise SetupError(where, f"at most {MAX_POINTS} points", f"{len(points)}", "Thin the route.")
    places, heights = [], []
    for number, point in enumerate(points, start=1):
        try:
            latitude, longitude = float(point.attrib["lat"]), float(point.attrib["lon"])
            cell = point.findtext(height_tag)
            height = float(cell) if cell and cell.strip() else None
        except (KeyError, ValueError):
            raise SetupError(
                f"{where}, point {number}", "numbers in lat, lon and ele", str(point.attrib)[:80]
            ) from None
        if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
            raise SetupError(f"{where}, point {number}", "a place on Earth", f"{latitude:g}, {longitude:g}")
        places.append((latitude, longitude))
        heights.append(height)
    if sum(h is not None for h in heights) < 2:
        raise SetupError(where, "heights (<ele>) at the points", "none", "Use an export that includes elevation.")
    return RoutePoints(name, tuple(heights), tuple(places), None)


def parse_csv(text: str, where: str) -> RoutePoints:
    """Columns distance_m|_km|_mi and height_m|altitude_m|height_ft, header row first."""
    rows = csv.DictReader(line for line in text.splitlines() if line.strip() and not line.startswith("#"))
    names = [n.strip() for n in rows.fieldnames or []]
    rows.fieldnames = names
    distance = next((n for n in names if n in _DISTANCE), None)
    height = next((n for n in names if n in _HEIGHT), None)
    if distance is None or height is None:
        wanted = f"columns {'|'.join(_DISTANCE)} and {'|'.join(_HEIGHT)}"
        raise SetupError(where, wanted, f"columns {', '.join(names) or 'none'}", "Name the columns in the first row.")
    distances: list[float] = []
    heights: list[float | None] = []
    for number, row in enumerate(rows, start=2):
        try:
            at = float(row[distance]) * _DISTANCE[distance]
            cell = (row[height] or "").strip()
            heights.append(float(cell) * _HEIGHT[height] if cell else None)
        except (TypeError, ValueError):
            raise SetupError(f"{where}, row {number}", "two numbers", str(list(row.values())[:4])) from None
        if distances and at < distances[-1]:
            raise SetupError(f"{where}, row {number}", "a distance that grows", f"{at:g} m after {distances[-1]:g} m")
        distances.append(at)
    if sum(h is not None for h in heights) < 2:
        raise SetupError(where, "at least two rows with heights", f"{len(heights)} rows")
    return RoutePoints(where, tuple(heights), None, tuple(distances))


def parse_route(text: str, where: str) -> RoutePoints:
    """GPX when the text looks like XML, else CSV."""
    return parse_gpx(text, where) if text.lstrip("\ufeff \t\r\n").startswith("<") else parse_csv(text, where)
