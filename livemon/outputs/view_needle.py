"""Where the dash needle would stand now: many are damped to sit in the middle over a wide range of temperatures.

From a few points (temperature, place between 0 = cold end and 1 = hot end) read off the own dash, a straight line
between them.  Knows nothing of the real needle: if that stands higher than shown here, the real one counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from livemon.core.units import Display
from livemon.outputs.view_words import temp

_FLAT_PLACE_PER_K: Final = 0.004
"""A needle that moves less than this is standing still for the eye: 10 K move it by 4 % of its sweep."""


@dataclass(frozen=True, slots=True)
class Needle:
    """Points (temperature [degC], place 0 to 1), rising; the default is common practice, no source."""

    points: tuple[tuple[float, float], ...] = ((50.0, 0.0), (80.0, 0.5), (112.0, 0.52), (120.0, 0.8), (126.0, 1.0))

    def __post_init__(self) -> None:
        if len(self.points) < 2:
            raise ValueError(f"needle: expected at least two points, found {len(self.points)}")
        for (t0, p0), (t1, p1) in pairwise(self.points):
            if not (t0 < t1 and 0 <= p0 <= p1 <= 1):
                raise ValueError(
                    "needle: expected rising temperatures with places from 0 (cold) to 1 (hot) that never fall, "
                    f"found {t0:g} at {p0:g} before {t1:g} at {p1:g}"
                )


def place(temperature_c: float, needle: Needle) -> float:
    """Place of the needle, 0 = cold end, 1 = hot end; it rests on its pins outside the points."""
    first, last = needle.points[0], needle.points[-1]
    if temperature_c <= first[0]:
        return first[1]
    for (t0, p0), (t1, p1) in pairwise(needle.points):
        if temperature_c <= t1:
            return p0 + (p1 - p0) * (temperature_c - t0) / (t1 - t0)
    return last[1]


def flat_range_c(needle: Needle) -> tuple[float, float] | None:
    """The widest run of temperatures over which the needle practically does not move."""
    runs: list[tuple[float, float]] = []
    for (t0, p0), (t1, p1) in pairwise(needle.points):
        if (p1 - p0) / (t1 - t0) <= _FLAT_PLACE_PER_K:
            if runs and runs[-1][1] == t0:
                runs[-1] = (runs[-1][0], t1)
            else:
                runs.append((t0, t1))
    return max(runs, key=lambda run: run[1] - run[0], default=None)


def bar(temperature_c: float | None, needle: Needle, width: int) -> str:
    """The dial as a line of `width` characters: C at the cold end, H at the hot end, the needle between."""
    inner = max(3, width - 4)
    dial = ["─"] * inner
    if temperature_c is not None:
        dial[round(place(temperature_c, needle) * (inner - 1))] = "█"
    return "C " + "".join(dial) + " H"


def remark(needle: Needle, units: Display) -> str:
    """What the needle hides."""
    flat = flat_range_c(needle)
    if flat is None:
        return ""
    return f"needle hardly moves from {temp(flat[0], units, unit=False)} to {temp(flat[1], units)}"
