"""The line that says the drive has left its plan: whole for the passenger, a few words and only briefly for the driver.

Pure; rounds toward the worse side like the other figures.  Says nothing while the drive keeps to the plan's band.
"""

from __future__ import annotations

import math
from typing import Final

from livemon.core.outcome import Level, Outcome
from livemon.core.units import LENGTH, SPEED, Display, to_unit
from livemon.outputs.view_canvas import cut
from livemon.outputs.view_words import believed

FASTER_KMH: Final = 5.0
HOTTER_C: Final = 2.0
"""Less than these explains nothing."""
DRIVER_S: Final = 60.0
"""So long the driver is told that the plan does not hold; then only the passenger is."""


def passenger(outcome: Outcome, units: Display, width: int) -> list[str]:
    """One line, such as "4°C over plan since km 6: 12 km/h faster, air 3°C hotter"; none while on plan."""
    off = outcome.off_plan
    if off is None or not believed(outcome):
        return []
    degree = f"°{units.temperature}"
    since = f"{units.distance} {to_unit(1000.0 * off.since_km, LENGTH, units.distance):.0f}"
    head = f"{_whole(off.over_c, units)}{degree} {'over' if off.over_c > 0 else 'under'} plan since {since}"
    why = []
    faster = off.faster_kmh if off.over_c > 0 else -off.faster_kmh
    if faster >= FASTER_KMH:
        word = "faster" if off.over_c > 0 else "slower"
        why.append(f"{to_unit(faster, SPEED, units.speed):.0f} {units.speed} {word}")
    hotter = None if off.hotter_air_c is None else off.hotter_air_c if off.over_c > 0 else -off.hotter_air_c
    if hotter is not None and hotter >= HOTTER_C:
        word = "hotter" if off.over_c > 0 else "cooler"
        why.append(f"air {units.step(hotter):.0f}{degree} {word}")
    band = f"{_whole(off.past_band_c, units)}{degree} past its band"
    tries = [f"{head} ({band}){_because(why)}", f"{head}{_because(why)}", f"{head}{_because(why[:1])}"]
    return [next((line for line in tries if len(line) <= width), cut(head, width))]


def driver(outcome: Outcome, units: Display) -> str | None:
    """A few words, and only when it matters: new, hotter, and enough to bring the limit on this road."""
    off = outcome.off_plan
    if off is None or not believed(outcome) or outcome.level > Level.ADVISORY or outcome.limit_c is None:
        return None
    if off.over_c <= 0.0 or off.for_s > DRIVER_S or off.peak_c < outcome.limit_c:
        return None
    return f"{_whole(off.over_c, units)}°{units.temperature} over plan"


def _whole(value_c: float, units: Display) -> str:
    return f"{math.ceil(units.step(abs(value_c)) - 0.05):d}"


def _because(why: list[str]) -> str:
    return f": {', '.join(why)}" if why else ""
