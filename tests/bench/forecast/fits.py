"""Fits the networks of `core/calibration` to rows: chances by cross entropy, bands by quantile loss.

The straight part of the chances starts from a ridge logistic by Newton steps, which has one minimum; the bends are then
learned by Adam from a stated seed.  Bands are scaled on drives kept apart from their fit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from livemon.core.net import Net
from livemon.core.outcome import HORIZONS_S
from tests.bench.forecast.drives import Array
from tests.bench.forecast.rows import SEED, Rows

APART = 4
"""Every fourth drive is kept apart from the fit of the bands, to set how wide they are."""
RIDGE = 20.0
BATCH, FIRST_RATE = 4096, 5e-3
CHANCE_STEPS, CHANCE_DECAY = 3000, 0.3
BAND_STEPS, BAND_DECAY = 4000, 0.1
RARE = 0.001
"""Share of rows beyond the end that an input is held at, on each side."""


class _Scaled(NamedTuple):
    """Inputs held between their ends, then brought to mean 0 and deviation 1."""

    low: Array
    high: Array
    middle: Array
    wide: Array

    def __call__(self, x: Array) -> Array:
        held = np.minimum(np.maximum(x, self.low), self.high)
        return ((held - self.middle) / self.wide).astype(np.float32)

    def folded(self, parts: list[Array]) -> Net:
        """The net that takes inputs as they are."""
        inner, inner_bias, outer, straight, bias = (np.asarray(p, dtype=float) for p in parts)
        return Net(
            self.low,
            self.high,
            straight / self.wide,
            bias - (straight / self.wide) @ self.middle,
            inner / self.wide,
            inner_bias - (inner / self.wide) @ self.middle,
            outer,
        )


def _scaled(x: Array) -> _Scaled:
    # Rounded as the table is, so that it holds where the fit held.
    low, high = (np.array([float(f"{v:.4g}") for v in np.quantile(x, share, axis=0)]) for share in (RARE, 1.0 - RARE))
    held = np.minimum(np.maximum(x, low), high)
    return _Scaled(low, high, held.mean(axis=0, dtype=float), held.std(axis=0, dtype=float) + 0.02)


def fit_chances(rows: list[Rows], bends: int) -> Net:
    """Logits of the chance within each of HORIZONS, by weighted cross entropy over the known outcomes."""
    x = np.concatenate([r.features for r in rows])
    crossed, known = np.concatenate([r.crossed for r in rows]), np.concatenate([r.known for r in rows])
    weight = known * np.concatenate([r.weight for r in rows])[:, None]
    scaled = _scaled(x)
    told = scaled(x)
    start = _logistic(told, crossed, weight)
    crossed, weight = crossed.astype(np.float32), (weight / weight.mean()).astype(np.float32)

    def slope(answer: Array, some: Array) -> Array:
        chance = 1.0 / (1.0 + np.exp(-np.clip(answer, -30.0, 30.0)))
        return (chance - crossed[some]) * weight[some] / len(some)

    return scaled.folded(_learned(told, start, bends, slope, CHANCE_STEPS, CHANCE_DECAY))


def _logistic(told: Array, crossed: Array, weight: Array) -> Array:
    """(HORIZONS, inputs + 1): iteratively reweighted least squares (McCullagh & Nelder 1989, from memory), ridge."""
    design = np.hstack([told, np.ones((len(told), 1), np.float32)])
    penalty = RIDGE * np.eye(design.shape[1])
    penalty[-1, -1] = 0.0
    found = np.zeros((crossed.shape[1], design.shape[1]))
    for k in range(crossed.shape[1]):
        w = found[k - 1].copy()  # the horizon before is a good start; the first begins at zero
        for _ in range(12):
            p = 1.0 / (1.0 + np.exp(-np.clip(design @ w.astype(np.float32), -30.0, 30.0)))
            slope = design.T @ ((p - crossed[:, k]) * weight[:, k]).astype(np.float32) + penalty @ w
            bend = np.maximum(p * (1.0 - p), 1e-4) * weight[:, k]
            step = np.linalg.solve((design * bend[:, None].astype(np.float32)).T @ design + penalty, slope)
            w -= step
            if np.abs(step).max() < 1e-3:
                break
        found[k] = w
    return found


def fit_band(rows: list[Rows], horizon: int, bends: int) -> Net:
    """The likely rise and the logarithms of the distances down and up, by quantile loss at 0.1, 0.5 and 0.9.

    Three drives of four are fitted; on the fourth, where the bands are judged, both distances are then scaled so that
    one truth of ten lies under the band and one over it (split conformal prediction, Lei et al. 2018, from memory).
    """
    place = HORIZONS_S.index(horizon)
    x = np.concatenate([r.band[:, place] for r in rows])
    came = np.concatenate([r.came[:, place] for r in rows])
    apart = np.concatenate([r.drive for r in rows]) % APART == 0
    judged = np.concatenate([r.judged for r in rows]) > 0
    known = np.isfinite(came)
    use, check = known & ~apart, known & apart & judged
    scaled = _scaled(x[use])
    told, target = scaled(x[use]), came[use].astype(np.float32)
    first, *_ = np.linalg.lstsq(np.hstack([told, np.ones((len(told), 1), np.float32)]), target, rcond=None)
    start = np.zeros((3, len(first)))
    start[0] = first
    start[1:, -1] = np.log(np.abs(target - told @ first[:-1] - first[-1]).mean() * 1.5)

    def slope(answer: Array, some: Array) -> Array:
        likely, (down, up) = answer[:, 0], np.exp(np.clip(answer[:, 1:], -3.0, 4.0)).T
        e = target[some]
        to_likely = np.where(e > likely, -0.5, 0.5)
        to_low, to_high = np.where(e > likely - down, -0.1, 0.9), np.where(e > likely + up, -0.9, 0.1)
        return np.stack([to_likely + to_low + to_high, -to_low * down, to_high * up], axis=1) / len(some)

    net = scaled.folded(_learned(told, start, bends, slope, BAND_STEPS, BAND_DECAY))
    answer = net(x[check].astype(float))
    miss, distance = came[check] - answer[:, 0], np.exp(np.clip(answer[:, 1:], -3.0, 4.0))
    factors = [_factor(-miss, distance[:, 0]), _factor(miss, distance[:, 1])]
    print(f"band {horizon} s: distances down and up times {factors[0]:.2f} and {factors[1]:.2f}", flush=True)
    return net._replace(bias=net.bias + np.log([1.0, *factors]))


def _factor(beyond: Array, distance: Array) -> float:
    """Factor on `distance` past which one truth of ten lies."""
    return float(np.clip(np.quantile(beyond / distance, 0.9), 0.5, 2.0))


def _learned(
    told: Array, start: Array, bends: int, slope: Callable[[Array, Array], Array], steps: int, decay: float
) -> list[Array]:
    """Parts of a net (inner, inner_bias, outer, straight, bias) by Adam with weight decay and a falling rate.

    `slope` gives the gradient of the loss by the answers of some rows.  Adam: Kingma & Ba 2015; the decay stands apart
    from the gradient (Loshchilov & Hutter 2019, from memory).
    """
    rng = np.random.default_rng(SEED)
    inputs, outputs = told.shape[1], len(start)
    parts = [
        (rng.standard_normal((bends, inputs)) / np.sqrt(inputs)).astype(np.float32),
        np.zeros(bends, np.float32),
        np.zeros((outputs, bends), np.float32),
        start[:, :-1].astype(np.float32),
        start[:, -1].astype(np.float32),
    ]
    mean, square = [np.zeros_like(p) for p in parts], [np.zeros_like(p) for p in parts]
    for step in range(1, steps + 1):
        some = rng.integers(0, len(told), BATCH)
        x = told[some]
        inner, inner_bias, outer, straight, bias = parts
        bent = np.tanh(x @ inner.T + inner_bias)
        error = slope(x @ straight.T + bent @ outer.T + bias, some).astype(np.float32)
        back = (error @ outer) * (1.0 - bent * bent)
        gradients = [back.T @ x, back.sum(axis=0), error.T @ bent, error.T @ x, error.sum(axis=0)]
        rate = FIRST_RATE * (1.0 - step / steps) + 1e-5
        for k, gradient in enumerate(gradients):
            mean[k] = 0.9 * mean[k] + 0.1 * gradient
            square[k] = 0.999 * square[k] + 0.001 * gradient * gradient
            way = mean[k] / (1.0 - 0.9**step) / (np.sqrt(square[k] / (1.0 - 0.999**step)) + 1e-8)
            decayed = rate * decay * parts[k] if k in (0, 2) else 0.0
            parts[k] = (parts[k] - rate * way - decayed).astype(np.float32)
    return parts
