"""What is coming: temperature ahead with its band, the chance and time of crossing, and what an action would buy.

`ahead` runs the physics under several assumptions about the demand; the table in `calibration` says how far to believe
each, learned on made-up drives of two plants and judged on others.  Chances are bound to rise with the horizon, so the
time band is read off them.  It does not know levels or words.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core import ahead, calibration
from livemon.core.ahead import HORIZONS, LAST_60
from livemon.core.climb_ahead import ClimbAhead
from livemon.core.estimator import State
from livemon.core.outcome import FORESEE_S, HORIZONS_S, Band, Crossing
from livemon.core.road import RoadView
from livemon.core.signals import Inputs

Array = NDArray[np.float64]

EVERY_MS: Final = 5_000
NEWS_MS: Final = 2_000
"""A coolant that chatters between two degrees must not cost a forecast a second."""
CALM_EVERY_MS: Final = 10_000
CALM_CHANCE: Final = 0.05
"""The forecast is made anew every fifth second, and within two when the coolant moves a degree."""
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
    """Whether a new forecast is worth its work at this tick: seldom where nothing is coming, soon on a new degree."""
    if last is None or state.t_ms < last.t_ms:
        return True
    calm = dict(last.chance)[HORIZONS_S[-1]] < CALM_CHANCE
    patience_ms = CALM_EVERY_MS if calm else EVERY_MS
    return state.t_ms - last.t_ms >= (NEWS_MS if last.reading_c != state.reading_c else patience_ms)


def look_ahead(
    state: State, inputs: Inputs, road: RoadView | None, limit_c: float, stop_c: float, settings: object = None
) -> Forecast | None:
    """The forecast at this tick; None before the first coolant reading."""
    if state.bank is None or state.flow is None or state.pace is None:
        return None
    runs = ahead.run(state.bank, state.flow, state.pace)
    view = ahead.outlook(state.bank, state.flow, state.pace, runs, state.usual_c)
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


def along(plain: Forecast, climb: ClimbAhead) -> Forecast:
    """The forecast with the road in it: of both chances the greater, so that a route never makes a caution later.

    Bands ahead stay the calibrated ones: those along the road are too narrow for a vehicle not learned (docs/road.md).
    """
    usual, stop = dict(plain.chance), dict(plain.chance_stop)
    road, road_stop = dict(climb.chance), dict(climb.chance_stop)
    return replace(
        plain,
        chance=tuple((h, max(usual[h], road[h])) for h in HORIZONS_S),
        chance_stop=tuple((h, max(stop[h], road_stop[h])) for h in HORIZONS_S),
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
