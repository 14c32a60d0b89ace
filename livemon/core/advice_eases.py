"""When what would help is not worth asking: it cools by itself, stays where it is, or is too far from the limit.

A level stands a while longer than its reason; what it asks must not.  Knows no order of actions.
"""

from __future__ import annotations

from typing import Final

from livemon.core.advice_situation import AdviceState, Situation, past, stood
from livemon.core.outcome import Action, Level

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
_FALLING_C_PER_MIN: Final = (-3.0, -1.0)
_FALLING_S: Final = 8.0
"""It falls fast, for so long and until no faster than the second figure: what is done, or the road, does enough.
Judgement, no source."""
NOT_WHILE_FALLING: Final = frozenset({Action.SLOW_DOWN, Action.DOWNSHIFT, Action.UPSHIFT, Action.HEATER_ON})
"""What takes something of the driver or of the people inside; slower would also take the air that cools."""
_UNDER_STOP_C: Final = 2.0
_EXPLAINED_C: Final = 5.0
_STOP_CHANCE: Final = 0.15
"""So far under the stop line [K], heading so much lower at the heat and air of the last minute, so unlikely to reach
it and falling fast, driving on cools better than standing.  The first and last as the deadband and the end of
`stop_coming` in the level table; the other is judgement."""
_USUAL_S: Final = 180.0
_STEADY_OVER_C: Final = (1.2, 2.0)
_STEADY_C_PER_MIN: Final = (2.0, 4.0)
_STEADY_C: Final = (8.0, 6.0)
_STEADY_CAUTION_C: Final = (12.0, 10.0)
_STEADY_CHANCE: Final = (0.2, 0.25)
"""A level over a temperature that stays: no more over the mean of three minutes, rising no faster, so far under the
limit (under a caution the second pair), which is so unlikely within five minutes; until past the second figures.
Judgement, no source."""


def easing(state: AdviceState, now: Situation) -> bool:
    """Past the summit, or after what was done: a level stands a while longer than its reason, what it asks must not."""
    return stood(state.easing_ms, now, _EASING_S)


def quiet(state: AdviceState, now: Situation) -> bool:
    """Whether nothing is worth asking, though the level stands: it has eased, or has long stayed where it is."""
    return easing(state, now) or stood(state.steady_ms, now, _EASING_S)


def falling(state: AdviceState, now: Situation, for_s: float = _FALLING_S) -> bool:
    """Whether it has been falling fast for so long."""
    return stood(state.falling_ms, now, for_s)


def falls(state: AdviceState, now: Situation) -> bool:
    """Falling fast, by a sensor that is believed and a cooling that nothing is known to be wrong with."""
    if now.rate_c_per_min is None or now.fault or now.trusted is False or past(now, now.stop_c):
        return False
    return now.rate_c_per_min <= _FALLING_C_PER_MIN[state.falling_ms is not None]


def recovers(state: AdviceState, now: Situation) -> bool:
    """Back under the stop line, falling fast, as heat and air explain it, and not to reach it again.

    A warning stands longer than its reason.  A fall that heat and air do not explain may be a sensor that hangs dry.
    """
    unlikely = now.stop_chance is not None and now.stop_chance < _STOP_CHANCE
    heads_down = now.settles_c is not None and past(now, now.settles_c + _EXPLAINED_C)
    return falling(state, now, _EASING_S) and heads_down and unlikely and not past(now, now.stop_c - _UNDER_STOP_C)


def usual(state: AdviceState, now: Situation, step_s: float) -> float | None:
    """Mean of the estimate over three minutes, moved on; it begins anew where the estimate was lost."""
    if now.estimate_c is None or state.usual_c is None:
        return now.estimate_c
    return state.usual_c + min(1.0, step_s / _USUAL_S) * (now.estimate_c - state.usual_c)


def stays_steady(state: AdviceState, now: Situation) -> bool:
    """No more than a caution, and a temperature that does not rise, far under the limit; `state` holds its mean."""
    if now.level > Level.CAUTION or now.fault or now.trusted is False:
        return False
    if now.limit_chance is None or now.rate_c_per_min is None or now.estimate_c is None or state.usual_c is None:
        return False
    on = state.steady_ms is not None
    far_c = _STEADY_CAUTION_C if now.level is Level.CAUTION else _STEADY_C
    far = now.estimate_c <= now.limit_c - far_c[on]
    unlikely = max(now.limit_chance, now.road_chance or 0.0) < _STEADY_CHANCE[on]
    over_c = now.estimate_c - state.usual_c
    return far and unlikely and over_c <= _STEADY_OVER_C[on] and now.rate_c_per_min <= _STEADY_C_PER_MIN[on]


def cools_by_itself(state: AdviceState, now: Situation) -> bool:
    """Well under the limit, which is unlikely ahead, and falling; once eased, as long as the first two hold."""
    if now.limit_chance is None or now.estimate_c is None or now.rate_c_per_min is None:
        return False
    if now.fault or now.level is Level.WARNING:
        return False
    eased = easing(state, now)
    far = now.estimate_c <= now.limit_c - _EASING_C[eased]
    unlikely = max(now.limit_chance, now.road_chance or 0.0) < _EASING_CHANCE
    return far and unlikely and (eased or now.rate_c_per_min <= _EASING_C_PER_MIN)


def comfort_first(now: Situation, asked: bool) -> bool:
    """The limit is neither near nor likely soon: no reason to heat the people inside."""
    if now.limit_chance is None or now.fault or past(now, now.limit_c):
        return False  # past the limit, falling fast takes it back (NOT_WHILE_FALLING)
    if now.rate_c_per_min is not None and now.rate_c_per_min <= _HEATER_C_PER_MIN[asked]:
        return True
    return now.limit_chance < _HEATER_CHANCE[asked] and not past(now, now.limit_c - _NEAR_C)
