"""Quantiles of Student's t distribution: few drives make wide intervals.

t = sqrt(v) tan(a) turns the density into cos(a)^(v-1), which is summed on an even grid and read backwards.
"""

from __future__ import annotations

from typing import Final

import numpy as np

_CELLS: Final = 20_000


def t_quantile(share: float, dof: float) -> float:
    """The value that Student's t with `dof` degrees of freedom stays below with probability `share` (0.5 to 0.9999).

    Validity: dof 1 and more; within 1e-4 of the exact value.
    Example: 0.95, 4 -> 2.132.
    """
    angle = np.linspace(0.0, 0.5 * np.pi, _CELLS + 1)
    density = np.cos(0.5 * (angle[1:] + angle[:-1])) ** (dof - 1.0)
    below = np.concatenate([[0.0], np.cumsum(density)])
    return float(np.sqrt(dof) * np.tan(np.interp(2.0 * share - 1.0, below / below[-1], angle)))
