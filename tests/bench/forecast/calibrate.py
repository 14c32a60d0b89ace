"""`python -m tests.bench.forecast.calibrate`: chooses the peers' stated spreads on the tuning seed and prints them."""

from __future__ import annotations

import sys

import numpy as np
from scipy.special import ndtr

from tests.bench.forecast import roads, scoring
from tests.bench.forecast.__main__ import TUNING_SEED
from tests.bench.forecast.drives import load
from tests.bench.forecast.peers import PEERS
from tests.bench.forecast.track import HORIZONS, Z80

GRID_C = np.geomspace(0.3, 60.0, 40)


def main(count: int, plants: list[str]) -> None:
    """Prints one line a peer for spreads.py."""
    drives = [d for p in plants for f in roads.FAMILIES for d in load(p, f, "borderline", count, TUNING_SEED)]
    for name, peer in PEERS.items():
        over, outcomes = [], []
        miss: dict[int, list[np.ndarray]] = {h: [] for h in HORIZONS}
        for d in drives:
            track = peer(d)
            at, outcome = scoring.scored(d)
            known = at[np.isfinite(track.peak_c[at])]
            over.append(track.peak_c[known] - d.limit_c)
            outcomes.append(outcome[np.isfinite(track.peak_c[at])])
            for h in HORIZONS:
                last = min(d.crossing_s or d.truth_c.size, d.truth_c.size - h)
                when = np.arange(scoring.SETTLE_S, max(last, scoring.SETTLE_S), 5)
                miss[h].append(d.truth_c[when + h] - track.ahead_c[h][1, when])
        gap, outcome = np.concatenate(over), np.concatenate(outcomes)
        briers = [scoring.brier(ndtr(gap / s), outcome) for s in GRID_C]
        ahead = []
        for h in HORIZONS:
            error = np.concatenate(miss[h])
            error = error[np.isfinite(error)]
            half = Z80 * GRID_C[:, None]
            band = [
                np.stack([np.full_like(error, -w), np.zeros_like(error), np.full_like(error, w)]) for w in half[:, 0]
            ]
            ahead.append(float(GRID_C[int(np.argmin([scoring.quantile_crps(b, error).mean() for b in band]))]))
        best = float(GRID_C[int(np.argmin(briers))])
        print(f'    "{name}": Spread({best:.1f}, ({", ".join(f"{a:.1f}" for a in ahead)})),  # Brier {min(briers):.3f}')
        print("        ", " ".join(f"{s:.1f}:{b:.3f}" for s, b in zip(GRID_C[::4], briers[::4], strict=True)))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, sys.argv[2].split(",") if len(sys.argv) > 2 else ["plant2"])
