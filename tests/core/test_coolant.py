"""Coolant properties and boiling against CoolProp, IAPWS values, ASHRAE and printed trade values."""

from __future__ import annotations

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from livemon.core import coolant
from livemon.core.air import standard_pressure_kpa

PSI = 6.894757293168361


@pytest.mark.parametrize("temp_c", [20, 40, 60, 80, 100])
def test_properties_against_coolprop(temp_c: float) -> None:
    # CoolProp incompressible mixture AEG at half by volume; its data end at 100 C.
    kelvin = temp_c + 273.15
    density = PropsSI("D", "T", kelvin, "P", 2e5, "INCOMP::AEG[0.5]")
    heat = PropsSI("C", "T", kelvin, "P", 2e5, "INCOMP::AEG[0.5]")
    assert coolant.coolant_density(temp_c) == pytest.approx(density, rel=0.001)
    assert coolant.coolant_cp_kj_kgk(temp_c) * 1000 == pytest.approx(heat, rel=0.001)


# CoolProp AEG[0.5] by the table the fit was made from.
@pytest.mark.parametrize(
    ("temp_c", "density", "cp"), [(20, 1073, 3281), (60, 1052, 3435), (80, 1038, 3512), (100, 1023, 3590)]
)
def test_fit_holds_its_own_table(temp_c: float, density: float, cp: float) -> None:
    assert coolant.coolant_density(temp_c) == pytest.approx(density, abs=1.0)
    assert coolant.coolant_cp_kj_kgk(temp_c) * 1000 == pytest.approx(cp, rel=0.001)


def test_printed_properties() -> None:
    # ASHRAE table, 50 % by volume at 200 F: 64.27 lb/ft3 = 1029.5 kg/m3.
    assert coolant.coolant_density(93.33) == pytest.approx(1029.5, abs=2.0)
    # A service manual: 0.82 Btu/lb F = 3.43 kJ/kgK, temperature not said.
    assert 3.28 < 3.43 < coolant.coolant_cp_kj_kgk(90.0) < 3.60
    # 10 L of the mixture: 36.6 kJ/K, computed from the same table.
    assert coolant.coolant_kj_k(10.0, 80.0) == pytest.approx(36.5, abs=0.2)


def test_water_saturation_against_iapws() -> None:
    for temp_c in (20.0, 60.0, 90.0, 100.0, 120.0, 140.0):
        theirs = PropsSI("P", "T", temp_c + 273.15, "Q", 0, "Water") / 1000  # IAPWS-95
        assert coolant.water_vapour_kpa(temp_c) == pytest.approx(theirs, rel=3e-4)
    # IAPWS-IF97 verification value, table 35: 300 K -> 3.53658941 kPa.
    assert coolant.water_vapour_kpa(26.85) == pytest.approx(3.53658941, rel=3e-4)


def test_glycol_boils_where_handbooks_say() -> None:
    # Normal boiling point of ethylene glycol 197.3 C (CRC handbook, from memory, within 1 K).
    assert coolant.glycol_vapour_kpa(197.3) == pytest.approx(101.325, rel=0.03)


def test_mole_fraction() -> None:
    assert coolant.water_mole_fraction(0.5) == pytest.approx(0.755, abs=0.001)
    assert coolant.water_mole_fraction(0.0) == 1.0


# Ideal mixture, computed independently (Raoult, IAPWS water, DIPPR glycol): height, cap in psi -> C.
BOILING = [
    (0, 0, 107.8), (0, 7, 119.6), (0, 13, 127.4), (0, 14.5, 129.2), (0, 16, 130.8), (0, 18, 133.0),
    (1000, 0, 104.3), (1000, 7, 117.1), (1000, 13, 125.4), (1000, 14.5, 127.2), (1000, 16, 129.0), (1000, 18, 131.2),
    (2000, 0, 100.8), (2000, 7, 114.7), (2000, 13, 123.5), (2000, 14.5, 125.4), (2000, 16, 127.2), (2000, 18, 129.6),
    (3000, 0, 97.4), (3000, 7, 112.4), (3000, 13, 121.7), (3000, 14.5, 123.7), (3000, 16, 125.6), (3000, 18, 128.0),
]  # fmt: skip


@pytest.mark.parametrize(("height_m", "cap_psi", "boils_c"), BOILING)
def test_boiling_table(height_m: float, cap_psi: float, boils_c: float) -> None:
    assert coolant.boiling_c(standard_pressure_kpa(height_m), cap_psi * PSI) == pytest.approx(boils_c, abs=0.06)


def test_boiling_of_plain_water_against_coolprop() -> None:
    for height_m, cap_psi in ((0, 0), (0, 16), (3000, 0), (3000, 16)):
        total = standard_pressure_kpa(height_m) + cap_psi * PSI
        theirs = PropsSI("T", "P", total * 1000, "Q", 0, "Water") - 273.15
        assert coolant.boiling_c(standard_pressure_kpa(height_m), cap_psi * PSI, 0.0) == pytest.approx(theirs, abs=0.02)


# Printed by three trade and teaching pages: 226 F and 223 F at 1 atm, 262 to 268 F under 15 psi; whole degrees F.
@pytest.mark.parametrize(("cap_psi", "printed_f"), [(0, 226), (0, 223), (15, 262), (15, 265.5)])
def test_printed_boiling_points_lie_in_the_band(cap_psi: float, printed_f: float) -> None:
    upper = float(coolant.boiling_c(101.325, cap_psi * PSI))
    printed_c = (printed_f - 32) / 1.8
    assert upper + coolant.BOILING_BAND_C[0] - 0.3 <= printed_c <= upper + coolant.BOILING_BAND_C[1] + 0.3


def test_the_highest_printed_value_is_over_the_ideal_mixture() -> None:
    # 268 F under 15 psi is 1.4 K over what Raoult allows: one printed page is too hopeful, so the band ends at 0.
    upper = float(coolant.boiling_c(101.325, 15 * PSI))
    assert (268 - 32) / 1.8 - upper == pytest.approx(1.4, abs=0.3)


def test_rule_per_psi() -> None:
    # 1.4 C (2.6 F) a psi over 0 to 16 psi, against the trade's 3 F.
    assert (coolant.boiling_c(101.325, 16 * PSI) - coolant.boiling_c(101.325, 0.0)) / 16 == pytest.approx(1.4, abs=0.05)


def test_group_contribution_model_is_inside_the_band() -> None:
    # A UNIFAC run for the same mixture at 1 atm: 105.7 C.
    upper = float(coolant.boiling_c(101.325, 0.0))
    assert upper + coolant.BOILING_BAND_C[0] <= 105.7 <= upper + coolant.BOILING_BAND_C[1]


@given(st.floats(60, 105), st.floats(0, 160), st.floats(0, 0.7))
def test_boiling_solves_its_equation(air_kpa: float, cap_kpa: float, share: float) -> None:
    boils = float(coolant.boiling_c(air_kpa, cap_kpa, share))
    water = float(coolant.water_mole_fraction(share))
    total = water * coolant.water_vapour_kpa(boils) + (1 - water) * coolant.glycol_vapour_kpa(boils)
    assert total == pytest.approx(air_kpa + cap_kpa, rel=1e-9)


def test_boiling_takes_arrays() -> None:
    air_kpa = np.array([101.325, 79.5])
    both = np.asarray(coolant.boiling_c(air_kpa, 110.0))
    assert both[0] == pytest.approx(float(coolant.boiling_c(101.325, 110.0)), abs=1e-9)
    assert both[1] < both[0]
