"""`python -m tests.bench.route_floor`: how well the peak of a climb can be known before it, whoever forecasts.

The climbs of `route_forecast`, driven on from ten minutes before their peak with the true plant, state, road, weather
and A/C; only what the driver will do is drawn anew, as the generator draws it given what has been seen: on the second
plant a climb has a speed of its own, which nothing before its foot tells; in `livemon/sim` the wish stays and wanders,
and the bends ahead are not known.  In the second row of a plant also the wind, and A/C where it is not declared, are
drawn anew for climbs that have not begun: no reading tells them while the thermostat regulates.  The error of the
median of the draws is the least that any forecast can reach which does not know the figures of the vehicle better.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from livemon.sim import drive as sim
from livemon.sim import rigs as sim_rigs
from livemon.sim import road as sim_road
from tests.bench import route_climbs
from tests.bench.forecast import roads
from tests.bench.forecast.drives import BORDER_C
from tests.bench.forecast.scoring import SETTLE_S
from tests.bench.route_climbs import Climb
from tests.bench.route_forecast import BEGUN_S, PEAK_AHEAD_S, TUNING_SEED, Miss, _sized
from tests.plant2 import rig as rigs_two
from tests.plant2 import world

Array = NDArray[np.float64]

DRAWS = 24
AHEAD_S = range(480, 721, 60)
LONGER_S = 1_500
"""A slow draw takes so much longer to the end of the route at most."""
LANES = 480
WINDS_KMH = {"plant2": 8.0, "sim": 7.0}
WISHES_KMH = {"steady": (45.0, 100.0), "irregular": (40.0, 85.0)}
WANDERS = {"steady": (0.03, 60.0), "irregular": (0.10, 40.0)}


@dataclass(frozen=True)
class Drawn:
    """Peaks [C] of the draws at the moments `ahead_s` before the true peak, and the range peaks were chosen from."""

    climb: Climb
    ahead_s: tuple[int, ...]
    peaks_c: Array  # (moments, DRAWS)
    chosen_c: tuple[float, float]

    def misses(self, chosen: bool) -> list[Miss]:
        """Median of the draws less the true peak; with `chosen` of the draws that the benchmark would have kept."""
        top = int(self.climb.drive.truth_c.argmax())
        foot_s = self.climb.foot_of(top)
        out = []
        for ahead_s, peaks in zip(self.ahead_s, self.peaks_c, strict=True):
            kept = peaks[(peaks >= self.chosen_c[0]) & (peaks <= self.chosen_c[1])] if chosen else peaks
            likely = float(np.median(kept if kept.size else peaks))
            out.append(Miss(ahead_s, likely - self.climb.drive.peak_c, top - ahead_s >= foot_s + BEGUN_S))
        return out


def _moments(climb: Climb) -> tuple[int, ...]:
    top = int(climb.drive.truth_c.argmax())
    return tuple(ahead for ahead in AHEAD_S if top - ahead >= SETTLE_S)


def _chosen(regulated_c: float) -> tuple[float, float]:
    """Peaks that `drives._limit` makes a borderline drive of."""
    return max(97.0, regulated_c + 5.0) + BORDER_C, 124.0 - BORDER_C


# --- the second plant: a climb has a speed of its own ---


@contextmanager
def _tops(seen: list[tuple[int, float, int]]) -> Iterator[None]:
    """Notes (foot, speed, top) of every road with a climb that is drawn."""
    real = roads._top

    def noted(road: roads.Road, rng: np.random.Generator, foot: int, speed: float) -> int:
        top = real(road, rng, foot, speed)
        seen.append((foot, speed, top))
        return top

    roads._top = noted
    try:
        yield
    finally:
        roads._top = real


def _wishes(
    family: str, road: roads.Road, climb: tuple[int, float, int], here: int, rng: np.random.Generator
) -> roads.Road:
    """The same road with the driver's wish on the climb drawn anew from the point `here` on."""
    foot, speed, top = climb
    share, length = WANDERS[family]
    begin = max(foot, here)
    if begin >= top:
        return road
    now = 0.0
    if here > foot:  # under way: what it is driven at has been seen, and wanders on
        now = float((np.median(road.wish_kmh[max(foot, here - 10) : here]) / speed - 1.0) / share)
        now = min(max(now, -2.0), 2.0)
    else:
        speed = float(rng.uniform(*WISHES_KMH[family]))
        now = float(rng.standard_normal())
    n = top - begin
    keep = np.exp(-1.0 / length)
    kicks = rng.standard_normal(n) * np.sqrt(1.0 - keep * keep)
    path = np.empty(n)
    for i, kick in enumerate(kicks):
        now = keep * now + kick
        path[i] = now
    wish = speed * (1.0 + share * path)
    if family == "irregular":
        at = 0
        while at < n:
            at += int(rng.uniform(30.0, 160.0))
            wish[at : at + int(rng.uniform(3.0, 10.0))] = rng.uniform(25.0, 45.0)
        wish = np.maximum(wish, 18.0)
    out = road.wish_kmh.copy()
    out[begin:top] = wish
    return replace(road, wish_kmh=out)


def _longer(road: roads.Road) -> roads.Road:
    more = np.zeros(LONGER_S)
    return replace(
        road,
        seconds=road.seconds + LONGER_S,
        cap_kmh=np.concatenate([road.cap_kmh, more + 250.0]),
        ac=np.concatenate([road.ac, more + road.ac[-1]]),
    )


def _not_begun(climb: Climb, at: int) -> bool:
    return at < climb.foot_of(int(climb.drive.truth_c.argmax())) + BEGUN_S


def _weather_two(road: roads.Road, told: bool, rng: np.random.Generator) -> roads.Road:
    """The same road on a day with another wind, and with A/C as its driver may have it where that is not declared."""
    ac = road.ac
    if not told:
        uses = rng.random() < np.clip((road.outside_c - 18.0) / 12.0, 0.1, 0.9)
        ac = np.full(len(ac), rng.uniform(0.6, 1.0) if uses else 0.0)
    return replace(road, wind_kmh=float(rng.normal(0.0, WINDS_KMH["plant2"])), ac=ac)


def two(climbs: list[Climb], seed: int, weather: bool) -> list[Drawn]:
    """Climbs of the second plant."""
    out = []
    lanes: list[tuple[int, int, roads.Road, float]] = []  # climb, moment [s], road, end [m]
    rigs, chosen = [], []
    for k, climb in enumerate(climbs):
        family, number = climb.drive.family, climb.drive.number
        rng = np.random.default_rng(
            [seed, route_climbs.PLANTS.index("plant2"), roads.FAMILIES.index(family), 0, number]
        )
        rig = rigs_two.draw([rng])
        seen: list[tuple[int, float, int]] = []
        with _tops(seen):
            road = roads.draw(family, rng)
        rigs.append(rig)
        chosen.append(_chosen(float(rig.stat_open_c[0] + rig.stat_span_c[0]) - 4.0))
        history = world.simulate(rig, [road])
        n = climb.drive.truth_c.size
        assert np.allclose(history.truth_c[:n, 0], climb.drive.truth_c), climb.drive.name
        along = np.cumsum(history.readings["speed_kmh"][:n, 0]) / 3.6
        top_s = int(climb.drive.truth_c.argmax())
        for ahead in _moments(climb):
            at = top_s - ahead
            here = int(along[at] / roads.STEP_M) + 1
            anew = np.random.default_rng([seed, 91, number, ahead])
            for _ in range(DRAWS):
                some = _wishes(family, road, seen[-1], here, anew)
                if weather and _not_begun(climb, at):
                    some = _weather_two(some, climb.drive.ac is not None, anew)
                lanes.append((k, at, _longer(some), float(along[-1])))
    peaks: list[float] = []
    for first in range(0, len(lanes), LANES):
        some = lanes[first : first + LANES]
        many = rigs_two.Rig(
            **{f: np.concatenate([getattr(rigs[k], f) for k, *_ in some]) for f in rigs_two.Rig.__dataclass_fields__}
        )
        history = world.simulate(many, [road for _, _, road, _ in some])
        along = np.cumsum(history.readings["speed_kmh"], axis=0) / 3.6
        seconds = np.arange(len(along))[:, None]
        upto = (along <= np.array([end for *_, end in some])) & (seconds >= np.array([at for _, at, *_ in some]))
        peaks += np.where(upto, history.truth_c, -1e3).max(axis=0).tolist()
    at = 0
    for k, climb in enumerate(climbs):
        ahead_s = _moments(climb)
        size = len(ahead_s) * DRAWS
        out.append(Drawn(climb, ahead_s, np.array(peaks[at : at + size]).reshape(-1, DRAWS), chosen[k]))
        at += size
    return out


# --- the plant of livemon/sim: the wish stays ---


def _curves(road: sim_road.Road, here_m: float, rng: np.random.Generator) -> sim_road.Road:
    """The same road with the bends ahead drawn anew, where it has any."""
    curves = road.curve_kmh.copy()
    here = int(here_m / sim_road.STEP_M) + 1
    if (road.curve_kmh[:-1] >= sim_road.FREE_KMH).all():
        return road
    curves[here:] = sim_road.FREE_KMH
    starts = np.flatnonzero(rng.random(len(curves)) < sim_road.STEP_M / rng.uniform(800, 4_000))
    for start in starts[starts >= here]:
        curves[start : start + 4] = rng.uniform(30, 70)
    return replace(road, curve_kmh=curves)


def _weather_sim(rig: sim.Rig, told: bool, rng: np.random.Generator) -> sim.Rig:
    """The same rig with another wind, and with A/C as its driver may have it where that is not declared."""
    driver = rig.driver
    if not told:
        driver = replace(driver, ac_on=bool(rng.random() < np.clip((rig.air_foot_c - 18.0) / 15.0, 0.1, 0.95)))
    return replace(rig, driver=driver, headwind_kmh=float(rng.normal(0.0, WINDS_KMH["sim"])))


def of_sim(climbs: list[Climb], seed: int, weather: bool) -> list[Drawn]:
    """Climbs of `livemon/sim`."""
    lanes: list[tuple[sim.Rig, Array, int, float]] = []
    for climb in climbs:
        family, number, n = climb.drive.family, climb.drive.number, climb.drive.truth_c.size
        (rig,) = sim_rigs.draw(seed * 10, 1, family, first=number)
        done = sim.run([rig], n)
        assert np.allclose(done.truth["coolant_c"][:, 0], climb.drive.truth_c), climb.drive.name
        along = done.truth["distance_m"][:, 0]
        real = sim._World([rig], 3600).wish[:, 0]
        top_s = int(climb.drive.truth_c.argmax())
        for ahead in _moments(climb):
            at = top_s - ahead
            anew = np.random.default_rng([seed, 92, number, ahead])
            for _ in range(DRAWS):
                driver, drift = rig.driver, float(real[at] - rig.driver.wish_kmh)
                keep = np.exp(-1.0 / driver.wander_s)
                wish = np.concatenate([real[: at + 1], np.empty(n + LONGER_S - at - 1)])
                kicks = anew.standard_normal(len(wish)) * driver.wander_kmh * np.sqrt(1.0 - keep * keep)
                for i in range(at + 1, len(wish)):
                    drift = drift * keep + kicks[i]
                    wish[i] = driver.wish_kmh + drift
                changed = replace(rig, road=_curves(rig.road, float(along[at]), anew))
                if weather and _not_begun(climb, at):
                    changed = _weather_sim(changed, climb.drive.ac is not None, anew)
                lanes.append((changed, np.maximum(wish, 0.0), at, float(along[-1])))
    peaks: list[float] = []
    for first in range(0, len(lanes), LANES):
        some = lanes[first : first + LANES]
        seconds = max(len(wish) for _, wish, *_ in some)
        batch = sim._World([rig for rig, *_ in some], 1)
        batch.wish = np.array([np.pad(wish, (0, seconds - len(wish)), mode="edge") for _, wish, *_ in some]).T
        begin, end = (np.array([lane[place] for lane in some]) for place in (2, 3))
        highest = np.full(len(some), -1e3)
        for k in range(seconds):
            batch.step(k, 1.0)
            counts = (k >= begin) & (batch.motion.distance_m <= end)
            highest = np.where(counts, np.maximum(highest, batch.nodes.coolant_c), highest)
        peaks += highest.tolist()
    out, at = [], 0
    for climb in climbs:
        (rig,) = sim_rigs.draw(seed * 10, 1, climb.drive.family, first=climb.drive.number)
        ahead_s = _moments(climb)
        size = len(ahead_s) * DRAWS
        chosen = _chosen(float(rig.cooling.open_c + rig.cooling.full_span_c) - 4.0)
        out.append(Drawn(climb, ahead_s, np.array(peaks[at : at + size]).reshape(-1, DRAWS), chosen))
        at += size
    return out


NOT_KNOWN = {False: "driver not known", True: "driver, wind and A/C not known"}
HEAD = (
    "| climbs | ten minutes before, C: median size (median) | 8 to 12 min before, climb driven for 2 min | not begun "
    "| the same three where peaks that the benchmark would not have kept are left out |||\n"
    "|---|---|---|---|---|---|---|"
)


def row(name: str, some: list[Drawn]) -> str:
    """One line of the table."""
    cells = []
    for chosen in (False, True):
        misses = [m for d in some for m in d.misses(chosen)]
        cells.append(_sized([m.error_c for m in misses if m.ahead_s == PEAK_AHEAD_S]))
        cells += [_sized([m.error_c for m in misses if m.begun is begun]) for begun in (True, False)]
    return f"| {name} | " + " | ".join(cells) + " |"


def main(argv: list[str]) -> int:
    """Draws, drives, prints."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.route_floor", description=__doc__)
    parser.add_argument("--drives", type=int, default=8, help="a plant and family (default 8)")
    parser.add_argument("--seeds", default=str(TUNING_SEED))
    args = parser.parse_args(argv)
    print(f"seeds {args.seeds}, {args.drives} climbs a plant and family, {DRAWS} draws a moment\n\n{HEAD}")
    for weather in (False, True):
        every: list[Drawn] = []
        for plant, ways in (("plant2", two), ("sim", of_sim)):
            some = []
            for seed in map(int, args.seeds.split(",")):
                climbs = [c for f in route_climbs.FAMILIES for c in route_climbs.load(plant, f, args.drives, seed)]
                some += ways(climbs, seed, weather)
            print(row(f"{plant}, {NOT_KNOWN[weather]}", some), flush=True)
            every += some
        print(row(f"both, {NOT_KNOWN[weather]}", every), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
