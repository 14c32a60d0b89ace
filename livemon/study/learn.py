"""What drives teach about a vehicle: which may be learned from, the figures with their bands, and what was not told.

The fit is `cooling_fit`; here drives that would mislead are left out by name, the figures that the drives narrowed go
into the learned part of the profile, and plain words say what the drives never showed.  The typed part is never
touched, and an earlier learned part is no prior: learning twice from the same drives must not count them twice.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core.figures import FIGURES, Figure
from livemon.core.together import from_covariance
from livemon.core.vehicle import PARTS, VehicleProfile, spread_by
from livemon.study.carries import RUNNINGS, Running, carried_fuel_kw
from livemon.study.cooling_fit import RUNNING_RPM, Fit, Floats, fit, opened, stretches
from livemon.study.recording import STEP_S, Drive
from livemon.study.student import t_quantile

TOLD_SD: Final = 0.8
MOVED_Z: Final = 1.0
"""A figure counts as told where its spread fell below this share of what it was, or where it moved so far."""
MOST_JUMPS: Final = 2
STRANGE_C: Final = 3.0
STRANGE_TIMES: Final = 3.0
"""A drive is strange when its error is over 3 K and three times the others' usual one."""
LEAST_FOR_STRANGE: Final = 3
BAND: Final = 0.90
MODEL_SHARE: Final = {"idle": 0.18, "idle_ac": 0.35, "held_rpm": 0.2, "level": 0.09, "climb": 0.09, "climb_ac": 0.09}
"""What the model's form is off by in a way of running, one standard deviation of the logarithm: the error that was left
on made-up garages of both plants (tests/bench/learn_cover, seed 1); hot air drawn in again makes standing hard."""
MODEL_FORM: Final = {"coolant_share": 0.05, "fan_m_s_krpm": 0.17, "electric_m_s": 0.17}
"""The same as spread of figures, by ratio, for those who march along a road: all heat, and the fans, which count
most at standstill.  On the default vehicle they make 9 % on the move and 14 % at idle."""
DIGITS: Final = 5
"""Of a learned figure and its spread: the file is for people, and a log's header says the same."""
SLOPE_Z: Final = 0.05

COLD_C: Final = 50.0
STANDING_KMH: Final = 2.0
CRAWL_KMH: Final = 12.0
FAST_KMH: Final = 50.0
CLIMB_PCT: Final = 3.0
HEAVY_KW_L: Final = 25.0  # fuel power per litre of a climb or of towing, where no height is recorded
ENOUGH_MIN: Final = 3.0


@dataclass(frozen=True, slots=True)
class Left:
    """A drive that was not learned from, and why."""

    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class Row:
    """One figure before and after; `low` to `high` is the 90 % band; `told` = the drives narrowed it by itself."""

    name: str
    before: Figure
    after: Figure
    low: float
    high: float
    told: bool


@dataclass(frozen=True, slots=True)
class Carried:
    """Fuel power [kW] that the cooling carries in one way of running; `shown` = the drives ran so, hot."""

    running: Running
    before: float
    likely: float
    low: float
    high: float
    shown: bool


@dataclass(frozen=True, slots=True)
class DriveError:
    """How well the learned cooling follows one drive: error of free runs [K], all and in their last minute."""

    name: str
    hours: float
    rms_c: float
    last_rms_c: float


@dataclass(frozen=True, slots=True)
class Learned:
    """The profile with its learned part, and all that the owner should know about it."""

    profile: VehicleProfile
    rows: tuple[Row, ...]
    carries: tuple[Carried, ...]
    drives: tuple[DriveError, ...]
    left: tuple[Left, ...]
    not_shown: tuple[str, ...]
    hours: float
    rms_c: float
    fit: Fit


def unfit(drive: Drive, marks: Callable[[str], bool]) -> str | None:
    """Why a drive must not be learned from; `marks` says whether trouble codes mark a drive."""
    if not np.isfinite(drive.coolant_c).any():
        return "no coolant readings"
    bad = [codes for codes in drive.codes if marks(codes)]
    if bad:
        return f"trouble codes {bad[0]}: heat made is not what it seems"
    if drive.jumps > MOST_JUMPS:
        return f"coolant sensor in doubt: it jumped {drive.jumps} times"
    if not np.isfinite(drive.fuel_kw).any():
        return "nothing tells the engine's load (air flow, manifold pressure or load, with rpm)"
    if stretches([drive]).drive.size == 0:
        return "no four minutes on end with engine, speed, air and coolant known"
    return None


def learn(drives: Sequence[Drive], profile: VehicleProfile, marks: Callable[[str], bool]) -> Learned | tuple[Left, ...]:
    """What the drives teach; the drives left out where none is of use.  The order of `drives` does not matter."""
    ordered = sorted(drives, key=lambda d: (d.name, d.rows, d.hours))
    start = profile.unlearned()
    reasons = [unfit(drive, marks) for drive in ordered]
    left = [Left(d.name, why) for d, why in zip(ordered, reasons, strict=True) if why]
    used = [d for d, why in zip(ordered, reasons, strict=True) if not why]
    wide = opened(profile, any((d.ac_on > 0.5).any() for d in used))
    found = fit(used, wide)
    if found is None:
        return tuple(left)
    strange = _strange(found, used)
    if strange:
        left += [Left(used[k].name, why) for k, why in strange]
        used = [d for k, d in enumerate(used) if k not in dict(strange)]
        again = fit(used, wide)
        assert again is not None  # the ones that stayed have stretches
        found = again
    return Learned(
        profile=written(found, start),
        rows=_rows(found),
        carries=_carries(found, start, used),
        drives=tuple(_error(found, k, drive) for k, drive in enumerate(used)),
        left=tuple(sorted(left, key=lambda one: one.name)),
        not_shown=not_shown(used, start),
        hours=sum(d.hours for d in used),
        rms_c=found.rms_c(),
        fit=found,
    )


def _source(count: int, told: bool) -> str:
    drives = f"{count} drive{'s' if count != 1 else ''}"
    return f"learned from {drives}" if told else f"not narrowed by {drives}"


def _strange(found: Fit, drives: Sequence[Drive]) -> list[tuple[int, str]]:
    """Drives that no cooling follows which follows the others: a sensor, a thermostat or a heater nobody told of."""
    if len(drives) < LEAST_FOR_STRANGE:
        return []
    errors = np.array([found.rms_c(k) for k in range(len(drives))])
    usual = float(np.nanmedian(errors))
    return [
        (k, f"its temperature does not follow the others' cooling (error {e:.1f} K, usual {usual:.1f} K): sensor?")
        for k, e in enumerate(errors.tolist())
        if e > STRANGE_C and e > STRANGE_TIMES * usual
    ]


def written(found: Fit, start: VehicleProfile) -> VehicleProfile:
    """`start` with everything that was fitted, how it hangs together, and the part states it was fitted with."""
    learned = {row.name: row.after for row in _rows(found)}
    parts = tuple(part for part in start.parts if PARTS[part].figure in learned)
    together = from_covariance(found.names, written_cov(found))
    return replace(start, learned=learned, learned_parts=parts, together=together)


def written_cov(found: Fit) -> Floats:
    """Joint spread that is written, in standard deviations of the profile the fit started from.

    The posterior with what the drives told made lighter by Student's t of so few drives (its variance over the normal
    one's), so that what they did not tell keeps the spread it began with; and what the model's form is off by.
    """
    unit = np.eye(len(found.z))
    told = (np.linalg.inv(found.cov) - unit) * (found.dof - 2.0) / found.dof
    cov = np.linalg.inv(told + unit)
    for name, share in MODEL_FORM.items():
        if name in found.names:
            place, before = found.names.index(name), found.profile.state(name)
            cov[place, place] += (share * before.likely / before.spread) ** 2
    return np.asarray(cov)


def _rows(found: Fit) -> tuple[Row, ...]:
    wide = t_quantile(0.5 + 0.5 * BAND, found.dof)
    heavier = float(np.sqrt(found.dof / (found.dof - 2.0)))  # standard deviation of Student's t
    told_at = (found.sd * heavier < TOLD_SD) | (np.abs(found.z) > MOVED_Z)
    spreads = np.sqrt(np.diag(written_cov(found)))
    rows = []
    for name, z, sd, spread_z, told in zip(
        found.names, found.z.tolist(), found.sd.tolist(), spreads.tolist(), told_at.tolist(), strict=True
    ):
        key, before = FIGURES[name], found.profile.state(name)  # as the fit started, wider than the profile
        likely, low, high = (
            float(spread_by(key, before, np.array(z + sign * wide * sd))) for sign in (0.0, -1.0, 1.0)
        )  # fmt: skip
        relative = likely / before.likely if key.log else 1.0
        after = Figure(_short(likely), _short(before.spread * relative * spread_z), _source(found.drives, told))
        rows.append(Row(name, before, after, low, high, told))
    return tuple(rows)


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


def _carries(found: Fit, start: VehicleProfile, drives: Sequence[Drive]) -> tuple[Carried, ...]:
    """What the cooling carries, with 90 % bands from the joint spread of all figures."""
    wide = t_quantile(0.5 + 0.5 * BAND, found.dof)
    columns = found.z[:, None] + np.concatenate([np.zeros((len(found.z), 1)), SLOPE_Z * np.eye(len(found.z))], axis=1)
    _, engine, cooling = found.profile.draw(dict(zip(found.names, columns, strict=True)))
    minutes = minutes_shown(drives, start)
    out = []
    for at in RUNNINGS:
        ln = np.log(np.asarray(carried_fuel_kw(engine, cooling, at)) + np.zeros(columns.shape[1]))
        slope = (ln[1:] - ln[0]) / SLOPE_Z
        sd = float(np.sqrt(slope @ found.cov @ slope + MODEL_SHARE[at.name] ** 2))
        likely, low, high = (float(np.exp(ln[0] + sign * wide * sd)) for sign in (0.0, -1.0, 1.0))
        before = float(carried_fuel_kw(start.engine(), start.cooling(), at))
        out.append(Carried(at, before, likely, low, high, minutes[at.name] >= ENOUGH_MIN))
    return tuple(out)


def minutes_shown(drives: Sequence[Drive], profile: VehicleProfile) -> dict[str, float]:
    """Minutes in which the drives ran like each of `carries.RUNNINGS` with the thermostat at least half open."""
    cooling, engine = profile.cooling(), profile.engine()
    half_c = float(cooling.open_c + 0.5 * cooling.full_span_c)
    minutes = dict.fromkeys((at.name for at in RUNNINGS), 0.0)
    for drive in drives:
        hot = np.isfinite(drive.coolant_c) & (drive.rpm >= RUNNING_RPM) & (drive.coolant_c >= half_c)
        stands, fast = drive.speed_kmh < CRAWL_KMH, drive.speed_kmh >= FAST_KMH
        held = drive.rpm >= 2.0 * float(engine.idle_rpm)
        heavy = _heavy(drive, profile) & ~stands
        ac = drive.ac_on > 0.5
        seen = {
            "idle": stands & ~held,
            "idle_ac": stands & ~held & ac,
            "held_rpm": (drive.speed_kmh < STANDING_KMH) & held,
            "level": fast & ~heavy,
            "climb": heavy,
            "climb_ac": heavy & ac,
        }
        for name, cells in seen.items():
            minutes[name] += STEP_S / 60.0 * float(np.sum(hot & cells))
    return minutes


def _heavy(drive: Drive, profile: VehicleProfile) -> NDArray[np.bool_]:
    """Cells of a climb; where no height is recorded, of much fuel per litre of engine."""
    size_l = float(profile.engine().displacement_l)
    return np.where(np.isfinite(drive.grade_pct), drive.grade_pct >= CLIMB_PCT, drive.fuel_kw / size_l >= HEAVY_KW_L)


def _error(found: Fit, number: int, drive: Drive) -> DriveError:
    mine = found.residual_c[found.stretches.drive == number]
    last = mine[:, -1][np.isfinite(mine[:, -1])]
    last_rms = float(np.sqrt(np.mean(last * last))) if last.size else float("nan")
    return DriveError(drive.name, drive.hours, found.rms_c(number), last_rms)


def not_shown(drives: Sequence[Drive], profile: VehicleProfile) -> tuple[str, ...]:
    """What these drives never showed, and what keeps its default therefore; plain words, empty when all was shown."""
    open_c = float(profile.cooling().full_c)
    minutes = {"idle": 0.0, "fast": 0.0, "climb": 0.0, "ac": 0.0, "cold": 0.0}
    for drive in drives:
        running = np.isfinite(drive.coolant_c) & (drive.rpm >= RUNNING_RPM)
        hot = running & (drive.coolant_c >= open_c)
        heavy = _heavy(drive, profile)
        share = STEP_S / 60.0
        minutes["idle"] += share * float(np.sum(hot & (drive.speed_kmh < STANDING_KMH)))
        minutes["fast"] += share * float(np.sum(hot & (drive.speed_kmh >= FAST_KMH)))
        minutes["climb"] += share * float(np.sum(running & heavy & (drive.speed_kmh >= STANDING_KMH)))
        minutes["ac"] += share * float(np.sum(running & (drive.ac_on > 0.5)))
        minutes["cold"] += share * float(np.sum(running & (drive.coolant_c < COLD_C)))
    words = {
        "idle": "never idled hot (thermostat fully open, standing): how strong the fans are keeps its default",
        "fast": "never drove fast while hot: what road speed sheds is told by the thermostat's work only",
        "climb": "never climbed or pulled hard: how heat grows with load keeps its default",
        "ac": "A/C was never declared on: its effect keeps its default (passenger's key, or an `ac_on` column)",
        "cold": "never started cold: heat stored is told by swings while warm only",
    }
    return tuple(text for name, text in words.items() if minutes[name] < ENOUGH_MIN)
