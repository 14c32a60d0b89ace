"""The march in time along a planned road: all ways of driving x all draws of the vehicle, one step after the other.

Each step is one `heat.advance` over arrays of (lanes, draws); a stop is marched in short steps while the other lanes
wait.  Knows nothing of routes, and nothing of what is done with the temperatures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np

from livemon.core import engine as heat_made
from livemon.core import heat
from livemon.core.radiator import Demand, Surroundings
from livemon.core.vehicle import Cooling, Engine
from livemon.study.plan_road import Drive, Floats, Road, Way, Weather

STOP_STEP_S: Final = 5.0
START_STEP_S: Final = 10.0
START_STEPS: Final = 60
"""Ten minutes of the first place before the road begins: clutch, fan and radiator come to rest with the coolant.
Without it a hot jam would begin with a free clutch and peak 5 K too high in its first minute."""


@dataclass(frozen=True, slots=True)
class Lane:
    """One way of driving with one vehicle: what it asks of the cooling, and that cooling drawn many times."""

    way: Way
    drive: Drive
    engine: Engine
    cooling: Cooling


def march(road: Road, weather: Weather, lanes: Sequence[Lane]) -> tuple[Floats, Floats]:
    """Coolant (steps, lanes, draws) [C] and time since the start (steps, lanes) [s] at the end of each step."""
    world = _Lanes(lanes, weather)
    nodes, seconds = world.start(), np.zeros(len(lanes))
    track = np.empty((len(road.step_m), *np.shape(nodes.coolant_c)))
    clock = np.zeros((len(road.step_m), len(lanes)))
    track[0] = nodes.coolant_c
    stops: dict[int, list[int]] = {}
    for number, lane in enumerate(lanes):
        if lane.way.stop_at_m is not None and lane.way.stop_at_m <= road.distance_m[-1]:
            stops.setdefault(max(1, int(np.searchsorted(road.distance_m, lane.way.stop_at_m))), []).append(number)
    times_s = road.step_m[:, None] / (world.speed_kmh / 3.6)
    for place in range(1, len(road.step_m)):
        nodes = world.advance(nodes, place, times_s[place])
        track[place] = nodes.coolant_c
        for number in stops.get(place, ()):
            nodes, hottest = world.stand(nodes, place, number)
            track[place, number] = np.maximum(track[place, number], hottest)
            seconds[number] += lanes[number].way.stop_s
        seconds = seconds + times_s[place]
        clock[place] = seconds
    return track, clock


class _Lanes:
    """All lanes x draws as arrays of shape (lanes, draws), one road step after the other."""

    def __init__(self, lanes: Sequence[Lane], weather: Weather) -> None:
        drives = [lane.drive for lane in lanes]
        self._lanes, self._weather = lanes, weather
        self._cooling = _stacked([lane.cooling for lane in lanes])
        self.speed_kmh = np.stack([d.speed_kmh for d in drives], axis=1)
        self._rpm = np.stack([d.rpm for d in drives], axis=1)
        self._ac = np.stack([d.ac_on for d in drives], axis=1)
        self._air_c = np.stack([d.air_c for d in drives], axis=1)
        self._air_kg_m3 = np.stack([d.air_kg_m3 for d in drives], axis=1)
        self._heat_kw = np.stack([d.heat_kw for d in drives], axis=1)
        self._heater = np.array([[float(lane.way.heater_on)] for lane in lanes])
        self._fan = np.array([[float(lane.way.fan_on)] for lane in lanes])

    def _at(self, place: int) -> tuple[Demand, Surroundings]:
        demand = Demand(
            self._heat_kw[place],
            self._rpm[place][:, None],
            self.speed_kmh[place][:, None],
            self._ac[place][:, None],
            self._heater,
            self._fan,
        )
        wind = self._weather.headwind_kmh
        return demand, Surroundings(self._air_c[place][:, None], self._air_kg_m3[place][:, None], wind)

    def start(self) -> heat.Nodes:
        """Warm, where cruising on the level before the foot settles; a rig that is short even there starts hot."""
        demand, around = self._at(0)
        settled = heat.settle(demand, around, self._cooling)
        nodes = heat.regulated(
            np.asarray(settled.coolant_c), np.asarray(around.air_c), np.asarray(demand.heat_kw), self._cooling
        )
        nodes = replace(nodes, clutch=np.where(settled.regulated, 0.0, 1.0))
        for _ in range(START_STEPS):
            nodes = heat.advance(nodes, demand, around, self._cooling, START_STEP_S)
        return nodes

    def advance(self, nodes: heat.Nodes, place: int, dt_s: Floats) -> heat.Nodes:
        """Every lane to the end of this step, each in its own time [s]."""
        demand, around = self._at(place)
        return heat.advance(nodes, demand, around, self._cooling, dt_s[:, None])

    def stand(self, nodes: heat.Nodes, place: int, number: int) -> tuple[heat.Nodes, Floats]:
        """One lane stands idling for as long as its way says; the others are left where they are."""
        demand, around = self._at(place)
        engine = self._lanes[number].engine
        idle_fuel = heat_made.fuel_kw_from_power(engine, 0.5 * engine.accessory_kw, engine.idle_rpm)
        idle = replace(demand, heat_kw=heat_made.coolant_heat_kw(engine, idle_fuel), rpm=engine.idle_rpm, speed_kmh=0.0)
        standing, hottest = nodes, np.asarray(nodes.coolant_c)[number]
        for _ in range(int(self._lanes[number].way.stop_s / STOP_STEP_S)):
            standing = heat.advance(standing, idle, around, self._cooling, STOP_STEP_S)
            hottest = np.maximum(hottest, np.asarray(standing.coolant_c)[number])
        chosen = np.zeros((len(self._lanes), 1), dtype=bool)
        chosen[number] = True
        merged = (np.where(chosen, a, b) for a, b in zip(standing.figures(), nodes.figures(), strict=True))
        return heat.Nodes(*merged), hottest


def _stacked(coolings: Sequence[Cooling]) -> Cooling:
    """One cooling whose figures are (draws,) where all lanes share them, else (lanes, draws) or (lanes, 1)."""
    if all(cooling is coolings[0] for cooling in coolings):
        return coolings[0]
    together: dict[str, Any] = {}
    for field in fields(Cooling):
        columns = [np.atleast_1d(getattr(cooling, field.name)) for cooling in coolings]
        if any(not np.array_equal(column, columns[0]) for column in columns):
            together[field.name] = np.stack(np.broadcast_arrays(*columns))
    return replace(coolings[0], **together)
