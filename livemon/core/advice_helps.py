"""What would help here, in the order of the sources for the regime, and what would not, with the reason.

The expected gains drop what buys nothing; what was asked for long makes room.  Sources and their conflict:
docs/safety.md.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from livemon.core.advice_eases import NOT_WHILE_FALLING, comfort_first, falling, quiet
from livemon.core.advice_situation import AdviceSettings, AdviceState, Regime, Situation, past
from livemon.core.advice_words import WORDS
from livemon.core.outcome import Action, Advice, Level, Withheld

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

GEARS: Final = (Action.DOWNSHIFT, Action.UPSHIFT)
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


def say(action: Action, now: Situation) -> Advice:
    """An action in its own words, with what it is expected to buy."""
    words, why = WORDS[action]
    gain_c, gain_s = now.gains.get(action, (None, None))
    return Advice(action, words, why, gain_c, gain_s)


def soaking(state: AdviceState, now: Situation, s: AdviceSettings, standing: bool) -> bool:
    """Whether the engine, just stopped after hard work, should idle before it is switched off."""
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


def keep_idling(state: AdviceState, now: Situation, s: AdviceSettings) -> Advice:
    """Keep idling, with the minutes that are left, rounded up; only while `soaking` holds."""
    stood_ms = now.t_ms - (now.t_ms if state.still_since_ms is None else state.still_since_ms)
    minutes = max(1, math.ceil((s.keep_idling_s - stood_ms / 1000.0) / 60.0))
    return replace(say(Action.KEEP_IDLING, now), words=f"Keep idling {minutes} min")


def helping(
    state: AdviceState, now: Situation, s: AdviceSettings, standing: bool, gears: Mapping[Action, str | None]
) -> tuple[list[Advice], tuple[Withheld, ...]]:
    """What helps here, in the order of the regime; and what people may think of but would not help, with the reason.

    `gears`: what is `against` each of GEARS now.
    """
    regime = Regime.STANDING if standing else Regime.TRAFFIC if state.slow else Regime.AT_SPEED
    helps: list[Advice] = []
    withheld: list[Withheld] = []
    since, asks_nothing = dict(state.gears_since), quiet(state, now)
    for step in ORDER[regime]:
        able: list[Advice] = []
        for action in step:
            if not soaking(state, now, s, standing) if action is Action.KEEP_IDLING else asks_nothing:
                continue
            if action in NOT_WHILE_FALLING and falling(state, now):
                continue
            why_not = gears[action] if action in GEARS else against(action, now, s, state.first)
            if why_not is None and action in GEARS and now.t_ms - since[action] < s.steady_s * 1000:
                why_not = ""  # comes and goes with the engine speed: it must not flicker in and out of the first place
            if why_not is None:
                able.append(keep_idling(state, now, s) if action is Action.KEEP_IDLING else say(action, now))
            elif why_not:
                withheld.append(Withheld(action, why_not))
        # Stable sort: unknown gains keep the order of the sources.
        helps += sorted(able, key=lambda a: -(a.gain_c.likely or 0.0) if a.gain_c else 0.0)
    return helps, tuple(withheld)


def turns(helps: Sequence[Advice], asked: tuple[Action, ...], now: Situation) -> tuple[Advice, ...]:
    """Those that were asked for long go behind those that were not; the heater is last, and alone at its turn.

    A/C that nobody tells of may well be off since it was asked: it does not come first a second time while there is
    something else.
    """
    waiting = [a for a in helps if a.action not in asked]
    if not waiting:  # all have had their turn: from the top again
        last = (Action.AC_OFF,) if now.ac_on is None else ()
        return tuple(sorted(helps, key=lambda a: (a.action is Action.HEATER_ON, a.action in last)))
    if [a.action for a in waiting] == [Action.HEATER_ON]:
        return tuple(waiting)
    in_turn = [*waiting, *(a for a in helps if a.action in asked)]
    return tuple(sorted(in_turn, key=lambda a: a.action is Action.HEATER_ON))


def against(action: Action, now: Situation, s: AdviceSettings, first: Action | None = None) -> str | None:
    """None = say it; "" = does not arise; else the reason why it is not said.  `first`: what stood first before."""
    if action is Action.AC_OFF and now.ac_on is False:
        return ""
    if action is Action.HEATER_ON and (
        now.heater_on or now.level < Level.CAUTION or comfort_first(now, first is action)
    ):
        return ""
    if action is Action.FAN_ON and (now.fan_on or not (now.fan_switch or now.fan_on is False)):
        return ""
    if action is Action.SLOW_DOWN and (now.speed_kmh is None or now.speed_kmh <= s.slow_floor_kmh):
        return ""
    if action is Action.SPEED_UP and (now.speed_kmh is None or now.speed_kmh >= s.faster_ceiling_kmh):
        return ""
    if action in GEARS:
        why_not = _against_gear(action, now, s)
        if why_not is not None:
            return why_not
    if action is Action.RAISE_IDLE and now.fan_engine_driven is False and action not in now.gains:
        return "an electric fan gains nothing from a faster idle"
    return _against_gain(action, now, s)


def _against_gear(action: Action, now: Situation, s: AdviceSettings) -> str | None:
    if action is Action.UPSHIFT:
        return None if now.higher_gear_rpm is not None and now.higher_gear_rpm >= s.least_rpm else ""
    if past(now, now.limit_c):
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
