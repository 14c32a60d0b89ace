"""When what would help is not worth asking: it cools by itself, or the limit is too far to heat the people inside.

A level stands a while longer than its reason; what it asks must not.  Knows no order of actions.
"""

from __future__ import annotations

from typing import Final

from livemon.core.advice_situation import AdviceState, Situation, past
from livemon.core.outcome import Level

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


def easing(state: AdviceState, now: Situation) -> bool:
    """Past the summit, or after what was done: a level stands a while longer than its reason, what it asks must not."""
    return state.easing_ms is not None and now.t_ms - state.easing_ms >= _EASING_S * 1000


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
        return False
    if now.rate_c_per_min is not None and now.rate_c_per_min <= _HEATER_C_PER_MIN[asked]:
        return True
    return now.limit_chance < _HEATER_CHANCE[asked] and not past(now, now.limit_c - _NEAR_C)
