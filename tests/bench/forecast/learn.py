"""`python -m tests.bench.forecast.learn`: fits the table of `core/calibration` on made-up drives and writes it.

Drives of both plants and all families are made with limits near their peak (the hard ones) and well above it (the tame
ones, some just over the regulated temperature), the bank is run over them all side by side, and two small models are
fitted: logistic chances over the features of `ahead.toward`, and bands by quantile loss.  Seeds are stated, other than
those of the benchmark; the same machine writes the same table.  Takes some ten minutes on two cores.
"""

from __future__ import annotations

import argparse
import importlib
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from livemon.core import ahead, demand, engine, hypotheses
from livemon.core.ahead import HORIZONS
from livemon.core.air import air_density, standard_pressure_kpa
from livemon.core.demand import Raw
from livemon.core.outcome import HORIZONS_S
from livemon.core.vehicle import VehicleProfile
from tests.bench.forecast import drives, roads
from tests.bench.forecast.drives import Array, Run

SEED = 7301
LANES = 96
EVERY_S = 20
TAME = 0.35
"""Weight of a row whose limit is far from where the drive peaks, or whose drive stays cool."""
FROM_S = 120
PROFILE = VehicleProfile()
ENGINE, COOLING, PRIOR = PROFILE.engine(), PROFILE.cooling(), hypotheses.prior_from(PROFILE)
TARGET = Path(hypotheses.__file__).with_name("calibration.py")


@dataclass(frozen=True)
class Rows:
    """Features and what came of them, one row each (drive, time, limit)."""

    features: Array
    crossed: Array
    known: Array
    weight: Array
    rise: Array
    plain: Array
    came: dict[int, Array]


def block(job: tuple[str, str, int, bool]) -> Rows:
    """One block of drives of a plant and family, made, run and boiled down to rows."""
    plant, family, number, blind = job
    module = importlib.import_module(drives._MODULES[plant])
    tag = [drives.PLANTS.index(plant), roads.FAMILIES.index(family)]
    numbers = range(number * LANES, (number + 1) * LANES)
    rngs = [np.random.default_rng([SEED, *tag, n]) for n in numbers]
    runs = module.run(family, rngs, numbers, SEED * 10)
    chance = np.random.default_rng([SEED, *tag, number, 1])
    return _rows(runs, _limits(runs, chance), blind)


def _limits(runs: list[Run], rng: np.random.Generator) -> list[tuple[Array, Array]]:
    """Limits of each drive with the weight of their rows: two near the peak, one above it, one near regulation."""
    peak = np.array([float(r.truth_c.max()) for r in runs])
    regulated = np.array([r.regulated_c for r in runs])
    count = len(runs)
    near = [np.maximum(peak + rng.uniform(-5.0, 5.0, count), regulated + 5.0) for _ in range(2)]
    above = peak + rng.uniform(1.5, 18.0, count)
    low = np.maximum(regulated + rng.uniform(2.5, 9.0, count), np.where(peak < 100.0, peak + 1.0, 0.0))
    hard = np.where(_hot(runs), 1.0, TAME)
    tame = np.full(count, TAME)
    return [(near[0], hard), (near[1], hard), (above, tame), (low, tame)]


def _hot(runs: list[Run]) -> NDArray[np.bool_]:
    """Drives that come near a limit an owner would set: well over the regulated temperature."""
    return np.array([float(r.truth_c.max()) >= max(97.0, r.regulated_c + 5.0) - 5.0 for r in runs])


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


def _rows(runs: list[Run], limits: list[tuple[Array, Array]], blind: bool) -> Rows:
    lanes = _lanes(runs, blind)
    ends = np.array([r.truth_c.size for r in runs])
    bank = hypotheses.start(PRIOR, lanes["reading"][0])
    pace, repeats, last = demand.begin(_raw(lanes, 0)), np.zeros(len(runs)), lanes["reading"][0]
    kept: list[tuple[int, ahead.Outlook]] = []
    for second in range(1, len(lanes["heat"])):
        pace = demand.paced(pace, _raw(lanes, second), 1.0)
        air = _column(lanes, "air", second)
        air = air + _column(lanes, "ac", second) * demand.condenser_c(COOLING, air, pace.lag_ram)
        flow = demand.flow(pace, air, _column(lanes, "density", second))
        bank = hypotheses.moved(bank, flow, 1.0)
        reading = lanes["reading"][second]
        due = (reading != last) | (repeats >= 2)
        bank, _ = hypotheses.weighed(bank, np.where(due, reading - 0.25, -1e3), np.where(due, reading + 0.75, 1e3))
        repeats, last = np.where(due, 0, repeats + 1), np.where(due, reading, last)
        if second % EVERY_S == 0 and second >= FROM_S:
            kept.append((second, ahead.outlook(bank, flow, pace, ahead.run(bank, flow, pace))))
    parts = [_of_limit(kept, lanes["truth"], ends, limit, weight) for limit, weight in limits]
    came = _came(kept, lanes["truth"], ends, _hot(runs))
    features, crossed, known, weight = (np.concatenate([p[k] for p in parts]) for k in range(4))
    return Rows(features, crossed, known, weight, came[0], came[1], came[2])


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
        features = ahead.toward(view, limit)[use]
        found.append((features, crossed.astype(float), known.astype(float), weight[use]))
    columns = list(zip(*found, strict=True))
    return (
        np.concatenate(columns[0]),
        np.concatenate(columns[1]),
        np.concatenate(columns[2]),
        np.concatenate(columns[3]),
    )


def _came(
    kept: list[tuple[int, ahead.Outlook]], truth: Array, ends: Array, hot: NDArray[np.bool_]
) -> tuple[Array, Array, dict[int, Array]]:
    """Bands: rise of each run at each horizon, features, and the rise that came (nan = unknown).

    Every time of a hot drive counts, of a tame one each fourth.
    """
    rise, plain = [], []
    came: dict[int, list[Array]] = {h: [] for h in HORIZONS_S}
    for place, (second, view) in enumerate(kept):
        use = (second < ends) & (hot | (place % 4 == 0))
        rise.append(np.moveaxis(view.at_c - view.now_c, -1, 0)[use])
        plain.append(view.plain[use])
        for horizon in HORIZONS_S:
            then = min(second + horizon, len(truth) - 1)
            value = np.where(second + horizon < ends, truth[then] - view.now_c, np.nan)
            came[horizon].append(value[use])
    return np.concatenate(rise), np.concatenate(plain), {h: np.concatenate(v) for h, v in came.items()}


def fit_chances(rows: list[Rows]) -> tuple[Array, Array]:
    """Weights (HORIZONS, features) and bias of a logistic for each horizon, by Adam on the weighted cross entropy."""
    x = np.concatenate([r.features for r in rows])
    y, m = np.concatenate([r.crossed for r in rows]), np.concatenate([r.known for r in rows])
    m = m * np.concatenate([r.weight for r in rows])[:, None]
    middle, wide = x.mean(axis=0), x.std(axis=0) + 0.02
    x = ((x - middle) / wide).astype(np.float32)
    rng = np.random.default_rng(SEED)
    weights, bias = np.zeros((x.shape[1], y.shape[1])), np.zeros(y.shape[1])

    def slope(some: Array) -> list[Array]:
        error = (1.0 / (1.0 + np.exp(-(x[some] @ weights + bias))) - y[some]) * m[some] / len(some)
        return [x[some].T @ error + 1e-4 * weights, error.sum(axis=0)]

    _adam([weights, bias], slope, len(x), rng, 6000)
    return (weights / wide[:, None]).T, bias - (middle / wide) @ weights


def fit_band(rows: list[Rows], horizon: int) -> tuple[Array, Array, Array]:
    """Weights of the likely rise and of the logarithms of the distances down and up, by quantile loss."""
    rise = np.concatenate([r.rise for r in rows])[:, HORIZONS.index(horizon)]
    plain, came = np.concatenate([r.plain for r in rows]), np.concatenate([r.came[horizon] for r in rows])
    use = np.isfinite(came)
    rise, plain, came = np.clip(rise[use], -40.0, 40.0), plain[use], came[use]
    one = np.ones((len(came), 1))
    parts = np.abs(
        np.stack([rise[:, 3] - rise[:, 1], rise[:, 0] - rise[:, 2], rise[:, 4] - rise[:, 1], rise[:, 1]], -1)
    )
    base, width = np.hstack([rise, plain, one]), np.hstack([np.log(0.3 + parts), plain, one])
    scale = base.std(axis=0) + 1e-6
    scale[-1] = 1.0
    first, *_ = np.linalg.lstsq(base, came, rcond=None)
    start = np.zeros(width.shape[1])
    start[-1] = np.log(np.abs(came - base @ first).mean() * 1.5)
    middle, down, up = first * scale, start.copy(), start.copy()
    rng = np.random.default_rng(SEED)

    def slope(some: Array) -> list[Array]:
        a, s, e = base[some] / scale, width[some], came[some]
        m = a @ middle
        low, high = np.exp(s @ down), np.exp(s @ up)
        to_m = np.where(e > m, -0.5, 0.5)
        to_low, to_high = np.where(e > m - low, -0.1, 0.9), np.where(e > m + high, -0.9, 0.1)
        size = len(some)
        return [
            a.T @ (to_m + to_low + to_high) / size,
            s.T @ (-to_low * low) / size + 1e-4 * down,
            s.T @ (to_high * high) / size + 1e-4 * up,
        ]

    _adam([middle, down, up], slope, len(came), rng, 6000)
    return middle / scale, down, up


def _adam(
    values: list[Array], slope: object, rows: int, rng: np.random.Generator, steps: int, batch: int = 4096
) -> None:
    """Adam (Kingma & Ba 2015) in place, with a step that falls to nothing."""
    mean, square = [np.zeros_like(v) for v in values], [np.zeros_like(v) for v in values]
    for step in range(1, steps + 1):
        gradients = slope(rng.integers(0, rows, batch))  # type: ignore[operator]  # a callable; tests/ is not typed strictly
        rate = 5e-3 * (1.0 - step / steps) + 1e-5
        for k, gradient in enumerate(gradients):
            mean[k] = 0.9 * mean[k] + 0.1 * gradient
            square[k] = 0.999 * square[k] + 0.001 * gradient * gradient
            way = mean[k] / (1.0 - 0.9**step) / (np.sqrt(square[k] / (1.0 - 0.999**step)) + 1e-8)
            values[k] -= rate * way


def main() -> None:
    parser = argparse.ArgumentParser(description="fit the chances and bands of the forecast")
    parser.add_argument("--blocks", type=int, default=3, help=f"blocks of {LANES} drives a plant and family")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    tables = {}
    with Pool(args.jobs) as pool:
        for name, blind in (("SEEING", False), ("BLIND", True)):
            blocks = max(1, args.blocks // 2) if blind else args.blocks
            jobs = [(p, f, n, blind) for p in drives.PLANTS for f in roads.FAMILIES for n in range(blocks)]
            rows = pool.map(block, jobs, chunksize=1)
            print(f"{name}: {sum(len(r.features) for r in rows)} rows", flush=True)
            weights, bias = fit_chances(rows)
            tables[name] = weights, bias, {h: fit_band(rows, h) for h in HORIZONS_S}
    head = TARGET.read_text(encoding="utf-8").split("# fmt: off")[0]
    TARGET.write_text(head + "# fmt: off\n" + "\n".join(_table(n, *t) for n, t in tables.items()), encoding="utf-8")


def _table(name: str, weights: Array, bias: Array, band: dict[int, tuple[Array, Array, Array]]) -> str:
    lines = [f"{name}: Final = Table(", f"    chance_bias=np.array({_array(bias)}),", "    chance=np.array(["]
    lines += [f"        {_array(row)}," for row in weights] + ["    ]),", "    band={"]
    for horizon, three in band.items():
        lines += [f"        {horizon}: (", *(f"            np.array({_array(row)})," for row in three), "        ),"]
    return "\n".join([*lines, "    },", ")", ""])


def _array(row: Array) -> str:
    return "[" + ", ".join(f"{value:.4g}" for value in row) + "]"


if __name__ == "__main__":
    main()
