"""Pieces of the drives as a sound vehicle and as one with any suspected part weak would explain them.

The pieces are those of `change_pieces`, cut with the figures at which all drives of both sides came to rest; slopes
stand beside every state of every part, since what is not known of the vehicle acts differently on a weak part.  It
draws no conclusion.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from livemon.core.figures import Figure
from livemon.core.vehicle import PARTS, VehicleProfile
from livemon.study.change_fit import Linearised
from livemon.study.change_pieces import UNDER_FULL_C, lane_pieces
from livemon.study.hot_runs import runs
from livemon.study.recording import Drive
from livemon.study.segments import Floats, Piece, thinned
from livemon.study.shed_lanes import HALF, Unknown, lanes_of

SUSPECTS: Final = (
    "weak_electric_fan",
    "slipping_fan_clutch",
    "clogged_condenser",
    "half_blocked_radiator",
    "low_pump_flow",
)
HEALTHY: Final = "healthy"
DEGREES: Final = ((0.4, 0.3), (0.7, 0.3), (1.0, 0.2), (1.3, 0.12), (1.7, 0.08))
"""Degrees of weakness as powers of the part's factor, and how likely each is held to be beforehand."""
SLOPE_DEGREE: Final = 1.0
SLOPE_MOST: Final = 1.5
"""Slopes are worked out at one degree, and taken for the others in proportion, up to so much."""
MOST_SIDE: Final = 300
"""Pieces of either side: the work grows with the cube of their number."""
_FAN_OF: Final = {"weak_electric_fan": "electric_m_s", "slipping_fan_clutch": "fan_m_s_krpm"}

State = tuple[str, float]
"""A suspect with its degree; a sound vehicle is SOUND."""
SOUND: Final[State] = (HEALTHY, 0.0)


@dataclass(frozen=True, slots=True)
class PartPieces:
    """`n` pieces: those of the sound drives, then those of the drives that are asked about.

    `at`: standard deviations of each unknown of `every` at which it was linearised; `asked` (n,): 0 or 1.  Per state:
    `patterns` (n,), the log of what a vehicle in that state would shed less than a sound one, and `slopes`
    (n, unknowns), the change of the piece's log ratio per standard deviation.  Pieces of sound drives have no pattern
    and the same slopes in every state.
    """

    every: tuple[Unknown, ...]
    at: Floats
    pieces: tuple[Piece, ...]
    asked: Floats
    patterns: Mapping[State, Floats]
    slopes: Mapping[State, Floats]


def suspects_of(profile: VehicleProfile) -> tuple[str, ...]:
    """Parts that can be weak: a fan that is not there is not."""
    return tuple(s for s in SUSPECTS if profile.state(_FAN_OF.get(s, "radiator_kw_k")).likely > 0.0)


def weakened(profile: VehicleProfile, part: str, power: float) -> VehicleProfile:
    """The vehicle with a part weak to a degree: its figure times factor^power."""
    state = PARTS[part]
    now = profile.figure(state.figure)
    figure = Figure(now.likely * state.factor**power, now.spread, part)
    return replace(profile, learned={**profile.learned, state.figure: figure})


def look(sound: Sequence[Drive], asked: Sequence[Drive], known: Linearised) -> PartPieces | None:
    """All pieces, of either side at most MOST_SIDE; None where `asked` have none.

    `known`: the drives of both sides as one model, those of `sound` first.
    """
    wide, every, at, first = known.profile, known.every, known.at, len(sound)
    lanes = lanes_of(wide, at, every)
    own = len(lanes)
    begins: dict[State, int] = {SOUND: 0}
    split = len(runs(sound, float(wide.cooling().full_c) - UNDER_FULL_C))
    before, _ = lane_pieces(sound, wide, lanes, own, known.shift[:first], known.marches[:split])
    for part in suspects_of(wide):
        for degree, _ in DEGREES:
            begins[part, degree] = len(lanes)
            these = lanes_of(weakened(wide, part, degree), at, every)
            lanes = lanes + (these if degree == SLOPE_DEGREE else these[:1])
    after, _ = lane_pieces(asked, wide, lanes, own, known.shift[first:], known.marches[split:])
    before, after = thinned(before, MOST_SIDE), thinned(after, MOST_SIDE)
    if not after:
        return None
    ratio = np.array([lane for _, lane in after])

    def slopes_at(begin: int) -> Floats:
        return np.asarray((ratio[:, begin + 1 : begin + own] - ratio[:, [begin]]) / HALF)

    as_sound = slopes_at(0)
    of_sound = np.array([piece.slopes for piece, _ in before]).reshape(len(before), len(every))
    patterns: dict[State, Floats] = {}
    slopes: dict[State, Floats] = {}
    for (part, degree), begin in begins.items():
        moved = as_sound
        if part != HEALTHY:
            moved = as_sound + min(degree / SLOPE_DEGREE, SLOPE_MOST) * (slopes_at(begins[part, SLOPE_DEGREE]) - moved)
        patterns[part, degree] = np.concatenate([np.zeros(len(before)), ratio[:, begin] - ratio[:, 0]])
        slopes[part, degree] = np.concatenate([of_sound, moved])
    pieces = [piece for piece, _ in before] + [replace(piece, drive=piece.drive + first) for piece, _ in after]
    return PartPieces(
        tuple(every),
        np.asarray(at, dtype=np.float64),
        tuple(pieces),
        np.repeat([0.0, 1.0], [len(before), len(after)]),
        patterns,
        slopes,
    )
