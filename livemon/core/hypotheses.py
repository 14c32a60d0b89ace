"""A small bank of hypotheses about one cooling system: each an extended Kalman filter over temperature and unknowns.

The members differ in what cannot be a number (which fan, and when it starts); inside a member the six unknowns are
Gaussian and follow `rate`.  A whole-degree reading is interval information: the Gaussian is cut to the interval and
matched again.  All functions are elementwise over leading axes, so one drive and a thousand run the same code.  It
does not know where heat and air come from (`demand`), nor the future (`forecast`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livemon.core.air import Number
from livemon.core.demand import Flow

Array = NDArray[np.float64]

FANS: Final = np.array(
    [  # electric?, share of flow when idle, engages at [C], over [C]
        (0.0, 1.00, 90.0, 4.0),  # engine-driven, always in mesh
        (0.0, 0.40, 92.0, 4.0),  # clutch, early
        (0.0, 0.35, 101.0, 3.0),  # clutch, late
        (1.0, 0.03, 97.0, 1.0),  # electric, usual
        (1.0, 0.03, 101.0, 1.0),  # electric, late
        (1.0, 0.03, 106.0, 1.5),  # as good as none below a usual limit
    ]
).T
MEMBERS: Final = FANS.shape[1]
ELECTRIC, IDLE_FLOW, ENGAGE_C, ENGAGE_SPAN_C = FANS

TEMP, DRIFT, GAIN, SHED, FAN, OPEN = range(6)
"""Rows of the unknowns: coolant [C], unexplained rate [K/s], ln gain [K/s per kW], ln shed [1/s at 72 km/h], ln of fan
flow over ram flow, thermostat opening temperature [C]."""
AIR_EXPONENT: Final = 0.65
"""Heat shed ~ air speed ^ 0.65 to 0.85 by effectiveness-NTU at NTU 0.7 to 1.5; the coolant side lowers it."""
LOSS_PER_S: Final = 0.0002  # block to air: 0.025 kW/K over 117 kJ/K
DRAUGHT2: Final = 0.01  # square of the air that a still vehicle with still fans breathes, relative to 72 km/h

DRIFT_SD: Final = 0.006  # [K/s] stationary; 0.36 K/min
DRIFT_TAU_S: Final = 200.0
WALK: Final = np.array([0.1, 0.0, 0.001, 0.003, 0.0012, 0.01])  # per sqrt(s)
READING_SD_C: Final = 0.7  # sensor scatter, unknown rounding and what one node cannot follow; correlated, so wide
READ_AT_C: Final = 0.25  # a reading r stands for r + 0.25 +- 0.5, between rounding and cutting off
FORGET: Final = 0.995  # of the log weights at each reading
LIGHTEST: Final = -12.0
_LOW: Final = np.array([-0.04, -1.4, -1.6, -1.4, -13.0])
_HIGH: Final = np.array([0.04, 1.4, 1.6, 1.4, 17.0])
_ROOT_2_PI: Final = float(np.sqrt(2.0 / np.pi))
_DENSITY: Final = float(1.0 / np.sqrt(2.0 * np.pi))


class Prior(NamedTuple):
    """Mean and standard deviation of the six unknowns before the drive, the thermostat's span [K], and how the six hang
    together, as correlations (6, 6)."""

    mean: Array
    spread: Array
    span_c: float
    correlation: Array


class Bank(NamedTuple):
    """Means (6, ..., MEMBERS), covariances (6, 6, ..., MEMBERS), log weights (..., MEMBERS), and what bounds them."""

    mean: Array
    cov: Array
    log_weight: Array
    prior: Prior


def start(prior: Prior, coolant_c: Array) -> Bank:
    """The bank at the first reading; `coolant_c` has the leading shape, () for one drive."""
    lead = np.shape(coolant_c)
    mean = np.empty((6, *lead, MEMBERS))
    cov = np.zeros((6, 6, *lead, MEMBERS))
    for i in range(6):
        mean[i] = prior.mean[i]
        for j in range(6):
            cov[i, j] = prior.spread[i] * prior.spread[j] * prior.correlation[i, j]
        cov[i, i] = prior.spread[i] ** 2
    mean[TEMP] = np.asarray(coolant_c)[..., None] + READ_AT_C
    return Bank(mean, cov, np.zeros((*lead, MEMBERS)), prior)


def side_by_side(banks: Sequence[Bank]) -> Bank:
    """Banks of one prior as one, along a leading axis."""
    return Bank(
        np.stack([bank.mean for bank in banks], axis=1),
        np.stack([bank.cov for bank in banks], axis=2),
        np.stack([bank.log_weight for bank in banks]),
        banks[0].prior,
    )


def engaged(temp_c: Array, fan: Number) -> Array:
    """Fan flow (1 = engaged at 2500 rpm) of each member at a coolant temperature; `fan` = engine speed over 2500."""
    on = 0.5 + 0.5 * np.tanh((temp_c - ENGAGE_C) * (0.5 / ENGAGE_SPAN_C))
    flow: Array = (ELECTRIC + (1.0 - ELECTRIC) * fan) * (IDLE_FLOW + (1.0 - IDLE_FLOW) * on)
    return flow


class Terms(NamedTuple):
    """Parts of the heat balance of each member: warming by heat made, cooling at full opening, loss [K/s], opening,
    shed [1/s] at full opening, whether the thermostat is on its ramp, share of the fan in the air."""

    warm: Array
    cold: Array
    loss: Array
    opening: Array
    shed: Array
    ramp: NDArray[np.bool_]
    fan_share: Array


def opening(bank: Bank) -> Array:
    """Thermostat opening of each member, 0 to 1."""
    share: Array = np.minimum(np.maximum((bank.mean[TEMP] - bank.mean[OPEN]) / bank.prior.span_c, 0.0), 1.0)
    return share


def terms(bank: Bank, flow: Flow) -> Terms:
    """The heat balance of `moved` in its parts."""
    mean = bank.mean
    temp = mean[TEMP]
    fan2 = np.exp(mean[FAN]) * engaged(temp, flow.fan)
    fan2 *= fan2
    air2 = flow.ram2 + DRAUGHT2 + fan2
    shed = np.exp(mean[SHED] + 0.5 * AIR_EXPONENT * np.log(air2)) * flow.density
    over = (temp - mean[OPEN]) / bank.prior.span_c
    ajar = np.minimum(np.maximum(over, 0.0), 1.0)
    above = temp - flow.air_c
    return Terms(
        np.exp(mean[GAIN]) * flow.heat_kw,
        shed * above,
        LOSS_PER_S * above,
        ajar,
        shed,
        ajar == over,
        fan2 / air2,
    )


def moved(bank: Bank, flow: Flow, dt_s: float) -> Bank:
    """The bank `dt_s` later under a flow that is constant meanwhile.

    dT/dt = q H - a(T) g (T - Ta) - l (T - Ta) + d,  g = shed rho V^0.65,  V^2 = ram^2 + (w fan)^2 + draught^2,
    a = (T - open) / span held in 0..1.  d is an Ornstein-Uhlenbeck process, the other unknowns walk slowly.  Extended
    Kalman prediction; only the temperature row is coupled, so F P F' costs two sums.
    """
    mean, cov = bank.mean, bank.cov
    part = terms(bank, flow)
    rate = part.warm - part.opening * part.cold - part.loss + mean[DRIFT]
    slope = np.empty_like(mean)
    gate = part.cold * part.ramp / bank.prior.span_c
    slope[TEMP] = -part.opening * part.shed - gate - LOSS_PER_S
    slope[DRIFT] = 1.0
    slope[GAIN] = part.warm
    slope[SHED] = -part.opening * part.cold
    slope[FAN] = slope[SHED] * (AIR_EXPONENT * part.fan_share)
    slope[OPEN] = gate

    mean = mean.copy()
    cov = cov.copy()
    mean[TEMP] += rate * dt_s
    spread_on(mean, cov, slope, dt_s, DRIFT_SD, WALK)
    return Bank(mean, cov, bank.log_weight, bank.prior)


def spread_on(mean: Array, cov: Array, slope: Array, dt_s: float, drift_sd: float, walk: Array) -> None:
    """`dt_s` of time in the drift and the covariance (unknowns first), in place: only the temperature is coupled.

    `slope`: rate of the temperature by each unknown; `walk`: what each wanders, per sqrt(s).
    """
    column = (cov * slope).sum(axis=1) * dt_s
    cov[TEMP] += column
    cov[:, TEMP] += column
    cov[TEMP, TEMP] += (slope * column).sum(axis=0) * dt_s
    keep = float(np.exp(-dt_s / DRIFT_TAU_S))
    mean[DRIFT] *= keep
    cov[DRIFT] *= keep
    cov[:, DRIFT] *= keep
    own = np.einsum("ii...->i...", cov)  # the diagonal, to be written to
    wander = walk * walk * dt_s
    wander[DRIFT] = drift_sd**2 * (1.0 - keep * keep)
    own += wander.reshape(-1, *(1,) * (cov.ndim - 2))


def weighed(bank: Bank, low_c: Array, high_c: Array) -> Bank:
    """The bank after a reading that says: temperature between `low_c` and `high_c` (leading shape, or float).

    Each member's Gaussian of the reading is cut to the interval and matched in mean and variance (assumed-density
    filtering; moments of the truncated normal), its weight takes the probability of the interval.  A reading over four
    standard deviations away moves the cut with it, so that an outlier pulls no more than a Gaussian one would.  An
    interval without end changes nothing.
    """
    low, high = np.asarray(low_c)[..., None], np.asarray(high_c)[..., None]
    mean, cov = bank.mean, bank.cov
    spread = np.sqrt(cov[TEMP, TEMP] + READING_SD_C**2)
    a = (low - mean[TEMP]) / spread
    b = (high - mean[TEMP]) / spread
    far = np.maximum(a - 4.0, 0.0) + np.minimum(b + 4.0, 0.0)
    a = np.maximum(a - far, -8.0)
    b = np.minimum(b - far, 8.0)
    inside = np.maximum(normal_below(b) - normal_below(a), 1e-7)
    at_a, at_b = np.exp(-0.5 * a * a) * _DENSITY, np.exp(-0.5 * b * b) * _DENSITY
    shift = np.minimum(np.maximum((at_a - at_b) / inside, a), b)
    shrink = np.minimum(np.maximum((b * at_b - a * at_a) / inside + shift * shift, 0.0), 0.98)
    shift = shift + far
    gain = cov[TEMP] / spread
    mean = mean + gain * shift
    mean[1:] = np.minimum(np.maximum(mean[1:], _bound(bank, _LOW)), _bound(bank, _HIGH))
    cov = cov - gain[:, None] * gain * shrink
    weight = bank.log_weight * FORGET + np.log(inside) - 0.5 * far * far
    weight = np.maximum(weight - weight.max(axis=-1, keepdims=True), LIGHTEST)
    return Bank(mean, cov, weight, bank.prior)


def normal_below(z: Array) -> Array:
    """Normal distribution function to 0.0003 (tanh form of Page 1977)."""
    return 0.5 + 0.5 * np.tanh(_ROOT_2_PI * (z + 0.044715 * z * z * z))


def _bound(bank: Bank, offset: Array) -> Array:
    return (bank.prior.mean[1:] + offset).reshape((5,) + (1,) * (bank.mean.ndim - 1))


def reset_temperature(bank: Bank, coolant_c: Array, spread_c: float) -> Bank:
    """After a hole in the data: what was learned stays, the temperature starts again at a reading."""
    mean, cov = bank.mean.copy(), bank.cov.copy()
    mean[TEMP] = np.asarray(coolant_c)[..., None]
    cov[TEMP] = 0.0
    cov[:, TEMP] = 0.0
    cov[TEMP, TEMP] = spread_c**2
    return Bank(mean, cov, bank.log_weight, bank.prior)


def shares(bank: Bank) -> Array:
    """Weights of the members, summing to one over the last axis."""
    weight = np.exp(bank.log_weight)
    total: Array = weight / weight.sum(axis=-1, keepdims=True)
    return total


def likely_c(bank: Bank) -> Array:
    """Temperature over the members by their weights [C]."""
    likely: Array = (shares(bank) * bank.mean[TEMP]).sum(axis=-1)
    return likely
