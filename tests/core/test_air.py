"""The atmosphere against ISO 2533 as printed and as two libraries have it."""

from __future__ import annotations

import numpy as np
import pytest
from ambiance import Atmosphere
from fluids.atmosphere import ATMOSPHERE_1976
from hypothesis import given
from hypothesis import strategies as st

from livemon.core import air

# ISO 2533 / ICAO, geometric height: m, C, hPa, kg/m3.
TABLE = [
    (0, 15.00, 1013.25, 1.2250),
    (500, 11.75, 954.61, 1.1673),
    (1000, 8.50, 898.76, 1.1117),
    (1500, 5.25, 845.60, 1.0581),
    (2000, 2.00, 795.01, 1.0066),
    (2500, -1.24, 746.92, 0.9570),
    (3000, -4.49, 701.21, 0.9093),
]


@pytest.mark.parametrize(("height_m", "air_c", "hpa", "density"), TABLE)
def test_printed_table(height_m: float, air_c: float, hpa: float, density: float) -> None:
    pressure = air.standard_pressure_kpa(height_m)
    assert pressure * 10 == pytest.approx(hpa, abs=0.006)
    assert air.standard_air_c(height_m) == pytest.approx(air_c, abs=0.006)
    assert air.air_density(pressure, air.standard_air_c(height_m)) == pytest.approx(density, abs=6e-5)


def test_two_libraries_agree() -> None:
    heights = np.arange(-400.0, 5000.0, 100.0)
    ours = np.asarray(air.standard_pressure_kpa(heights))
    theirs = Atmosphere(heights)  # ambiance: ICAO Doc 7488 / ISO 2533
    np.testing.assert_allclose(ours * 1000, theirs.pressure, rtol=2e-6)
    np.testing.assert_allclose(air.air_density(ours, air.standard_air_c(heights)), theirs.density, rtol=2e-6)
    for height in (0.0, 1234.0, 4000.0):
        assert air.standard_pressure_kpa(height) * 1000 == pytest.approx(ATMOSPHERE_1976(height).P, rel=2e-5)


# Hot day, 35 C: computed from the same standard with the ideal gas law.
@pytest.mark.parametrize(("height_m", "density"), [(0, 1.145), (1000, 1.016), (2000, 0.899), (3000, 0.793)])
def test_hot_day(height_m: float, density: float) -> None:
    assert air.air_density(air.standard_pressure_kpa(height_m), 35.0) == pytest.approx(density, abs=6e-4)


@given(st.floats(-900, 10_900))
def test_height_and_pressure_are_inverse(height_m: float) -> None:
    assert air.standard_height_m(air.standard_pressure_kpa(height_m)) == pytest.approx(height_m, abs=1e-6)


def test_a_kilopascal_is_about_ninety_metres() -> None:
    # What one step of PID 33 leaves open (trade rule: 1 kPa is about 90 m near sea level).
    step = air.standard_height_m(100.0) - air.standard_height_m(101.0)
    assert 80 < step < 95


def test_lapse_between_two_heights() -> None:
    assert air.air_c_at(1820.0, 41.0, 300.0, 6.5) == pytest.approx(31.12)
    # the standard's own lapse by geopotential height is the standard's temperature, within the 0.1 % of gravity
    assert air.air_c_at(2000.0, 15.0, 0.0) == pytest.approx(air.standard_air_c(2000.0), abs=0.01)
