"""The possible vehicles of the profile, driven beside the real one: what of them the drive so far bears out.

Each takes the same fuel, speed and air through the full cooling (`heat.advance`) and is corrected by the coolant that
is read: an extended Kalman filter a vehicle over what its figures leave open in a drive (temperature, a drift, heat
made against heat shed, where the thermostat opens), and a weight by how well it foretold.  So the errors of a profile
cancel where the drive has shown them, and stay in the band where it has not.  It
does not know the road ahead (`climb_ahead`).
"""

from __future__ import annotations

from dataclasses import replace
from math import exp
from typing import Final, NamedTuple

import numpy as np

from livemon.core import heat, radiator
from livemon.core.air import Array, Number, air_density, held
from livemon.core.deeds import Many
from livemon.core.demand import told_ac
from livemon.core.engine import coolant_heat_kw
from livemon.core.heat import Nodes
from livemon.core.hypotheses import LOSS_PER_S, READ_AT_C, spread_on
from livemon.core.radiator import Demand, Surroundings
from livemon.core.signals import Inputs
from livemon.core.vehicle import Cooling

STEP_S: Final = 5
"""The cooling is stepped so often; what is asked of it is taken in the mean of the time."""
LONGEST_S: Final = 15.0
"""A step over a longer hole in the ticks is cut to this."""
TEMP, DRIFT, HEAT, OPENS = range(4)
"""Rows of the unknowns of a vehicle: coolant [K off its nodes, always 0 between steps], unexplained rate [K/s], ln of
heat made over what its figures say, and how much later its thermostat opens [K]."""
UNKNOWNS: Final = 4
START_SD: Final = np.array([1.5, 0.004, 0.10, 1.0])
"""What the figures of a vehicle leave open in one drive, one standard deviation: fuel as told differs by 5 % from drive
to drive, the model's form carries 9 % more or less (`study/cooling_fit`, `study/learn`)."""
WALK: Final = np.array([0.05, 0.0, 0.001, 0.01])  # per sqrt(s)
MOST: Final = np.array([50.0, 0.04, 0.6, 6.0])
READING_SD_C: Final = 1.4
"""Scatter, rounding, and what the nodes do not follow: correlated from reading to reading, so wide."""
SHUT_SD_C: Final = 3.0
"""So much more while the thermostat regulates: then it, not the balance, sets the temperature."""
OPEN_FROM, OPEN_SPAN = 0.4, 0.5
"""Opening from which, and over which, a reading tells of heat made and of which vehicle it is."""
SETTLE_S: Final = 180.0
"""So long after the start metal and radiator are not yet where the model puts them."""
TRUST: Final = 0.1
"""Share of a reading's log likelihood that counts for a vehicle's weight: ten readings in a row err alike."""
FORGET: Final = 0.998
LIGHTEST: Final = -4.0
MISS_S: Final = 120.0
MISS_FROM_S: Final = 300.0
"""How far off the vehicles are is told by how far readings correct them within MISS_S, from so long after the start."""
MISS_FIRST, MISS_C = 12, 1.5
_MISS_KEPT: Final = exp(-STEP_S / MISS_S)


class Asked(NamedTuple):
    """What is asked of the cooling: fuel [kW], engine [rpm], speed [km/h], A/C 0 to 1, air [C] and [kg/m3]."""

    fuel_kw: Number
    rpm: Number
    speed_kmh: Number
    ac_on: Number
    air_c: Number
    kg_m3: Number

    def around(self) -> Surroundings:
        """The air of it."""
        return Surroundings(self.air_c, self.kg_m3)


class Misses(NamedTuple):
    """Corrections within MISS_S of the drive so far: number and sum of squares [K2]."""

    number: int = 0
    squares: float = 0.0

    def plus(self, miss_c: float) -> Misses:
        """With one more."""
        return Misses(self.number + 1, self.squares + miss_c * miss_c)

    @property
    def rms_c(self) -> float:
        """Root mean square [K], begun with MISS_FIRST of MISS_C."""
        return float(((self.squares + MISS_FIRST * MISS_C**2) / (self.number + MISS_FIRST)) ** 0.5)


class Fleet(NamedTuple):
    """State of every vehicle (last axis); `nodes` None until the first reading that can be followed."""

    many: Many
    size: int
    unknown: Array
    """(UNKNOWNS, vehicles)"""
    cov: Array
    """(UNKNOWNS, UNKNOWNS, vehicles)"""
    log_weight: Array
    nodes: Nodes | None = None
    sensed_c: Array | None = None
    followed_s: float = 0.0
    stepped_ms: int = 0
    # the step under way
    ticks: int = 0
    so_far: tuple[float, ...] = (0.0,) * 5
    reading_c: float | None = None
    # how well this drive was foretold
    corrected_c: float = 0.0
    """By how much readings have corrected the vehicles in the last MISS_S or so [K], in the mean over them."""
    misses: Misses = Misses()


def start(many: Many) -> Fleet:
    """Before the drive."""
    count = int(np.size(many.cooling.electric_on_c))
    zero = np.zeros(count)
    return Fleet(many, count, np.zeros((UNKNOWNS, count)), _apart(START_SD, count), zero)


def _apart(sd: Array, count: int) -> Array:
    return np.asarray((np.diag(sd * sd))[:, :, None] + np.zeros(count))


def shares(fleet: Fleet) -> Array:
    """Weights of the vehicles, summing to one."""
    weight = np.exp(fleet.log_weight)
    return np.asarray(weight / weight.sum())


def gathered(fleet: Fleet, inputs: Inputs, fuel_kw: float | None, air_c: float) -> Fleet:
    """With what is asked in this tick; a step is due once it has STEP_S of them.

    A hole in the readings, a stopped engine or an untold demand ends what was followed; what was learned of heat and
    thermostat stays.
    """
    speed = inputs.speed_kmh if inputs.speed_kmh is not None else inputs.gps_speed_kmh
    if inputs.gap or fuel_kw is None or not inputs.rpm or speed is None:
        return fleet if fleet.nodes is None and not fleet.ticks else _anew(fleet)
    now = (fuel_kw, inputs.rpm, speed, told_ac(inputs), air_c)
    so_far = tuple(a + b for a, b in zip(fleet.so_far, now, strict=True))
    return fleet._replace(ticks=fleet.ticks + 1, so_far=so_far)


def due(fleet: Fleet, t_ms: int, air_kpa: float) -> tuple[Asked, float]:
    """What was asked in the mean of the ticks since the last step, and how long that was [s]."""
    fuel, rpm, kmh, ac, air = (total / fleet.ticks for total in fleet.so_far)
    dt_s = min((t_ms - fleet.stepped_ms) / 1000.0, LONGEST_S) if fleet.stepped_ms else float(STEP_S)
    return Asked(fuel, rpm, kmh, ac, air, float(air_density(air_kpa, air))), max(dt_s, 1.0)


def heard(fleet: Fleet, inputs: Inputs, air_kpa: float, stepped: Fleet | None = None) -> Fleet:
    """After `gathered`: with the reading of this tick, and stepped where a step is due.

    `stepped`: the fleet that `unheard` makes of it, where somebody has asked for it already.
    """
    if not fleet.ticks:
        return fleet
    if inputs.coolant_news:
        fleet = fleet._replace(reading_c=inputs.coolant_news[-1][1])
    if fleet.ticks < STEP_S:
        return fleet
    if fleet.nodes is None:
        done = _begun(fleet, due(fleet, inputs.t_ms, air_kpa)[0])
    else:
        done = unheard(fleet, *due(fleet, inputs.t_ms, air_kpa)) if stepped is None else stepped
        done = done if fleet.reading_c is None else _weighed(done, fleet.reading_c)
    return done._replace(stepped_ms=inputs.t_ms, ticks=0, so_far=(0.0,) * 5, reading_c=None)


def _anew(fleet: Fleet) -> Fleet:
    cov = fleet.cov.copy()
    for i in (TEMP, DRIFT):
        cov[i] = 0.0
        cov[:, i] = 0.0
        cov[i, i] = START_SD[i] ** 2
    unknown = fleet.unknown.copy()
    unknown[DRIFT] = 0.0
    return Fleet(fleet.many, fleet.size, unknown, cov, fleet.log_weight, misses=fleet.misses)


def _begun(fleet: Fleet, asked: Asked) -> Fleet:
    if fleet.reading_c is None:
        return fleet
    zero = np.zeros(fleet.size)
    coolant = fleet.reading_c + READ_AT_C + zero
    made_kw = coolant_heat_kw(fleet.many.engine, asked.fuel_kw) + zero
    warm = heat.regulated(coolant, asked.air_c, made_kw, fleet.many.cooling)
    nodes = Nodes(warm.metal_c, warm.coolant_c, warm.radiator_c + zero, warm.opening + zero, zero, zero)
    return fleet._replace(nodes=nodes, sensed_c=coolant)


def unheard(fleet: Fleet, asked: Asked, dt_s: float) -> Fleet:
    """Vehicles that are followed, a step on without a reading."""
    assert fleet.nodes is not None
    assert fleet.sensed_c is not None
    cooling = fleet.many.cooling
    unknown, cov = fleet.unknown.copy(), fleet.cov.copy()
    before = fleet.nodes
    nodes = advanced(fleet.many, before, unknown, asked, dt_s)
    _spread(fleet, before, asked, unknown, cov, dt_s)
    sensed = np.asarray(heat.lag(fleet.sensed_c, nodes.coolant_c, dt_s, cooling.sensor_lag_s))
    return fleet._replace(nodes=nodes, sensed_c=sensed, unknown=unknown, cov=cov, followed_s=fleet.followed_s + dt_s)


def advanced(many: Many, nodes: Nodes, unknown: Array, asked: Asked, dt_s: Number) -> Nodes:
    """Every vehicle `dt_s` on, with what is not known of it as `unknown` says."""
    demand, cooling = supposed(many, unknown, asked)
    return drifted(heat.advance(nodes, demand, asked.around(), cooling, dt_s), unknown, dt_s)


def supposed(many: Many, unknown: Array, asked: Asked) -> tuple[Demand, Cooling]:
    """The demand and the cooling of each vehicle, as `unknown` says."""
    cooling = replace(many.cooling, open_c=many.cooling.open_c + unknown[OPENS])
    made_kw = coolant_heat_kw(many.engine, asked.fuel_kw) * np.exp(unknown[HEAT])
    return Demand(made_kw, asked.rpm, asked.speed_kmh, asked.ac_on), cooling


def drifted(nodes: Nodes, unknown: Array, dt_s: Number) -> Nodes:
    """With what the balance leaves out, over `dt_s`."""
    coolant_c = nodes.coolant_c + unknown[DRIFT] * dt_s
    return Nodes(nodes.metal_c, coolant_c, nodes.radiator_c, nodes.opening, nodes.clutch, nodes.electric)


def _spread(fleet: Fleet, nodes: Nodes, asked: Asked, unknown: Array, cov: Array, dt_s: float) -> None:
    """Prediction of the covariance, in place: only the temperature is coupled to the others, as one node would be."""
    cooling = fleet.many.cooling
    demand = Demand(0.0, asked.rpm, asked.speed_kmh, asked.ac_on)
    core = radiator.shed(cooling, demand, asked.around(), 1.0, nodes.clutch, nodes.electric)
    capacity = heat.heat_capacity_kj_k(cooling)
    per_s = core.conductance_kw_k / capacity
    inside = np.asarray(
        (nodes.opening > cooling.thermostat_floor + 0.01) & (nodes.opening < cooling.thermostat_ceiling - 0.01)
    )
    gate = per_s * np.maximum(nodes.coolant_c - core.air_c, 0.0) * inside / cooling.full_span_c
    slope = np.zeros_like(unknown)
    slope[TEMP] = np.maximum(-(nodes.opening * per_s + gate + LOSS_PER_S), -0.5 / dt_s)
    slope[DRIFT] = 1.0
    slope[HEAT] = cooling.metal_kw_k * np.maximum(nodes.metal_c - nodes.coolant_c, 0.0) / capacity
    slope[OPENS] = np.minimum(gate, 0.5 / dt_s)
    spread_on(unknown, cov, slope, dt_s, START_SD[DRIFT], WALK)


def _weighed(fleet: Fleet, reading_c: float) -> Fleet:
    """Every vehicle corrected by a reading, and weighed by it.

    While the thermostat regulates, or just after the start, the heat made is left as it is (a Schmidt-Kalman update):
    the reading then speaks of the thermostat, or of where metal and radiator began.
    """
    nodes, sensed_c = fleet.nodes, fleet.sensed_c
    assert nodes is not None
    assert sensed_c is not None
    cov, unknown = fleet.cov, fleet.unknown.copy()
    wide = np.asarray(held((nodes.opening - OPEN_FROM) / OPEN_SPAN, 0.0, 1.0))
    settled = min(max(fleet.followed_s / SETTLE_S - 1.0, 0.0), 1.0)
    shut = held((1.0 - nodes.opening) * 2.0, 0.0, 1.0)
    variance = cov[TEMP, TEMP] + READING_SD_C**2 + (SHUT_SD_C * shut) ** 2
    surprise = reading_c + READ_AT_C - sensed_c
    likely = np.minimum(surprise * surprise / variance, 16.0) + np.log(variance)
    surprise = np.asarray(held(surprise, -4.0 * np.sqrt(variance), 4.0 * np.sqrt(variance)))
    across = cov[:, TEMP]
    gain = across / variance
    gain[HEAT] *= wide * settled
    change = gain * surprise
    outer = gain[:, None] * across
    cov = cov - outer - outer.swapaxes(0, 1) + gain[:, None] * gain * variance
    unknown[1:] = held(unknown[1:] + change[1:], -MOST[1:, None], MOST[1:, None])
    warmer = change[TEMP]
    corrected = replace(
        nodes,
        metal_c=nodes.metal_c + warmer,
        coolant_c=nodes.coolant_c + warmer,
        radiator_c=nodes.radiator_c + warmer * nodes.opening,
    )
    counts = TRUST * float(wide.mean()) * settled
    weight = fleet.log_weight * FORGET - 0.5 * counts * likely
    weight = np.maximum(weight - weight.max(), LIGHTEST)
    fleet = fleet._replace(nodes=corrected, sensed_c=sensed_c + warmer, unknown=unknown, cov=cov, log_weight=weight)
    corrected_c = fleet.corrected_c * _MISS_KEPT + float((shares(fleet) * warmer).sum())
    misses = fleet.misses.plus(corrected_c) if fleet.followed_s > MISS_FROM_S else fleet.misses
    return fleet._replace(corrected_c=corrected_c, misses=misses)
