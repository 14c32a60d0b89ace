"""A dash needle as its owner reads it: a few points of true temperature against the needle's place on its dial.

Many needles are damped to stand in the middle over a wide range of temperatures; straight lines between the points say
where such a needle stands, and which temperatures it cannot tell apart.  Knows nothing of the real gauge: if that
stands higher than worked out here, the real one counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

MOST_POINTS: Final = 20


@dataclass(frozen=True, slots=True)
class Needle:
    """Points (temperature [C], place 0 = cold end to 1 = hot end), rising; the default is common practice, no source.

    `seen` is the share of the sweep that an eye notices; 4 % is about the width of a needle (common practice, no
    source).
    """

    points: tuple[tuple[float, float], ...] = ((50.0, 0.0), (80.0, 0.5), (112.0, 0.52), (120.0, 0.8), (126.0, 1.0))
    seen: float = 0.04

    def __post_init__(self) -> None:
        if not 2 <= len(self.points) <= MOST_POINTS:
            raise ValueError(f"needle: expected 2 to {MOST_POINTS} points, found {len(self.points)}")
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


def coldest_c(at: float, needle: Needle) -> float:
    """The lowest temperature [C] at which the needle stands at `at` or above; the last point where it never does."""
    points = needle.points
    if at <= points[0][1]:
        return points[0][0]
    for (t0, p0), (t1, p1) in pairwise(points):
        if at <= p1:  # p0 < at, so the line rises
            return t0 + (t1 - t0) * (at - p0) / (p1 - p0)
    return points[-1][0]


def hottest_c(at: float, needle: Needle) -> float:
    """The highest temperature [C] at which the needle stands at `at` or below; the first point where it never does."""
    points = needle.points
    if at >= points[-1][1]:
        return points[-1][0]
    for (t0, p0), (t1, p1) in reversed(list(pairwise(points))):
        if at >= p0:  # p1 > at, so the line rises
            return t0 + (t1 - t0) * (at - p0) / (p1 - p0)
    return points[0][0]


def hidden_c(needle: Needle) -> tuple[float, float]:
    """The widest span of temperatures [C] over which the needle moves by no more than `seen`, within its points.

    Between two points the width of such a span changes at one rate only, so the widest one begins or ends at a point.
    Example: 80 C at 0.5 and 112 C at 0.52 with a steep line on either side: (78.8, 112).
    """
    spans = [(t, hottest_c(place(t, needle) + needle.seen, needle)) for t, _ in needle.points]
    spans += [(coldest_c(place(t, needle) - needle.seen, needle), t) for t, _ in needle.points]
    return max(spans, key=lambda span: span[1] - span[0])
