"""Runs `livemon.core.pipeline.step` over a drive, events in and outcomes out, and puts what it said into a track."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from livemon.core import pipeline
from livemon.core.events import SIGNALS, Event, Mark, Sample, Tick
from livemon.core.outcome import Band, Crossing, Level, Outcome
from tests.bench.forecast.drives import Drive
from tests.bench.forecast.track import HORIZONS, Track

SIGNAL_SETS = ("full", "slow", "basic", "coolant")
"""full: as the rig reports; slow: one cycle in 3 s; basic: coolant, rpm, speed, load only; coolant: nothing else."""


@dataclass(frozen=True)
class Saying:
    """One second of what the pipeline said, as far as it is scored."""

    chance: float
    time: tuple[float, float, float]
    ahead: tuple[tuple[float, float, float], ...]
    level: int


def events(drive: Drive, signals: str = "full") -> Iterator[Event]:
    """The drive as the core would consume it: a declared A/C, one sample a cycle, a tick a second."""
    names = [n for n in drive.readings if n in SIGNALS]
    if signals == "coolant":
        names = ["coolant_c"]
    elif signals == "basic":
        names = [n for n in names if n in ("coolant_c", "rpm", "speed_kmh", "load_pct")]
    period = 3 if signals == "slow" else 1
    columns = [(n, drive.readings[n]) for n in names]
    declared: bool | None = None
    for second in range(drive.truth_c.size):
        t_ms = (second + 1) * 1000
        if drive.ac is not None and signals != "coolant":
            on = bool(drive.ac[second])
            if on is not declared:
                declared = on
                yield Mark(t_ms, (("ac_on", on),))
        if second % period == 0:
            readings = tuple((n, float(v[second])) for n, v in columns if np.isfinite(v[second]))
            yield Sample(t_ms, readings)
        yield Tick(t_ms)


def run(drive: Drive, signals: str = "full", settings: pipeline.CoreSettings | None = None) -> Track:
    """The product's own forecast over one drive; its cautions at its own level are in `Track.caution`."""
    settings = settings or pipeline.CoreSettings(limit_c=drive.limit_c)
    said: list[Outcome] = []
    begin = time.perf_counter()
    state = pipeline.start(settings)
    for event in events(drive, signals):
        state, outcome = pipeline.step(state, event, settings)
        if outcome is not None:
            said.append(outcome)
    cost = (time.perf_counter() - begin) / max(len(said), 1) * 1e6
    return to_track(said, cost)


def to_track(said: list[Outcome], us_per_step: float) -> Track:
    """Outcomes of consecutive seconds as a track."""
    n = len(said)
    chance = np.full(n, np.nan)
    times = np.full((3, n), np.nan)
    bands = {h: np.full((3, n), np.nan) for h in HORIZONS}
    level = np.zeros(n, dtype=int)
    for i, outcome in enumerate(said):
        level[i] = int(outcome.level)
        if outcome.chance is not None:
            chance[i] = dict(outcome.chance).get(300, np.nan)
        for h, band in outcome.ahead_c or ():
            if h in bands:
                bands[h][:, i] = _three(band, np.nan, np.nan)
        if outcome.crossing is not Crossing.UNKNOWN:
            times[:, i] = _three(outcome.time_to_limit_s, np.inf, np.inf)
    return Track(
        chance_300=chance,
        time_s=times[1],
        urgency=chance.copy(),
        ahead_c=bands,
        time_low_s=times[0],
        time_high_s=times[2],
        caution=level >= int(Level.CAUTION),
        us_per_step=us_per_step,
    )


def _three(band: Band | None, missing: float, open_end: float) -> tuple[float, float, float]:
    if band is None:
        return missing, missing, missing
    low, likely, high = band.low, band.likely, band.high
    return (
        missing if low is None else low,
        missing if likely is None else likely,
        open_end if high is None else high,
    )
