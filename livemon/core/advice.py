"""What to say to the driver: safe before clever, one thing first, at most five words.

The situation picks an order (at speed, in slow traffic, at a standstill, past the stop line, coolant lost, blind), the
expected gains drop what would not help here, and a last gate lets nothing through that belongs to a standstill while
the vehicle may be moving.  Sources and their conflict: docs/safety.md.  Knows no physics: gains are handed in.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from types import MappingProxyType
from typing import Final, NamedTuple

from livemon.core.advice_words import OFF_FOR_COOLANT, OFF_FOR_FAN, STOP_FOR_COOLANT, STOP_FOR_FAN, WORDS
from livemon.core.keys import check_ranges, key
from livemon.core.outcome import LOST_DATA, STANDSTILL_ONLY, Action, Advice, Band, Level, Status, Withheld

Gains = Mapping[Action, tuple[Band, float | None]]
"""What the forecast expects of each action: cooler by [K] at its best within 600 s, and later by [s]."""


@dataclass(frozen=True, slots=True)
class AdviceSettings:
    """Bounds of the situations and of what is worth saying; common practice, no source, unless marked."""

    still_s: float = key(3.0, 1.0, 30.0, "s", "speed must have stood at zero so long to count as a standstill")
    traffic_kmh: float = key(25.0, 5.0, 60.0, "km/h", "mean speed under which it is traffic; 10 km/h more to leave it")
    slow_floor_kmh: float = key(
        45.0, 20.0, 90.0, "km/h", "no advice to slow down below this; a maker's manual names about 70 on grades"
    )
    faster_ceiling_kmh: float = key(60.0, 20.0, 80.0, "km/h", "no advice to go faster above this")
    rpm_reserve: float = key(0.05, 0.0, 0.3, "", "share of the rpm limit the lower gear must stay below it")
    least_rpm: float = key(1200.0, 600.0, 2500.0, "rpm", "a higher gear must not pull the engine below this")
    least_gain_c: float = key(0.3, 0.0, 3.0, "K", "an action expected to buy less is not shown")
    ask_s: float = key(45.0, 10.0, 300.0, "s", "an action shown first for so long makes room for the next one")
    steady_s: float = key(8.0, 0.0, 60.0, "s", "another gear must have been open to the driver so long to be said")
    hard_climb_m: float = key(150.0, 50.0, 1000.0, "m", "so much height gained counts as a hard climb")
    after_climb_s: float = key(
        600.0, 60.0, 1800.0, "s", "so long after a hard climb, idling before switching off is advised"
    )
    keep_idling_s: float = key(180.0, 60.0, 300.0, "s", "idle so long; makers' manuals say 3 minutes, some models 5")
    soak_margin_c: float = key(
        12.0, 3.0, 30.0, "K", "only this close under the limit is heat soak after switching off a matter"
    )

    def __post_init__(self) -> None:
        check_ranges(self, "advice")


@dataclass(frozen=True, slots=True)
class Situation:
    """All that advice may depend on at one tick; `None` = not known."""

    t_ms: int
    status: Status
    level: Level
    limit_c: float
    stop_c: float
    estimate_c: float | None = None
    rate_c_per_min: float | None = None
    trusted: bool | None = None
    heat: bool = True
    """The level stands for heat, here or coming; an advisory for lost data or a cold engine asks nothing of anybody."""
    coolant_lost: bool = False
    fan_failed: bool = False
    """Trust holds the fan for not running."""
    speed_kmh: float | None = None
    gps_speed_kmh: float | None = None
    rpm: float | None = None
    lower_gear_rpm: float | None = None
    """Engine speed one gear down at this road speed."""
    higher_gear_rpm: float | None = None
    rpm_limit: float | None = None
    grade_pct: float | None = None
    climb_gained_m: float | None = None
    ac_on: bool | None = None
    heater_on: bool | None = None
    fan_on: bool | None = None
    fan_switch: bool = False
    """The vehicle has an electric fan people can switch on."""
    fan_engine_driven: bool | None = None
    limit_chance: float | None = None
    """Chance to cross the limit within 300 s."""
    road_chance: float | None = None
    """The same along the road of a route within 15 min; only with a route."""
    fault: bool = False
    """A named doubt or fault asks for a level of its own."""
    gains: Gains = field(default_factory=dict)
    """An action that is not in it: nothing known about what it buys."""


class Regime(Enum):
    """How the vehicle is moving, as far as advice cares."""

    AT_SPEED = "at_speed"
    TRAFFIC = "traffic"
    STANDING = "standing"


class AdviceState(NamedTuple):
    """What keeps advice from flickering: mean speed, since when it stands still, and what has been asked."""

    t_ms: int | None = None
    mean_kmh: float | None = None
    slow: bool = False
    still_since_ms: int | None = None
    hard_ms: int | None = None
    first: Action | None = None
    first_since_ms: int = 0
    asked: tuple[Action, ...] = ()
    gears_since: tuple[tuple[Action, int], ...] = ()
    """Since when another gear has been open without a break [ms]."""
    easing_ms: int | None = None
    """Since when it cools by itself with the limit not near [ms]; None = it does not."""
    engine_off_said: bool = False
    """At this standstill past the stop line: from engine off there is no way back to idling."""
    level: Level = Level.UNKNOWN


@dataclass(frozen=True, slots=True)
class Advised:
    """What to say, the one to show first; and what is not said, with the reason."""

    advice: tuple[Advice, ...] = ()
    withheld: tuple[Withheld, ...] = ()


ORDER: Final[Mapping[Regime, tuple[tuple[Action, ...], ...]]] = MappingProxyType(
    {
        Regime.AT_SPEED: (
            (Action.AC_OFF,),
            (Action.SLOW_DOWN, Action.DOWNSHIFT, Action.UPSHIFT),
            (Action.FAN_ON,),
            (Action.HEATER_ON,),
        ),
        Regime.TRAFFIC: (
            (Action.AC_OFF,),
            (Action.FAN_ON,),
            (Action.SPEED_UP, Action.DOWNSHIFT, Action.UPSHIFT),
            (Action.HEATER_ON,),
        ),
        Regime.STANDING: (
            (Action.AC_OFF,),
            (Action.FAN_ON,),
            (Action.IDLE_NEUTRAL,),
            (Action.RAISE_IDLE,),
            (Action.KEEP_IDLING,),
            (Action.HEATER_ON,),
        ),
    }
)
"""Steps in the order of the sources; inside a step, what buys most comes first."""

_GEARS: Final = (Action.DOWNSHIFT, Action.UPSHIFT)
_NEEDS_PROOF: Final = frozenset({Action.SPEED_UP, Action.UPSHIFT})
"""Said only when the whole band of the expected gain is above zero."""
_IF_EXPECTED: Final = frozenset({Action.RAISE_IDLE})
"""The same once a gain is expected of it: what is expected here is too rosy as often as not (docs/what-if.md)."""
_HURTS: Final[Mapping[Action, str]] = MappingProxyType(
    {
        Action.SLOW_DOWN: "slower loses more air through the radiator here than it saves in heat",
        Action.DOWNSHIFT: "a lower gear makes more heat here than the fan and pump carry away",
        Action.RAISE_IDLE: "a faster idle makes more heat here than it carries away",
    }
)
_MEAN_SPEED_S: Final = 30.0
_HOT_DRIVE_C: Final = 3.0
"""Driving at speed this close to the limit is as hard on the engine as a climb [K]; common practice, no source."""
_NO_FAN_C: Final = 5.0
"""So close under the limit, standing or in slow traffic, a fan that seems not to run asks for engine off; else gentler
steps do."""
_NO_FAN_HOLD_C: Final = 2.0
"""What it has asked for is taken back so much lower: common practice for a temperature, as the levels' deadband."""
_NEAR_C: Final = 2.0
_HEATER_CHANCE: Final = (0.3, 0.15)
_HEATER_C_PER_MIN: Final = (-1.0, -3.0)
"""The heater in hot weather is asked of the people inside only past the limit, or this near it [K] or with it so likely
within 300 s, and no fall as fast as this; the second figures once it is asked.  Judgement, no source."""
_EASING_C: Final = (5.0, 4.0)
_EASING_C_PER_MIN: Final = -3.0
_EASING_CHANCE: Final = 0.15
_EASING_S: Final = 15.0
"""It has eased: so far under the limit, falling so fast, the limit so unlikely ahead, for so long; until it is as
near as the second figure, as likely, or the level rises.  A fan that comes and goes in a jam falls slower or shorter;
judgement, no source."""
_COOLING_C_PER_MIN: Final = -0.3
_SETTLING_S: Final = 60.0
"""Just parked below the stop line: so long the temperature may take to turn; common practice, no source."""
_GPS_STILL_KMH: Final = 3.0


def start() -> AdviceState:
    """Nothing seen yet."""
    return AdviceState()


def advise(state: AdviceState, now: Situation, settings: AdviceSettings) -> tuple[AdviceState, Advised]:
    """What to say at this tick; the first advice is the one to show."""
    state = _follow(state, now, settings)
    if now.level > state.level:  # it has become worse: what was asked in calm is asked again, the gentlest first
        state = state._replace(first=None, asked=(), easing_ms=None)
    since = dict(state.gears_since)
    gears = tuple((a, since.get(a, now.t_ms)) for a in _GEARS if _against(a, now, settings) is None)
    state = state._replace(level=now.level, gears_since=gears)
    standing = is_standing(state, now, settings)
    said = _choose(state, now, settings, standing)
    # The last gate, whatever was decided above: an engine shut off on the move takes steering and brake help with it.
    advice = tuple(a for a in said.advice if standing or a.action not in STANDSTILL_ONLY)
    state = _remember_first(state, advice[0].action if advice else None, now, settings)
    said_off = any(a.action is Action.STOP_ENGINE for a in advice)
    stays_off = state.engine_off_said and standing and now.level is Level.WARNING
    state = state._replace(engine_off_said=said_off or stays_off)
    return state, said if advice == said.advice else replace(said, advice=advice)


def is_standing(state: AdviceState, now: Situation, settings: AdviceSettings) -> bool:
    """True only when zero speed is known, has stood for a while, and nothing else says the vehicle moves."""
    return (
        now.speed_kmh == 0
        and (now.gps_speed_kmh is None or now.gps_speed_kmh < _GPS_STILL_KMH)
        and state.still_since_ms is not None
        and now.t_ms - state.still_since_ms >= settings.still_s * 1000
    )


def _follow(state: AdviceState, now: Situation, s: AdviceSettings) -> AdviceState:
    step_s = 1.0 if state.t_ms is None else max(0.0, (now.t_ms - state.t_ms) / 1000.0)
    mean, slow, still = state.mean_kmh, state.slow, state.still_since_ms
    if now.speed_kmh is None:
        still = None
    else:
        share = min(1.0, step_s / _MEAN_SPEED_S)
        mean = now.speed_kmh if mean is None else mean + share * (now.speed_kmh - mean)
        slow = mean < s.traffic_kmh + (10.0 if slow else 0.0)
        if now.speed_kmh > 0:
            still = None
        elif still is None:
            still = now.t_ms
    hard = state.hard_ms
    hot = now.estimate_c is not None and now.estimate_c >= now.limit_c - _HOT_DRIVE_C
    if (now.climb_gained_m or 0.0) >= s.hard_climb_m or (hot and mean is not None and not slow):
        hard = now.t_ms
    easing = (now.t_ms if state.easing_ms is None else state.easing_ms) if _cools_by_itself(state, now) else None
    return state._replace(t_ms=now.t_ms, mean_kmh=mean, slow=slow, still_since_ms=still, hard_ms=hard, easing_ms=easing)


def _easing(state: AdviceState, now: Situation) -> bool:
    """Past the summit, or after what was done: a level stands a while longer than its reason, what it asks must not."""
    return state.easing_ms is not None and now.t_ms - state.easing_ms >= _EASING_S * 1000


def _cools_by_itself(state: AdviceState, now: Situation) -> bool:
    if now.limit_chance is None or now.estimate_c is None or now.rate_c_per_min is None:
        return False
    if now.fault or now.level is Level.WARNING:
        return False
    eased = _easing(state, now)
    far = now.estimate_c <= now.limit_c - _EASING_C[eased]
    unlikely = max(now.limit_chance, now.road_chance or 0.0) < _EASING_CHANCE
    return far and unlikely and (eased or now.rate_c_per_min <= _EASING_C_PER_MIN)


def _remember_first(state: AdviceState, first: Action | None, now: Situation, s: AdviceSettings) -> AdviceState:
    """An action shown first for long is either done unseen or will not be done: the next one gets its turn."""
    if first is None:
        return state._replace(first=None, asked=())
    if first is not state.first:
        return state._replace(first=first, first_since_ms=now.t_ms)
    if now.t_ms - state.first_since_ms >= s.ask_s * 1000 and first not in state.asked:
        return state._replace(asked=(*state.asked, first))
    return state


def _say(action: Action, now: Situation) -> Advice:
    words, why = WORDS[action]
    gain_c, gain_s = now.gains.get(action, (None, None))
    return Advice(action, words, why, gain_c, gain_s)


def _choose(state: AdviceState, now: Situation, s: AdviceSettings, standing: bool) -> Advised:
    if now.status is Status.STARTING or (now.status is Status.ENGINE_OFF and not now.speed_kmh):
        return Advised()
    if now.coolant_lost:
        return Advised((OFF_FOR_COOLANT if standing else STOP_FOR_COOLANT,))
    no_fan = _needs_fan(state, now)
    if no_fan and standing:
        return Advised((OFF_FOR_FAN,))
    blind = now.status in LOST_DATA
    first: list[Advice] = []
    if now.level is Level.WARNING:
        first.append(_at_stop(state, now, standing, blind))
    elif no_fan and state.slow:  # between two stops: the same word as at them, not another each few seconds
        first.append(STOP_FOR_FAN)
    if blind or now.trusted is False:
        watch = _say(Action.WATCH_GAUGE, now)
        first = [watch, *first] if standing else [*first, watch]
    if blind or (now.level is Level.WARNING and standing):
        return Advised(tuple(first))
    if now.trusted is False and now.level < Level.CAUTION:
        return Advised(tuple(first))
    if now.level < Level.ADVISORY or (now.level is Level.ADVISORY and not now.heat):
        idling = _soaking(state, now, s, standing)
        return Advised((*first, *([_keep_idling(state, now, s)] if idling else [])))
    helping, withheld = _helping(state, now, s, standing)
    turns = tuple(helping) if first else _turns(helping, state.asked)
    return Advised((*first, *turns), withheld)


def _needs_fan(state: AdviceState, now: Situation) -> bool:
    """Hot, and the fan seems not to run; once that has been said, until it is a little cooler."""
    said = state.first in (Action.PULL_OVER, Action.STOP_ENGINE)
    line_c = now.limit_c - _NO_FAN_C - (_NO_FAN_HOLD_C if said else 0.0)
    return now.fan_failed and now.level >= Level.CAUTION and _past(now, line_c)


def _at_stop(state: AdviceState, now: Situation, standing: bool, blind: bool) -> Advice:
    """Makers' manuals: pull over, park, idle some minutes if there is no steam; still hot, engine off."""
    if not standing:
        return _say(Action.PULL_OVER, now)
    stood_ms = now.t_ms - (now.t_ms if state.still_since_ms is None else state.still_since_ms)
    if state.engine_off_said:
        return _say(Action.STOP_ENGINE, now)
    cooling = not blind and now.rate_c_per_min is not None and now.rate_c_per_min <= _COOLING_C_PER_MIN
    settling = not blind and not _past(now, now.stop_c) and stood_ms < _SETTLING_S * 1000
    return _say(Action.KEEP_IDLING if cooling or settling else Action.STOP_ENGINE, now)


def _soaking(state: AdviceState, now: Situation, s: AdviceSettings, standing: bool) -> bool:
    return (
        standing
        and now.rpm is not None
        and now.rpm > 0
        and now.estimate_c is not None
        and now.estimate_c >= now.limit_c - s.soak_margin_c
        and state.hard_ms is not None
        and now.t_ms - state.hard_ms <= s.after_climb_s * 1000
        and state.still_since_ms is not None
        and now.t_ms - state.still_since_ms <= s.keep_idling_s * 1000
    )


def _keep_idling(state: AdviceState, now: Situation, s: AdviceSettings) -> Advice:
    """Keep idling, with the minutes that are left, rounded up; only while `_soaking` holds."""
    stood_ms = now.t_ms - (now.t_ms if state.still_since_ms is None else state.still_since_ms)
    minutes = max(1, math.ceil((s.keep_idling_s - stood_ms / 1000.0) / 60.0))
    return replace(_say(Action.KEEP_IDLING, now), words=f"Keep idling {minutes} min")


def _helping(
    state: AdviceState, now: Situation, s: AdviceSettings, standing: bool
) -> tuple[list[Advice], tuple[Withheld, ...]]:
    """What helps here, in the order of the regime; and what people may think of but would not help, with the reason."""
    regime = Regime.STANDING if standing else Regime.TRAFFIC if state.slow else Regime.AT_SPEED
    helping: list[Advice] = []
    withheld: list[Withheld] = []
    since, easing = dict(state.gears_since), _easing(state, now)
    for step in ORDER[regime]:
        able: list[Advice] = []
        for action in step:
            if not _soaking(state, now, s, standing) if action is Action.KEEP_IDLING else easing:
                continue
            against = _against(action, now, s, state.first)
            if against is None and action in _GEARS and now.t_ms - since[action] < s.steady_s * 1000:
                against = ""  # comes and goes with the engine speed: it must not flicker in and out of the first place
            if against is None:
                able.append(_keep_idling(state, now, s) if action is Action.KEEP_IDLING else _say(action, now))
            elif against:
                withheld.append(Withheld(action, against))
        # Stable sort: unknown gains keep the order of the sources.
        helping += sorted(able, key=lambda a: -(a.gain_c.likely or 0.0) if a.gain_c else 0.0)
    return helping, tuple(withheld)


def _turns(helping: Sequence[Advice], asked: tuple[Action, ...]) -> tuple[Advice, ...]:
    """Those that were asked for long go behind those that were not; the heater is last, and alone at its turn."""
    waiting = [a for a in helping if a.action not in asked]
    if not waiting:  # all have had their turn: from the top again
        return tuple(helping)
    if [a.action for a in waiting] == [Action.HEATER_ON]:
        return tuple(waiting)
    in_turn = [*waiting, *(a for a in helping if a.action in asked)]
    return tuple(sorted(in_turn, key=lambda a: a.action is Action.HEATER_ON))


def _past(now: Situation, line_c: float) -> bool:
    return now.estimate_c is None or now.estimate_c >= line_c


def _against(action: Action, now: Situation, s: AdviceSettings, first: Action | None = None) -> str | None:
    """None = say it; "" = does not arise; else the reason why it is not said.  `first`: what stood first before."""
    if action is Action.AC_OFF and now.ac_on is False:
        return ""
    if action is Action.HEATER_ON and (
        now.heater_on or now.level < Level.CAUTION or _comfort_first(now, first is action)
    ):
        return ""
    if action is Action.FAN_ON and (now.fan_on or not (now.fan_switch or now.fan_on is False)):
        return ""
    if action is Action.SLOW_DOWN and (now.speed_kmh is None or now.speed_kmh <= s.slow_floor_kmh):
        return ""
    if action is Action.SPEED_UP and (now.speed_kmh is None or now.speed_kmh >= s.faster_ceiling_kmh):
        return ""
    if action in _GEARS:
        against = _against_gear(action, now, s)
        if against is not None:
            return against
    if action is Action.RAISE_IDLE and now.fan_engine_driven is False and action not in now.gains:
        return "an electric fan gains nothing from a faster idle"
    return _against_gain(action, now, s)


def _comfort_first(now: Situation, asked: bool) -> bool:
    """The limit is neither near nor likely soon: no reason to heat the people inside."""
    if now.limit_chance is None or now.fault or _past(now, now.limit_c):
        return False
    if now.rate_c_per_min is not None and now.rate_c_per_min <= _HEATER_C_PER_MIN[asked]:
        return True
    return now.limit_chance < _HEATER_CHANCE[asked] and not _past(now, now.limit_c - _NEAR_C)


def _against_gear(action: Action, now: Situation, s: AdviceSettings) -> str | None:
    if action is Action.UPSHIFT:
        return None if now.higher_gear_rpm is not None and now.higher_gear_rpm >= s.least_rpm else ""
    if _past(now, now.limit_c):
        return "past the limit the vehicle's manual decides"
    if now.lower_gear_rpm is None or now.rpm_limit is None:
        return "engine speed in the lower gear is not known"
    if now.lower_gear_rpm > now.rpm_limit * (1.0 - s.rpm_reserve):
        return "the lower gear would take the engine to its speed limit"
    if now.fan_engine_driven is False and action not in now.gains:
        return "an electric fan gains nothing from a lower gear"
    return None


def _against_gain(action: Action, now: Situation, s: AdviceSettings) -> str | None:
    gain_c, gain_s = now.gains.get(action, (None, None))
    likely = gain_c.likely if gain_c else None
    if action in _NEEDS_PROOF or (action in _IF_EXPECTED and likely is not None and likely > 0):
        proven = gain_c is not None and gain_c.low is not None and gain_c.low > 0
        return None if proven and likely is not None and likely >= s.least_gain_c else ""
    if likely is None or likely >= s.least_gain_c or (likely > 0 and (gain_s or 0.0) >= 30.0):
        return None
    if likely <= -s.least_gain_c:
        return _HURTS.get(action, "it would make things worse here")
    return "it would buy next to nothing here"
