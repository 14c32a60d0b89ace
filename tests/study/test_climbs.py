"""Climbs and jams: found where they are, measured as by hand."""

from __future__ import annotations

import numpy as np
import pytest

from livemon.core.outcome import Climb
from livemon.study.climbs import ClimbFinder, Span, jams, measured
from tests.study.made_drive import drive


def climbed(finder: ClimbFinder, foot_s: int, top_s: int, rate_m_s: float) -> None:
    for t in range(foot_s + 60, top_s + 1):  # the core names a climb a while after its foot
        finder.hear(float(t), Climb(True, rate_m_s * (t - foot_s), (t - foot_s) / 60.0))


def test_a_climb_ends_at_its_highest_place() -> None:
    finder = ClimbFinder()
    climbed(finder, 100, 700, 0.5)
    for t in range(701, 760):  # 1 m/s down: the core waits for 15 m before it calls the summit passed
        finder.hear(float(t), Climb(True, 300.0 - (t - 700), (t - 100) / 60.0))
    finder.hear(760.0, Climb(False, 0.0, 0.0))
    assert finder.spans() == (Span(pytest.approx(100.0), 700.0, 300.0),)


def test_a_new_foot_without_a_pause_is_a_new_climb() -> None:
    finder = ClimbFinder()
    climbed(finder, 0, 400, 0.5)
    climbed(finder, 500, 900, 1.0)
    assert [(s.foot_s, s.gain_m) for s in finder.spans()] == [
        (pytest.approx(0.0), 200.0),
        (pytest.approx(500.0), 400.0),
    ]


def test_bridges_are_no_climbs_and_silence_ends_none() -> None:
    finder = ClimbFinder()
    climbed(finder, 0, 100, 0.3)
    finder.hear(101.0, Climb(False, 0.0, 0.0))
    climbed(finder, 200, 400, 0.5)
    finder.hear(401.0, None)
    finder.hear(402.0, Climb(True, 101.0, 202.0 / 60.0))
    assert [s.gain_m for s in finder.spans()] == [101.0]


def test_a_stretch_by_hand() -> None:
    """Twenty minutes at 60 km/h and 800 m up: 20 km at 4 %; 3 minutes at 110 C, of which one at 119."""
    coolant = np.full(240, 95.0)
    coolant[100:136] = 110.0
    coolant[110:122] = 119.0
    made = drive(20.0, coolant_c=coolant, speed_kmh=60.0, ac_on=np.where(np.arange(240) < 60, 1.0, 0.0))
    found = measured(made, 0.0, 1200.0, 108.0, 118.0, 800.0)
    assert found.distance_km == pytest.approx(20.0)
    assert found.grade_pct == pytest.approx(4.0)
    assert found.ac_share == pytest.approx(0.25)
    assert (found.start_c, found.peak_c, found.peak_at_s, found.margin_c) == (95.0, 119.0, 550.0, -11.0)
    assert (found.over_limit_s, found.over_stop_s) == (180.0, 60.0)


def test_nothing_recorded_is_none_not_zero() -> None:
    found = measured(drive(10.0, coolant_c=np.nan, speed_kmh=np.nan, fuel_kw=np.nan), 0.0, 600.0, 108.0, 118.0)
    assert (found.peak_c, found.margin_c, found.distance_km, found.standing_share, found.fuel_kw) == (None,) * 5
    assert found.ac_share is None, "nobody declared the A/C"
    assert found.over_limit_s == 0


def test_jam_with_spurts_is_one_jam() -> None:
    """Half an hour of creeping with a spurt to 30 km/h for 10 s each 3 minutes, between two fast stretches."""
    speed = np.full(600, 80.0)
    speed[120:480] = 4.0
    for at in range(150, 470, 36):
        speed[at : at + 2] = 30.0
    found = jams(drive(50.0, speed_kmh=speed))
    assert len(found) == 1
    assert found[0] == (pytest.approx(600.0, abs=90.0), pytest.approx(2400.0, abs=90.0))


@pytest.mark.parametrize(
    ("speed_kmh", "rpm", "minutes"),
    [(80.0, 2500.0, 20.0), (0.0, 0.0, 20.0), (np.nan, 800.0, 20.0), (0.0, 800.0, 2.0)],
    ids=["fast", "engine off", "speed unknown", "a short stop"],
)
def test_no_jam(speed_kmh: float, rpm: float, minutes: float) -> None:
    assert jams(drive(minutes, speed_kmh=speed_kmh, rpm=rpm)) == ()


def test_standing_with_a_running_engine_counts_also_where_rpm_is_unknown() -> None:
    assert jams(drive(5.0, speed_kmh=0.0)) == ((0.0, 300.0),)
    assert jams(drive(5.0, speed_kmh=0.0, rpm=np.nan)) == ((0.0, 300.0),)
