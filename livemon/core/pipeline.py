"""The heart: `step(state, event, settings) -> (state, outcome or nothing)`, pure, the same live and on replay.

Only a tick makes an outcome.  A `moment` says what is known; here it goes on through forecast, level, what actions
would buy, advice and what was done.  `steps` takes many events at once, room by room instead of tick by tick, so that
the costly rooms work on many moments side by side.  This file holds no rule of its own beyond what is null when.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from types import MappingProxyType
from typing import Final, NamedTuple

from livemon.core import acted, advice, alert, climb_ahead, forecast, planned, what_if
from livemon.core.acted import Doing
from livemon.core.advice import Advised, Gains, Situation
from livemon.core.alert import AlertState, Evidence, default_stop_c
from livemon.core.alert_table import Ground
from livemon.core.climb_ahead import ClimbAhead
from livemon.core.events import Event, Tick
from livemon.core.forecast import Forecast
from livemon.core.moment import (
    CoreSettings,
    Moment,
    Seen,
    State,
    at_tick,
    boiling,
    hear,
    look_round,
    start,
    with_climbs,
    with_estimates,
)
from livemon.core.outcome import HORIZONS_S, Acted, Action, Band, Crossing, Level, OffPlan, Outcome, RoadAhead
from livemon.core.road import Place, RoadView
from livemon.core.signals import Inputs
from livemon.core.traction import recognise_gear
from livemon.core.vehicle import Body

__all__ = [
    "ASKED",
    "PIECE",
    "CoreSettings",
    "State",
    "Told",
    "beside",
    "followed",
    "glance",
    "perceived",
    "pieces",
    "rerun",
    "seen",
    "start",
    "step",
    "steps",
]

GAINS_EACH_MS: Final = 15_000
GAINS_CALM_MS: Final = 45_000
"""What an action would buy is asked anew so often from a caution up, and at an advisory; it moves over minutes."""
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

PIECE: Final = 1_200
"""Events of a recording that are taken at once: enough to be quick, few enough to stay small in memory."""
_NO_GAINS: Final[Gains] = MappingProxyType({})


class Told(NamedTuple):
    """What is said at a tick, and what its level was decided on."""

    outcome: Outcome
    evidence: Evidence


def step(state: State, event: Event, settings: CoreSettings) -> tuple[State, Outcome | None]:
    """Consume one event; at a tick, say what is known."""
    state, told = steps(state, (event,), settings)
    return state, told[0].outcome if told else None


def steps(state: State, events: Sequence[Event], settings: CoreSettings) -> tuple[State, list[Told]]:
    """Consume many events; what is said at each tick among them, the same to the last bit as one by one."""
    state, read = seen(state, events, settings)
    if not read:
        return state, []
    state, moments = perceived(state, read, settings)
    return followed(state, moments, settings)


def seen(state: State, events: Sequence[Event], settings: CoreSettings) -> tuple[State, list[Seen]]:
    """The first third of `steps`: what is read at each tick.  Asks nothing that the others remember."""
    read: list[Seen] = []
    for event in events:
        if not isinstance(event, Tick):
            state = hear(state, event, settings)
            continue
        state, one = look_round(state, event, settings)
        read.append(one)
    return state, read


def perceived(state: State, read: Sequence[Seen], settings: CoreSettings) -> tuple[State, list[Moment]]:
    """The second third: what is known at each tick.  Asks nothing that `followed` remembers."""
    moments: list[Moment] = []
    looks: dict[int, climb_ahead.Look] = {}
    looked: dict[int, ClimbAhead] = {}
    for one in read:
        state, moment, look = at_tick(state, one, settings)
        if look is not None:
            looks[len(moments)] = look
        moments.append(moment)
        if len(looks) == climb_ahead.TOGETHER:
            looked |= _looked(looks)
            looks = {}
    if looks:
        looked |= _looked(looks)
    return with_climbs(state, moments, looked), moments


def _looked(looks: dict[int, climb_ahead.Look]) -> dict[int, ClimbAhead]:
    return dict(zip(looks, climb_ahead.looked_along(list(looks.values()), HORIZONS_S), strict=True))


def rerun(events: Iterable[Event], settings: CoreSettings) -> Iterator[tuple[Event, Told | None]]:
    """A recording from its start: each event, and what is said where it is a tick."""
    state = start(settings)
    for piece in pieces(events):
        state, told = steps(state, piece, settings)
        yield from beside(piece, told)


def pieces(events: Iterable[Event]) -> Iterator[list[Event]]:
    """Events PIECE at a time; a source that fails has all it gave before handed on first."""
    piece: list[Event] = []
    try:
        for event in events:
            piece.append(event)
            if len(piece) == PIECE:
                yield piece
                piece = []
    except Exception:
        yield piece
        raise
    yield piece


def beside(piece: Sequence[Event], told: Sequence[Told]) -> Iterator[tuple[Event, Told | None]]:
    """Each event with what is said at it; nothing is said but at a tick."""
    ticks = iter(told)
    return ((event, next(ticks) if isinstance(event, Tick) else None) for event in piece)


def glance(state: State, event: Event, settings: CoreSettings) -> tuple[State, Outcome | None]:
    """As `step`, readings and road alone: nothing is estimated, foreseen or doubted, and the level stays unknown.

    For a quick look back over hours; several times as fast.  A state goes through either `step` or `glance`, never
    both.
    """
    if not isinstance(event, Tick):
        return hear(state, event, settings), None
    state, (inputs, where, _) = look_round(state, event, settings)
    boil, boil_kpa = boiling(state, where, inputs)
    assert boil.low is not None
    outcome = Outcome(
        t_ms=inputs.t_ms,
        status=inputs.status,
        level=Level.UNKNOWN,
        coolant_c=inputs.coolant_c,
        age_s=inputs.coolant_age_s,
        limit_c=settings.limit_c,
        stop_c=settings.stop_c if settings.stop_c is not None else default_stop_c(settings.limit_c, boil.low),
        grade_pct=where.grade_pct,
        climb=where.climb,
        speed_kmh=inputs.speed_kmh,
        notes=inputs.notes,
    )
    return state._replace(boil_c=boil, boil_kpa=boil_kpa), outcome


class _Judged(NamedTuple):
    """A moment with the forecast that stands, the climb ahead as far as it bears it out, and the level."""

    moment: Moment
    ahead: Forecast | None
    climb: ClimbAhead | None
    evidence: Evidence
    alerting: AlertState

    @property
    def level(self) -> Level:
        return self.alerting.level


def followed(state: State, moments: Sequence[Moment], settings: CoreSettings) -> tuple[State, list[Told]]:
    """The last third of `steps`: estimate, forecast, level, gains, advice and deeds of many moments, room by room."""
    rising, moments = with_estimates(state.rise, moments)
    asked = [forecast.Asked(m.estimator, settings.limit_c, m.stop_c) if m.told else None for m in moments]
    standing = forecast.standing(state.forecast, asked)
    judged: list[_Judged] = []
    alerting = state.alert
    for moment, plain in zip(moments, standing, strict=True):
        ahead, climb = plain, moment.climb
        if plain is not None and climb is not None:
            ahead, climb = forecast.along(plain, climb)
        evidence = _evidence(moment, ahead, settings)
        alerting, _ = alert.decide(alerting, evidence, settings.alert)
        judged.append(_Judged(moment, ahead, climb, evidence, alerting))
    gains, gains_ms = _gains(state, judged, settings)
    told: list[Told] = []
    advising, acting, off_plan = state.advice, state.acted, state.off_plan
    for one, buys in zip(judged, gains, strict=True):
        advising, said = advice.advise(advising, _situation(state, one, buys, settings), settings.advice)
        acting, done = acted.recognise(acting, _doing(one, buys, said))
        off = None
        if settings.planned is not None:
            inputs, where, now = one.moment.inputs, one.moment.where, one.moment.now
            estimate, along_m = None if now is None else now.coolant_c, where.along_m if where.on_route else None
            off_plan, off = planned.follow(
                off_plan, settings.planned, inputs.t_ms, along_m, estimate, inputs.speed_kmh, inputs.outside_c
            )
        told.append(Told(_outcome(one, said, done, off, settings), one.evidence))
    state = state._replace(
        rise=rising,
        forecast=standing[-1],
        alert=alerting,
        evidence=judged[-1].evidence,
        gains=gains[-1],
        gains_ms=gains_ms,
        advice=advising,
        acted=acting,
        off_plan=off_plan,
    )
    return state, told


def _evidence(moment: Moment, ahead: Forecast | None, settings: CoreSettings) -> Evidence:
    inputs, verdict, now = moment.inputs, moment.verdict, moment.now
    return Evidence(
        t_ms=inputs.t_ms,
        status=inputs.status,
        limit_c=settings.limit_c,
        stop_c=moment.stop_c,
        readings=moment.readings,
        coolant_c=inputs.coolant_c if verdict.trusted is not False else None,
        estimate_c=None if now is None else now.coolant_c,
        chance=None if ahead is None else ahead.chance,
        chance_stop=None if ahead is None else ahead.chance_stop,
        time_to_limit_s=None if ahead is None else ahead.time_to_limit_s,
        regulating=now is not None and now.regulating,
        warming=now is not None and now.warming,
        opening=None if now is None else now.opening,
        rate_c_per_min=moment.rate,
        usual_c=None if now is None else now.usual_c,
        trusted=verdict.trusted,
        coolant_lost=verdict.coolant_lost,
        danger=verdict.danger,
        climb_chance=None if moment.climb is None else moment.climb.chance_soon,
        moving=bool(inputs.speed_kmh),
        silenced_ms=inputs.silenced_ms,
    )


def _gains(state: State, judged: Sequence[_Judged], settings: CoreSettings) -> tuple[list[Gains], int | None]:
    """What each action would buy at each tick, kept for some seconds; empty while there is no reason to act."""
    gains_ms = state.gains_ms
    asked: dict[int, what_if.Asked] = {}
    for place, one in enumerate(judged):
        inputs, level = one.moment.inputs, one.level
        if one.moment.now is None or level < Level.ADVISORY:
            gains_ms = None
        elif gains_ms is None or inputs.t_ms - gains_ms >= (GAINS_EACH_MS if level >= Level.CAUTION else GAINS_CALM_MS):
            gains_ms = inputs.t_ms
            asked[place] = what_if.Asked(one.moment.estimator, inputs, settings.limit_c)
    found = dict(zip(asked, what_if.gains_each(state.vehicles, list(asked.values()), ASKED), strict=True))
    stands, gains = state.gains, []
    for place, one in enumerate(judged):
        if one.moment.now is None or one.level < Level.ADVISORY:
            stands = _NO_GAINS
        stands = found.get(place, stands)
        gains.append(stands)
    return gains, gains_ms


def _situation(state: State, one: _Judged, gains: Gains, settings: CoreSettings) -> Situation:
    moment = one.moment
    inputs, where, verdict, now = moment.inputs, moment.where, moment.verdict, moment.now
    lower, higher = _neighbour_rpm(state.body, inputs)
    return Situation(
        t_ms=inputs.t_ms,
        status=inputs.status,
        level=one.level,
        limit_c=settings.limit_c,
        stop_c=moment.stop_c,
        estimate_c=None if now is None else now.coolant_c.likely,
        rate_c_per_min=None if moment.rate is None else moment.rate.likely,
        settles_c=None if one.ahead is None else one.ahead.settles_c.likely,
        trusted=verdict.trusted,
        heat=_for_heat(state, one),
        coolant_lost=verdict.coolant_lost,
        fan_failed=verdict.fan_failed,
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
        limit_chance=None if one.ahead is None else dict(one.ahead.chance).get(300),
        stop_chance=None if one.ahead is None else dict(one.ahead.chance_stop).get(120),
        road_chance=one.evidence.climb_chance,
        fault=one.evidence.danger >= Level.ADVISORY,
        gains=gains,
    )


def _for_heat(state: State, one: _Judged) -> bool:
    """Whether the level stands for heat: not for lost data alone, nor for a fault of an engine that is still cold."""
    ground, now = one.alerting.ground, one.moment.now
    cold = now is not None and now.coolant_c.likely is not None and now.coolant_c.likely < float(state.cooling.open_c)
    return not (ground is Ground.DATA or (ground is Ground.FAULT and cold))


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


def _doing(one: _Judged, gains: Gains, said: Advised) -> Doing:
    inputs, now = one.moment.inputs, one.moment.now
    return Doing(
        t_ms=inputs.t_ms,
        watching=one.level >= Level.ADVISORY or bool(said.advice),
        advised=tuple(a.action for a in said.advice),
        gains=gains,
        estimate_c=None if now is None else now.coolant_c.likely,
        ahead_c=None if one.ahead is None else one.ahead.ahead_c,
        speed_kmh=inputs.speed_kmh,
        rpm=inputs.rpm,
        load_pct=inputs.load_pct,
        ac_on=inputs.ac_on,
        heater_on=inputs.heater_on,
        fan_on=inputs.fan_on,
    )


def _outcome(
    one: _Judged, said: Advised, done: tuple[Acted, ...], off: OffPlan | None, settings: CoreSettings
) -> Outcome:
    moment, ahead, alerting = one.moment, one.ahead, one.alerting
    inputs, where, verdict, now = moment.inputs, moment.where, moment.verdict, moment.now
    limit = Band(settings.limit_c, settings.limit_c, settings.limit_c)
    return Outcome(
        t_ms=inputs.t_ms,
        status=inputs.status,
        level=one.level,
        coolant_c=inputs.coolant_c,
        age_s=inputs.coolant_age_s,
        trusted=verdict.trusted if moment.fresh else None,
        doubts=verdict.doubts,
        estimate_c=None if now is None else now.coolant_c,
        rate_c_per_min=moment.rate,
        limit_c=settings.limit_c,
        stop_c=moment.stop_c,
        margin_c=None if now is None else _under(limit, now.coolant_c),
        ahead_c=None if ahead is None else ahead.ahead_c,
        settles_c=None if ahead is None else ahead.settles_c,
        crossing=Crossing.UNKNOWN if ahead is None else ahead.crossing,
        time_to_limit_s=None if ahead is None else ahead.time_to_limit_s,
        chance=None if ahead is None else ahead.chance,
        chance_stop=None if ahead is None else ahead.chance_stop,
        grade_pct=where.grade_pct,
        climb=where.climb,
        boil_margin_c=None if now is None else _under(moment.boil, now.coolant_c),
        advice=said.advice,
        acted=done,
        silenced=alerting.silenced,
        speed_kmh=inputs.speed_kmh,
        notes=inputs.notes,
        reason=alerting.reason,
        easing=alerting.easing,
        withheld=said.withheld,
        off_plan=off,
        road=_road_ahead(where, one.climb),
    )


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
