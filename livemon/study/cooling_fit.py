"""Fits the figures of a vehicle's cooling to its drives: many short free runs of the same physics as the live core.

Every drive is cut into stretches; in each the model is first led along the measured coolant, so that metal, radiator
and switches settle, and then runs free for eight minutes.  All stretches and all small changes of the figures march
side by side.  Figures move in standard deviations of the profile's own spreads (maximum a posteriori, Gauss-Newton);
what differs from drive to drive (fuel, wind, the air's temperature) is an unknown of each drive, so that many minutes
of one drive never count as many drives.  It does not know where the drives come from, nor what a figure is worth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from livemon.core import heat
from livemon.core.air import air_density
from livemon.core.demand import AC_UNTOLD
from livemon.core.engine import coolant_heat_kw
from livemon.core.figures import FIGURES
from livemon.core.prior import DRIVE_AIR_C, DRIVE_HEAT, DRIVE_WIND_KMH
from livemon.core.radiator import Demand, Surroundings
from livemon.core.vehicle import VehicleProfile, spread_ends
from livemon.study.form import FORM, widened
from livemon.study.recording import STEP_S, Drive

Floats = NDArray[np.float64]

FITTED: Final = (
    "coolant_share", "coolant_share_slope", "radiator_kw_k", "face_area_m2", "air_share", "air_exponent", "ram_share",
    "fan_m_s_krpm", "fan_ratio", "fan_limit_rpm", "clutch_on_share", "clutch_off_share", "clutch_on_c",
    "clutch_span_c", "electric_m_s", "electric_on_c", "electric_span_c", "recirculation", "condenser_kw",
    "heater_kw_k", "loss_kw_k", "pump_l_s_krpm", "open_c", "full_span_c", "hysteresis_c", "thermostat_lag_s",
    "thermostat_floor", "metal_kj_k", "metal_kw_k", "coolant_l", "radiator_kj_k", "radiator_open", "stack_flow",
    "electric_health", "clutch_health", "pump_health", "sensor_lag_s", *FORM,
)  # fmt: skip
"""Every figure that moves the coolant.  Many are told apart by nothing on board (heat made against heat shed and
stored; ram air against radiator): those keep the profile's spread, and only what they do together is learned."""

WIDER: Final = {
    "radiator_kw_k": 2.0, "ram_share": 1.5, "fan_m_s_krpm": 3.0, "electric_m_s": 2.0, "coolant_share_slope": 3.0,
    "air_share": 2.0, "fan_and_ram": 2.0,
}  # fmt: skip
"""By how much wider than elsewhere a figure starts here.  Sizes of parts: whoever learns because the engine runs hot
often has a part that is far too small or as good as dead.  Form: with narrower ones, what was learned on some climbs
missed the next by more (docs/learn.md).  A typed figure keeps the spread it was typed with."""

LED: Final = 24
"""Cells (two minutes) in which the model is led along the measured coolant."""
BLOCK: Final = 12
"""Cells (one minute) over which measured and predicted coolant are compared in the mean."""
BLOCKS: Final = 8
FREE: Final = BLOCK * BLOCKS
SHORTEST_BLOCKS: Final = 2
RUNNING_RPM: Final = 300.0

READING_SD_C: Final = 0.25  # mean of a minute of whole degrees, rounding unknown
START_SD_C: Final = 0.4  # where the led model stands against the coolant as the free run begins
DRIFT_C2_MIN: Final = 0.25  # growth of the variance of what the model does not follow [K2/min]; its scale is estimated
LEAST_SCALE: Final = 0.5
HUBER: Final = 2.0
LEAST_INFLATION: Final = 1.5
"""Drives of one vehicle share what the model cannot follow, so that many agree and are wrong together: the variance is
at least so many times what independent stretches would leave."""

OWN: Final = ("heat", "headwind", "air_c", "heater")
"""Unknowns of each drive, with one standard deviation: heat made, wind along the road, outside air, cabin heater."""
OWN_HEAT: Final = DRIVE_HEAT
OWN_WIND_KMH: Final = DRIVE_WIND_KMH
OWN_AIR_C: Final = DRIVE_AIR_C
OWN_AIR_GUESSED_C: Final = 3.0

NUDGE: Final = 0.25
MOST_ROUNDS: Final = 30
CLOSE: Final = 0.004
REST_ROUNDS: Final = 4
"""The fit is at rest when so many rounds in a row each bring less than this share of the cost."""
FIRST_DAMPING: Final = 1.0
HARDER: Final = 4.0
"""A step that stepped over a switch is tried anew, shorter and nearer to the slope (Levenberg 1944, Marquardt 1963)."""
MOST_Z: Final = 4.0
CHUNK: Final = 512
"""Stretches marched at once: bounds the memory, whatever the hours."""


@dataclass(frozen=True, slots=True)
class Stretches:
    """Cells of all free runs side by side: arrays (LED + FREE, stretches); `blocks` (BLOCKS, stretches) = measured
    minute means, nan where the stretch has ended; `drive` = number of the drive of each."""

    drive: NDArray[np.intp]
    start_s: Floats
    coolant_c: Floats
    fuel_kw: Floats
    rpm: Floats
    speed_kmh: Floats
    air_c: Floats
    air_kpa: Floats
    ac_on: Floats
    heater_on: Floats
    fan_on: Floats
    blocks: Floats

    def part(self, which: slice) -> Stretches:
        """Some of them."""
        return Stretches(*(getattr(self, n)[..., which] for n in self.__slots__))


_COLUMNS: Final = (
    "coolant_c", "fuel_kw", "rpm", "speed_kmh", "air_c", "air_kpa", "ac_on", "heater_on", "fan_on"
)  # fmt: skip
HEATER_UNTOLD: Final = 0.5  # of the heater's full effect in the cold, where nobody told: and as much its spread
HEATER_FROM_C, HEATER_FULL_C = 20.0, 0.0


def stretches(drives: Sequence[Drive]) -> Stretches:
    """Every stretch of the drives in which the engine runs and all that the model needs is known."""
    number: list[int] = []
    start: list[float] = []
    columns: dict[str, list[Floats]] = {name: [] for name in _COLUMNS}
    for place, drive in enumerate(drives):
        told = {name: getattr(drive, name) for name in _COLUMNS}
        told["ac_on"] = np.where(np.isfinite(drive.ac_on), drive.ac_on, AC_UNTOLD)
        told["heater_on"] = np.where(np.isfinite(drive.heater_on), drive.heater_on, _heater_guess(drive.air_c))
        told["fan_on"] = np.where(np.isfinite(drive.fan_on), drive.fan_on, 0.0)
        good = np.all([np.isfinite(told[n]) for n in _COLUMNS], axis=0) & (told["rpm"] >= RUNNING_RPM)
        for first, last in _runs(good):
            for begin in range(first, last - LED - SHORTEST_BLOCKS * BLOCK + 1, FREE):
                number.append(place)
                start.append(float(drive.t_s[begin]))
                cells = slice(begin, min(begin + LED + FREE, last))
                for name in _COLUMNS:
                    columns[name].append(_filled(told[name][cells]))
    count = len(number)
    joined = {
        name: np.stack(columns[name], axis=1) if count else np.empty((LED + FREE, 0)) for name in _COLUMNS
    }  # fmt: skip
    measured = joined["coolant_c"][LED:].reshape(BLOCKS, BLOCK, count)
    blocks = np.where(np.isfinite(measured).all(axis=1), measured.mean(axis=1), np.nan)
    for column in joined.values():  # past the end of a stretch its last cell goes on, and is compared with nothing
        cell = np.where(np.isfinite(column), np.arange(LED + FREE)[:, None], 0)
        column[:] = np.take_along_axis(column, np.maximum.accumulate(cell, axis=0), axis=0)
    return Stretches(np.array(number, dtype=np.intp), np.array(start), **joined, blocks=blocks)


def _heater_guess(air_c: Floats) -> Floats:
    """Share of the cabin heater that people use at this outside air; common practice, no source."""
    cold = np.clip((HEATER_FROM_C - air_c) / (HEATER_FROM_C - HEATER_FULL_C), 0.0, 1.0)
    return np.asarray(HEATER_UNTOLD * cold)


def _runs(good: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edge = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    return list(zip(edge[::2].tolist(), edge[1::2].tolist(), strict=True))


def _filled(column: Floats) -> Floats:
    out = np.full(LED + FREE, np.nan)
    out[: len(column)] = column
    return out


@dataclass(frozen=True, slots=True)
class _Lanes:
    """The vehicle in columns: as it is believed, one nudge of each fitted figure (inward where its range ends), one of
    each unknown of a drive."""

    profile: VehicleProfile
    names: tuple[str, ...]
    z: Floats
    nudges: Floats

    @property
    def width(self) -> int:
        return 1 + len(self.names) + len(OWN)

    def drawn(self) -> tuple[Any, Any]:
        normals = {}
        for place, name in enumerate(self.names):
            column = np.full(self.width, self.z[place])
            column[1 + place] += self.nudges[place]
            normals[name] = column
        _, engine, cooling = self.profile.draw(normals)
        return engine, cooling

    def own(self, which: str) -> Floats:
        column = np.zeros(self.width)
        column[1 + len(self.names) + OWN.index(which)] = 1.0
        return column


def march(some: Stretches, lanes: _Lanes, guessed: NDArray[np.bool_], untold: NDArray[np.bool_]) -> Floats:
    """Minute means of the coolant as the sensor would tell it, (BLOCKS, stretches, lanes), in the free runs."""
    engine, cooling = lanes.drawn()
    heat_more = 1.0 + OWN_HEAT * lanes.own("heat")
    wind = OWN_WIND_KMH * lanes.own("headwind")
    warmer = np.where(guessed[:, None], OWN_AIR_GUESSED_C, OWN_AIR_C) * lanes.own("air_c")
    count = some.coolant_c.shape[1]
    out = np.zeros((BLOCKS, count, lanes.width))
    lead = _lead(some.coolant_c, np.asarray(7.0))
    cabin = lanes.own("heater") * untold[:, None]
    column = slice(None), None

    def made(k: int) -> Floats:
        return np.asarray(coolant_heat_kw(engine, some.fuel_kw[k][column]) * heat_more)

    nodes = heat.regulated(lead[0][column], some.air_c[0][column] + warmer, made(0), cooling)
    nodes = replace(nodes, clutch=nodes.clutch + 0.0 * warmer, electric=nodes.electric + 0.0 * warmer)
    sensed = some.coolant_c[LED - 1][column] + np.zeros((count, lanes.width))
    for k in range(1, LED + FREE):
        air = some.air_c[k][column] + warmer
        speed = some.speed_kmh[k][column]
        heater = some.heater_on[k][column] * (1.0 + cabin)
        demand = Demand(made(k), some.rpm[k][column], speed, some.ac_on[k][column], heater, some.fan_on[k][column])
        around = Surroundings(air, air_density(some.air_kpa[k][column], air), wind)
        nodes = heat.advance(nodes, demand, around, cooling, STEP_S)
        if k < LED:
            nodes = replace(nodes, coolant_c=lead[k][column] + np.zeros((count, lanes.width)))
        else:
            sensed = np.asarray(heat.lag(sensed, nodes.coolant_c, STEP_S, cooling.sensor_lag_s))
            out[(k - LED) // BLOCK] += sensed / BLOCK
    return out


def _lead(coolant_c: Floats, lag_s: Floats) -> Floats:
    """Coolant behind the sensor while it is led: smoothed whole degrees plus lag times slope."""
    smooth = coolant_c[: LED + 2].copy()
    for _ in range(2):
        smooth[1:-1] = 0.25 * smooth[:-2] + 0.5 * smooth[1:-1] + 0.25 * smooth[2:]
    return np.asarray(smooth + np.clip(np.gradient(smooth, STEP_S, axis=0), -0.3, 0.3) * lag_s)


def _whitening() -> Floats:
    """Inverse Cholesky factor of the covariance of one free run's minute means; rows beyond its end are cut off."""
    minute = np.arange(BLOCKS) + 0.5
    drift = DRIFT_C2_MIN * np.minimum(minute[:, None], minute[None, :])
    cov = drift + START_SD_C**2 + READING_SD_C**2 * np.eye(BLOCKS)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(cov)))


@dataclass(frozen=True, slots=True)
class Fit:
    """What the drives say: figures in standard deviations of the profile (`z`, `cov`), and how well they follow.

    `dof`: degrees of freedom for intervals, by the number of drives.  `scale`: standard deviation of what is not
    followed, against what was assumed.  `residual_c` (stretches, BLOCKS): measured less predicted, nan at the end.
    """

    profile: VehicleProfile
    names: tuple[str, ...]
    z: Floats
    cov: Floats
    dof: float
    scale: float
    drives: int
    stretches: Stretches
    residual_c: Floats
    settled: bool
    inflation: float = 1.0
    """How much wider the variance is than stretches would make it that know nothing of each other."""

    @property
    def sd(self) -> Floats:
        return np.asarray(np.sqrt(np.diag(self.cov)))

    def rms_c(self, drive: int | None = None) -> float:
        """Root-mean-square error of the minute means, of one drive or of all."""
        rows = self.residual_c if drive is None else self.residual_c[self.stretches.drive == drive]
        known = rows[np.isfinite(rows)]
        return float(np.sqrt(np.mean(known * known))) if known.size else float("nan")


def opened(profile: VehicleProfile, ac_told: bool) -> VehicleProfile:
    """The profile to start a fit from: nothing learned yet, the form open, and defaults with the spread of `WIDER`.

    Where nobody ever said that the A/C ran (`ac_told` false), how hard it drives the fan stays as it is.
    """
    wide = widened(profile.unlearned(), WIDER)
    if ac_told or "ac_fan" in profile.typed:
        return wide
    return replace(wide, typed={name: figure for name, figure in wide.typed.items() if name != "ac_fan"})


def fitted_names(profile: VehicleProfile) -> tuple[str, ...]:
    """The figures that are free in this profile."""
    known = {n: profile.state(n) for n in FITTED}
    return tuple(n for n, f in known.items() if f.spread > 0.0 and (f.likely != 0.0 or n in FORM))


def fit(drives: Sequence[Drive], profile: VehicleProfile) -> Fit | None:
    """The figures that agree best with drives and profile; None where no drive has a usable stretch."""
    every = stretches(drives)
    if every.drive.size == 0:
        return None
    guessed = np.array([not drives[d].air_measured for d in every.drive])
    untold = np.array([not np.isfinite(drives[d].heater_on).any() for d in every.drive])
    names = fitted_names(profile)
    z: Floats = np.zeros(len(names))
    step: Floats = np.zeros(len(names))
    white = _whitening()
    ends = np.array([spread_ends(FIGURES[name], profile.state(name)) for name in names]).reshape(len(names), 2)
    low, high = np.clip(ends, -MOST_Z, MOST_Z).T
    best, damping, slow = np.inf, 0.0, 0
    system: _System | None = None
    for _ in range(MOST_ROUNDS):
        at = np.asarray(z + step)
        lanes = _Lanes(profile, names, at, np.where(at + NUDGE > high, -NUDGE, NUDGE))
        tried = _system(every, lanes, guessed, untold, white)
        # Each at its own scale: of two that fit the minutes alike, the one with the smaller errors goes on.
        cost = tried.cost + 0.5 * tried.scale**2 * float(np.sum(at * at))
        if system is not None and cost > best:  # a switch was stepped over
            damping = max(HARDER * damping, FIRST_DAMPING)
            slow += 1
        else:
            slow = slow + 1 if cost > best * (1.0 - CLOSE) else 0
            best, z, system, damping = cost, at, tried, 0.0
        hessian = system.information / system.scale**2 + np.eye(len(names))
        hessian += damping * np.diag(np.diag(hessian))
        ahead = np.linalg.solve(hessian, system.push / system.scale**2 - z)
        step = np.asarray(np.clip(z + ahead, low, high) - z)
        if slow >= REST_ROUNDS:
            break
    assert system is not None
    count = len(np.unique(every.drive))
    unit = np.eye(len(names))
    told = system.information / system.scale**2
    inflation = _inflation(system, np.asarray(np.linalg.inv(told + unit)), told)
    return Fit(
        profile,
        names,
        z,
        np.asarray(np.linalg.inv(told / inflation + unit)),
        count + 2.0,
        system.scale,
        count,
        every,
        system.residual_c,
        slow >= REST_ROUNDS,
        inflation,
    )


def _inflation(system: _System, cov: Floats, told: Floats) -> float:
    """How much more the drives disagree than independent stretches would: a sandwich estimate as one number.

    Sum over drives of s' C s (s = pull of one drive on the figures, C = their covariance) against its expectation
    tr(C I); with D drives D / (D - 1) for the fit having met them half way.  One number, since five drives do not
    tell a whole matrix.  Source: the cluster-robust covariance (Liang & Zeger 1986), its trace.
    """
    count = len(system.pulls)
    if count < 2:
        return LEAST_INFLATION
    pulls = system.pulls / system.scale**2
    seen = float(np.einsum("di,ij,dj->", pulls, cov, pulls))
    return max(LEAST_INFLATION, seen / float(np.trace(cov @ told)) * count / (count - 1.0))


def free_runs(drives: Sequence[Drive], profile: VehicleProfile) -> tuple[Stretches, Floats]:
    """The stretches of the drives, and by how much `profile` as it stands misses them [K], (stretches, BLOCKS)."""
    every = stretches(drives)
    count = every.drive.size
    still = np.zeros(count, dtype=np.bool_)
    missed = np.empty((BLOCKS, count))
    for begin in range(0, count, CHUNK):
        some = slice(begin, begin + CHUNK)
        told = march(every.part(some), _Lanes(profile, (), np.empty(0), np.empty(0)), still[some], still[some])
        missed[:, some] = every.blocks[:, some] - told[..., 0]
    return every, np.asarray(missed.T)


@dataclass(frozen=True, slots=True)
class _System:
    information: Floats
    push: Floats
    scale: float
    cost: float
    residual_c: Floats
    pulls: Floats
    """(drives, figures): the part of `push` that each drive brings."""


def _system(
    every: Stretches, lanes: _Lanes, guessed: NDArray[np.bool_], untold: NDArray[np.bool_], white: Floats
) -> _System:
    """Normal equations at `lanes.z`, the drives' own unknowns eliminated drive by drive."""
    count, width = every.drive.size, lanes.width
    predicted = np.empty((BLOCKS, count, width))
    for begin in range(0, count, CHUNK):
        some = slice(begin, begin + CHUNK)
        predicted[:, some] = march(every.part(some), lanes, guessed[some], untold[some])
    residual = np.where(np.isfinite(every.blocks), every.blocks - predicted[..., 0], 0.0)
    known = np.isfinite(every.blocks)
    moved = (predicted[..., 1:] - predicted[..., :1]) * known[..., None]
    fitted = len(lanes.names)
    moved[..., :fitted] /= lanes.nudges
    # the factor is lower triangular, so a run that ended early is whitened by its first rows alone
    r = np.einsum("ij,js->is", white, residual) * known
    j = np.einsum("ij,jsw->isw", white, moved) * known[..., None]
    length = np.maximum(known.sum(axis=0), 1)
    size = np.sqrt((r * r).sum(axis=0) / length)
    scale = max(float(np.median(size)) / 0.9, LEAST_SCALE)
    weight = np.minimum(1.0, HUBER * scale / np.maximum(size, 1e-9))
    information, cost = np.zeros((fitted, fitted)), 0.0
    pulls: list[Floats] = []
    for drive in np.unique(every.drive):
        mine = every.drive == drive
        w = np.sqrt(weight[mine])
        rows = (r[:, mine] * w).ravel()
        slopes = (j[:, mine] * w[:, None]).reshape(rows.size, -1)
        ours, own = slopes[:, :fitted], slopes[:, fitted:]
        # unit priors on the drive's own unknowns, in the units of `scale`
        inner = np.linalg.inv(scale**2 * np.eye(own.shape[1]) + own.T @ own)
        across = ours.T @ own
        pull = own.T @ rows
        information += ours.T @ ours - across @ inner @ across.T
        pulls.append(ours.T @ rows - across @ inner @ pull)
        cost += 0.5 * float(rows @ rows - pull @ inner @ pull)
    residual_c = np.where(known, every.blocks - predicted[..., 0], np.nan).T
    return _System(information, np.sum(pulls, axis=0), scale, cost, residual_c, np.array(pulls))
