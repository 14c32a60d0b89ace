"""The next test: what an owner can do with a hot engine that would best part what is still likely to be short.

For every test it is foreseen, by the covariance that weighs the odds, what the new pieces would show under each state
given all that was driven: what cancels against earlier drives, and what repeats average down and what not, is in it.
It weighs no drives.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np

from livemon.core.vehicle import VehicleProfile
from livemon.study.change_pieces import steady_ratios
from livemon.study.part_odds import UNKNOWN, Weighed, foreseen
from livemon.study.part_pieces import SOUND, PartPieces, State, weakened
from livemon.study.recording import STEP_S, Drive
from livemon.study.segments import PIECE_S, Floats, Piece, Regime
from livemon.study.shed_lanes import HALF, lanes_of

LEAST_GAIN: Final = 0.0005
SECOND: Final = 0.5
"""A second test is asked for with the first where it would part at least this share of what the first parts more."""
UNLIKELY: Final = 0.005
"""States below it are not worth a test."""
AFTER_S: Final = 900.0  # a test begins after the engine is hot


@dataclass(frozen=True, slots=True)
class Step:
    """Some minutes of a trial; `rpm` None = idle."""

    regime: Regime
    minutes: float
    speed_kmh: float
    rpm: float | None
    ac_on: bool


@dataclass(frozen=True, slots=True)
class Trial:
    """Something the owner can do with a hot engine that tells parts apart: one or more steps of one drive."""

    words: str
    steps: tuple[Step, ...]


TRIALS: Final = (
    Trial(
        "park, hold 2,000 rpm for three minutes and let it idle for three, A/C off, then the same with the A/C on",
        (
            Step(Regime.HELD, 3.0, 0.0, 2000.0, False),
            Step(Regime.IDLE, 3.0, 0.0, None, False),
            Step(Regime.HELD, 3.0, 0.0, 2000.0, True),
            Step(Regime.IDLE, 3.0, 0.0, None, True),
        ),
    ),
    Trial(
        "drive a level road at a steady 80 km/h for ten minutes, A/C off",
        (Step(Regime.LEVEL, 10.0, 80.0, 2200.0, False),),
    ),
    Trial(
        "drive the same climb at a steady speed for ten minutes, A/C off",
        (Step(Regime.GRADE, 10.0, 60.0, 3000.0, False),),
    ),
)


def next_tests(seen: PartPieces, weighed: Weighed, profile: VehicleProfile) -> tuple[Trial, ...]:
    """The trial that would part most of what is still likely, with a second where both are needed, or none.

    Two states whose foreseen log ratios are normal overlap by exp(-D), D of Bhattacharyya (1943); each pair counts by
    the product of its probabilities times what the trial leaves not overlapping.
    """
    likely = {p: q for p, q in weighed.probability.items() if q >= UNLIKELY}
    states: dict[str, State] = {p: (p, weighed.degree.get(p, UNKNOWN[1])) for p in likely}
    more, rows = _with_trials(seen, [s for s in states.values() if s not in (SOUND, UNKNOWN)], profile)
    shown = foreseen(more, sum(len(r) for r in rows))
    pairs = [(a, b, likely[a] * likely[b]) for a, b in combinations(states, 2)]

    def gain(some: Sequence[int]) -> float:
        pick = np.concatenate([rows[k] for k in some])
        return sum(w * _apart(shown[states[a]], shown[states[b]], pick) for a, b, w in pairs)

    one = max(range(len(TRIALS)), key=lambda k: gain([k]))
    alone = gain([one])
    if alone < LEAST_GAIN:
        return ()
    other = max((k for k in range(len(TRIALS)) if k != one), key=lambda k: gain([one, k]))
    return (TRIALS[one], TRIALS[other]) if gain([one, other]) > (1.0 + SECOND) * alone else (TRIALS[one],)


def undriven(pieces: Sequence[Piece]) -> tuple[Trial, ...]:
    """The first trial of which a step was never driven hot: what a sound vehicle should still be put to, for later."""
    return tuple(t for t in TRIALS if not was_driven(t, pieces))[:1]


def was_driven(trial: Trial, pieces: Sequence[Piece]) -> bool:
    """Whether there is a piece like every step of the trial among them: hot, and with the thermostat open."""
    seen = {(p.regime, p.ac_on) for p in pieces}
    return all((step.regime, step.ac_on) in seen for step in trial.steps)


def _apart(one: tuple[Floats, Floats], other: tuple[Floats, Floats], pick: np.ndarray) -> float:
    """1 - the Bhattacharyya coefficient of two normals, of some of their dimensions."""
    away = one[0][pick] - other[0][pick]
    first, second = (c[np.ix_(pick, pick)] for _, c in (one, other))
    between = 0.5 * (first + second)
    logs = [float(np.linalg.slogdet(c)[1]) for c in (between, first, second)]
    return 1.0 - float(np.exp(-(away @ np.linalg.solve(between, away)) / 8.0 - 0.5 * logs[0] + 0.25 * sum(logs[1:])))


def _with_trials(
    seen: PartPieces, weak: Sequence[State], profile: VehicleProfile
) -> tuple[PartPieces, list[np.ndarray]]:
    """The pieces with those of every trial after them, each one drive, and which of the new ones are of which trial."""
    steps = [step for trial in TRIALS for step in trial.steps]
    air_c = float(np.mean([p.air_c for p, asked in zip(seen.pieces, seen.asked, strict=True) if asked]))
    drives = [as_drive(step, profile, air_c) for step in steps]
    at, every = seen.at.tolist(), seen.every
    lanes, begins = lanes_of(profile, at, every), {SOUND: 0}
    own = len(lanes)
    for part, degree in weak:
        begins[part, degree] = len(lanes)
        lanes = lanes + lanes_of(weakened(profile, part, degree), at, every)
    ratio, heat_kw = steady_ratios(drives, lanes, profile)
    slopes = {s: (ratio[:, b + 1 : b + own] - ratio[:, [b]]) / HALF for s, b in begins.items()}
    first = 1 + max(p.drive for p in seen.pieces)
    pieces: list[Piece] = []
    of_step: list[int] = []
    rows: list[np.ndarray] = []
    for number, trial in enumerate(TRIALS):
        begin, start_s = len(pieces), AFTER_S
        for step in trial.steps:
            k = steps.index(step)
            drive, count = drives[k], max(1, round(60.0 * step.minutes / PIECE_S))
            for _ in range(count):
                minutes, kw = step.minutes / count, float(heat_kw[k])
                hot_c = float(drive.coolant_c[0])
                pieces.append(
                    Piece(first + number, step.regime, step.ac_on, start_s, minutes, hot_c, air_c, step.speed_kmh,
                          float(drive.rpm[0]), kw, kw / (hot_c - air_c), 0.0, tuple(slopes[SOUND][k].tolist()))
                )  # fmt: skip
                of_step.append(k)
                start_s += 60.0 * minutes
        rows.append(np.arange(begin, len(pieces)))
    new = np.array(of_step)
    more = replace(
        seen,
        pieces=(*seen.pieces, *pieces),
        asked=np.concatenate([seen.asked, np.ones(len(pieces))]),
        patterns={s: np.concatenate([seen.patterns[s], (ratio[:, b] - ratio[:, 0])[new]]) for s, b in begins.items()},
        slopes={s: np.concatenate([seen.slopes[s], slopes[s][new]]) for s in begins},
    )
    return more, rows


def as_drive(step: Step, profile: VehicleProfile, air_c: float = 30.0) -> Drive:
    """Ten steady minutes of a step with a hot engine."""
    n = round(600.0 / STEP_S)
    flat: Floats = np.ones(n)
    rpm = float(profile.engine().idle_rpm) if step.rpm is None else step.rpm
    hot = max(float(profile.cooling().full_c), float(profile.cooling().electric_on_c)) + 5.0
    size = float(profile.engine().displacement_l)
    per_litre = {Regime.IDLE: 5.0, Regime.HELD: 12.0, Regime.LEVEL: 22.0, Regime.GRADE: 40.0}[step.regime]
    grade_pct = 6.0 if step.regime is Regime.GRADE else 0.0
    return Drive(
        step.regime.value, STEP_S * np.arange(n, dtype=np.float64), hot * flat, step.speed_kmh * flat, rpm * flat,
        size * per_litre * flat,
        air_c * flat, 95.0 * flat, float(step.ac_on) * flat, 0.0 * flat, 0.0 * flat, 400.0 * flat, grade_pct * flat,
        air_measured=True,
    )  # fmt: skip
