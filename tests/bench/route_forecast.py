"""`python -m tests.bench.route_forecast`: the forecast with and without a route, with and without a learned profile.

Climbs of both made-up plants (`route_climbs`), limits within 5 C of the peak.  Cases over the same drives: route and
profile (learned by `learn` from nine earlier drives, or from three), route alone, profile alone, neither.  One table of
what the core itself says at its own levels: crossings warned three minutes ahead (or from the foot of a climb that is
shorter), false cautions an hour, error of the expected peak, Brier score, bands; and what `climb_chance` trades
(docs/road.md).
"""

from __future__ import annotations

import argparse
import pickle
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from livemon.core import alert, pipeline
from livemon.core.alert import AlertSettings, Evidence
from livemon.core.outcome import Level, Outcome
from livemon.core.vehicle import VehicleProfile
from tests.bench import route_climbs
from tests.bench.forecast import ours, scoring
from tests.bench.forecast.track import Track
from tests.bench.route_climbs import Climb

Array = NDArray[np.float64]
_Job = TypeVar("_Job")
_Done = TypeVar("_Done")

NINE, FEW, DEFAULT = len(route_climbs.EARLIER), route_climbs.FEW, 0
CASES = {
    "route and profile": (True, NINE),
    "route and profile of three drives": (True, FEW),
    "route alone": (True, DEFAULT),
    "profile alone": (False, NINE),
    "neither": (False, DEFAULT),
}
"""With the route or not, and of how many earlier drives the profile is; of none: every figure at its default."""
KNOWN = "route and vehicle known"
"""What is left where every figure of the vehicle is true: driver, weather and sensors (plant `sim` only)."""
TUNING_SEED, STUDY_SEED = 1, 2026
WANTED_S = 180
CUTS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
PEAK_AHEAD_S = 600
BEGUN_S = 120


@dataclass
class Said:
    """What one case said over one drive; arrays over seconds, NaN = nothing."""

    track: Track
    peak_c: Array  # (3, T) expected peak
    evidence: list[Evidence]  # what each second's level was decided on


def run(climb: Climb, with_route: bool, profile: VehicleProfile) -> Said:
    """The product's own pipeline over one climb."""
    settings = pipeline.CoreSettings(
        limit_c=climb.drive.limit_c, profile=profile, route=climb.route if with_route else None
    )
    n = climb.drive.truth_c.size
    peak = np.full((3, n), np.nan)
    said: list[Outcome] = []
    evidence: list[Evidence] = []
    begin = time.process_time()
    for _, told in pipeline.rerun(ours.events(climb.drive), settings):
        if told is None:
            continue
        road = told.outcome.road
        if road is not None:
            peak[:, len(said)] = ours._three(road.peak_c, np.nan, np.nan)
        said.append(told.outcome)
        evidence.append(told.evidence)
    return Said(ours.to_track(said, (time.process_time() - begin) / n * 1e6), peak, evidence)


def _one(job: tuple[Climb, bool, VehicleProfile]) -> Said:
    return run(*job)


def _learned(job: tuple[Climb, int]) -> VehicleProfile:
    climb, count = job
    return route_climbs.learned(climb, count) if count else VehicleProfile()


def _mapped(done: Callable[[_Job], _Done], work: list[_Job], jobs: int) -> list[_Done]:
    if jobs == 1:
        return [done(job) for job in work]
    with Pool(jobs) as pool:
        return pool.map(done, work, chunksize=2)


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


def at_chance(said: Said, climb_chance: float) -> NDArray[np.bool_]:
    """Seconds at caution or over, as the core itself decides under another `climb_chance`."""
    settings, state, raised = AlertSettings(climb_chance=climb_chance), alert.start(), []
    for evidence in said.evidence:
        state, level = alert.decide(state, evidence, settings)
        raised.append(level >= Level.CAUTION)
    return np.array(raised)


def sweep(climbs: list[Climb], said: list[Said]) -> str:
    """What each `climb_chance` would have brought, as lines of a table."""
    lines = ["| climb_chance | warned, % | false/h | median lead, s |", "|---|---|---|---|"]
    for cut in CUTS:
        warned, false, lead, count = _pool(climbs, [at_chance(s, cut) for s in said])
        lines.append(f"| {cut:.2f} | {100 * warned:.0f} of {count:.0f} | {false:.2f} | {lead:.0f} |")
    return "\n".join(lines)


class Miss(NamedTuple):
    """Expected less true peak [C], so many seconds before it; `begun` = its climb had been driven for two minutes."""

    ahead_s: int
    error_c: float
    begun: bool


def peak_errors(climb: Climb, said: Said) -> list[Miss]:
    """Eight to twelve minutes before the peak; without a route the temperature ten minutes ahead stands in."""
    top = int(climb.drive.truth_c.argmax())
    foot_s = climb.foot_of(top)
    found = []
    for ahead_s in range(480, 721, 60):
        at = top - ahead_s
        if at < scoring.SETTLE_S:
            continue
        likely = said.peak_c[1, at]
        if np.isnan(likely):
            likely = said.track.ahead_c[600][1, at]
        found.append(Miss(ahead_s, float(likely - climb.drive.peak_c), at >= foot_s + BEGUN_S))
    return found


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
    misses = [m for c, s in zip(climbs, said, strict=True) for m in peak_errors(c, s)]
    sharp = [m.error_c for m in misses if m.ahead_s == PEAK_AHEAD_S]
    begun, not_yet = ([m.error_c for m in misses if m.begun is yes] for yes in (True, False))
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
        f"| {name} | {100 * own[0]:.0f} of {own[3]:.0f} | {own[1]:.2f} | {own[2]:.0f} "
        f"| {_sized(sharp)} | {_sized(begun)} | {_sized(not_yet)} | {brier:.3f} | {held} "
        f"| {100 * np.mean(inside) if inside else float('nan'):.0f} | {cost:.0f} |"
    )


def _sized(errors: list[float]) -> str:
    return f"{np.median(np.abs(errors)):.1f} ({np.median(errors):+.1f}, n {len(errors)})" if errors else "-"


HEAD = (
    "| case | crossings warned, % | false/h | median lead, s | peak error ten minutes before, C: median size (median) "
    "| 8 to 12 min before, climb begun | not begun | Brier, 300 s | in 80 % band 120/300/600 s | peak in band, % "
    "| us/s |\n|---|---|---|---|---|---|---|---|---|---|---|"
)


def main(argv: list[str]) -> int:
    """Makes, runs, prints."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.route_forecast", description=__doc__)
    parser.add_argument("--drives", type=int, default=8, help="a plant and family (default 8)")
    parser.add_argument("--seed", type=int, default=TUNING_SEED, help=f"tuning {TUNING_SEED}, study {STUDY_SEED}")
    parser.add_argument("--plants", default=",".join(route_climbs.PLANTS))
    parser.add_argument("--cases", default=",".join((*CASES, KNOWN)))
    parser.add_argument("--jobs", type=int, default=1, choices=(1, 2))
    parser.add_argument("--keep", type=Path, help="pickle of climbs and what was said, for a closer look")
    args = parser.parse_args(argv)
    climbs = [
        c
        for p in args.plants.split(",")
        for f in route_climbs.FAMILIES
        for c in route_climbs.load(p, f, args.drives, args.seed)
    ]
    asked_for = {CASES.get(name, (True, DEFAULT))[1] for name in args.cases.split(",")}
    profiles = {count: _mapped(_learned, [(c, count) for c in climbs], args.jobs) for count in asked_for}
    crossing = sum(c.drive.crossing_s is not None for c in climbs)
    hours = sum(c.drive.truth_c.size for c in climbs) / 3600.0
    print(f"seed {args.seed}, plants {args.plants}: {len(climbs)} climbs, {hours:.0f} h, {crossing} cross\n\n{HEAD}")
    kept, tables = {}, []
    for name in args.cases.split(","):
        with_route, count = CASES.get(name, (True, DEFAULT))
        if name == KNOWN:
            work = [(c, True, c.known) for c in climbs if c.known is not None]
        else:
            work = [(c, with_route, p) for c, p in zip(climbs, profiles[count], strict=True)]
        asked = [c for c, _, _ in work]
        said = _mapped(_one, work, args.jobs)
        print(row(name, asked, said), flush=True)
        if with_route:
            tables.append(f"\n{name}, as the core decides under other `climb_chance`:\n\n{sweep(asked, said)}")
        kept[name] = said
    print("\n".join(tables))
    if args.keep:
        args.keep.write_bytes(pickle.dumps((climbs, kept)))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
