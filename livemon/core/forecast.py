"""What is coming: temperature ahead with its band, the chance and time of crossing, and what an action would buy.

`ahead` runs the physics under several assumptions about the demand; the table in `calibration` says how far to believe
each, learned on made-up drives of two plants and judged on others.  Chances are bound to rise with the horizon, so the
time band is read off them.  It does not know levels or words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core import ahead, calibration, hypotheses
from livemon.core.ahead import HORIZONS, LAST_60, LAST_180, Change
from livemon.core.demand import condenser_c
from livemon.core.engine import coolant_heat_kw
from livemon.core.estimator import State
from livemon.core.hypotheses import TEMP
from livemon.core.outcome import FORESEE_S, HORIZONS_S, Action, Band, Crossing
from livemon.core.road import RoadView
from livemon.core.signals import Inputs

Array = NDArray[np.float64]

EVERY_MS: Final = 4_000
"""The forecast is made anew every fourth second, and at once when the coolant moves a degree."""
GAIN_S: Final = 600
_QUANTILES: Final = (0.1, 0.5, 0.9)
_CLIP_C: Final = 40.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """All that is foreseen at one tick; bands are 80 %, temperatures [C], times [s]."""

    t_ms: int
    reading_c: float | None
    ahead_c: tuple[tuple[int, Band], ...]
    settles_c: Band
    crossing: Crossing
    time_to_limit_s: Band | None
    chance: tuple[tuple[int, float], ...]
    chance_stop: tuple[tuple[int, float], ...]


def due(last: Forecast | None, state: State) -> bool:
    """Whether a new forecast is worth its work at this tick."""
    return (
        last is None
        or state.t_ms - last.t_ms >= EVERY_MS
        or last.reading_c != state.reading_c
        or state.t_ms < last.t_ms
    )


def look_ahead(
    state: State, inputs: Inputs, road: RoadView | None, limit_c: float, stop_c: float, settings: object = None
) -> Forecast | None:
    """The forecast at this tick; None before the first coolant reading."""
    if state.bank is None or state.flow is None or state.pace is None:
        return None
    runs = ahead.run(state.bank, state.flow, state.pace)
    view = ahead.outlook(state.bank, state.flow, state.pace, runs)
    now_c = float(view.now_c)
    table = calibration.BLIND if state.source == "nothing" else calibration.SEEING
    chance = chances(view, limit_c, table)
    return Forecast(
        t_ms=state.t_ms,
        reading_c=state.reading_c,
        ahead_c=tuple((h, ahead_band(view, h, table)) for h in HORIZONS_S),
        settles_c=_settles(view),
        crossing=Crossing.KNOWN if chance[-1] >= 0.5 else Crossing.NONE_FORESEEN,
        time_to_limit_s=time_band(chance, now_c >= limit_c),
        chance=tuple((h, chance[HORIZONS.index(h)]) for h in HORIZONS_S),
        chance_stop=tuple(
            (h, p) for h, p in zip(HORIZONS, chances(view, stop_c, table), strict=True) if h in HORIZONS_S
        ),
    )


def chances(view: ahead.Outlook, limit_c: float, table: calibration.Table) -> tuple[float, ...]:
    """Chance to reach `limit_c` within each of `ahead.HORIZONS`, never falling with the horizon."""
    now_c = float(view.now_c)
    if now_c >= limit_c:
        return (1.0,) * len(HORIZONS)
    features = ahead.toward(view, np.asarray(limit_c))
    logit = table.chance_bias + (table.chance * features).sum(axis=1)
    chance = np.maximum.accumulate(1.0 / (1.0 + np.exp(-logit)))
    return tuple(round(float(p), 4) for p in chance)


def ahead_band(view: ahead.Outlook, horizon_s: int, table: calibration.Table) -> Band:
    """80 % band of the temperature `horizon_s` ahead: the runs weighted, its width from how far they part."""
    now_c = float(view.now_c)
    row = table.band[horizon_s]
    rise = np.minimum(np.maximum(view.at_c[HORIZONS.index(horizon_s)] - now_c, -_CLIP_C), _CLIP_C)
    base = np.concatenate([rise, view.plain, [1.0]])
    parts = np.abs(np.array([rise[3] - rise[1], rise[0] - rise[2], rise[4] - rise[1], rise[1]]))
    width = np.concatenate([np.log(0.3 + parts), view.plain, [1.0]])
    likely = now_c + float((row[0] * base).sum())
    down = float(np.exp(min(max(float((row[1] * width).sum()), -3.0), 4.0)))
    up = float(np.exp(min(max(float((row[2] * width).sum()), -3.0), 4.0)))
    return Band(likely - down, likely, likely + up)


def time_band(chance: tuple[float, ...], reached: bool) -> Band | None:
    """Time to the limit [s] as the 10, 50 and 90 % points of the chance over the horizon; None where not reached."""
    if reached:
        return Band(0.0, 0.0, 0.0)
    grid, level = (0.0, *(float(h) for h in HORIZONS)), (0.0, *chance)
    points: list[float | None] = []
    for wanted in _QUANTILES:
        found = None
        for i in range(1, len(grid)):
            if level[i] >= wanted:
                share = (wanted - level[i - 1]) / max(level[i] - level[i - 1], 1e-9)
                found = grid[i - 1] + share * (grid[i] - grid[i - 1])
                break
        points.append(found)
    if points[0] is None:
        return Band(float(FORESEE_S), None, None)
    return Band(*points)


def _settles(view: ahead.Outlook) -> Band:
    """Where it heads if the demand holds as in the last minute; the band spans the other assumptions."""
    values = view.settles_c
    middle = float(values[LAST_60])
    spread = max(1.0, abs(float(values[4]) - middle), abs(float(values[5]) - middle))
    return Band(middle - 1.2816 * spread, middle, middle + 1.2816 * spread)


def what_if(
    state: State, inputs: Inputs, road: RoadView | None, limit_c: float, change: Change
) -> tuple[Band, float | None]:
    """What `change` buys: cooler at its best within 600 s [K], and how much later the crossing comes [s].

    The same runs with and without it, over the last minute's and the last three minutes' demand; the band is that of
    the hypotheses and both assumptions.  Negative where it hurts; None where it would not cross either way.
    """
    if state.bank is None or state.flow is None or state.pace is None:
        return Band(None, None, None), None
    plain = ahead.run(state.bank, state.flow, state.pace)
    acted = ahead.run(state.bank, state.flow, state.pace, change)
    share = hypotheses.shares(state.bank)
    use = [LAST_60, LAST_180, ahead.WORSE_SHED, ahead.MORE_HEAT]
    upto = HORIZONS.index(GAIN_S) + 1
    gain = plain.at[:upto][:, use] - acted.at[:upto][:, use]
    most = np.take_along_axis(gain, np.abs(gain).argmax(axis=0)[None], axis=0)[0]
    weight = np.broadcast_to(share, most.shape).ravel()
    order = np.argsort(most.ravel(), kind="stable")
    sorted_gain, cum = most.ravel()[order], weight[order].cumsum()
    cum = cum / cum[-1]
    band = Band(*(float(sorted_gain[min(int((cum < q).sum()), cum.size - 1)]) for q in _QUANTILES))
    before, after = _crossing_s(state, plain, share, limit_c), _crossing_s(state, acted, share, limit_c)
    return band, None if before is None else round((FORESEE_S if after is None else after) - before, 0)


def _crossing_s(state: State, runs: ahead.Runs, share: Array, limit_c: float) -> float | None:
    """Time at which the weighted run of the last minute reaches the limit; None within 900 s."""
    assert state.bank is not None
    before_s, before_c = 0.0, float((share * state.bank.mean[TEMP]).sum())
    if before_c >= limit_c:
        return 0.0
    for i, horizon in enumerate(HORIZONS):
        now_c = float((share * runs.at[i, LAST_60]).sum())
        if now_c >= limit_c:
            return before_s + (limit_c - before_c) / (now_c - before_c) * (horizon - before_s)
        before_s, before_c = float(horizon), now_c
    return None


def gains(
    state: State,
    inputs: Inputs,
    road: RoadView | None,
    limit_c: float,
    actions: tuple[Action, ...],
    lower_rpm: float | None = None,
    higher_rpm: float | None = None,
) -> Mapping[Action, tuple[Band, float | None]]:
    """`what_if` of each of `actions` that means something here."""
    out: dict[Action, tuple[Band, float | None]] = {}
    for action in actions:
        change = change_of(state, inputs, action, lower_rpm, higher_rpm)
        if change is not None:
            out[action] = what_if(state, inputs, road, limit_c, change)
    return out


def change_of(
    state: State, inputs: Inputs, action: Action, lower_rpm: float | None = None, higher_rpm: float | None = None
) -> Change | None:
    """What `action` changes for the cooling; None where it means nothing (already so, or not known).

    Heat made by the engine's own friction goes with rpm; heat made by the road goes with speed (grade and rolling)
    and a share with its cube; 20 % air at 80 km/h after the worked figures of facts 4.6.
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
        return None if inputs.fan_on else Change(electric_on=True)
    if action in (Action.IDLE_NEUTRAL, Action.RAISE_IDLE, Action.KEEP_IDLING):
        idle = float(rig.engine.idle_rpm) * (2.0 if action is Action.RAISE_IDLE else 1.0)
        ratio = idle / max(rpm or idle, 300.0)
        loss = 0.85 if action is Action.IDLE_NEUTRAL else ratio
        return Change(heat_factor=loss, fan_factor=ratio)
    return None
