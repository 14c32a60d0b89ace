"""What an action would buy: the same runs ahead with and without it, all actions side by side in one march.

An action is a few factors on heat made, air and fan (`change_of`); the difference of the runs is the gain.  Knows
nothing of which action is safe or worth saying: that is `advice`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core import ahead, hypotheses
from livemon.core.ahead import HORIZONS, LAST_60, LAST_180, Change, Runs
from livemon.core.demand import condenser_c
from livemon.core.engine import coolant_heat_kw
from livemon.core.estimator import State
from livemon.core.hypotheses import TEMP, Bank
from livemon.core.outcome import FORESEE_S, Action, Band
from livemon.core.signals import Inputs

Array = NDArray[np.float64]

GAIN_S: Final = 600
_UPTO: Final = HORIZONS.index(GAIN_S) + 1
_QUANTILES: Final = (0.1, 0.5, 0.9)
_USED: Final = (LAST_60, LAST_180, ahead.WORSE_SHED, ahead.MORE_HEAT)
"""Assumptions about the demand that the band of a gain spans."""

Gain = tuple[Band, float | None]


def gains(
    state: State,
    inputs: Inputs,
    limit_c: float,
    actions: Sequence[Action],
    lower_rpm: float | None = None,
    higher_rpm: float | None = None,
) -> Mapping[Action, Gain]:
    """What each of `actions` that means something here buys; empty before the first reading."""
    if state.bank is None or state.flow is None or state.pace is None:
        return {}
    known = [(a, change_of(state, inputs, a, lower_rpm, higher_rpm)) for a in actions]
    meant = [(action, change) for action, change in known if change is not None]
    return dict(zip((action for action, _ in meant), what_if(state, limit_c, [c for _, c in meant]), strict=True))


def what_if(state: State, limit_c: float, changes: Sequence[Change]) -> list[Gain]:
    """What each change buys: cooler at its best within 600 s [K], and how much later the crossing comes [s].

    Over the last minute's and the last three minutes' demand, the cooling a little worse, the heat a little more; the
    band is that of the hypotheses and these assumptions.  Negative where it hurts; None where neither run crosses.
    """
    assert state.bank is not None
    assert state.flow is not None
    assert state.pace is not None
    if not changes:
        return []
    together = Change(*(np.array(column, dtype=float)[:, None] for column in zip(Change(), *changes, strict=True)))
    runs = ahead.run(_repeated(state.bank, 1 + len(changes)), state.flow, state.pace, together)
    share = hypotheses.shares(state.bank)
    now_c = float((share * state.bank.mean[TEMP]).sum())
    before = _crossing_s(runs, 0, share, now_c, limit_c)
    found: list[Gain] = []
    for place in range(1, 1 + len(changes)):
        gain = runs.at[:_UPTO, _USED, 0] - runs.at[:_UPTO, _USED, place]
        after = _crossing_s(runs, place, share, now_c, limit_c)
        later = None if before is None else round((FORESEE_S if after is None else after) - before, 0)
        found.append((_at_its_best(gain, share), later))
    return found


def _repeated(bank: Bank, times: int) -> Bank:
    """The same bank `times` over along a new axis before the members."""
    mean, cov = bank.mean[:, None], bank.cov[:, :, None]
    return bank._replace(
        mean=np.broadcast_to(mean, (mean.shape[0], times, mean.shape[2])),
        cov=np.broadcast_to(cov, (*cov.shape[:2], times, cov.shape[3])),
    )


def _at_its_best(gain: Array, share: Array) -> Band:
    """80 % band over members and assumptions of the largest difference along the horizons."""
    most = np.take_along_axis(gain, np.abs(gain).argmax(axis=0)[None], axis=0)[0]
    weight = np.broadcast_to(share, most.shape).ravel()
    order = np.argsort(most.ravel(), kind="stable")
    ordered, so_far = most.ravel()[order], weight[order].cumsum()
    so_far = so_far / so_far[-1]
    return Band(*(float(ordered[min(int((so_far < q).sum()), so_far.size - 1)]) for q in _QUANTILES))


def _crossing_s(runs: Runs, place: int, share: Array, now_c: float, limit_c: float) -> float | None:
    """Time at which the weighted run of the last minute reaches the limit; None within 900 s."""
    if now_c >= limit_c:
        return 0.0
    before_s, before_c = 0.0, now_c
    path = (share * runs.at[:, LAST_60, place]).sum(axis=-1)
    for horizon, then_c in zip(HORIZONS, (float(t) for t in path), strict=True):
        if then_c >= limit_c:
            return before_s + (limit_c - before_c) / (then_c - before_c) * (horizon - before_s)
        before_s, before_c = float(horizon), then_c
    return None


def change_of(
    state: State, inputs: Inputs, action: Action, lower_rpm: float | None = None, higher_rpm: float | None = None
) -> Change | None:
    """What `action` changes for the cooling; None where it means nothing (already so, or not known).

    Heat made by the engine's own friction goes with rpm; heat made by the road goes with speed (grade and rolling)
    and a share with its cube; a fifth of it is air drag at 80 km/h (road-load equation, 2.2 t on 6 %: 296 of 1,869 N).
    """
    assert state.pace is not None
    rig, pace = state.rig, state.pace
    speed, rpm = inputs.speed_kmh, inputs.rpm
    warm = float(pace.heat[1])
    outside = state.air_c if state.air_c is not None else 25.0
    if action is Action.AC_OFF:
        if inputs.ac_on is False:
            return None
        rise = float(condenser_c(rig.cooling, outside, float(pace.ram[1]))) if inputs.ac_on else 0.0
        shaft = float(rig.cooling.compressor_kw) / 0.36  # shaft to fuel at the indicated efficiency
        spare = float(coolant_heat_kw(rig.engine, shaft))
        if not inputs.ac_on:  # not declared: half a chance that it runs at all
            rise, spare = 0.5 * float(condenser_c(rig.cooling, outside, float(pace.ram[1]))), 0.5 * spare
        return Change(heat_add_kw=-min(spare, 0.5 * warm), air_add_c=-rise)
    if action in (Action.DOWNSHIFT, Action.UPSHIFT):
        if rpm is None or rpm < 500.0:
            return None
        target = lower_rpm if action is Action.DOWNSHIFT else higher_rpm
        ratio = (1.4 if action is Action.DOWNSHIFT else 0.72) if target is None else target / rpm
        friction = 0.15 * (ratio - 1.0)  # friction is some third of fuel at 2500 rpm and half load, from memory
        return Change(heat_factor=1.0 + 0.5 * friction, fan_factor=ratio)
    if action in (Action.SLOW_DOWN, Action.SPEED_UP):
        if speed is None or speed < 5.0:
            return None
        other = max(speed - 10.0, 5.0) if action is Action.SLOW_DOWN else speed + 10.0
        ratio = other / speed
        air_share = 0.2 * (speed / 80.0) ** 2
        heat_factor = ratio * (1.0 - air_share + air_share * ratio * ratio)
        return Change(heat_factor=0.15 + 0.85 * heat_factor, ram_factor=ratio, fan_factor=ratio)
    if action is Action.HEATER_ON:
        if inputs.heater_on:
            return None
        capacity = float(np.exp(-state.rig.prior.mean[hypotheses.GAIN]))
        return Change(cabin_per_s=float(rig.cooling.heater_kw_k) / capacity)
    if action is Action.FAN_ON:
        return None if inputs.fan_on else Change(electric_on=1.0)
    if action in (Action.IDLE_NEUTRAL, Action.RAISE_IDLE, Action.KEEP_IDLING):
        idle = float(rig.engine.idle_rpm) * (2.0 if action is Action.RAISE_IDLE else 1.0)
        ratio = idle / max(rpm or idle, 300.0)
        loss = 0.85 if action is Action.IDLE_NEUTRAL else ratio
        return Change(heat_factor=loss, fan_factor=ratio)
    return None
