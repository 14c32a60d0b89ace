"""Made-up drives with truth, readings, limit and oracle, drawn from a stated seed and kept in a cache on disk.

Drive *i* of a plant, family and kind is the same whatever the number asked for.  The readings are those a vehicle gives
at 1 Hz: whole degrees through a lagging sensor, one byte of load, and by rig air flow, manifold pressure or neither.
"""

from __future__ import annotations

import hashlib
import importlib
import pickle
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from tests.bench.forecast import roads

Array = NDArray[np.float64]

KINDS = ("borderline", "ordinary")
PLANTS = ("plant2", "sim")
BORDER_C = 5.0
GRID_S = 10
"""The oracle is asked every so many seconds; between, its last answer holds."""
FORESEE_S = 900
_BATCH = 48
_MOST_BATCHES = 120
_MODULES = {"plant2": "tests.bench.forecast.plant_two", "sim": "tests.bench.forecast.plant_sim"}


@dataclass(frozen=True)
class Oracle:
    """True plant and state, driven on as in the last minute, asked at the end of each GRID_S [C], [s]."""

    at_s: Array
    peak_300_c: Array
    time_s: Array  # to the drive's own limit, inf = not within FORESEE_S
    ahead_c: dict[int, Array]


@dataclass(frozen=True)
class Run:
    """What a plant gives for one lane before a limit is chosen; second k is index k."""

    truth_c: Array
    readings: dict[str, Array]
    regulated_c: float  # where the thermostat holds it; a limit is well above
    label: str
    fault_at_s: int | None
    ac: Array | None  # declared A/C, None = not declared
    drive_on: Callable[[], Array]  # -> (starts, FORESEE_S): the oracle's path from the end of each GRID_S


@dataclass(frozen=True)
class Drive:
    """One drive to be forecast; `limit_c` was chosen after the fact."""

    plant: str
    family: str
    kind: str
    number: int
    label: str
    limit_c: float
    truth_c: Array
    readings: dict[str, Array]
    ac: Array | None
    fault_at_s: int | None
    oracle: Oracle

    @property
    def name(self) -> str:
        return f"{self.plant}/{self.family}/{self.kind}/{self.number}"

    @property
    def peak_c(self) -> float:
        return float(self.truth_c.max())

    @property
    def crossing_s(self) -> int | None:
        """First second at which the true coolant stands at or over the limit."""
        over = np.flatnonzero(self.truth_c >= self.limit_c)
        return int(over[0]) if over.size else None


def load(plant: str, family: str, kind: str, count: int, seed: int) -> list[Drive]:
    """The first `count` drives of that plant, family and kind, simulated or from the cache."""
    module = importlib.import_module(_MODULES[plant])
    folder = Path(tempfile.gettempdir()) / "livemon-bench" / _fingerprint(module)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{plant}-{family}-{kind}-{seed}.pickle"
    known: list[Drive] = []
    if path.exists():
        known = pickle.loads(path.read_bytes())
    if len(known) < count:
        known = _make(module, plant, family, kind, count, seed)
        spare = path.with_suffix(".part")
        spare.write_bytes(pickle.dumps(known))
        spare.replace(path)
    return known[:count]


def _fingerprint(module: ModuleType) -> str:
    """Changes whenever the text of the generators does, so an old cache is never taken for a new one."""
    text = hashlib.sha256()
    files = {Path(__file__), Path(roads.__file__ or "")}
    for name in module.SOURCES:
        files.add(Path(importlib.import_module(name).__file__ or ""))
    for path in sorted(files):
        text.update(path.read_bytes())
    return text.hexdigest()[:16]


def _make(module: ModuleType, plant: str, family: str, kind: str, count: int, seed: int) -> list[Drive]:
    """Candidates in order of their number; those whose peak makes a fair limit are kept."""
    kept: list[Drive] = []
    tag = [PLANTS.index(plant), roads.FAMILIES.index(family), KINDS.index(kind)]
    for batch in range(_MOST_BATCHES):
        numbers = range(batch * _BATCH, (batch + 1) * _BATCH)
        rngs = [np.random.default_rng([seed, *tag, number]) for number in numbers]
        for run, number in zip(module.run(family, rngs, numbers, seed * 10 + tag[2]), numbers, strict=True):
            limit = _limit(run, kind, np.random.default_rng([seed, *tag, number, 1]))
            if limit is None or len(kept) >= count:
                continue
            kept.append(_drive(run, plant, family, kind, number, limit))
        if len(kept) >= count:
            return kept
    raise RuntimeError(f"{plant}/{family}/{kind}: only {len(kept)} of {count} drives after {_MOST_BATCHES} batches")


def _limit(run: Run, kind: str, rng: np.random.Generator) -> float | None:
    """A limit of the kind, or None where this drive is not fit for it."""
    peak = float(run.truth_c.max())
    shift, wide, line = rng.uniform(-BORDER_C, BORDER_C), rng.uniform(-14.0, 18.0), rng.uniform(103.0, 117.0)
    lowest = max(97.0, run.regulated_c + 5.0)
    early = float(run.truth_c[:240].max())
    if kind == "borderline":  # fit or not is settled before the limit is known, so above and below stay equally likely
        limit = peak + shift
        fit = peak - BORDER_C >= lowest and peak + BORDER_C <= 124.0 and early < peak - BORDER_C
    else:
        limit = peak + wide if line < 110.0 else line  # half near the peak, half an owner's usual line
        fit = lowest <= limit <= 122.0 and abs(limit - peak) > BORDER_C and early < limit
        fit = fit and peak > run.regulated_c + 1.0
    if not fit:
        return None
    return float(np.round(limit, 1))


def _drive(run: Run, plant: str, family: str, kind: str, number: int, limit: float) -> Drive:
    path = run.drive_on()
    hit = path >= limit
    time = np.where(hit.any(axis=1), hit.argmax(axis=1) + 1.0, np.inf)
    oracle = Oracle(
        at_s=np.arange(1, path.shape[0] + 1) * GRID_S - 1.0,
        peak_300_c=path[:, :300].max(axis=1).astype(float),
        time_s=time,
        ahead_c={h: path[:, h - 1].astype(float) for h in (120, 300, 600)},
    )
    return Drive(
        plant, family, kind, number, run.label, limit, run.truth_c, run.readings, run.ac, run.fault_at_s, oracle
    )
