"""The bench of trust: what could be told by one who knows the vehicle, on readings worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from livemon.core.vehicle import VehicleProfile
from tests.bench.forecast.drives import Drive
from tests.bench.trust_drives import _NO_ORACLE as NOTHING
from tests.bench.trust_drives import IDEAL_SD_C, IDEAL_SPREADS, Array, Broken

AT_S, SECONDS = 600, 1200


def broken(rise_c: Array, heat_c: float = 0.0) -> Broken:
    """A drive at 95 C in which 5 % more heat is worth `heat_c` and the fault adds `rise_c`; nothing is rounded."""
    sensed = np.full(SECONDS, 95.0)
    drive, twin = (
        Drive("sim", "faults", "trust", 0, "fan", 108.0, c, {"coolant_c": c}, None, at, NOTHING)
        for c, at in ((sensed + rise_c, AT_S), (sensed, None))
    )
    moved = np.zeros((3, SECONDS))
    moved[0] = heat_c * np.arange(SECONDS) / SECONDS
    return Broken(drive, "fan", twin, 90.0, sensed, moved, VehicleProfile(), ())


def ramp(c_per_s: float) -> Array:
    return np.asarray(c_per_s * np.maximum(np.arange(SECONDS) - AT_S, 0.0))


def test_a_rise_is_told_once_it_is_past_what_the_sensor_may_err() -> None:
    assert broken(ramp(0.02)).ideal_s == pytest.approx(AT_S + IDEAL_SPREADS * IDEAL_SD_C / 0.02, abs=2)
    assert broken(ramp(0.0)).ideal_s is None


def test_what_heat_wind_and_air_may_do_is_told_later() -> None:
    sure, unsure = broken(ramp(0.02)).ideal_s, broken(ramp(0.02), heat_c=3.0).ideal_s
    assert sure is not None
    assert unsure is not None
    assert sure < unsure < AT_S + 300


def test_a_rise_that_more_heat_had_shown_before_is_no_fault() -> None:
    """The drive runs on 5 % more heat from its start: fitted before the fault, it explains what comes after."""
    more = 4.0 * np.arange(SECONDS) / SECONDS
    assert broken(more, heat_c=4.0).ideal_s is None
    assert broken(more).ideal_s is not None
