"""What is remembered of the road from one second to the next: one value, of `road` and `height_filter`.

It knows no rules: how height and grade are filtered stands in `height_filter`, place, climb and view in `road`.
"""

from __future__ import annotations

from typing import NamedTuple


class RoadState(NamedTuple):
    """Filter (height [m], grade [fraction], covariance), climb finder and route follower; a value."""

    height_m: float | None = None
    grade: float = 0.0
    p_hh: float = 0.0
    p_hg: float = 0.0
    p_gg: float = 0.03**2
    sources: bool = False
    datum: bool = False
    """The height is that of GPS or route; before, it is one of its own, from standard air or from zero."""
    told: bool = False
    """GPS or route told the height at the last tick."""
    baro_kpa: float | None = None
    baro_off_m: float | None = None
    """Height less that of standard air at the barometer's reading: weather, and the sensor's error."""
    rejects: int = 0
    fix: tuple[float, float] | None = None
    frozen_s: int = 0
    level: tuple[float, float] | None = None
    """GPS height, and distance driven when it last moved."""
    driven_m: float = 0.0
    demand_sum: float = 0.0
    demand_n: int = 0
    # climb
    foot_m: float | None = None
    foot_at_m: float = 0.0
    foot_t_ms: int = 0
    top_m: float = 0.0
    top_at_m: float = 0.0
    climbing: bool = False
    passed: bool = False
    # route
    along_m: float | None = None
    along_var: float = 0.0
    off_s: int = 0
    by_fix: bool = False
    """The place was told by a fix, not by a start mark."""
    seen_m: float = 0.0
    """Driven at the last fix that agreed."""
    anchor: tuple[float, float, float] | None = None
    """Latitude, longitude and distance driven at an earlier fix, while the place is sought."""
    onward: tuple[float, float] = (0.0, 0.0)
    """Place and distance driven when direction was last looked at."""
    lost: bool = False
    marks: int = 0
