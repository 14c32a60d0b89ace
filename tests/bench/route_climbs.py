"""Climbs of both made-up plants with their route, for the benchmark of the forecast along a route.

The roads and rigs are those of the forecast benchmark; here the height of the road and the place of the vehicle are
kept, the route ends where the drive ends, and each rig has driven nine other roads before (six hours), from which
`learn` makes its profile; what an owner can read off the vehicle (fuel, mass, engine size, gears, torque) is typed.
"""

from __future__ import annotations

import hashlib
import pickle
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from livemon.core import route as core_route
from livemon.core import vehicle
from livemon.core.events import Event, Mark, Sample
from livemon.core.figures import FIGURES, Figure
from livemon.core.route import Route, build
from livemon.core.vehicle import Body, Cooling, Engine, Fuel, VehicleProfile
from livemon.sim import drive as sim
from livemon.sim import rigs as sim_rigs
from livemon.sim.faults import Break
from livemon.sim.road import BUILDERS
from livemon.study import recording
from livemon.study.learn import Learned, learn
from livemon.wire.codes import marks_drive
from tests.bench.forecast import drives, plant_sim, plant_two, roads
from tests.plant2 import rig as rigs_two
from tests.plant2 import world

Array = NDArray[np.float64]

FAMILIES = ("steady", "irregular")
ROADS = ("irregular", "steady", "traffic")
EARLIER = ROADS * 3
FEW = 3
"""As many of them for who has just begun to record."""
EARLIER_S = 2_400
PLANTS = ("plant2", "sim")
_BATCH = 24
_MOST = 40
_M_PER_DEG = 111_195.0
_TYRE_M, _AXLE = 0.37, 3.9


@dataclass(frozen=True)
class Told:
    """Readings of one drive, second by second, and whether A/C is declared."""

    readings: Mapping[str, Array]
    ac: Array | None


@dataclass(frozen=True)
class Climb:
    """One drive to be forecast: what is told, the route, what the owner typed, and the drives before."""

    drive: drives.Drive
    route: Route
    profile: VehicleProfile
    earlier: tuple[Told, ...]
    known: VehicleProfile | None = None
    """The vehicle as its plant has it, where that plant shares the core's physics (`livemon/sim`)."""

    @property
    def foot_s(self) -> int | None:
        """Second at which the climb to the crossing begins; None where nothing is crossed."""
        crossing = self.drive.crossing_s
        return None if crossing is None else self.foot_of(crossing)

    def foot_of(self, second: int) -> int:
        """Second at which the climb to the place of `second` begins: going back, grade under 2 % over 500 m."""
        along = np.cumsum(self.drive.readings["speed_kmh"]) / 3.6
        place = float(along[second])
        while place > 0.0:
            if self.route.height_at(place) - self.route.height_at(max(place - 500.0, 0.0)) < 10.0:
                break
            place -= 100.0
        return int(np.searchsorted(along, max(place, 0.0)))


def load(plant: str, family: str, count: int, seed: int) -> list[Climb]:
    """The first `count` climbs, made or from the cache on disk; the cache goes with the text of the generators
    and of what is kept in it."""
    text = hashlib.sha256()
    made_by = (roads, drives, plant_two, rigs_two, world, vehicle, core_route)
    for file in (__file__, *(module.__file__ for module in made_by)):
        text.update(Path(str(file)).read_bytes())
    folder = Path(tempfile.gettempdir()) / "livemon-bench" / f"route-{text.hexdigest()[:16]}"
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{plant}-{family}-{seed}.pickle"
    known: list[Climb] = pickle.loads(path.read_bytes()) if path.exists() else []
    if len(known) < count:
        known = _make(plant, family, count, seed)
        path.write_bytes(pickle.dumps(known))
    return known[:count]


def _make(plant: str, family: str, count: int, seed: int) -> list[Climb]:
    kept: list[Climb] = []
    tag = [PLANTS.index(plant), roads.FAMILIES.index(family), 0]
    for batch in range(_MOST):
        numbers = range(batch * _BATCH, (batch + 1) * _BATCH)
        rngs = [np.random.default_rng([seed, *tag, number]) for number in numbers]
        made = (_plant_two if plant == "plant2" else _plant_sim)(family, rngs, numbers, seed)
        for number, climb in zip(numbers, made, strict=True):
            if climb is not None and len(kept) < count:
                kept.append(replace(climb, drive=replace(climb.drive, number=number)))
        if len(kept) >= count:
            return kept
    raise RuntimeError(f"{plant}/{family}: only {len(kept)} of {count} climbs")


def _borderline(
    plant: str, family: str, told: Told, truth: Array, regulated_c: float, rng: np.random.Generator
) -> drives.Drive | None:
    """The drive with a limit near its peak, chosen as the forecast benchmark chooses it; None where none is fair."""
    run = drives.Run(truth, dict(told.readings), regulated_c, family, None, told.ac, lambda: np.empty((0, 0)))
    limit = drives._limit(run, "borderline", rng)
    if limit is None:
        return None
    nothing = drives.Oracle(np.empty(0), np.empty(0), np.empty(0), {})
    return drives.Drive(
        plant, family, "borderline", 0, family, limit, truth, dict(told.readings), told.ac, None, nothing
    )


def _route(along_m: Array, height_m: Array) -> Route | None:
    """The road from start to end of the drive along a meridian, with a metre of noise in the map's heights."""
    far = np.arange(0.0, float(along_m[-1]), 25.0)
    if len(far) < 200:
        return None
    height = np.interp(far, along_m, height_m) + np.random.default_rng(int(along_m[-1])).normal(0.0, 1.0, len(far))
    return build("made up", far, height, far / _M_PER_DEG, np.zeros(len(far)))


def _located(readings: dict[str, Array], along_m: Array, rng: np.random.Generator) -> dict[str, Array]:
    """GPS with an error of some metres that wanders."""
    error = np.convolve(rng.normal(0.0, 12.0, len(along_m) + 29), np.full(30, 1.0 / 30.0), mode="valid")
    return {
        **readings,
        "latitude_deg": np.round((along_m + error) / _M_PER_DEG, 6),
        "longitude_deg": np.round(rng.normal(0.0, 4.0, len(along_m)) / _M_PER_DEG, 6),
    }


# --- the second plant ---


def _plant_two(family: str, rngs: list[np.random.Generator], numbers: range, seed: int) -> list[Climb | None]:
    rig = rigs_two.draw(rngs)
    some = [roads.draw(family, rng) for rng in rngs]
    history = world.simulate(rig, some)
    out: list[Climb | None] = []
    for i, (road, number) in enumerate(zip(some, numbers, strict=True)):
        n = road.seconds
        rng = np.random.default_rng([seed, roads.FAMILIES.index(family), number, 1])
        along = np.cumsum(history.readings["speed_kmh"][:n, i]) / 3.6
        rise = road.height_m + np.concatenate([[0.0], np.cumsum(road.grade)]) * roads.STEP_M
        height = np.interp(along, np.arange(len(rise)) * roads.STEP_M, rise)
        told = Told(
            _located(plant_two.readings(rig, history, i, n), along, rng),
            (road.ac > 0).astype(float) if rig.ac_declared[i] > 0.5 else None,
        )
        regulated = float(rig.stat_open_c[i] + rig.stat_span_c[i]) - 4.0
        drive = _borderline("plant2", family, told, history.truth_c[:n, i].copy(), regulated, rng)
        route = _route(along, height)
        out.append(None if drive is None or route is None else Climb(drive, route, _typed_two(rig, i), ()))
    _earlier_two(rig, out, numbers, seed)
    return out


def _earlier_two(rig: rigs_two.Rig, out: list[Climb | None], numbers: range, seed: int) -> None:
    lanes = np.array([i for i, c in enumerate(out) if c is not None], dtype=np.intp)
    if not lanes.size:
        return
    same = rig.take(lanes)
    for k, family in enumerate(EARLIER):
        some = [roads.draw(family, np.random.default_rng([seed, 77, k, numbers[i]])) for i in lanes]
        history = world.simulate(same, some)
        for j, (i, road) in enumerate(zip(lanes, some, strict=True)):
            climb = out[i]
            assert climb is not None
            n = min(road.seconds, EARLIER_S)
            ac = (road.ac[:n] > 0).astype(float) if rig.ac_declared[i] > 0.5 else None
            told = Told(plant_two.readings(same, history, j, n), ac)
            out[i] = replace(climb, earlier=(*climb.earlier, told))


def _typed(**figures: tuple[float, float]) -> dict[str, Figure]:
    return {name: Figure(value, spread, "typed") for name, (value, spread) in figures.items()}


def _typed_two(rig: rigs_two.Rig, i: int) -> VehicleProfile:
    """What its owner can read off the vehicle; of cooling, drag and tyres nothing is told."""
    per_kmh = (1.0 / 3.6 / _TYRE_M) * (30.0 / np.pi) * _AXLE
    top = float(rig.rpm_per_kmh_top[i]) / per_kmh
    ratios = tuple(top * float(rig.gear_step[i]) ** k for k in range(int(rig.gears[i]) - 1, -1, -1))
    rpm = np.linspace(0.2, 1.1, 8) * float(rig.rpm_peak[i])
    x = rpm / float(rig.rpm_peak[i])
    torque = float(rig.power_max_kw[i]) * x * (1.0 + x - x * x) * 30_000.0 / np.pi / rpm
    mass, size = float(rig.mass_kg[i]), float(rig.displacement_l[i])
    return VehicleProfile(
        name="rig",
        typed=_typed(
            mass_kg=(mass, 0.02 * mass),
            displacement_l=(size, 0.01 * size),
            tyre_radius_m=(_TYRE_M, 0.005),
            axle_ratio=(_AXLE, 0.05),
            lockup_kmh=(25.0, 3.0),
            converter_nm_krpm2=(150.0, 30.0),
            idle_rpm=(float(rig.rpm_idle[i]), 20.0),
            rpm_limit=(1.05 * float(rig.rpm_peak[i]), 50.0),
        ),
        gear_ratios=ratios,
        torque_points=tuple(zip(rpm.tolist(), torque.tolist(), strict=True)),
        fuel=Fuel.DIESEL if rig.diesel[i] > 0.5 else Fuel.PETROL,
        boosted=bool(rig.turbo[i] > 0.5),
    )


# --- the plant of livemon/sim ---


def _plant_sim(family: str, rngs: list[np.random.Generator], numbers: range, seed: int) -> list[Climb | None]:
    rigs = sim_rigs.draw(seed * 10, len(numbers), family, first=numbers.start)
    result = sim.run(rigs, 3600)
    lengths = [int(rng.uniform(20.0, 60.0) * 60) for rng in rngs]
    names = [(rng.random() < 0.5, plant_sim._names(rng)) for rng in rngs]
    out: list[Climb | None] = []
    for i, (rig, n, number) in enumerate(zip(rigs, lengths, numbers, strict=True)):
        rng = np.random.default_rng([seed, 50 + roads.FAMILIES.index(family), number, 1])
        along = result.truth["distance_m"][:n, i]
        readings = {name: result.readings[name][:n, i].copy() for name in names[i][1]}
        told = Told(_located(readings, along, rng), result.truth["ac_on"][:n, i].copy() if names[i][0] else None)
        regulated = float(rig.cooling.open_c + rig.cooling.full_span_c) - 4.0
        drive = _borderline("sim", family, told, result.truth["coolant_c"][:n, i].copy(), regulated, rng)
        route = _route(along, result.truth["height_m"][:n, i])
        known = None if drive is None or route is None else Climb(drive, route, _typed_sim(rig), (), _known_sim(rig))
        out.append(known)
    lanes = [i for i, climb in enumerate(out) if climb is not None]
    for k, kind in enumerate(EARLIER):
        before = [_elsewhere(rigs[i], kind, np.random.default_rng([seed, 78, k, numbers[i]])) for i in lanes]
        done = sim.run(before, EARLIER_S)
        for j, i in enumerate(lanes):
            climb = out[i]
            assert climb is not None
            readings = {name: done.readings[name][:, j].copy() for name in names[i][1]}
            told = Told(readings, done.truth["ac_on"][:, j].copy() if names[i][0] else None)
            out[i] = replace(climb, earlier=(*climb.earlier, told))
    return out


def _elsewhere(rig: sim.Rig, kind: str, rng: np.random.Generator) -> sim.Rig:
    """The same vehicle on another road, another day."""
    driver = replace(rig.driver, wish_kmh=float(rng.uniform(50.0, 95.0)), jam=None, ac_on=bool(rng.random() < 0.5))
    if kind == "traffic":
        driver = replace(driver, jam=(600.0, 1800.0), jam_kmh=float(rng.uniform(8.0, 28.0)))
    return replace(
        rig,
        key=(*rig.key, int(rng.integers(1 << 30))),
        road=BUILDERS[kind](rng),
        driver=driver,
        air_foot_c=float(rng.uniform(18.0, 40.0)),
        breaks=Break(),
    )


def _typed_sim(rig: sim.Rig) -> VehicleProfile:
    body, engine = rig.body, rig.engine
    known = {
        "mass_kg": (body.mass_kg, 0.02),
        "tyre_radius_m": (body.tyre_radius_m, 0.01),
        "axle_ratio": (body.axle_ratio, 0.005),
        "displacement_l": (engine.displacement_l, 0.01),
        "idle_rpm": (engine.idle_rpm, 0.03),
        "rpm_limit": (engine.rpm_limit, 0.02),
    }
    typed = _typed(**{name: (float(value), share * float(value)) for name, (value, share) in known.items()})
    return VehicleProfile(name="rig", typed=typed, gear_ratios=tuple(float(r) for r in body.gear_ratios))


def _known_sim(rig: sim.Rig) -> VehicleProfile:
    body, engine, cooling = ({f.name: getattr(part, f.name) for f in fields(part)} for part in _parts(rig))
    figures = {n: (float(v), 0.0) for n, v in (body | engine | cooling).items() if n in FIGURES}
    return VehicleProfile(
        name="rig, known", typed=_typed(**figures), gear_ratios=tuple(map(float, rig.body.gear_ratios))
    )


def _parts(rig: sim.Rig) -> tuple[Body, Engine, Cooling]:
    return rig.body, rig.engine, rig.cooling


# --- what the drives before have taught ---


def learned(climb: Climb, drives: int = len(EARLIER)) -> VehicleProfile:
    """The profile after `learn` from the first `drives` of those before; as typed where they are of no use."""
    return taught(climb.profile, climb.earlier[:drives])


def taught(typed: VehicleProfile, earlier: tuple[Told, ...]) -> VehicleProfile:
    """The profile that `learn` makes of drives of a vehicle of which its owner typed so much."""
    some = [recording.from_events(f"{k}", _events(told), typed) for k, told in enumerate(earlier)]
    found = learn(some, typed, marks_drive)
    return found.profile if isinstance(found, Learned) else typed


def _events(told: Told) -> Iterator[Event]:
    columns = [(n, v) for n, v in told.readings.items() if n not in ("latitude_deg", "longitude_deg")]
    declared: bool | None = None
    for second in range(len(told.readings["coolant_c"])):
        t_ms = (second + 1) * 1000
        if told.ac is not None and bool(told.ac[second]) is not declared:
            declared = bool(told.ac[second])
            yield Mark(t_ms, (("ac_on", declared),))
        yield Sample(t_ms, tuple((n, float(v[second])) for n, v in columns if np.isfinite(v[second])))
