"""What no profile knows of a fan: how fast it runs at which coolant.

A control unit doses an electric fan by a map of its own, a two-speed fan stays on its low speed down to another
temperature than it began at, and a clutch slips by the air behind the radiator.  The march takes a ramp; how far the
fan really is from it is the same wherever the coolant is the same, before a change and after, and another elsewhere:
a Gaussian process over the coolant (model discrepancy, Kennedy & O'Hagan 2001).  Like for like cancels; a side that
was driven hotter does not have its fan taken for the change.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from livemon.study.segments import Floats, Piece
from livemon.study.shed_lanes import Unknown

ELECTRIC: Final = 0.25
CLUTCH: Final = 0.075
"""How far a fan's air speed is from the ramp that the march takes [log], one standard deviation.  These and the
distances were chosen on made-up garages of two plants (docs/short-part.md)."""
COOLANT_K: Final = 9.0
AIR_K: Final = 15.0
"""So far apart, coolant and (for a clutch) outside air, the fan may be off by another amount; so may the electric fan
with the A/C on from off."""


def fan_map(found: Sequence[Piece], every: Sequence[Unknown], slopes: Floats) -> Floats:
    """(pieces, pieces) covariance [log^2] of the pieces' ratios by fans that are off their ramps.

    `slopes` (pieces, unknowns of `every`): change of the log ratio per standard deviation of each unknown.
    """
    at = {name: np.array([getattr(p, name) for p in found], dtype=np.float64) for name in ("coolant_c", "air_c")}
    ac = np.array([p.ac for p in found])
    near = np.square(_apart(at["coolant_c"]) / COOLANT_K)
    others = {
        "electric_m_s": (ELECTRIC, np.square(_apart(ac))),
        "fan_m_s_krpm": (CLUTCH, np.square(_apart(at["air_c"]) / AIR_K)),
    }
    out = np.zeros((len(found), len(found)))
    for k, unknown in enumerate(every):
        if unknown.name in others:
            spread, other = others[unknown.name]
            moved = spread / unknown.ratio * slopes[:, k]
            out += np.outer(moved, moved) * np.exp(-0.5 * (near + other))
    return out


def _apart(values: Floats) -> Floats:
    return np.asarray(values[:, None] - values[None, :])
