"""Made-up drivers: the speed they wish at each second, when the air conditioning runs, which gear the lever holds.

The wish is drawn ahead of the drive as one array a rig: a set speed with slow wandering, or stop-and-go in a jam.
The vehicle then does what the road and the engine allow.  This driver does not look at the gauge, unless told a point
at which the air conditioning goes off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livemon.core.air import Array


@dataclass(frozen=True, slots=True)
class Driver:
    """Habits of one driver.

    wander_kmh, wander_s: size and memory of the slow drift of speed.  jam: (start_s, end_s) of stop-and-go, or
    `None`. ac_off_m: distance [m] after which the A/C is off.  lever: highest gear allowed.
    """

    wish_kmh: float
    wander_kmh: float = 2.5
    wander_s: float = 40.0
    jam: tuple[float, float] | None = None
    jam_kmh: float = 20.0
    ac_on: bool = False
    ac_off_m: float = float("inf")
    heater_on: bool = False
    lever: int = 9


def wished_kmh(driver: Driver, seconds: int, rng: np.random.Generator) -> Array:
    """Wished speed [km/h] at each second of the drive."""
    keep = np.exp(-1.0 / driver.wander_s)
    kicks = rng.standard_normal(seconds) * driver.wander_kmh * np.sqrt(1.0 - keep * keep)
    wish = np.empty(seconds)
    drift = 0.0
    for i, kick in enumerate(kicks):
        drift = drift * keep + kick
        wish[i] = driver.wish_kmh + drift
    if driver.jam is not None:
        start, end = int(driver.jam[0]), min(int(driver.jam[1]), seconds)
        at = start
        while at < end:
            go, stand = int(rng.uniform(6, 45)), int(rng.exponential(22))
            wish[at : min(at + go, end)] = rng.uniform(0.3, 1.7) * driver.jam_kmh
            at += go
            wish[at : min(at + stand, end)] = 0.0
            at += stand
    return np.maximum(wish, 0.0)
