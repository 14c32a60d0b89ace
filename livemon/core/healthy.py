"""How far from its possible vehicles a sound vehicle's reading stands, and how surely: learned on made-up drives.

The possible vehicles of a profile err in ways that repeat: after a fall of work they cool too soon, at the foot of a
climb they know less than ten minutes into it, early in a drive less than late, and a drive that was foretold badly will
be again.  From what is known without the readings since, `usual` tells where the reading of a sound vehicle lies, and
its spread; a reading many such spreads over that is cooling that was lost.  It does not know which part.  The table was
made by `python -m tests.bench.trust_learn` (docs/benchmark.md).
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from livemon.core.air import Array
from livemon.core.fleet import Asked
from livemon.core.healthy_table import HEALTHY

AGES_S: Final = (60, 120, 180, 300, 420)
"""Ages of the copies that are judged ..."""
NEAR_S: Final = 14
"""... each by the copy that is so near; looks are ten seconds and copies thirty apart, so one is within ten."""
LEAST_SD_C, MOST_SD_C = 0.25, 20.0
ROUNDED_SD_C: Final = 0.5
_CRAWL_KMH: Final = 20.0


class Sums(NamedTuple):
    """What was asked so far, summed over seconds: time [s], fuel [kW s], its square, speed [km/h s], A/C [s]."""

    seconds: float = 0.0
    fuel: float = 0.0
    fuel2: float = 0.0
    speed: float = 0.0
    ac: float = 0.0

    def plus(self, asked: Asked, dt_s: float) -> Sums:
        """With one step more."""
        fuel, speed = float(asked.fuel_kw), float(asked.speed_kmh)
        more = (1.0, fuel, fuel * fuel, speed, float(asked.ac_on))
        return Sums(*(total + value * dt_s for total, value in zip(self, more, strict=True)))

    def since(self, earlier: Sums) -> Sums:
        """Means between two moments; `seconds` is the time between them, at least one."""
        passed_s = max(self.seconds - earlier.seconds, 1.0)
        return Sums(passed_s, *((b - a) / passed_s for a, b in zip(earlier[1:], self[1:], strict=True)))


class Known(NamedTuple):
    """What was known when a copy was set aside."""

    begin_ms: int
    sums: Sums
    opening: float
    """Of the thermostat, in the mean over the vehicles."""
    reading_c: float
    missed_c: float
    """How far readings had to correct the vehicles within two minutes in this drive, root mean square [K].

    Only its size: which way they were corrected, or what heat they were brought to, is what a slow loss of cooling
    teaches them, and would be told as usual.
    """
    followed_s: float


def judged(age_s: int) -> bool:
    """Whether a copy of this age is."""
    return any(abs(age_s - age) <= NEAR_S for age in AGES_S)


def signs(
    known: Known, before: Sums, now: Sums, age_s: float, expected_c: float, spread_c: float, opening: float
) -> list[float]:
    """What is put to the table for one copy.

    `before`, `now`: the sums some five minutes before it was set aside, and now.  `expected_c`, `spread_c`, `opening`:
    what its vehicles make of it, readings unheard.
    """
    within = now.since(known.sums)
    earlier = known.sums.since(before) if known.sums.seconds > before.seconds else within
    fuel, speed = np.log(max(within.fuel, 1.0) / max(earlier.fuel, 1.0)), within.speed - earlier.speed
    uneven = max(within.fuel2 - within.fuel**2, 0.0) ** 0.5 / max(within.fuel, 1.0)
    rise_c = expected_c - known.reading_c
    rms_c = known.missed_c
    return [
        float(np.log(np.hypot(spread_c, ROUNDED_SD_C))),
        opening,
        max(0.9 - opening, 0.0),
        known.opening,
        known.reading_c,
        rise_c,
        min(abs(rise_c), 20.0),
        float(fuel),
        abs(float(fuel)),
        uneven,
        float(np.log(uneven + 0.05)),
        within.speed,
        earlier.speed,
        min(abs(speed), 40.0),
        float(np.log1p(within.speed)),
        float(within.speed < _CRAWL_KMH) * abs(float(fuel)),
        within.ac,
        rms_c,
        float(np.log(rms_c + 0.3)),
        float(np.log(known.followed_s + 60.0)),
        float(np.log(age_s)),
    ]


def usual(rows: list[list[float]]) -> tuple[Array, Array]:
    """Reading less what was expected of a sound vehicle [K], and its spread [K]; one of each a row of `signs`."""
    answer = HEALTHY(np.array(rows))
    return answer[:, 0], np.clip(np.exp(answer[:, 1]), LEAST_SD_C, MOST_SD_C)
