"""The heart: `step(state, event, settings) -> (state, outcome or None)`, pure, the same live and on replay.

Samples, link changes and marks are folded into the state as they come; only a tick makes an outcome.  A tick goes from
left to right through the rooms of the core, each handing on a small frozen value; this file holds no rule of its own
beyond what is null when.
"""

from __future__ import annotations

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
    forecast,
    ignition,
    planned,
    rise,
    road,
    road_demand,
    signals,
    trust,
    what_if,
)
from livemon.core.acted import ActedState, Doing
from livemon.core.advice import AdviceSettings, AdviceState, Advised, Gains, Situation
from livemon.core.air import air_density, standard_pressure_kpa
from livemon.core.alert import AlertSettings, AlertState, Evidence, default_stop_c
from livemon.core.climb_ahead import ClimbAhead
from livemon.core.coolant import boiling_c
from livemon.core.deeds import Many
from livemon.core.engine import brake_kw_from_fuel
from livemon.core.estimator import Estimate
from livemon.core.events import Event, Sample, Tick, corrected
from livemon.core.forecast import Forecast
from livemon.core.ignition import Ignition, IgnitionSettings
from livemon.core.outcome import HORIZONS_S, Acted, Action, Band, Crossing, Level, Outcome, RoadAhead, Status
from livemon.core.planned import OffState, PlannedRoad
from livemon.core.rise import Rise
from livemon.core.road import Place, RoadState, RoadView
from livemon.core.road_demand import Shown, Vehicle
from livemon.core.route import Route
from livemon.core.signals import Inputs, Signals
from livemon.core.traction import grade_from_power, recognise_gear
from livemon.core.trust import Trust, TrustState
from livemon.core.vehicle import Body, Cooling, Engine, VehicleProfile

LIVE: Final = frozenset({Status.LIVE, Status.ENGINE_OFF})
GAINS_EACH_MS: Final = 15_000
GAINS_CALM_MS: Final = 45_000
"""What an action would buy is asked anew so often from a caution up, and at an advisory; it moves over minutes."""
BLIND_MS: Final = 20_000
"""The model alone carries the estimate so long through doubted readings; then nothing is said of temperature."""
BOIL_BELOW_IDEAL_C: Final = 1.25
"""Tables of ideal mixtures are an upper edge: real coolant boils up to 2.5 K lower (docs/model.md)."""
ASKED: Final = (
    Action.AC_OFF,
    Action.SLOW_DOWN,
    Action.SPEED_UP,
    Action.DOWNSHIFT,
    Action.UPSHIFT,
    Action.FAN_ON,
    Action.HEATER_ON,
    Action.IDLE_NEUTRAL,
    Action.RAISE_IDLE,
)
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
    signals: Signals = Signals()
    ignition: Ignition = Ignition()
    road: RoadState = road.start()
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

    def needs_demand_grade(self, inputs: Inputs) -> bool:
        """Only where nothing better tells the height."""
        return inputs.altitude_m is None and inputs.baro_kpa is None and self.road.along_m is None


def start(settings: CoreSettings) -> State:
    """The state before the first event."""
    profile = settings.profile
    return State(
        estimator.start(profile),
        profile.body(),
        profile.engine(),
        profile.cooling(),
        what_if.vehicles(profile),
        road=road.start(settings.route, settings.route_from_start),
        shown=None if settings.route is None else road_demand.begin(profile),
    )


def step(state: State, event: Event, settings: CoreSettings) -> tuple[State, Outcome | None]:
    """Consume one event; at a tick, say what is known."""
    if not isinstance(event, Tick):
        readings = state.readings
        if isinstance(event, Sample):
            event = corrected(event, settings.sensor_offset_c)
            readings += any(name == "coolant_c" for name, _ in event.readings)
        heard_engine = ignition.hear(state.ignition, event, settings.ignition)
        return state._replace(
            signals=signals.hear(state.signals, event), ignition=heard_engine, readings=readings
        ), None
    state, inputs, where = _heard(state, event, settings)
    trust_state, verdict = trust.judge(state.trust, inputs)
    believed = inputs if verdict.trusted is not False else replace(inputs, coolant_news=())
    rising = None if inputs.gap else state.rise
    for t_ms, reading_c in believed.coolant_news:
        rising = rise.start(t_ms, reading_c) if rising is None else rise.heard(rising, t_ms, reading_c)
    doubted_ms = None if verdict.trusted is not False else state.doubted_since_ms or inputs.t_ms
    state = state._replace(
        trust=trust_state,
        rise=rising,
        estimator=estimator.advance(state.estimator, believed, where),
        doubted_since_ms=doubted_ms,
        speed_kmh=inputs.speed_kmh,
    )
    if state.shown is not None and state.estimator.air_c is not None:
        vehicle = _vehicle(state, inputs)
        shown = road_demand.heard(state.shown, inputs, where, vehicle, state.estimator.air_c)
        state = state._replace(shown=shown)
    return _say(state, inputs, where, verdict, settings)


def _heard(state: State, tick: Tick, settings: CoreSettings) -> tuple[State, Inputs, RoadView]:
    """What is usable at a tick, and where the vehicle is."""
    heard, inputs = signals.at_tick(state.signals, tick.t_ms, settings.outside_c, settings.mass_kg)
    engine_state = ignition.at_tick(state.ignition, tick.t_ms, settings.ignition)
    if engine_state.engine is ignition.Engine.OFF and inputs.status is not Status.STARTING:
        inputs = replace(inputs, status=Status.ENGINE_OFF)  # silence after the key is turned off is no lost link
    grade_pct = demand_grade_pct(state, inputs) if state.needs_demand_grade(inputs) else None
    road_state, where = road.advance(state.road, inputs, settings.route, grade_pct)
    return state._replace(signals=heard, ignition=engine_state, road=road_state), inputs, where


def glance(state: State, event: Event, settings: CoreSettings) -> tuple[State, Outcome | None]:
    """As `step`, readings and road alone: nothing is estimated, foreseen or doubted, and the level stays unknown.

    For a quick look back over hours; some ten times as fast.  A state goes through either `step` or `glance`, never
    both.
    """
    if not isinstance(event, Tick):
        return step(state, event, settings)
    state, inputs, where = _heard(state, event, settings)
    state = _with_boil(state._replace(speed_kmh=inputs.speed_kmh), where, inputs)
    assert state.boil_c is not None
    assert state.boil_c.low is not None
    outcome = Outcome(
        t_ms=inputs.t_ms,
        status=inputs.status,
        level=Level.UNKNOWN,
        coolant_c=inputs.coolant_c,
        age_s=inputs.coolant_age_s,
        limit_c=settings.limit_c,
        stop_c=settings.stop_c if settings.stop_c is not None else default_stop_c(settings.limit_c, state.boil_c.low),
        grade_pct=where.grade_pct,
        climb=where.climb,
        speed_kmh=inputs.speed_kmh,
        notes=inputs.notes,
    )
    return state, outcome


def _vehicle(state: State, inputs: Inputs) -> Vehicle:
    return Vehicle(road_demand.loaded(state.body, inputs.mass_kg), state.engine, state.cooling)


def _look_along(state: State, inputs: Inputs, where: RoadView, limit_c: float, stop_c: float) -> ClimbAhead | None:
    """The climb ahead, kept for some seconds; None at once where road or position is not known."""
    if state.shown is None or where.ahead is None:
        return None
    last = state.climb
    if last is not None and 0 <= inputs.t_ms - last.t_ms < climb_ahead.EVERY_MS:
        return last
    return climb_ahead.look_along(
        state.estimator, state.shown, inputs, where, _vehicle(state, inputs), limit_c, stop_c, HORIZONS_S
    )


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


def _with_boil(state: State, where: RoadView, inputs: Inputs) -> State:
    """Boiling point of the mixture here under the cap [C]; the height is taken as sea level where nothing tells it.

    Worked out anew only when the pressure has moved by a fifth of a kilopascal, 0.06 K of boiling.
    """
    pressure_kpa = inputs.baro_kpa
    if pressure_kpa is None:
        height = where.altitude_m.likely if where.altitude_m is not None else None
        pressure_kpa = float(standard_pressure_kpa(UNKNOWN_HEIGHT_M if height is None else height))
    if state.boil_c is not None and abs(pressure_kpa - state.boil_kpa) < 0.2:
        return state
    ideal = float(boiling_c(pressure_kpa, state.cooling.cap_kpa, state.cooling.glycol_share))
    band = Band(ideal - 2.0 * BOIL_BELOW_IDEAL_C, ideal - BOIL_BELOW_IDEAL_C, ideal)
    return state._replace(boil_c=band, boil_kpa=pressure_kpa)


def _say(
    state: State, inputs: Inputs, where: RoadView, verdict: Trust, settings: CoreSettings
) -> tuple[State, Outcome]:
    fresh = inputs.status in LIVE and inputs.coolant_c is not None
    blind = state.doubted_since_ms is not None and inputs.t_ms - state.doubted_since_ms > BLIND_MS
    now = estimator.estimate(state.estimator) if fresh and not blind else None
    state = _with_boil(state, where, inputs)
    boil = state.boil_c
    rate = None if now is None or state.rise is None else rise.ahead(state.rise, inputs.t_ms).rate_band()
    assert boil is not None
    assert boil.low is not None
    stop_c = settings.stop_c if settings.stop_c is not None else default_stop_c(settings.limit_c, boil.low)
    ahead = None
    if now is not None:
        ahead = state.forecast
        if forecast.due(ahead, state.estimator):
            ahead = forecast.look_ahead(state.estimator, inputs, where, settings.limit_c, stop_c)
    climb = None if now is None else _look_along(state, inputs, where, settings.limit_c, stop_c)
    plain = ahead
    if ahead is not None and climb is not None:
        ahead = forecast.along(ahead, climb)
    evidence = Evidence(
        t_ms=inputs.t_ms,
        status=inputs.status,
        limit_c=settings.limit_c,
        stop_c=stop_c,
        readings=state.readings,
        coolant_c=inputs.coolant_c if verdict.trusted is not False else None,
        estimate_c=None if now is None else now.coolant_c,
        chance=None if ahead is None else ahead.chance,
        chance_stop=None if ahead is None else ahead.chance_stop,
        time_to_limit_s=None if ahead is None else ahead.time_to_limit_s,
        regulating=now is not None and (now.regulating or now.warming),
        rate_c_per_min=rate,
        usual_c=None if now is None else now.usual_c,
        trusted=verdict.trusted,
        coolant_lost=verdict.coolant_lost,
        danger=verdict.danger,
        climb_chance=None if climb is None else climb.chance_soon,
        silenced_ms=inputs.silenced_ms,
    )
    alerting, level = alert.decide(state.alert, evidence, settings.alert)
    state = state._replace(alert=alerting, forecast=plain, climb=climb, evidence=evidence)
    state = _with_gains(state, inputs, where, now, level, settings)
    state, said = _advise(state, inputs, where, verdict, now, rate, level, settings, stop_c)
    state, done = _recognise(state, inputs, now, ahead, level, said)
    off = None
    if settings.planned is not None:
        estimate, along_m = None if now is None else now.coolant_c, where.along_m if where.on_route else None
        following, off = planned.follow(
            state.off_plan, settings.planned, inputs.t_ms, along_m, estimate, inputs.speed_kmh, inputs.outside_c
        )
        state = state._replace(off_plan=following)
    outcome = Outcome(
        t_ms=inputs.t_ms,
        status=inputs.status,
        level=level,
        coolant_c=inputs.coolant_c,
        age_s=inputs.coolant_age_s,
        trusted=verdict.trusted if fresh else None,
        doubts=verdict.doubts,
        estimate_c=None if now is None else now.coolant_c,
        rate_c_per_min=rate,
        limit_c=settings.limit_c,
        stop_c=stop_c,
        margin_c=None
        if now is None
        else _under(Band(settings.limit_c, settings.limit_c, settings.limit_c), now.coolant_c),
        ahead_c=None if ahead is None else ahead.ahead_c,
        settles_c=None if ahead is None else ahead.settles_c,
        crossing=Crossing.UNKNOWN if ahead is None else ahead.crossing,
        time_to_limit_s=None if ahead is None else ahead.time_to_limit_s,
        chance=None if ahead is None else ahead.chance,
        chance_stop=None if ahead is None else ahead.chance_stop,
        grade_pct=where.grade_pct,
        climb=where.climb,
        boil_margin_c=None if now is None else _under(boil, now.coolant_c),
        advice=said.advice,
        acted=done,
        silenced=alerting.silenced,
        speed_kmh=inputs.speed_kmh,
        notes=inputs.notes,
        reason=alerting.reason,
        withheld=said.withheld,
        off_plan=off,
        road=_road_ahead(where, climb),
    )
    return state, outcome


def _road_ahead(where: RoadView, climb: ClimbAhead | None) -> RoadAhead | None:
    """What is said of the route; None without one."""
    if where.place is Place.NO_ROUTE:
        return None
    known = bool(where.on_route)
    return RoadAhead(
        on_route=known,
        words=where.place.value,
        along_km=where.along_m / 1000.0 if known and where.along_m is not None else None,
        drift_km=where.along_sigma_m / 1000.0 if known and where.along_sigma_m is not None else None,
        peak_c=None if climb is None else climb.peak_c,
        peak_in_km=None if climb is None else climb.peak_in_km,
        peak_in_s=None if climb is None else climb.peak_in_s,
        chance=None if climb is None else climb.chance_climb,
        summit_in_km=None if climb is None else climb.summit_in_km,
        summit_in_s=None if climb is None else climb.summit_in_s,
        summit_boil_margin_c=None if climb is None else climb.summit_boil_margin_c,
    )


def _under(line: Band, value: Band) -> Band:
    """How far `value` stays under `line` [K], the worse ends together."""
    assert line.low is not None
    assert line.likely is not None
    assert line.high is not None
    assert value.low is not None
    assert value.likely is not None
    assert value.high is not None
    return Band(line.low - value.high, line.likely - value.likely, line.high - value.low)


def _with_gains(
    state: State,
    inputs: Inputs,
    where: RoadView,
    now: Estimate | None,
    level: Level,
    settings: CoreSettings,
) -> State:
    """What each action would buy, kept for some seconds; empty while there is no reason to act."""
    if now is None or level < Level.ADVISORY:
        return state._replace(gains=MappingProxyType({}), gains_ms=None) if state.gains_ms is not None else state
    each_ms = GAINS_EACH_MS if level >= Level.CAUTION else GAINS_CALM_MS
    if state.gains_ms is not None and inputs.t_ms - state.gains_ms < each_ms:
        return state
    gains = what_if.gains(state.vehicles, state.estimator, inputs, settings.limit_c, ASKED)
    return state._replace(gains=gains, gains_ms=inputs.t_ms)


def _advise(
    state: State,
    inputs: Inputs,
    where: RoadView,
    verdict: Trust,
    now: Estimate | None,
    rate: Band | None,
    level: Level,
    settings: CoreSettings,
    stop_c: float,
) -> tuple[State, Advised]:
    lower, higher = _neighbour_rpm(state.body, inputs)
    situation = Situation(
        t_ms=inputs.t_ms,
        status=inputs.status,
        level=level,
        limit_c=settings.limit_c,
        stop_c=stop_c,
        estimate_c=None if now is None else now.coolant_c.likely,
        rate_c_per_min=None if rate is None else rate.likely,
        trusted=verdict.trusted,
        coolant_lost=verdict.coolant_lost,
        speed_kmh=inputs.speed_kmh,
        gps_speed_kmh=inputs.gps_speed_kmh,
        rpm=inputs.rpm,
        lower_gear_rpm=lower,
        higher_gear_rpm=higher,
        rpm_limit=float(state.engine.rpm_limit),
        grade_pct=None if where.grade_pct is None else where.grade_pct.likely,
        climb_gained_m=None if where.climb is None else where.climb.gained_m,
        ac_on=inputs.ac_on if settings.profile.has_ac else False,
        heater_on=inputs.heater_on,
        fan_on=inputs.fan_on,
        fan_engine_driven=float(state.cooling.fan_m_s_krpm) > 0.0,
        gains=state.gains,
    )
    advising, said = advice.advise(state.advice, situation, settings.advice)
    return state._replace(advice=advising), said


def _neighbour_rpm(body: Body, inputs: Inputs) -> tuple[float | None, float | None]:
    """Engine speed one gear down and one gear up at this road speed; None where the gear cannot be told."""
    if inputs.rpm is None or inputs.speed_kmh is None:
        return None, None
    gear = recognise_gear(body, inputs.rpm, inputs.speed_kmh)
    if gear is None:
        return None, None
    ratios = body.gear_ratios
    lower = float(inputs.rpm * ratios[gear - 2] / ratios[gear - 1]) if gear > 1 else None
    higher = float(inputs.rpm * ratios[gear] / ratios[gear - 1]) if gear < len(ratios) else None
    return lower, higher


def _recognise(
    state: State, inputs: Inputs, now: Estimate | None, ahead: Forecast | None, level: Level, said: Advised
) -> tuple[State, tuple[Acted, ...]]:
    doing = Doing(
        t_ms=inputs.t_ms,
        watching=level >= Level.ADVISORY or bool(said.advice),
        advised=tuple(a.action for a in said.advice),
        gains=state.gains,
        estimate_c=None if now is None else now.coolant_c.likely,
        ahead_c=None if ahead is None else ahead.ahead_c,
        speed_kmh=inputs.speed_kmh,
        rpm=inputs.rpm,
        load_pct=inputs.load_pct,
        ac_on=inputs.ac_on,
        heater_on=inputs.heater_on,
        fan_on=inputs.fan_on,
    )
    following, done = acted.recognise(state.acted, doing)
    return state._replace(acted=following), done
