"""Leave one out over the real trips: learn on the others, then foresee the trip that was held out.

    python -m tests.bench.learn_real [--quick]

Two questions.  Free runs: with the demand known as it was, how far does the cooling alone miss, by the default profile
and by the one learned from the other trips?  Pipeline: what the driver would have seen (`ahead_c`), the demand ahead
unknown, with either profile.  Persistence (it stays as it is) stands beside both.  A trip that cannot be learned from
is still foreseen; nothing is tuned here.  `--quick` leaves the pipeline out.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from livemon.core.outcome import Outcome
from livemon.core.vehicle import VehicleProfile
from livemon.readers.log_file import LogFile
from livemon.study import cooling_fit
from livemon.study.learn import Learned, learn
from livemon.study.recording import Drive, from_events
from livemon.wire.codes import marks_drive
from tests.bench.forecast import real

Array = NDArray[np.float64]
AHEAD_S = (120, 300)
MINUTES = (2, 5)
LIMIT_C = 110.0  # as in the forecast benchmark: no trip comes near
WARM_C = 80.0
PROFILES = ("default", "learned")


def drives(where: Path) -> list[Drive]:
    """Every trip in columns, fuel by the default engine."""
    paths = sorted((where / "by_cycle").glob("*.csv"))
    return [from_events(p.stem, LogFile(p).events(), VehicleProfile()) for p in paths]


def taught(others: Sequence[Drive]) -> Learned:
    """What the other trips teach."""
    found = learn(others, VehicleProfile(), marks_drive)
    if not isinstance(found, Learned):
        raise SystemExit("; ".join(f"{one.name}: {one.reason}" for one in found))
    return found


def free_errors(drive: Drive, profile: VehicleProfile) -> tuple[Array, Array]:
    """Error of the minute means [K] (runs, minutes) of the free runs of one drive, and of persistence."""
    runs, missed = cooling_fit.free_runs([drive], profile)
    stays = runs.blocks.T - runs.coolant_c[cooling_fit.LED - 1][:, None]
    return missed, stays


def ahead(said: Sequence[Outcome], seconds: int, h: int) -> Array:
    """(3, seconds): low, likely, high of the temperature `h` seconds ahead; nan where nothing was said."""
    out = np.full((3, seconds), np.nan)
    for i, outcome in enumerate(said[:seconds]):
        band = dict(outcome.ahead_c or ()).get(h)
        if band is not None and band.likely is not None and band.low is not None and band.high is not None:
            out[:, i] = band.low, band.likely, band.high
    return out


def scored(truth: Array, told: dict[str, Array], h: int) -> dict[str, Array]:
    """Errors [K] on the seconds where every profile spoke and no hole lies between: (seconds,), by name."""
    seen = np.concatenate([truth[h:], np.full(h, np.nan)])
    known = np.concatenate([[0], np.cumsum(np.isfinite(truth))])
    whole = np.zeros(truth.size, dtype=bool)
    whole[: truth.size - h] = known[h + 1 :] - known[: truth.size - h] == h + 1
    at = whole & np.all([np.isfinite(band[1]) for band in told.values()], axis=0)
    errors = {"now": truth[at], "persistence": (truth - seen)[at]}
    for name, (low, likely, high) in told.items():
        errors[name] = (likely - seen)[at]
        errors[f"{name} inside"] = ((seen >= low) & (seen <= high))[at].astype(np.float64)
    return errors


def rms(errors: Array) -> float:
    """Root mean square of what is known."""
    known = errors[np.isfinite(errors)]
    return float(np.sqrt(np.mean(known * known))) if known.size else float("nan")


def row(*cells: object) -> str:
    return "| " + " | ".join(f"{c:.2f}" if isinstance(c, float) else str(c) for c in cells) + " |"


def free_table(every: Sequence[Drive], found: Sequence[Learned]) -> list[str]:
    """Free runs of each held-out trip."""
    lines = [
        row("held-out trip", "runs", *(f"{way}, minute {m}" for m in MINUTES for way in ("stays", *PROFILES))),
        "|---" * (2 + 3 * len(MINUTES)) + "|",
    ]
    pooled: list[tuple[Array, Array, Array]] = []
    for drive, taught_by in zip(every, found, strict=True):
        default, stays = free_errors(drive, VehicleProfile())
        learned, _ = free_errors(drive, taught_by.profile)
        pooled.append((stays, default, learned))
        if len(default) == 0:
            lines.append(row(drive.name, 0, *["-"] * 3 * len(MINUTES)))
            continue
        lines.append(row(drive.name, len(default), *(rms(e[:, m - 1]) for m in MINUTES for e in pooled[-1])))
    together = [np.concatenate([p[k] for p in pooled]) for k in range(3)]
    lines.append(row("all", len(together[0]), *(rms(e[:, m - 1]) for m in MINUTES for e in together)))
    return lines


def pipeline_tables(where: Path, found: Sequence[Learned]) -> list[str]:
    """The driver's forecast on each held-out trip; pooled, and how many trips became better."""
    scores: dict[int, list[dict[str, Array]]] = {h: [] for h in AHEAD_S}
    names = []
    for trip, taught_by in zip(real.trips(where), found, strict=True):
        names.append(trip.name)
        said = {
            "default": real.outcomes(trip, LIMIT_C),
            "learned": real.outcomes(trip, LIMIT_C, taught_by.profile),
        }
        for h in AHEAD_S:
            told = {name: ahead(one, trip.coolant_c.size, h) for name, one in said.items()}
            scores[h].append(scored(trip.coolant_c, told, h))
        print(f"{trip.name} done", file=sys.stderr, flush=True)
    ways = ("persistence", *PROFILES)
    lines = [
        row("held-out trip", *(f"{way}, {h} s" for h in AHEAD_S for way in ways)),
        "|---" * (1 + 3 * len(AHEAD_S)) + "|",
    ]
    for k, name in enumerate(names):
        lines.append(row(name, *(rms(scores[h][k][way]) for h in AHEAD_S for way in ways)))
    lines += [
        "",
        row("ahead", "seconds", "persistence", *PROFILES, "80 % band holds, default", "learned", "better in trips"),
        "|---" * 8 + "|",
    ]
    for h in AHEAD_S:
        for words, least in (("", -100.0), (f", from {WARM_C:.0f} C", WARM_C)):
            kept = [{n: e[s["now"] >= least] for n, e in s.items()} for s in scores[h]]
            kept = [s for s in kept if s["now"].size]
            pooled = {n: np.concatenate([s[n] for s in kept]) for n in kept[0]}
            better = sum(rms(s["learned"]) < rms(s["default"]) for s in kept)
            inside = (f"{100 * pooled[f'{p} inside'].mean():.0f} %" for p in PROFILES)
            lines.append(
                row(
                    f"{h} s{words}",
                    pooled["now"].size,
                    *(rms(pooled[way]) for way in ways),
                    *inside,
                    f"{better} of {len(kept)}",
                )
            )
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.learn_real", description="Learn, leave one out")
    parser.add_argument("--quick", action="store_true", help="without the pipeline")
    asked = parser.parse_args()
    where = real.folder()
    if where is None:
        raise SystemExit(f"real recordings {real.FOLDER} are not here (looked beside the checkout in shared/datasets)")
    every = drives(where)
    found = []
    for held in every:
        found.append(taught([d for d in every if d is not held]))
        print(f"learned without {held.name}: {found[-1].rms_c:.2f} K", file=sys.stderr, flush=True)
    print("Free runs, demand known: root-mean-square error [K]\n")
    print("\n".join(free_table(every, found)))
    if not asked.quick:
        print("\nPipeline, demand ahead unknown: root-mean-square error [K]\n")
        print("\n".join(pipeline_tables(where, found)))


if __name__ == "__main__":
    main()
