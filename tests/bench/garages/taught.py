"""Vehicles with what their first drives taught, and their later drives as readings at 1 Hz; kept in a cache on disk.

The same vehicles and trips as `garages`, drawn from other seeds: five drives are learned from, LATER more are only
driven.  Vehicle *i* of a plant and seed is the same whatever the number asked for.
"""

from __future__ import annotations

import hashlib
import pickle
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from livemon.core.vehicle import VehicleProfile
from livemon.study.cooling_fit import Fit, stretches
from livemon.study.learn import Carried, Learned, learn, written
from livemon.wire.codes import marks_drive
from tests.bench.garages import columns, trips
from tests.bench.garages.garages import CARE, PLANTS, _typed_c
from tests.bench.garages.trips import Array

SIDE = 5
LATER = 3
KIND = 9
"""Where `garages` has the kind of change in its seeds: none of its kinds."""
_BATCH = 25
_CORE = [
    "air",
    "engine",
    "figures",
    "vehicle",
    "together",
    "draws",
    "traction",
    "radiator",
    "heat",
    "demand",
    "signals",
    "events",
    "coolant",
    "hypotheses",
]


@dataclass(frozen=True)
class Later:
    """One drive after those that were learned from; `ac` is the truth, declared or not."""

    readings: dict[str, Array]
    truth_c: Array
    ac: Array | None


@dataclass(frozen=True)
class Taught:
    """One vehicle: as its plant knows it, as its owner typed it, what five drives taught, three drives more."""

    plant: str
    number: int
    vehicle: Any
    typed: VehicleProfile
    fit: Fit
    carries: tuple[Carried, ...]
    rms_c: float
    later: tuple[Later, ...]

    @property
    def learned(self) -> VehicleProfile:
        """The profile that `learn` would write."""
        return written(self.fit, self.typed)


def load(plant: str, count: int, seed: int) -> Iterator[Taught]:
    """The first `count` vehicles of a plant that could be learned, simulated and fitted or from the cache."""
    folder = Path(tempfile.gettempdir()) / "livemon-garages" / f"taught-{_fingerprint()}"
    folder.mkdir(parents=True, exist_ok=True)
    for begin in range(0, count, _BATCH):
        path = folder / f"{plant}-{seed}-{begin}.pickle"
        known: list[Taught] = pickle.loads(path.read_bytes()) if path.exists() else []
        wanted = range(begin, min(begin + _BATCH, count))
        if not known or known[-1].number < wanted[-1]:
            known = _make(plant, wanted, seed)
            spare = path.with_suffix(".part")
            spare.write_bytes(pickle.dumps(known))
            spare.replace(path)
        yield from (one for one in known if one.number in wanted)


def _fingerprint() -> str:
    """Changes with the text of the generators, of the physics and of the fit."""
    here = Path(__file__).parent
    top = here.parents[2]
    files = [here / f"{name}.py" for name in ("garages", "columns", "trips", "plant_sim", "plant_two", "taught")]
    files += [top / f"livemon/core/{name}.py" for name in _CORE]
    files += [*(top / "livemon/sim").glob("*.py"), *(top / "tests/plant2").glob("*.py")]
    files += [top / f"livemon/study/{name}.py" for name in ("recording", "cooling_fit", "carries")]
    text = hashlib.sha256()
    for path in sorted(files):
        text.update(path.read_bytes())
    return text.hexdigest()[:16]


def _make(plant: str, numbers: range, seed: int) -> list[Taught]:
    module: Any = PLANTS[plant]
    care = CARE["as asked"]
    lanes: list[Any] = []
    roads: list[trips.Trip] = []
    keys: list[tuple[int, ...]] = []
    known = []
    for number in numbers:
        tag = (seed, list(PLANTS).index(plant), KIND, number)
        rng = np.random.default_rng(tag)
        before, after = trips.seasons_c(rng)
        vehicle = module.vehicle(rng, number, before)
        profile = module.profile(rng, vehicle, number)
        known.append((vehicle, profile, rng.random() < care.declared, rng.random() < care.typed))
        for place in range(SIDE + LATER):
            lanes.append(vehicle)
            roads.append(trips.draw(rng, before if place < SIDE else after))
            keys.append((*tag, place))
    readings = module.drive(lanes, roads, keys)
    out = []
    for k, number in enumerate(numbers):
        vehicle, profile, declared, typed = known[k]
        first = k * (SIDE + LATER)
        drives = [
            columns.drive(f"drive {j}", readings[j], roads[j].ac, profile, True, declared,
                          _typed_c(roads[j], keys[j]) if typed else None)
            for j in range(first, first + SIDE)
        ]  # fmt: skip
        found = learn(drives, profile, marks_drive)
        if not isinstance(found, Learned):
            continue
        bare = replace(found.fit, stretches=stretches([]), residual_c=np.empty((0, 0)))
        later = tuple(
            Later(
                {n: v.astype(np.float32) for n, v in readings[j].items() if n != "truth_c"},
                readings[j]["truth_c"].astype(np.float32),
                roads[j].ac if declared else None,
            )
            for j in range(first + SIDE, first + SIDE + LATER)
        )
        out.append(Taught(plant, number, vehicle, profile, bare, found.carries, found.rms_c, later))
        print(f"{plant} {number}: rms {found.rms_c:.2f} K", file=sys.stderr, flush=True)
    return out
