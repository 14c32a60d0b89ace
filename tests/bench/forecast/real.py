"""The real trips: error of `ahead_c` beside persistence and a straight line, cautions, and the hot episodes.

Truth is the reading itself, so nothing is scored across a hole in the data.  No trip crosses a real limit: limits are
laid over each trip's own peak, and 1 C below the peak of the hot ones.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from livemon.core import pipeline
from livemon.core.events import Event, Sample, Tick
from livemon.core.grid import on_grid
from livemon.core.outcome import Level, Outcome
from livemon.core.vehicle import VehicleProfile
from livemon.readers.log_file import LogFile
from livemon.study import alarms as rules
from tests.bench.forecast import scoring
from tests.bench.forecast.peers import least_squares

Array = NDArray[np.float64]
FOLDER = "kit-obd2-2023"
GAP_S = 20.0


def folder() -> Path | None:
    """The recordings, looked for beside the checkout."""
    for parent in Path(__file__).resolve().parents[3:6]:
        if (parent / "shared" / "datasets" / FOLDER).exists():
            return parent / "shared" / "datasets" / FOLDER
    return None


@dataclass
class Trip:
    """One recording on the one-second grid: reading held, NaN inside a hole."""

    name: str
    events: list[Event]
    coolant_c: Array

    @property
    def peak_c(self) -> float:
        return float(np.nanmax(self.coolant_c))


def trips(where: Path) -> Iterator[Trip]:
    """Every trip of the folder."""
    for path in sorted((where / "by_cycle").glob("*.csv")):
        events = list(on_grid(LogFile(path).events()))
        held: list[float] = []
        value, at = np.nan, 0
        for event in events:
            if isinstance(event, Sample):
                for name, reading in event.readings:
                    if name == "coolant_c":
                        value, at = reading, event.t_ms
            elif isinstance(event, Tick):
                held.append(value if event.t_ms - at <= GAP_S * 1000 else np.nan)
        yield Trip(path.stem, events, np.array(held))


def outcomes(trip: Trip, limit_c: float, profile: VehicleProfile | None = None) -> list[Outcome]:
    """The pipeline over the trip, one outcome a second."""
    settings = pipeline.CoreSettings(limit_c=limit_c, profile=profile or VehicleProfile())
    state = pipeline.start(settings)
    said = []
    for event in trip.events:
        state, outcome = pipeline.step(state, event, settings)
        if outcome is not None:
            said.append(outcome)
    return said


def _errors(trip: Trip, said: list[Outcome], h: int) -> dict[str, Array]:
    """Errors [C] of the likely value h seconds ahead, on the seconds where every method spoke."""
    truth = trip.coolant_c
    level, rate = least_squares(truth, 120)
    ours = np.full(truth.size, np.nan)
    low, high = ours.copy(), ours.copy()
    for i, outcome in enumerate(said[: truth.size]):
        band = dict(outcome.ahead_c or ()).get(h)
        if band is not None and band.likely is not None:
            ours[i] = band.likely
            low[i] = np.nan if band.low is None else band.low
            high[i] = np.nan if band.high is None else band.high
    seen = np.concatenate([truth[h:], np.full(h, np.nan)])
    whole = np.array([np.isfinite(truth[i : i + h + 1]).all() for i in range(truth.size)])
    at = np.flatnonzero(whole & np.isfinite(level) & np.isfinite(seen))
    spoke = at[np.isfinite(ours[at])]
    at = spoke if spoke.size else at
    out = {"persistence": truth[at] - seen[at], "line 120 s": (level + rate * h)[at] - seen[at]}
    if spoke.size:
        out["livemon"] = ours[at] - seen[at]
        out["inside"] = ((seen[at] >= low[at]) & (seen[at] <= high[at])).astype(float)
    return out


def _cautions(said: list[Outcome]) -> list[tuple[int, int]]:
    return scoring.cautions(np.array([o.level >= Level.CAUTION for o in said]))


def study() -> str:
    """All of it as text."""
    where = folder()
    if where is None:
        return f"real recordings {FOLDER} are not here (looked beside the checkout in shared/datasets)"
    pooled: dict[int, dict[str, list[Array]]] = {120: {}, 300: {}}
    lines: list[str] = []
    over, far, episodes, false = 0, 0, [], 0
    with (where / "hot_episodes.csv").open() as file:
        hot = {row["file"].removesuffix(".csv"): row for row in csv.DictReader(file)}
    for trip in trips(where):
        said = outcomes(trip, 110.0)
        for h, sums in pooled.items():
            for name, errors in _errors(trip, said, h).items():
                sums.setdefault(name, []).append(errors)
        at_110, at_peak = _cautions(said), _cautions(outcomes(trip, trip.peak_c + 3.0))
        far += len(at_110)
        over += len(at_peak)
        doubts = sorted({d for o in said for d in o.doubts})
        lines.append(
            f"| {trip.name} | {trip.peak_c:.0f} | {len(at_110)} | {len(at_peak)} | {'; '.join(doubts) or 'none'} |"
        )
        if trip.name in hot:
            text, wrong = _episode(trip, hot[trip.name])
            episodes.append(text)
            false += wrong
    table = []
    for h, sums in pooled.items():
        for name, parts in sums.items():
            every = np.concatenate(parts)
            if name == "inside":
                table.append(f"| {h} s | livemon 80 % band holds | {100 * every.mean():.0f} % | | {every.size} |")
            else:
                rmse, mae = float(np.sqrt((every**2).mean())), float(np.abs(every).mean())
                table.append(f"| {h} s | {name} | {rmse:.2f} | {mae:.2f} | {every.size} |")
    return "\n".join(
        [
            "| ahead | method | RMSE C | mean absolute error C | seconds |\n|---|---|---|---|---|",
            *table,
            "\n| trip | peak C | cautions at 110 C | cautions at peak + 3 C | doubts |\n|---|---|---|---|---|",
            *lines,
            f"\ncautions at 110 C: {far}; at peak + 3 C: {over}\n",
            "| hot episode, limit = peak - 1 C | rise from 92 C took | caution before the reading reached it | false |",
            "|---|---|---|---|",
            *episodes,
            f"\nfalse cautions in the hot trips together: {false}",
        ]
    )


def _episode(trip: Trip, row: dict[str, str]) -> tuple[str, int]:
    """Lead of the caution that stands when the reading reaches peak - 1 C, and false cautions of the trip."""
    limit = float(row["ect_peak_c"]) - 1.0
    said = outcomes(trip, limit)
    reached = trip.coolant_c >= limit
    begin = round(float(row["t_last_92C_s"]))
    after = np.flatnonzero(reached[begin:])
    crossing = begin + int(after[0]) if after.size else len(said) - 1
    lead, false = 0, 0
    for start, end in _cautions(said):
        if start <= crossing and end >= crossing - rules.GAP_S:
            lead = crossing - start
        elif not reached[start : end + rules.EARLY_S].any():
            false += 1
    return f"| {trip.name}, {limit:.0f} C | {crossing - begin} s | {lead} s | {false} |", false
