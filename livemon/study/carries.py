"""What a cooling system carries: the fuel power at which it rests at 106 C in air of 35 C, in five ways of running.

Temperature tells heat shed against heat made, so this ratio is what drives can teach, and what an owner can use: a
figure such as the radiator's conductance is known only together with all the others.  Elementwise over vehicles.  It
does not know the road; `plan` does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from livemon.core import heat
from livemon.core.air import Flags, Number, air_density, halved
from livemon.core.engine import FUEL_KW_L_REFERENCE, SHARE_HIGH, SHARE_LOW
from livemon.core.radiator import AirSide, Demand, Shed, Surroundings, air_behind_c, air_side, shed
from livemon.core.vehicle import Cooling, Engine

COOLANT_C: Final = 106.0
AIR_C: Final = 35.0
AIR_KPA: Final = 95.0
CLUTCH_HALVINGS: Final = 30


@dataclass(frozen=True, slots=True)
class Running:
    """A steady way of running at COOLANT_C, AIR_C and AIR_KPA; `rpm` None = idle."""

    name: str
    words: str
    speed_kmh: float
    rpm: float | None
    ac_on: float = 0.0


RUNNINGS: Final = (
    Running("idle", "idling where it stands", 0.0, None),
    Running("idle_ac", "idling, A/C on", 0.0, None, 1.0),
    Running("held_rpm", "standing, engine held at 2000 rpm", 0.0, 2000.0),
    Running("level", "80 km/h at 2200 rpm", 80.0, 2200.0),
    Running("climb", "60 km/h at 3000 rpm", 60.0, 3000.0),
    Running("climb_ac", "60 km/h at 3000 rpm, A/C on", 60.0, 3000.0, 1.0),
)


def carried_fuel_kw(engine: Engine, cooling: Cooling, at: Running) -> Number:
    """Fuel power [kW] at which the coolant rests at COOLANT_C, thermostat open, electric fan running.

    Heat that leaves by radiator and block (`heat.balance`) over the share of fuel heat that the coolant takes; the
    clutch stands where the air behind the radiator puts it.
    Validity: as `radiator.shed`; the A/C takes its heat to the condenser, its shaft power is not counted.
    Example: default profile, 60 km/h at 3000 rpm -> 194 kW.
    """
    rpm = engine.idle_rpm if at.rpm is None else at.rpm
    around = Surroundings(AIR_C, air_density(AIR_KPA, AIR_C))
    asked = Demand(0.0, rpm, at.speed_kmh, at.ac_on)

    def airing(clutch: Number) -> tuple[AirSide, Shed]:
        air = air_side(cooling, asked, around, clutch, 1.0)
        return air, shed(cooling, asked, around, cooling.thermostat_ceiling, clutch, 1.0, air)

    def looser(clutch: Number) -> Flags:
        air, core = airing(clutch)
        behind = air_behind_c(air, core.conductance_kw_k * (COOLANT_C - core.air_c), AIR_C)
        return np.asarray(heat.clutch_target(cooling, behind) > clutch)

    _, core = airing(halved(looser, 0.0, 1.0, CLUTCH_HALVINGS))
    rests_c, slope = heat.balance(asked, around, cooling, core)
    loss = heat.loss_kw_k(cooling, at.speed_kmh)
    made = slope * (COOLANT_C - rests_c) * (cooling.metal_kw_k + loss) / cooling.metal_kw_k
    return fuel_of_heat_kw(engine, made)


def fuel_of_heat_kw(engine: Engine, heat_kw: Number) -> Number:
    """Fuel power [kW] whose heat to the coolant is `heat_kw`: the inverse of `engine.coolant_heat_kw`.

    share x held((F / F0)^-s) x F = Q with F0 = 40 kW per litre: three closed pieces, the middle one where the held
    power is free.  Example: 47.1 kW in a 4.36 L engine at share 0.27 -> 174.5 kW.
    """
    plain = np.maximum(heat_kw, 1e-6) / engine.coolant_share
    reference = FUEL_KW_L_REFERENCE * engine.displacement_l
    slope = engine.coolant_share_slope
    free = reference * (plain / reference) ** (1.0 / (1.0 - slope))
    fuel: Number = np.clip(free, plain / SHARE_HIGH, plain / SHARE_LOW)
    return fuel
