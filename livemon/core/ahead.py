"""Runs the hypotheses ahead under several assumptions about the demand, and turns the runs into features.

The demand ahead is unknown, so the same physics runs on as in the last 20 s, 60 s, 3 min and 10 min, and twice more
with the cooling a standard deviation worse and the heat one more.  How far to believe each is learned in `calibration`.
Elementwise over leading axes, like `hypotheses`.  It does not know a route and chooses no bands.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livemon.core import hypotheses
from livemon.core.demand import HEAT_LAG_S, Flow, Pace
from livemon.core.hypotheses import DRIFT, DRIFT_TAU_S, FAN, GAIN, OPEN, SHED, TEMP, Bank

Array = NDArray[np.float64]

HORIZONS: Final = (60, 120, 180, 300, 450, 600, 900)
_STEPS: Final = (20, 20, 20, 30, 30, 30, 30, 40, 40, 40, 50, 50, 50, 75, 75, 100, 100, 100)
_LAGGED: Final = np.exp(-np.cumsum(_STEPS) / HEAT_LAG_S)
"""Share of the present level of heat and air that is left at the end of each step."""
_DRIFTED: Final = np.exp((np.array(_STEPS) - np.cumsum(_STEPS)) / DRIFT_TAU_S)
LAST_20, LAST_60, LAST_180, LAST_600, WORSE_SHED, MORE_HEAT = range(6)
RUNS: Final = 6
_SCALE: Final = (0, 1, 2, 3, 1, 1)  # which running mean each run goes on with


class Runs(NamedTuple):
    """Temperatures (HORIZONS, RUNS, ..., MEMBERS): at the horizon, and the highest up to it."""

    at: Array
    highest: Array
    to_go: Array
    """Rate over slope at the last horizon [K]: how far it still has to go, (RUNS, ..., MEMBERS)."""


def run(bank: Bank, flow: Flow, pace: Pace) -> Runs:
    """The hypotheses 900 s ahead under each assumption.

    Steps of 20 to 100 s, each exact for the balance linearised at its start: T += f (1 - exp(-G s)) / G with G the
    slope including the thermostat's ramp.  Heat and air go over to their assumed level with the lag of the metal.
    """
    mean, cov = bank.mean, bank.cov
    lead = mean.shape[1:]
    start = np.empty((6, RUNS, *lead))
    start[:] = mean[:, None]
    start[:, WORSE_SHED] -= cov[SHED] / np.sqrt(cov[SHED, SHED])
    start[:, MORE_HEAT] += cov[GAIN] / np.sqrt(cov[GAIN, GAIN])
    temp, opens = start[TEMP], start[OPEN]
    per_span = 1.0 / bank.prior.span_c
    level_heat, level_ram, fan = (_levels(m, lead) for m in (pace.heat, pace.ram, pace.fan))
    # What does not depend on the temperature is laid out for all steps at once.
    late = _LAGGED.reshape((-1,) + (1,) * level_heat.ndim)
    warming = np.exp(start[GAIN]) * (level_heat + (flow.heat_kw - level_heat) * late)
    warming += start[DRIFT] * _DRIFTED.reshape((-1,) + (1,) * temp.ndim)
    ram = level_ram + (np.sqrt(flow.ram2) - level_ram) * late
    ram2 = ram * ram + hypotheses.DRAUGHT2
    base = np.exp(start[FAN]) * (hypotheses.ELECTRIC + (1.0 - hypotheses.ELECTRIC) * fan)
    swing = base * (0.5 * (1.0 - hypotheses.IDLE_FLOW))
    middle = base * hypotheses.IDLE_FLOW + swing
    shed_now = np.exp(start[SHED]) * flow.density
    half = 0.5 * hypotheses.AIR_EXPONENT
    steeper, engages = 0.5 / hypotheses.ENGAGE_SPAN_C, 0.5 * hypotheses.ENGAGE_C / hypotheses.ENGAGE_SPAN_C
    at = np.empty((len(HORIZONS), RUNS, *lead))
    highest = np.empty_like(at)
    peak = temp
    clock, mark = 0, 0
    rate = slope = temp
    for place, step in enumerate(_STEPS):
        on = np.tanh(temp * steeper - engages)
        on *= swing
        on += middle
        on *= on
        on += ram2[place]
        shed = shed_now * on**half
        over = (temp - opens) * per_span
        opening = np.minimum(np.maximum(over, 0.0), 1.0)
        above = temp - flow.air_c
        conductance = opening * shed
        conductance += hypotheses.LOSS_PER_S
        rate = warming[place] - conductance * above
        shed *= above
        shed *= per_span
        shed *= opening == over
        slope = conductance + shed
        slope = np.maximum(slope, 1e-5)
        temp = temp - rate * np.expm1(slope * -step) / slope
        peak = np.maximum(peak, temp)
        clock += step
        if clock == HORIZONS[mark]:
            at[mark], highest[mark] = temp, peak
            mark += 1
    return Runs(at, highest, rate / slope)


def _levels(means: tuple[object, ...], lead: tuple[int, ...]) -> Array:
    """(RUNS, ..., 1) level of each run from the running means."""
    levels = np.array([means[i] for i in _SCALE], dtype=float)
    return levels if levels.ndim == len(lead) + 1 else levels.reshape((RUNS,) + (1,) * len(lead))


class Outlook(NamedTuple):
    """The runs boiled down, before any limit: everything weighted over the members, shape (..., leading)."""

    now_c: Array
    at_c: Array
    """(HORIZONS, RUNS, ...)"""
    share: Array
    highest_c: Array
    """Member by member, (HORIZONS, RUNS, ..., MEMBERS)."""
    plain: Array
    """Features without a limit, last axis PLAIN."""
    settles_c: Array
    """(RUNS, ...)"""
    full_c: Array
    """Where the thermostat is fully open."""
    usual_c: Array
    """Mean of the estimate over ten minutes (`estimator.usual`)."""
    air_c: Array
    """Air that the radiator breathes."""


PLAIN: Final = 23
USUAL_OVER_AIR_C: Final = 70.0  # middles of the scales only: a limit of 105 C on a warm day,
WARM_OVER_AIR_C: Final = 60.0  # an engine held by its thermostat on a mild one
RISE_C: Final = 40.0
"""A run that rises or falls by more is taken for this much."""
_APART: Final = ((LAST_600, LAST_60), (LAST_20, LAST_180), (WORSE_SHED, LAST_60))
"""Runs whose difference tells the width of a band."""
_LOOKED_AT: Final = np.ix_((0, 1, 3, 5), (LAST_20, LAST_60, LAST_180, LAST_600))
"""Horizons and runs that the chance looks at."""


def outlook(bank: Bank, flow: Flow, pace: Pace, runs: Runs, usual_c: object) -> Outlook:
    """Weighted means of the runs, and what else tells how the demand may go on and what has been usual.

    Where it stands against the thermostat and the ten-minute mean tells a warm-up, regulation and a real rise apart.
    """
    share = hypotheses.shares(bank)
    part = hypotheses.terms(bank, flow)
    now = (share * bank.mean[TEMP]).sum(axis=-1)
    rate = part.warm - part.opening * part.cold - part.loss + bank.mean[DRIFT]
    at = (share * runs.at).sum(axis=-1)
    peak = (share * runs.highest).sum(axis=-1)
    unlike = np.sqrt((share * (runs.highest[3, LAST_60] - peak[3, LAST_60][..., None]) ** 2).sum(axis=-1))
    warm = [np.log(_flat(m, now) + 2.0) for m in pace.heat]
    ram = [_flat(m, now) for m in pace.ram]
    mean = np.maximum(_flat(pace.heat[2], now), 2.0)
    settles = (share * (runs.at[-1] + runs.to_go)).sum(axis=-1)
    opens = (share * bank.mean[OPEN]).sum(axis=-1)
    full = opens + bank.prior.span_c
    usual, air = _flat(usual_c, now), _flat(flow.air_c, now)
    plain = np.stack(
        [
            np.tanh((share * rate).sum(axis=-1) * 20.0),
            np.tanh((share * bank.mean[DRIFT]).sum(axis=-1) * 40.0),
            (share * part.opening).sum(axis=-1),
            np.tanh(np.sqrt((share * bank.cov[TEMP, TEMP]).sum(axis=-1))),
            np.tanh(unlike / 5.0),
            np.tanh((peak[3, WORSE_SHED] - peak[3, LAST_60]) / 4.0),
            np.tanh((peak[3, MORE_HEAT] - peak[3, LAST_60]) / 4.0),
            np.tanh(warm[0] - warm[1]),
            np.tanh(warm[1] - warm[2]),
            np.tanh(warm[2] - warm[3]),
            np.minimum(np.sqrt(_flat(pace.unrest_heat, now)) / mean, 1.5),
            np.minimum(np.sqrt(_flat(pace.unrest_ram, now)), 1.0),
            np.minimum(ram[1], 1.5),
            np.minimum(ram[3], 1.5),
            np.tanh((at[3, LAST_600] - at[3, LAST_60]) / 8.0),
            np.tanh((at[3, LAST_20] - at[3, LAST_180]) / 8.0),
            np.tanh((now - full) / 4.0),
            np.tanh((now - full) / 15.0),
            np.tanh((usual - opens) / 6.0),
            np.tanh((now - usual) / 6.0),
            np.tanh((settles[LAST_60] - now) / 10.0),
            np.tanh((settles[LAST_600] - now) / 10.0),
            np.tanh((now - air - WARM_OVER_AIR_C) / 20.0),
        ],
        axis=-1,
    )
    return Outlook(now, at, share, runs.highest, plain, settles, full, usual, air)


def toward(view: Outlook, limit_c: Array) -> Array:
    """Features of the chance to cross `limit_c`, last axis.

    How far each run passes it, squashed; how far it lies over a fully open thermostat, over what has been usual and
    over the air (the further over the air, the more heat must be made to get there); whether a demand held for ever
    would reach it; and `plain`.
    """
    line = np.asarray(limit_c)
    gap = view.now_c - line
    over = view.highest_c[_LOOKED_AT] - line[..., None]
    parts = [np.tanh(gap / 3.0)[None], np.tanh(gap / 12.0)[None]]
    for wide in (3.0, 12.0):
        squashed = (view.share * np.tanh(over * (1.0 / wide))).sum(axis=-1)
        parts.append(squashed.reshape(-1, *squashed.shape[2:]))
    parts.append(
        np.stack(
            [
                np.tanh((line - view.full_c) / 4.0),
                np.tanh((line - view.usual_c) / 8.0),
                np.tanh((line - view.air_c - USUAL_OVER_AIR_C) / 20.0),
                np.tanh((view.settles_c[LAST_60] - line) / 10.0),
                np.tanh((view.settles_c[LAST_600] - line) / 10.0),
            ]
        )
    )
    return np.concatenate([np.moveaxis(np.concatenate(parts), 0, -1), view.plain], axis=-1)


def onward(view: Outlook, horizon_s: int) -> Array:
    """Features of the temperature `horizon_s` ahead, last axis: rise of each run, how far they part, and `plain`."""
    off = view.at_c[HORIZONS.index(horizon_s)] - view.now_c
    rise = np.moveaxis(np.minimum(np.maximum(off, -RISE_C), RISE_C), 0, -1)
    parts = np.abs(np.stack([rise[..., i] - rise[..., j] for i, j in _APART] + [rise[..., LAST_60]], axis=-1))
    return np.concatenate([rise, np.log(0.3 + parts), view.plain], axis=-1)


def _flat(mean: object, like: Array) -> Array:
    value: Array = np.asarray(mean, dtype=float)
    return value if value.ndim == like.ndim else value.reshape(like.shape)
