"""The climb before the trip: temperature along a route for a vehicle, a weather and a way of driving.

Speed, gear and engine power follow from the road at every point at once; then the same physics as the live core marches
along the road for many draws of what is not known of the vehicle, all ways of driving side by side.  Slow speed
changes are taken as steady (no kinetic energy), traffic is not foreseen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core import engine as heat_made
from livemon.core import heat, traction
from livemon.core.air import Number, air_c_at, air_density, standard_pressure_kpa
from livemon.core.coolant import boiling_c
from livemon.core.figures import BODY, COOLING, ENGINE
from livemon.core.outcome import Band
from livemon.core.radiator import Demand, Surroundings, engine_fan_rpm
from livemon.core.route import Route
from livemon.core.vehicle import Body, Cooling, Engine, VehicleProfile

Floats = NDArray[np.float64]

DRAWS: Final = 32
"""Hypotheses of the vehicle: first the likely one, then a low-discrepancy spread of every uncertain figure."""
MOST_STEPS: Final = 2_500
SHORTEST_STEP_M: Final = 50.0
STOP_STEP_S: Final = 5.0
LAPSE_C_KM: Final = 6.5
"""ISO 2533; what the weather does on the day is the traveller's to type."""


@dataclass(frozen=True, slots=True)
class Weather:
    """Outside air at the foot of the route [C], and at its highest point where that is known, else by lapse."""

    foot_c: float
    top_c: float | None = None
    headwind_kmh: float = 0.0


@dataclass(frozen=True, slots=True)
class Way:
    """One way of driving the route.  `gear` holds the lever down (3 = no higher than third)."""

    name: str
    speed_kmh: float
    gear: int | None = None
    ac_on: bool = False
    ac_off_from_m: float | None = None
    heater_on: bool = False
    fan_on: bool = False
    cooler_c: float = 0.0
    """Air so much cooler than the plan's weather: another hour of the day."""
    stop_at_m: float | None = None
    stop_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What one way of driving does, at each step of the road (arrays of equal length)."""

    way: Way
    distance_m: Floats
    time_s: Floats
    height_m: Floats
    grade_pct: Floats
    speed_kmh: Floats
    rpm: Floats
    gear: Floats
    heat_kw: Floats
    air_c: Floats
    boil_c: Floats
    low_c: Floats
    likely_c: Floats
    high_c: Floats
    holds: NDArray[np.bool_]
    """False where the engine cannot hold the wished speed; `speed_kmh` is then what it can hold."""
    peaks_c: Floats
    """Peak of every draw; the same draws for every way, so that differences pair up."""
    peak_c: Band
    peak_at_m: float

    def margin_c(self, limit_c: float) -> Band:
        """Margin at the peak against `limit_c` [K]."""
        low, likely, high = self.peak_c.low, self.peak_c.likely, self.peak_c.high
        assert low is not None
        assert likely is not None
        assert high is not None
        return Band(limit_c - high, limit_c - likely, limit_c - low)

    def boil_margin_c(self) -> float:
        """Least distance of the likely temperature under the boiling line [K]."""
        return float(np.min(self.boil_c - self.likely_c))


def gain_c(before: Plan, after: Plan) -> Band:
    """How much cooler the peak is [K], from paired draws: what is not known of the vehicle is the same in both."""
    return _band(before.peaks_c - after.peaks_c)


def _band(draws: Floats) -> Band:
    low, high = np.quantile(draws, (0.1, 0.9))
    return Band(float(low), float(draws[0]), float(high))


def draws(profile: VehicleProfile, count: int = DRAWS) -> tuple[Body, Engine, Cooling]:
    """`count` vehicles in columns: the likely one first, the others by the R-sequence (Roberts 2018) as normals."""
    names = [n for n in (*BODY, *ENGINE, *COOLING) if profile.state(n).spread > 0]
    root = 1.5
    for _ in range(60):  # the one real root of x^(d+1) = x + 1
        root = (1.0 + root) ** (1.0 / (len(names) + 1.0))
    k = np.arange(1, count)
    normals = {}
    for place, name in enumerate(names):
        share = (0.5 + k * root ** -(place + 1.0)) % 1.0
        normals[name] = np.concatenate([[0.0], _normal_quantile(share)])
    return profile.draw(normals)


def _normal_quantile(share: Floats) -> Floats:
    """Inverse normal distribution by Winitzki's formula for erf^-1 (absolute error under 0.003 in probability)."""
    x = np.clip(2.0 * share - 1.0, -0.9999, 0.9999)
    log = np.log1p(-x * x)
    first = 2.0 / (np.pi * 0.147) + 0.5 * log
    return np.asarray(np.sqrt(2.0) * np.sign(x) * np.sqrt(np.sqrt(first * first - log / 0.147) - first))


@dataclass(frozen=True, slots=True)
class _Road:
    distance_m: Floats
    step_m: Floats
    height_m: Floats
    grade_pct: Floats
    pressure_kpa: Floats


def _road(route: Route) -> _Road:
    """The route in at most 2,500 steps, each with its mean grade; ahead of them one level place at the foot.

    The first place takes no time: it is where the vehicle comes from, warm and cruising on the level.
    """
    steps = int(min(MOST_STEPS, max(2.0, route.length_m / SHORTEST_STEP_M)))
    edge = np.linspace(0.0, route.length_m, steps + 1)
    level = np.interp(edge, route.distance_m, route.height_m)
    length = np.diff(edge)
    height = np.concatenate([level[:1], 0.5 * (level[1:] + level[:-1])])
    grade = np.concatenate([[0.0], 100.0 * np.diff(level) / length])
    step_m = np.concatenate([[0.0], length])
    return _Road(edge, step_m, height, grade, np.asarray(standard_pressure_kpa(height)))


def _air_c(road: _Road, weather: Weather, way: Way) -> Floats:
    foot_m, top_m = float(road.height_m[0]), float(np.max(road.height_m))
    lapse = LAPSE_C_KM
    if weather.top_c is not None and top_m > foot_m + 50.0:
        lapse = (weather.foot_c - weather.top_c) / ((top_m - foot_m) / 1000.0)
    return np.asarray(air_c_at(road.height_m, weather.foot_c - way.cooler_c, foot_m, lapse))


@dataclass(frozen=True, slots=True)
class _Drive:
    """One way along the whole road: arrays of points, heat of (points, draws)."""

    speed_kmh: Floats
    gear: Floats
    rpm: Floats
    holds: NDArray[np.bool_]
    air_c: Floats
    ac_on: Floats
    heat_kw: Floats


def _drive(
    road: _Road, weather: Weather, way: Way, likely: tuple[Body, Engine, Cooling], drawn: tuple[Body, Engine]
) -> _Drive:
    body, engine, cooling = likely
    air_c = _air_c(road, weather, way)
    density = np.asarray(air_density(road.pressure_kpa, air_c))
    ac_on = np.full(len(air_c), float(way.ac_on))
    if way.ac_off_from_m is not None:
        ac_on = np.where(road.distance_m >= way.ac_off_from_m, 0.0, ac_on)
    factor = np.asarray(traction.altitude_factor(road.pressure_kpa, air_c, engine.boosted))
    # Accessories depend on rpm and fan; at the likely cruising speed is close enough to choose the gear by.
    extra = np.asarray(
        heat_made.accessory_kw(engine, cooling, 2500.0, engine_fan_rpm(cooling, 2500.0, 1.0), ac_on, air_c)
    )
    speed = np.asarray(
        traction.top_speed_kmh(
            body, engine, road.grade_pct, density, factor, way.speed_kmh + 0.0 * air_c, extra, way.gear
        )
    )
    force = traction.road_force_n(body, speed, road.grade_pct, density, 0.0, weather.headwind_kmh)
    pull = traction.choose_gear(body, engine, speed, force, extra, factor, 0.97, way.gear)
    gear, rpm = np.asarray(pull.gear), np.asarray(pull.rpm)
    many_body, many_engine = drawn
    column = slice(None), None
    force_many = traction.road_force_n(
        many_body, speed[column], road.grade_pct[column], density[column], 0.0, weather.headwind_kmh
    )
    wheel = np.maximum(traction.wheel_kw(force_many, speed[column]), 0.0)
    slip = np.where(pull.engine_kw - extra > 1.0, pull.engine_kw - extra, 1.0) / np.maximum(
        traction.wheel_kw(force, speed) / body.driveline_efficiency, 1.0
    )
    brake = wheel / many_body.driveline_efficiency * np.clip(slip, 1.0, 1.6)[column] + extra[column]
    fuel = heat_made.fuel_kw_from_power(many_engine, brake, rpm[column])
    coasting = np.asarray(force_many) <= 0.0
    idle = heat_made.fuel_kw_from_power(many_engine, extra[column], engine.idle_rpm)
    made = heat_made.coolant_heat_kw(many_engine, np.where(coasting, idle, fuel))
    holds = speed >= way.speed_kmh - 0.5
    return _Drive(speed, gear, rpm, holds, air_c, ac_on, np.asarray(made) + 0.0 * np.asarray(many_body.mass_kg))


def plan(route: Route, profile: VehicleProfile, weather: Weather, ways: Sequence[Way]) -> list[Plan]:
    """Temperature along `route` for each way of driving, regulated and warm at the start.

    The ways are marched side by side, each with the same draws of the vehicle.
    """
    likely = (profile.body(), profile.engine(), profile.cooling())
    many_body, many_engine, many_cooling = draws(profile)
    road = _road(route)
    drives = [_drive(road, weather, way, likely, (many_body, many_engine)) for way in ways]
    density = [np.asarray(air_density(road.pressure_kpa, d.air_c)) for d in drives]
    lanes = _Lanes(ways, drives, density, weather, many_cooling, likely[1])
    track = np.empty((len(road.step_m), len(ways), DRAWS))
    clock = np.zeros((len(road.step_m), len(ways)))
    nodes, seconds = lanes.start(), np.zeros(len(ways))
    track[0] = nodes.coolant_c
    for place in range(1, len(road.step_m)):
        dt_s = road.step_m[place] / (lanes.speed_kmh[place] / 3.6)
        nodes = lanes.advance(nodes, place, dt_s)
        track[place] = nodes.coolant_c
        for number, way in enumerate(ways):
            passes = (
                way.stop_at_m is not None
                and road.distance_m[place] - road.step_m[place] < way.stop_at_m <= road.distance_m[place]
            )
            if passes:
                nodes, hottest = lanes.stand(nodes, place, number, way.stop_s)
                track[place, number] = np.maximum(track[place, number], hottest)
                seconds[number] += way.stop_s
        seconds = seconds + dt_s
        clock[place] = seconds
    boil_c = np.asarray(boiling_c(road.pressure_kpa, likely[2].cap_kpa, likely[2].glycol_share))
    return [_plan(way, road, drives[k], track[:, k], clock[:, k], boil_c) for k, way in enumerate(ways)]


class _Lanes:
    """All ways x draws as arrays of shape (ways, draws), one road point after the other."""

    def __init__(
        self,
        ways: Sequence[Way],
        drives: Sequence[_Drive],
        density: Sequence[Floats],
        weather: Weather,
        cooling: Cooling,
        engine: Engine,
    ) -> None:
        self.cooling, self.engine, self.weather = cooling, engine, weather
        self.speed_kmh = np.stack([d.speed_kmh for d in drives], axis=1)
        self._rpm = np.stack([d.rpm for d in drives], axis=1)
        self._ac = np.stack([d.ac_on for d in drives], axis=1)
        self._air_c = np.stack([d.air_c for d in drives], axis=1)
        self._density = np.stack(density, axis=1)
        self._heat_kw = np.stack([d.heat_kw for d in drives], axis=1)
        self._heater = np.array([[float(w.heater_on)] for w in ways])
        self._fan = np.array([[float(w.fan_on)] for w in ways])

    def _at(self, place: int) -> tuple[Demand, Surroundings]:
        demand = Demand(
            self._heat_kw[place],
            self._rpm[place][:, None],
            self.speed_kmh[place][:, None],
            self._ac[place][:, None],
            self._heater,
            self._fan,
        )
        return demand, Surroundings(
            self._air_c[place][:, None], self._density[place][:, None], self.weather.headwind_kmh
        )

    def start(self) -> heat.Nodes:
        """Warm, where cruising on the level before the foot settles; a rig that is short even there starts hot."""
        demand, around = self._at(0)
        settled = heat.settle(demand, around, self.cooling)
        return heat.regulated(
            np.asarray(settled.coolant_c), np.asarray(around.air_c), np.asarray(demand.heat_kw), self.cooling
        )

    def advance(self, nodes: heat.Nodes, place: int, dt_s: Floats) -> heat.Nodes:
        demand, around = self._at(place)
        return heat.advance(nodes, demand, around, self.cooling, dt_s[:, None])

    def stand(self, nodes: heat.Nodes, place: int, way: int, stop_s: float) -> tuple[heat.Nodes, Floats]:
        """One way stands idling for `stop_s`; the other lanes are left where they are."""
        demand, around = self._at(place)
        idle_fuel = heat_made.fuel_kw_from_power(self.engine, 0.5 * self.engine.accessory_kw, self.engine.idle_rpm)
        idle = replace(
            demand, heat_kw=heat_made.coolant_heat_kw(self.engine, idle_fuel), rpm=self.engine.idle_rpm, speed_kmh=0.0
        )
        standing, hottest = nodes, np.asarray(nodes.coolant_c)[way]
        for _ in range(int(stop_s / STOP_STEP_S)):
            standing = heat.advance(standing, idle, around, self.cooling, STOP_STEP_S)
            hottest = np.maximum(hottest, np.asarray(standing.coolant_c)[way])
        chosen = np.zeros((len(self._heater), 1), dtype=bool)
        chosen[way] = True
        merged = (np.where(chosen, a, b) for a, b in zip(_fields(standing), _fields(nodes), strict=True))
        return heat.Nodes(*merged), hottest


def _fields(nodes: heat.Nodes) -> tuple[Number, ...]:
    return nodes.metal_c, nodes.coolant_c, nodes.radiator_c, nodes.opening, nodes.clutch, nodes.electric


def _plan(way: Way, road: _Road, drive: _Drive, track: Floats, clock: Floats, boil_c: Floats) -> Plan:
    low, high = np.quantile(track, (0.1, 0.9), axis=1)
    peaks = np.max(track, axis=0)
    return Plan(
        way=way,
        distance_m=road.distance_m,
        time_s=clock,
        height_m=road.height_m,
        grade_pct=road.grade_pct,
        speed_kmh=drive.speed_kmh,
        rpm=drive.rpm,
        gear=drive.gear,
        heat_kw=drive.heat_kw[:, 0],
        air_c=drive.air_c,
        boil_c=boil_c,
        low_c=low,
        likely_c=track[:, 0],
        high_c=high,
        holds=drive.holds,
        peaks_c=peaks,
        peak_c=_band(peaks),
        peak_at_m=float(road.distance_m[int(np.argmax(track[:, 0]))]),
    )


PEAK_GEAR_OVER_M: Final = 3_000.0


def remedies(way: Way, plan_of_way: Plan) -> list[Way]:
    """Other ways to try, the gentlest first: A/C later or off, slower, a lower gear, cooler hours, a stop, heater.

    Slower means with the lever held in the gear of the hot part: an automatic that shifts up as it slows would take
    fan and pump speed away.
    """
    peak_at = plan_of_way.peak_at_m
    hot = (plan_of_way.distance_m <= peak_at) & (plan_of_way.distance_m > peak_at - PEAK_GEAR_OVER_M)
    gear = int(np.median(plan_of_way.gear[hot])) if np.any(hot) else int(np.max(plan_of_way.gear))
    tries: list[Way] = []
    if way.ac_on:
        half = 0.5 * peak_at
        tries.append(replace(way, name=f"A/C off from {half / 1000.0:.0f} km", ac_off_from_m=half))
        tries.append(replace(way, name="A/C off from the foot", ac_on=False))
    off = "A/C off, " if way.ac_on else ""
    base = replace(way, ac_on=False, ac_off_from_m=None)
    for less in (10.0, 20.0, 30.0):
        if way.speed_kmh - less >= 30.0:
            name = f"{off}{less:.0f} km/h slower in gear {gear}"
            tries.append(replace(base, name=name, speed_kmh=way.speed_kmh - less, gear=gear))
    if gear > 1:
        tries.append(replace(base, name=f"{off}gear {gear - 1}", gear=gear - 1))
        slow = replace(base, speed_kmh=way.speed_kmh - 10.0, gear=gear - 1)
        tries.append(replace(slow, name=f"{off}10 km/h slower in gear {gear - 1}"))
    tries += [replace(way, name=f"an hour with air {k:.0f} C cooler", cooler_c=k) for k in (4.0, 8.0)]
    stop_at = 0.6 * peak_at
    tries.append(replace(base, name=f"{off}10 min stop at {stop_at / 1000.0:.0f} km", stop_at_m=stop_at, stop_s=600.0))
    tries.append(replace(base, name=f"{off}heater full: hot inside", heater_on=True))
    return tries
