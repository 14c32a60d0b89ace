"""Other ways of driving a climb that might keep it cooler, to be planned and compared, and which of them is gentler.

Where along the road each begins follows from where a first plan peaks.  Judges nothing: some of them do not help on a
given climb, and the plan says so.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from livemon.core.traction import turbine_rpm
from livemon.core.units import LENGTH, METRIC, SPEED, TEMPERATURE_STEP, Display, to_unit
from livemon.core.vehicle import VehicleProfile
from livemon.study.plan import Plan, Way

PEAK_GEAR_OVER_M: Final = 3_000.0
SLOWEST_KMH: Final = 30.0
SLOWER: Final = {"km/h": (10.0, 20.0, 30.0), "mph": (5.0, 10.0, 20.0)}
COOLER: Final = {"C": (4.0, 8.0), "F": (7.0, 14.0)}
STOP_S: Final = 600.0
RPM_RESERVE: Final = 0.05
"""A lower gear is proposed only so far under the rpm limit, as by the live advice: it is held for minutes."""


KINDS: Final = ("driving", "hour", "heater")
"""What a way asks for, by the first number of `burden`."""


def remedies(way: Way, plan_of_way: Plan, profile: VehicleProfile, units: Display = METRIC) -> list[Way]:
    """Other ways to try: A/C later or off, slower, a lower gear, cooler hours, a stop, heater.

    Slower is counted from the wished speed, or from what the engine holds on the hot part of the road where that is
    less, and with the lever held in the gear of that part: an automatic that shifts up as it slows would take fan and
    pump speed away.  Every figure in a name is round in `units`, and is the one that is planned.
    """
    peak_at = plan_of_way.peak_at_m
    gear, _, held_kmh = on_hot_part(plan_of_way)
    kmh, kelvin = SPEED.units[units.speed][0], TEMPERATURE_STEP.units[units.temperature][0]
    fastest = round(to_unit(min(way.speed_kmh, held_kmh), SPEED, units.speed))
    slower = [fastest - less for less in SLOWER[units.speed] if (fastest - less) * kmh >= SLOWEST_KMH]
    tries: list[Way] = []
    ac_on = way.ac_on and way.ac_off_from_m != 0.0
    off = "A/C off, " if ac_on else ""
    base = replace(way, ac_on=False, ac_off_from_m=None)
    if ac_on:
        far, words = _round_place(0.5 * min(peak_at, way.ac_off_from_m or peak_at), units)
        if far > 0.0:
            tries.append(replace(way, name=f"A/C off from {words}", ac_off_from_m=far))
        tries.append(replace(base, name="A/C off from the foot"))
    if gear > 1 and _turns(profile, gear - 1, fastest * kmh):
        tries.append(replace(base, name=f"{off}gear {gear - 1}", gear=gear - 1))
    for speed in slower:
        lower = gear - 1 if gear > 1 and _turns(profile, gear - 1, speed * kmh) else None
        for g in (gear, lower):
            if g is not None:
                name = f"{off}{speed:g} {units.speed}, gear {g}"
                tries.append(replace(base, name=name, speed_kmh=speed * kmh, gear=g))
    far, words = _round_place(0.6 * peak_at, units)
    if far > 0.0:
        tries.append(replace(base, name=f"{off}{STOP_S / 60.0:.0f} min stop at {words}", stop_at_m=far, stop_s=STOP_S))
    for first, start in (("", way), (off, base)) if ac_on else (("", way),):
        for degrees in COOLER[units.temperature]:
            name = f"{first}air {degrees:g} {units.temperature} cooler (hour)"
            tries.append(replace(start, name=name, cooler_c=degrees * kelvin))
    tries.append(replace(base, name=f"{off}heater full (hot inside)", heater_on=True))
    return tries


def burden(first: Plan, other: Plan) -> tuple[int, float, float]:
    """How hard a way is on the people, least first: sorts ways by what they ask, whatever they bring.

    First those driven in the same hour without the heater, by minutes lost and, of equal ones, A/C before engine speed;
    then another hour of the day, by how much cooler it must be; the heater last.
    """
    way = other.way
    kind = 2 if way.heater_on else 1 if way.cooler_c > 0.0 else 0
    lost = way.cooler_c if kind == 1 else round(float(other.time_s[-1] - first.time_s[-1]) / 60.0)
    rough = way.gear is not None and way.gear != first.way.gear
    return kind, lost, (0.0 if way.ac_on else 1.0) + (10.0 if rough else 0.0)


def _turns(profile: VehicleProfile, gear: int, speed_kmh: float) -> bool:
    """Whether the engine may turn for minutes on end as `gear` asks at this speed."""
    body, most = profile.body(), float(profile.engine().rpm_limit)
    return float(turbine_rpm(body, speed_kmh, body.gear_ratios[gear - 1])) <= (1.0 - RPM_RESERVE) * most


def on_hot_part(plan_of_way: Plan) -> tuple[int, float, float]:
    """The gear driven most, and middle rpm and speed [km/h] there, over the last kilometres before the peak.

    Not at the peak itself: that often comes just past a summit, when the box has already shifted up.
    """
    peak_at = plan_of_way.peak_at_m
    hot = (plan_of_way.distance_m <= peak_at) & (plan_of_way.distance_m > peak_at - PEAK_GEAR_OVER_M)
    columns = (plan_of_way.gear, plan_of_way.rpm, plan_of_way.speed_kmh)
    gear, rpm, kmh = (float(np.median(column[hot])) for column in columns)
    return int(gear), rpm, kmh


def _round_place(distance_m: float, units: Display) -> tuple[float, str]:
    """A place near `distance_m` that is round in `units` [m], and its name."""
    far = to_unit(distance_m, LENGTH, units.distance)
    far = round(far) if far >= 2.0 else round(far, 1)
    return far * LENGTH.units[units.distance][0], f"{far:g} {units.distance}"
