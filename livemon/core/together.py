"""How learned figures hang together: their joint spread, as the rows of a triangle.

Drives tell what figures do together far better than each by itself (heat made against heat shed), so figures drawn
one by one cool far more unlike each other than the drives allow.  Kept as the Cholesky factor of their correlations:
unlike a matrix of correlations it can be rounded for a file without ceasing to be one.  It does not know the figures'
values nor their spreads, and asks nobody which are in force.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from livemon.core.air import Array
from livemon.core.figures import FIGURES

DECIMALS: Final = 3
LEAST: Final = 0.001
"""Least of the last number of a row: what is left of a figure once those before it are known."""
UNIT_WITHIN: Final = 0.02
"""A row is a standard normal number where its squares sum to one; rounding and a careful hand stay within this."""


@dataclass(frozen=True, slots=True)
class Together:
    """Figures `names` and, for each, its row of the triangle L: normals that hang together are L z of free ones.

    Row k has k + 1 numbers, its last above zero, its squares summing to one.  ValueError says what a row should be.
    """

    names: tuple[str, ...] = ()
    rows: tuple[tuple[float, ...], ...] = ()

    def __post_init__(self) -> None:
        if len(self.names) != len(self.rows) or len(set(self.names)) != len(self.names):
            raise ValueError("each figure once, with its row")
        for place, (name, row) in enumerate(zip(self.names, self.rows, strict=True)):
            if name not in FIGURES:
                raise ValueError(f"a known figure, not {name[:40]!r}")
            if len(row) != place + 1:
                raise ValueError(f"{place + 1} numbers, not {len(row)}, for {name}: one more than the figure before")
            if not all(-1.0 <= value <= 1.0 for value in row) or row[-1] <= 0.0:
                raise ValueError(f"numbers from -1 to 1, the last above 0, for {name}")
            size = sum(value * value for value in row)
            if abs(size - 1.0) > UNIT_WITHIN:
                raise ValueError(f"numbers whose squares sum to 1, not {size:.3g}, for {name}")

    def correlations(self) -> Array:
        """(figures, figures) correlations, L L'."""
        count = len(self.names)
        factor = np.zeros((count, count))
        for place, row in enumerate(self.rows):
            factor[place, : place + 1] = row
        size = np.sqrt((factor * factor).sum(axis=1))
        factor = factor / size[:, None]
        return np.asarray((factor[:, None, :] * factor[None, :, :]).sum(axis=-1))

    def weakened(self, shares: Mapping[str, float]) -> Together:
        """The same where of each figure only a share of its spread (0 to 1) is still the one that was learned.

        The rest of it is free of the others: correlations fall by both shares.  A figure not named has a share of 0
        and drops out; with all at 1 nothing changes.
        """
        kept = [name for name in self.names if shares.get(name, 0.0) > 0.0]
        if all(shares.get(name, 0.0) == 1.0 for name in self.names):
            return self
        at = [self.names.index(name) for name in kept]
        share = np.array([shares[name] for name in kept])
        matrix = self.correlations()[np.ix_(at, at)] * share[:, None] * share
        return from_covariance(kept, matrix + np.diag(1.0 - share * share))

    def normals(self, free: Mapping[str, Array]) -> dict[str, Array]:
        """Normal numbers that hang together, from free ones; a figure without any counts as 0 for those after it.

        Figures that are not of this triangle pass as they are.
        """
        out = dict(free)
        for place, name in enumerate(self.names):
            if name not in free:
                continue
            out[name] = free[name] * self.rows[place][place]
            for value, earlier in zip(self.rows[place], self.names[:place], strict=False):
                if value != 0.0 and earlier in free:
                    out[name] = out[name] + value * free[earlier]
        return out


def from_covariance(names: Sequence[str], covariance: Array) -> Together:
    """The triangle of a covariance (figures, figures), rounded to DECIMALS.

    Cholesky-Banachiewicz, written out so that every machine adds in the same order; what rounding makes negative on
    the diagonal becomes LEAST.
    """
    size = np.sqrt(np.diag(covariance))
    matrix = covariance / size[:, None] / size
    count = len(names)
    factor = np.zeros((count, count))
    for i in range(count):
        for j in range(i + 1):
            rest = float(matrix[i, j] - (factor[i, :j] * factor[j, :j]).sum())
            factor[i, j] = max(rest, LEAST**2) ** 0.5 if i == j else rest / factor[j, j]
    rows = []
    for i in range(count):
        row = [min(max(round(float(v), DECIMALS), -1.0), 1.0) + 0.0 for v in factor[i, : i + 1]]
        rows.append((*row[:-1], max(row[-1], LEAST)))
    return Together(tuple(names), tuple(rows))
