"""Rows to learn the forecast from: the bank run over made-up drives side by side, features and what came of them.

Drives of both plants: borderline ones of all families, with limits near their peak (the hard rows), tame ones, with
limits just over the temperature where the thermostat holds them, and everyday ones (`everyday`).  The seed is stated,
other than those of the benchmark.  Rows are kept on disk under a name that changes with all text they come from.
"""

from __future__ import annotations

import hashlib
import importlib
import pickle
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from livemon.core import ahead, demand, engine, estimator, hypotheses
from livemon.core.ahead import HORIZONS
from livemon.core.air import air_density, standard_pressure_kpa
from livemon.core.demand import Raw
from livemon.core.outcome import HORIZONS_S
from livemon.core.prior import prior_from
from livemon.core.vehicle import VehicleProfile
from tests.bench.forecast import drives, everyday, roads
from tests.bench.forecast.drives import Array, Run

SEED = 7301
FAMILIES = (*roads.FAMILIES, everyday.FAMILY)
HARD_DRIVES, TAME_DRIVES, EVERYDAY_DRIVES, BLIND_SHARE = 80, 30, 160, 0.5
"""Drives a plant and family; coolant alone is fitted on a share of them."""
LANES, MOST_BATCHES = 240, 40
EVERY_S = 20
TAME = 0.35
"""Weight of a row whose limit is far from where the drive peaks, or whose drive stays cool."""
FROM_S = 100
HOTTEST_C = 135.0
"""A drive that gets hotter is left out: the second plant does not boil, so a dry one heats without end."""
PROFILE = VehicleProfile()
ENGINE, COOLING, PRIOR = PROFILE.engine(), PROFILE.cooling(), prior_from(PROFILE)


@dataclass(frozen=True)
class Rows:
    """Features and what came of them, one row each (drive, time, limit); the lower half (drive, time) for the bands."""

    features: Array
    crossed: Array
    known: Array
    weight: Array
    band: Array
    """(rows, HORIZONS_S, inputs of `ahead.onward`)"""
    came: Array
    """(rows, HORIZONS_S): the rise that came, nan = unknown."""
    drive: Array
    """Number of the drive in its block."""
    judged: Array
    """1 where the bands are judged: a borderline drive that has not yet crossed its limit, an everyday drive."""


@dataclass(frozen=True)
class Made:
    """One drive with the limit that makes it borderline, None = it is tame."""

    run: Run
    limit_c: float | None


def block(job: tuple[str, str]) -> tuple[Rows, Rows]:
    """Rows of a plant and family, of a vehicle that tells everything and of one that tells coolant alone."""
    plant, family = job
    path = _kept(plant, family)
    if not path.exists():
        made = gather(plant, family)
        few = made[:: round(1.0 / BLIND_SHARE)]
        rng = np.random.default_rng([SEED, drives.PLANTS.index(plant), FAMILIES.index(family), 1])
        limits = [_limits(m, rng) for m in made]
        both = _rows(made, limits, False), _rows(few, limits[:: round(1.0 / BLIND_SHARE)], True)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(both))
        print(f"{plant} {family}: {len(made)} drives, {len(both[0].features)} rows", flush=True)
    kept: tuple[Rows, Rows] = pickle.loads(path.read_bytes())
    return kept


def _kept(plant: str, family: str) -> Path:
    """Where the rows stay; the name changes with the text of the plants and of everything that makes rows."""
    sources = (ahead, demand, engine, hypotheses, everyday)
    text = "".join(Path(m.__file__ or "").read_text(encoding="utf-8") for m in sources)
    text += Path(__file__).read_text(encoding="utf-8")
    module = importlib.import_module(drives._MODULES[plant])
    name = f"{drives._fingerprint(module)}-{hashlib.sha256(text.encode()).hexdigest()[:12]}"
    return Path(tempfile.gettempdir()) / "livemon-bench" / name / f"rows-{plant}-{family}.pickle"


def gather(plant: str, family: str) -> list[Made]:
    """Drives in the order of their numbers, the borderline ones as the benchmark chooses them, but from SEED."""
    tag = [drives.PLANTS.index(plant), FAMILIES.index(family), 0]
    if family == everyday.FAMILY:
        numbers = range(EVERYDAY_DRIVES)
        rngs = [np.random.default_rng([SEED, *tag, n]) for n in numbers]
        return [Made(replace(run, drive_on=_no_oracle), None) for run in everyday.run(plant, rngs, numbers, SEED * 10)]
    module = importlib.import_module(drives._MODULES[plant])
    hard: list[Made] = []
    tame: list[Made] = []
    for batch in range(MOST_BATCHES):
        numbers = range(batch * LANES, (batch + 1) * LANES)
        rngs = [np.random.default_rng([SEED, *tag, n]) for n in numbers]
        for run, n in zip(module.run(family, rngs, numbers, SEED * 10), numbers, strict=True):
            limit = drives._limit(run, "borderline", np.random.default_rng([SEED, *tag, n, 1]))
            one = Made(replace(run, drive_on=_no_oracle), limit)
            if float(run.truth_c.max()) > HOTTEST_C:
                continue
            if limit is not None and len(hard) < HARD_DRIVES:
                hard.append(one)
            elif limit is None and len(tame) < TAME_DRIVES:
                tame.append(one)
        if len(hard) >= HARD_DRIVES:
            break
    return hard + tame


def _no_oracle() -> Array:
    raise RuntimeError("a drive to learn from has no oracle: it would hold on to the whole batch")


def _limits(made: Made, rng: np.random.Generator) -> list[tuple[float, float]]:
    """(limit, weight of its rows).  Borderline: its own, another near the peak, one above, one near regulation.

    Tame: near its peak, also within the thermostat's ramp, where a slope is regulation; above it; near regulation.
    """
    peak, held = float(made.run.truth_c.max()), made.run.regulated_c
    if made.limit_c is not None:
        near = peak + rng.uniform(-drives.BORDER_C, drives.BORDER_C)
        above, low = peak + rng.uniform(5.0, 18.0), held + rng.uniform(2.5, 9.0)
        return [(made.limit_c, 1.0), (near, 1.0), (above, TAME), (low, TAME)]
    near, above = peak + rng.uniform(-2.0, 6.0), peak + rng.uniform(1.5, 18.0)
    return [(near, 0.5), (above, TAME), (max(held + rng.uniform(-1.0, 9.0), 85.0), TAME)]


def _lanes(runs: list[Run], blind: bool) -> dict[str, Array]:
    """What the estimator would be told, as arrays (second, drive); a drive that ended keeps its last values."""
    seconds = max(r.truth_c.size for r in runs)
    names = ("heat", "ram", "fan", "air", "density", "reading", "truth", "ac")
    lanes = {name: np.zeros((seconds, len(runs))) for name in names}
    for lane, run in enumerate(runs):
        told = {k: np.asarray(v, dtype=float) for k, v in run.readings.items()}
        size = run.truth_c.size
        outside, kpa = _outside(told, size), told.get("baro_kpa", np.full(size, float(standard_pressure_kpa(300.0))))
        heat = np.asarray(engine.coolant_heat_kw(ENGINE, np.maximum(_fuel_kw(told, outside, kpa), 0.0)))
        values = {
            "heat": heat,
            "ram": told["speed_kmh"] / demand.RAM_KMH,
            "fan": np.minimum(told["rpm"] / demand.FAN_RPM, demand.FAN_TOP),
            "air": outside,
            "ac": np.zeros(size) if run.ac is None else run.ac,
        }
        if blind:
            kpa = np.full(size, float(standard_pressure_kpa(300.0)))
            values = {
                "heat": np.full(size, demand.BLIND_KW),
                "ram": np.full(size, demand.BLIND_RAM),
                "fan": np.ones(size),
                "air": np.full(size, demand.UNKNOWN_AIR_C),
                "ac": np.zeros(size),
            }
        values["density"] = (np.asarray(air_density(kpa, values["air"])) / 1.1) ** hypotheses.AIR_EXPONENT
        values |= {"reading": told["coolant_c"], "truth": run.truth_c}
        for name, column in values.items():
            lanes[name][:size, lane] = column
            lanes[name][size:, lane] = column[-1]
    return lanes


def _outside(told: dict[str, Array], size: int) -> Array:
    """As `demand.outside_c`: measured, else the intake air at speed less what it is warmer, held when slow."""
    if "ambient_air_c" in told:
        return told["ambient_air_c"]
    outside, now = np.empty(size), None
    for second in range(size):
        guess = told["intake_air_c"][second] - demand.INTAKE_OVER_C
        if now is None:
            now = guess
        else:
            now = now + (guess - now) / 60.0 if told["speed_kmh"][second] > 30.0 else min(now, guess)
        outside[second] = now
    return outside


def _fuel_kw(told: dict[str, Array], outside: Array, kpa: Array) -> Array:
    """As `demand.fuel_kw`: the best of what the drive offers."""
    rpm, size = told["rpm"], ENGINE.displacement_l
    if "maf_g_s" in told:
        air = told["maf_g_s"]
    elif "absolute_load_pct" in told:
        air = engine.air_from_absolute_load(told["absolute_load_pct"], rpm, size)
    elif "map_kpa" in told:
        air = engine.air_from_manifold(told["map_kpa"], rpm, told["intake_air_c"], size, ENGINE.volumetric_efficiency)
    else:
        filling = ENGINE.volumetric_efficiency
        air = engine.air_from_calculated_load(told["load_pct"], rpm, size, kpa, outside, filling)
    return np.asarray(engine.fuel_kw_from_air(air))


def _rows(made: list[Made], limits: list[list[tuple[float, float]]], blind: bool) -> Rows:
    """The bank run over all drives side by side, and what it foresaw every EVERY_S boiled down to rows."""
    runs = [m.run for m in made]
    lanes = _lanes(runs, blind)
    ends = np.array([r.truth_c.size for r in runs])
    bank = hypotheses.start(PRIOR, lanes["reading"][0])
    pace, repeats, last = demand.begin(_raw(lanes, 0)), np.zeros(len(runs)), lanes["reading"][0]
    usual = lanes["reading"][0]
    kept: list[tuple[int, ahead.Outlook]] = []
    for second in range(1, len(lanes["heat"])):
        pace = demand.paced(pace, _raw(lanes, second), 1.0)
        air = _column(lanes, "air", second)
        air = air + _column(lanes, "ac", second) * demand.condenser_c(COOLING, air, pace.lag_ram)
        flow = demand.flow(pace, air, _column(lanes, "density", second))
        bank = hypotheses.moved(bank, flow, 1.0)
        reading = lanes["reading"][second]
        due = (reading != last) | (repeats >= 2)
        bank = hypotheses.weighed(bank, np.where(due, reading - 0.25, -1e3), np.where(due, reading + 0.75, 1e3))
        repeats, last = np.where(due, 0, repeats + 1), np.where(due, reading, last)
        usual = np.asarray(estimator.usual(usual, hypotheses.likely_c(bank), pace.seconds, 1.0))
        if second % EVERY_S == 0 and second >= FROM_S:
            kept.append((second, ahead.outlook(bank, flow, pace, ahead.run(bank, flow, pace), usual)))
    parts = []
    for place in range(max(len(some) for some in limits)):
        have = np.array([len(some) > place for some in limits])
        limit = np.array([some[place][0] if len(some) > place else np.inf for some in limits])
        weight = np.array([some[place][1] if len(some) > place else 0.0 for some in limits])
        parts.append(_of_limit(kept, lanes["truth"], np.where(have, ends, 0), limit, weight))
    line = np.array([np.inf if m.limit_c is None else m.limit_c for m in made])
    daily = np.array([m.run.label.startswith(everyday.FAMILY) for m in made])
    return Rows(
        *(np.concatenate(column) for column in zip(*parts, strict=True)), *_came(kept, lanes, ends, line, daily)
    )


def _raw(lanes: dict[str, Array], second: int) -> Raw:
    return Raw(*(_column(lanes, name, second) for name in ("heat", "ram", "fan")))


def _column(lanes: dict[str, Array], name: str, second: int) -> Array:
    return lanes[name][second][:, None]


def _of_limit(
    kept: list[tuple[int, ahead.Outlook]], truth: Array, ends: Array, limit: Array, weight: Array
) -> tuple[Array, Array, Array, Array]:
    """Rows before the crossing: features, crossed within each horizon, whether that is known, weight."""
    over = (truth >= limit) & (np.arange(len(truth))[:, None] < ends)
    never = 10**9
    cross = np.where(over.any(axis=0), over.argmax(axis=0), never)
    found = []
    for second, view in kept:
        use = (second < cross) & (second < ends)
        if not use.any():
            continue
        crossed = np.stack([cross - second <= h for h in HORIZONS], axis=-1)[use]
        known = np.stack([(cross < never) | (second + h < ends) for h in HORIZONS], axis=-1)[use]
        features = ahead.toward(view, limit)[use].astype(np.float32)
        found.append((features, crossed.astype(float), known.astype(float), weight[use]))
    columns = list(zip(*found, strict=True))
    return (
        np.concatenate(columns[0]),
        np.concatenate(columns[1]),
        np.concatenate(columns[2]),
        np.concatenate(columns[3]),
    )


def _came(
    kept: list[tuple[int, ahead.Outlook]], lanes: dict[str, Array], ends: Array, line: Array, daily: Array
) -> list[Array]:
    """Bands: what they are told at each horizon, the rise that came, drive, whether they are judged there.

    Every time of a borderline or everyday drive counts, of a tame one each fourth.
    """
    truth = lanes["truth"]
    hard = np.isfinite(line)
    over = (truth >= line) & (np.arange(len(truth))[:, None] < ends)
    cross = np.where(over.any(axis=0), over.argmax(axis=0), np.where(hard | daily, 10**9, 0))
    columns: list[list[Array]] = [[] for _ in range(4)]
    for place, (second, view) in enumerate(kept):
        use = (second < ends) & (hard | daily | (place % 4 == 0))
        came = [
            np.where(second + h < ends, truth[min(second + h, len(truth) - 1)] - view.now_c, np.nan) for h in HORIZONS_S
        ]
        told = np.stack([ahead.onward(view, h) for h in HORIZONS_S], axis=1)
        found = [told, np.stack(came, axis=-1), np.arange(len(ends)), (second < cross).astype(float)]
        for column, values in zip(columns, found, strict=True):
            column.append(values[use].astype(np.float32))
    return [np.concatenate(column) for column in columns]
