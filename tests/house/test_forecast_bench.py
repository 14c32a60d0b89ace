"""The forecast benchmark itself: rules of scoring, scores against other implementations, and a run of few drives.

The long study is `python -m tests.bench.forecast` (docs/benchmark.md).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.bench.forecast import ours, report, scoring
from tests.bench.forecast.drives import Drive, load
from tests.bench.forecast.drives import Oracle as Bound
from tests.bench.forecast.peers import PEERS, least_squares
from tests.bench.forecast.track import Track

Array = NDArray[np.float64]


def made(truth_c: Array, limit_c: float) -> Drive:
    none = np.empty(0)
    return Drive(
        "-", "-", "-", 0, "", limit_c, truth_c, {"coolant_c": truth_c}, None, None, Bound(none, none, none, {})
    )


def flags(length: int, *stretches: tuple[int, int]) -> NDArray[np.bool_]:
    out = np.zeros(length, dtype=bool)
    for start, end in stretches:
        out[start:end] = True
    return out


def test_a_caution_counts_after_ten_seconds_and_ends_after_twenty_without() -> None:
    assert scoring.cautions(flags(100, (10, 19))) == []
    assert scoring.cautions(flags(100, (10, 20))) == [(10, 20)]
    assert scoring.cautions(flags(100, (10, 20), (39, 41))) == [(10, 41)]
    assert scoring.cautions(flags(100, (10, 20), (40, 55))) == [(10, 20), (40, 55)]


CLIMB = made(np.concatenate([np.full(2000, 90.0), np.linspace(90.0, 115.0, 1000)]), 110.0)


def test_lead_is_from_the_start_of_the_caution_that_stands_at_the_crossing() -> None:
    crossing = CLIMB.crossing_s
    assert crossing is not None
    result = scoring.alarms(CLIMB, flags(3000, (crossing - 100, 3000)))
    assert (result.lead_s, result.false) == (100.0, 0)
    early = scoring.alarms(CLIMB, flags(3000, (100, 300), (crossing - 500, crossing - 300)))
    assert (early.lead_s, early.false) == (0.0, 1), "one ended over 10 minutes before: false; the other: neither"
    assert early.hours == pytest.approx(crossing / 3600.0)


def test_false_on_a_drive_that_peaks_lower_and_neither_in_a_toss_up() -> None:
    raised = flags(3000, (100, 200), (1000, 1100))
    assert scoring.alarms(replace(CLIMB, limit_c=117.5), raised).false == 2
    for limit in (116.9, 114.1):  # peak 1.9 under, 0.9 over
        toss_up = scoring.alarms(replace(CLIMB, limit_c=limit), raised)
        assert (toss_up.lead_s, toss_up.false, toss_up.hours) == (None, 0, 0.0)


def test_seconds_whose_outcome_is_unknown_are_not_scored() -> None:
    at, outcome = scoring.scored(replace(CLIMB, limit_c=120.0))
    assert at[-1] == 3000 - 300 - 1
    assert not outcome.any()
    at, outcome = scoring.scored(CLIMB)
    assert at[-1] + 1 == CLIMB.crossing_s
    assert outcome.sum() == 300


def test_brier_and_crps_agree_with_scoringrules() -> None:
    sr = pytest.importorskip("scoringrules", reason="the reference is in the bench extra only")
    rng = np.random.default_rng(3)
    chance, outcome = rng.random(400), rng.random(400) < 0.4
    assert scoring.brier(chance, outcome) == pytest.approx(float(np.mean(sr.brier_score(outcome, chance))), rel=1e-12)
    seen = rng.normal(100.0, 4.0, 300)
    band = np.sort(rng.normal(100.0, 4.0, (3, 300)), axis=0)
    reference = sr.crps_quantile(seen, band.T, np.array(scoring.QUANTILES))
    assert scoring.quantile_crps(band, seen) == pytest.approx(np.asarray(reference), rel=1e-9)


def test_auc_by_counting_pairs() -> None:
    rng = np.random.default_rng(5)
    score, outcome = np.round(rng.random(60), 1), rng.random(60) < 0.5
    pairs = [(1.0 if a > b else 0.5 if a == b else 0.0) for a in score[outcome] for b in score[~outcome]]
    assert scoring.auc(score, outcome) == pytest.approx(np.mean(pairs))


def test_straight_line_is_least_squares() -> None:
    readings = np.random.default_rng(7).normal(95.0, 3.0, 200)
    level, slope = least_squares(readings, 60)
    expected = np.polyfit(np.arange(60.0), readings[100:160], 1)
    assert slope[159] == pytest.approx(expected[0])
    assert level[159] == pytest.approx(np.polyval(expected, 59.0))
    assert np.isnan(level[58])


def _said(n: int, time_s: Array, low: Array, high: Array) -> Track:
    return Track(np.zeros(n), time_s, np.zeros(n), time_low_s=low, time_high_s=high)


def test_time_band_counts_a_drive_that_never_crosses_as_later_than_all_that_was_seen() -> None:
    flat = made(np.full(1000, 90.0), 110.0)
    never = np.full(1000, np.inf)
    right = scoring.time_band([flat], [_said(1000, never, never, never)])
    assert right is not None
    assert (right.crps_s, right.coverage) == (0.0, 1.0)
    wrong = scoring.time_band([flat], [_said(1000, np.full(1000, 50.0), np.full(1000, 40.0), np.full(1000, 60.0))])
    assert wrong is not None
    assert wrong.coverage == 0.0
    assert wrong.crossed_after_high == 1.0


def test_prognostics_of_a_perfect_and_a_blind_method() -> None:
    crossing = CLIMB.crossing_s
    assert crossing is not None
    left = np.maximum(crossing - np.arange(3000.0), 0.0)
    perfect = scoring.prognostics([CLIMB], [_said(3000, left, left, left)])
    assert perfect.horizon_s == 600.0
    assert set(perfect.accuracy.values()) == {1.0}
    blind = scoring.prognostics([CLIMB], [_said(3000, np.full(3000, np.inf), left, left)])
    assert blind.horizon_s == 0.0
    assert set(blind.accuracy.values()) == {0.0}


def test_a_drive_is_the_same_whatever_the_number_asked_for() -> None:
    few, more = load("plant2", "faults", "borderline", 1, 11), load("plant2", "faults", "borderline", 2, 11)
    assert few[0].limit_c == more[0].limit_c
    assert (few[0].truth_c == more[0].truth_c).all()
    assert abs(few[0].peak_c - few[0].limit_c) <= 5.05


def test_the_benchmark_runs_and_the_oracle_is_the_better_forecaster() -> None:
    drives = load("plant2", "steady", "borderline", 3, 11)
    rows = [report.row(m, drives, [PEERS[m](d) for d in drives]) for m in ("line 120 s", "frozen oracle")]
    assert rows[1].brier < rows[0].brier
    assert rows[1].ahead[120].rmse < rows[0].ahead[120].rmse
    mine = report.row("livemon", drives, [ours.run(d) for d in drives])
    assert 0.0 <= mine.brier <= 1.0
    text = report.table([*rows, mine]) + report.warnings_table([*rows, mine])
    assert text.count("frozen oracle") == 2
