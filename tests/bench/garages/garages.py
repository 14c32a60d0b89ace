"""Garages with their truth: which plant, which change, five drives on either side, kept in a cache on disk.

Garage *i* of a plant, kind and seed is the same whatever the number asked for.  Truth is the plant's own heat shed at
the reference points of `reference.POINTS`, after over before.
"""

from __future__ import annotations

import hashlib
import pickle
import tempfile
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from livemon.core.vehicle import PARTS, VehicleProfile
from livemon.study.recording import Drive
from tests.bench.garages import columns, plant_sim, plant_two, trips
from tests.bench.garages.reference import POINTS

PLANTS: dict[str, ModuleType] = {"sim": plant_sim, "plant2": plant_two}
KINDS = ("same", "more_air", "one_fault")
SIDE = 5
LEAST_EFFECT = 0.12
"""A fault that takes less than this share [log] of the heat shed in every regime would bring nobody to a garage."""
_BATCH = 25


@dataclass(frozen=True)
class Care:
    """In what share of garages the drives have height, a declared A/C, and outside air typed where it is not read."""

    receiver: float
    declared: float
    typed: float


CARE = {"as asked": Care(1.0, 1.0, 1.0), "as it comes": Care(0.5, 0.7, 0.0)}
TYPED_ERROR_C = 1.5


@dataclass(frozen=True)
class Garage:
    """One vehicle, its drives and the truth; `truth[k]` is the log ratio of heat shed at reference.POINTS[k]."""

    plant: str
    kind: str
    number: int
    state: str
    factor: float
    profile: VehicleProfile
    before: tuple[Drive, ...]
    after: tuple[Drive, ...]
    truth: tuple[float, ...]
    peaks_c: tuple[float, ...]
    """Highest reading of every drive, before then after."""


def load(plant: str, kind: str, count: int, seed: int, first: int = 0, care: str = "as asked") -> list[Garage]:
    """Garages `first` to `first + count` of a plant and kind, simulated or from the cache."""
    folder = Path(tempfile.gettempdir()) / "livemon-garages" / _fingerprint()
    folder.mkdir(parents=True, exist_ok=True)
    out: list[Garage] = []
    for begin in range(first, first + count, _BATCH):
        numbers = range(begin, min(begin + _BATCH, first + count))
        path = folder / f"{plant}-{kind}-{care}-{seed}-{numbers.start}-{numbers.stop}.pickle"
        if not path.exists():
            made = _make(plant, kind, numbers, seed, care)
            spare = path.with_suffix(".part")
            spare.write_bytes(pickle.dumps(made))
            spare.replace(path)
        out += pickle.loads(path.read_bytes())
    return out


def _fingerprint() -> str:
    """Changes with the text of the generators and of the physics, so an old cache is never taken for a new one."""
    here = Path(__file__).parent
    top = here.parents[2]
    files = [here / f"{name}.py" for name in ("garages", "columns", "trips", "plant_sim", "plant_two", "reference")]
    files += [*(top / "livemon/core").glob("*.py"), *(top / "livemon/sim").glob("*.py")]
    files += [*(top / "tests/plant2").glob("*.py"), top / "livemon/study/recording.py"]
    files.append(top / "tests/bench/forecast/roads.py")
    text = hashlib.sha256()
    for path in sorted(files):
        text.update(path.read_bytes())
    return text.hexdigest()[:16]


@dataclass(frozen=True)
class World:
    """What a garage is made of: the plant's own vehicle before and after the change, its profile, the weather."""

    tag: tuple[int, ...]
    seasons_c: tuple[float, float]
    sound: Any
    after: Any
    profile: VehicleProfile
    state: str
    factor: float


def world(plant: str, kind: str, number: int, seed: int) -> tuple[np.random.Generator, World]:
    """Garage `number` before anything is driven, and the draws that its drives go on with."""
    module = PLANTS[plant]
    tag = (seed, list(PLANTS).index(plant), KINDS.index(kind), number)
    rng = np.random.default_rng(tag)
    seasons = trips.seasons_c(rng)
    sound = module.vehicle(rng, number, seasons[0])
    profile = module.profile(rng, sound, number)
    state, factor = _change(module, sound, kind, rng)
    after = module.changed(sound, state, factor)
    return rng, World(tag, seasons, sound, after, profile, state, factor)


def _make(plant: str, kind: str, numbers: range, seed: int, care: str) -> list[Garage]:
    module = PLANTS[plant]
    vehicles, profiles, changes = [], [], []
    lanes: list[Any] = []
    roads: list[trips.Trip] = []
    keys: list[tuple[int, ...]] = []
    told: list[tuple[bool, bool, bool]] = []
    kept = CARE[care]
    for number in numbers:
        rng, it = world(plant, kind, number, seed)
        vehicles.append(it.sound)
        profiles.append(it.profile)
        changes.append((it.state, it.factor))
        told.append((rng.random() < kept.receiver, rng.random() < kept.declared, rng.random() < kept.typed))
        for place in range(2 * SIDE):
            lanes.append(it.sound if place < SIDE else it.after)
            roads.append(trips.draw(rng, it.seasons_c[place // SIDE]))
            keys.append((*it.tag, place))
    readings = module.drive(lanes, roads, keys)
    befores = [module.shed_kw(vehicles, at) for at in POINTS]
    afters = [
        module.shed_kw([module.changed(v, *c) for v, c in zip(vehicles, changes, strict=True)], at) for at in POINTS
    ]
    out = []
    for i, number in enumerate(numbers):
        receiver, declared, typed = told[i]
        mine = range(2 * SIDE * i, 2 * SIDE * (i + 1))
        drives = [columns.drive(f"drive {k}", readings[j], roads[j].ac, profiles[i], receiver, declared,
                                _typed_c(roads[j], keys[j]) if typed else None)
                  for k, j in enumerate(mine)]  # fmt: skip
        truth = tuple(float(np.log(a[i] / b[i])) for a, b in zip(afters, befores, strict=True))
        peaks = tuple(float(readings[j]["coolant_c"].max()) for j in mine)
        state, factor = changes[i]
        out.append(
            Garage(
                plant,
                kind,
                number,
                state,
                factor,
                profiles[i],
                tuple(drives[:SIDE]),
                tuple(drives[SIDE:]),
                truth,
                peaks,
            )
        )
    return out


def _typed_c(trip: trips.Trip, key: tuple[int, ...]) -> float:
    """What a person reads off a thermometer or a forecast before setting off."""
    return float(round(trip.outside_c + TYPED_ERROR_C * np.random.default_rng((*key, 5)).standard_normal()))


def _change(module: ModuleType, vehicle: Any, kind: str, rng: np.random.Generator) -> tuple[str, float]:
    if kind == "same":
        return "", 1.0
    if kind == "more_air":
        return "more_air", 1.15
    states = module.states_of(vehicle)
    for state in rng.permutation(states):
        part = PARTS[str(state)]
        factor = float(part.factor + part.spread * rng.uniform(-1.0, 1.0))
        broken = module.changed(vehicle, str(state), factor)
        effect = [np.log(module.shed_kw([broken], at)[0] / module.shed_kw([vehicle], at)[0]) for at in POINTS[:4]]
        if min(effect) < -LEAST_EFFECT:
            return str(state), factor
    raise RuntimeError("no fault of this vehicle would be felt")
