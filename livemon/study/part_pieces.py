"""Pieces of the drives as a sound vehicle and as one with any suspected part weak would explain them.

Like `segments.pieces`, with three differences: pieces under a thermostat at work count too (they tell the pump's flow,
and bring a side that seldom got hot into the comparison); the ratio is that of the heat that warms the air, condenser
and all, which stays positive where a hot condenser leaves the radiator nothing to do; and slopes stand beside every
state of every part, since what is not known of the vehicle acts differently on a weak part.  It draws no conclusion.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core.figures import Figure
from livemon.core.vehicle import PARTS, VehicleProfile
from livemon.study.recording import Drive
from livemon.study.segments import Regime, stretches, thinned
from livemon.study.shed_fit import Floats
from livemon.study.shed_lanes import HALF, Lane, Unknown, lanes_of, unknowns

SUSPECTS: Final = (
    "weak_electric_fan",
    "slipping_fan_clutch",
    "clogged_condenser",
    "half_blocked_radiator",
    "low_pump_flow",
)
HEALTHY: Final = "healthy"
DEGREES: Final = ((0.4, 0.15), (0.7, 0.25), (1.0, 0.25), (1.3, 0.2), (1.7, 0.15))
"""Degrees of weakness as powers of the part's factor, and how likely each is held to be beforehand."""
SLOPE_DEGREE: Final = 1.0
SLOPE_MOST: Final = 1.5
"""Slopes are worked out at one degree, and taken for the others in proportion, up to so much."""
LEAST_NEEDED_KW: Final = 1.0
LEAST_WOULD_KW: Final = 0.2
_FAN_OF: Final = {"weak_electric_fan": "electric_m_s", "slipping_fan_clutch": "fan_m_s_krpm"}

State = tuple[str, float]
"""A suspect with its degree; a sound vehicle is SOUND."""
SOUND: Final[State] = (HEALTHY, 0.0)


@dataclass(frozen=True, slots=True)
class PartPieces:
    """`n` pieces: those of the sound drives, then those of the drives that are asked about.

    `at`: where it was linearised; `open_spread_c`: what one standard deviation of the thermostat's opening point is
    [K].  Per piece (n,): number of the `drive`, sound drives first; `asked` 0 or 1; `regime` by its place in `Regime`;
    `regulated`: thermostat at work; `ac` 0, 1, or 0.5 = not told; `minutes`; `noise`: what whole degrees leave open of
    the ratio [log].  Per state: `ratios` (n,), the log of the heat that warmed the air over what a vehicle in that
    state would warm it by, and `slopes` (n, unknowns), its change per standard deviation.  Pieces of sound drives have
    the same in every state.
    """

    every: tuple[Unknown, ...]
    at: Floats
    open_spread_c: float
    drive: NDArray[np.int_]
    asked: Floats
    regime: NDArray[np.int_]
    regulated: NDArray[np.bool_]
    ac: Floats
    minutes: Floats
    noise: Floats
    ratios: Mapping[State, Floats]
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


def look(
    sound: Sequence[Drive], asked: Sequence[Drive], profile: VehicleProfile, at: Sequence[float]
) -> PartPieces | None:
    """All pieces (of either side at most `segments.MOST_PIECES`), linearised at `at` (standard deviations of each
    unknown); None where `asked` have none."""
    every = unknowns(profile)
    lanes = lanes_of(profile, at)
    begins: dict[State, int] = {SOUND: 0}
    before = thinned(_rows(sound, profile, lanes, 0))
    for part in suspects_of(profile):
        for degree, _ in DEGREES:
            begins[part, degree] = len(lanes)
            these = lanes_of(weakened(profile, part, degree), at)
            lanes = lanes + (these if degree == SLOPE_DEGREE else these[:1])
    after = thinned(_rows(asked, profile, lanes, len(sound)))
    if not after:
        return None
    first = np.array([row.ratio for row in before]).reshape(len(before), len(every) + 1)
    second = np.array([row.ratio for row in after])

    def slopes_at(ratio: Floats, begin: int) -> Floats:
        return np.asarray((ratio[:, begin + 1 : begin + 1 + len(every)] - ratio[:, [begin]]) / HALF)

    as_sound = slopes_at(second, 0)
    ratios: dict[State, Floats] = {}
    slopes: dict[State, Floats] = {}
    for state, begin in begins.items():
        part, degree = state
        moved = as_sound
        if part != HEALTHY:
            weak = slopes_at(second, begins[part, SLOPE_DEGREE])
            moved = as_sound + min(degree / SLOPE_DEGREE, SLOPE_MOST) * (weak - as_sound)
        ratios[state] = np.concatenate([first[:, 0], second[:, begin]])
        slopes[state] = np.concatenate([slopes_at(first, 0), moved])
    every_row = [*before, *after]
    return PartPieces(
        every,
        np.asarray(at, dtype=np.float64),
        float(profile.state("open_c").spread),
        drive=np.array([row.drive for row in every_row]),
        asked=np.repeat([0.0, 1.0], [len(before), len(after)]),
        regime=np.array([_REGIMES.index(row.regime) for row in every_row]),
        regulated=np.array([row.regulated for row in every_row]),
        ac=np.array([0.5 if row.ac_on is None else float(row.ac_on) for row in every_row]),
        minutes=np.array([row.minutes for row in every_row]),
        noise=np.array([row.reading_kw / row.needed_kw for row in every_row]),
        ratios=ratios,
        slopes=slopes,
    )


_REGIMES: Final = list(Regime)


@dataclass(frozen=True, slots=True)
class _Row:
    """One piece of drive number `drive`: the log ratio of every lane, and what the first lane must have shed [kW].

    The balance of its run is not kept: with some two hundred lanes it is large.
    """

    drive: int
    regime: Regime
    regulated: bool
    ac_on: bool | None
    minutes: float
    reading_kw: float
    ratio: Floats
    needed_kw: float


def _rows(drives: Sequence[Drive], profile: VehicleProfile, lanes: Sequence[Lane], number: int) -> list[_Row]:
    out: list[_Row] = []
    for stretch in stretches(drives, profile, lanes, regulated=True):
        balance, rows = stretch.balance, stretch.rows
        inlet = balance.inlet_kw[rows]
        needed = (balance.needed_kw[rows] + inlet).mean(axis=0)
        would = (balance.would_kw[rows] + inlet).mean(axis=0)
        if np.all(np.isfinite(needed)) and np.all(needed > LEAST_NEEDED_KW) and np.all(would > LEAST_WOULD_KW):
            out.append(
                _Row(
                    number + stretch.number, stretch.regime, stretch.regulated, stretch.ac_on, stretch.minutes,
                    stretch.reading_kw, np.log(needed / would), float(needed[0]),
                )
            )  # fmt: skip
    return out
