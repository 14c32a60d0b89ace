"""`python -m tests.bench.route_forecast`: the forecast with and without a route, with and without a learned profile.

Climbs of both made-up plants (`route_climbs`), limits within 5 C of the peak.  Four cases over the same drives: route
and profile, route alone, profile alone, neither.  One table: crossings warned three minutes ahead (or from the foot of
a climb that is shorter) against false cautions an hour, error of the expected peak, Brier score, bands (docs/road.md).
"""

from __future__ import annotations

import argparse
import pickle
import sys
import time
from dataclasses import dataclass, field
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from livemon.core import pipeline
from livemon.core.outcome import Outcome
from livemon.core.vehicle import VehicleProfile
from tests.bench import route_climbs
from tests.bench.forecast import ours, scoring
from tests.bench.forecast.track import Track
from tests.bench.route_climbs import Climb

Array = NDArray[np.float64]

CASES = {
    "route and profile": (True, True),
    "route alone": (True, False),
    "profile alone": (False, True),
    "neither": (False, False),
}
TUNING_SEED, STUDY_SEED = 1, 2026
WANTED_S = 180
PEAK_AHEAD_S = 600


@dataclass
class Said:
    """What one case said over one drive; arrays over seconds, NaN = nothing."""

    track: Track
    peak_c: Array  # (3, T) expected peak
    chance_climb: Array
    road_s: int = 0  # seconds in which the road was in the forecast


@dataclass
class Result:
    """Everything of one case that is scored."""

    said: list[Said] = field(default_factory=list)


def run(climb: Climb, with_route: bool, profile: VehicleProfile) -> Said:
    """The product's own pipeline over one climb."""
    settings = pipeline.CoreSettings(
        limit_c=climb.drive.limit_c, profile=profile, route=climb.route if with_route else None
    )
    state = pipeline.start(settings)
    n = climb.drive.truth_c.size
    said: list[Outcome] = []
    peak, chance, road_s = np.full((3, n), np.nan), np.full(n, np.nan), 0
    begin = time.perf_counter()
    for event in ours.events(climb.drive):
        state, outcome = pipeline.step(state, event, settings)
        if outcome is None:
            continue
        ahead = state.climb
        if ahead is not None:
            road_s += 1
            peak[:, len(said)] = ours._three(ahead.peak_c, np.nan, np.nan)
            chance[len(said)] = ahead.chance_soon
        said.append(outcome)
    track = ours.to_track(said, (time.perf_counter() - begin) / n * 1e6)
    if with_route:
        track.urgency = np.fmax(chance, -1.0)
    return Said(track, peak, chance, road_s)


def _one(job: tuple[Climb, bool, VehicleProfile]) -> Said:
    return run(*job)


@dataclass(frozen=True)
class Alarms:
    """Cautions of one drive; `warned` None where the drive does not count as a crossing."""

    warned: bool | None
    lead_s: float | None
    false: int
    hours: float


def alarms(climb: Climb, raised: NDArray[np.bool_]) -> Alarms:
    """As the forecast benchmark scores cautions; warned = WANTED_S ahead, or from the foot of a shorter climb."""
    found = scoring.alarms(climb.drive, raised)
    if found.lead_s is None:
        return Alarms(None, None, found.false, found.hours)
    crossing, foot = climb.drive.crossing_s, climb.foot_s
    assert crossing is not None
    assert foot is not None
    return Alarms(found.lead_s >= min(WANTED_S, crossing - foot), found.lead_s, found.false, found.hours)


def _pool(climbs: list[Climb], raised: list[NDArray[np.bool_]]) -> tuple[float, float, float, float]:
    """(share warned, false an hour, median lead [s], crossings that count)."""
    some = [alarms(c, r) for c, r in zip(climbs, raised, strict=True)]
    warned = [a.warned for a in some if a.warned is not None]
    leads = [a.lead_s for a in some if a.lead_s is not None]
    hours = sum(a.hours for a in some)
    return (
        float(np.mean(warned)) if warned else np.nan,
        sum(a.false for a in some) / hours if hours else np.nan,
        float(np.median(leads)) if leads else np.nan,
        float(len(warned)),
    )


def swept(climbs: list[Climb], tracks: list[Track], most_per_h: float) -> tuple[float, float, float, float]:
    """Best threshold of the chance up to so many false cautions an hour: (threshold, warned, false, lead)."""
    best = (np.nan, 0.0, 0.0, 0.0)
    for cut in np.linspace(0.95, 0.1, 35):
        warned, false, lead, _ = _pool(climbs, [np.nan_to_num(t.urgency, nan=-1.0) >= cut for t in tracks])
        if false > most_per_h:
            break
        if warned >= best[1]:
            best = (float(cut), warned, false, lead)
    return best


def peak_errors(climb: Climb, said: Said) -> float | None:
    """Expected less true peak [C] ten minutes before the peak (up to the limit's neighbourhood it is all one climb)."""
    top = int(climb.drive.truth_c.argmax())
    at = top - PEAK_AHEAD_S
    if at < scoring.SETTLE_S:
        return None
    likely = said.peak_c[1, at]
    if np.isnan(likely):
        likely = said.track.ahead_c[600][1, at]
    return float(likely - climb.drive.peak_c)


def peak_inside(climb: Climb, said: Said) -> list[bool]:
    """Each minute from the start to the peak: is the true rest-of-drive peak in the band?"""
    top = int(climb.drive.truth_c.argmax())
    inside = []
    for at in range(scoring.SETTLE_S, top, 60):
        low, _, high = said.peak_c[:, at]
        if not np.isnan(low):
            inside.append(bool(low <= climb.drive.peak_c <= high))
    return inside


def row(name: str, climbs: list[Climb], said: list[Said]) -> str:
    """One line of the table."""
    tracks = [s.track for s in said]
    own = _pool(climbs, [s.track.caution for s in said if s.track.caution is not None])
    best = swept(climbs, tracks, 1.0)
    errors = np.array([e for c, s in zip(climbs, said, strict=True) if (e := peak_errors(c, s)) is not None])
    inside = [x for c, s in zip(climbs, said, strict=True) for x in peak_inside(c, s)]
    chances, outcomes = [], []
    for c, s in zip(climbs, said, strict=True):
        at, outcome = scoring.scored(c.drive)
        told = np.isfinite(s.track.chance_300[at])
        chances.append(s.track.chance_300[at][told])
        outcomes.append(outcome[told])
    brier = scoring.brier(np.concatenate(chances), np.concatenate(outcomes))
    bands = scoring.ahead([c.drive for c in climbs], tracks)
    held = "/".join(f"{100 * bands[h].coverage:.0f}" for h in sorted(bands))
    cost = float(np.mean([t.us_per_step for t in tracks]))
    return (
        f"| {name} | {100 * best[1]:.0f} (at {best[0]:.2f}, {best[2]:.2f}/h, lead {best[3]:.0f} s) "
        f"| {100 * own[0]:.0f} ({own[1]:.2f}/h, lead {own[2]:.0f} s) "
        f"| {np.median(np.abs(errors)):.1f} ({np.median(errors):+.1f}, n {errors.size}) | {brier:.3f} | {held} "
        f"| {100 * np.mean(inside) if inside else float('nan'):.0f} | {cost:.0f} |"
    )


HEAD = (
    "| case | warned at <= 1 false/h, % | own level: warned, % | peak error ten minutes before, C: median size "
    "(median) | Brier | in 80 % band 120/300/600 s | peak in band, % | us/s |\n|---|---|---|---|---|---|---|---|"
)


def main(argv: list[str]) -> int:
    """Makes, runs, prints."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.route_forecast", description=__doc__)
    parser.add_argument("--drives", type=int, default=8, help="a plant and family (default 8)")
    parser.add_argument("--seed", type=int, default=TUNING_SEED, help=f"tuning {TUNING_SEED}, study {STUDY_SEED}")
    parser.add_argument("--plants", default=",".join(route_climbs.PLANTS))
    parser.add_argument("--cases", default=",".join(CASES))
    parser.add_argument("--jobs", type=int, default=1, choices=(1, 2))
    parser.add_argument("--keep", type=Path, help="pickle of climbs and what was said, for a closer look")
    args = parser.parse_args(argv)
    climbs = [
        c
        for p in args.plants.split(",")
        for f in route_climbs.FAMILIES
        for c in route_climbs.load(p, f, args.drives, args.seed)
    ]
    profiles = [route_climbs.learned(c) for c in climbs]
    plain = VehicleProfile()
    crossing = sum(c.drive.crossing_s is not None for c in climbs)
    hours = sum(c.drive.truth_c.size for c in climbs) / 3600.0
    print(f"seed {args.seed}, plants {args.plants}: {len(climbs)} climbs, {hours:.0f} h, {crossing} cross\n\n{HEAD}")
    kept = {}
    for name in args.cases.split(","):
        with_route, with_profile = CASES[name]
        work = [(c, with_route, p if with_profile else plain) for c, p in zip(climbs, profiles, strict=True)]
        if args.jobs == 1:
            said = [_one(job) for job in work]
        else:
            with Pool(args.jobs) as pool:
                said = pool.map(_one, work, chunksize=2)
        print(row(name, climbs, said), flush=True)
        kept[name] = said
    if args.keep:
        args.keep.write_bytes(pickle.dumps((climbs, kept)))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
