"""The whole pipeline on real trips (Weber 2023, KIT Automotive OBD-II Dataset, DOI 10.35097/1130, CC BY 4.0).

They hold gaps, restarts, warm-up overshoots and a recording with dropouts; none overheats.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from livemon.core.grid import on_grid
from livemon.core.outcome import Level, Outcome
from livemon.core.pipeline import CoreSettings
from livemon.readers.log_file import LogFile
from livemon.run import run
from tests.datasets import dataset

FOLDER = "kit-obd2-2023/by_cycle"


class Cautions:
    """Keeps when a caution or worse began, and when the reading first stood at the limit."""

    def __init__(self) -> None:
        self.began_s: list[float] = []
        self.crossed_s: float | None = None
        self._before = Level.UNKNOWN

    def event(self, event: object) -> None:
        """Not needed."""

    def outcome(self, said: Outcome) -> None:
        if said.level >= Level.CAUTION > self._before:
            self.began_s.append(said.t_ms / 1000.0)
        self._before = said.level
        if self.crossed_s is None and said.coolant_c is not None and said.coolant_c >= (said.limit_c or 0.0):
            self.crossed_s = said.t_ms / 1000.0


def cautions(path: Path, limit_c: float) -> Cautions:
    kept = Cautions()
    run(on_grid(LogFile(path).events()), CoreSettings(limit_c=limit_c), [kept])
    return kept


def test_the_climb_at_the_end_is_told_before_it_crosses() -> None:
    seen = cautions(dataset(f"{FOLDER}/kit_20170805_s_cw_normal.csv"), 101.0)
    assert seen.crossed_s is not None
    assert len(seen.began_s) == 1
    assert 30.0 <= seen.crossed_s - seen.began_s[0] <= 180.0


@pytest.mark.parametrize(
    "trip",
    ["20170711_ka_ka_stau", "20170713_rt_ka_stau_messfehler", "20180218_rt_ka_stau", "20170726_rt_s_stau"],
)
def test_no_caution_far_under_the_limit_through_gaps_restarts_and_overshoots(trip: str) -> None:
    assert cautions(dataset(f"{FOLDER}/kit_{trip}.csv"), 110.0).began_s == []


@pytest.mark.timeout(900)  # thirteen hours of driving through the whole pipeline, at an advisory for much of it
def test_three_kelvin_over_each_trip_s_own_peak_makes_at_most_two_cautions_in_all() -> None:
    with dataset("kit-obd2-2023/summary.csv").open(newline="") as file:
        peaks = {row["file"]: float(row["ect_max"]) for row in csv.DictReader(file)}
    found = {name: cautions(dataset(f"{FOLDER}/{name}"), peak + 3.0).began_s for name, peak in peaks.items()}
    assert sum(len(times) for times in found.values()) <= 2, found
