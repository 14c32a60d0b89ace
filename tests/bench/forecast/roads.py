"""Roads, traffic, weather and faults of the five families, drawn at random from a stated seed.

A road is grade and wished speed over distance, a cap on speed over time, weather, A/C and a fault.  It knows nothing of
engines: both plants drive the same kinds of road.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FAMILIES = ("steady", "irregular", "rolling", "traffic", "faults")
FAULTS = ("fan", "coolant", "air", "thermostat", "pump")
STEP_M = 25.0
POINTS = 4800  # 120 km


@dataclass
class Road:
    """One drive's world.  `grade` and `wish_kmh` stand on a grid of STEP_M, the rest on seconds or alone."""

    seconds: int
    warm: bool
    grade: Array
    wish_kmh: Array
    cap_kmh: Array
    ac: Array
    outside_c: float
    lapse_c_per_m: float
    height_m: float
    wind_kmh: float
    fault: str = ""
    fault_at_s: int = 0
    fault_size: float = 0.0  # what is left of the part: 0 none, 1 whole
    fault_over_s: int = 1


def draw(family: str, rng: np.random.Generator) -> Road:
    """A road of the family."""
    if family == "faults":
        base = str(rng.choice(["steady", "irregular", "traffic"]))
        road = draw(base, rng)
        road.fault = str(rng.choice(FAULTS))
        road.fault_at_s = int(road.seconds * rng.uniform(0.25, 0.7))
        size, over = {
            "fan": ((0.0, 0.25), (1, 60)),
            "coolant": ((0.25, 0.5), (150, 900)),
            "air": ((0.35, 0.7), (1, 240)),
            "thermostat": ((0.06, 0.25), (1, 60)),
            "pump": ((0.10, 0.45), (1, 120)),
        }[road.fault]
        road.fault_size = float(rng.uniform(*size))
        road.fault_over_s = int(rng.uniform(*over)) + 1
        return road
    seconds = int(rng.uniform(20.0, 60.0) * 60)
    warm = bool(rng.random() < 0.7)
    hot = rng.beta(2.0, 1.3)
    road = Road(
        seconds=seconds,
        warm=warm,
        grade=np.zeros(POINTS),
        wish_kmh=np.zeros(POINTS),
        cap_kmh=np.full(seconds, 250.0),
        ac=np.zeros(seconds),
        outside_c=float(12.0 + 33.0 * hot),
        lapse_c_per_m=float(rng.uniform(0.004, 0.009)),
        height_m=float(rng.uniform(0.0, 1300.0)),
        wind_kmh=float(rng.normal(0.0, 8.0)),
    )
    use_ac = rng.random() < np.clip((road.outside_c - 18.0) / 12.0, 0.1, 0.9)
    if use_ac:
        _air_conditioning(road, rng)
    {"steady": _steady, "irregular": _irregular, "rolling": _rolling, "traffic": _traffic}[family](road, rng)
    return road


def _air_conditioning(road: Road, rng: np.random.Generator) -> None:
    road.ac[:] = rng.uniform(0.6, 1.0)
    if rng.random() < 0.3:  # switched once on the way
        at = int(road.seconds * rng.uniform(0.3, 0.8))
        road.ac[at:] = 0.0


def wander(rng: np.random.Generator, n: int, length: float) -> Array:
    """Ornstein-Uhlenbeck path of unit spread with correlation `length` in grid points."""
    keep = float(np.exp(-1.0 / length))
    noise = rng.standard_normal(n) * np.sqrt(1.0 - keep * keep)
    out = np.empty(n)
    value = rng.standard_normal()
    for i in range(n):
        value = keep * value + noise[i]
        out[i] = value
    return out


def _approach(road: Road, rng: np.random.Generator) -> int:
    """Gentle road before the climb: fills the grid from the start and gives the first point of the climb."""
    speed = rng.uniform(55.0, 100.0)
    minutes = rng.uniform(3.0, 9.0) + (0.0 if road.warm else rng.uniform(4.0, 8.0))
    foot = int(speed / 3.6 * minutes * 60.0 / STEP_M)
    road.grade[:foot] = 0.004 + 0.008 * wander(rng, foot, 40.0)
    road.wish_kmh[:] = speed * (1.0 + 0.05 * wander(rng, POINTS, 60.0))
    return foot


def _top(road: Road, rng: np.random.Generator, foot: int, speed: float) -> int:
    """Last point of the climb: some end before the drive does."""
    left_s = road.seconds - foot * STEP_M / (road.wish_kmh[:foot].mean() / 3.6)
    share = rng.uniform(0.6, 1.3)
    return min(POINTS, foot + max(40, int(max(left_s, 300.0) * share * speed / 3.6 / STEP_M)))


def _steady(road: Road, rng: np.random.Generator) -> None:
    foot = _approach(road, rng)
    speed = rng.uniform(45.0, 100.0)
    top = _top(road, rng, foot, speed)
    climb = slice(foot, top)
    road.grade[climb] = rng.uniform(0.035, 0.08) + 0.003 * wander(rng, top - foot, 40.0)
    road.wish_kmh[climb] = speed * (1.0 + 0.03 * wander(rng, top - foot, 60.0))
    road.grade[top:] = -0.03 + 0.01 * wander(rng, POINTS - top, 40.0)


def _irregular(road: Road, rng: np.random.Generator) -> None:
    foot = _approach(road, rng)
    speed = rng.uniform(40.0, 85.0)
    top = _top(road, rng, foot, speed)
    n = top - foot
    grade = rng.uniform(0.035, 0.065) + rng.uniform(0.008, 0.02) * wander(rng, n, rng.uniform(10.0, 50.0))
    wish = speed * (1.0 + 0.10 * wander(rng, n, 40.0))
    at = 0
    while at < n:  # bends and villages
        at += int(rng.uniform(30.0, 160.0))
        wish[at : at + int(rng.uniform(3.0, 10.0))] = rng.uniform(25.0, 45.0)
        if rng.random() < 0.15:
            flat = int(rng.uniform(15.0, 80.0))
            grade[at : at + flat] *= 0.2
    road.grade[foot:top] = np.clip(grade, -0.04, 0.13)
    road.wish_kmh[foot:top] = np.maximum(wish, 18.0)
    road.grade[top:] = -0.03 + 0.01 * wander(rng, POINTS - top, 40.0)


def _rolling(road: Road, rng: np.random.Generator) -> None:
    where = np.arange(POINTS) * STEP_M
    amplitude = rng.uniform(0.015, 0.04)
    grade = np.full(POINTS, rng.uniform(-0.002, 0.015))
    for _ in range(4):
        wave = rng.uniform(4000.0, 24000.0)
        grade += amplitude * rng.uniform(0.3, 0.8) * np.sin(2 * np.pi * (where / wave + rng.random()))
    road.grade[:] = np.clip(grade, -0.07, 0.08)
    speed = rng.uniform(55.0, 100.0)
    road.wish_kmh[:] = np.clip(speed * (1.0 + 0.10 * wander(rng, POINTS, 80.0)), 30.0, 130.0)


def _traffic(road: Road, rng: np.random.Generator) -> None:
    road.grade[:] = rng.uniform(-0.005, 0.02) + 0.012 * wander(rng, POINTS, 40.0)
    road.wish_kmh[:] = rng.uniform(45.0, 95.0)
    at = int(rng.uniform(60.0, 420.0)) + (0 if road.warm else 300)
    while at < road.seconds:
        end = min(road.seconds, at + int(rng.uniform(5.0, 22.0) * 60))
        pace = rng.uniform(6.0, 26.0)
        while at < end:  # stand, creep, stand
            stand, go = int(rng.uniform(2.0, 20.0)), int(rng.uniform(5.0, 25.0))
            road.cap_kmh[at : at + stand] = 0.0
            road.cap_kmh[at + stand : at + stand + go] = pace * rng.uniform(0.6, 1.6)
            at += stand + go
        road.cap_kmh[end:] = 250.0
        at = end + int(rng.uniform(2.0, 9.0) * 60)
    if road.outside_c > 22.0 and not road.ac.any() and rng.random() < 0.7:
        _air_conditioning(road, rng)
