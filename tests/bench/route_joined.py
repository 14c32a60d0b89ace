"""`python -m tests.bench.route_joined`: how far to believe the forecast along a route, and how far the plain one.

Over climbs of both made-up plants with a route and a learned profile (`route_climbs`), every ten seconds before the
crossing: the chance of both forecasts to reach the limit within each horizon against what came.  Prints the weights of
`forecast.joined` as a logistic regression finds them at 300 s, and the Brier scores of each way to make one chance of
the two, each seed with the weights of the others; and the scores of the temperature ahead of both.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from livemon.core import forecast, pipeline
from livemon.core.ahead import HORIZONS
from livemon.core.outcome import HORIZONS_S, Band
from livemon.core.vehicle import VehicleProfile
from tests.bench import route_climbs
from tests.bench.forecast import ours, scoring
from tests.bench.route_climbs import Climb

Array = NDArray[np.float64]

EACH_S = 10
FITTED_S = 300
LEAST_SHARE = 1e-3
"""Weight of the rows that hold the regression to nothing: keeps it finite where all rows agree."""


class Rows(NamedTuple):
    """Moments; NaN = what came is not known.  Chances (n, HORIZONS), bands (n, HORIZONS_S, 3), what came alike."""

    plain: Array
    road: Array
    crossed: Array
    plain_c: Array
    road_c: Array
    seen_c: Array


def rows(climb: Climb, profile: VehicleProfile) -> Rows:
    """What both forecasts said over one climb, and what came."""
    drive = climb.drive
    settings = pipeline.CoreSettings(limit_c=drive.limit_c, profile=profile, route=climb.route)
    state, last = pipeline.start(settings), None
    n, crossing = drive.truth_c.size, drive.crossing_s
    out: list[tuple[Array, ...]] = []
    for piece in pipeline.pieces(ours.events(drive)):
        state, read = pipeline.seen(state, piece, settings)
        state, moments = pipeline.perceived(state, read, settings)
        asked = [forecast.Asked(m.estimator, drive.limit_c, m.stop_c) if m.told else None for m in moments]
        plains = forecast.standing(last, asked)
        last = plains[-1] if plains else last
        for moment, plain in zip(moments, plains, strict=True):
            second, climb_ahead = moment.inputs.t_ms // 1000, moment.climb
            if plain is None or climb_ahead is None or second % EACH_S or second < scoring.SETTLE_S:
                continue
            if second >= (n if crossing is None else crossing):
                continue
            road = dict(climb_ahead.chance)
            out.append(
                (
                    np.array(plain.chance_by),
                    np.array([road[h] for h in HORIZONS]),
                    np.array([_crossed(crossing, second, h, n) for h in HORIZONS]),
                    _bands(plain.ahead_c),
                    _bands(climb_ahead.ahead_c),
                    np.array([drive.truth_c[second + h] if second + h < n else np.nan for h in HORIZONS_S]),
                )
            )
    return Rows(*(np.array(column) for column in zip(*out, strict=True)))


def _crossed(crossing: int | None, second: int, horizon: int, n: int) -> float:
    if crossing is not None:
        return float(crossing - second <= horizon)
    return 0.0 if second + horizon < n else np.nan


def _bands(ahead_c: tuple[tuple[int, Band], ...]) -> Array:
    told = dict(ahead_c)
    return np.array([(b.low, b.likely, b.high) for b in (told[h] for h in HORIZONS_S)], dtype=float)


def features(plain: Array, road: Array) -> Array:
    """(n, 3) of the regression, held as `forecast.joined` holds them."""

    def logit(chance: Array, least: float) -> Array:
        held = np.clip(chance, least, forecast.MOST_CHANCE)
        return np.asarray(np.log(held / (1.0 - held)))

    both = logit(plain, forecast.LEAST_PLAIN), logit(road, forecast.LEAST_ROAD)
    return np.stack([np.ones(plain.size), *both], axis=1)


def fitted(some: Rows, horizon_s: int) -> Array:
    """The three weights: logistic regression by Newton's method."""
    place = HORIZONS.index(horizon_s)
    known = np.isfinite(some.crossed[:, place])
    x, y = features(some.plain[known, place], some.road[known, place]), some.crossed[known, place]
    weight = np.zeros(3)
    for _ in range(50):
        chance = 1.0 / (1.0 + np.exp(-x @ weight))
        slope = (x * (chance * (1.0 - chance))[:, None]).T @ x + LEAST_SHARE * y.size * np.eye(3)
        weight = weight + np.linalg.solve(slope, x.T @ (y - chance) - LEAST_SHARE * y.size * weight)
    return weight


def joint(some: list[Rows]) -> Rows:
    """Rows of many climbs as one."""
    return Rows(*(np.concatenate(column) for column in zip(*some, strict=True)))


def scores(by_seed: dict[int, Rows]) -> str:
    """Brier scores at each horizon, pooled over the seeds; each seed joined with the weights of the others."""
    lines = [
        "| within, s | plain | road | greater | joined, weights of the other seeds | joined |",
        "|---|---|---|---|---|---|",
    ]
    for place, horizon in enumerate(HORIZONS):
        said: list[tuple[Array, ...]] = []
        for seed, one in by_seed.items():
            known = np.isfinite(one.crossed[:, place])
            plain, road = one.plain[known, place], one.road[known, place]
            others = [r for s, r in by_seed.items() if s != seed] or [one]
            apart = 1.0 / (1.0 + np.exp(-features(plain, road) @ fitted(joint(others), FITTED_S)))
            own = np.array([forecast.joined(p, q) for p, q in zip(plain.tolist(), road.tolist(), strict=True)])
            said.append((one.crossed[known, place], plain, road, np.maximum(plain, road), apart, own))
        came, *ways = (np.concatenate(column) for column in zip(*said, strict=True))
        lines.append(f"| {horizon} | " + " | ".join(f"{scoring.brier(way, came > 0.5):.3f}" for way in ways) + " |")
    return "\n".join(lines)


def ahead(some: Rows) -> str:
    """Scores of the temperature ahead."""
    lines = ["| ahead, s | forecast | CRPS, C | RMSE, C | in 80 % band | width, C |", "|---|---|---|---|---|---|"]
    for place, horizon in enumerate(HORIZONS_S):
        known = np.isfinite(some.seen_c[:, place])
        seen = some.seen_c[known, place]
        for name, bands in (("plain", some.plain_c), ("road", some.road_c)):
            band = bands[known, place].T
            held = float(((seen >= band[0]) & (seen <= band[2])).mean())
            rmse = float(np.sqrt(((band[1] - seen) ** 2).mean()))
            crps, wide = float(scoring.quantile_crps(band, seen).mean()), float((band[2] - band[0]).mean())
            lines.append(f"| {horizon} | {name} | {crps:.2f} | {rmse:.2f} | {100 * held:.0f} % | {wide:.1f} |")
    return "\n".join(lines)


def main(argv: list[str]) -> int:
    """Makes, runs, fits, prints."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.route_joined", description=__doc__)
    parser.add_argument("--drives", type=int, default=8, help="a plant and family (default 8)")
    parser.add_argument("--seeds", default="1,3", help="the seeds tuned on (default 1,3)")
    parser.add_argument("--not-learned", action="store_true", help="every figure of the vehicle at its default")
    args = parser.parse_args(argv)
    plain: Callable[[Climb], VehicleProfile] = lambda _: VehicleProfile()  # noqa: E731
    profile = plain if args.not_learned else route_climbs.learned
    by_seed = {}
    for seed in map(int, args.seeds.split(",")):
        climbs = [
            c
            for p in route_climbs.PLANTS
            for f in route_climbs.FAMILIES
            for c in route_climbs.load(p, f, args.drives, seed)
        ]
        by_seed[seed] = joint([rows(c, profile(c)) for c in climbs])
    every = joint(list(by_seed.values()))
    print(f"seeds {args.seeds}, {args.drives} drives a plant and family: {len(every.plain)} moments\n")
    for horizon in HORIZONS:
        print(f"weights at {horizon} s: " + ", ".join(f"{w:.2f}" for w in fitted(every, horizon)))
    print(f"in force: {forecast.JOINED}\n\n{scores(by_seed)}\n\n{ahead(every)}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
