"""The hot stretches of drives, each with what comes before it, so that every lag is filled when it begins.

Outside air that was typed once falls with the height gained.  It does not choose what in a stretch tells something.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core.air import air_c_at
from livemon.study.recording import STEP_S, Drive

Floats = NDArray[np.float64]

TAIL_S: Final = 45.0
"""What follows a stretch, for whatever smooths over so long on either side."""
SHORTEST_RUN_S: Final = 60.0


@dataclass(frozen=True, slots=True)
class Run:
    """A hot stretch of a drive with what comes before it, so that lags are filled when it begins."""

    number: int
    drive: Drive
    height_unknown: bool


LEAD_S: Final = 240.0
APART_S: Final = 300.0


def runs(drives: Sequence[Drive], hot_c: float) -> list[Run]:
    """The stretches around readings of `hot_c` or more; the rest of a drive tells nothing about full-open cooling."""
    out: list[Run] = []
    for number, drive in enumerate(drives):
        places = np.flatnonzero(drive.coolant_c >= hot_c)
        if not places.size:
            continue
        breaks = np.flatnonzero(np.diff(places) * STEP_S > APART_S)
        starts = places[np.concatenate([[0], breaks + 1])]
        ends = places[np.concatenate([breaks, [places.size - 1]])]
        whole = replace(drive, air_c=outside_c(drive))
        unknown = height_unknown(drive)
        for start, end in zip(starts, ends, strict=True):
            if (end - start) * STEP_S >= SHORTEST_RUN_S:
                rows = slice(max(0, int(start) - int(LEAD_S / STEP_S)), int(end) + 1 + int(TAIL_S / STEP_S))
                cut = {name: getattr(whole, name)[rows] for name in _COLUMNS}
                out.append(Run(number, replace(whole, **cut), unknown))
    return out


_COLUMNS: Final = (
    "t_s", "coolant_c", "speed_kmh", "rpm", "fuel_kw", "air_c", "air_kpa", "ac_on", "heater_on", "fan_on", "height_m",
    "grade_pct",
)  # fmt: skip


def outside_c(drive: Drive) -> Floats:
    """Outside air; one typed value is that of the start, and falls with the height gained where that is known."""
    known = drive.air_c[np.isfinite(drive.air_c)]
    heights = np.flatnonzero(np.isfinite(drive.height_m))
    if not (drive.air_measured and known.size and np.ptp(known) == 0.0 and heights.size):
        return drive.air_c
    gained = np.where(np.isfinite(drive.height_m), drive.height_m - drive.height_m[heights[0]], 0.0)
    return np.asarray(air_c_at(gained, drive.air_c, 0.0))


def height_unknown(drive: Drive) -> bool:
    """Neither height nor pressure was recorded: `air_kpa` is then one assumed value."""
    known = drive.air_kpa[np.isfinite(drive.air_kpa)]
    return not np.isfinite(drive.height_m).any() and (known.size == 0 or bool(np.ptp(known) == 0.0))
