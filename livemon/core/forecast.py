"""What is coming: temperature ahead with its band, the chance and time of crossing, and what an action would buy.

`ahead` runs the physics under several assumptions about the demand; the table in `calibration` says how far to believe
each, learned on made-up drives of two plants and judged on others.  Chances are bound to rise with the horizon, so the
time band is read off them.  It does not know levels or words.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import exp, log
from statistics import NormalDist
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livemon.core import ahead, calibration, hypotheses
from livemon.core.ahead import HORIZONS, LAST_60, MORE_HEAT, WORSE_SHED
from livemon.core.climb_ahead import ClimbAhead
from livemon.core.demand import Flow, Pace
from livemon.core.estimator import State
from livemon.core.hypotheses import Bank
from livemon.core.outcome import FORESEE_S, HORIZONS_S, Z80, Band, Crossing

Array = NDArray[np.float64]

EVERY_MS: Final = 5_000
NEWS_MS: Final = 2_000
"""A coolant that chatters between two degrees must not cost a forecast a second."""
SETTLES_LEAST_C: Final = 2.5
SETTLES_SHARE: Final = 0.5
"""Least spread of where it settles, and spread a degree of way to go; chosen on seed 1 of `tests/bench/settles`."""
CALM_EVERY_MS: Final = 10_000
CALM_CHANCE: Final = 0.05
"""The forecast is made anew every fifth second, and within two when the coolant moves a degree."""
MOST_TOGETHER: Final = 64
"""So many forecasts are made side by side at most: more would not fit the processor's own memory."""
JOINED: Final = (0.5, 0.65, 1.0)
"""Start, weight of the plain chance and of the road's: made by `python -m tests.bench.route_joined`."""
LEAST_PLAIN: Final = 0.002
MOST_CHANCE: Final = 0.998
LEAST_ROAD: Final = 0.1
"""A road without danger is not believed further: a plain chance of 0.5 stays a caution (`caution_chance`)."""
LEAN: Final = 0.25
"""Share of the way by which temperatures along the road come down where the joint chance of the limit is less than the
road's alone: all of it would bear the joint chance out (docs/road.md)."""
_LEAN_WITHIN: Final = 0.02
_NORMAL: Final = NormalDist()
_SHOWN: Final = tuple(HORIZONS.index(h) for h in HORIZONS_S)
_QUANTILES: Final = (0.1, 0.5, 0.9)
_WIDEST: Final = float(np.log(27.0))
"""A band goes no farther than 27 K to either side: so far do 99 of 100 moments of the drives learned on, at 600 s.
Beyond, as after a long descent that cooled the engine well under its thermostat, hardly anything was learned."""


FALLS_C: Final = 3.0
FAR_C: Final = 25.0
"""Expected to be so much cooler in two minutes, or so far under a line, a chance is held to what the bands allow;
elsewhere the table of chances is the better judge.  Judgement, no source."""
_NORMAL_BY_LOGISTIC: Final = 1.702


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
    chance_by: tuple[float, ...] = ()
    """Chance to reach the limit within each of `ahead.HORIZONS`."""


class Asked(NamedTuple):
    """A moment that a forecast is asked for."""

    state: State
    limit_c: float
    stop_c: float


def due(last: Forecast | None, state: State) -> bool:
    """Whether a new forecast is worth its work at this tick: seldom where nothing is coming, soon on a new degree."""
    return last is None or _due(last.t_ms, last.reading_c, _calm(last), state)


def _calm(last: Forecast) -> bool:
    return dict(last.chance)[HORIZONS_S[-1]] < CALM_CHANCE


def _due(made_ms: int, reading_c: float | None, calm: bool, state: State) -> bool:
    if state.t_ms < made_ms:
        return True
    patience_ms = CALM_EVERY_MS if calm else EVERY_MS
    return state.t_ms - made_ms >= (NEWS_MS if reading_c != state.reading_c else patience_ms)


def standing(last: Forecast | None, asked: Sequence[Asked | None]) -> list[Forecast | None]:
    """The forecast that stands at each of many ticks, `last` before them; None = a tick at which nothing can be said.

    As `due` and `look_ahead` tick by tick, to the last bit, at a fraction of the work: those that will be due if it
    stays as calm as it is are made side by side, and made anew where it did not.
    """
    stood: list[Forecast | None] = []
    made: dict[int, Forecast | None] = {}
    together = 1
    for place, one in enumerate(asked):
        if one is None:
            last = None
        elif due(last, one.state):
            if place not in made:
                together = 1 if made else min(2 * together, MOST_TOGETHER)
                calm = last is not None and _calm(last)
                wanted = _wanted(asked, place, calm, together)
                made = dict(zip(wanted, look_ahead_each(list(wanted.values())), strict=True))
            last = made.pop(place)
        stood.append(last)
    return stood


def _wanted(asked: Sequence[Asked | None], first: int, calm: bool, count: int) -> dict[int, Asked]:
    """The next `count` moments due from place `first` on, by place, if it stays `calm` or does not."""
    wanted: dict[int, Asked] = {}
    last: Asked | None = None
    for place in range(first, len(asked)):
        one = asked[place]
        if one is not None and (last is None or _due(last.state.t_ms, last.state.reading_c, calm, one.state)):
            wanted[place] = one
            if len(wanted) == count:
                break
        last = one if one is None or place in wanted else last
    return wanted


def look_ahead(state: State, limit_c: float, stop_c: float) -> Forecast | None:
    """The forecast at this tick; None before the first coolant reading."""
    return look_ahead_each([Asked(state, limit_c, stop_c)])[0]


def look_ahead_each(asked: Sequence[Asked]) -> list[Forecast | None]:
    """The forecasts of many moments, worked out side by side; None before the first coolant reading."""
    told: list[Forecast | None] = [None] * len(asked)
    known = [k for k, one in enumerate(asked) if one.state.bank is not None]
    for table, blind in ((calibration.SEEING, False), (calibration.BLIND, True)):
        places = [k for k in known if (asked[k].state.source == "nothing") is blind]
        if places:
            for place, found in zip(places, _looked(table, [asked[k] for k in places]), strict=True):
                told[place] = found
    return told


def _looked(table: calibration.Table, asked: Sequence[Asked]) -> Iterator[Forecast]:
    bank, flow, pace = _side_by_side([one.state for one in asked])
    usual_c = np.array([one.state.usual_c for one in asked])
    view = ahead.outlook(bank, flow, pace, ahead.run(bank, flow, pace), usual_c)
    limit_c, stop_c = np.array([one.limit_c for one in asked]), np.array([one.stop_c for one in asked])
    bands = [ahead_band(view, h, table) for h in HORIZONS_S]
    of_limit = np.minimum(chances(view, limit_c, table), most_chance(view.now_c, bands, limit_c))
    of_stop = np.minimum(chances(view, stop_c, table), most_chance(view.now_c, bands, stop_c))
    of_stop = np.minimum(of_stop, of_limit)  # whoever crosses the stop has crossed the limit
    chance, chance_stop = ([[round(p, 4) for p in row] for row in rows.tolist()] for rows in (of_limit, of_stop))
    bands = [band.tolist() for band in bands]
    settles = _settles(view).tolist()
    reached = (view.now_c >= limit_c).tolist()
    for k, one in enumerate(asked):
        yield Forecast(
            t_ms=one.state.t_ms,
            reading_c=one.state.reading_c,
            ahead_c=tuple((h, Band(*band[k])) for h, band in zip(HORIZONS_S, bands, strict=True)),
            settles_c=Band(*settles[k]),
            crossing=_crossing(chance[k]),
            time_to_limit_s=time_band(chance[k], reached[k]),
            chance=_shown(chance[k]),
            chance_stop=_shown(chance_stop[k]),
            chance_by=tuple(chance[k]),
        )


def _crossing(chance: Sequence[float]) -> Crossing:
    return Crossing.KNOWN if chance[-1] >= 0.5 else Crossing.NONE_FORESEEN


def _shown(chance: Sequence[float]) -> tuple[tuple[int, float], ...]:
    return tuple((h, chance[place]) for h, place in zip(HORIZONS_S, _SHOWN, strict=True))


def _side_by_side(states: Sequence[State]) -> tuple[Bank, Flow, Pace]:
    """Moments of one drive as a leading axis: banks (..., moments, MEMBERS), flow and pace (moments, 1)."""
    bank = hypotheses.side_by_side([state.bank for state in states if state.bank is not None])
    flows = [state.flow for state in states if state.flow is not None]
    paces = [state.pace for state in states if state.pace is not None]
    column = (-1, len(states), 1)
    flow = Flow(*np.array(flows, dtype=float).T.reshape(column))
    rows = np.array([(*p.heat, *p.ram, *p.fan, *p[4:]) for p in paces], dtype=float).T.reshape(column)
    heat, ram, fan = (tuple(rows[k : k + 4]) for k in (0, 4, 8))
    return bank, flow, Pace(paces[0].seconds, heat, ram, fan, *rows[12:])


def along(plain: Forecast, climb: ClimbAhead) -> tuple[Forecast, ClimbAhead]:
    """The forecast with the road in it, and the climb with the plain forecast in it.

    Chances of the limit are joined, bands ahead are those along the road, as far down as the joint chance asks.  A road
    takes nothing away from the chance of `stop`, and that of the limit is never less.  Whether and when the limit is
    crossed are read off what was joined; past the limit the plain forecast stands.
    """
    road, road_stop = dict(climb.chance), dict(climb.chance_stop)
    stops = {h: max(p, joined(p, road_stop[h])) for h, p in plain.chance_stop}
    later = replace(plain, ahead_c=climb.ahead_c, chance_stop=tuple(stops.items()))
    if plain.chance_by[0] >= 1.0:
        return later, climb
    by: list[float] = []
    for horizon, chance in zip(HORIZONS, plain.chance_by, strict=True):
        least = max(by[-1] if by else 0.0, stops.get(horizon, 0.0))
        by.append(max(joined(chance, road[horizon]), least))
    climb = _agreed(plain, climb, road, dict(zip(HORIZONS, by, strict=True)))
    together = replace(
        later,
        ahead_c=climb.ahead_c,
        crossing=_crossing(by),
        time_to_limit_s=time_band(by, False),
        chance=_shown(by),
        chance_by=tuple(by),
    )
    return together, climb


def _agreed(plain: Forecast, climb: ClimbAhead, road: dict[int, float], by: dict[int, float]) -> ClimbAhead:
    """The climb with its bands and its chance as far as the joint chances `by` bear out those of the `road`."""
    past_peak = next((k for k, h in enumerate(HORIZONS) if h >= climb.peak_in_s), len(HORIZONS) - 1)
    chance = max(joined(plain.chance_by[past_peak], climb.chance_climb), by[HORIZONS[0]])
    return replace(
        climb,
        ahead_c=tuple((h, leaned(band, road[h], by[h])) for h, band in climb.ahead_c),
        peak_c=leaned(climb.peak_c, climb.chance_climb, chance),
        chance_climb=chance,
    )


def leaned(band: Band, road: float, joint: float) -> Band:
    """A band along the road that gives the limit the chance `road`, moved down by `LEAN` of what it takes to `joint`.

    Measured in standard deviations of the side of the band that the limit lies on.  A joint chance that is no less
    moves nothing: a path may cross before and be cooler again.  Example: 108..112..117, 0.5 and 0.15 -> down by 1.0 K.
    """
    if joint >= road or band.low is None or band.likely is None or band.high is None:
        return band
    over, less = (-_NORMAL.inv_cdf(min(max(p, _LEAN_WITHIN), 1.0 - _LEAN_WITHIN)) for p in (road, joint))
    sd = (band.high - band.likely if over + less > 0.0 else band.likely - band.low) / Z80
    by = LEAN * (less - over) * sd
    return Band(band.low - by, band.likely - by, band.high - by)


def joined(plain: float, road: float) -> float:
    """One chance of two that err apart, by a logarithmic opinion pool: logit = a + b logit(plain) + c logit(road).

    Genest and Zidek 1986; both are held off 0 and 1 first.  Example: 0.2 and 0.1 -> 0.07; 0.9 and 0.1 -> 0.43.
    """
    start, of_plain, of_road = JOINED
    logit = start + of_plain * _logit(max(plain, LEAST_PLAIN)) + of_road * _logit(max(road, LEAST_ROAD))
    return round(1.0 / (1.0 + exp(-logit)), 4)


def _logit(chance: float) -> float:
    held = min(chance, MOST_CHANCE)
    return log(held / (1.0 - held))


def chances(view: ahead.Outlook, limit_c: Array, table: calibration.Table) -> Array:
    """Chance to reach `limit_c` within each of `ahead.HORIZONS` (last axis), never falling with the horizon."""
    logit = table.chance(ahead.toward(view, limit_c))
    chance: Array = np.maximum.accumulate(1.0 / (1.0 + np.exp(-logit)), axis=-1)
    return np.where((view.now_c >= limit_c)[..., None], 1.0, chance)


def most_chance(now_c: Array, bands: Sequence[Array], line_c: Array) -> Array:
    """The greatest chance of `line_c` within each of `ahead.HORIZONS` (last axis) that bands ahead leave room for.

    Past a summit the table of chances, learned on the way to the line, goes on for a minute or two in its rise; after a
    long descent it is asked where nothing was learned.  There the chance to have crossed is held to twice that of
    being over the line at the worst of the bands so far (reflection principle, Feller 1971; the tail is that of
    a logistic of the normal's width); 1 elsewhere, and at the line or over it.

    now_c, line_c: (moments,) [C]; bands: one (moments, 3) for each of HORIZONS_S, as `ahead_band`.
    Example: 107 C, expected at 96, 99 and 102 (up to 101, 104, 119) C, line 108 C -> 0.01, 0.01, 0.04, 0.04, 0.63 ...
    """
    over = []
    for band in bands:
        spread = (band[..., 2] - band[..., 1]) / Z80
        over.append(2.0 / (1.0 + np.exp(_NORMAL_BY_LOGISTIC * (line_c - band[..., 1]) / spread)))
    worst = np.maximum.accumulate(np.stack(over, axis=-1), axis=-1)
    places = [min(sum(h > shown for shown in HORIZONS_S), len(HORIZONS_S) - 1) for h in HORIZONS]
    held = (bands[0][..., 1] <= now_c - FALLS_C) | (now_c <= line_c - FAR_C)
    return np.where((held & (now_c < line_c))[..., None], np.minimum(worst[..., places], 1.0), 1.0)


def ahead_band(view: ahead.Outlook, horizon_s: int, table: calibration.Table) -> Array:
    """80 % band (low, likely, high on the last axis) of the temperature `horizon_s` ahead.

    The runs weighted, and the width from how far they part.
    """
    answer = table.band[horizon_s](ahead.onward(view, horizon_s))
    likely = view.now_c + answer[..., 0]
    down, up = (np.exp(np.minimum(np.maximum(answer[..., k], -3.0), _WIDEST)) for k in (1, 2))
    return np.stack([likely - down, likely, likely + up], axis=-1)


def time_band(chance: Sequence[float], reached: bool) -> Band | None:
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


def _settles(view: ahead.Outlook) -> Array:
    """Where it heads if the demand holds as in the last minute (last axis as in `ahead_band`).

    The band spans less shedding and more heat, and is the wider the further it has to go.
    """
    values = view.settles_c
    middle = values[LAST_60]
    other = np.maximum(np.abs(values[WORSE_SHED] - middle), np.abs(values[MORE_HEAT] - middle))
    far = SETTLES_SHARE * (middle - view.now_c)
    spread = np.sqrt(SETTLES_LEAST_C**2 + other * other + far * far)
    return np.stack([middle - Z80 * spread, middle, middle + Z80 * spread], axis=-1)
