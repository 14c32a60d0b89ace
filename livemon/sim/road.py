"""Made-up roads: height along the way and the speed the curves allow, on a fixed step.

A builder takes a random generator and returns one `Road`; `stack` puts many side by side for the batch simulator.  A
road ends level: driving on past its end stays at the last height.  It knows nothing of vehicles or time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from livemon.core.air import Array

STEP_M: Final = 25.0
FREE_KMH: Final = 250.0
"""Curve speed where nothing slows the driver."""


@dataclass(frozen=True, slots=True)
class Road:
    """Height [m] and curve speed [km/h] every `STEP_M` metres from the start; `climb_pct` is the grade that counts."""

    height_m: Array
    curve_kmh: Array
    climb_pct: float

    @property
    def length_m(self) -> float:
        return STEP_M * (len(self.height_m) - 1)

    @property
    def grade_pct(self) -> Array:
        """Grade of each step [%]; one fewer than heights."""
        return np.asarray(100.0 * np.diff(self.height_m) / STEP_M)


@dataclass(frozen=True, slots=True)
class Roads:
    """Many roads side by side: arrays of shape (rigs, steps), short ones carried on level."""

    height_m: Array
    grade_pct: Array
    curve_kmh: Array

    def at(self, distance_m: Array) -> tuple[Array, Array, Array]:
        """Height [m], grade [%] and curve speed [km/h] of each rig at its distance."""
        steps = self.grade_pct.shape[1]
        place = np.minimum(distance_m / STEP_M, steps - 1e-6)
        index = place.astype(np.int64)
        row = np.arange(len(distance_m))
        grade = self.grade_pct[row, index]
        height = self.height_m[row, index] + (place - index) * STEP_M * grade / 100.0
        return height, grade, self.curve_kmh[row, index]


def stack(roads: Sequence[Road]) -> Roads:
    """Roads of any lengths as one batch."""
    longest = max(len(r.height_m) for r in roads) + 1
    heights = np.array([np.pad(r.height_m, (0, longest - len(r.height_m)), mode="edge") for r in roads])
    curves = np.array([np.pad(r.curve_kmh, (0, longest - len(r.curve_kmh)), mode="edge") for r in roads])
    return Roads(heights, 100.0 * np.diff(heights, axis=1) / STEP_M, curves)


def from_grades(grades_pct: Array, foot_m: float, climb_pct: float, curve_kmh: Array | None = None) -> Road:
    """Road from the grade [%] of each step."""
    height = foot_m + np.concatenate([[0.0], np.cumsum(grades_pct) * STEP_M / 100.0])
    curves = np.full(len(height), FREE_KMH) if curve_kmh is None else np.append(curve_kmh, FREE_KMH)
    return Road(height, curves, climb_pct)


def _steps(length_m: float) -> int:
    return max(1, round(length_m / STEP_M))


def wander(rng: np.random.Generator, steps: int, spread: float, length_m: float) -> Array:
    """Random walk that forgets over `length_m`, with standard deviation `spread`: the irregularity of real roads."""
    keep = np.exp(-STEP_M / length_m)
    kicks = rng.standard_normal(steps) * spread * np.sqrt(1.0 - keep * keep)
    kicks[0] = rng.standard_normal() * spread
    out = np.empty(steps)
    value = 0.0
    for i, kick in enumerate(kicks):
        value = value * keep + kick
        out[i] = value
    return out


def _ramped(pieces: Sequence[tuple[float, float]], ramp_m: float = 200.0) -> Array:
    """Grades of (length, grade) pieces with the corners rounded over `ramp_m`."""
    sharp = np.concatenate([np.full(_steps(length), grade) for length, grade in pieces])
    width = _steps(ramp_m)
    padded = np.pad(sharp, (width // 2, width - 1 - width // 2), mode="edge")
    return np.convolve(padded, np.full(width, 1.0 / width), mode="valid")


def steady_grade(rng: np.random.Generator) -> Road:
    """A level approach, one even climb, then level or down."""
    grade = rng.uniform(3.5, 7.5)
    climb_m = rng.uniform(400.0, 1500.0) / grade * 100.0
    pieces = [(rng.uniform(2_000, 6_000), rng.uniform(-0.5, 0.8)), (climb_m, grade), (4_000, rng.uniform(-5.0, 0.5))]
    return from_grades(_ramped(pieces), rng.uniform(50, 1400), grade)


def irregular_climb(rng: np.random.Generator) -> Road:
    """A climb whose grade wanders, with easings and steep pitches, and curves that slow."""
    mean = rng.uniform(3.5, 6.5)
    climb = _steps(rng.uniform(400.0, 1600.0) / mean * 100.0)
    wild = mean + wander(rng, climb, rng.uniform(1.2, 2.6), rng.uniform(400, 2_000))
    approach = _ramped([(rng.uniform(2_000, 6_000), rng.uniform(-0.5, 1.0))])
    after = _ramped([(4_000, rng.uniform(-5.0, 0.5))])
    grades = np.concatenate([approach, np.clip(wild, -3.0, 12.0), after])
    curves = np.full(len(grades), FREE_KMH)
    for start in np.flatnonzero(rng.random(len(grades)) < STEP_M / rng.uniform(800, 4_000)):
        curves[start : start + 4] = rng.uniform(30, 70)
    return from_grades(grades, rng.uniform(50, 1200), mean, curves)


def rolling(rng: np.random.Generator) -> Road:
    """Up and down without end, slightly upward."""
    length = rng.uniform(30_000, 60_000)
    where = np.arange(_steps(length)) * STEP_M
    grades = np.full(len(where), rng.uniform(0.0, 1.5))
    for _ in range(3):
        grades += rng.uniform(1.0, 3.0) * np.sin(2 * np.pi * (where / rng.uniform(1_500, 9_000) + rng.random()))
    grades = np.clip(grades + wander(rng, len(where), 0.7, 500), -8.0, 9.0)
    steep = float(np.mean(grades) + 0.7 * np.std(grades))
    return from_grades(grades, rng.uniform(200, 1200), steep)


def level(rng: np.random.Generator) -> Road:
    """Nearly level, as where traffic jams are."""
    steps = _steps(rng.uniform(15_000, 40_000))
    return from_grades(np.clip(wander(rng, steps, 0.8, 800), -3, 3), rng.uniform(20, 1300), 0.0)


def passes(rng: np.random.Generator) -> Road:
    """Two or three passes with valleys between."""
    pieces: list[tuple[float, float]] = [(rng.uniform(2_000, 5_000), 0.3)]
    grades = []
    for _ in range(int(rng.integers(2, 4))):
        grade = rng.uniform(4.0, 8.0)
        grades.append(grade)
        climb = rng.uniform(250, 900) / grade * 100
        pieces += [(climb, grade), (rng.uniform(300, 1_500), 0.0), (climb * rng.uniform(0.4, 0.9), -grade * 0.9)]
        pieces.append((rng.uniform(500, 3_000), 0.0))
    return from_grades(_ramped(pieces), rng.uniform(50, 900), float(np.mean(grades)))


BUILDERS: Final[dict[str, Callable[[np.random.Generator], Road]]] = {
    "steady": steady_grade,
    "irregular": irregular_climb,
    "rolling": rolling,
    "traffic": level,
    "passes": passes,
}
