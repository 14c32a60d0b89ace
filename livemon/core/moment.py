"""What is known at a moment before anything is foreseen, and all that is remembered between moments.

Events are folded in as they come; a tick goes from left to right through readings and road (`look_round`), doubts and
estimate (`at_tick`), each handing on a small frozen value.  What follows (forecast, level, advice) is `pipeline`'s.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final, NamedTuple

from livemon.core import (
    acted,
    advice,
    alert,
    climb_ahead,
    demand,
    estimator,
    expected,
    fleet,
    ignition,
    planned,
    rise,
    road,
    road_demand,
    signals,
    trust,
    trust_cooling,
    unheard,
    what_if,
)
from livemon.core.acted import ActedState
from livemon.core.advice import AdviceSettings, AdviceState, Gains
from livemon.core.air import air_density, standard_pressure_kpa
from livemon.core.alert import AlertSettings, AlertState, Evidence, default_stop_c
from livemon.core.climb_ahead import ClimbAhead, Look
from livemon.core.coolant import boiling_c
from livemon.core.deeds import Many
from livemon.core.engine import brake_kw_from_fuel
from livemon.core.estimator import Estimate
from livemon.core.events import Link, Mark, Sample, Tick, corrected
from livemon.core.expected import Expecting
from livemon.core.fleet import Fleet
from livemon.core.forecast import Forecast
from livemon.core.ignition import Ignition, IgnitionSettings
from livemon.core.outcome import Band, Status
from livemon.core.planned import OffState, PlannedRoad
from livemon.core.rise import Rise
from livemon.core.road import RoadView
from livemon.core.road_demand import Shown, Vehicle
from livemon.core.road_state import RoadState
from livemon.core.route import Route
from livemon.core.signals import Inputs, Signals
from livemon.core.traction import grade_from_power
from livemon.core.trust import Trust, TrustState
from livemon.core.unheard import Departure, Unheard
from livemon.core.vehicle import Body, Cooling, Engine, VehicleProfile

LIVE: Final = frozenset({Status.LIVE, Status.ENGINE_OFF})
BLIND_MS: Final = 20_000
"""The model alone carries the estimate so long through doubted readings; then nothing is said of temperature."""
BOIL_BELOW_IDEAL_C: Final = 1.25
"""Tables of ideal mixtures are an upper edge: real coolant boils up to 2.5 K lower (docs/model.md)."""
UNKNOWN_HEIGHT_M: Final = 0.0


@dataclass(frozen=True, slots=True)
class CoreSettings:
    """Everything the core is told once, before the drive."""

    limit_c: float = 108.0
    stop_c: float | None = None
    outside_c: float | None = None
    mass_kg: float | None = None
    sensor_offset_c: float = 0.0
    """So much the coolant sensor reads too high [K]; taken off at the door, before anything else sees the reading."""
    alert: AlertSettings = field(default_factory=AlertSettings)
    advice: AdviceSettings = field(default_factory=AdviceSettings)
    ignition: IgnitionSettings = field(default_factory=IgnitionSettings)
    profile: VehicleProfile = field(default_factory=VehicleProfile)
    route: Route | None = None
    route_from_start: bool = False
    planned: PlannedRoad | None = None
    """The plan of the route, for the comparison; it changes nothing but `Outcome.off_plan`."""


class State(NamedTuple):
    """All that is remembered between events."""

    estimator: estimator.State
    body: Body
    engine: Engine
    cooling: Cooling
    vehicles: Many
    """The possible vehicles of the profile, for what an action would buy."""
    fleet: Fleet
    """The same, driven beside this one."""
    signals: Signals = Signals()
    ignition: Ignition = Ignition()
    road: RoadState = road.start()
    expecting: Expecting = expected.start()
    trust: TrustState = trust.start()
    alert: AlertState = alert.start()
    advice: AdviceState = advice.start()
    acted: ActedState = acted.start()
    readings: int = 0
    gains: Gains = MappingProxyType({})
    gains_ms: int | None = None
    rise: Rise | None = None
    forecast: Forecast | None = None
    boil_c: Band | None = None
    boil_kpa: float = 0.0
    doubted_since_ms: int | None = None
    speed_kmh: float | None = None
    """At the tick before; for the acceleration."""
    evidence: Evidence | None = None
    """What the level of the last tick was decided on: `tune` decides it again under other settings."""
    off_plan: OffState = planned.start()
    shown: Shown | None = None
    """What the drive has shown of driver and road load; None without a route."""
    climb: ClimbAhead | None = None
    climb_ms: int | None = None
    """When the climb that stands was looked along; None = none stands."""
    unheard: Unheard = unheard.start()

    def needs_demand_grade(self, inputs: Inputs) -> bool:
        """Only where nothing better tells the height."""
        return inputs.altitude_m is None and inputs.baro_kpa is None and self.road.along_m is None


class Seen(NamedTuple):
    """A tick as far as it is read: what is usable, and where the vehicle is."""

    inputs: Inputs
    where: RoadView
    readings: int
    """Coolant readings heard since the start."""


class Moment(NamedTuple):
    """A tick as far as it is known before anything is foreseen; what was `Seen` comes first."""

    inputs: Inputs
    where: RoadView
    readings: int
    verdict: Trust
    fresh: bool
    told: bool
    """Whether an estimate may be: not before a reading, nor while readings are old or were doubted for long."""
    now: Estimate | None
    """Where it may; `with_estimates` puts it there."""
    rate: Band | None
    """Of the readings [K/min], likewise."""
    boil: Band
    stop_c: float
    estimator: estimator.State
    climb: ClimbAhead | None
    climb_ms: int | None


def start(settings: CoreSettings) -> State:
    """The state before the first event."""
    profile = settings.profile
    vehicles = what_if.vehicles(profile)
    return State(
        estimator.start(profile),
        profile.body(),
        profile.engine(),
        profile.cooling(),
        vehicles,
        fleet.start(vehicles),
        road=road.start(settings.route, settings.route_from_start),
        shown=None if settings.route is None else road_demand.begin(profile),
    )


def hear(state: State, event: Sample | Link | Mark, settings: CoreSettings) -> State:
    """Fold one event in."""
    readings = state.readings
    if isinstance(event, Sample):
        event = corrected(event, settings.sensor_offset_c)
        readings += any(name == "coolant_c" for name, _ in event.readings)
    return state._replace(
        signals=signals.hear(state.signals, event),
        ignition=ignition.hear(state.ignition, event, settings.ignition),
        readings=readings,
    )


def at_tick(state: State, seen: Seen, settings: CoreSettings) -> tuple[State, Moment, Look | None]:
    """Doubts and hypotheses at a tick that was `seen`; and the climb ahead where it is to be looked along anew.

    The moment has neither climb nor estimate yet: `with_climbs` and `with_estimates` put them there.
    """
    inputs, where, _ = seen
    fuel_kw, kpa, air_c = _asked(state, inputs, where)
    followed = fleet.gathered(state.fleet, inputs, fuel_kw, air_c)
    last_c, broke_ms = state.trust.believed_c, state.trust.broke_ms
    wanted = trust_cooling.compares(state.trust.slow, last_c)
    alone, departures, stepped = unheard.advance(state.unheard, followed, inputs.t_ms, kpa, last_c, broke_ms, wanted)
    state, verdict, believed = judged(state, inputs, where, departures)
    doubted_ms = None if verdict.trusted else state.doubted_since_ms  # lost data end no doubt
    if verdict.trusted is False and doubted_ms is None:
        doubted_ms = inputs.t_ms
    carried = state.estimator
    shown = state.shown
    if shown is not None:
        shown = road_demand.heard(shown, inputs, where, _vehicle(state, inputs), fuel_kw, kpa, air_c)
    fresh = inputs.status in LIVE and inputs.coolant_c is not None
    blind = doubted_ms is not None and inputs.t_ms - doubted_ms > BLIND_MS
    told = fresh and not blind and carried.bank is not None
    boil, boil_kpa = boiling(state, where, inputs)
    assert boil.low is not None
    stop_c = settings.stop_c if settings.stop_c is not None else default_stop_c(settings.limit_c, boil.low)
    state = state._replace(
        doubted_since_ms=doubted_ms,
        shown=shown,
        fleet=fleet.heard(followed, believed, kpa, stepped),
        unheard=alone,
        boil_c=boil,
        boil_kpa=boil_kpa,
    )
    climb_ms, look = _look(state, inputs, where, settings.limit_c, stop_c) if told else (None, None)
    if climb_ms != state.climb_ms:
        state = state._replace(climb_ms=climb_ms)
    return state, Moment(*seen, verdict, fresh, told, None, None, boil, stop_c, carried, None, climb_ms), look


def judged(
    state: State, inputs: Inputs, where: RoadView, departures: tuple[Departure, ...] = ()
) -> tuple[State, Trust, Inputs]:
    """Doubts at a tick, the readings that are believed, and the hypotheses that heard them.

    Without `departures`, whose cost is a fleet, a sensor is called stuck sooner and lost cooling hardly ever; any
    other doubt of the sensor is the same.
    """
    last_c, broke_ms = state.trust.believed_c, state.trust.broke_ms
    expecting, partings = expected.advance(state.expecting, state.estimator, inputs, last_c, broke_ms)
    trust_state, verdict = trust.judge(state.trust, inputs, partings, departures)
    believed = inputs if verdict.trusted is not False else replace(inputs, coolant_news=())
    carried = estimator.advance(state.estimator, believed, where)
    return state._replace(expecting=expecting, trust=trust_state, estimator=carried), verdict, believed


def with_climbs(state: State, moments: list[Moment], looked: dict[int, ClimbAhead]) -> State:
    """Puts into the moments the climb that stands at each, `looked` anew at some places; the state with the last."""
    stands = state.climb
    for place, moment in enumerate(moments):
        stands = None if moment.climb_ms is None else looked.get(place, stands)
        if stands is not None:
            moments[place] = moment._replace(climb=stands)
    return state if stands is state.climb else state._replace(climb=stands)


def with_estimates(rising: Rise | None, moments: Sequence[Moment]) -> tuple[Rise | None, list[Moment]]:
    """The moments with what is known at each, worked out side by side, and how fast the readings rise."""
    told = [moment.estimator for moment in moments if moment.told]
    known = iter(estimator.estimate_each(told) if told else ())
    whole: list[Moment] = []
    for moment in moments:
        inputs = moment.inputs
        if inputs.gap:
            rising = None
        if moment.verdict.trusted is not False:
            for t_ms, reading_c in inputs.coolant_news:
                rising = rise.start(t_ms, reading_c) if rising is None else rise.heard(rising, t_ms, reading_c)
        if moment.told:
            rate = None if rising is None else rise.ahead(rising, inputs.t_ms).rate_band()
            moment = moment._replace(now=next(known), rate=rate)
        whole.append(moment)
    return rising, whole


def look_round(state: State, tick: Tick, settings: CoreSettings) -> tuple[State, Seen]:
    """What is usable at a tick, and where the vehicle is.  Asks nothing that `at_tick` remembers."""
    heard, inputs = signals.at_tick(state.signals, tick.t_ms, settings.outside_c, settings.mass_kg)
    engine_state = ignition.at_tick(state.ignition, tick.t_ms, settings.ignition)
    if engine_state.engine is ignition.Engine.OFF and inputs.status is not Status.STARTING:
        inputs = replace(inputs, status=Status.ENGINE_OFF)  # silence after the key is turned off is no lost link
    grade_pct = demand_grade_pct(state, inputs) if state.needs_demand_grade(inputs) else None
    road_state, where = road.advance(state.road, inputs, settings.route, grade_pct)
    state = state._replace(signals=heard, ignition=engine_state, road=road_state, speed_kmh=inputs.speed_kmh)
    return state, Seen(inputs, where, state.readings)


def _asked(state: State, inputs: Inputs, where: RoadView) -> tuple[float | None, float, float]:
    """Fuel [kW], outside pressure [kPa] and air [C], as the road ahead will be reckoned."""
    air_c = demand.outside_c(inputs, state.estimator.air_c)
    kpa = road_demand.air_kpa(inputs, where)
    return demand.fuel_kw(inputs, state.engine, air_c, kpa), kpa, air_c


def _vehicle(state: State, inputs: Inputs) -> Vehicle:
    return Vehicle(road_demand.loaded(state.body, inputs.mass_kg), state.engine, state.cooling)


def _look(
    state: State, inputs: Inputs, where: RoadView, limit_c: float, stop_c: float
) -> tuple[int | None, Look | None]:
    """When the climb that stands is of, kept for some seconds, and what is to be looked along where that is now.

    None stands as soon as road or position is not known.
    """
    if state.shown is None or where.ahead is None:
        return None, None
    if state.climb_ms is not None and 0 <= inputs.t_ms - state.climb_ms < climb_ahead.EVERY_MS:
        return state.climb_ms, None
    vehicle, air_c = _vehicle(state, inputs), state.estimator.air_c
    look = climb_ahead.prepared(state.fleet, state.shown, inputs, where, vehicle, air_c, limit_c, stop_c)
    return (None if look is None else inputs.t_ms), look


def demand_grade_pct(state: State, inputs: Inputs) -> float | None:
    """Grade that the engine's work implies, by road load; None where no work, speed or acceleration is told."""
    if inputs.speed_kmh is None or inputs.rpm is None or state.speed_kmh is None:
        return None
    outside_c = demand.outside_c(inputs, None)
    pressure_kpa = demand.air_pressure_kpa(inputs)
    fuel_kw = demand.fuel_kw(inputs, state.engine, outside_c, pressure_kpa)
    if fuel_kw is None:
        return None
    body = state.body if inputs.mass_kg is None else replace(state.body, mass_kg=inputs.mass_kg)
    brake_kw = brake_kw_from_fuel(state.engine, fuel_kw, inputs.rpm)
    accel_m_s2 = (inputs.speed_kmh - state.speed_kmh) / 3.6
    density = air_density(pressure_kpa, outside_c)
    efficiency = body.driveline_efficiency
    return float(grade_from_power(body, brake_kw, inputs.speed_kmh, density, efficiency, accel_m_s2))


def boiling(state: State, where: RoadView, inputs: Inputs) -> tuple[Band, float]:
    """Boiling point of the mixture here under the cap [C] and the pressure [kPa] it was worked out for.

    The height is taken as sea level where nothing tells it; worked out anew only when the pressure has moved by a fifth
    of a kilopascal, 0.06 K of boiling.
    """
    pressure_kpa = inputs.baro_kpa
    if pressure_kpa is None:
        height = where.altitude_m.likely if where.altitude_m is not None else None
        pressure_kpa = float(standard_pressure_kpa(UNKNOWN_HEIGHT_M if height is None else height))
    if state.boil_c is not None and abs(pressure_kpa - state.boil_kpa) < 0.2:
        return state.boil_c, state.boil_kpa
    ideal = float(boiling_c(pressure_kpa, state.cooling.cap_kpa, state.cooling.glycol_share))
    return Band(ideal - 2.0 * BOIL_BELOW_IDEAL_C, ideal - BOIL_BELOW_IDEAL_C, ideal), pressure_kpa
