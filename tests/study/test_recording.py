"""A log as columns: means, silences, marks, and what is never made up."""

from __future__ import annotations

import numpy as np
import pytest

from livemon.core.events import Event, Link, Mark, Sample
from livemon.core.vehicle import VehicleProfile
from livemon.study.recording import MOST_CELLS, from_events

PROFILE = VehicleProfile()


def rows(seconds: int, **values: float) -> list[Event]:
    return [Sample(1000 * k, tuple(values.items())) for k in range(seconds)]


def test_a_cell_holds_the_mean_of_its_readings() -> None:
    drive = from_events("d", [Sample(1000 * k, (("coolant_c", 90.0 + k),)) for k in range(10)], PROFILE)
    assert drive.coolant_c.tolist() == [92.0, 97.0]
    assert drive.t_s.tolist() == [0.0, 5.0]
    assert drive.hours == pytest.approx(10 / 3600)


def test_what_nobody_told_is_nan_and_never_zero() -> None:
    drive = from_events("d", rows(30, coolant_c=90.0), PROFILE)
    for column in (drive.speed_kmh, drive.rpm, drive.fuel_kw, drive.ac_on, drive.height_m, drive.grade_pct):
        assert np.isnan(column).all()
    assert drive.source == "nothing"
    assert not drive.air_measured


def test_a_value_is_carried_over_a_short_silence_only() -> None:
    events = [*rows(10, coolant_c=90.0, rpm=800.0, ambient_air_c=30.0), Sample(200_000, (("rpm", 900.0),))]
    drive = from_events("d", events, PROFILE)
    assert np.isfinite(drive.coolant_c[: 2 + 3]).all()
    assert np.isnan(drive.coolant_c[6:]).all()
    assert np.isfinite(drive.air_c[30])  # outside air is read seldom, and changes over minutes


def test_marks_hold_until_they_are_taken_back() -> None:
    events: list[Event] = [*rows(60, coolant_c=90.0)]
    events[20:20] = [Mark(20_000, (("ac_on", True),), "grille cleaned")]
    events[41:41] = [Mark(40_000, (("ac_on", False),))]
    drive = from_events("d", events, PROFILE)
    assert np.isnan(drive.ac_on[:4]).all()
    assert drive.ac_on[4:8].tolist() == [1.0] * 4
    assert drive.ac_on[8:].tolist() == [0.0] * 4
    assert drive.notes == ((20.0, "grille cleaned"),)


def test_fuel_of_air_flow() -> None:
    """30 g/s of air is 88.6 kW of fuel (petrol 43.4 MJ/kg at 14.7, textbook)."""
    drive = from_events("d", rows(10, coolant_c=90.0, rpm=2000.0, maf_g_s=30.0), PROFILE)
    assert drive.fuel_kw == pytest.approx([88.6, 88.6], abs=0.1)
    assert drive.source == "air flow"


def test_grade_follows_recorded_height() -> None:
    climb = [Sample(1000 * k, (("speed_kmh", 72.0), ("altitude_m", 300.0 + 1.2 * k))) for k in range(120)]
    drive = from_events("d", climb, PROFILE)
    middle = drive.grade_pct[3:-3]
    assert middle == pytest.approx(np.full(len(middle), 6.0), abs=0.05)  # 1.2 m up in 20 m


def test_what_speaks_against_a_drive_is_handed_over() -> None:
    jumpy = [Sample(1000 * k, (("coolant_c", 90.0 if k % 4 else 120.0),)) for k in range(40)]
    drive = from_events("d", [*jumpy, Sample(41_000, (), "P0301"), Link(42_000, False, "gone")], PROFILE)
    assert drive.jumps > 10
    assert drive.codes == ("P0301",)


def test_a_torn_clock_costs_no_memory() -> None:
    far = 5_000 * (MOST_CELLS + 10)
    drive = from_events("d", [*rows(10, coolant_c=90.0), Sample(far, (("coolant_c", 91.0),))], PROFILE)
    assert len(drive.t_s) == 2
    assert drive.beyond == 1


def test_time_that_steps_back_stays_in_its_own_cell() -> None:
    drive = from_events(
        "d", [Sample(t, (("coolant_c", c),)) for t, c in ((0, 90.0), (12_000, 94.0), (11_000, 92.0))], PROFILE
    )
    assert drive.coolant_c.tolist() == [90.0, 90.0, 93.0]


def test_no_events_at_all() -> None:
    assert len(from_events("d", [], PROFILE).t_s) == 0
