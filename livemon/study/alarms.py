"""The rules by which cautions are scored: what counts as one, its lead before a crossing, false, flood, chatter.

One set of rules for the forecast benchmark and for `tune`, on flags of one second each.  Alarm measures after ISA-18.2
/ IEC 62682 (second-hand): flood = more than 10 alarms in 10 minutes, chattering = the same alarm 3 times in a minute.
It does not know settings, nor how a level is decided.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]

STAND_S: Final = 10
"""A caution counts once it has stood so long [s]."""
GAP_S: Final = 20
"""It ends after so long without [s]."""
EARLY_S: Final = 600
"""A caution that ended longer than this before the crossing was false [s]."""
TOSS_UNDER_C: Final = 2.0
TOSS_OVER_C: Final = 1.0
"""A peak from so far under to so far over the limit is a toss-up: neither a miss nor a false caution [K]."""
OVER_C: Final = 3.0
"""A crossing is over once the reading fell so far under the limit; more than a toss-up, so the next begins clear."""
FLOOD_ALARMS: Final = 10
FLOOD_S: Final = 600
CHATTER_TIMES: Final = 3
CHATTER_S: Final = 60


def cautions(raised: Flags) -> list[tuple[int, int]]:
    """(start, end) of each caution that counts; `end` is the first second without it."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], raised.astype(np.int8), [0]])))
    counted: list[tuple[int, int]] = []
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if counted and start - counted[-1][1] < GAP_S:  # a short gap does not end a caution that counts
            counted[-1] = (counted[-1][0], end)
        elif end - start >= STAND_S:
            counted.append((start, end))
    return counted


@dataclass(frozen=True, slots=True)
class Alarms:
    """Cautions of one stretch: lead [s] where it crosses (0 = missed, None = does not count), false, hours."""

    lead_s: float | None
    false: int
    hours: float
    standing_s: int = 0
    """Seconds in false cautions: tells a threshold that is nearly always on, which makes few but endless ones."""


def alarms(raised: Flags, over_c: float, crossing_s: int | None, standing_before: bool = False) -> Alarms:
    """Scores one stretch of driving whose peak lies `over_c` [K] over the limit (negative = under).

    `raised` has one flag a second.  Before a crossing only what stands by then counts.  `standing_before`: the caution
    that stands in the first second belongs to what came before and is not false.
    """
    if -TOSS_UNDER_C <= over_c <= TOSS_OVER_C:
        return Alarms(None, 0, 0.0)
    if over_c < -TOSS_UNDER_C:
        false_ones = [c for c in cautions(raised) if not (standing_before and c[0] == 0)]
        return Alarms(None, len(false_ones), len(raised) / 3600.0, sum(e - s for s, e in false_ones))
    assert crossing_s is not None, "over the limit without a crossing"
    lead, false, standing = 0.0, 0, 0
    for start, end in cautions(raised[: crossing_s + 1]):
        if end >= crossing_s + 1 - GAP_S:
            lead = float(crossing_s - start)
        elif crossing_s - end > EARLY_S and not (standing_before and start == 0):
            false += 1
            standing += end - start
    return Alarms(lead, false, crossing_s / 3600.0, standing)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Driving from `start` to `end` [s] that ends in a crossing of the limit, or does not; `over_c` of its peak [K]."""

    start: int
    end: int
    crossing: int | None
    over_c: float


def stretches(reading_c: Floats, limit_c: float) -> list[Stretch]:
    """Cuts a trip at its crossings; `reading_c` is the believed coolant reading of each second, NaN = none.

    After a crossing the time until the reading fell `OVER_C` under the limit belongs to no stretch: an alarm is right
    then.  The peak of a crossing is the highest reading of that time.
    """
    found: list[Stretch] = []
    start, crossing, peak = 0, -1, -np.inf
    for second, reading in enumerate(reading_c.tolist()):
        if reading != reading:
            continue
        peak = max(peak, reading)
        if crossing < 0 and reading >= limit_c:
            crossing = second
        elif crossing >= 0 and reading <= limit_c - OVER_C:
            found.append(Stretch(start, crossing + 1, crossing, peak - limit_c))
            start, crossing, peak = second, -1, -np.inf
    end = crossing + 1 if crossing >= 0 else len(reading_c)
    if peak > -np.inf:
        found.append(Stretch(start, end, crossing if crossing >= 0 else None, peak - limit_c))
    return found


def floods(began_s: Sequence[int]) -> int:
    """How often more than 10 alarms began within 10 minutes; one flood lasts until the rate is down again."""
    count, within = 0, False
    for k, now in enumerate(began_s):
        many = k >= FLOOD_ALARMS and now - began_s[k - FLOOD_ALARMS] <= FLOOD_S
        count += many and not within
        within = many
    return count


def chattering(began: Sequence[tuple[int, str]]) -> int:
    """How often the same alarm (time [s], name) began 3 times or more within a minute."""
    last: dict[str, list[int]] = {}
    count = 0
    for now, name in began:
        times = [t for t in last.get(name, []) if now - t <= CHATTER_S]
        last[name] = [*times, now]
        count += len(last[name]) == CHATTER_TIMES
    return count
