"""Moves the hypotheses one second on and weighs them by the new readings.

State is a value; `advance` never changes the old one.  Readings are weighed when their whole degree changes, else every
third second, since a repeated value carries little.  It does not look ahead (`forecast`) and does not ask whether the
sensor can be believed (`trust`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp
from typing import Any, Final

import numpy as np

from livemon.core import demand, hypotheses
from livemon.core.air import Number, air_density
from livemon.core.demand import Flow, Pace, Raw
from livemon.core.engine import coolant_heat_kw
from livemon.core.hypotheses import OPEN, TEMP, Bank, Prior
from livemon.core.outcome import Z80, Band
from livemon.core.prior import prior_from
from livemon.core.road import RoadView
from livemon.core.signals import Inputs
from livemon.core.vehicle import Body, Cooling, Engine, VehicleProfile

REPEAT_S: Final = 3
BELOW_C, ABOVE_C = 0.25, 0.75
"""A reading r is taken as r - 0.25 .. r + 0.75: between rounding (-0.5 .. 0.5) and cutting off (0 .. 1)."""
RESTART_C: Final = 2.0  # spread of the temperature after a hole in the readings
SLACK_C: Final = 0.4  # spread added to the estimate for unknown rounding and lag
OPEN_FROM: Final = 0.97
"""From this opening on the thermostat regulates nothing any more."""
WARMING_C: Final = 3.0
"""So far under the thermostat's opening the ten-minute mean tells a warm-up, whose end overshoots (real trips)."""
USUAL_S: Final = 600.0
"""Over this long the mean of the estimate is "where it has been": a regulated engine stays within some K of it."""


@dataclass(frozen=True, slots=True)
class Rig:
    """What the drive starts with: numbers for heat made, and the prior of the hypotheses."""

    engine: Engine
    cooling: Cooling
    prior: Prior
    body: Body


@dataclass(frozen=True, slots=True)
class State:
    """All that is remembered of the drive; `bank` is None until the first reading."""

    rig: Rig
    t_ms: int = 0
    bank: Bank | None = None
    pace: Pace | None = None
    flow: Flow | None = None
    air_c: float | None = None
    source: str = "nothing"
    """Where the heat made comes from; "nothing" = coolant alone."""
    reading_c: float | None = None
    repeats_s: int = 0
    stopped: bool = False
    """Engine stopped: nothing is learned, the temperature follows the reading."""
    usual_c: float | None = None
    """Running mean of the estimate over USUAL_S; begun anew after a hole in the readings."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """What is known now: temperature, and how far the thermostat is open."""

    coolant_c: Band
    opening: float
    """Weighted thermostat opening; below 1 the slope is regulation."""
    regulating: bool
    usual_c: float
    """Mean of the estimate over USUAL_S."""
    warming: bool
    """The engine comes from the cold: what has been usual lies under the thermostat's opening."""


def start(profile: VehicleProfile) -> State:
    """State before the first tick."""
    return State(Rig(profile.engine(), profile.cooling(), prior_from(profile), profile.body()))


def advance(state: State, inputs: Inputs, road: RoadView | None = None) -> State:
    """One tick on.  `road` gives the height where no pressure is measured."""
    dt_s = min(max((inputs.t_ms - state.t_ms) / 1000.0, 0.0), 5.0) if state.t_ms else 1.0
    outside = demand.outside_c(inputs, state.air_c)
    kpa = demand.air_pressure_kpa(inputs)
    fuel = demand.fuel_kw(inputs, state.rig.engine, outside, kpa)
    source = demand.source(inputs, state.rig.engine)
    if fuel is None and road is not None and road.grade_pct is not None:
        fuel = demand.road_fuel_kw(inputs, state.rig.body, state.rig.engine, road.grade_pct.likely or 0.0, outside, kpa)
        source = "nothing" if fuel is None else "road load"
    raw = _raw(state, inputs, fuel)
    pace = demand.begin(raw) if state.pace is None else demand.paced(state.pace, raw, dt_s)
    air_c = outside
    if inputs.ac_on:
        air_c += float(demand.condenser_c(state.rig.cooling, outside, pace.lag_ram))
    density = (float(air_density(kpa, outside)) / 1.1) ** hypotheses.AIR_EXPONENT
    flow = demand.flow(pace, air_c, density)
    news = inputs.coolant_news[-1][1] if inputs.coolant_news else None
    stopped = inputs.rpm is not None and inputs.rpm < 1.0
    changes: dict[str, Any] = {}
    if state.bank is None:
        if news is not None:
            changes = {"bank": hypotheses.start(state.rig.prior, np.asarray(news)), "reading_c": news, "usual_c": news}
    elif stopped or inputs.gap or (state.stopped and news is not None):
        if news is not None:
            bank = hypotheses.reset_temperature(state.bank, np.asarray(news + hypotheses.READ_AT_C), RESTART_C)
            since = news if inputs.gap else state.usual_c
            changes = {"bank": bank, "reading_c": news, "repeats_s": 0, "usual_c": since}
    else:
        assert state.usual_c is not None
        bank, changes = _weighed(state, hypotheses.moved(state.bank, flow, dt_s), news)
        likely_c = hypotheses.likely_c(bank)
        changes |= {"bank": bank, "usual_c": float(usual(state.usual_c, likely_c, pace.seconds, dt_s))}
    return replace(
        state, t_ms=inputs.t_ms, pace=pace, flow=flow, air_c=outside, source=source, stopped=stopped, **changes
    )


def usual(before_c: Number, likely_c: Number, seconds: float, dt_s: float) -> Number:
    """Running mean of the estimate `dt_s` later [C]; over `seconds` of drive where that is shorter than USUAL_S."""
    return before_c + (likely_c - before_c) * max(1.0 - exp(-dt_s / USUAL_S), dt_s / seconds)


def _weighed(state: State, bank: Bank, news: float | None) -> tuple[Bank, dict[str, Any]]:
    """The bank after a reading, and what of the state changes with it."""
    if news is None or (news == state.reading_c and state.repeats_s + 1 < REPEAT_S):
        return bank, {"repeats_s": state.repeats_s + 1}
    bank = hypotheses.weighed(bank, np.asarray(news - BELOW_C), np.asarray(news + ABOVE_C))
    return bank, {"reading_c": news, "repeats_s": 0}


def _raw(state: State, inputs: Inputs, fuel_kw: float | None) -> Raw:
    """Drive of this second; what is not offered keeps a plain constant (its scale is for the hypotheses to find)."""
    warm = demand.BLIND_KW if fuel_kw is None else float(coolant_heat_kw(state.rig.engine, fuel_kw))
    speed = inputs.speed_kmh if inputs.speed_kmh is not None else inputs.gps_speed_kmh
    ram = demand.BLIND_RAM if speed is None else speed / demand.RAM_KMH
    fan = 1.0 if inputs.rpm is None else min(inputs.rpm / demand.FAN_RPM, demand.FAN_TOP)
    return Raw(warm, ram, fan)


def estimate(state: State) -> Estimate | None:
    """What is known at this tick; None before the first reading."""
    return None if state.bank is None else estimate_each([state])[0]


def estimate_each(states: Sequence[State]) -> list[Estimate]:
    """The same of many moments, all after the first reading, side by side and to the last bit."""
    bank = hypotheses.side_by_side([state.bank for state in states if state.bank is not None])
    share = hypotheses.shares(bank)
    temp = bank.mean[TEMP]
    likely_c = (share * temp).sum(axis=-1)
    apart = temp - likely_c[:, None]
    spread_c = np.sqrt((share * (bank.cov[TEMP, TEMP] + apart**2)).sum(axis=-1) + SLACK_C**2)
    openings = (share * hypotheses.opening(bank)).sum(axis=-1)
    opens_c = (share * bank.mean[OPEN]).sum(axis=-1)
    told: list[Estimate] = []
    columns = (column.tolist() for column in (likely_c, spread_c, openings, opens_c))
    for state, likely, spread, opening, opens in zip(states, *columns, strict=True):
        usual_c = likely if state.usual_c is None else state.usual_c
        band = _band(likely, spread)
        told.append(Estimate(band, opening, opening < OPEN_FROM, usual_c, usual_c < opens - WARMING_C))
    return told


def _band(likely: float, spread: float) -> Band:
    return Band(likely - Z80 * spread, likely, likely + Z80 * spread)
