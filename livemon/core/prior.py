"""Where the hypotheses of a drive begin: what a vehicle profile says of the six unknowns, and how surely.

The full model is reduced to one node at one way of running.  A profile whose learned figures hang together gives the
joint spread of the six; any other gives independent shares, added carefully.  It does not know the drive.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core import heat, radiator
from livemon.core.air import Number
from livemon.core.demand import FAN_RPM, RAM_KMH
from livemon.core.engine import coolant_heat_kw
from livemon.core.hypotheses import AIR_EXPONENT, DRIFT_SD, FAN, GAIN, OPEN, SHED, Prior
from livemon.core.vehicle import Cooling, Engine, VehicleProfile

Array = NDArray[np.float64]

DRIVE_HEAT: Final = 0.05
DRIVE_WIND_KMH: Final = 6.0
DRIVE_AIR_C: Final = 1.0
"""One drive of a vehicle differs from the next: heat made (fuel, share), wind along the road, outside air; one standard
deviation each.  A vehicle that is known to the last figure still starts a drive with these."""
_DRIVE: Final = np.array([0.0, 0.0, DRIVE_HEAT, AIR_EXPONENT * DRIVE_WIND_KMH / RAM_KMH, 0.0, DRIVE_AIR_C])
_REDUCED: Final = np.array([1.0, DRIFT_SD, 0.02, 0.05, 0.50, 3.0])
"""What one node misses of the full model in other states than the one they are matched in; the first two: its own.
Chosen on made-up garages by the error with the demand known (docs/learn.md)."""
_FUEL_KW_L: Final = 30.0


def prior_from(profile: VehicleProfile) -> Prior:
    """Prior from a vehicle profile: broad where it stands on defaults, tight where it was learned.

    gain = 1 / C and shed = K / C of `heat` and `radiator` at 72 km/h, 2500 rpm, thermostat open.
    """
    cooling = profile.cooling()
    mean = np.concatenate([[0.0, 0.0], [float(row) for row in _reduced(profile.engine(), profile.engine(), cooling)]])
    correlation = np.eye(6)
    if profile.joint().names:
        spread, correlation = _learned_spread(profile)
    else:
        spread = _loose_spread(profile)
    return Prior(mean, spread, float(profile.state("full_span_c").likely), correlation)


def _reduced(engine: Engine, likely: Engine, cooling: Cooling) -> tuple[Number, ...]:
    """ln gain, ln shed, ln fan over ram, and the thermostat's opening of the full model.

    Gain is of the heat that the `likely` engine would make of the same fuel, since that is what the filter is told.
    """
    capacity = heat.heat_capacity_kj_k(cooling)
    demand = radiator.Demand(heat_kw=50.0, rpm=FAN_RPM, speed_kmh=RAM_KMH)
    still = radiator.Demand(heat_kw=50.0, rpm=FAN_RPM, speed_kmh=0.0)
    air = radiator.Surroundings(30.0, 1.1)
    shed = radiator.shed(cooling, demand, air, 1.0, 0.0, 0.0)
    ram = radiator.air_side(cooling, demand, air, 0.0, 0.0).mass_velocity
    fan = radiator.air_side(cooling, still, air, 1.0, 0.0).mass_velocity
    ln_fan = np.log(fan / ram)
    if np.any(cooling.speed_curve):  # to one node, a form that sheds more or less at a standstill is another fan

        def standing(cooling: Cooling) -> Number:
            stood = radiator.shed(cooling, still, air, 1.0, 1.0, 0.0).conductance_kw_k
            driven: Number = radiator.shed(cooling, demand, air, 1.0, 0.0, 0.0).conductance_kw_k
            return np.log(stood / driven)

        ln_fan = ln_fan + (standing(cooling) - standing(replace(cooling, speed_curve=0.0))) / AIR_EXPONENT
    fuel_kw = _FUEL_KW_L * likely.displacement_l
    made = coolant_heat_kw(engine, fuel_kw) / coolant_heat_kw(likely, fuel_kw)
    return np.log(made) - np.log(capacity), np.log(shed.conductance_kw_k / capacity), ln_fan, cooling.open_c


def _learned_spread(profile: VehicleProfile) -> tuple[Array, Array]:
    """Spread and correlations of the six where figures hang together: to first order, by central differences.

    Two columns for each learned figure, one standard deviation to either side; the differences are the Jacobian J of
    the reduced unknowns, J J' their covariance.  What differs from drive to drive and what one node misses come on top.
    """
    names = profile.joint().names
    count = len(names)
    aside = np.concatenate([np.eye(count), -np.eye(count)], axis=1)
    _, engine, cooling = profile.draw(dict(zip(names, aside, strict=True)))
    jacobian = np.zeros((6, count))
    for row, values in zip((GAIN, SHED, FAN, OPEN), _reduced(engine, profile.engine(), cooling), strict=True):
        both = values + np.zeros(2 * count)
        jacobian[row] = 0.5 * (both[:count] - both[count:])
    cov = (jacobian[:, None, :] * jacobian[None, :, :]).sum(axis=-1) + np.diag(_DRIVE**2 + _REDUCED**2)
    spread = np.sqrt(np.diag(cov))
    return spread, cov / spread[:, None] / spread


def _loose_spread(profile: VehicleProfile) -> Array:
    """Spread of the six where nothing says how figures hang together: independent shares of those that enter, added."""

    def share(*names: str) -> float:
        total = 0.0
        for name in names:
            figure = profile.state(name)
            total += (figure.spread / max(abs(figure.likely), 1e-6)) ** 2
        return float(np.sqrt(total))

    stored = share("metal_kj_k", "coolant_l")
    return np.array(
        [
            1.0,
            DRIFT_SD,
            np.hypot(stored, share("coolant_share", "displacement_l")) + 0.15,
            np.hypot(stored, share("radiator_kw_k", "ram_share", "face_area_m2")) + 0.1,
            np.hypot(share("fan_m_s_krpm", "clutch_on_share"), 0.3),
            np.hypot(profile.state("open_c").spread, 3.0),
        ]
    )
