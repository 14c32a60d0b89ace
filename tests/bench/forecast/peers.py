"""The peers: what one gets from the coolant readings alone with general methods, and the oracle as the bound.

Each peer gives point forecasts; chances and bands come from one stated spread a peer and horizon, chosen once on the
tuning seed (`--calibrate`) so that every peer is shown at its best.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from tests.bench.forecast.drives import GRID_S, Drive
from tests.bench.forecast.spreads import SPREADS
from tests.bench.forecast.track import HORIZONS, Track, from_normal

Array = NDArray[np.float64]
Peer = Callable[[Drive], Track]


def _finish(
    name: str, drive: Drive, level: Array, rate: Array, cost_us: float, damped: Callable[[float], float]
) -> Track:
    """A track from level [C] and rate [K/s]; `damped(h)` is the seconds of rate that count over a horizon."""
    ahead = {h: level + rate * damped(h) for h in HORIZONS}
    peak = np.maximum(level, ahead[300])
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.where(rate > 1e-6, (drive.limit_c - level) / rate, np.inf)
    left = np.where(level >= drive.limit_c, 0.0, np.where(np.isfinite(level), left, np.nan))
    return _spread(name, drive, level, peak, left, ahead, cost_us)


def _spread(
    name: str, drive: Drive, level: Array, peak: Array, left: Array, ahead: dict[int, Array], cost_us: float
) -> Track:
    spread = SPREADS[name]
    track = from_normal(
        drive.limit_c,
        level,
        peak,
        left,
        ahead,
        spread.chance_c,
        dict(zip(HORIZONS, spread.ahead_c, strict=True)),
        cost_us,
    )
    track.urgency = np.where(np.isnan(left), -np.inf, -left) if spread.by_time else peak - drive.limit_c
    track.urgency = np.where(level >= drive.limit_c, np.inf, track.urgency)
    return track


def fixed(drive: Drive) -> Track:
    """Fixed threshold: caution at so many degrees under the limit, whatever the trend."""
    begin = time.perf_counter()
    level = drive.readings["coolant_c"]
    cost = (time.perf_counter() - begin) / level.size * 1e6
    return _finish("fixed threshold", drive, level, np.zeros_like(level), cost, lambda h: h)


def line(window_s: int) -> Peer:
    """Least-squares straight line through the last `window_s` seconds."""

    def peer(drive: Drive) -> Track:
        begin = time.perf_counter()
        level, rate = least_squares(drive.readings["coolant_c"], window_s)
        cost = (time.perf_counter() - begin) / level.size * 1e6
        return _finish(f"line {window_s} s", drive, level, rate, cost, lambda h: h)

    return peer


def least_squares(coolant: Array, window_s: int) -> tuple[Array, Array]:
    """(value at the end of the line, slope [K/s]) at each second; NaN until the window is full."""
    x = np.arange(window_s) - (window_s - 1) / 2.0
    windows = sliding_window_view(coolant, window_s)
    slope = (windows * x).sum(axis=1) / (x * x).sum()
    end = windows.mean(axis=1) + slope * (window_s - 1) / 2.0
    pad = np.full(window_s - 1, np.nan)
    return np.concatenate([pad, end]), np.concatenate([pad, slope])


def holt(drive: Drive) -> Track:
    """Holt's linear trend, damped, of statsmodels; its recursion is causal, so one pass serves every second."""
    from statsmodels.tsa.holtwinters import Holt

    coolant = drive.readings["coolant_c"]
    begin = time.perf_counter()
    fit = Holt(
        coolant, damped_trend=True, initialization_method="known", initial_level=coolant[0], initial_trend=0.0
    ).fit(smoothing_level=0.08, smoothing_trend=0.04, damping_trend=HOLT_DAMPING, optimized=False)
    cost = (time.perf_counter() - begin) / coolant.size * 1e6
    rate = np.asarray(fit.trend) * HOLT_DAMPING

    def damped(h: float) -> float:
        return float((1.0 - HOLT_DAMPING**h) / (1.0 - HOLT_DAMPING))

    return _finish("Holt", drive, np.asarray(fit.level), rate, cost, damped)


HOLT_DAMPING = 0.997


def kalman(drive: Drive) -> Track:
    """Constant-velocity Kalman filter of filterpy; measurement variance that of a whole-degree step, 1/12 and lag."""
    from filterpy.common import Q_discrete_white_noise
    from filterpy.kalman import KalmanFilter

    coolant = drive.readings["coolant_c"]
    begin = time.perf_counter()
    kf = KalmanFilter(dim_x=2, dim_z=1)
    kf.x = np.array([coolant[0], 0.0])
    kf.F = np.array([[1.0, 1.0], [0.0, 1.0]])
    kf.H = np.array([[1.0, 0.0]])
    kf.P = np.diag([1.0, 0.01])
    kf.R *= 0.3
    kf.Q = Q_discrete_white_noise(dim=2, dt=1.0, var=KALMAN_ACCEL)
    level, rate = np.empty(coolant.size), np.empty(coolant.size)
    for i, reading in enumerate(coolant):
        kf.predict()
        kf.update(reading)
        level[i], rate[i] = float(kf.x[0]), float(kf.x[1])
    cost = (time.perf_counter() - begin) / coolant.size * 1e6
    return _finish("Kalman", drive, level, rate, cost, lambda h: h)


KALMAN_ACCEL = 2e-7
"""Variance of acceleration [K2/s4], best on the tuning seed."""


def exponential(drive: Drive) -> Track:
    """Exponential rise fitted to the last 240 s: for each time constant of a grid a linear fit, the best one kept."""
    coolant = drive.readings["coolant_c"]
    begin = time.perf_counter()
    window, every = 240, 5
    at = np.arange(window - 1, coolant.size, every)
    y = sliding_window_view(coolant, window)[at - window + 1]
    t = np.arange(window, dtype=float)
    best, settle, gap, tau = np.full(at.size, np.inf), coolant[at].copy(), np.zeros(at.size), np.full(at.size, 300.0)
    for tau_s in (60.0, 120.0, 240.0, 480.0, 960.0):
        x = np.exp(-(t - (window - 1)) / tau_s)
        xc = x - x.mean()
        b = ((y - y.mean(axis=1, keepdims=True)) * xc).sum(axis=1) / (xc * xc).sum()
        a = y.mean(axis=1) - b * x.mean()
        error = ((y - a[:, None] - b[:, None] * x) ** 2).sum(axis=1)
        better = error < best
        best = np.where(better, error, best)
        settle, gap, tau = np.where(better, a, settle), np.where(better, b, gap), np.where(better, tau_s, tau)
    now = settle + gap
    gap = np.clip(gap, -40.0, 40.0)
    settle = now - gap
    with np.errstate(divide="ignore", invalid="ignore"):
        left = tau * np.log(gap / (drive.limit_c - settle))
    left = np.where(now >= drive.limit_c, 0.0, np.where((settle > drive.limit_c) & (left > 0), left, np.inf))
    cost = (time.perf_counter() - begin) / coolant.size * 1e6

    def spread_out(values: Array) -> Array:
        held = np.repeat(values, every)[: coolant.size - window + 1]
        return np.concatenate([np.full(window - 1, np.nan), held])

    ahead = {h: spread_out(settle + gap * np.exp(-h / tau)) for h in HORIZONS}
    level = spread_out(now)
    return _spread("exponential", drive, level, np.maximum(level, ahead[300]), spread_out(left), ahead, cost)


def oracle(drive: Drive) -> Track:
    """The bound: true plant, true state, demand of the last minute frozen."""
    n = drive.truth_c.size
    o = drive.oracle

    def hold(values: Array) -> Array:
        held = np.repeat(values, GRID_S)
        return np.concatenate([np.full(GRID_S - 1, np.nan), held, np.full(GRID_S, held[-1])])[:n]

    level = drive.truth_c
    peak = np.maximum(hold(o.peak_300_c), level)
    return _spread(
        "frozen oracle", drive, level, peak, hold(o.time_s), {h: hold(a) for h, a in o.ahead_c.items()}, float("nan")
    )


PEERS: dict[str, Peer] = {
    "fixed threshold": fixed,
    "line 30 s": line(30),
    "line 60 s": line(60),
    "line 120 s": line(120),
    "Holt": holt,
    "Kalman": kalman,
    "exponential": exponential,
    "frozen oracle": oracle,
}


def progpy(drive: Drive) -> Track:
    """ProgPy, loaded only when it is asked for: it takes seconds to import."""
    from tests.bench.forecast.peer_progpy import progpy as run

    return run(drive)


SLOW_PEERS: dict[str, Peer] = {"ProgPy": progpy}
"""Asked for by name only."""
