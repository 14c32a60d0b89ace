"""Air at height: pressure, temperature and density of the standard atmosphere, and of the air that is really there.

ISO 2533 (troposphere part, as the ICAO standard atmosphere) gives pressure from height and back; density then follows
from the pressure and the temperature that was measured or declared.  It knows nothing of weather: a day with high or
low pressure moves the height found from pressure by about 8 m per hPa.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Number = float | Array
"""One value, or an array of hypotheses or road points; every physics function takes both, elementwise."""

GRAVITY_M_S2: Final = 9.80665  # ISO 2533 clause 2.1, exact
GAS_CONSTANT_J_KGK: Final = 287.05287  # dry air, ISO 2533
SEA_LEVEL_KPA: Final = 101.325
SEA_LEVEL_K: Final = 288.15
LAPSE_K_M: Final = 0.0065  # per geopotential metre, 0 to 11 km
LAPSE_C_KM: Final = 1000.0 * LAPSE_K_M
EARTH_RADIUS_M: Final = 6_356_766.0
AIR_CP_KJ_KGK: Final = 1.006  # dry air near 300 K; 1.009 at 370 K
ZERO_C_K: Final = 273.15


def held(value: Number, low: Number, high: Number) -> Number:
    """`value` held between `low` and `high`; several times cheaper than numpy's clip on short arrays."""
    inside: Number = np.minimum(np.maximum(value, low), high)
    return inside


def halved(short: Callable[[Number], Flags | bool], low: Number, high: Number, rounds: int) -> Number:
    """Where `short` turns from true to false between `low` and `high`, elementwise: bisection in so many rounds."""
    middle = 0.5 * (low + high)
    for _ in range(rounds):
        more = short(middle)
        low = np.where(more, middle, low)
        high = np.where(more, high, middle)
        middle = 0.5 * (low + high)
    return middle


_EXPONENT: Final = GRAVITY_M_S2 / (GAS_CONSTANT_J_KGK * LAPSE_K_M)  # 5.25588


def standard_pressure_kpa(height_m: Number) -> Number:
    """Pressure [kPa] of the standard atmosphere at geometric height [m].

    p = 101.325 (1 - 0.0065 H / 288.15)^5.25588, H = r z / (r + z) geopotential height.
    Source: ISO 2533.  Valid -1000 to 11000 m.  Example: 2000 m -> 79.50 kPa.
    """
    geopotential = EARTH_RADIUS_M * height_m / (EARTH_RADIUS_M + height_m)
    pressure: Number = SEA_LEVEL_KPA * (1.0 - LAPSE_K_M * geopotential / SEA_LEVEL_K) ** _EXPONENT
    return pressure


def standard_height_m(pressure_kpa: Number) -> Number:
    """Geometric height [m] at which the standard atmosphere has this pressure [kPa].

    Inverse of `standard_pressure_kpa`; a reading in whole kPa leaves about +-45 m.
    Source: ISO 2533.  Valid 22.7 to 113 kPa.  Example: 79.50 kPa -> 2000 m.
    """
    geopotential = SEA_LEVEL_K / LAPSE_K_M * (1.0 - (pressure_kpa / SEA_LEVEL_KPA) ** (1.0 / _EXPONENT))
    height: Number = EARTH_RADIUS_M * geopotential / (EARTH_RADIUS_M - geopotential)
    return height


def standard_air_c(height_m: Number) -> Number:
    """Temperature [C] of the standard atmosphere at geometric height [m]; ISO 2533, 15 C at sea level."""
    geopotential = EARTH_RADIUS_M * height_m / (EARTH_RADIUS_M + height_m)
    return SEA_LEVEL_K - ZERO_C_K - LAPSE_K_M * geopotential


def air_density(pressure_kpa: Number, air_c: Number) -> Number:
    """Density [kg/m3] of dry air from pressure [kPa] and temperature [C].

    rho = p / (R T), ideal gas.  Moist air is lighter: up to 1.5 % at 35 C and full saturation, neglected.
    Example: 101.325 kPa, 15 C -> 1.2250; 89.88 kPa, 35 C -> 1.016.
    """
    return 1000.0 * pressure_kpa / (GAS_CONSTANT_J_KGK * (air_c + ZERO_C_K))


def air_c_at(height_m: Number, known_c: Number, known_m: Number, lapse_c_km: Number = LAPSE_C_KM) -> Number:
    """Air temperature [C] at height [m] from the temperature known at another height, with a lapse [K per km].

    6.5 K/km is the standard lapse (ISO 2533); dry sunny afternoons reach 9.8 (dry adiabatic), inversions are
    negative.
    Example: 41 C at 300 m -> 31.1 C at 1820 m.
    """
    return known_c - lapse_c_km * (height_m - known_m) / 1000.0
