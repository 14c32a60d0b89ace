"""Other ways of driving a climb that might keep it cooler, the gentlest first, to be planned and compared.

Where along the road each begins follows from where a first plan peaks.  Judges nothing: some of them do not help on a
given climb, and the plan says so.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from livemon.core.units import LENGTH, METRIC, SPEED, TEMPERATURE_STEP, Display, to_unit
from livemon.study.plan import Plan, Way

PEAK_GEAR_OVER_M: Final = 3_000.0
SLOWEST_KMH: Final = 30.0
SLOWER: Final = {"km/h": (10.0, 20.0, 30.0), "mph": (5.0, 10.0, 20.0)}
COOLER: Final = {"C": (4.0, 8.0), "F": (7.0, 14.0)}
STOP_S: Final = 600.0


def remedies(way: Way, plan_of_way: Plan, units: Display = METRIC) -> list[Way]:
    """Other ways to try, the gentlest first: A/C later or off, slower, a lower gear, cooler hours, a stop, heater.

    Slower means with the lever held in the gear of the hot part: an automatic that shifts up as it slows would take
    fan and pump speed away.  Steps and names are round in `units`.
    """
    peak_at = plan_of_way.peak_at_m
    gear = _gear_of_hot_part(plan_of_way)
    kmh, kelvin = SPEED.units[units.speed][0], TEMPERATURE_STEP.units[units.temperature][0]
    slower = [less for less in SLOWER[units.speed] if way.speed_kmh - less * kmh >= SLOWEST_KMH]
    tries: list[Way] = []
    ac_on = way.ac_on and way.ac_off_from_m != 0.0
    if ac_on:
        half = 0.5 * min(peak_at, way.ac_off_from_m or peak_at)
        if half > 0.0:
            tries.append(replace(way, name=f"A/C off from {_far(half, units)}", ac_off_from_m=half))
        tries.append(replace(way, name="A/C off from the foot", ac_on=False, ac_off_from_m=None))
    off = "A/C off, " if ac_on else ""
    base = replace(way, ac_on=False, ac_off_from_m=None)
    for less in slower:
        name = f"{off}{less:g} {units.speed} slower, gear {gear}"
        tries.append(replace(base, name=name, speed_kmh=way.speed_kmh - less * kmh, gear=gear))
    if gear > 1:
        tries.append(replace(base, name=f"{off}gear {gear - 1}", gear=gear - 1))
        for less in slower[:1]:
            name = f"{off}{less:g} {units.speed} slower, gear {gear - 1}"
            tries.append(replace(base, name=name, speed_kmh=way.speed_kmh - less * kmh, gear=gear - 1))
    for degrees in COOLER[units.temperature]:
        name = f"air {degrees:g} {units.temperature} cooler (hour)"
        tries.append(replace(way, name=name, cooler_c=degrees * kelvin))
    stop_at = 0.6 * peak_at
    if stop_at > 0.0:
        name = f"{off}{STOP_S / 60.0:.0f} min stop at {_far(stop_at, units)}"
        tries.append(replace(base, name=name, stop_at_m=stop_at, stop_s=STOP_S))
    tries.append(replace(base, name=f"{off}heater full (hot inside)", heater_on=True))
    return tries


def _gear_of_hot_part(plan_of_way: Plan) -> int:
    """The gear driven most over the last kilometres before the peak."""
    peak_at = plan_of_way.peak_at_m
    hot = (plan_of_way.distance_m <= peak_at) & (plan_of_way.distance_m > peak_at - PEAK_GEAR_OVER_M)
    return int(np.median(plan_of_way.gear[hot]))


def _far(distance_m: float, units: Display) -> str:
    return f"{to_unit(distance_m, LENGTH, units.distance):.0f} {units.distance}"
