"""Heat shed: how much air and coolant meet in the radiator, and what passes from one to the other.

Ram air and fans add as pressures against one resistance, so face speeds add as squares; effectiveness-NTU
(cross-flow, both unmixed) gives the heat; the condenser and recirculated hot air raise what the radiator breathes in.
Elementwise over hypotheses.  It does not know where on the face the air goes: one mean speed stands for all of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from livemon.core.air import AIR_CP_KJ_KGK, Number
from livemon.core.engine import ac_duty
from livemon.core.vehicle import Cooling

COOLANT_KJ_LK: Final = 3.66
"""Heat capacity of 50/50 coolant by volume at 90 C [kJ/(L K)]; 3.61 at 60 C, 3.67 at 100 C (coolant.py)."""
AIR_REFERENCE: Final = 5.5  # mass velocity [kg/m2s] at which `radiator_kw_k` is stated: 5 m/s of 1.1 kg/m3
FLOW_REFERENCE_L_S: Final = 1.5
COOLANT_EXPONENT: Final = 0.8  # turbulent flow in tubes, Dittus-Boelter
DRAFT_M_S: Final = 0.15  # natural draught through a hot radiator with every fan still, from memory
TRICKLE_L_S: Final = 0.01  # thermosiphon with the pump still, from memory
RECIRCULATION_KMH: Final = 20.0  # road speed at which recirculation has halved, from memory


@dataclass(frozen=True, slots=True)
class Demand:
    """What is asked of the cooling now; every field one number, or one a hypothesis or rig.

    heat_kw: heat into the engine metal [kW].  ac_on, heater_on, fan_on: 0 or 1 (fan_on = electric fan forced on).
    """

    heat_kw: Number
    rpm: Number
    speed_kmh: Number
    ac_on: Number = 0.0
    heater_on: Number = 0.0
    fan_on: Number = 0.0


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The air outside: temperature [C], density [kg/m3], wind against the vehicle [km/h]."""

    air_c: Number
    air_kg_m3: Number
    headwind_kmh: Number = 0.0


@dataclass(frozen=True, slots=True)
class AirSide:
    """The air at the radiator: capacity rate [kW/K], mass velocity [kg/m2s], recirculated share, inlet rise [K]."""

    flow_kw_k: Number
    mass_velocity: Number
    recirculated: Number
    condenser_kw: Number
    form: Number
    """UA over what the other figures say (`form`)."""


@dataclass(frozen=True, slots=True)
class Shed:
    """The radiator as one conductance from the coolant that enters it to an air temperature.

    Heat = conductance_kw_k x (coolant_c - air_c); air_c is the outside air raised by condenser and recirculation.
    coolant_kw_k is the capacity rate of the coolant branch.
    """

    conductance_kw_k: Number
    air_c: Number
    coolant_kw_k: Number


def engine_fan_rpm(cooling: Cooling, rpm: Number, clutch: Number) -> Number:
    """Speed [rpm] of the engine-driven fan behind its viscous clutch; `clutch` 0 = free, 1 = fully engaged.

    Shaft speed x slip share, held at the clutch's limit.  Source: a clutch maker (engaged 0.5 to 0.9, free 0.2 to 0.3
    of shaft speed) and a service manual (held at 3100 rpm).  Example: 2500 rpm, ratio 1.1, engaged 0.65 -> 1788 rpm.
    """
    engaged = np.maximum(cooling.clutch_on_share * cooling.clutch_health, cooling.clutch_off_share)
    share = cooling.clutch_off_share + (engaged - cooling.clutch_off_share) * clutch
    speed: Number = np.minimum(rpm * cooling.fan_ratio * share, cooling.fan_limit_rpm)
    return speed


def face_speed_m_s(
    cooling: Cooling, speed_kmh: Number, headwind_kmh: Number, fan_rpm: Number, electric: Number
) -> Number:
    """Mean air speed [m/s] at the radiator face from ram air, engine-driven fan and electric fan together.

    Stack resistance ~ k rho u^2, ram pressure ~ rho v^2, each fan ~ rho (a N^2 - b u^2): with the b inside the
    resistance u = stack_flow sqrt((ram v)^2 + F^2 + 2 fan_and_ram (ram v) F + draught^2), F^2 = (fan N)^2 +
    (electric)^2.  Density drops out. Smooth; a fan adds much at a crawl and little at speed.  `fan_and_ram` over 0: it
    adds more, as where a stopped fan stands in the way of ram air; 1 is plain speeds.
    Source: fan laws (flow ~ N, pressure ~ N^2 and ~ density) and quadratic loss.
    Validity: turbulent core flow; a fan that is overrun by ram air is taken as no hindrance.
    Example: 80 km/h, ram 0.15 -> 3.3 m/s; with a fan good for 2.0 m/s -> 3.9 m/s.
    """
    ram = cooling.ram_share / 3.6 * np.maximum(speed_kmh + headwind_kmh, 0.0)
    fan = cooling.fan_m_s_krpm / 1000.0 * fan_rpm
    blower = cooling.electric_m_s * cooling.electric_health * electric
    pressures = ram * ram + fan * fan + blower * blower + DRAFT_M_S * DRAFT_M_S
    if np.any(cooling.fan_and_ram):
        pressures = pressures + 2.0 * cooling.fan_and_ram * ram * np.sqrt(fan * fan + blower * blower)
    speed: Number = cooling.stack_flow * np.sqrt(pressures)
    return speed


def form(cooling: Cooling, speed_kmh: Number, rpm: Number) -> Number:
    """UA over what the other figures say, at a road speed and an engine speed; 1 where nothing was learned.

    ((v + 10) / 70)^speed_curve (rpm / 2500)^rpm_curve.  How grilles and shrouds let air in, and what pump and fans do
    with engine speed, differs in form from make to make; two exponents stand for it.  Source: common practice, none.
    Example: exponents 0.1 and 0.2, 130 km/h, 2500 rpm -> 1.07.
    """
    return curved(speed_kmh, rpm, cooling.speed_curve, cooling.rpm_curve)


def curved(speed_kmh: Number, rpm: Number, speed_curve: Number, rpm_curve: Number) -> Number:
    """A factor that goes as road speed and engine speed to these powers; 1 at 60 km/h and 2500 rpm."""
    by_speed: Number = ((np.maximum(speed_kmh, 0.0) + 10.0) / 70.0) ** speed_curve
    return by_speed * (np.maximum(rpm, 300.0) / 2500.0) ** rpm_curve


class Intake(NamedTuple):
    """What of the air side no fan moves: share recirculated, condenser's heat ahead of the radiator [kW], `form`."""

    recirculated: Number
    condenser_kw: Number
    form: Number


def intake(cooling: Cooling, demand: Demand, surroundings: Surroundings) -> Intake:
    """The part of `air_side` that stays while demand and surroundings do."""
    slow = demand.speed_kmh / RECIRCULATION_KMH
    condenser = demand.ac_on * cooling.condenser_kw * ac_duty(surroundings.air_c, demand.rpm)
    recirculated = cooling.recirculation / (1.0 + slow * slow)
    return Intake(recirculated, condenser, form(cooling, demand.speed_kmh, demand.rpm))


def air_side(
    cooling: Cooling,
    demand: Demand,
    surroundings: Surroundings,
    clutch: Number,
    electric: Number,
    still: Intake | None = None,
) -> AirSide:
    """Air through the radiator with these fan states.  Example: 0.35 m2, 5 m/s, 1.1 kg/m3 -> 1.94 kW/K."""
    if still is None:
        still = intake(cooling, demand, surroundings)
    fan_rpm = engine_fan_rpm(cooling, demand.rpm, clutch)
    face = face_speed_m_s(cooling, demand.speed_kmh, surroundings.headwind_kmh, fan_rpm, electric)
    mass_velocity = surroundings.air_kg_m3 * face
    flow = AIR_CP_KJ_KGK * mass_velocity * cooling.face_area_m2 * cooling.radiator_open
    return AirSide(flow, mass_velocity, *still)


def radiator_ua_kw_k(cooling: Cooling, mass_velocity: Number, flow_l_s: Number) -> Number:
    """Overall conductance UA [kW/K] at an air mass velocity [kg/m2s] and a coolant flow [L/s].

    1/UA = 1/UA_ref (a (5.5/G)^n + (1 - a) (1.5/flow)^0.8); a = share of resistance on the air side.
    Source: films in series; air h ~ V^0.51 louvred fins (Chang & Wang 1997), 0.6 to 0.8 other fins; tubes Re^0.8.
    Example: UA_ref 2.0, a 0.8, n 0.55, G 3.3, 1.5 L/s -> 1.59.
    """
    air = cooling.air_share * (AIR_REFERENCE / mass_velocity) ** cooling.air_exponent
    tubes = (1.0 - cooling.air_share) * (FLOW_REFERENCE_L_S / flow_l_s) ** COOLANT_EXPONENT
    return cooling.radiator_open * cooling.radiator_kw_k / (air + tubes)


def effectiveness(ntu: Number, ratio: Number) -> Number:
    """Heat-exchanger effectiveness, cross-flow with both fluids unmixed; `ratio` = Cmin / Cmax in (0, 1].

    eff = 1 - exp(NTU^0.22 / Cr (exp(-Cr NTU^0.78) - 1)), the usual closed form for the exact series.
    Validity: within 0.011 of the exact value for NTU to 6 and any ratio (worst at ratio 1); exact for ratio -> 0.
    Source: Incropera & DeWitt, heat exchangers.  Example: NTU 1, ratio 0.5 -> 0.545 (exact 0.5475).
    """
    root = ntu**0.22
    inner = np.expm1(-ratio * (ntu / root))
    value: Number = -np.expm1(root / ratio * inner)
    return value


def coolant_flow_l_s(cooling: Cooling, rpm: Number, opening: Number) -> Number:
    """Coolant [L/s] through the radiator: pump ~ engine speed, times the thermostat's opening; a trickle remains."""
    flow: Number = np.maximum(cooling.pump_l_s_krpm * cooling.pump_health / 1000.0 * rpm * opening, TRICKLE_L_S)
    return flow


def shed(
    cooling: Cooling,
    demand: Demand,
    surroundings: Surroundings,
    opening: Number,
    clutch: Number,
    electric: Number,
    air: AirSide | None = None,
) -> Shed:
    """The radiator as a conductance, with thermostat `opening`, `clutch` and `electric` fan state (0 to 1 each).

    Q = K (Tc - Tin), K = eff Cmin.  With the share r of hot air drawn in again and the condenser's kW ahead of it,
    the balance of the engine bay gives Q = K' (Tc - Ta'), K' = K (1 - r) / (1 - r (1 - K/Cair)), Ta' = Ta + kW /
    (Cair (1 - r)).
    Example: 8 kW condenser, Cair 0.58 kW/K, no recirculation -> air_c 13.8 K over the outside air.
    """
    if air is None:
        air = air_side(cooling, demand, surroundings, clutch, electric)
    flow_l_s = coolant_flow_l_s(cooling, demand.rpm, opening)
    coolant = COOLANT_KJ_LK * flow_l_s
    ua = radiator_ua_kw_k(cooling, air.mass_velocity, flow_l_s) * air.form
    least = np.minimum(air.flow_kw_k, coolant)
    passed = effectiveness(ua / least, least / np.maximum(air.flow_kw_k, coolant)) * least
    fresh = 1.0 - air.recirculated
    conductance = passed * fresh / (fresh + air.recirculated * passed / air.flow_kw_k)
    inlet = surroundings.air_c + air.condenser_kw / (air.flow_kw_k * fresh)
    return Shed(conductance, inlet, coolant)


def air_behind_c(air: AirSide, shed_kw: Number, air_c: Number) -> Number:
    """Air temperature [C] behind the radiator, which the fan clutch feels: all heat over the fresh air."""
    return air_c + (shed_kw + air.condenser_kw) / (air.flow_kw_k * (1.0 - air.recirculated))
