"""Coolant as a mixture of water and ethylene glycol: heat capacity, density, and where it boils under its cap.

Boiling follows Raoult's law with pure-component vapour pressures, which is the upper edge of what real coolant does:
a group-contribution model and printed values lie 0 to 2.5 K lower, so `BOILING_BAND_C` goes with every boiling point.
It does not know local boiling in the cylinder head, which starts below the bulk values.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from livemon.core.air import ZERO_C_K, Number

BOILING_BAND_C: Final = (-2.5, 0.0)
"""What to add to `boiling_c` for the low and the high edge [K]: additives and non-ideal mixing only lower it."""

_WATER_MOL: Final = 998.2 / 18.015  # mol per litre at 20 C
_GLYCOL_MOL: Final = 1113.0 / 62.068
# Wagner & Pruss, saturation line of water, IAPWS SR1-86(1992): T_c, p_c and coefficients.
_WATER_TC_K: Final = 647.096
_WATER_PC_KPA: Final = 22_064.0
_WATER: Final = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)


def coolant_density(coolant_c: Number) -> Number:
    """Density [kg/m3] of 50/50 ethylene glycol and water by volume at `coolant_c`.

    Quadratic through the CoolProp AEG values 1073, 1052, 1038, 1023 at 20, 60, 80, 100 C (within 1 kg/m3). ASHRAE
    prints 1029.5 at 93.3 C; this gives 1028.5.  Valid 0 to 125 C (above 100 C extrapolated).
    """
    return 1080.0 - 0.30 * coolant_c - 0.0027 * coolant_c * coolant_c


def coolant_cp_kj_kgk(coolant_c: Number) -> Number:
    """Specific heat [kJ/kgK] of the 50/50 mixture; linear through the CoolProp AEG values, within 0.1 %.

    A service manual prints 3.43 (0.82 Btu/lb F); this gives 3.43 at 60 C.  Valid 0 to 125 C.
    """
    return 3.2038 + 0.00386 * coolant_c


def coolant_kj_k(volume_l: Number, coolant_c: Number = 90.0) -> Number:
    """Heat capacity [kJ/K] of so many litres of 50/50 mixture.  Example: 10 L at 80 C -> 36.5 kJ/K."""
    return volume_l / 1000.0 * coolant_density(coolant_c) * coolant_cp_kj_kgk(coolant_c)


def water_mole_fraction(glycol_share: Number) -> Number:
    """Mole fraction of water from the volume share of glycol before mixing (0 to 1).  Example: 0.5 -> 0.755."""
    water = (1.0 - glycol_share) * _WATER_MOL
    return water / (water + glycol_share * _GLYCOL_MOL)


def water_vapour_kpa(temp_c: Number) -> Number:
    """Saturation pressure [kPa] of water at `temp_c`; IAPWS SR1-86(1992), valid 0 to 374 C.

    Example: 100 C -> 101.42 kPa.
    """
    ratio = (temp_c + ZERO_C_K) / _WATER_TC_K
    theta = 1.0 - ratio
    a1, a2, a3, a4, a5, a6 = _WATER
    exponent = (
        a1 * theta + a2 * theta**1.5 + a3 * theta**3 + a4 * theta**3.5 + a5 * theta**4 + a6 * theta**7.5
    ) / ratio
    pressure: Number = _WATER_PC_KPA * np.exp(exponent)
    return pressure


def glycol_vapour_kpa(temp_c: Number) -> Number:
    """Vapour pressure [kPa] of ethylene glycol; DIPPR equation 101 with the coefficients of Perry's handbook, table
    2-8.

    Example: 197.1 C -> about 101 kPa (its normal boiling point).
    """
    kelvin = temp_c + ZERO_C_K
    pressure: Number = 0.001 * np.exp(84.09 - 10411.0 / kelvin - 8.1976 * np.log(kelvin) + 1.6536e-18 * kelvin**6)
    return pressure


def boiling_c(air_kpa: Number, cap_kpa: Number, glycol_share: Number = 0.5) -> Number:
    """Upper edge of the boiling point [C] of the mixture under a cap holding `cap_kpa` over the air pressure.

    Solves x pw(T) + (1 - x) pg(T) = air + cap by Newton's rule on ln p (8 steps from 120 C, converged below 1e-6 K).
    Add `BOILING_BAND_C` for the band.  cap_kpa 0 = no cap, or a leaking one.
    Source: Raoult's law; water IAPWS, glycol DIPPR 101.  Valid 60 to 200 kPa + 160 kPa, glycol 0 to 0.7.
    Example: 101.325 kPa, no cap -> 107.8; 16 psi (110.3 kPa) -> 130.8; 79.5 kPa and 110.3 kPa -> 127.2.
    """
    total = air_kpa + cap_kpa
    water = water_mole_fraction(glycol_share)
    temp: Number = 120.0 + 0.0 * total
    target = np.log(total)
    for _ in range(8):
        here = np.log(water * water_vapour_kpa(temp) + (1.0 - water) * glycol_vapour_kpa(temp))
        there = np.log(water * water_vapour_kpa(temp + 0.01) + (1.0 - water) * glycol_vapour_kpa(temp + 0.01))
        temp = temp + (target - here) * 0.01 / (there - here)
    return temp
