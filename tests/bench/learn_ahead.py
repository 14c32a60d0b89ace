"""What a learned profile does for the live forecast, on made-up garages of both plants: error, bands, chances.

    python -m tests.bench.learn_ahead [--seed S] [--garages N] [--plants sim plant2]

Five drives of each garage are learned from; three more, after the same weeks, are foreseen by the live estimator, with
the profile as its owner typed it and with the learned one.  Truth is the plant's own coolant.  Limits are laid within
5 C of each drive's peak.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livemon.core import ahead, calibration, estimator, forecast, signals
from livemon.core.ahead import HORIZONS, Outlook
from livemon.core.events import SIGNALS, Mark, Sample
from livemon.core.outcome import HORIZONS_S
from livemon.core.vehicle import VehicleProfile
from tests.bench.garages import garages, taught
from tests.bench.garages.taught import Later, Taught

Array = NDArray[np.float64]
EVERY_S, FROM_S = 20, 100
BORDER_C = 5.0
CHANCE_S = 300
_LEFT_OUT = ("latitude_deg", "longitude_deg", "gps_speed_kmh")


@dataclass(frozen=True)
class Seen:
    """The moments of one drive, every EVERY_S: what was in view, and what came [K over now], (moments, HORIZONS_S)."""

    at_s: Array
    view: Outlook
    came: Array
    truth_c: Array


def seen(later: Later, profile: VehicleProfile) -> Seen:
    """The live estimator over one drive, second by second, and its view at every EVERY_S."""
    state, heard = estimator.start(profile), signals.Signals()
    columns = [(n, v.tolist()) for n, v in later.readings.items() if n in SIGNALS and n not in _LEFT_OUT]
    declared: bool | None = None
    kept: list[estimator.State] = []
    at = []
    for second in range(later.truth_c.size):
        t_ms = (second + 1) * 1000
        if later.ac is not None and bool(later.ac[second]) is not declared:
            declared = bool(later.ac[second])
            heard = signals.hear(heard, Mark(t_ms, (("ac_on", declared),)))
        heard = signals.hear(heard, Sample(t_ms, tuple((n, v[second]) for n, v in columns)))
        heard, inputs = signals.at_tick(heard, t_ms, None, None)
        state = estimator.advance(state, inputs)
        if second >= FROM_S and second % EVERY_S == 0 and state.bank is not None:
            kept.append(state)
            at.append(second)
    bank, flow, pace = forecast._side_by_side(kept)
    usual_c = np.array([one.usual_c for one in kept])
    view = ahead.outlook(bank, flow, pace, ahead.run(bank, flow, pace), usual_c)
    when = np.array(at)
    truth = later.truth_c.astype(np.float64)
    came = np.full((when.size, len(HORIZONS_S)), np.nan)
    for k, h in enumerate(HORIZONS_S):
        known = when + h < truth.size
        came[known, k] = truth[when[known] + h] - view.now_c[known]
    return Seen(when, view, came, truth)


@dataclass(frozen=True)
class Score:
    """One drive with one profile: errors of `ahead_c` [K] and whether the band held, (moments, HORIZONS_S); the chance
    of crossing within CHANCE_S and whether it came, nan where that is not known."""

    plant: str
    case: str
    error: Array
    held: Array
    width: Array
    chance: Array
    crossed: Array


def score(plant: str, case: str, one: Seen, table: calibration.Table, limit_c: float) -> Score:
    """How the table does over the drive."""
    bands = np.stack([forecast.ahead_band(one.view, h, table) for h in HORIZONS_S], axis=1)
    low, likely, high = np.moveaxis(bands - one.view.now_c[:, None, None], -1, 0)
    held = np.where(np.isfinite(one.came), (low <= one.came) & (one.came <= high), np.nan)
    over = np.flatnonzero(one.truth_c >= limit_c)
    cross = over[0] if over.size else 10**9
    chance = forecast.chances(one.view, np.full(one.at_s.size, limit_c), table)[:, HORIZONS.index(CHANCE_S)]
    came = (cross - one.at_s <= CHANCE_S).astype(float)
    unknown = (one.at_s >= cross) | ((came == 0.0) & (one.at_s + CHANCE_S >= one.truth_c.size))
    return Score(plant, case, likely - one.came, held, high - low, chance, np.where(unknown, np.nan, came))


def both(one: Taught, tables: tuple[calibration.Table, calibration.Table]) -> list[Score]:
    """Every later drive of a garage, as typed and as learned, each with its table."""
    rng = np.random.default_rng([1, list(garages.PLANTS).index(one.plant), one.number])
    out = []
    for later in one.later:
        limit_c = float(later.truth_c.max()) + rng.uniform(-BORDER_C, BORDER_C)
        for case, profile, table in zip(("typed", "learned"), (one.typed, one.learned), tables, strict=True):
            out.append(score(one.plant, case, seen(later, profile), table, limit_c))
    return out


def row(name: str, some: list[Score]) -> str:
    """One line of the table."""
    error, held, width = (np.concatenate([getattr(s, n) for s in some]) for n in ("error", "held", "width"))
    chance, crossed = np.concatenate([s.chance for s in some]), np.concatenate([s.crossed for s in some])
    known = np.isfinite(crossed)
    rms = "/".join(f"{v:.2f}" for v in np.sqrt(np.nanmean(error**2, axis=0)))
    mean = "/".join(f"{v:+.2f}" for v in np.nanmean(error, axis=0))
    share = "/".join(f"{100 * v:.0f}" for v in np.nanmean(held, axis=0))
    wide = "/".join(f"{v:.1f}" for v in np.median(width, axis=0))
    brier = np.mean((chance[known] - crossed[known]) ** 2)
    return f"| {name} | {len(some)} | {rms} | {mean} | {share} | {wide} | {brier:.4f} |"


HEAD = (
    "| plant, profile | drives | RMSE 120/300/600 s, K | mean error, K | 80 % band holds, % | median width, K "
    "| Brier 300 s |\n"
    "|---|---|---|---|---|---|---|"
)


def table(every: Iterable[Score]) -> str:
    """By plant and profile, and together."""
    known = list(every)
    lines = [HEAD]
    for plant in (*dict.fromkeys(s.plant for s in known), None):
        for case in dict.fromkeys(s.case for s in known):
            some = [s for s in known if s.case == case and plant in (s.plant, None)]
            lines.append(row(f"{plant or 'both'}, {case}", some))
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.learn_ahead", description="Forecast after learning")
    parser.add_argument("--seed", type=int, default=2027)
    parser.add_argument("--garages", type=int, default=25, help="of each plant")
    parser.add_argument("--plants", nargs="+", default=list(garages.PLANTS), choices=list(garages.PLANTS))
    asked = parser.parse_args()
    tables = calibration.SEEING, calibration.SEEING
    every = [
        found
        for plant in asked.plants
        for one in taught.load(plant, asked.garages, asked.seed)
        for found in both(one, tables)
    ]
    print(f"seed {asked.seed}, {asked.garages} garages of each plant, {taught.LATER} drives each\n\n{table(every)}")


if __name__ == "__main__":
    main()
