"""The heat balance of hot stretches of drives, second by second, along a coolant that is given or that runs free.

The coolant behind a reading in whole degrees is found with the model's help: only what the balance does not foresee is
smoothed, so a bend of the temperature where a climb becomes a jam is not rounded off.  The sensitivities stand at the
coolant that the model foresees from fuel, speed and air alone: at the coolant that was read, a piece that shed more
than usual is also a cooler piece, and every figure that acts by temperature would be blamed for it (endogenous
regressors; two-stage least squares).  It does not know which stretches tell something.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from livemon.core import heat
from livemon.core.air import SEA_LEVEL_KPA, Number, air_density, held
from livemon.core.engine import FUEL_KW_L_REFERENCE, coolant_heat_kw
from livemon.core.radiator import Demand, Surroundings, air_behind_c, air_side, curved, shed
from livemon.core.vehicle import Cooling, Engine
from livemon.study.hot_runs import Run
from livemon.study.recording import STEP_S, Drive
from livemon.study.segments import SMOOTH_S, Floats, smoothed
from livemon.study.shed_lanes import AIR_ERROR_C, AIR_GUESS_C, Lane, beside

FAR_C: Final = 10.0
"""The foreseen coolant is held so near to the one that was read, so that slopes stay those of the same switches."""
LEAST_OPENING: Final = 1e-3
MOST_C: Final = 160.0  # a coolant that runs free under a wrong guess goes no further


@dataclass(frozen=True, slots=True)
class March:
    """(steps, lanes) of one run: heat that must have been shed, heat the lane's radiator would shed [kW], coolant [C]
    at which they hold, and thermostat opening.

    `imbalance_kw`: heat that neither leaves nor would be shed, before any is stored; `capacity_kj_k`: (lanes,).
    """

    needed_kw: Floats
    would_kw: Floats
    coolant_c: Floats
    opening: Floats
    imbalance_kw: Floats
    capacity_kj_k: Floats


@dataclass(frozen=True, slots=True)
class Balance:
    """One run: `read` along the coolant behind the readings (its first lane), `lanes` along the foreseen one."""

    read: March
    lanes: March


def balances(
    runs: Sequence[Run],
    lanes: Sequence[Lane],
    fuel_l: float,
    shifts: Sequence[Floats] | None = None,
    before: Sequence[March] | None = None,
) -> list[Balance]:
    """The balance of every run.

    `fuel_l`: engine size [L].  `shifts`: log of heat shed over the first lane's, (steps,) of each run, for the foreseen
    coolant; without it the sensitivities stand at the coolant that was read.  `before`: `Balance.read` of these runs
    by an earlier model, which helps to find the coolant behind the readings; without it they are only smoothed.
    """
    lag_s = float(lanes[0].cooling.sensor_lag_s)
    if before is None:
        first = [_ahead(smoothed(run.drive.coolant_c, SMOOTH_S), lag_s) for run in runs]
    else:
        first = [_aided(run.drive.coolant_c, m, lag_s) for run, m in zip(runs, before, strict=True)]
    if shifts is None:
        read = march(runs, lanes[:1], fuel_l, [c[:, None] for c in first])
        path = first
    else:  # the first lane twice at once: along the readings, and free
        read = march(runs, [lanes[0], lanes[0]], fuel_l, [np.repeat(c[:, None], 2, axis=1) for c in first], shifts)
        path = []
        for c, m in zip(first, read, strict=True):
            off = m.coolant_c[:, 1] - c
            path.append(c + np.clip(np.where(np.isfinite(off), off, 0.0), -FAR_C, FAR_C))
    each = []
    for c in path:
        columns = np.repeat(c[:, None], len(lanes), axis=1)
        for k, lane in enumerate(lanes):
            if lane.cooling.sensor_lag_s != lag_s:  # a slower sensor tells of a coolant that is further ahead
                columns[:, k] += _behind(c, lag_s) - _behind(c, float(lane.cooling.sensor_lag_s))
        each.append(columns)
    wide = march(runs, lanes, fuel_l, each)
    return [Balance(r, w) for r, w in zip(read, wide, strict=True)]


def _ahead(values: Floats, lag_s: float) -> Floats:
    """What the sensor will say when its lag is over is what the coolant is now."""
    steps = max(1, round(lag_s / STEP_S))
    return np.concatenate([values[steps:], np.repeat(values[-1:], steps)])


def _behind(values: Floats, lag_s: float) -> Floats:
    """Through a sensor's lag; gaps stay gaps."""
    out = values.copy()
    share = float(heat.lag(0.0, 1.0, STEP_S, lag_s))
    for k in range(1, len(out)):
        if np.isfinite(out[k - 1]):
            out[k] = out[k - 1] + share * (values[k] - out[k - 1])
    return out


def _aided(read_c: Floats, model: March, lag_s: float) -> Floats:
    """Coolant behind the readings: what the model foresees, and what is left of the readings smoothed."""
    imbalance_kw = model.imbalance_kw[:, 0]
    known = np.isfinite(imbalance_kw)
    foreseen = np.cumsum(np.where(known, imbalance_kw, 0.0)) * (STEP_S / float(model.capacity_kj_k[0]))
    return np.asarray(smoothed(read_c - _behind(foreseen, lag_s), SMOOTH_S) + foreseen)


_OWN: Final = (
    "headwind_kmh", "air_c", "ac_share", "heat_curve", "fan_curve", "pressure", "shed_by_speed", "shed_by_rpm",
    "open_curve", "loss_curve",
)  # fmt: skip


class _Columns:
    """(steps, runs, 1) of every column; shorter drives are filled up, gaps take what is said beside them."""

    def __init__(self, drives: Sequence[Drive]) -> None:
        self._drives = drives
        self.steps = max(len(d.t_s) for d in drives)

    def of(self, name: str, missing: float = np.nan) -> Floats:
        out = np.full((self.steps, len(self._drives), 1), missing)
        for i, drive in enumerate(self._drives):
            values = getattr(drive, name)
            out[: len(values), i, 0] = np.where(np.isfinite(values), values, missing)
        return out

    def along(self, columns: Sequence[Floats], missing: float) -> Floats:
        """Of (steps, lanes) arrays of each run."""
        out = np.full((self.steps, len(columns), columns[0].shape[1]), missing)
        for i, values in enumerate(columns):
            out[: len(values), i] = values
        return out


def march(
    runs: Sequence[Run],
    lanes: Sequence[Lane],
    fuel_l: float,
    coolants: Sequence[Floats],
    shifts: Sequence[Floats] | None = None,
) -> list[March]:
    """Switches, lags and heat of every lane along every run, with the coolant at `coolants` [(steps, lanes) each].

    With `shifts` [(steps,) each], the log of what is shed beyond the radiators, the last lane's coolant runs free
    from its first value, and anew from the first after a hole; its `needed_kw` is then without meaning.  Through a hole
    the engine's heat and the switches stay as they were, whatever else is marched beside.
    """
    drives = [run.drive for run in runs]
    columns = _Columns(drives)
    n, count, width = columns.steps, len(runs), len(lanes)
    cooling: Cooling = beside([lane.cooling for lane in lanes])
    engine: Engine = beside([lane.engine for lane in lanes])
    own = {name: np.array([getattr(lane, name) for lane in lanes]) for name in _OWN}
    coolant = columns.along(coolants, np.nan)
    slope = columns.along([np.gradient(c, STEP_S, axis=0) for c in coolants], np.nan)
    told = np.isfinite(columns.of("ac_on"))
    ac, heater, forced = columns.of("ac_on", 0.5), columns.of("heater_on", 0.0), columns.of("fan_on", 0.0)
    fuel, rpm, speed = columns.of("fuel_kw", 0.0), columns.of("rpm", 0.0), columns.of("speed_kmh", 0.0)
    outside, kpa = columns.of("air_c"), columns.of("air_kpa", SEA_LEVEL_KPA)
    known = np.isfinite(coolant) & np.isfinite(outside)
    fed = np.isfinite(columns.of("fuel_kw"))
    guess = np.array([[AIR_ERROR_C if d.air_measured else AIR_GUESS_C] for d in drives])
    pressed = 1.0 + np.array([[float(run.height_unknown)] for run in runs]) * own["pressure"]
    drawn = np.where(np.array([[d.source == "load"] for d in drives]), pressed, 1.0)
    more = None if shifts is None else np.exp(columns.along([s[:, None] for s in shifts], 0.0))
    relative = np.maximum(fuel / fuel_l / FUEL_KW_L_REFERENCE, 0.02)
    metal_share = heat.lag(0.0, 1.0, STEP_S, cooling.metal_kj_k / cooling.metal_kw_k)
    ahead_kj_k = cooling.metal_kj_k + heat.engine_coolant_kj_k(cooling)
    zero = np.zeros((count, width))
    needed, would, opened = (np.full((n, count, width), np.nan) for _ in range(3))
    lagged: Number = coolant_heat_kw(engine, fuel[0] + zero)
    clutch: Number = zero + 0.5
    opening: Number = zero + 0.5
    radiator: Number = zero + np.nan
    freed: Floats = np.full(count, np.nan)
    for k in range(n):
        made = coolant_heat_kw(engine, fuel[k] * drawn) * relative[k] ** own["heat_curve"]
        lagged = np.where(fed[k], lagged + (made - lagged) * metal_share, lagged)
        if not known[k].any():
            freed, radiator = np.full(count, np.nan), zero + np.nan
            continue
        here = np.where(known[k], coolant[k], 90.0)
        if more is not None:
            here[:, -1] = np.where(np.isfinite(freed), freed, here[:, -1])
        air = np.where(np.isfinite(outside[k]), outside[k], 25.0) + guess * own["air_c"]
        ac_now = held(ac[k] + np.where(told[k], 0.0, own["ac_share"]), 0.0, 1.0)
        demand = Demand(lagged, rpm[k], speed[k], ac_now, heater[k], forced[k])
        wind = np.where(speed[k] > 1.0, own["headwind_kmh"], 0.0)
        around = Surroundings(air, air_density(kpa[k] * pressed, air), wind)
        opening = np.where(known[k], heat.thermostat(cooling, opening, here, STEP_S), opening)
        passes = np.maximum(opening, LEAST_OPENING) ** np.exp(own["open_curve"])
        # Over a piece an on-off fan has run a share of the time, and a dosed one at a share of its speed: a ramp.
        electric = held((here - cooling.electric_on_c) / cooling.electric_span_c + 1.0, 0.0, 1.0)
        electric = np.maximum(np.maximum(electric, cooling.ac_fan * ac_now), forced[k])
        rising = np.exp(own["fan_curve"] * 0.1 * (here - 105.0))
        side = air_side(cooling, demand, around, clutch * rising, electric * rising)
        core = shed(cooling, demand, around, passes, clutch * rising, electric * rising, side)
        out = core.conductance_kw_k * np.maximum(here - core.air_c, 1.0)
        out = out * curved(speed[k], rpm[k], own["shed_by_speed"], own["shed_by_rpm"])
        target = heat.clutch_target(cooling, air_behind_c(side, out, air))
        clutch = np.where(known[k], heat.lag(clutch, target, STEP_S, cooling.clutch_lag_s), clutch)
        # The radiator stands under the coolant by what it sheds; as the thermostat opens it fills with heat.
        before, radiator = radiator, np.where(known[k], here - out / core.coolant_kw_k, np.nan)
        filling = cooling.radiator_kj_k * np.where(np.isfinite(before), radiator - before, 0.0) / STEP_S
        loss = heat.loss_kw_k(cooling, speed[k]) * ((speed[k] + 20.0) / 50.0) ** own["loss_curve"]
        loss = loss * (here + lagged / cooling.metal_kw_k - air)
        cabin = heater[k] * cooling.heater_kw_k * (here - heat.CABIN_C)
        free = lagged - filling - loss - cabin
        needed[k] = np.where(known[k], free - ahead_kj_k * slope[k], np.nan)
        would[k] = np.where(known[k], out, np.nan)
        opened[k] = opening
        if more is not None:
            coolant[k] = np.where(known[k], here, np.nan)
            net = ((free - out * more[k]) / ahead_kj_k)[:, -1]
            freed = np.where(known[k, :, -1], np.clip(here[:, -1] + STEP_S * net, 0.0, MOST_C), np.nan)
    capacity = heat.heat_capacity_kj_k(cooling) + zero[0]
    imbalance = needed - would + capacity * slope
    ends = [len(d.t_s) for d in drives]
    return [
        March(needed[:e, i], would[:e, i], coolant[:e, i], opened[:e, i], imbalance[:e, i], capacity)
        for i, e in enumerate(ends)
    ]
