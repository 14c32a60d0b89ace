"""`python -m tests.bench.forecast`: one command, one table, one picture (docs/benchmark.md)."""

from __future__ import annotations

import argparse
import pickle
import sys
import time
from multiprocessing import Pool
from pathlib import Path

from tests.bench.forecast import ours, report, roads
from tests.bench.forecast.drives import KINDS, PLANTS, Drive, load
from tests.bench.forecast.peers import PEERS, SLOW_PEERS
from tests.bench.forecast.track import Track

TUNING_SEED, STUDY_SEED = 1, 2026
"""Methods and spreads may be tuned on the first seed only; figures in the docs are from the second."""


def _arguments(argv: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.forecast", description=__doc__)
    parser.add_argument("--drives", type=int, default=20, help="drives a family, kind and plant (default 20)")
    parser.add_argument("--seed", type=int, default=TUNING_SEED, help=f"tuning {TUNING_SEED}, study {STUDY_SEED}")
    parser.add_argument("--families", default=",".join(roads.FAMILIES))
    parser.add_argument("--plants", default="plant2", help=f"of {','.join(PLANTS)}")
    parser.add_argument("--kinds", default="borderline", help=f"of {','.join(KINDS)}")
    parser.add_argument("--signals", default="full", choices=ours.SIGNAL_SETS)
    parser.add_argument(
        "--methods", default="all", help=f"all, livemon, or of livemon,{','.join([*PEERS, *SLOW_PEERS])}"
    )
    parser.add_argument("--quick", action="store_true", help="4 drives a family, livemon, line 120 s and oracle only")
    parser.add_argument("--jobs", type=int, default=1, choices=(1, 2))
    parser.add_argument("--out", type=Path, help="picture to write (PNG)")
    parser.add_argument("--keep", type=Path, help="pickle of drives and tracks, for a closer look")
    parser.add_argument("--real", action="store_true", help="the real trips instead of made-up drives")
    return parser.parse_args(argv)


def _one(job: tuple[str, str, Drive]) -> Track:
    method, signals, drive = job
    return ours.run(drive, signals) if method == "livemon" else {**PEERS, **SLOW_PEERS}[method](drive)


def tracks_of(methods: list[str], drives: list[Drive], signals: str, jobs: int) -> dict[str, list[Track]]:
    """Every method over every drive."""
    work = [(m, signals, d) for m in methods for d in drives]
    if jobs == 1:
        done = [_one(job) for job in work]
    else:
        with Pool(jobs) as pool:
            done = pool.map(_one, work, chunksize=4)
    n = len(drives)
    return {m: done[i * n : (i + 1) * n] for i, m in enumerate(methods)}


def main(argv: list[str]) -> int:
    args = _arguments(argv)
    if args.real:
        from tests.bench.forecast import real

        print(real.study())
        return 0
    methods = args.methods.replace("all", ",".join(["livemon", *PEERS])).split(",")
    count = args.drives
    if args.quick:
        count, methods = 4, ["livemon", "line 120 s", "frozen oracle"]
    families, plants, kinds = args.families.split(","), args.plants.split(","), args.kinds.split(",")
    begin = time.perf_counter()
    drives = [d for p in plants for f in families for k in kinds for d in load(p, f, k, count, args.seed)]
    print(f"seed {args.seed}, plants {args.plants}, kinds {args.kinds}, signals {args.signals}")
    print(f"{report.summary(drives)} (drives ready in {time.perf_counter() - begin:.0f} s)\n")
    tracks = tracks_of(methods, drives, args.signals, args.jobs)
    rows = [report.row(m, drives, tracks[m]) for m in methods]
    print(report.table(rows))
    print("\nShare of crossings warned at least 60/120/180 s ahead, %, at false cautions an hour:\n")
    print(report.warnings_table(rows))
    if len(families) > 1:
        by_family = {}
        for f in families:
            index = [i for i, d in enumerate(drives) if d.family == f]
            some = [drives[i] for i in index]
            by_family[f] = [report.row(m, some, [tracks[m][i] for i in index], sweep=False) for m in methods]
        print("\n" + report.family_table(by_family))
    if args.out:
        title = f"{args.kinds} drives, {args.plants}, seed {args.seed}: {report.summary(drives)}"
        report.picture(rows, title, args.out)
        print(f"\npicture: {args.out}")
    if args.keep:
        args.keep.write_bytes(pickle.dumps((drives, tracks)))
    print(f"\n{time.perf_counter() - begin:.0f} s in all")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
