"""What the vehicle does not tell, and how much worse the forecast was without it, in words.

The figures are those of docs/benchmark.md ("Missing signals"): the same made-up borderline drives with less and less
told.  What was not measured is not given a figure.  Pure; screens, `probe` and `check` say the same words.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final, NamedTuple

HEAT: Final = frozenset({"absolute_load_pct", "load_pct", "map_kpa"})
"""With engine speed, each of these tells the heat made; air flow does so alone."""
AIR_FLOW: Final = "maf_g_s"
NAMES: Final = HEAT | {AIR_FLOW, "coolant_c", "rpm", "speed_kmh", "ambient_air_c"}
"""All that is asked about here."""

SLOW_S: Final = 2.0
MEASURED_SLOW_S: Final = 3.5
MEASURED: Final = "measured on 15 made-up drives near their limit; docs/benchmark.md"


class Lack(NamedTuple):
    """One thing that is missing, in words that fit a row of 60 characters; `costly` = a driver would notice."""

    words: str
    costly: bool


ALONE: Final = Lack("coolant alone: forecast 10 % worse, 30 % on steady grades", True)
NO_HEAT: Final = Lack("no engine load: not measured; coolant alone is 10 % worse", True)
NO_RPM: Final = Lack("no engine speed: not measured; coolant alone is 10 % worse", True)
NO_OUTSIDE: Final = Lack("no outside air told or typed: no loss measured", False)


def lacks(told: Collection[str], *, outside_typed: bool, coolant_each_s: float | None = None) -> tuple[Lack, ...]:
    """Everything that is missing, the costliest first; () where all is told, or where not even coolant is.

    `told`: names of the readings that come.  `coolant_each_s`: time between coolant readings, None = not known.
    """
    if "coolant_c" not in told:
        return ()
    found = []
    if not ({"rpm", "speed_kmh", AIR_FLOW} | HEAT) & set(told):
        found.append(ALONE)
    elif AIR_FLOW not in told and not ("rpm" in told and HEAT & set(told)):
        found.append(NO_RPM if HEAT & set(told) else NO_HEAT)
    if coolant_each_s is not None and coolant_each_s > MEASURED_SLOW_S:
        found.append(Lack(f"coolant each {coolant_each_s:.0f} s: not measured, 3 s costs nothing", True))
    elif coolant_each_s is not None and coolant_each_s >= SLOW_S:
        found.append(Lack(f"coolant each {coolant_each_s:.0f} s: no loss measured", False))
    if "ambient_air_c" not in told and not outside_typed:
        found.append(NO_OUTSIDE)
    return tuple(found)
