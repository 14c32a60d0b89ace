"""Pieces of drives that tell states of a vehicle apart: thermostat at least partly open, one regime, one A/C state.

A piece is chosen by regime, and by the opening at the coolant that was read and at the one that the model foresees, so
that neither the cooler side nor the hotter moments of a drive are left with only what went wrong in them.  Full
opening is not asked for: how the opening acts is one more unknown, and a piece that leans on it counts for less.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from livemon.core.vehicle import VehicleProfile
from livemon.study.hot_runs import Run, runs
from livemon.study.recording import STEP_S, Drive
from livemon.study.segments import (
    HOTTEST_C,
    LEAST_SHED_KW,
    PIECE_S,
    SETTLE_S,
    Floats,
    Piece,
    Regime,
    alike,
    parted,
    regimes,
    thinned,
)
from livemon.study.shed_lanes import HALF, Lane, Unknown, lanes_of
from livemon.study.shed_march import Balance, March, balances, march

LEAST_OPENING: Final = 0.4
LEAST_WOULD_KW: Final = 0.2 * LEAST_SHED_KW
MOST_SIDE_BY_SIDE: Final = 24
MOST_CELLS: Final = 2_000_000
"""Runs that are marched at once, and their steps times lanes: bounds the memory whatever the drives."""
STEADY_S: Final = 180.0
UNDER_FULL_C: Final = 10.0
"""Only the drive around readings so near to the full-open temperature is marched at all."""


def change_pieces(
    drives: Sequence[Drive],
    profile: VehicleProfile,
    every: Sequence[Unknown],
    at: Sequence[float],
    shift: Floats | None = None,
    before: Sequence[March] | None = None,
) -> tuple[list[Piece], list[March]]:
    """Every usable piece of the drives, in order, at most `segments.MOST_PIECES`; and the marches, for the next
    model's `before`.

    `at`: standard deviations of each unknown of `every`; `shift` (drives, regimes): log of heat shed over the
    profile's at `at`, for the foreseen coolant.
    """
    lanes = lanes_of(profile, at, every)
    found, marches = lane_pieces(drives, profile, lanes, len(lanes), shift, before)
    return thinned([piece for piece, _ in found]), marches


def lane_pieces(
    drives: Sequence[Drive],
    profile: VehicleProfile,
    lanes: Sequence[Lane],
    own: int,
    shift: Floats | None = None,
    before: Sequence[March] | None = None,
) -> tuple[list[tuple[Piece, Floats]], list[March]]:
    """As `change_pieces`, not thinned; beside each piece the log ratio of every lane at the foreseen coolant (lanes,).

    The first `own` lanes are the vehicle as it is and with each unknown moved: they choose the pieces and give the
    slopes.  The others are marched beside them.
    """
    size_l = float(profile.engine().displacement_l)
    found: list[tuple[Piece, Floats]] = []
    marches: list[March] = []
    hot = runs(drives, float(profile.cooling().full_c) - UNDER_FULL_C)
    longest = max((len(run.drive.t_s) for run in hot), default=1)
    at_once = min(max(1, MOST_CELLS // (longest * len(lanes))), MOST_SIDE_BY_SIDE)
    for begin in range(0, len(hot), at_once):
        some = hot[begin : begin + at_once]
        kinds = [regimes(run.drive, profile) for run in some]
        shifts = None
        if shift is not None:
            none = np.concatenate([shift, np.zeros((len(drives), 1))], axis=1)  # regime -1 is none of them
            shifts = [none[run.number][kind] for run, kind in zip(some, kinds, strict=True)]
        earlier = None if before is None else before[begin : begin + at_once]
        for run, kind, balance in zip(some, kinds, balances(some, lanes, size_l, shifts, earlier), strict=True):
            marches.append(balance.read)
            for start, stop in _stretches(run, kind, balance):
                piece = _piece(run, list(Regime)[int(kind[start])], slice(start, stop), balance, own)
                if piece is not None:
                    found.append(piece)
    return found, marches


def steady_ratios(drives: Sequence[Drive], lanes: Sequence[Lane], profile: VehicleProfile) -> tuple[Floats, Floats]:
    """(drives, lanes) log ratio over the last minutes of made-up steady drives, and (drives,) the heat shed [kW]: what
    a trial would show."""
    some = [Run(k, drive, False) for k, drive in enumerate(drives)]
    coolants = [np.repeat(drive.coolant_c[:, None], len(lanes), axis=1) for drive in drives]
    ratios, heat_kw = [], []
    for found in march(some, lanes, float(profile.engine().displacement_l), coolants):
        last = slice(-round(STEADY_S / STEP_S), None)
        needed = np.maximum(found.needed_kw[last].mean(axis=0), LEAST_SHED_KW)
        ratios.append(np.log(needed / np.maximum(found.would_kw[last].mean(axis=0), LEAST_WOULD_KW)))
        heat_kw.append(float(needed[0]))
    return np.array(ratios), np.array(heat_kw)


def _stretches(run: Run, kind: np.ndarray, balance: Balance) -> list[tuple[int, int]]:
    """(start, stop) of every piece: one regime, thermostat open enough, A/C unchanged, nothing missing."""
    drive = run.drive
    hot = balance.read.coolant_c[:, 0]
    good = np.isfinite(hot) & (hot <= HOTTEST_C) & (kind >= 0)
    good &= (balance.read.opening[:, 0] >= LEAST_OPENING) & (balance.lanes.opening[:, 0] >= LEAST_OPENING)
    good &= np.isfinite(drive.fuel_kw) & (drive.t_s >= drive.t_s[0] + SETTLE_S)
    good &= np.isfinite(drive.air_c) & np.isfinite(drive.air_kpa) & np.isfinite(drive.coolant_c)
    ac = np.where(np.isfinite(drive.ac_on), drive.ac_on, -1.0)
    runs_of_one = alike(np.where(good, 10.0 * kind + ac, np.nan), drive.t_s)
    return [part for a, b in runs_of_one for part in parted(a, b, PIECE_S)]


def _piece(run: Run, regime: Regime, rows: slice, balance: Balance, own: int) -> tuple[Piece, Floats] | None:
    drive, read, lanes = run.drive, balance.read, balance.lanes
    needed, would = float(read.needed_kw[rows, 0].mean()), float(read.would_kw[rows, 0].mean())
    there, could = lanes.needed_kw[rows].mean(axis=0), lanes.would_kw[rows].mean(axis=0)
    # A piece in which hardly anything is shed, or the profile would shed nothing, tells only its own errors.
    if not (needed > LEAST_SHED_KW and np.all(there[:own] > LEAST_SHED_KW)):
        return None
    if not (would > LEAST_WOULD_KW and np.all(could[:own] > LEAST_WOULD_KW)):
        return None
    ratio = np.log(np.maximum(there, LEAST_SHED_KW) / np.maximum(could, LEAST_WOULD_KW))
    seconds = (rows.stop - rows.start) * STEP_S
    coolant_c, air_c = float(drive.coolant_c[rows].mean()), float(drive.air_c[rows].mean())
    ac = drive.ac_on[rows.start]
    piece = Piece(
        drive=run.number,
        regime=regime,
        ac_on=None if not np.isfinite(ac) else bool(ac > 0.5),
        start_s=float(drive.t_s[rows.start]),
        minutes=seconds / 60.0,
        coolant_c=coolant_c,
        air_c=air_c,
        speed_kmh=float(drive.speed_kmh[rows].mean()),
        rpm=float(drive.rpm[rows].mean()),
        heat_kw=needed,
        shed_kw_k=needed / (coolant_c - air_c),
        log_ratio=float(np.log(needed / would)),
        slopes=tuple(float(v) for v in (ratio[1:own] - ratio[0]) / HALF),
    )
    return piece, ratio
