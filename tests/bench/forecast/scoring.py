"""The rules of scoring, exactly as docs/benchmark.md states them.

Cautions: one counts once it has stood 10 s and ends after 20 s without; the lead is from the start of the caution that
stands at the crossing.  Peaks from 2 C under to 1 C over the limit are a toss-up: neither a miss nor a false caution,
and their hours are left out too.  False: on a drive that peaked lower, or ended over 10 minutes before the crossing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livemon.study import alarms as rules
from livemon.study.alarms import TOSS_OVER_C, Alarms
from tests.bench.forecast.drives import Drive
from tests.bench.forecast.track import HORIZONS, Track

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

WITHIN_S = 300
FORESEE_S = 900.0
SETTLE_S = 120
"""Nothing is scored in the first two minutes: no method has a window yet."""
LEADS_S = (60, 120, 180)
QUANTILES = (0.1, 0.5, 0.9)
cautions = rules.cautions


def alarms(drive: Drive, raised: Flags) -> Alarms:
    """Scores one drive's cautions."""
    return rules.alarms(raised, drive.peak_c - drive.limit_c, drive.crossing_s)


@dataclass(frozen=True)
class Point:
    """One threshold over a set of drives."""

    threshold: float
    false_per_h: float
    warned: dict[int, float]  # share of crossings warned at least so many seconds ahead
    median_lead_s: float
    standing: float = 0.0  # share of all hours spent in false cautions


def point(drives: list[Drive], raised: list[Flags], threshold: float = float("nan")) -> Point:
    """Pools the drives at one threshold."""
    results = [alarms(d, r) for d, r in zip(drives, raised, strict=True)]
    leads = np.array([r.lead_s for r in results if r.lead_s is not None])
    hours = sum(r.hours for r in results)
    false = sum(r.false for r in results)
    return Point(
        threshold,
        false / hours if hours else float("nan"),
        {s: float((leads >= s).mean()) if leads.size else float("nan") for s in LEADS_S},
        float(np.median(leads)) if leads.size else float("nan"),
        sum(r.standing_s for r in results) / 3600.0 / hours if hours else float("nan"),
    )


def sweep(drives: list[Drive], tracks: list[Track], steps: int = 48) -> list[Point]:
    """Points over thresholds of urgency, from rare to frequent cautions."""
    pool = np.concatenate(
        [t.urgency[d.truth_c[: len(t.urgency)] < d.limit_c] for d, t in zip(drives, tracks, strict=True)]
    )
    pool = pool[np.isfinite(pool)]
    if not pool.size:
        return []
    cuts = np.unique(np.quantile(pool, 1.0 - np.geomspace(0.0005, 0.6, steps)))[::-1]
    return [point(drives, [np.nan_to_num(t.urgency, nan=-np.inf) >= cut for t in tracks], float(cut)) for cut in cuts]


STANDING_MOST = 0.15
"""A threshold that holds a false caution for a larger share of all driving does not count as an alarm."""


def at_rate(points: list[Point], false_per_h: float) -> Point | None:
    """The last point before the rate is first passed, going from rare to frequent cautions.

    A caution that never ends would count as one false caution a drive; stopping at the first passage, and at
    STANDING_MOST of the time, keeps such thresholds out.
    """
    best: Point | None = None
    for p in points:
        if p.false_per_h > false_per_h or p.standing > STANDING_MOST:
            break
        best = p
    return best


# --- Chances ---


def scored(drive: Drive) -> tuple[NDArray[np.intp], Flags]:
    """(seconds that are scored, whether the limit is crossed within WITHIN_S of each).

    From SETTLE_S to the crossing or the end; the last WITHIN_S of a drive that never crosses are unknown and left out.
    """
    crossing = drive.crossing_s
    last = crossing if crossing is not None else len(drive.truth_c) - WITHIN_S
    at = np.arange(SETTLE_S, max(last, SETTLE_S))
    return at, (crossing is not None) & (at + WITHIN_S >= (crossing or 0))


def brier(chance: Array, outcome: Flags) -> float:
    """Mean squared error of a chance (Brier 1950); 0 is perfect."""
    return float(np.mean((chance - outcome) ** 2)) if chance.size else float("nan")


def auc(score: Array, outcome: Flags) -> float:
    """Area under the ROC curve: chance that a true case scores higher than a false one, ties half (Mann-Whitney)."""
    from scipy.stats import rankdata

    yes = int(outcome.sum())
    no = outcome.size - yes
    if not yes or not no:
        return float("nan")
    return float((rankdata(score)[outcome].sum() - yes * (yes + 1) / 2.0) / (yes * no))


def reliability(chance: Array, outcome: Flags) -> list[tuple[float, float, int]]:
    """Ten equal bins of chance: (mean chance, share that happened, count); empty bins are left out."""
    bins = np.clip((chance * 10.0).astype(int), 0, 9)
    out: list[tuple[float, float, int]] = []
    for i in range(10):
        here = bins == i
        if here.any():
            out.append((float(chance[here].mean()), float(outcome[here].mean()), int(here.sum())))
    return out


# --- Quantities with a band ---


def quantile_crps(band: Array, seen: Array) -> Array:
    """CRPS from the quantiles 0.1, 0.5, 0.9 as twice the mean pinball loss; band is (3, n)."""
    total = np.zeros_like(seen)
    for q, value in zip(QUANTILES, band, strict=True):
        total += np.where(seen >= value, q * (seen - value), (1.0 - q) * (value - seen))
    return 2.0 * total / len(QUANTILES)


@dataclass(frozen=True)
class BandScore:
    """CRPS, share of truths inside the 80 % band, mean width, root-mean-square error of the likely value."""

    crps: float
    coverage: float
    width: float
    rmse: float


def ahead(drives: list[Drive], tracks: list[Track]) -> dict[int, BandScore]:
    """Scores of `ahead_c` at each horizon, on the seconds whose future was driven (also past the crossing)."""
    out: dict[int, BandScore] = {}
    for h in HORIZONS:
        bands, seen = [], []
        for d, t in zip(drives, tracks, strict=True):
            if h not in t.ahead_c:
                continue
            last = min(d.crossing_s or len(d.truth_c), len(d.truth_c) - h)
            at = np.arange(SETTLE_S, max(last, SETTLE_S), 5)
            at = at[np.isfinite(t.ahead_c[h][:, at]).all(axis=0)]
            bands.append(t.ahead_c[h][:, at])
            seen.append(d.truth_c[at + h])
        if bands and sum(s.size for s in seen):
            band, truth = np.concatenate(bands, axis=1), np.concatenate(seen)
            out[h] = BandScore(
                float(quantile_crps(band, truth).mean()),
                float(((truth >= band[0]) & (truth <= band[2])).mean()),
                float((band[2] - band[0]).mean()),
                float(np.sqrt(((band[1] - truth) ** 2).mean())),
            )
    return out


@dataclass(frozen=True)
class TimeScore:
    """Time to the limit with censoring: CRPS [s], coverage of the band, over-late and over-early shares."""

    crps_s: float
    coverage: float
    crossed_before_low: float
    crossed_after_high: float


def time_band(drives: list[Drive], tracks: list[Track]) -> TimeScore | None:
    """Scores the time band; a drive that never crosses counts as later than all that was seen of it.

    Truth and quantiles are both cut at H = min(900 s, what was still driven): below H they are compared as they are, at
    H only "later than H" is compared.  Quantiles keep their meaning under such a cut, so the loss stays proper.
    """
    loss: list[Array] = []
    inside: list[Flags] = []
    early: list[Flags] = []
    late: list[Flags] = []
    for d, t in zip(drives, tracks, strict=True):
        if t.time_low_s is None or t.time_high_s is None:
            continue
        crossing = d.crossing_s
        at = np.arange(SETTLE_S, crossing if crossing is not None else len(d.truth_c) - 60, 5)
        left = (crossing - at if crossing is not None else np.full(at.size, np.inf)).astype(float)
        cut = np.minimum(FORESEE_S, np.inf if crossing is not None else len(d.truth_c) - at)
        band = np.stack([t.time_low_s[at], t.time_s[at], t.time_high_s[at]])
        known = ~np.isnan(band).any(axis=0)
        truth, band = np.minimum(left, cut)[known], np.minimum(band, cut)[:, known]
        loss.append(quantile_crps(band, truth))
        early.append(truth < band[0])
        late.append(truth > band[2])
        inside.append((truth >= band[0]) & (truth <= band[2]))
    if not loss or not sum(x.size for x in loss):
        return None
    parts = [float(np.concatenate(x).mean()) for x in (loss, inside, early, late)]
    return TimeScore(*parts)


# --- Prognostics metrics (Saxena et al. 2010) ---

HORIZON_S, HORIZON_ALPHA, LAMBDA_ALPHA = 600.0, 0.1, 0.2


@dataclass(frozen=True)
class Prognostics:
    """Median prognostic horizon [s] and alpha-lambda accuracy (share) over the drives that cross."""

    horizon_s: float
    accuracy: dict[int, float]


def prognostics(drives: list[Drive], tracks: list[Track]) -> Prognostics:
    """Prediction starts 600 s before the crossing (t_P).

    Prognostic horizon: how long before the crossing the likely time enters the band of +-10 % of 600 s round the true
    one, to stay there until 60 s before the crossing.  Alpha-lambda: share of drives whose likely time lies within
    +-20 % of the true one with 300, 120 and 60 s to go (lambda 0.5, 0.8, 0.9).
    """
    horizons: list[float] = []
    hits: dict[int, list[bool]] = {300: [], 120: [], 60: []}
    for d, t in zip(drives, tracks, strict=True):
        crossing = d.crossing_s
        if crossing is None or d.peak_c - d.limit_c <= TOSS_OVER_C:
            continue
        at = np.arange(max(SETTLE_S, crossing - int(HORIZON_S)), max(crossing - 59, SETTLE_S + 1))
        error = np.abs(np.nan_to_num(t.time_s[at], nan=np.inf) - (crossing - at))
        bad = np.flatnonzero(~(error <= HORIZON_ALPHA * HORIZON_S))
        first = at[0] if not bad.size else at[bad[-1]] + 1
        horizons.append(float(crossing - first) if first <= at[-1] else 0.0)
        for left, hit in hits.items():
            if crossing - left >= SETTLE_S:
                said = t.time_s[crossing - left]
                hit.append(bool(abs(said - left) <= LAMBDA_ALPHA * left))
    return Prognostics(
        float(np.median(horizons)) if horizons else float("nan"),
        {left: float(np.mean(hit)) if hit else float("nan") for left, hit in hits.items()},
    )
