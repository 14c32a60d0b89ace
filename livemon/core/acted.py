"""Recognises that something was done against the heat, and reports what it did against what was expected.

Declared inputs, a step in load at idle, engine speed over road speed, and a lower or higher speed are the signs; the
forecast made just before the action is the yardstick.  Only looks while the level or the advice gives a reason to, so
that ordinary driving is not taken for obedience.  Two actions at once cannot be told apart: the earlier one is closed
when the next begins.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from types import MappingProxyType
from typing import Final, NamedTuple

from livemon.core.advice import Gains
from livemon.core.outcome import Acted, Action, Band

KEEP: Final = 8
"""So many actions are remembered and reported."""
WATCH_S: Final = 600
"""An action is watched so long [s], as long as a gain looks ahead."""
FIRST_LOOK_S: Final = 60
"""Before this [s] a difference is sensor lag and noise, not effect."""
LOOK_EACH_S: Final = 30
_RING_S: Final = 45
_ASKED_S: Final = 90
"""An action counts as asked for so long after it was last advised [s]."""
_COOL_OFF_S: Final = 60

# Signs of an action; common practice, no source.
_LOAD_STEP_PCT: Final = 4.0
_IDLE_RPM_STEP: Final = 150.0
_RAISED_RPM: Final = 250.0
_GEAR_FACTOR: Final = 1.15
_GEAR_SPREAD: Final = 0.04
_GEAR_LEAST_KMH: Final = 15.0
_GEAR_MEMORY_S: Final = 30
_GEAR_STANDS_S: Final = 8
"""A gear must be held so long [s]: a kick-down is shorter."""
_PARKED_S: Final = 10
_PULLED_FROM_KMH: Final = 20.0
_SPEED_STEP_KMH: Final = 7.0
_SPEED_SPREAD_KMH: Final = 6.0


@dataclass(frozen=True, slots=True)
class Doing:
    """What is seen at one tick; `None` = not known."""

    t_ms: int
    watching: bool
    """The level is advisory or worse, or there is advice."""
    advised: tuple[Action, ...] = ()
    gains: Gains = field(default_factory=dict)
    estimate_c: float | None = None
    ahead_c: tuple[tuple[int, Band], ...] | None = None
    speed_kmh: float | None = None
    rpm: float | None = None
    load_pct: float | None = None
    ac_on: bool | None = None
    heater_on: bool | None = None
    fan_on: bool | None = None


@dataclass(frozen=True, slots=True)
class _Watch:
    """One action under watch: the forecast without it, and the best seen so far."""

    acted: Acted
    began_ms: int
    baseline_c: tuple[tuple[int, float], ...]


class ActedState(NamedTuple):
    """The last seconds, what was asked for when, and the actions so far."""

    ring: tuple[Doing, ...] = ()
    asked: Mapping[Action, tuple[int, float | None]] = MappingProxyType({})
    """When each action was last advised, and its likely gain then [K]."""
    gear_ratio: tuple[int, float] | None = None
    """When engine speed over road speed was last steady, and its value [rpm per km/h]."""
    watch: _Watch | None = None
    done: tuple[Acted, ...] = ()


def start() -> ActedState:
    """Nothing seen yet."""
    return ActedState()


def recognise(state: ActedState, now: Doing) -> tuple[ActedState, tuple[Acted, ...]]:
    """Fold one tick in; all actions so far, the newest last."""
    ring = state.ring
    while ring and now.t_ms - ring[0].t_ms > _RING_S * 1000:
        ring = ring[1:]
    asked = _asked(state.asked, now)
    found, ratio = _find(state._replace(asked=asked), ring, now)
    state = state._replace(ring=(*ring, now)[-_RING_S - 1 :], asked=asked, gear_ratio=ratio)
    if found is not None and not _recent(state, found[0], now.t_ms):
        state = _begin(state, *found, now)
    state = _look(state, now)
    acted = (*state.done, *((state.watch.acted,) if state.watch else ()))
    return state, acted[-KEEP:]


def _asked(before: Mapping[Action, tuple[int, float | None]], now: Doing) -> Mapping[Action, tuple[int, float | None]]:
    asked = {a: (t, g) for a, (t, g) in before.items() if now.t_ms - t <= _ASKED_S * 1000}
    for action in now.advised:
        gain_c, _ = now.gains.get(action, (None, None))
        asked[action] = (now.t_ms, gain_c.likely if gain_c else None)
    return MappingProxyType(asked)


def _recent(state: ActedState, action: Action, t_ms: int) -> bool:
    known = (*state.done, *((state.watch.acted,) if state.watch else ()))
    return any(a.action is action and t_ms - a.at_s * 1000 < _COOL_OFF_S * 1000 for a in known)


def _last(ring: tuple[Doing, ...], seconds: int, skip: int = 0) -> tuple[Doing, ...]:
    """The `seconds` newest ticks, or those before the `skip` newest; empty if there are not so many."""
    if len(ring) < seconds + skip:
        return ()
    return ring[len(ring) - skip - seconds : len(ring) - skip]


def _mean(values: list[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) / len(known) if known and len(known) == len(values) else None


def _find(
    state: ActedState, ring: tuple[Doing, ...], now: Doing
) -> tuple[tuple[Action, int] | None, tuple[int, float] | None]:
    """The action recognised at this tick with the seconds it lies back, and the steady gear ratio."""
    seen = (*ring, now)
    shift, ratio = _shift(state, seen)
    if not (now.watching or state.asked):
        return None, ratio
    before = ring[-1] if ring else None
    for sign in (_declared(state, before, now), shift, _idle_load(state, seen), _idle_speed(state, seen)):
        if sign is not None:
            return sign, ratio
    return _road_speed(state, seen) or _stopped(state, seen), ratio


def _declared(state: ActedState, before: Doing | None, now: Doing) -> tuple[Action, int] | None:
    if before is None:
        return None
    if now.ac_on is False and (before.ac_on or (before.ac_on is None and Action.AC_OFF in state.asked)):
        return Action.AC_OFF, 0
    if now.heater_on and not before.heater_on:
        return Action.HEATER_ON, 0
    if now.fan_on and not before.fan_on:
        return Action.FAN_ON, 0
    return None


def _shift(state: ActedState, seen: tuple[Doing, ...]) -> tuple[tuple[Action, int] | None, tuple[int, float] | None]:
    """A change of gear: engine speed over road speed steady, then steady at another value [rpm per km/h]."""
    ratios: list[float] = []
    for d in _last(seen, _GEAR_STANDS_S):
        if d.rpm is None or d.speed_kmh is None or d.speed_kmh < _GEAR_LEAST_KMH or d.rpm < 500:
            return None, state.gear_ratio
        ratios.append(d.rpm / d.speed_kmh)
    if not ratios or max(ratios) > min(ratios) * (1 + _GEAR_SPREAD):
        return None, state.gear_ratio
    now_ms, ratio = seen[-1].t_ms, sum(ratios) / len(ratios)
    old = state.gear_ratio
    if old is None or now_ms - old[0] > _GEAR_MEMORY_S * 1000:
        return None, (now_ms, ratio)
    if ratio >= old[1] * _GEAR_FACTOR:
        found = Action.DOWNSHIFT
    elif ratio <= old[1] / _GEAR_FACTOR:
        found = Action.UPSHIFT
    else:
        return None, (now_ms, ratio)
    # An automatic gearbox shifts all the time; only what was asked for is an answer.
    return ((found, _GEAR_STANDS_S) if found in state.asked else None), (now_ms, ratio)


def _idle_load(state: ActedState, seen: tuple[Doing, ...]) -> tuple[Action, int] | None:
    """A drop in load at unchanged idle: the compressor, or the gearbox, was let go."""
    late, early = _last(seen, 5), _last(seen, 5, skip=5)
    if not early or not {Action.AC_OFF, Action.IDLE_NEUTRAL} & set(state.asked):
        return None
    if any(d.speed_kmh != 0 or (d.rpm or 0) < 300 for d in (*early, *late)):
        return None
    loads = _mean([d.load_pct for d in early]), _mean([d.load_pct for d in late])
    rpms = _mean([d.rpm for d in early]), _mean([d.rpm for d in late])
    if loads[0] is None or loads[1] is None or rpms[0] is None or rpms[1] is None:
        return None
    if loads[0] - loads[1] < _LOAD_STEP_PCT or abs(rpms[0] - rpms[1]) > _IDLE_RPM_STEP:
        return None
    neutral = Action.IDLE_NEUTRAL in state.asked
    if seen[-1].ac_on is False or (neutral and Action.AC_OFF not in state.asked):
        return (Action.IDLE_NEUTRAL, 5) if neutral else None
    return Action.AC_OFF, 5


def _idle_speed(state: ActedState, seen: tuple[Doing, ...]) -> tuple[Action, int] | None:
    if Action.RAISE_IDLE not in state.asked:
        return None
    late, early = _last(seen, 4), _last(seen, 4, skip=4)
    if not early or any(d.speed_kmh != 0 for d in (*early, *late)):
        return None
    rpms = _mean([d.rpm for d in early]), _mean([d.rpm for d in late])
    if rpms[0] is None or rpms[1] is None or rpms[0] < 300 or rpms[1] - rpms[0] < _RAISED_RPM:
        return None
    return Action.RAISE_IDLE, 4


def _road_speed(state: ActedState, seen: tuple[Doing, ...]) -> tuple[Action, int] | None:
    """A lower or higher speed that lasts, when it was asked for."""
    late, early = _last(seen, 15), _last(seen, 15, skip=15)
    speeds = [d.speed_kmh for d in late]
    known = [v for v in speeds if v is not None]
    then, now = _mean([d.speed_kmh for d in early]), _mean(speeds)
    if not early or then is None or now is None or now < _GEAR_LEAST_KMH:
        return None
    if max(known) - min(known) > _SPEED_SPREAD_KMH:
        return None
    if Action.SLOW_DOWN in state.asked and then - now >= _SPEED_STEP_KMH:
        return Action.SLOW_DOWN, 15
    if Action.SPEED_UP in state.asked and now - then >= _SPEED_STEP_KMH:
        return Action.SPEED_UP, 15
    return None


def _stopped(state: ActedState, seen: tuple[Doing, ...]) -> tuple[Action, int] | None:
    still = _last(seen, 3)
    if not still or any(d.speed_kmh != 0 for d in still):
        return None
    if Action.STOP_ENGINE in state.asked and all(d.rpm == 0 for d in still):
        return Action.STOP_ENGINE, 3
    parked = _last(seen, _PARKED_S)
    fast = any((d.speed_kmh or 0.0) >= _PULLED_FROM_KMH for d in seen)
    if Action.PULL_OVER in state.asked and parked and fast and all(d.speed_kmh == 0 for d in parked):
        return Action.PULL_OVER, _PARKED_S
    return None


def _begin(state: ActedState, action: Action, back_s: int, now: Doing) -> ActedState:
    """Close the watch that runs, and open one with the forecast that stood before the action."""
    done = (*state.done, state.watch.acted)[-KEEP:] if state.watch else state.done
    began_ms = max(0, now.t_ms - back_s * 1000)
    earlier = [d for d in state.ring if d.t_ms < began_ms or (back_s == 0 and d.t_ms < now.t_ms)]
    yardstick = earlier[-1] if earlier else None
    baseline: tuple[tuple[int, float], ...] = ()
    if yardstick is not None and yardstick.estimate_c is not None and yardstick.ahead_c is not None:
        ahead = [(seconds, band.likely) for seconds, band in yardstick.ahead_c if band.likely is not None]
        baseline = ((0, yardstick.estimate_c), *ahead)
    expected = state.asked.get(action, (0, None))[1]
    acted = Acted(action, round(began_ms / 1000.0, 1), expected, None)
    return state._replace(done=done, watch=_Watch(acted, began_ms, baseline))


def _look(state: ActedState, now: Doing) -> ActedState:
    """Every half minute compare with the forecast made before; the best difference counts, as for a gain."""
    watch = state.watch
    if watch is None:
        return state
    age_s = (now.t_ms - watch.began_ms) / 1000.0
    if age_s > WATCH_S:
        return state._replace(watch=None, done=(*state.done, watch.acted)[-KEEP:])
    if age_s < FIRST_LOOK_S or int(age_s) % LOOK_EACH_S or now.estimate_c is None:
        return state
    without_c = _between(watch.baseline_c, age_s)
    if without_c is None:
        return state
    cooler_c = round(without_c - now.estimate_c, 2)
    best = cooler_c if watch.acted.seen_c is None else max(watch.acted.seen_c, cooler_c)
    return state._replace(watch=replace(watch, acted=replace(watch.acted, seen_c=best)))


def _between(points: tuple[tuple[int, float], ...], x: float) -> float | None:
    """Straight line between the points of the forecast; None outside them."""
    for (x0, y0), (x1, y1) in pairwise(points):
        if x0 <= x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return None
