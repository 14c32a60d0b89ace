"""What one second costs live: processor time of a tick, calm and hot, with and without a route.

    python -m tests.bench.tick_cost

The made-up pass goes through the core event by event, as in a car, three times; of each tick the least of the three
counts, so that other work on the machine does not.  Beside it stands a yardstick, the time of one plain step of Python
and one small step of numpy, by which another machine can be compared.  Screen, adapter and recorder: `live_cost`.
"""

from __future__ import annotations

import time
from itertools import pairwise

import numpy as np

from livemon.core import pipeline
from livemon.core.events import Event, Sample, Tick
from livemon.core.grid import on_grid
from livemon.core.outcome import Level
from livemon.core.pipeline import CoreSettings
from livemon.core.route import Route, build
from livemon.readers.log_file import LogFile
from tests.replays import FOLDER

RUNS = 3
STEPS = 20_000


def ticks(events: list[Event], settings: CoreSettings) -> list[tuple[Level, float]]:
    """Level and processor time [us] of each second: its tick and the readings before it."""
    state, said, spent = pipeline.start(settings), [], 0.0
    for event in events:
        begun = time.thread_time_ns()
        state, outcome = pipeline.step(state, event, settings)
        spent += (time.thread_time_ns() - begun) / 1000.0
        if isinstance(event, Tick):
            assert outcome is not None
            said.append((outcome.level, spent))
            spent = 0.0
    return said


def driven(events: list[Event]) -> Route:
    """The road as the log itself tells it, ten kilometres longer than was driven."""
    rows = [(e.t_ms / 1000.0, dict(e.readings)) for e in events if isinstance(e, Sample)]
    rows = [(t, r) for t, r in rows if {"speed_kmh", "altitude_m", "latitude_deg", "longitude_deg"} <= set(r)]
    along = np.cumsum([0.0] + [(b[0] - a[0]) * b[1]["speed_kmh"] / 3.6 for a, b in pairwise(rows)])
    height, latitude, longitude = (
        np.array([r[name] for _, r in rows]) for name in ("altitude_m", "latitude_deg", "longitude_deg")
    )
    on = (1.0, 700.0, latitude[-1] - latitude[-2], longitude[-1] - longitude[-2])
    ends = (along[-1] + 1e4 * on[0], height[-1] + on[1], latitude[-1] + 5e2 * on[2], longitude[-1] + 5e2 * on[3])
    return build(
        "made up", *(np.append(v, end) for v, end in zip((along, height, latitude, longitude), ends, strict=True))
    )


def yardstick_ns() -> tuple[float, float]:
    """One turn of a plain loop, and one product of two arrays of 36 numbers [ns]."""
    plain, small = [], []
    numbers = np.arange(36.0)
    for _ in range(RUNS):
        begun = time.thread_time_ns()
        total = 0
        for k in range(STEPS):
            total += k % 7
        middle = time.thread_time_ns()
        for _ in range(STEPS):
            numbers * numbers
        plain.append((middle - begun) / STEPS)
        small.append((time.thread_time_ns() - middle) / STEPS)
    return min(plain), min(small)


def main() -> None:
    events = list(on_grid(LogFile(FOLDER / "pass-crosses-limit" / "log.csv").events()))
    plain, small = yardstick_ns()
    print(f"yardstick: {plain:.0f} ns a turn of a plain loop, {small:.0f} ns a small product of numpy")
    for what, settings in (("no route", CoreSettings()), ("route", CoreSettings(route=driven(events)))):
        runs = [ticks(events, settings) for _ in range(RUNS)]
        each = [(at[0][0], min(spent for _, spent in at)) for at in zip(*runs, strict=True)]
        for name, hot in (("below advisory", False), ("advisory or worse", True)):
            us = np.array([spent for level, spent in each if (level >= Level.ADVISORY) is hot])
            print(
                f"{what:<9} {name:<18} {len(us):5d} s   mean {us.mean() / 1000.0:5.2f} ms   median "
                f"{np.median(us) / 1000.0:5.2f} ms   worst {us.max() / 1000.0:5.1f} ms a second"
            )


if __name__ == "__main__":
    main()
