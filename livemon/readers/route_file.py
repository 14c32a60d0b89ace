"""Opens a route file (GPX or CSV) and hands back the clean route; says what is wrong with one that cannot be used."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from livemon.core.route import Route, build, step_lengths_m
from livemon.errors import SetupError
from livemon.wire.route_text import parse_route

MAX_BYTES = 300_000_000


def read_route(path: Path) -> Route:
    """The route in `path`; SetupError for a file that is missing, too large, not a route, or without heights."""
    where = str(path)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise SetupError(where, f"a route of at most {MAX_BYTES} bytes", f"{path.stat().st_size} bytes")
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError as broken:
        raise SetupError(where, "a readable route file", broken.strerror or str(broken), "Check --route.") from broken
    points = parse_route(text, where)
    heights = np.array([np.nan if h is None else h for h in points.heights_m])
    latitude = longitude = None
    if points.positions_deg is not None:
        latitude, longitude = np.array(points.positions_deg).T
        distance = np.concatenate([[0.0], np.cumsum(step_lengths_m(latitude, longitude))])
    else:
        distance = np.array(points.distances_m)
    try:
        return build(points.name, distance, heights, latitude, longitude)
    except ValueError as broken:
        raise SetupError(where, str(broken), f"{len(heights)} points over {distance[-1]:.0f} m") from broken
