"""Road load: what a grade, a speed and a gear ask of the engine, and whether the engine can give it at this height.

Force from the road-load equation, power through the driveline, engine speed through gear and torque converter, and
the gear found back from rpm over speed.  Everything is elementwise over hypotheses or road points.  It does not know
wind unless told, nor road surface beyond the rolling resistance coefficient.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Final

import numpy as np

from livemon.core.air import GRAVITY_M_S2, ZERO_C_K, Array, Flags, Number
from livemon.core.vehicle import Body, Engine

ROTATING_SHARE: Final = 0.08
"""Turning parts add this share to the mass when accelerating in a high gear (1.05 to 1.15, common practice)."""
SHIFTS_DOWN_AT: Final = 0.90
"""Share of full-throttle power past which an automatic takes a lower gear: one law for plan, road and made-up rigs.

UN GTR No. 15 (Annex 2) leaves 10 % of full load in the choice of gear, for manual gearboxes; automatics' maps differ,
no source.  Made-up boxes (down at 93 %, up at 75 %: one that has shifted down stays there) are followed best by a law
of 85 to 90 %, but at 85 % a heavy vehicle would take first gear at 64 km/h.  Figures of each law: docs/plan.md."""
SLIP_MOST: Final = 1.6
"""Past this ratio of speeds a converter multiplies torque so much that slip tells nothing of the power lost."""


def road_force_n(
    body: Body,
    speed_kmh: Number,
    grade_pct: Number,
    air_kg_m3: Number,
    accel_m_s2: Number = 0.0,
    headwind_kmh: Number = 0.0,
) -> Number:
    """Force [N] at the wheels to hold `speed_kmh` on `grade_pct` while gaining `accel_m_s2`.

    F = m g sin a + Crr m g cos a + 0.5 rho CdA w|w| + 1.08 m dv/dt, a = atan(grade / 100), w = speed + headwind.
    Source: road-load equation (any vehicle dynamics text).  Valid for paved and graded roads, grade within 30 %.
    Example: 2200 kg, 6 %, 80 km/h, CdA 1.2, Crr 0.013, 1.0 kg/m3 -> 1292.2 + 280.0 + 296.3 N.
    """
    slope = grade_pct / 100.0
    cos_a = 1.0 / np.sqrt(1.0 + slope * slope)
    weight = body.mass_kg * GRAVITY_M_S2
    wind_m_s = (speed_kmh + headwind_kmh) / 3.6
    grade_n = weight * slope * cos_a
    roll_n = body.rolling_resistance * weight * cos_a
    aero_n = 0.5 * air_kg_m3 * body.drag_area_m2 * wind_m_s * np.abs(wind_m_s)
    force: Number = grade_n + roll_n + aero_n + (1.0 + ROTATING_SHARE) * body.mass_kg * accel_m_s2
    return force


def wheel_kw(force_n: Number, speed_kmh: Number) -> Number:
    """Power [kW] at the wheels.  Example: 1868.5 N at 80 km/h -> 41.5 kW."""
    return force_n * speed_kmh / 3600.0


def engine_kw(wheel_power_kw: Number, efficiency: Number) -> Number:
    """Engine power [kW] behind a driveline of that efficiency; negative (overrun) power comes back reduced.

    Source: definition.  Example: 41.52 kW at the wheels, 0.85 -> 48.85 kW.
    """
    power: Number = np.where(np.asarray(wheel_power_kw) > 0, wheel_power_kw / efficiency, wheel_power_kw * efficiency)
    return power


def grade_from_power(
    body: Body,
    engine_power_kw: Number,
    speed_kmh: Number,
    air_kg_m3: Number,
    efficiency: Number,
    accel_m_s2: Number = 0.0,
) -> Number:
    """Grade [%] that explains an engine power at a speed; the road-load equation solved for the slope.

    Uses sin a ~ slope (error 0.2 % of the grade at 6 %).  Meaningless below about 10 km/h.
    """
    speed_m_s = np.maximum(speed_kmh, 5.0) / 3.6
    thrust = 1000.0 * engine_power_kw * efficiency / speed_m_s
    flat = road_force_n(body, speed_kmh, 0.0, air_kg_m3, accel_m_s2)
    grade: Number = 100.0 * (thrust - flat) / (body.mass_kg * GRAVITY_M_S2)
    return grade


def turbine_rpm(body: Body, speed_kmh: Number, gear_ratio: Number) -> Number:
    """Gearbox input speed [rpm] = wheel speed x axle x gear.  Example: 80 km/h, 0.37 m, 3.9, 1.0 -> 2237 rpm."""
    return speed_kmh / 3.6 / body.tyre_radius_m * (30.0 / pi) * body.axle_ratio * gear_ratio


def converter_rpm(body: Body, turbine: Number, torque_nm: Number, idle_rpm: Number) -> Number:
    """Engine speed [rpm] over an open torque converter that passes `torque_nm` to a turbine turning at `turbine`.

    Capacity law T = c Ne^2 (1 - (Nt/Ne)^4), c in Nm per (1000 rpm)^2: quadratic in Ne^2, hence closed. Stall speed is
    sqrt(T / c); at the speed ratios of a loaded climb (0.85 to 0.95) it follows the usual capacity curves within a
    few per cent of engine speed.  Shape from memory of published converter charts, order of magnitude.
    Example: c 52, 200 Nm, 2400 rpm -> 2829 rpm (ratio 0.85).
    """
    need = np.maximum(torque_nm, 0.0) / body.converter_nm_krpm2
    squared = (turbine / 1000.0) ** 2
    engine = 1000.0 * np.sqrt(0.5 * (need + np.sqrt(need * need + 4.0 * squared * squared)))
    rpm: Number = np.maximum(engine, idle_rpm)
    return rpm


def torque_limit_nm(engine: Engine, rpm: Number) -> Number:
    """Full-throttle torque [Nm] at sea level, straight lines between the curve's points, flat outside."""
    torque: Number = engine.torque_scale * np.interp(rpm, engine.torque_rpm, engine.torque_nm)
    return torque


def altitude_factor(pressure_kpa: Number, air_c: Number, boosted: bool = False) -> Number:
    """Share of the rated full-throttle power left at this pressure and air temperature.

    1 / (1.18 (99 / p) sqrt(T / 298) - 0.18): the SAE J1349 correction for spark-ignition engines, from memory, taken
    backwards.  A boosted engine is held at 1 down to 80 kPa and loses in proportion below (common practice).
    Example: 79.5 kPa, 10 C -> 0.81; 99 kPa, 25 C -> 1.
    """
    ratio = np.sqrt((air_c + ZERO_C_K) / 298.0) / np.asarray(pressure_kpa)
    factor: Number
    factor = np.minimum(1.0, np.asarray(pressure_kpa) / 80.0) if boosted else 1.0 / (1.18 * 99.0 * ratio - 0.18)
    return factor


@dataclass(frozen=True, slots=True)
class Pull:
    """What the engine does at one road point: gear (1 = lowest), rpm, engine power, and whether it is enough."""

    gear: Number
    rpm: Number
    engine_kw: Number
    limit_kw: Number
    turbine_rpm: Number

    @property
    def holds(self) -> Flags:
        """True where the wished speed can be held: the engine's limit here is not below the need."""
        enough: Flags = np.asarray(self.limit_kw) >= np.asarray(self.engine_kw)
        return enough


def ratio_of(body: Body, gear: Number) -> Number:
    """Ratio of `gear` (1 = lowest), also where each rig has ratios of its own."""
    index = np.asarray(gear).astype(np.int64) - 1
    ratios = np.asarray(body.gear_ratios)
    ratio: Number = ratios[index] if ratios.ndim == 1 else ratios[index, np.arange(ratios.shape[1])]
    return ratio


def pull_in_gears(
    body: Body,
    engine: Engine,
    speed_kmh: Number,
    force_n: Number,
    accessory_kw: Number = 0.0,
    power_factor: Number = 1.0,
    highest: int | None = None,
) -> Pull:
    """Engine speed and power to make `force_n` at `speed_kmh` in every gear: fields are (gears, points), lowest first.

    The converter is locked in the top two gears above `body.lockup_kmh`, open elsewhere; what slips is lost as heat
    in the gearbox.  Below walking pace the engine idles.  Torque multiplication is neglected, so pulling away is
    thirsty.
    """
    count = len(body.gear_ratios) if highest is None else min(highest, len(body.gear_ratios))
    ratios = np.asarray(body.gear_ratios)[:count]
    if ratios.ndim == 1:
        ratios = ratios[:, None]
    gears = np.arange(1.0, count + 1.0)[:, None]
    locks = gears > len(body.gear_ratios) - 2
    turbine, torque = turbine_rpm(body, speed_kmh, ratios), _turbine_torque_nm(body, ratios, force_n)
    locked = (speed_kmh >= body.lockup_kmh) & locks
    open_rpm = converter_rpm(body, turbine, torque, engine.idle_rpm)
    rpm = np.where(locked, np.maximum(turbine, engine.idle_rpm), open_rpm)
    turning = rpm * (pi / 30_000.0)
    limit_kw = torque_limit_nm(engine, rpm) * turning * power_factor
    return Pull(gears, rpm, torque * turning + accessory_kw, limit_kw, turbine)


def _turbine_torque_nm(body: Body, ratios: Array, force_n: Number) -> Array:
    """Torque out of the converter that makes `force_n` at the wheels, (gears, points).

    In overrun the engine brakes and nothing is burnt to drive the wheels: no torque to ask for.
    """
    total = body.axle_ratio * ratios * body.driveline_efficiency
    return np.asarray(np.maximum(force_n, 0.0) * body.tyre_radius_m / total)


def highest_gears(engine: Engine, pulls: Pull, *reserves: float) -> list[Array]:
    """Highest gear (1 = lowest) that pulls within each of `reserves` of full throttle and turns over 1.6 times idle.

    Where none does: the strongest that may run; first gear at a crawl; top gear past every rpm limit. An automatic's
    habit, not its map.
    """
    rpm, limit = np.asarray(pulls.rpm), np.asarray(pulls.limit_kw)
    over = rpm > engine.rpm_limit
    runs = (np.asarray(pulls.turbine_rpm) >= 1.6 * engine.idle_rpm) & ~over
    count = len(limit)
    numbers = np.arange(1, count + 1)[:, None]
    strongest = 1 + (limit * runs).argmax(axis=0)
    otherwise = np.where(over.all(axis=0), count, strongest)
    used = pulls.engine_kw / limit
    gears: list[Array] = []
    for reserve in reserves:
        top = ((runs & (used <= reserve)) * numbers).max(axis=0)
        gears.append(np.where(top > 0, top, otherwise).astype(np.float64))
    return gears


def in_gear(pulls: Pull, gear: Array) -> Pull:
    """The rows of `pulls` that belong to each point's gear."""
    index = np.atleast_1d(gear).astype(np.int64) - 1
    points = np.arange(len(index))

    def row(values: Number) -> Array:
        wide = np.asarray(values)
        return np.asarray(wide[index, points] if wide.shape[1] == len(index) else wide[index, 0])

    return Pull(gear, row(pulls.rpm), row(pulls.engine_kw), row(pulls.limit_kw), row(pulls.turbine_rpm))


def slip_loss(body: Body, engine: Engine, speed_kmh: Number, force_n: Number, rpm: Number) -> Array:
    """Power into over power out of the converter behind an engine that turns at `rpm`, (points,); 1 = locked.

    Of every gear, locked or open by the capacity law, the one nearest to `rpm` as a ratio: engine speed tells the gear
    and whether it is locked, the law how far it slips.  All of the slip is lost, as in `pull_in_gears`, so that a plan
    and the road ahead foresee the same: from its coupling point up (a speed ratio of some 0.87, published charts, from
    memory) a converter passes torque on as it is.  Below it some comes back as torque, which is left out of both.
    Example: locked -> 1; slip 1.2 -> 1.2.
    """
    ratios = np.asarray(body.gear_ratios)[:, None]
    turbine = np.maximum(turbine_rpm(body, np.atleast_1d(speed_kmh), ratios), 1.0)
    torque = _turbine_torque_nm(body, ratios, force_n)
    open_slip = np.maximum(converter_rpm(body, turbine, torque, engine.idle_rpm) / turbine, 1.0)
    slip = np.concatenate([np.ones_like(open_slip), open_slip])
    off = np.abs(np.log(slip * np.concatenate([turbine, turbine]) / rpm))
    found = np.take_along_axis(slip, off.argmin(axis=0)[None], axis=0)[0]
    return np.asarray(np.minimum(found, SLIP_MOST))


def choose_gear(
    body: Body,
    engine: Engine,
    speed_kmh: Number,
    force_n: Number,
    accessory_kw: Number = 0.0,
    power_factor: Number = 1.0,
    reserve: float = SHIFTS_DOWN_AT,
    highest: int | None = None,
) -> Pull:
    """What the engine does in the gear an automatic would take (`highest_gears`); `highest` 3 = lever in third."""
    pulls = pull_in_gears(body, engine, np.atleast_1d(speed_kmh), force_n, accessory_kw, power_factor, highest)
    best = in_gear(pulls, highest_gears(engine, pulls, reserve)[0])
    if np.ndim(speed_kmh) or np.shape(best.rpm) != (1,):
        return best
    one = (np.asarray(v)[0] for v in (best.gear, best.rpm, best.engine_kw, best.limit_kw, best.turbine_rpm))
    return Pull(*one)


def recognise_gear(body: Body, rpm: float, speed_kmh: float) -> int | None:
    """Gear (1 = lowest) that explains rpm over speed, `None` when none does or the vehicle is too slow.

    An open converter lets the engine turn up to 25 % faster than the gear says, never more than 3 % slower. Of two
    that fit, the one with the smaller slip.
    """
    if speed_kmh < 15.0 or rpm < 500.0:
        return None
    best, best_slip = None, 0.25
    for gear, ratio in enumerate(body.gear_ratios, start=1):
        slip = rpm / float(turbine_rpm(body, speed_kmh, ratio)) - 1.0
        if -0.03 <= slip < best_slip:
            best, best_slip = gear, slip
    return best


def top_speed_kmh(
    body: Body,
    engine: Engine,
    grade_pct: Number,
    air_kg_m3: Number,
    power_factor: Number,
    wished_kmh: Number,
    accessory_kw: Number = 0.0,
    highest: int | None = None,
    headwind_kmh: Number = 0.0,
) -> Number:
    """The wished speed, or the highest one the engine can hold on this grade here: 12 halvings (to 0.05 km/h).

    Held is a speed that power suffices for, at an engine speed of `rpm_limit` at most: a lever held down (`highest`)
    bounds the speed on the level and downhill too.
    """
    low: Number = 5.0 + 0.0 * np.asarray(wished_kmh) + 0.0 * np.asarray(grade_pct)
    high: Number = np.asarray(wished_kmh) + 0.0 * np.asarray(grade_pct)
    trial = high
    for _ in range(12):
        force = road_force_n(body, trial, grade_pct, air_kg_m3, 0.0, headwind_kmh)
        pull = choose_gear(body, engine, trial, force, accessory_kw, power_factor, 1.0, highest)
        holds = pull.holds & (np.asarray(pull.rpm) <= engine.rpm_limit)
        low = np.where(holds, trial, low)
        high = np.where(holds, high, trial)
        if np.array_equal(low, high):  # all hold what was wished, the usual case
            break
        trial = 0.5 * (low + high)
    return low
