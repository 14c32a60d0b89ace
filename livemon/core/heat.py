"""Metal, coolant and radiator: one step of the cooling in time, where it settles, and when it reaches a limit.

Three thermal nodes (engine metal, coolant in the engine, radiator with its coolant) and three slow switches
(thermostat, fan clutch, electric fan).  `advance` is one implicit step, stable for any length, elementwise over
hypotheses; the analytic pieces are those of thermal overload protection.  It does not know oil as a node of its own,
nor boiling.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from livemon.core.air import Flags, Number, halved, held
from livemon.core.radiator import (
    COOLANT_KJ_LK,
    Demand,
    Intake,
    Shed,
    Surroundings,
    air_behind_c,
    air_side,
    intake,
    shed,
)
from livemon.core.vehicle import Cooling

ENGINE_SIDE: Final = 0.65
"""Share of the coolant fill that is in the engine and heater; the rest is counted in `radiator_kj_k`."""
CABIN_C: Final = 25.0
LOSS_SPEED_KMH: Final = 100.0  # road speed at which the block's loss to the air has doubled, from memory


@dataclass(frozen=True, slots=True)
class Nodes:
    """State of the cooling: three temperatures [C]; thermostat opening, fan clutch and electric fan, 0 to 1 each."""

    metal_c: Number
    coolant_c: Number
    radiator_c: Number
    opening: Number
    clutch: Number
    electric: Number

    def figures(self) -> tuple[Number, ...]:
        """The six in their order: `Nodes(*nodes.figures())` is the same again."""
        return self.metal_c, self.coolant_c, self.radiator_c, self.opening, self.clutch, self.electric


def cold(air_c: Number, cooling: Cooling) -> Nodes:
    """An engine that stood for hours: everything at the temperature of the air."""
    zero = 0.0 * air_c
    return Nodes(air_c, air_c, air_c, cooling.thermostat_floor + zero, zero, zero)


def regulated(coolant_c: Number, air_c: Number, heat_kw: Number, cooling: Cooling) -> Nodes:
    """A warm engine that has run steadily at `coolant_c`: metal over it by the heat, thermostat on its curve."""
    low, _ = opening_between(cooling, coolant_c)
    opening = held(low, cooling.thermostat_floor, cooling.thermostat_ceiling)
    zero = 0.0 * (coolant_c + opening)
    radiator = air_c + (0.35 + 0.5 * opening) * (coolant_c - air_c)
    return Nodes(coolant_c + heat_kw / cooling.metal_kw_k, coolant_c + zero, radiator, opening, zero, zero)


def heat_capacity_kj_k(cooling: Cooling) -> Number:
    """All that follows the coolant once the thermostat is open [kJ/K]; usual 60 to 150 (from memory), default 117."""
    return cooling.metal_kj_k + engine_coolant_kj_k(cooling) + cooling.radiator_kj_k


def engine_coolant_kj_k(cooling: Cooling) -> Number:
    """Heat capacity [kJ/K] of the coolant in engine and heater."""
    return COOLANT_KJ_LK * ENGINE_SIDE * cooling.coolant_l


def lag(value: Number, target: Number, dt_s: Number, lag_s: Number) -> Number:
    """First-order lag over one step, exact for a constant target: sensor, clutch, wax.

    value + (target - value) (1 - exp(-dt / lag)).  Example: 0 to 1, dt = lag -> 0.632.
    """
    return toward(value, target, lag_share(dt_s, lag_s))


def lag_share(dt_s: Number, lag_s: Number) -> Number:
    """Share of the way to a constant target that a first-order lag goes in `dt_s`."""
    share: Number = -np.expm1(-dt_s / lag_s)
    return share


def toward(value: Number, target: Number, share: Number) -> Number:
    """`value` moved by a share of the way to `target`."""
    return value + (target - value) * share


def opening_between(cooling: Cooling, coolant_c: Number) -> tuple[Number, Number]:
    """Opening curve and closing curve of the thermostat at `coolant_c`, before limits; between them it rests."""
    low = (coolant_c - cooling.open_c) / cooling.full_span_c
    return low, low + cooling.hysteresis_c / cooling.full_span_c


def thermostat(cooling: Cooling, opening: Number, coolant_c: Number, dt_s: Number) -> Number:
    """Opening (0 to 1) one step on: a lagging wax with hysteresis, held between floor and ceiling."""
    return lag(opening, thermostat_target(cooling, opening, coolant_c), dt_s, cooling.thermostat_lag_s)


def thermostat_target(cooling: Cooling, opening: Number, coolant_c: Number) -> Number:
    """Opening (0 to 1) that the wax moves to from `opening`, held between floor and ceiling.

    The play operator: the target moves only when the opening curve is above or the closing curve below it.
    Source: service manuals (opens 80 to 84 C, full at 95; 74 to 78, full at 90; ...), hysteresis and lag common
    practice.
    """
    low, high = opening_between(cooling, coolant_c)
    return held(np.minimum(np.maximum(opening, low), high), cooling.thermostat_floor, cooling.thermostat_ceiling)


def clutch_target(cooling: Cooling, behind_c: Number) -> Number:
    """Engagement (0 to 1) of the viscous clutch that belongs to the air temperature behind the radiator."""
    share = held((behind_c - cooling.clutch_on_c) / cooling.clutch_span_c + 0.5, 0.0, 1.0)
    smooth: Number = share * share * (3.0 - 2.0 * share)
    return smooth


def electric_target(cooling: Cooling, electric: Number, coolant_c: Number, forced: Number) -> Number:
    """Share of its speed at which the electric fan runs: all of it by coolant, with hysteresis, at least `forced`."""
    hot = coolant_c >= cooling.electric_on_c
    stays = (coolant_c > cooling.electric_on_c - cooling.electric_span_c) & (np.asarray(electric) >= 1.0)
    state: Number = np.maximum(np.where(hot | stays, 1.0, 0.0), forced)
    return state


def electric_forced(cooling: Cooling, ac_on: Number, fan_on: Number) -> Number:
    """Share of its speed at which the electric fan runs whatever the coolant: by a switch, or for the A/C."""
    by_ac = np.where(np.asarray(ac_on) > 0.5, cooling.ac_fan, 0.0)
    share: Number = np.maximum(np.where(np.asarray(fan_on) > 0.5, 1.0, 0.0), by_ac)
    return share


def loss_kw_k(cooling: Cooling, speed_kmh: Number) -> Number:
    """Conductance [kW/K] from the engine block to the air around it, growing with road speed."""
    return cooling.loss_kw_k * (1.0 + speed_kmh / LOSS_SPEED_KMH)


class Steady(NamedTuple):
    """What of a step of `advance` stays the same while demand, surroundings and the length of the step do."""

    still: Intake
    forced: Number
    wax: Number
    """Shares of the way to their targets that thermostat and clutch go."""
    viscous: Number
    metal_kw_k: Number
    """Heat capacities over the step [kW/K]: metal, coolant in the engine, radiator."""
    coolant_kw_k: Number
    radiator_kw_k: Number
    metal_d: Number
    """Of metal and coolant: what the unknown is divided by, and the heat that comes from outside [kW]."""
    loss_kw: Number
    coolant_d: Number
    heater_kw: Number
    tie_share: Number


def steady(demand: Demand, surroundings: Surroundings, cooling: Cooling, dt_s: Number) -> Steady:
    """Worked out once for many steps of one length under one demand."""
    loss = loss_kw_k(cooling, demand.speed_kmh)
    heater = demand.heater_on * cooling.heater_kw_k
    tie = cooling.metal_kw_k
    metal = cooling.metal_kj_k / dt_s
    coolant = engine_coolant_kj_k(cooling) / dt_s
    metal_d = metal + tie + loss
    tie_share = tie / metal_d
    return Steady(
        intake(cooling, demand, surroundings),
        electric_forced(cooling, demand.ac_on, demand.fan_on),
        lag_share(dt_s, cooling.thermostat_lag_s),
        lag_share(dt_s, cooling.clutch_lag_s),
        metal,
        coolant,
        cooling.radiator_kj_k / dt_s,
        metal_d,
        loss * surroundings.air_c,
        coolant + heater + tie * (1.0 - tie_share),
        heater * CABIN_C,
        tie_share,
    )


def part_of(same: Steady, place: int) -> Steady:
    """One place of a `Steady` worked out for many places (first axis of every field) at once."""

    def at(values: Number) -> Number:
        return np.asarray(values)[place]  # type: ignore[no-any-return]  # a row, or one number

    return Steady(Intake(*map(at, same.still)), *(at(values) for values in same[1:]))


def advance(
    nodes: Nodes,
    demand: Demand,
    surroundings: Surroundings,
    cooling: Cooling,
    dt_s: Number,
    same: Steady | None = None,
) -> Nodes:
    """The cooling `dt_s` seconds on under a constant demand.

    Cm dm/dt = H - Gmc (m - c) - Gl (m - Ta);  Cc dc/dt = Gmc (m - c) - F (c - r) - Gh (c - Tcabin);
    Cr dr/dt = F (c - r) - Gr (r - Ta'),  Gr = K' / (1 - K'/F), so that at rest Q = K' (c - Ta') exactly. Switches
    move first, on the state at the start; then one backward-Euler step of the three temperatures, solved in closed
    form: stable for any dt, exact at rest, first order in time (a rise comes about dt / 2 late).  Use 0.5 to 5 s.
    `same`: `steady` of these, for many steps.
    """
    if same is None:
        same = steady(demand, surroundings, cooling, dt_s)
    target = thermostat_target(cooling, nodes.opening, nodes.coolant_c)
    opening = toward(nodes.opening, target, same.wax)
    electric = electric_target(cooling, nodes.electric, nodes.coolant_c, same.forced)
    air = air_side(cooling, demand, surroundings, nodes.clutch, electric, same.still)
    core = shed(cooling, demand, surroundings, opening, nodes.clutch, electric, air)
    flow = core.coolant_kw_k
    through = core.conductance_kw_k / np.maximum(1.0 - core.conductance_kw_k / flow, 1e-3)
    behind_c = air_behind_c(air, through * (nodes.radiator_c - core.air_c), surroundings.air_c)
    clutch = toward(nodes.clutch, clutch_target(cooling, behind_c), same.viscous)

    tie = cooling.metal_kw_k
    metal_b = same.metal_kw_k * nodes.metal_c + demand.heat_kw + same.loss_kw
    radiator_d = same.radiator_kw_k + flow + through
    radiator_b = same.radiator_kw_k * nodes.radiator_c + through * core.air_c
    flow_share = flow / radiator_d
    coolant_b = (
        same.coolant_kw_k * nodes.coolant_c + same.heater_kw + same.tie_share * metal_b + flow_share * radiator_b
    )
    coolant = coolant_b / (same.coolant_d + flow * (1.0 - flow_share))
    return Nodes(
        (metal_b + tie * coolant) / same.metal_d,
        coolant,
        (radiator_b + flow * coolant) / radiator_d,
        opening,
        clutch,
        electric,
    )


def balance(demand: Demand, surroundings: Surroundings, cooling: Cooling, core: Shed) -> tuple[Number, Number]:
    """Coolant temperature [C] at which this radiator state sheds the heat made, and the slope there [kW/K]."""
    loss = loss_kw_k(cooling, demand.speed_kmh)
    share = cooling.metal_kw_k / (cooling.metal_kw_k + loss)
    heater = demand.heater_on * cooling.heater_kw_k
    slope = core.conductance_kw_k + heater + loss * share
    gains = demand.heat_kw * share + core.conductance_kw_k * core.air_c + heater * CABIN_C
    return (gains + loss * share * surroundings.air_c) / slope, slope


@dataclass(frozen=True, slots=True)
class Settled:
    """Where the cooling heads if the demand holds: coolant [C], time constant [s], and whether the thermostat still
    regulates.
    """

    coolant_c: Number
    tau_s: Number
    regulated: Flags


def _clutch_at_rest(demand: Demand, surroundings: Surroundings, cooling: Cooling, electric: Number) -> Number:
    """Clutch engagement that agrees with the temperature it brings about; 8 halvings (the relation falls)."""

    def looser(clutch: Number) -> Flags:
        air = air_side(cooling, demand, surroundings, clutch, electric)
        core = shed(cooling, demand, surroundings, cooling.thermostat_ceiling, clutch, electric, air)
        hot_c, _ = balance(demand, surroundings, cooling, core)
        behind = air_behind_c(air, core.conductance_kw_k * (hot_c - core.air_c), surroundings.air_c)
        return np.asarray(clutch_target(cooling, behind) > clutch)

    return halved(looser, 0.0, 1.0, 8)


def _settle_open(
    demand: Demand, surroundings: Surroundings, cooling: Cooling, electric: Number
) -> tuple[Number, Number, Number]:
    clutch = _clutch_at_rest(demand, surroundings, cooling, electric)
    air = air_side(cooling, demand, surroundings, clutch, electric)
    core = shed(cooling, demand, surroundings, cooling.thermostat_ceiling, clutch, electric, air)
    return (*balance(demand, surroundings, cooling, core), clutch)


def settle(demand: Demand, surroundings: Surroundings, cooling: Cooling) -> Settled:
    """Equilibrium under a constant demand, thermostat, clutch and electric fan included.

    Full-open balance first (linear in coolant once the clutch is found by halving); where it lies under the full-open
    temperature the thermostat regulates and the opening is found by halving.  An electric fan that would cycle holds
    the temperature between its two switching points.  tau = total heat capacity / slope.
    """
    forced = np.maximum(demand.ac_on * cooling.ac_fan, demand.fan_on)
    off_c, off_slope, clutch = _settle_open(demand, surroundings, cooling, forced)
    on_c, on_slope, _ = _settle_open(demand, surroundings, cooling, np.maximum(forced, 1.0))
    needs_fan = off_c >= cooling.electric_on_c
    hot_c = np.where(
        needs_fan,
        np.maximum(on_c, np.minimum(off_c, cooling.electric_on_c - 0.5 * cooling.electric_span_c)),
        off_c,
    )
    slope = np.where(needs_fan, on_slope, off_slope)
    low: Number = cooling.thermostat_floor
    high: Number = cooling.thermostat_ceiling
    opening = 0.5 * (low + high)
    warm_c: Number = hot_c
    # The air behind the radiator carries the same heat whether the thermostat or the balance sets the coolant, so the
    # clutch is where it was found for the open thermostat.
    air = air_side(cooling, demand, surroundings, clutch, forced)
    for _ in range(9):
        core = shed(cooling, demand, surroundings, opening, clutch, forced, air)
        warm_c, _ = balance(demand, surroundings, cooling, core)
        more = warm_c > cooling.open_c + opening * cooling.full_span_c
        low = np.where(more, opening, low)
        high = np.where(more, high, opening)
        opening = 0.5 * (low + high)
    is_regulated = np.asarray(hot_c) < cooling.open_c + cooling.thermostat_ceiling * cooling.full_span_c
    return Settled(np.where(is_regulated, warm_c, hot_c), heat_capacity_kj_k(cooling) / slope, is_regulated)


def rise_c(start_c: Number, settles_c: Number, time_s: Number, tau_s: Number) -> Number:
    """Temperature after `time_s` on the exponential rise toward `settles_c`.

    d(t) = di + (du - di)(1 - exp(-t / tau)).  Source: IEEE C57.91 / IEC 60076-7.
    Example: after 0.5, 1, 2, 3 tau 39.35, 63.21, 86.47, 95.02 % of the rise.
    """
    value: Number = start_c + (settles_c - start_c) * -np.expm1(-time_s / tau_s)
    return value


def time_to_limit_s(now_c: Number, settles_c: Number, limit_c: Number, tau_s: Number) -> Number:
    """Time [s] until the exponential rise reaches the limit; 0 at or over it, inf when it never does.

    t = tau ln((Tinf - T) / (Tinf - Tlim)): the thermal-overload operate time of IEC 60255-149 in temperature form.
    Example: tau 300 s, 95 C now, limit 115, heading for 125 -> 329.6 s; for 115 or less -> never.
    """
    above = np.asarray(settles_c) - limit_c
    reaches = above > 0
    ratio = (np.asarray(settles_c) - now_c) / np.where(reaches, above, 1.0)
    time = tau_s * np.log(np.maximum(ratio, 1.0))
    result: Number = np.where(np.asarray(now_c) >= limit_c, 0.0, np.where(reaches, time, np.inf))
    return result
