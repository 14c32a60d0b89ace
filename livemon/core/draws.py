"""Many vehicles from one profile: the likely one first, the others spread evenly over everything that is not known.

A low-discrepancy sequence instead of chance, so that the same profile gives the same vehicles to the last bit.  It does
not know which figures matter for what.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from livemon.core.air import Array
from livemon.core.figures import FIGURES
from livemon.core.vehicle import Body, Cooling, Engine, VehicleProfile

_ROOT_ROUNDS: Final = 60


def draws(
    profile: VehicleProfile,
    count: int,
    places: Sequence[str] | None = None,
    shares_of: Callable[[int, int], Array] | None = None,
) -> tuple[Body, Engine, Cooling]:
    """`count` vehicles in columns: the likely one first, the others by the R-sequence (or `shares_of`) as normals.

    `places`: the figures that have a place in the sequence, known or not, so that two profiles that differ in one of
    them are drawn alike in all others; None = those that are not known.
    """
    names = [name for name in FIGURES if profile.state(name).spread > 0] if places is None else places
    shares = (shares_of or even_shares)(count - 1, len(names))
    return profile.draw(
        {
            name: np.concatenate([[0.0], normal_quantile(share)])
            for name, share in zip(names, shares, strict=True)
            if profile.state(name).spread > 0
        }
    )


def normal_quantile(share: Array) -> Array:
    """Inverse normal distribution by Winitzki's formula for erf^-1 (absolute error under 0.003 in probability)."""
    x = np.clip(2.0 * share - 1.0, -0.9999, 0.9999)
    log = np.log1p(-x * x)
    first = 2.0 / (np.pi * 0.147) + 0.5 * log
    return np.asarray(np.sqrt(2.0) * np.sign(x) * np.sqrt(np.sqrt(first * first - log / 0.147) - first))


def even_shares(count: int, unknowns: int) -> Array:
    """(unknowns, count) numbers in 0..1, evenly spread in all of them at once: the R-sequence (Roberts 2018)."""
    root = 1.5
    for _ in range(_ROOT_ROUNDS):  # the one real root of x^(d+1) = x + 1
        root = (1.0 + root) ** (1.0 / (unknowns + 1.0))
    k = np.arange(1, count + 1)
    return np.asarray((0.5 + k * root ** -np.arange(1.0, unknowns + 1.0)[:, None]) % 1.0)


def ranked_shares(count: int, unknowns: int) -> Array:
    """(unknowns, count) numbers in 0..1, each row the middles of `count` equal parts, in an order of its own.

    For more unknowns than draws: there the first steps of the R-sequence come to nearly one, so that its first rows
    run one way only.  A Latin hypercube (McKay et al. 1979) in the order of k^2 sqrt(prime) mod 1 (even by Weyl 1916;
    without the square, some primes run alike).
    """
    steps = np.sqrt(np.array(_primes(unknowns), dtype=np.float64))
    order = np.argsort(np.argsort((steps[:, None] * np.arange(1, count + 1) ** 2) % 1.0, axis=1, kind="stable"), axis=1)
    return np.asarray((order + 0.5) / count)


def _primes(count: int) -> list[int]:
    found: list[int] = []
    number = 2
    while len(found) < count:
        if all(number % prime for prime in found):
            found.append(number)
        number += 1
    return found


def normals(count: int, unknowns: int) -> Array:
    """(unknowns, count) standard normal numbers, each row with mean 0 and spread 1."""
    z = normal_quantile(even_shares(count, unknowns))
    z = z - z.mean(axis=1, keepdims=True)
    return np.asarray(z / z.std(axis=1, keepdims=True))
