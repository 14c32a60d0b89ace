"""How fast the coolant rises: a small filter over temperature and rate that knows whole-degree readings.

A reading of 97 says only that the sensor lies in a one-degree interval, so repeated readings bound the rate and the
moment of a step says most.  Each reading is taken as interval information by matching the moments of the truncated
normal, which a filter for point readings gets wrong.  Knows no physics: `estimator` does, this is what was seen.
"""

from __future__ import annotations

from math import erf, exp, pi, sqrt
from typing import Final, NamedTuple

from livemon.core.outcome import Z80, Band

STEP_C: Final = 1.0
"""PID 05 has steps of 1 C (SAE J1979); whether it rounds or cuts off only moves the temperature, not the rate."""
NOISE_C: Final = 0.15
"""Jitter of sensor and converter around a step [C], from memory; real trips chatter between two degrees at times."""
ACCEL_C_S2: Final = 0.0022
"""White acceleration [C/s per sqrt(s)]: the rate wanders by 1 K/min within a minute, as the real trips do."""
START_RATE_C_S: Final = 0.05
WIDEST_RATE_C_S: Final = 0.5
_LEAST: Final = 1e-6


class Rise(NamedTuple):
    """Temperature [C] and rate [C/s] with their covariance, at `t_ms`."""

    t_ms: int
    level_c: float
    rate_c_s: float
    p_ll: float
    p_lr: float
    p_rr: float

    def rate_band(self) -> Band:
        """80 % band of the rate [C/min]."""
        middle, half = 60.0 * self.rate_c_s, 60.0 * Z80 * sqrt(max(self.p_rr, 0.0))
        return Band(middle - half, middle, middle + half)


def start(t_ms: int, reading_c: float) -> Rise:
    """The first reading: the level within its step, the rate wide open."""
    return Rise(t_ms, reading_c, 0.0, STEP_C**2 / 12.0 + NOISE_C**2, 0.0, START_RATE_C_S**2)


def ahead(state: Rise, t_ms: int) -> Rise:
    """The state at a later time, nothing heard since; an earlier time changes nothing."""
    dt = (t_ms - state.t_ms) / 1000.0
    if dt <= 0.0:
        return state
    q = ACCEL_C_S2**2
    return Rise(
        t_ms,
        state.level_c + dt * state.rate_c_s,
        state.rate_c_s,
        state.p_ll + 2.0 * dt * state.p_lr + dt * dt * state.p_rr + q * dt**3 / 3.0,
        state.p_lr + dt * state.p_rr + 0.5 * q * dt * dt,
        min(state.p_rr + q * dt, WIDEST_RATE_C_S**2),
    )


def heard(state: Rise, t_ms: int, reading_c: float) -> Rise:
    """One reading on: the level lies within half a step of it, give or take the noise.

    With z-scores a, b of the interval's ends, the truncated normal has mean m + s (phi(a) - phi(b)) / Z and variance
    s^2 (1 + (a phi(a) - b phi(b)) / Z - ((phi(a) - phi(b)) / Z)^2); the rate follows through the covariance.
    Source: moments of the truncated normal, any statistics text.  A reading more than five deviations away is a new
    beginning.
    """
    moved = ahead(state, t_ms)
    spread = sqrt(moved.p_ll + NOISE_C**2)
    low = (reading_c - 0.5 * STEP_C - moved.level_c) / spread
    high = (reading_c + 0.5 * STEP_C - moved.level_c) / spread
    if low > 5.0 or high < -5.0:
        return start(t_ms, reading_c)
    inside = max(0.5 * (erf(high / sqrt(2.0)) - erf(low / sqrt(2.0))), _LEAST)
    at_low, at_high = _density(low), _density(high)
    shift = (at_low - at_high) / inside
    shrink = min(max(shift * shift - (low * at_low - high * at_high) / inside, 0.0), 1.0 - _LEAST)
    gain_l, gain_r = moved.p_ll / spread, moved.p_lr / spread
    return Rise(
        t_ms,
        moved.level_c + gain_l * shift,
        moved.rate_c_s + gain_r * shift,
        moved.p_ll - shrink * gain_l * gain_l,
        moved.p_lr - shrink * gain_l * gain_r,
        moved.p_rr - shrink * gain_r * gain_r,
    )


def _density(z: float) -> float:
    return exp(-0.5 * z * z) / sqrt(2.0 * pi)
