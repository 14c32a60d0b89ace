"""`python -m tests.bench.settles`: how right it is where the temperature heads "if the demand holds" (`settles_c`).

Held against the true plant driven on for ten minutes with the demand of the last minute (the frozen oracle of the
forecast's drives), which has settled but for a degree or so by then.  The width of the band was chosen on 20
drives of the tuning seed 1, where it holds 81 %.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np

from livemon.core import pipeline
from tests.bench.forecast import ours, roads
from tests.bench.forecast.drives import GRID_S, Drive, load

AHEAD_S = 600
EACH_S = 20
FROM_S = 300


def moments(drive: Drive) -> list[tuple[float, float, float, float]]:
    """(low, likely, high, truth) [C] each EACH_S of one drive."""
    settings = pipeline.CoreSettings(limit_c=drive.limit_c)
    state = pipeline.start(settings)
    truth = np.concatenate([np.full(GRID_S - 1, np.nan), np.repeat(drive.oracle.ahead_c[AHEAD_S], GRID_S)])
    found, second = [], 0
    for event in ours.events(drive):
        state, said = pipeline.step(state, event, settings)
        if said is None:
            continue
        band = said.settles_c
        if band is not None and second >= FROM_S and second % EACH_S == 0 and second < truth.size:
            assert band.low is not None
            assert band.likely is not None
            assert band.high is not None
            if np.isfinite(truth[second]):
                found.append((band.low, band.likely, band.high, float(truth[second])))
        second += 1
    return found


def main(argv: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.settles", description=__doc__)
    parser.add_argument("--drives", type=int, default=2, help="drives a family")
    parser.add_argument("--seed", type=int, default=2034)
    parser.add_argument("--plant", default="plant2")
    args = parser.parse_args(argv)
    print(f"seed {args.seed}, {args.plant}, borderline drives\n")
    print("| family | moments | in 80 % band | width C | RMSE C | mean error C |\n|---|---|---|---|---|---|")
    everything = []
    for family in roads.FAMILIES:
        rows = [row for d in load(args.plant, family, "borderline", args.drives, args.seed) for row in moments(d)]
        everything += rows
        _tell(family, rows)
    _tell("all", everything)
    return 0


def _tell(name: str, rows: list[tuple[float, float, float, float]]) -> None:
    low, likely, high, truth = np.array(rows).T
    error = likely - truth
    held = 100.0 * ((truth >= low) & (truth <= high)).mean()
    print(
        f"| {name} | {truth.size} | {held:.0f} | {(high - low).mean():.1f} | {np.sqrt((error**2).mean()):.1f} "
        f"| {error.mean():+.1f} |"
    )


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
