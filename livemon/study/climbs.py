"""The stretches of a drive that try the cooling: climbs, as the live core told them, and jams with a running engine.

A stretch is measured on the 5 s columns of the drive: how long, how much work, how hot, how little margin, how long
over the lines.  What was not recorded stays None.  It does not judge what is short; that is asked elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core.outcome import Climb
from livemon.study.recording import STEP_S, Drive

Floats = NDArray[np.float64]

LEAST_GAIN_M: Final = 40.0
"""Lower climbs are bridges and driveways; the live core names a climb from 25 m on."""
JAM_KMH: Final = 12.0
"""Mean speed over two minutes below which traffic counts as jammed (common practice, no source)."""
JAM_MEAN_S: Final = 120.0
LEAST_JAM_S: Final = 180.0
BRIDGE_S: Final = 60.0
STANDING_KMH: Final = 2.0
MOST: Final = 500


@dataclass(frozen=True, slots=True)
class Span:
    """A climb from its foot to its highest place, as far as the live core had it."""

    foot_s: float
    top_s: float
    gain_m: float


class ClimbFinder:
    """Fed with what the live core said of the climb, second by second; `spans` are the finished climbs."""

    def __init__(self) -> None:
        self._spans: list[Span] = []
        self._open: Span | None = None

    def hear(self, t_s: float, climb: Climb | None) -> None:
        """One second.  A climb that ends, or one with a new foot, closes the one before."""
        if climb is None:
            return
        if not climb.on or climb.gained_m is None or climb.minutes is None:
            self._close()
            return
        foot_s = t_s - 60.0 * climb.minutes
        if self._open is not None and foot_s > self._open.foot_s + 5.0:
            self._close()
        if self._open is None or climb.gained_m > self._open.gain_m:
            self._open = Span(max(foot_s, 0.0), t_s, climb.gained_m)

    def spans(self) -> tuple[Span, ...]:
        """Every climb worth a row, at most 500."""
        self._close()
        return tuple(self._spans)

    def _close(self) -> None:
        if self._open is not None and self._open.gain_m >= LEAST_GAIN_M and len(self._spans) < MOST:
            self._spans.append(self._open)
        self._open = None


@dataclass(frozen=True, slots=True)
class Stretch:
    """One climb or jam, measured.  None = not recorded."""

    start_s: float
    end_s: float
    gain_m: float | None
    """Of a climb."""
    distance_km: float | None
    grade_pct: float | None
    """Mean, from gain and distance."""
    speed_kmh: float | None
    standing_share: float | None
    fuel_kw: float | None
    """Mean fuel power: the load that the cooling had to carry."""
    air_c: float | None
    ac_share: float | None
    """None where nobody declared it."""
    start_c: float | None
    peak_c: float | None
    peak_at_s: float | None
    margin_c: float | None
    """Limit less peak."""
    over_limit_s: float
    over_stop_s: float

    @property
    def minutes(self) -> float:
        return (self.end_s - self.start_s) / 60.0


def measured(
    drive: Drive, start_s: float, end_s: float, limit_c: float, stop_c: float, gain_m: float | None = None
) -> Stretch:
    """The columns of `drive` between two times, boiled down."""
    inside = (drive.t_s + STEP_S > start_s) & (drive.t_s <= end_s)
    speed, coolant = drive.speed_kmh[inside], drive.coolant_c[inside]
    mean_kmh, peak_c = _mean(speed), _highest(coolant)
    km = None if mean_kmh is None else mean_kmh * (end_s - start_s) / 3600.0
    known = np.isfinite(coolant)
    return Stretch(
        start_s=start_s,
        end_s=end_s,
        gain_m=gain_m,
        distance_km=km,
        grade_pct=None if gain_m is None or km is None or km < 0.05 else gain_m / km / 10.0,
        speed_kmh=mean_kmh,
        standing_share=_mean(np.where(np.isfinite(speed), speed < STANDING_KMH, np.nan)),
        fuel_kw=_mean(drive.fuel_kw[inside]),
        air_c=_mean(drive.air_c[inside]),
        ac_share=_mean(drive.ac_on[inside]),
        start_c=float(coolant[known][0]) if known.any() else None,
        peak_c=peak_c,
        peak_at_s=None if peak_c is None else float(drive.t_s[inside][int(np.nanargmax(coolant))]),
        margin_c=None if peak_c is None else limit_c - peak_c,
        over_limit_s=STEP_S * int((coolant[known] >= limit_c).sum()),
        over_stop_s=STEP_S * int((coolant[known] >= stop_c).sum()),
    )


def jams(drive: Drive) -> tuple[tuple[float, float], ...]:
    """From and to [s] of every jam: a running engine at a mean speed under 12 km/h, for three minutes or more.

    The mean is taken over two minutes around each moment, so that a short spurt does not end a jam; jams less than a
    minute apart are one.  Standing with the engine running counts: heat is made and no air comes.
    """
    speed = drive.speed_kmh
    known = np.isfinite(speed)
    if not known.any():
        return ()
    half = int(JAM_MEAN_S / STEP_S / 2)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, speed, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    place = np.arange(len(speed))
    low, high = np.maximum(place - half, 0), np.minimum(place + half + 1, len(speed))
    mean = (total[high] - total[low]) / np.maximum(count[high] - count[low], 1)
    running = ~(drive.rpm < 1.0)  # unknown rpm counts as running: the coolant is still read
    slow = known & running & (mean < JAM_KMH) & (speed < 2.0 * JAM_KMH)
    found = _bridged(_runs(slow), int(BRIDGE_S / STEP_S))
    long = [(a, b) for a, b in found if (b - a) * STEP_S >= LEAST_JAM_S]
    return tuple((float(drive.t_s[a]), float(drive.t_s[b - 1] + STEP_S)) for a, b in long[:MOST])


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and one past last of each run of true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _bridged(runs: Sequence[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    out: list[tuple[int, int]] = []
    for begin, end in runs:
        if out and begin - out[-1][1] <= gap:
            out[-1] = (out[-1][0], end)
        else:
            out.append((begin, end))
    return out


def _mean(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else None


def _highest(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.max()) if known.size else None
