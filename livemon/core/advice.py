"""What to say to the driver: safe before clever, one thing first, at most five words.

The situation picks an order (at speed, in slow traffic, at a standstill, past the stop line, coolant lost, blind), the
expected gains drop what would not help here, and a last gate lets nothing through that belongs to a standstill while
the vehicle may be moving.  Sources and their conflict: docs/safety.md.  Knows no physics: gains are handed in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from livemon.core.advice_eases import cools_by_itself, falls, recovers, stays_steady, usual
from livemon.core.advice_helps import GEARS, against, helping, keep_idling, say, soaking, turns
from livemon.core.advice_situation import (
    AdviceSettings,
    AdviceState,
    Advised,
    Gains,
    Situation,
    is_standing,
    past,
)
from livemon.core.advice_words import OFF_FOR_COOLANT, OFF_FOR_FAN, STOP_FOR_COOLANT, STOP_FOR_FAN
from livemon.core.outcome import LOST_DATA, STANDSTILL_ONLY, Action, Advice, Level, Status

__all__ = ["AdviceSettings", "AdviceState", "Advised", "Gains", "Situation", "advise", "is_standing", "start"]

_MEAN_SPEED_S: Final = 30.0
_HOT_DRIVE_C: Final = 3.0
"""Driving at speed this close to the limit is as hard on the engine as a climb [K]; common practice, no source."""
_NO_FAN_C: Final = 5.0
"""So close under the limit, standing or in slow traffic, a fan that seems not to run asks for engine off; else gentler
steps do."""
_NO_FAN_HOLD_C: Final = 2.0
"""What it has asked for is taken back so much lower: common practice for a temperature, as the levels' deadband."""
_COOLING_C_PER_MIN: Final = -0.3
_SETTLING_S: Final = 60.0
"""Just parked below the stop line: so long the temperature may take to turn; common practice, no source."""


def start() -> AdviceState:
    """Nothing seen yet."""
    return AdviceState()


def advise(state: AdviceState, now: Situation, settings: AdviceSettings) -> tuple[AdviceState, Advised]:
    """What to say at this tick; the first advice is the one to show."""
    state = _follow(state, now, settings)
    if now.level > state.level:  # it has become worse: what was asked in calm is asked again, the gentlest first
        state = state._replace(first=None, asked=(), easing_ms=None)
        if now.level >= Level.CAUTION:
            state = state._replace(steady_ms=None)
    since = dict(state.gears_since)
    gears = {a: against(a, now, settings) for a in GEARS}
    opened = tuple((a, since.get(a, now.t_ms)) for a, why_not in gears.items() if why_not is None)
    state = state._replace(level=now.level, gears_since=opened)
    standing = is_standing(state, now, settings)
    said = _choose(state, now, settings, standing, gears)
    # The last gate, whatever was decided above: an engine shut off on the move takes steering and brake help with it.
    advice = tuple(a for a in said.advice if standing or a.action not in STANDSTILL_ONLY)
    state = _remember_first(state, advice[0].action if advice else None, now, settings)
    said_off = any(a.action is Action.STOP_ENGINE for a in advice)
    stays_off = state.engine_off_said and standing and now.level is Level.WARNING
    state = state._replace(engine_off_said=said_off or stays_off)
    return state, said if advice == said.advice else replace(said, advice=advice)


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
    state = state._replace(usual_c=usual(state, now, step_s))
    return state._replace(
        t_ms=now.t_ms,
        mean_kmh=mean,
        slow=slow,
        still_since_ms=still,
        hard_ms=hard,
        easing_ms=_since(state.easing_ms, cools_by_itself(state, now), now),
        falling_ms=_since(state.falling_ms, falls(state, now), now),
        steady_ms=_since(state.steady_ms, stays_steady(state, now), now),
    )


def _since(before_ms: int | None, stands: bool, now: Situation) -> int | None:
    if not stands:
        return None
    return now.t_ms if before_ms is None else before_ms


def _remember_first(state: AdviceState, first: Action | None, now: Situation, s: AdviceSettings) -> AdviceState:
    """An action shown first for long is either done unseen or will not be done: the next one gets its turn."""
    if first is None:
        return state._replace(first=None, asked=())
    if first is not state.first:
        return state._replace(first=first, first_since_ms=now.t_ms)
    if now.t_ms - state.first_since_ms >= s.ask_s * 1000 and first not in state.asked:
        return state._replace(asked=(*state.asked, first))
    return state


def _choose(
    state: AdviceState, now: Situation, s: AdviceSettings, standing: bool, gears: Mapping[Action, str | None]
) -> Advised:
    if now.status is Status.STARTING or (now.status is Status.ENGINE_OFF and not now.speed_kmh):
        return Advised()
    if now.coolant_lost:
        return Advised((OFF_FOR_COOLANT if standing else STOP_FOR_COOLANT,))
    no_fan = _needs_fan(state, now)
    if no_fan and standing:
        return Advised((OFF_FOR_FAN,))
    blind = now.status in LOST_DATA
    first: list[Advice] = []
    if now.level is Level.WARNING and (standing or not recovers(state, now)):
        first.append(_at_stop(state, now, standing, blind))
    elif no_fan and state.slow:  # between two stops: the same word as at them, not another each few seconds
        first.append(STOP_FOR_FAN)
    if blind or now.trusted is False:
        watch = say(Action.WATCH_GAUGE, now)
        first = [watch, *first] if standing else [*first, watch]
    if blind or (now.level is Level.WARNING and standing):
        return Advised(tuple(first))
    if now.trusted is False and now.level < Level.CAUTION:
        return Advised(tuple(first))
    if now.level < Level.ADVISORY or (now.level is Level.ADVISORY and not now.heat):
        idling = soaking(state, now, s, standing)
        return Advised((*first, *([keep_idling(state, now, s)] if idling else [])))
    helps, withheld = helping(state, now, s, standing, gears)
    in_turn = tuple(helps) if first else turns(helps, state.asked, now)
    return Advised((*first, *in_turn), withheld)


def _needs_fan(state: AdviceState, now: Situation) -> bool:
    """Hot, and the fan seems not to run; once that has been said, until it is a little cooler."""
    said = state.first in (Action.PULL_OVER, Action.STOP_ENGINE)
    line_c = now.limit_c - _NO_FAN_C - (_NO_FAN_HOLD_C if said else 0.0)
    return now.fan_failed and now.level >= Level.CAUTION and past(now, line_c)


def _at_stop(state: AdviceState, now: Situation, standing: bool, blind: bool) -> Advice:
    """Makers' manuals: pull over, park, idle some minutes if there is no steam; still hot, engine off."""
    if not standing:
        return say(Action.PULL_OVER, now)
    stood_ms = now.t_ms - (now.t_ms if state.still_since_ms is None else state.still_since_ms)
    if state.engine_off_said:
        return say(Action.STOP_ENGINE, now)
    cooling = not blind and now.rate_c_per_min is not None and now.rate_c_per_min <= _COOLING_C_PER_MIN
    settling = not blind and not past(now, now.stop_c) and stood_ms < _SETTLING_S * 1000
    return say(Action.KEEP_IDLING if cooling or settling else Action.STOP_ENGINE, now)
