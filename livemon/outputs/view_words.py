"""Words and numbers as people see them: cautions, level and status words, quantities in the display's units.

Everything is rounded toward the worse side (less margin, less time), and unknown is two dashes, never a zero.
"""

from __future__ import annotations

import math
from typing import Final

from livemon.core.outcome import Action, Band, Crossing, Level, Outcome, Status
from livemon.core.units import LENGTH, Display, to_unit
from livemon.outputs.view_canvas import Tone

CAUTION_SHORT: Final = "Estimates only: gauge and lamps win."
CAUTION_TINY: Final = "Gauge, lamps win."
CAUTION_WHOLE: Final[tuple[str, ...]] = (
    "Estimates only. Of dash gauge and this tool, the worse one counts; a warning lamp always wins.",
    "Set up before driving. The driver does not operate it while driving; a passenger may.",
    "The vehicle's own manual comes first.",
    "Hot coolant is under pressure: never open a hot cap. Steam: stay away, leave the bonnet shut.",
    "Have faults checked by a qualified mechanic. Local law says where you may stop.",
)
"""Shown whole on the start screen; sources in docs/safety.md."""

UNKNOWN: Final = "--"
DOWN_PCT: Final = -1.0
_STATUS_WORDS: Final[dict[Status, str]] = {
    Status.STARTING: "STARTING",
    Status.LIVE: "",
    Status.STALE: "NO DATA",
    Status.NO_LINK: "NO DATA",
    Status.NO_COOLANT: "NO DATA",
    Status.ENGINE_OFF: "ENGINE OFF",
}
STATUS_REASONS: Final[dict[Status, str]] = {
    Status.STARTING: "waiting for the first readings",
    Status.LIVE: "",
    Status.STALE: "no new readings",
    Status.NO_LINK: "no link to the vehicle",
    Status.NO_COOLANT: "no coolant reading",
    Status.ENGINE_OFF: "engine is off",
}


def tone_of(level: Level) -> Tone:
    return Tone[level.name]


def word_of(outcome: Outcome) -> str:
    """The one word: the level, or the state of the data while that is what counts."""
    status = _STATUS_WORDS[outcome.status]
    if outcome.level >= Level.CAUTION:
        return outcome.level.name
    return status or outcome.level.name


def believed(outcome: Outcome) -> bool:
    """Whether the figures may be shown as live."""
    return outcome.status in (Status.LIVE, Status.ENGINE_OFF) and outcome.trusted is not False


def reason_words(outcome: Outcome) -> str:
    """Why the level stands, and whether that is over; without a level, what is wrong with the data."""
    if not outcome.reason:
        return STATUS_REASONS[outcome.status]
    return f"{outcome.reason}, easing" if outcome.easing else outcome.reason


def age_words(outcome: Outcome, short: bool = False) -> str:
    """How old the newest reading is."""
    if outcome.age_s is None:
        return UNKNOWN if short else "no data yet"
    age = clock(outcome.age_s)
    return age.replace(" ", "") if short else f"data {age} old"


POSSIBLE_FROM: Final = 0.25
"""A crossing that is not the likely course, but no rarer: an advisory may stand for it, on a road ahead a caution."""


def not_foreseen(outcome: Outcome) -> str:
    """Whether a crossing that is not the likely course is "unlikely" or "possible": no calm beside a caution for it."""
    chances = [chance for _, chance in outcome.chance or ()]
    if outcome.road is not None and outcome.road.chance is not None:
        chances.append(outcome.road.chance)
    return "possible" if max(chances, default=0.0) >= POSSIBLE_FROM else "unlikely"


def clock(seconds: float) -> str:
    """A duration in the largest unit that does not flatter: 45 s, 3 min, 2 h."""
    if seconds < 100:
        return f"{math.ceil(seconds):d} s"
    return f"{math.ceil(seconds / 60):d} min" if seconds < 6000 else f"{math.ceil(seconds / 3600):d} h"


def temp(value_c: float | None, units: Display, unit: bool = True) -> str:
    """A temperature in whole degrees, rounded up."""
    if value_c is None:
        return UNKNOWN
    shown = f"{math.ceil(units.temp(value_c) - 0.05):d}"
    return f"{shown}°{units.temperature}" if unit else shown


def step(value_c: float | None, units: Display, sign: bool = False) -> str:
    """A difference in degrees, one decimal."""
    if value_c is None:
        return UNKNOWN
    return f"{units.step(value_c):{'+' if sign else ''}z.1f}"


def band(value: Band | None, units: Display) -> str:
    """A temperature with its 80 % band."""
    if value is None or value.likely is None:
        return UNKNOWN
    low, high = temp(value.low, units, unit=False), temp(value.high, units, unit=False)
    return f"{temp(value.likely, units)} ({low}..{high})"


def margin_number(outcome: Outcome, units: Display) -> tuple[str, bool]:
    """Whole degrees to the limit, rounded to the worse side, and whether the limit is passed."""
    if not believed(outcome) or outcome.margin_c is None or outcome.margin_c.likely is None:
        return UNKNOWN, False
    whole = math.floor(units.step(outcome.margin_c.likely) + 1e-9)
    return f"{min(abs(whole), 999):d}", whole < 0


def minutes_number(outcome: Outcome) -> str | None:
    """Whole minutes to the limit, rounded down; '<1' under one; None when there is nothing to count down."""
    if not believed(outcome) or outcome.crossing is not Crossing.KNOWN:
        return None
    if outcome.time_to_limit_s is None or outcome.time_to_limit_s.likely is None:
        return None
    if outcome.margin_c is not None and (outcome.margin_c.likely or 0.0) < 0:
        return None
    minutes = int(outcome.time_to_limit_s.likely // 60)
    return f"{min(minutes, 99):d}" if minutes >= 1 else "<1"


def minutes_band(outcome: Outcome) -> str:
    """The band of the time to the limit in whole minutes: '3..7', '3 or more'."""
    time = outcome.time_to_limit_s
    if time is None or time.low is None:
        return UNKNOWN
    low = int(time.low // 60)
    return f"{low} or more" if time.high is None else f"{low}..{math.ceil(time.high / 60)}"


PEAK_OVER_C: Final = 2.0
PEAK_FAR_S: Final = 60.0
"""A peak closer to now than these is no news to the driver."""


def road_line(outcome: Outcome, units: Display) -> str | None:
    """The road ahead in a few words for the driver, "peak 106°C in 8 km"; None where it brings nothing hotter."""
    road, now = outcome.road, outcome.estimate_c
    if road is None or not road.on_route or not believed(outcome) or now is None or now.likely is None:
        return None
    if (
        road.peak_c is None
        or road.peak_c.likely is None
        or road.peak_in_km is None
        or (road.peak_in_s or 0) < PEAK_FAR_S
    ):
        return None
    if road.peak_c.likely < now.likely + PEAK_OVER_C:
        return None
    far = to_unit(1000.0 * road.peak_in_km, LENGTH, units.distance)
    return f"peak {temp(road.peak_c.likely, units)} in {far:.{0 if far >= 10 else 1}f} {units.distance}"


def road_items(outcome: Outcome, units: Display) -> list[str]:
    """What the route says of the road ahead, most needed first; where the road is lost, only that."""
    road = outcome.road
    if road is None:
        return []
    if not road.on_route:
        return [road.words]
    items = []
    if road.peak_c is not None and road.peak_in_s is not None and believed(outcome):
        when = "now" if road.peak_in_s < 30 else f"in {clock(road.peak_in_s)}"
        items.append(f"peak ahead {band(road.peak_c, units)} {when}")
    if road.summit_in_km is not None:
        far = f"{to_unit(1000.0 * road.summit_in_km, LENGTH, units.distance):.1f} {units.distance}"
        soon = road.summit_in_s
        items.append(f"summit {far}" + (f", {clock(soon.likely)}" if soon is not None and soon.likely else ""))
        if road.chance is not None:
            items.append(f"limit before it {100 * road.chance:.0f}%")
        boil = road.summit_boil_margin_c
        if boil is not None:
            items.append(f"boils {step(boil.likely, units)}°{units.temperature} higher there")
    if road.words != "on the route":
        drift = "" if road.drift_km is None else f" +-{to_unit(1000.0 * road.drift_km, LENGTH, units.distance):.1f}"
        items.append(f"{road.words}{drift}{' ' + units.distance if drift else ''}")
    return items


def climb_items(outcome: Outcome, units: Display) -> list[str]:
    """The climb under way with its mean and present grade; going down from its summit, that."""
    climb, grade = outcome.climb, outcome.grade_pct
    now = None if grade is None else grade.likely
    if climb is None:
        return []
    if not climb.on:
        return ["past the summit"] if climb.passed and now is not None and now < DOWN_PCT else []
    if climb.gained_m is None:
        return []
    told = f"climbed {to_unit(climb.gained_m, LENGTH, units.length):.0f} {units.length}"
    if climb.minutes is not None:
        told += f" in {clock(60.0 * climb.minutes)}"
    if climb.average_grade_pct is not None:
        told += f", grade {climb.average_grade_pct:z.0f}%"
        told += "" if now is None else f" (now {now:z.0f}%)"
    return [told]


ACTION_NAMES: Final[dict[Action, str]] = {
    Action.AC_OFF: "A/C off",
    Action.DOWNSHIFT: "one gear down",
    Action.UPSHIFT: "one gear up",
    Action.SLOW_DOWN: "slower",
    Action.SPEED_UP: "faster",
    Action.HEATER_ON: "heater on",
    Action.FAN_ON: "electric fan on",
    Action.IDLE_NEUTRAL: "neutral",
    Action.RAISE_IDLE: "raised idle",
    Action.PULL_OVER: "pulled over",
    Action.STOP_ENGINE: "engine off",
    Action.WATCH_GAUGE: "watch the gauge",
    Action.KEEP_IDLING: "keep idling",
}
