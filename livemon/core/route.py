"""A route as a line of distance and height, and where on it the vehicle is.

Raw points are cleaned of spikes once (`build`), put on an even grid, and then only looked at.  Matching searches near
the last place first, so a switchback is not mistaken for the road above it.  Knows nothing of files or GPS sentences.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GRID_M: Final = 50.0
SMOOTH_M: Final = 75.0
"""Standard deviation of the height smoothing along the road: map heights carry metres of noise."""
SPIKE_PCT: Final = 40.0
"""No paved pass is steeper over 50 m (common practice, no source: steepest public streets are some 35 %)."""
NEAR_M: Final = 3_000.0
OFF_ROUTE_M: Final = 120.0
ON_ROUTE_M: Final = 60.0
"""So near a position must lie for its place to be believed at first; half the distance at which it is lost."""
_MOST_CANDIDATES: Final = 64
_WGS84_A: Final = 6_378_137.0
_WGS84_E2: Final = 6.694379990141317e-3


@dataclass(frozen=True, slots=True)
class Route:
    """Even grid along the road: distance [m] from its start, height [m], grade [%], and position where it is known."""

    name: str
    distance_m: Floats
    height_m: Floats
    grade_pct: Floats
    latitude_deg: Floats | None
    longitude_deg: Floats | None
    spikes: int
    """Raw points whose height could not be true and was bridged."""
    hole_m: float = field(default=0.0, compare=False)
    """Of a recorded track, the longest stretch between two heights that are believed: taken as one straight line."""

    @property
    def length_m(self) -> float:
        return float(self.distance_m[-1])

    def height_at(self, distance_m: float) -> float:
        return float(np.interp(distance_m, self.distance_m, self.height_m))

    def grade_at(self, distance_m: float) -> float:
        return float(np.interp(distance_m, self.distance_m, self.grade_pct))

    def summit_after(self, distance_m: float) -> tuple[float, float]:
        """(distance, height) of the highest point from here on [m]."""
        first = min(int(np.searchsorted(self.distance_m, distance_m)), len(self.distance_m) - 1)
        top = first + int(np.argmax(self.height_m[first:]))
        return float(self.distance_m[top]), float(self.height_m[top])


def step_lengths_m(latitude_deg: Floats, longitude_deg: Floats) -> Floats:
    """Length of each step between neighbouring points [m]: WGS 84 radii of curvature at the step's middle.

    Within 1e-5 of the geodesic for steps up to 10 km (checked against geographiclib); n points give n - 1 lengths.
    """
    lat = np.radians(latitude_deg)
    middle = 0.5 * (lat[1:] + lat[:-1])
    turn = np.diff(np.asarray(longitude_deg))
    turn = np.radians((turn + 180.0) % 360.0 - 180.0)
    root = 1.0 - _WGS84_E2 * np.sin(middle) ** 2
    north = _WGS84_A * (1.0 - _WGS84_E2) / root**1.5 * np.diff(lat)
    east = _WGS84_A / np.sqrt(root) * np.cos(middle) * turn
    return np.asarray(np.hypot(north, east))


def build(
    name: str,
    distance_m: Floats,
    height_m: Floats,
    latitude_deg: Floats | None = None,
    longitude_deg: Floats | None = None,
) -> Route:
    """Clean raw points (any spacing, distance not falling) into an even, smoothed route.

    ValueError says what is wrong when fewer than two distinct places are left.
    """
    distance, first = np.unique(np.asarray(distance_m, dtype=np.float64), return_index=True)
    height = np.asarray(height_m, dtype=np.float64)[first]
    known = np.isfinite(height)
    if int(np.count_nonzero(known)) < 2 or distance[-1] - distance[0] < GRID_M:
        raise ValueError(f"at least two places with heights and {GRID_M:g} m between them")
    start, end = float(distance[0]), float(distance[-1])
    position = (
        (np.asarray(latitude_deg)[first], np.asarray(longitude_deg)[first])
        if latitude_deg is not None and longitude_deg is not None
        else None
    )
    kept, spikes = _without_spikes(distance[known], height[known])
    grid = np.linspace(start, end, max(2, round((end - start) / GRID_M) + 1))
    level = _smooth(np.interp(grid, *kept), SMOOTH_M / (grid[1] - grid[0]))
    return Route(
        name=name,
        distance_m=grid - start,
        height_m=level,
        grade_pct=100.0 * np.gradient(level, grid),
        latitude_deg=None if position is None else np.interp(grid, distance, position[0]),
        longitude_deg=None if position is None else np.interp(grid, distance, position[1]),
        spikes=spikes,
        hole_m=0.0 if position is None else float(np.max(np.diff(kept[0]), initial=0.0)),
    )


def _without_spikes(distance: Floats, height: Floats) -> tuple[tuple[Floats, Floats], int]:
    """Points far from the running median of their five neighbours, for the distance spanned, are left out."""
    if len(height) < 5:
        return (distance, height), 0
    around = np.lib.stride_tricks.sliding_window_view(np.pad(height, 2, mode="edge"), 5)
    span = np.pad(distance, 2, mode="edge")
    reach = span[4:] - span[:-4]
    allowed = np.maximum(15.0, SPIKE_PCT / 100.0 * reach)
    good = np.abs(height - np.median(around, axis=1)) <= allowed
    return (distance[good], height[good]), int(np.count_nonzero(~good))


def _smooth(values: Floats, sigma: float) -> Floats:
    """Gaussian smoothing with the ends held, so that a constant grade keeps its grade inside."""
    half = int(np.ceil(3.0 * sigma))
    weights = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
    if len(values) > half:
        padded = np.pad(values, half, mode="reflect", reflect_type="odd")
    else:
        padded = np.pad(values, half, mode="edge")
    total = np.zeros(len(values))
    for shift, weight in enumerate(weights):  # written out: library convolutions may add in another order elsewhere
        total += weight * padded[shift : shift + len(values)]
    return np.asarray(total / np.sum(weights))


def _aside(route: Route, latitude_deg: float, longitude_deg: float, first: int, last: int) -> tuple[Floats, Floats]:
    """(place along the route, distance from it) [m] of the closest point of each piece of the grid first..last."""
    assert route.latitude_deg is not None
    assert route.longitude_deg is not None
    root = 1.0 - _WGS84_E2 * np.sin(np.radians(latitude_deg)) ** 2
    north = np.radians(route.latitude_deg[first:last] - latitude_deg) * _WGS84_A * (1.0 - _WGS84_E2) / root**1.5
    turn = (route.longitude_deg[first:last] - longitude_deg + 180.0) % 360.0 - 180.0
    east = np.radians(turn) * _WGS84_A / np.sqrt(root) * np.cos(np.radians(latitude_deg))
    dn, de = np.diff(north), np.diff(east)
    share = np.clip(-(north[:-1] * dn + east[:-1] * de) / np.maximum(dn * dn + de * de, 1e-9), 0.0, 1.0)
    away = np.hypot(north[:-1] + share * dn, east[:-1] + share * de)
    at = route.distance_m[first : last - 1] + share * np.diff(route.distance_m[first:last])
    return np.asarray(at), np.asarray(away)


def _window(route: Route, near_m: float, reach_m: float) -> tuple[int, int]:
    """First and past-last grid point within `reach_m` of a place; never fewer than two."""
    first = max(0, int(np.searchsorted(route.distance_m, near_m - reach_m)) - 1)
    last = min(len(route.distance_m), int(np.searchsorted(route.distance_m, near_m + reach_m)) + 1)
    return (first, last) if last - first >= 2 else (max(0, last - 2), max(2, last))


def match(
    route: Route, latitude_deg: float, longitude_deg: float, near_m: float | None, reach_m: float = NEAR_M
) -> tuple[float, float] | None:
    """(distance along the route, distance from it) [m] of the closest place; None for a route without positions.

    With `near_m` only the road within `reach_m` of it is searched: a pass may come back within sight of itself.
    """
    if route.latitude_deg is None or route.longitude_deg is None:
        return None
    first, last = (0, len(route.distance_m)) if near_m is None else _window(route, near_m, reach_m)
    at, away = _aside(route, latitude_deg, longitude_deg, first, last)
    best = int(np.argmin(away))
    return float(at[best]), float(away[best])


def locate(
    route: Route, before: tuple[float, float], now: tuple[float, float], driven_m: float, within_m: float = ON_ROUTE_M
) -> float | None:
    """Distance along the route [m] from two positions, (latitude, longitude), that were driven `driven_m` apart.

    Only a place where both lie by the route, the earlier one as far back as was driven, counts: one position alone
    cannot tell the way up from the way down, nor a road above from the road below.  Of several the best fit, of equal
    ones (a loop driven twice) the first.
    """
    if route.latitude_deg is None or route.longitude_deg is None:
        return None
    at, away = _aside(route, *now, 0, len(route.distance_m))
    near = np.flatnonzero(away <= within_m)
    if not near.size:
        return None
    best, fit = None, 2.0 * within_m
    for group in np.split(near, np.flatnonzero(np.diff(near) > 1) + 1)[:_MOST_CANDIDATES]:
        place = group[int(np.argmin(away[group]))]
        slack = max(50.0, 0.25 * driven_m)
        first, last = _window(route, float(at[place]) - driven_m, slack)
        at_then, away_then = _aside(route, *before, first, last)
        then = int(np.argmin(away_then))
        gone = float(at[place]) - float(at_then[then])
        if abs(gone - driven_m) > slack + GRID_M:
            continue
        total = float(away[place] + away_then[then])
        if away_then[then] <= within_m and total < fit - 1.0:
            best, fit = float(at[place]), total
    return best
