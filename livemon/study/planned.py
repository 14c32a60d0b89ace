"""The plan of a route as the small table that `watch` takes along: distance -> planned band, speed and air.

Made once, before the drive, from settings, profile and route alone, and rounded, so that the header of a recording is
enough to make the same table again.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from livemon.core.planned import PlannedRoad, PlanSettings
from livemon.core.route import Floats, Route
from livemon.core.vehicle import VehicleProfile
from livemon.study.plan import Way, Weather, plan

STEPS: Final = 600
EVERY_M: Final = 250.0
MOST_PLACES: Final = 1_000


def planned_road(route: Route, profile: VehicleProfile, outside_c: float, settings: PlanSettings) -> PlannedRoad:
    """The plan of driving `route` as `settings` say, in an outside air of `outside_c` at its foot."""
    gears = len(profile.body().gear_ratios)
    gear = min(settings.gear, gears) if settings.gear else None
    way = Way("as planned", settings.speed_kmh, gear, settings.ac)
    made = plan(route, profile, Weather(outside_c, settings.outside_top_c), [way], STEPS)[0]
    places = int(min(MOST_PLACES, max(2.0, route.length_m / EVERY_M + 1.0)))
    at = np.linspace(0.0, route.length_m, places)

    def column(values: Floats) -> Floats:
        return np.round(np.interp(at, made.distance_m, values), 1)

    return PlannedRoad(
        distance_m=np.round(at, 1),
        low_c=column(made.low_c),
        likely_c=column(made.likely_c),
        high_c=column(made.high_c),
        speed_kmh=column(made.speed_kmh),
        air_c=column(made.air_c),
    )
