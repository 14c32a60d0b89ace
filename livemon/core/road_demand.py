"""Demand along a known road: what this drive has shown of driver and vehicle, and what that makes of the road ahead.

Every 20 s on the route the fuel that was burnt is set against what road load says it took, with one scale for what a
level road takes and one for lifting the mass, both after what an open converter loses in the gear that is used; speed
and engine speed are remembered for climbs and for level road.
`course` lays that over the road ahead for some draws of what is not known.  Knows nothing of temperatures of coolant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from livemon.core import demand, traction
from livemon.core import engine as heat_made
from livemon.core.air import (
    GRAVITY_M_S2,
    LAPSE_C_KM,
    Array,
    Number,
    air_c_at,
    air_density,
    held,
    standard_pressure_kpa,
)
from livemon.core.radiator import engine_fan_rpm
from livemon.core.road import Ahead, RoadView
from livemon.core.signals import Inputs
from livemon.core.vehicle import Body, Cooling, Engine, VehicleProfile

BLOCK_S: Final = 20
CLIMB_PCT: Final = 2.0
"""From this grade on the speed is that of climbs; a level road ends at the same grade downhill."""
CREEP_KMH: Final = 5.0
OVERRUN: Final = 0.35
"""A block that should have taken less than this share of a level road's fuel was coasted: fuel cut tells no scale."""
SCALE_NOISE: Final = 0.10
"""Share by which 20 s of fuel miss road load: gears, wind, bends (measured on made-up drives: 8 to 15 %)."""
LEAST_FUEL_KW: Final = 15.0  # an engine at idle burns about so much; its readings are no better than that
SCALE_WALK: Final = 0.02
SCALES: Final = (0.4, 2.5)
HABIT_S: Final = 200.0
COST_S: Final = 600.0
COST_KNOWN_S: Final = 100.0
"""Memory of what climbing costs, and the time on climbs after which half of what is seen is believed."""
COSTS: Final = (0.8, 1.25)
STRANGE: Final = 0.2
"""Spread of the ratio of climbing speed to level speed of a driver not yet seen on a climb; between which the demand is
worked out."""
KEEPS: Final = 0.06
OWN_KMH: Final = 68.0
OWN: Final = 0.22
"""Such drivers are of two kinds: half keep on a climb what they drove on the level, within a share; half climb at a
speed of their own, spread about OWN_KMH by ratio, whatever they drove before (as the made-up drives are; no source for
real ones)."""
SEEN_S: Final = 60.0
STEADY: Final = 0.07
"""Spread of the mean speed of the rest of a climb against its last minutes (made-up roads; no source for real ones)."""
LAPSE_SPREAD_C_KM: Final = 2.0
"""Days between inversion and dry adiabatic (9.8) spread about the standard lapse."""
WAVE_M: Final = 12_000.0
"""Longest way over which the speed wanders about its mean; draws take from this to a third of it."""
LN_MOST: Final = 0.5
"""Draws of speed go no farther from the usual one, by ratio: the demand is worked out at three speeds only."""
RPM_SPREAD: Final = 0.05
LEAST_KMH: Final = 12.0
UNKNOWNS: Final = 6
"""Draws that `course` takes: speed, level scale, climb scale, lapse, engine speed, and the wandering of speed."""


class Shown(NamedTuple):
    """What the drive has shown; a value.  Scales: (fuel seen / fuel predicted) of a level road, and of lifting."""

    level: float
    lift: float
    p_level: float
    p_both: float
    p_lift: float
    ln_rpm: float = 0.0
    """Logarithm of engine speed seen over predicted."""
    rpm_s: float = 0.0
    climb_kmh: float = 0.0
    climb_rpm_kmh: float = 0.0
    """Engine speed over road speed on climbs: the gear that is used there, whatever the gearbox."""
    climb_loss: float = 1.0
    """What the converter loses in that gear (`traction.slip_loss`)."""
    climb_gear_s: float = 0.0
    climbing: bool = False
    """The block before was driven on a climb: one across its foot has the gears of both."""
    climb_s: float = 0.0
    climb_seen_kw: float = 0.0
    climb_said_kw: float = 0.0
    """Fuel burnt on climbs, and what the scales say of the same blocks: their ratio is what braking for bends, gears
    and wind cost on the whole, which no block by itself tells from a change of speed."""
    rough: float = 0.01
    """Mean square of ln(speed of a block / mean speed) on climbs: bends, villages, slower people ahead."""
    level_kmh: float = 0.0
    level_s: float = 0.0
    # the block under way
    seconds: int = 0
    fuel_kj: float = 0.0
    revs: float = 0.0
    driven_m: float = 0.0
    height_m: float | None = None
    speed_kmh: float = 0.0
    along_m: float = 0.0


class Vehicle(NamedTuple):
    """The vehicle as plain numbers; mass with today's load."""

    body: Body
    engine: Engine
    cooling: Cooling


def begin(profile: VehicleProfile) -> Shown:
    """Before the drive: scales of 1 with the profile's spreads; what fuel readings get wrong comes on top."""

    def share(*names: str) -> float:
        total = 0.0
        for name in names:
            figure = profile.state(name)
            total += (figure.spread / max(abs(figure.likely), 1e-6)) ** 2
        return float(total**0.5)

    read = share("displacement_l", "volumetric_efficiency", "indicated_efficiency")
    level = read + share("friction_bar", "rolling_resistance", "drag_area_m2")
    lift = read + share("mass_kg", "driveline_efficiency")
    return Shown(1.0, 1.0, level * level, read * read, lift * lift)


def _level_fuel_kw(
    v: Vehicle,
    speed_kmh: Array | float,
    rpm: Array | float,
    density: Array | float,
    ac: float,
    air_c: Array | float,
    loss: Number = 1.0,
) -> Array:
    """Fuel [kW] for this speed on the level, before any scale: road load, accessories and friction of the engine.

    `loss`: power into over power out of the converter in the gear that is used here, which need not be that of a
    level road.
    """
    force = traction.road_force_n(v.body, speed_kmh, 0.0, density)
    power = traction.wheel_kw(force, speed_kmh) / v.body.driveline_efficiency * loss
    power = power + heat_made.accessory_kw(v.engine, v.cooling, rpm, engine_fan_rpm(v.cooling, rpm, 0.5), ac, air_c)
    return np.asarray(heat_made.fuel_kw_from_power(v.engine, power, rpm))


def _lift_fuel_kw(v: Vehicle, speed_kmh: Array | float, grade_pct: Array | float, loss: Number = 1.0) -> Array:
    """Fuel [kW] that lifting the mass takes at this speed and grade; negative downhill."""
    force = np.asarray(v.body.mass_kg * GRAVITY_M_S2) * grade_pct / np.hypot(100.0, grade_pct)
    power = traction.wheel_kw(force, speed_kmh) / v.body.driveline_efficiency * loss
    return np.asarray(power / v.engine.indicated_efficiency)


def air_kpa(inputs: Inputs, where: RoadView) -> float:
    """Outside pressure [kPa]: measured, else that of the height of the road here, else as `demand` has it.

    On a route all that is said of the road ahead stands on its heights, so what is seen now must stand on them too.
    """
    height = None if where.altitude_m is None else where.altitude_m.likely
    if inputs.baro_kpa is not None or not where.on_route or height is None:
        return demand.air_pressure_kpa(inputs)
    return float(standard_pressure_kpa(height))


def heard(
    s: Shown, inputs: Inputs, where: RoadView, v: Vehicle, fuel_kw: float | None, kpa: float, outside_c: float
) -> Shown:
    """One second on; off the route, or without speed, engine speed or fuel, the block under way is dropped."""
    speed = inputs.speed_kmh if inputs.speed_kmh is not None else inputs.gps_speed_kmh
    if where.ahead is None or where.along_m is None or speed is None or not inputs.rpm or fuel_kw is None:
        return _new_block(s)
    height = where.ahead.height_m[0]
    if s.height_m is None:
        return s._replace(height_m=height, speed_kmh=speed, along_m=where.along_m)
    s = s._replace(
        seconds=s.seconds + 1,
        fuel_kj=s.fuel_kj + fuel_kw,
        revs=s.revs + inputs.rpm,
        driven_m=s.driven_m + speed / 3.6,
    )
    if s.seconds < BLOCK_S:
        return s
    ac = demand.told_ac(inputs)
    done = _block(s, v, height, speed, where.along_m, kpa, ac, outside_c)
    return _new_block(done)._replace(height_m=height, speed_kmh=speed, along_m=where.along_m)


def _new_block(s: Shown) -> Shown:
    if s.seconds == 0 and s.height_m is None:
        return s
    return s._replace(seconds=0, fuel_kj=0.0, revs=0.0, driven_m=0.0, height_m=None)


def _block(
    s: Shown, v: Vehicle, height_m: float, speed_kmh: float, along_m: float, kpa: float, ac: float, outside_c: float
) -> Shown:
    """What 20 s on the road show of scales, engine speed and the driver's speed."""
    mean_kmh = 3.6 * s.driven_m / s.seconds
    along = along_m - s.along_m
    if mean_kmh < CREEP_KMH or s.height_m is None or abs(along - s.driven_m) > 0.3 * s.driven_m + 30.0:
        return s  # standing, or a match that moved by itself
    grade = 100.0 * (height_m - s.height_m) / max(s.driven_m, 1.0)
    density = float(air_density(kpa, outside_c))
    power = float(traction.altitude_factor(kpa, outside_c, v.engine.boosted))
    rpm = s.revs / s.seconds
    force = traction.road_force_n(v.body, mean_kmh, grade, density)
    loss = float(traction.slip_loss(v.body, v.engine, mean_kmh, force, rpm)[0])
    s = _habit(s, grade, mean_kmh, rpm, loss)
    level = float(_level_fuel_kw(v, mean_kmh, rpm, density, ac, outside_c, loss))
    gained = speed_kmh**2 - s.speed_kmh**2  # of kinetic energy, which the engine pays for as for height
    kinetic_kw = 0.0005 * float(v.body.mass_kg) * (1.0 + traction.ROTATING_SHARE) / 12.96 * gained / s.seconds
    lift = float(_lift_fuel_kw(v, mean_kmh, grade, loss))
    lift += kinetic_kw * loss / float(v.body.driveline_efficiency * v.engine.indicated_efficiency)
    said_kw, seen_kw = s.level * level + s.lift * lift, s.fuel_kj / s.seconds
    if s.climbing:
        k = max(BLOCK_S / COST_S, BLOCK_S / max(s.climb_gear_s, BLOCK_S))
        s = s._replace(
            climb_seen_kw=s.climb_seen_kw + k * (seen_kw - s.climb_seen_kw),
            climb_said_kw=s.climb_said_kw + k * (said_kw - s.climb_said_kw),
        )
    if said_kw < OVERRUN * level:
        return s
    s = _scaled(s, level, lift, seen_kw)
    usual = max(float(traction.choose_gear(v.body, v.engine, mean_kmh, force, 3.0, power).rpm), 300.0)
    turn = float(np.log(min(max(rpm / usual, 0.6), 1.6)))
    k = max(BLOCK_S / HABIT_S, BLOCK_S / (s.rpm_s + BLOCK_S))
    return s._replace(ln_rpm=s.ln_rpm + k * (turn - s.ln_rpm), rpm_s=s.rpm_s + BLOCK_S)


def _habit(s: Shown, grade_pct: float, mean_kmh: float, rpm: float, loss: float) -> Shown:
    """Running means of the speed on climbs and of the gear there with its loss, and of the speed on level road."""
    forget = 1.0 - 2.718281828459045 ** (-BLOCK_S / HABIT_S)
    if grade_pct >= CLIMB_PCT:
        k = max(forget, BLOCK_S / (s.climb_s + BLOCK_S))
        apart = float(np.log(max(mean_kmh, CREEP_KMH) / max(s.climb_kmh, CREEP_KMH))) if s.climb_s else 0.1
        if s.climbing:
            gear = max(forget, BLOCK_S / (s.climb_gear_s + BLOCK_S))
            s = s._replace(
                climb_rpm_kmh=s.climb_rpm_kmh + gear * (rpm / max(mean_kmh, 1.0) - s.climb_rpm_kmh),
                climb_loss=s.climb_loss + gear * (loss - s.climb_loss),
                climb_gear_s=s.climb_gear_s + BLOCK_S,
            )
        return s._replace(
            rough=s.rough + forget * (min(apart * apart, 0.5) - s.rough),
            climb_kmh=s.climb_kmh + k * (mean_kmh - s.climb_kmh),
            climb_s=s.climb_s + BLOCK_S,
            climbing=True,
        )
    s = s._replace(climbing=False)
    if grade_pct > -CLIMB_PCT:
        k = max(forget, BLOCK_S / (s.level_s + BLOCK_S))
        return s._replace(level_kmh=s.level_kmh + k * (mean_kmh - s.level_kmh), level_s=s.level_s + BLOCK_S)
    return s


def _scaled(s: Shown, level_kw: float, lift_kw: float, seen_kw: float) -> Shown:
    """Both scales after one block: a Kalman filter of one sum, with a noise that is a share of what was burnt."""
    a, b = level_kw, lift_kw
    p00, p01, p11 = s.p_level + SCALE_WALK**2, s.p_both, s.p_lift + SCALE_WALK**2
    g0, g1 = p00 * a + p01 * b, p01 * a + p11 * b
    variance = a * g0 + b * g1 + (SCALE_NOISE * max(seen_kw, LEAST_FUEL_KW)) ** 2
    surprise = seen_kw - (s.level * a + s.lift * b)
    surprise = min(max(surprise, -3.0 * variance**0.5), 3.0 * variance**0.5)
    k0, k1 = g0 / variance, g1 / variance
    low, high = SCALES
    return s._replace(
        level=min(max(s.level + k0 * surprise, low), high),
        lift=min(max(s.lift + k1 * surprise, low), high),
        p_level=p00 - k0 * g0,
        p_both=p01 - k0 * g1,
        p_lift=p11 - k1 * g1,
    )


def climb_cost(s: Shown) -> float:
    """Fuel burnt on climbs over what the scales say; 1 before any was driven, near it while little was."""
    if s.climb_said_kw <= 0.0:
        return 1.0
    known = s.climb_gear_s / (s.climb_gear_s + COST_KNOWN_S)
    return 1.0 + known * (float(held(s.climb_seen_kw / s.climb_said_kw, *COSTS)) - 1.0)


def _climb_known(s: Shown) -> float:
    """How far the speed on climbs has been seen, 0 to 1."""
    return float(-np.expm1(-s.climb_s / SEEN_S))


def climb_speed(s: Shown) -> tuple[float | None, float]:
    """(likely speed on climbs ahead [km/h], its spread as a share); None before anything was driven."""
    if s.climb_s <= 0.0:
        return (s.level_kmh if s.level_s > 0.0 else None), STRANGE
    known = _climb_known(s)
    base = s.level_kmh if s.level_s > 0.0 else s.climb_kmh
    return base + known * (s.climb_kmh - base), float(np.hypot(STEADY, STRANGE * (1.0 - known)))


def climb_apart(s: Shown, climb_kmh: float, z: Array) -> Array:
    """(draws,) logarithm of the speed on climbs ahead over `climb_kmh`, for draws `z` as `course` takes them.

    Before a climb half of the drivers keep the speed they had on the level, the others climb at one of their own;
    once it is driven only how it goes on is open.
    """
    known = _climb_known(s)
    strange = np.where(z[5] <= 0.0, KEEPS * z[0], np.log(OWN_KMH / climb_kmh) + OWN * z[0])
    return np.asarray((1.0 - known) * strange + known * STEADY * z[0])


@dataclass(frozen=True, slots=True)
class Course:
    """The demand along the road ahead, arrays (points, draws): each step ends at `distance_m`, `step_m` long."""

    distance_m: Array
    step_m: Array
    height_m: Array
    speed_kmh: Array
    fuel_kw: Array
    rpm: Array
    air_c: Array
    kg_m3: Array

    def seconds(self) -> Array:
        """Time for each step [s]."""
        return np.asarray(self.step_m[:, None] / (self.speed_kmh / 3.6))


def course(
    s: Shown, ahead: Ahead, v: Vehicle, inputs: Inputs, outside_c: float, points: Array, z: Array
) -> Course | None:
    """Demand over steps that end at `points` [m from here], for draws `z` (UNKNOWNS, draws); None without any speed.

    Past the end of the route the road is taken as level.  Speed: the driver's so far, never more than the engine holds.
    """
    climb_kmh, spread = climb_speed(s)
    if climb_kmh is None:
        return None
    level_kmh = s.level_kmh if s.level_s > 0.0 else climb_kmh
    edge = np.concatenate([[0.0], points])
    at = np.asarray(ahead.distance_m)
    height = np.interp(edge, at, ahead.height_m)
    grade = 100.0 * np.diff(height) / np.diff(edge)
    middle = 0.5 * (height[1:] + height[:-1])
    here_m = float(height[0])
    correction = demand.air_pressure_kpa(inputs) / float(standard_pressure_kpa(here_m)) if inputs.baro_kpa else 1.0
    kpa = np.asarray(standard_pressure_kpa(middle)) * correction
    likely_c = np.asarray(air_c_at(middle, outside_c, here_m, LAPSE_C_KM))
    kg_m3 = np.asarray(air_density(kpa, likely_c))
    steep = np.asarray(held((grade - 0.5 * CLIMB_PCT) / CLIMB_PCT, 0.0, 1.0))
    wish = level_kmh + steep * (climb_kmh - level_kmh)
    factors = np.exp(np.array([-1.0, 0.0, 1.0]) * 1.3 * spread)
    wished = np.maximum((factors[:, None] * wish).ravel(), LEAST_KMH)
    many = [np.tile(x, 3) for x in (grade, kg_m3, kpa, likely_c)]
    power = np.asarray(traction.altitude_factor(many[2], many[3], v.engine.boosted))
    ac = demand.told_ac(inputs)
    extra = heat_made.accessory_kw(v.engine, v.cooling, 2500.0, engine_fan_rpm(v.cooling, 2500.0, 0.5), ac, outside_c)
    speed = np.asarray(traction.top_speed_kmh(v.body, v.engine, many[0], many[1], power, wished, extra))
    force = traction.road_force_n(v.body, speed, many[0], many[1])
    pull = traction.choose_gear(v.body, v.engine, speed, force, extra, power)
    own = speed * s.climb_rpm_kmh
    seen = (1.0 - 2.718281828459045 ** (-s.climb_gear_s / BLOCK_S)) * np.tile(steep, 3)
    rpm = np.asarray(pull.rpm) * np.exp(s.ln_rpm)
    # Two gears in turn have a mean engine speed that belongs to neither: their mean loss is remembered, not read off.
    loss = traction.slip_loss(v.body, v.engine, speed, force, rpm)
    loss = loss + seen * (s.climb_loss - loss)
    rpm = np.asarray(held(rpm + seen * (own - rpm), v.engine.idle_rpm, 1.1 * v.engine.rpm_limit))
    cost = 1.0 + np.tile(steep, 3) * (climb_cost(s) - 1.0)
    level = cost * _level_fuel_kw(v, speed, rpm, many[1], ac, many[3], loss)
    lift = cost * _lift_fuel_kw(v, speed, many[0], loss)
    n = len(points)
    three = [x.reshape(3, n) for x in (speed, rpm, level, lift)]
    phase = 0.5 * (1.0 + np.tanh(z[5]))  # any even spread over one turn will do
    wave = 2.0 * np.pi * (edge[1:, None] / WAVE_M * (1.0 + 2.0 * phase) + 7.0 * phase)
    on_climb, on_level = climb_apart(s, climb_kmh, z), STEADY * z[0]
    ln_speed = on_level + steep[:, None] * (on_climb - on_level) + np.sqrt(2.0 * s.rough) * np.sin(wave)
    across = np.asarray(held(ln_speed, -LN_MOST, LN_MOST)) / (1.3 * spread)
    speed_d, rpm_d, level_d, lift_d = (_between(x, across) for x in three)
    tie = s.p_both / max(s.p_level, 1e-9)
    apart = max(s.p_lift - tie * s.p_both, 0.0) ** 0.5
    scale_level = s.level + s.p_level**0.5 * z[1]
    scale_lift = s.lift + tie * s.p_level**0.5 * z[1] + apart * z[2]
    idle = _level_fuel_kw(v, 0.0, float(v.engine.idle_rpm), 1.1, ac, outside_c)
    fuel = np.maximum(np.maximum(scale_level, 0.3) * level_d + np.maximum(scale_lift, 0.3) * lift_d, idle)
    lapse = LAPSE_C_KM + LAPSE_SPREAD_C_KM * z[3]
    return Course(
        points,
        np.diff(edge),
        height[1:],
        speed_d,
        fuel,
        rpm_d * np.exp(RPM_SPREAD * z[4]),
        np.asarray(air_c_at(middle[:, None], outside_c, here_m, lapse)),
        kg_m3,
    )


def _between(three: Array, across: Array) -> Array:
    """(points, draws) between slow, usual and fast driving, straight lines on either side of usual."""
    slow, usual, fast = (row[:, None] for row in three)
    return np.asarray(usual + np.where(across < 0.0, (usual - slow) * across, (fast - usual) * across))


def loaded(body: Body, mass_kg: float | None) -> Body:
    """The vehicle with today's mass, where it is declared."""
    return body if mass_kg is None else replace(body, mass_kg=mass_kg)
