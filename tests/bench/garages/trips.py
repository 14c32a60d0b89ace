"""Trips of a garage: phases of level road, climb, traffic, standing and the owner's held-rpm test, in random weather.

Grade stands on a grid of STEP_M, everything else on seconds.  It knows nothing of vehicles: both plants drive the same
kinds of trip.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench.forecast.roads import wander

Array = NDArray[np.float64]

STEP_M = 25.0
POINTS = 4800  # 120 km
HELD_RPM = 2000.0
WIND_KMH = 2.5
"""Spread of the mean headwind of a drive at the height of a grille: a road turns, and people drive there and back."""
REGIMES = ("standing", "held_rpm", "level", "grade")


@dataclass(frozen=True)
class Trip:
    """One drive's world; arrays of seconds except `grade` (as a fraction, every STEP_M)."""

    seconds: int
    grade: Array
    wish_kmh: Array
    held_rpm: Array  # 0 where the engine is not held
    ac: Array
    outside_c: float
    lapse_c_per_m: float
    height_m: float
    wind_kmh: float
    load_kg: float


def seasons_c(rng: np.random.Generator) -> tuple[float, float]:
    """Mean outside air [C] of the weeks before and of the weeks after: the same summer, not the same weather."""
    first = float(rng.uniform(24.0, 38.0))
    return first, first + float(rng.uniform(-5.0, 5.0))


def draw(rng: np.random.Generator, season: float) -> Trip:
    """One trip in weather around `season` [C]: two to four phases, each pass in another order and mood."""
    u = rng.uniform
    phases = [("level", u(4.0, 9.0))]
    menu = ["climb", "traffic", "level", "climb", "traffic"]
    chosen = [str(kind) for kind in rng.permutation(menu)[: int(rng.integers(2, 5))]]
    phases += [(kind, {"climb": u(8.0, 16.0), "traffic": u(7.0, 16.0), "level": u(4.0, 9.0)}[kind]) for kind in chosen]
    if rng.random() < 0.5:
        phases.append(("standing", u(4.0, 8.0)))
        if rng.random() < 0.7:
            phases.append(("held", u(3.0, 4.5)))
    grade = np.zeros(POINTS)
    wish: list[Array] = []
    held: list[Array] = []
    at = 0
    for kind, minutes in phases:
        n = int(60 * minutes)
        hold = np.zeros(n)
        if kind in ("level", "climb"):
            speed = u(60.0, 100.0) if kind == "level" else u(40.0, 80.0)
            path = speed * (1.0 + 0.05 * wander(rng, n, 40.0))
            points = min(int(speed / 3.6 * n / STEP_M), POINTS - at)
            slope = u(-0.004, 0.008) if kind == "level" else u(0.04, 0.08)
            rough = 0.006 if kind == "level" else 0.008
            grade[at : at + points] = slope + rough * wander(rng, points, 20.0)
            at += points
        elif kind == "traffic":
            path = np.zeros(n)
            pace, k = u(6.0, 26.0), 0
            while k < n:
                stand, go = int(u(4.0, 40.0)), int(u(5.0, 25.0))
                path[k + stand : k + stand + go] = pace * u(0.6, 1.6)
                k += stand + go
            points = min(int(0.4 * pace / 3.6 * n / STEP_M), POINTS - at)
            grade[at : at + points] = 0.005 * wander(rng, max(points, 1), 20.0)[:points]
            at += points
        else:
            path = np.zeros(n)
            if kind == "held":
                hold[10:] = HELD_RPM * (1.0 + 0.03 * rng.standard_normal())
        wish.append(path)
        held.append(hold)
    outside = season + 4.0 * float(rng.standard_normal())
    seconds = sum(len(w) for w in wish)
    ac = np.full(seconds, float(rng.random() < np.clip((outside - 18.0) / 20.0, 0.1, 0.8)))
    if rng.random() < 0.35:  # switched once on the way
        ac[int(seconds * u(0.3, 0.8)) :] = 1.0 - ac[0]
    ac[np.concatenate(held) > 0.0] = 0.0  # the test is done with the A/C off
    return Trip(
        seconds,
        grade,
        np.maximum(np.concatenate(wish), 0.0),
        np.concatenate(held),
        ac,
        outside,
        u(0.004, 0.009),
        u(0.0, 1200.0),
        WIND_KMH * float(rng.standard_normal()),
        float(rng.choice([0.0, 150.0, 350.0])) * u(0.5, 1.0),
    )
