"""Pieces of drives at full-open thermostat, and what the radiator shed in them against what a profile says it would.

Every piece is one heat balance over one to four minutes: heat made less heat stored less small losses, over the heat
the profile's radiator would shed at the same coolant, air, speed, rpm, fans and A/C.  Beside the ratio stands how it
moves with each figure that is not known of the vehicle, so that rooms downstream can tell a change of the vehicle from
a change of the weather.  It does not know the wind, nor fans that a control unit drives by a map of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from livemon.core import heat
from livemon.core.air import SEA_LEVEL_KPA, Number, air_density, held
from livemon.core.engine import FUEL_KW_L_REFERENCE, accessory_kw, coolant_heat_kw, fuel_kw_from_power
from livemon.core.radiator import Demand, Surroundings, air_behind_c, air_side, shed
from livemon.core.traction import road_force_n, wheel_kw
from livemon.core.vehicle import Cooling, Engine, VehicleProfile
from livemon.study import hot_runs
from livemon.study.hot_runs import Run
from livemon.study.recording import STEP_S, Drive
from livemon.study.shed_lanes import AIR_ERROR_C, AIR_GUESS_C, HALF, Lane, beside, lanes_of, unknowns

Floats = NDArray[np.float64]
_Kept = TypeVar("_Kept")

SMOOTH_S: Final = 45.0
"""Whole degrees are smoothed over so long on either side before their slope is taken."""
SETTLE_S: Final = 60.0
"""The first seconds of a drive only fill the lags."""
REGIME_S: Final = 60.0
PIECE_S: Final = 120.0
SHORTEST_S: Final = 60.0
OPEN_MARGIN_C: Final = 3.0
FAN_MARGIN_C: Final = 3.0
"""Slow pieces count only so far over the electric fan's switching point: below it the fan regulates, as a thermostat
does."""
REGULATED_FROM_C: Final = 3.0
REGULATED_S: Final = 240.0
"""Pieces in which the thermostat regulates begin so far over its opening point, on the move only, and last longer."""
HOTTEST_C: Final = 121.0
"""Above it coolant may boil under a weak cap, and heat leaves as steam."""
SENSOR_LAG_S: Final = 8.0  # a coolant sensor, common practice
CRAWL_KMH: Final = 20.0
STANDING_KMH: Final = 2.0
HELD_RATIO: Final = 1.6  # rpm over idle from which an engine at standstill is held
GRADE_PCT: Final = 2.5
GRADE_FUEL: Final = 1.6  # fuel over that of a level road, where no height is known
CAPACITY_KJ_K: Final = 115.0
READING_C: Final = 0.25
"""Heat capacity and error of the two ends of a smoothed piece of whole degrees: the noise of the heat stored."""
LEAST_SHED_KW: Final = 4.0


class Regime(Enum):
    """What the vehicle did in a piece."""

    IDLE = "idle and crawl"
    HELD = "held rpm at standstill"
    LEVEL = "level speed"
    GRADE = "grade"


@dataclass(frozen=True, slots=True)
class Piece:
    """One to four minutes of one drive in one regime at full-open thermostat.

    `log_ratio`: natural logarithm of heat shed over the profile's, at the likely figures; `slopes`: its change per
    standard deviation of each unknown.
    """

    drive: int
    regime: Regime
    ac_on: bool | None
    start_s: float
    minutes: float
    coolant_c: float
    air_c: float
    speed_kmh: float
    rpm: float
    heat_kw: float
    shed_kw_k: float
    log_ratio: float
    noise: float
    slopes: tuple[float, ...]


MOST_PIECES: Final = 600
"""Of one comparison: the work of those who explain pieces together grows with the cube of their number."""


def thinned(every: list[_Kept]) -> list[_Kept]:
    """At most MOST_PIECES of them: beyond it every second, third, ... is taken."""
    return every[:: -(-len(every) // MOST_PIECES) or 1]


def smoothed(values: Floats, over_s: float) -> Floats:
    """Mean over `over_s` seconds on either side, a triangle's weights; gaps stay gaps."""
    half = max(1, round(over_s / STEP_S))
    weights = half + 1.0 - np.abs(np.arange(-half, half + 1.0))
    known = np.isfinite(values)
    total = np.convolve(np.where(known, values, 0.0), weights, mode="same")
    count = np.convolve(known.astype(float), weights, mode="same")
    return np.where(known & (count > 0.0), total / np.maximum(count, 1e-9), np.nan)


def regimes(drive: Drive, profile: VehicleProfile) -> NDArray[np.int8]:
    """Number of the regime in the order of `Regime` at each step, -1 where it is none of them."""
    speed, rpm = smoothed(drive.speed_kmh, 0.5 * REGIME_S), smoothed(drive.rpm, 0.5 * REGIME_S)
    fuel = smoothed(drive.fuel_kw, 0.5 * REGIME_S)
    grade = smoothed(drive.grade_pct, 0.5 * REGIME_S)
    idle = profile.engine().idle_rpm
    level_kw = _level_fuel_kw(profile, speed, rpm)
    steep = np.where(np.isfinite(grade), grade >= GRADE_PCT, fuel >= GRADE_FUEL * level_kw)
    flat = np.where(np.isfinite(grade), np.abs(grade) < GRADE_PCT, ~steep)
    standing = np.isfinite(speed) & (speed < STANDING_KMH)
    is_held = standing & (drive.speed_kmh < STANDING_KMH) & (drive.rpm >= HELD_RATIO * idle)
    crawling = (speed < CRAWL_KMH) & ~is_held & ~(standing & (rpm >= HELD_RATIO * idle))
    moving = speed >= CRAWL_KMH
    out = np.full(len(drive.t_s), -1, dtype=np.int8)
    for number, where in enumerate((crawling, is_held, moving & flat, moving & steep)):
        out[where] = number
    return out


def _level_fuel_kw(profile: VehicleProfile, speed_kmh: Floats, rpm: Floats) -> Floats:
    body, engine = profile.body(), profile.engine()
    force = road_force_n(body, speed_kmh, 0.0, 1.1, 0.0, 0.0)
    brake = np.maximum(wheel_kw(force, speed_kmh), 0.0) / body.driveline_efficiency
    brake = brake + accessory_kw(engine, profile.cooling(), rpm, 0.0, 0.0, 25.0)
    return np.asarray(fuel_kw_from_power(engine, brake, rpm))


@dataclass(frozen=True, slots=True)
class Balance:
    """(steps, lanes) of one drive: heat that must have been shed, heat the lane's radiator would shed, and how much
    less that is for the warmth of the air behind condenser and fan [kW]."""

    needed_kw: Floats
    would_kw: Floats
    inlet_kw: Floats
    coolant_c: Floats


def _balances(runs: Sequence[Run], lanes: Sequence[Lane], fuel_l: float) -> list[Balance]:
    """The switches and lags of every lane along every drive at once, with the coolant held at what was read.

    Through a hole the engine's heat and the switches stay as they were, whatever else is marched beside.
    """
    drives = [run.drive for run in runs]
    count, width = len(drives), len(lanes)
    n = max(len(d.t_s) for d in drives)
    cooling: Cooling = beside([lane.cooling for lane in lanes])
    engine: Engine = beside([lane.engine for lane in lanes])
    wind, warmer, ac_more, curve, fan_more, thinner, by_speed, by_rpm, ac_fan = (
        np.array([getattr(lane, name) for lane in lanes])
        for name in (
            "headwind_kmh", "air_c", "ac_share", "heat_curve", "fan_curve", "pressure", "speed_curve", "rpm_curve",
            "ac_fan",
        )
    )  # fmt: skip

    def column(name: str, missing: float = np.nan) -> Floats:
        """(steps, drives, 1) of one column; shorter drives are filled up, gaps take `missing`."""
        out = np.full((n, count, 1), missing)
        for i, drive in enumerate(drives):
            values = getattr(drive, name)
            out[: len(values), i, 0] = np.where(np.isfinite(values), values, missing)
        return out

    coolant, slope = np.full((n, count, 1), np.nan), np.full((n, count, 1), np.nan)
    for i, drive in enumerate(drives):
        read = _ahead(smoothed(drive.coolant_c, SMOOTH_S))
        coolant[: len(read), i, 0] = read
        slope[: len(read), i, 0] = np.gradient(read, STEP_S)
    told = np.isfinite(column("ac_on"))
    ac, heater, forced = column("ac_on", 0.5), column("heater_on", 0.0), column("fan_on", 0.0)
    fuel, rpm, speed = column("fuel_kw", 0.0), column("rpm", 0.0), column("speed_kmh", 0.0)
    outside, kpa = column("air_c"), column("air_kpa", SEA_LEVEL_KPA)
    fed = np.isfinite(column("fuel_kw"))
    guess = np.array([[AIR_ERROR_C if drive.air_measured else AIR_GUESS_C] for drive in drives])
    unsure = np.array([[float(run.height_unknown)] for run in runs])
    pressed = 1.0 + unsure * thinner
    drawn = np.where(np.array([[d.source == "load"] for d in drives]), pressed, 1.0)
    relative = np.maximum(fuel / fuel_l / FUEL_KW_L_REFERENCE, 0.02)
    lag_s = cooling.metal_kj_k / cooling.metal_kw_k
    capacity = heat.heat_capacity_kj_k(cooling)
    needed, would, inlet = (np.full((n, count, width), np.nan) for _ in range(3))
    zero = np.zeros((count, width))
    lagged: Number = coolant_heat_kw(engine, fuel[0] + zero)
    clutch: Number = zero + 0.5
    opening: Number = zero + 0.5
    for k in range(n):
        made = coolant_heat_kw(engine, fuel[k] * drawn) * relative[k] ** curve
        lagged = np.where(fed[k], heat.lag(lagged, made, STEP_S, lag_s), lagged)
        known = np.isfinite(coolant[k]) & np.isfinite(outside[k])
        if not known.any():
            continue
        here = np.where(known, coolant[k], 90.0)
        air = np.where(known, outside[k], 25.0) + guess * warmer
        ac_now = held(ac[k] + np.where(told[k], 0.0, ac_more), 0.0, 1.0)
        demand = Demand(lagged, rpm[k], speed[k], ac_now, heater[k], forced[k])
        around = Surroundings(air, air_density(kpa[k] * pressed, air), np.where(speed[k] > 1.0, wind, 0.0))
        opening = np.where(known, heat.thermostat(cooling, opening, here, STEP_S), opening)
        # Over a piece an on-off fan has run a share of the time, and a dosed one at a share of its speed: a ramp.
        electric = held((here - cooling.electric_on_c) / cooling.electric_span_c + 1.0, 0.0, 1.0)
        electric = np.maximum(np.maximum(electric, held(ac_fan, 0.0, 1.2) * ac_now), forced[k])
        rising = np.exp(fan_more * 0.1 * (here - 105.0))
        side = air_side(cooling, demand, around, clutch * rising, electric * rising)
        core = shed(cooling, demand, around, opening, clutch * rising, electric * rising, side)
        curves = ((speed[k] + 10.0) / 70.0) ** by_speed * (np.maximum(rpm[k], 300.0) / 2500.0) ** by_rpm
        out = core.conductance_kw_k * np.maximum(here - core.air_c, 1.0) * curves
        target = heat.clutch_target(cooling, air_behind_c(side, out, air))
        clutch = np.where(known, heat.lag(clutch, target, STEP_S, cooling.clutch_lag_s), clutch)
        loss = heat.loss_kw_k(cooling, speed[k]) * (here - air)
        cabin = heater[k] * cooling.heater_kw_k * (here - heat.CABIN_C)
        needed[k] = np.where(known, lagged - capacity * slope[k] - loss - cabin, np.nan)
        would[k] = np.where(known, out, np.nan)
        inlet[k] = np.where(known, core.conductance_kw_k * (core.air_c - air) * curves, np.nan)
    return [
        Balance(needed[:n, i], would[:n, i], inlet[:n, i], coolant[:n, i, 0])
        for i, n in enumerate(len(d.t_s) for d in drives)
    ]


def _ahead(values: Floats) -> Floats:
    """What the sensor will say when its lag is over is what the coolant is now."""
    steps = round(SENSOR_LAG_S / STEP_S)
    return np.concatenate([values[steps:], np.repeat(values[-1:], steps)])


def pieces(drives: Sequence[Drive], profile: VehicleProfile, at: Sequence[float] | None = None) -> list[Piece]:
    """Every usable piece of the drives, in order; its slopes stand at `at` (standard deviations of each unknown)."""
    every = unknowns(profile)
    where = [0.0] * len(every) if at is None else list(at)
    lanes = lanes_of(profile, where)
    made = [_piece(stretch) for stretch in stretches(drives, profile, lanes)]
    return [piece for piece in made if piece is not None]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Rows `rows` of a drive: one regime, one state of the A/C, thermostat full open, or regulating throughout."""

    number: int
    drive: Drive
    rows: slice
    regime: Regime
    regulated: bool
    balance: Balance

    @property
    def minutes(self) -> float:
        return float(self.rows.stop - self.rows.start) * STEP_S / 60.0

    @property
    def ac_on(self) -> bool | None:
        ac = self.drive.ac_on[self.rows.start]
        return None if not np.isfinite(ac) else bool(ac > 0.5)

    @property
    def reading_kw(self) -> float:
        """What the readings at either end leave open of the heat stored."""
        return CAPACITY_KJ_K * READING_C / (60.0 * self.minutes)


def stretches(
    drives: Sequence[Drive], profile: VehicleProfile, lanes: Sequence[Lane], regulated: bool = False
) -> Iterator[Stretch]:
    """Every stretch of the drives that can be balanced, in order; with `regulated`, also where the thermostat works."""
    cooling = profile.cooling()
    full_c = float(cooling.full_c) + OPEN_MARGIN_C
    from_c = float(cooling.open_c) + REGULATED_FROM_C if regulated else full_c - 1.0
    runs = hot_runs.runs(drives, from_c)
    size_l = float(profile.engine().displacement_l)
    for begin in range(0, len(runs), MOST_SIDE_BY_SIDE):
        some = runs[begin : begin + MOST_SIDE_BY_SIDE]
        for run, balance in zip(some, _balances(some, lanes, size_l), strict=True):
            for start, stop, regime, warm in _bounds(run.drive, profile, balance, from_c if regulated else full_c):
                yield Stretch(run.number, run.drive, slice(start, stop), regime, warm, balance)


def log_ratios(
    drives: Sequence[Drive], profile: VehicleProfile, at: Sequence[float], others: Sequence[VehicleProfile]
) -> list[Floats]:
    """Log ratio of every lane over the last minutes of made-up steady drives: what a trial would show."""
    runs = [Run(k, drive, False) for k, drive in enumerate(drives)]
    out: list[Floats] = []
    for balance in _balances(runs, lanes_of(profile, at, others), float(profile.engine().displacement_l)):
        last = slice(-round(180.0 / STEP_S), None)
        needed = np.maximum(balance.needed_kw[last].mean(axis=0), LEAST_SHED_KW)
        out.append(np.asarray(np.log(needed / balance.would_kw[last].mean(axis=0))))
    return out


MOST_SIDE_BY_SIDE: Final = 24
"""Runs marched at once: bounds the memory whatever the number of drives."""


def _bounds(
    drive: Drive, profile: VehicleProfile, balance: Balance, from_c: float
) -> list[tuple[int, int, Regime, bool]]:
    """(start, stop, regime, regulated) of every stretch: one regime, A/C unchanged, nothing missing."""
    cooling = profile.cooling()
    kind = regimes(drive, profile)
    hot = balance.coolant_c
    full_open = hot >= float(cooling.full_c) + OPEN_MARGIN_C
    slow = kind <= 1
    good = np.isfinite(hot) & (hot >= from_c) & (hot <= HOTTEST_C) & (full_open | ~slow)
    good &= np.isfinite(drive.fuel_kw) & (drive.t_s >= drive.t_s[0] + SETTLE_S) & (kind >= 0)
    good &= np.isfinite(drive.air_c) & np.isfinite(drive.air_kpa) & np.isfinite(drive.coolant_c)
    if float(profile.state("electric_m_s").likely) > 0.0:
        running = np.where(np.isfinite(drive.ac_on), drive.ac_on, 0.0) > 0.5
        good &= ~slow | running | (hot >= float(cooling.electric_on_c) + FAN_MARGIN_C)
    ac = np.where(np.isfinite(drive.ac_on), drive.ac_on, -1.0)
    label = np.where(good, 100.0 * ~full_open + 10.0 * kind + ac, np.nan)
    out: list[tuple[int, int, Regime, bool]] = []
    names = list(Regime)
    for a, b in alike(label, drive.t_s):
        warm = not full_open[a]
        for first, last in parted(a, b, REGULATED_S if warm else PIECE_S):
            out.append((first, last, names[int(kind[a])], warm))
    return out


def alike(label: Floats, t_s: Floats) -> list[tuple[int, int]]:
    """(start, stop) of every run of one label without a hole in the time; where the label is nan there is none."""
    known = np.where(np.isfinite(label), label, -99.0)
    jump = np.concatenate([[False], np.diff(t_s) > 1.5 * STEP_S])
    edges = np.flatnonzero((np.diff(known, prepend=known[0]) != 0.0) | jump)
    bounds = pairwise([0, *edges.tolist(), len(label)])
    return [(a, b) for a, b in bounds if b > a and np.isfinite(label[a])]


def parted(a: int, b: int, longest_s: float) -> list[tuple[int, int]]:
    """The run in equal parts of `longest_s` to twice as long, one where it is shorter; none under SHORTEST_S."""
    parts = max(1, int((b - a) * STEP_S // longest_s))
    bounds = [a + (b - a) * part // parts for part in range(parts + 1)]
    return [(first, last) for first, last in pairwise(bounds) if (last - first) * STEP_S >= SHORTEST_S]


def _piece(of: Stretch) -> Piece | None:
    drive, rows = of.drive, of.rows
    needed = of.balance.needed_kw[rows].mean(axis=0)
    would = of.balance.would_kw[rows].mean(axis=0)
    # A piece in which hardly anything is shed, or the profile would shed nothing, tells only its own errors.
    if not (np.all(np.isfinite(needed)) and np.all(needed > LEAST_SHED_KW) and np.all(would > 0.2 * LEAST_SHED_KW)):
        return None
    ratio = np.log(needed / would)
    over = drive.coolant_c[rows].mean() - drive.air_c[rows].mean()
    return Piece(
        drive=of.number,
        regime=of.regime,
        ac_on=of.ac_on,
        start_s=float(drive.t_s[rows.start]),
        minutes=of.minutes,
        coolant_c=float(drive.coolant_c[rows].mean()),
        air_c=float(drive.air_c[rows].mean()),
        speed_kmh=float(drive.speed_kmh[rows].mean()),
        rpm=float(drive.rpm[rows].mean()),
        heat_kw=float(needed[0]),
        shed_kw_k=float(needed[0] / over),
        log_ratio=float(ratio[0]),
        noise=of.reading_kw / float(needed[0]),
        slopes=tuple(float(v) for v in (ratio[1:] - ratio[0]) / HALF),
    )
