"""`python -m tests.bench.trust_learn`: fits the table of `core/healthy` on made-up drives and writes it.

Rows are the sound twins of `trust_drives`, of both plants and three seeds, each as a vehicle nobody knows and with what
`learn` made of three earlier drives: what copies of the possible vehicles are told, and how far the reading then stands
from them.  Mean and spread are fitted by Student's t, since what is not foretold comes in fat tails.  With `--judge`
nothing is written: every fourth vehicle in turn is left out of the fit, and its drives, sound and broken, tell what a
threshold would have found and cried over.  Rows are kept on disk under a name that changes with the text behind them.
"""

from __future__ import annotations

import argparse
import hashlib
import pickle
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.special import gamma, stdtr

from livemon.core import fleet, healthy, moment, trust, trust_cooling, unheard
from livemon.core.events import Tick
from livemon.core.net import Net
from livemon.core.vehicle import VehicleProfile
from tests.bench import trust_drives
from tests.bench.forecast import fits, learn, ours
from tests.bench.forecast.drives import Array, Drive

TARGET = Path(healthy.__file__).with_name("healthy_table.py")
PLANTS, BATCHES = ("plant2", "sim"), 3
SEEDS = {True: (1, 3, 5), False: (1, 3)}
"""Of vehicles with a learned profile, and of those nobody knows; broken drives are judged with a learned one only."""
LOST = frozenset(("fan", "pump", "air", "electric_fan_dead", "fan_clutch_slips", "pump_slips", "radiator_blocked"))
"""Faults that this is to find; coolant that leaves the sensor is found by its fall."""
FOLDS = 4
BENDS, STEPS, DECAY = 5, 3000, 0.3
FREEDOM = 5.0
"""Degrees of freedom of Student's t."""
SEEN_C = 94.0
"""Rows are of readings from here on: over it the copies are always moved (`trust_cooling.compares`)."""
EVERY = 2
"""Neighbouring looks are nearly one; so many make a row of the fit."""
HOTTEST_C = 97.0
"""A drive that is never so hot is not run, nor any after it was last so hot: no doubt could begin."""
THRESHOLDS = (3.5, 4.0, 4.5, 4.75, 5.0, 5.25, 5.5, 6.0, 7.0)


@dataclass(frozen=True)
class Looked:
    """One drive: when it was looked at [s], the reading, whether hot, and of each of AGES_S the signs and over [K]."""

    at_s: Array
    reading_c: Array
    hot: Array
    over_c: Array
    """(looks, AGES_S), nan where there is no copy of that age."""
    signs: Array
    """(looks, AGES_S, signs)"""


@dataclass(frozen=True)
class Case:
    """A vehicle: its sound drive and, unless it is of no use here, the broken one."""

    vehicle: int
    hours: float
    twin: Looked
    sick: Looked | None
    kind: str
    fault_s: int
    crossing_s: int | None
    learned: bool


def looked(drive: Drive, profile: VehicleProfile, until_s: int | None = None) -> Looked:
    """The drive as far as anything could be doubted: fleet and copies alone, without forecast and other doubts."""
    hot = np.flatnonzero(drive.readings["coolant_c"] >= HOTTEST_C)
    end_s = 0 if not hot.size else int(hot[-1]) + 1
    end_s = end_s if until_s is None else min(end_s, until_s)
    settings = moment.CoreSettings(profile=profile)
    state = moment.start(settings)
    out: list[tuple[float, float, bool, list[float], list[list[float]]]] = []
    for event in ours.events(drive):
        if event.t_ms > end_s * 1000:
            break
        if not isinstance(event, Tick):
            state = moment.hear(state, event, settings)
            continue
        state, (inputs, where, _) = moment.look_round(state, event, settings)
        fuel_kw, kpa, air_c = moment._asked(state, inputs, where)
        state = state._replace(estimator=replace(state.estimator, air_c=air_c))
        followed = fleet.gathered(state.fleet, inputs, fuel_kw, air_c)
        reading_c, broke_ms = state.trust.believed_c, state.trust.broke_ms
        wanted = trust_cooling.compares(state.trust.slow, reading_c)
        alone, departures, stepped = unheard.advance(
            state.unheard, followed, inputs.t_ms, kpa, reading_c, broke_ms, wanted
        )
        judged, _ = trust.judge(state.trust, inputs)
        state = state._replace(trust=judged, unheard=alone, fleet=fleet.heard(followed, inputs, kpa, stepped))
        if departures and reading_c is not None:
            over, told = [np.nan] * len(healthy.AGES_S), [[np.nan] * _SIGNS] * len(healthy.AGES_S)
            for one in departures:
                for k, age in enumerate(healthy.AGES_S):
                    if abs(one.age_s - age) <= healthy.NEAR_S:
                        over[k], told[k] = one.over_c, unheard.signs(alone, one, inputs.t_ms, reading_c)
            out.append((inputs.t_ms / 1000.0, reading_c, reading_c >= judged.slow.hot_c, over, told))
    columns = list(zip(*out, strict=True)) if out else [(), (), (), np.empty((0, 5)), np.empty((0, 5, _SIGNS))]
    at_s, reading, is_hot, over_c, signs = (np.array(c, dtype=np.float32) for c in columns)
    return Looked(at_s, reading, is_hot > 0, over_c, signs)


_SIGNS = len(healthy.HEALTHY.low)


def cases(plant: str, seed: int, learned: bool) -> list[Case]:
    """Of one plant and seed, made or from the disk."""
    path = _kept(f"{plant}-{seed}-{'learned' if learned else 'broad'}")
    if path.exists():
        known: list[Case] = pickle.loads(path.read_bytes())
        return known
    out = []
    for one in trust_drives.broken(plant, BATCHES, seed):
        profile = one.learned if learned else VehicleProfile()
        hours = one.twin_c.size / 3600.0
        until_s = None if one.crossing_s is None else one.crossing_s + 60
        wanted = learned and one.kind in LOST and one.felt_s is not None
        sick = looked(one.drive, profile, until_s) if wanted else None
        vehicle = (PLANTS.index(plant) * 100 + seed) * 1000 + one.drive.number
        at = one.drive.fault_at_s or 0
        out.append(Case(vehicle, hours, looked(one.twin, profile), sick, one.kind, at, one.crossing_s, learned))
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(pickle.dumps(out))
    print(f"{plant} {seed} {'learned' if learned else 'broad'}: {len(out)} vehicles", flush=True)
    return out


def _kept(name: str) -> Path:
    core = Path(healthy.__file__).parent
    text = hashlib.sha256()
    for room in (
        "fleet",
        "unheard",
        "healthy",
        "heat",
        "radiator",
        "engine",
        "demand",
        "signals",
        "vehicle",
        "figures",
    ):
        text.update((core / f"{room}.py").read_bytes())
    text.update(Path(trust_drives.__file__).read_bytes())
    return Path(tempfile.gettempdir()) / "livemon-bench" / f"healthy-{text.hexdigest()[:12]}" / f"{name}.pickle"


def fit(some: list[Case]) -> Net:
    """Mean [K] and ln of the spread [K] of `over_c`, by Student's t, a row every EVERY looks of a sound drive.

    A row is there only because the reading was hot, and a vehicle that should be cool and is hot is just what is looked
    for: so the likelihood is that of a reading known to lie over SEEN_C (truncated regression, Hausman & Wise 1977).
    """
    x = np.concatenate([c.twin.signs[::EVERY].reshape(-1, _SIGNS) for c in some])
    y = np.concatenate([c.twin.over_c[::EVERY].ravel() for c in some])
    reading = np.concatenate([np.repeat(c.twin.reading_c[::EVERY], len(healthy.AGES_S)) for c in some])
    known = np.isfinite(y) & (reading >= SEEN_C)
    x, y, reading = x[known].astype(float), y[known].astype(np.float32), reading[known]
    least = SEEN_C - 0.5 - reading + y
    scaled = fits._scaled(x)
    told = scaled(x)
    start = np.zeros((2, _SIGNS + 1))
    start[0, -1], start[1, -1] = np.median(y), np.log(y.std())

    def slope(answer: Array, some: Array) -> Array:
        off, log_sd = y[some] - answer[:, 0], np.clip(answer[:, 1], -1.5, 3.0)
        sd = np.exp(log_sd)
        pull = (FREEDOM + 1.0) / (FREEDOM * sd * sd + off * off)
        cut = (least[some] - answer[:, 0]) / sd
        hazard = _density(cut) / np.maximum(stdtr(FREEDOM, -cut), 1e-9)
        return np.stack([-pull * off * sd + hazard, 1.0 - pull * off * off + hazard * cut], axis=1) / len(some)

    return scaled.folded(fits._learned(told, start, BENDS, slope, STEPS, DECAY))


def _density(t: Array) -> Array:
    """Of Student's t with FREEDOM degrees."""
    half = 0.5 * (FREEDOM + 1.0)
    scale = gamma(half) / (gamma(0.5 * FREEDOM) * np.sqrt(FREEDOM * np.pi))
    return np.asarray(scale * (1.0 + t * t / FREEDOM) ** -half)


def surprises(one: Looked, net: Net) -> Array:
    """Second largest over AGES_S of how many spreads the reading stands over a sound vehicle's, at each look."""
    answer = net(np.nan_to_num(one.signs.astype(float)))
    excess = one.over_c - answer[..., 0]
    spreads = excess / np.clip(np.exp(answer[..., 1]), healthy.LEAST_SD_C, healthy.MOST_SD_C)
    spreads = np.where(np.isfinite(spreads) & (excess >= trust_cooling.RISE_C), spreads, -9.0)
    told: Array = np.sort(spreads, axis=-1)[:, -2] if len(spreads) else np.empty(0)
    return np.where(one.hot, told, -9.0)


def begins(at_s: Array, told: Array, threshold: float) -> Iterator[float]:
    """When a doubt begins: over the threshold at RISE_TIMES looks in a row, and none stands from before."""
    row, until = 0, -1.0
    for second, value in zip(at_s, told, strict=True):
        row = row + 1 if value >= threshold else 0
        if row >= trust_cooling.RISE_TIMES:
            if second > until:
                yield float(second)
            until = float(second) + trust_cooling.LOSING_HOLD_MS / 1000.0


def judge(some: list[Case]) -> None:
    """Prints what each threshold finds before the limit and cries over, on vehicles left out of the fit."""
    told: list[tuple[Case, Array, Array]] = []
    for fold in range(FOLDS):
        net = fit([c for c in some if c.vehicle % FOLDS != fold])
        for c in some:
            if c.vehicle % FOLDS == fold:
                sick = np.empty(0) if c.sick is None else surprises(c.sick, net)
                told.append((c, surprises(c.twin, net), sick))
    for learned in (True, False):
        mine = [one for one in told if one[0].learned is learned]
        hours = sum(c.hours for c, _, _ in mine)
        print(f"\n{'learned' if learned else 'broad'}: {len(mine)} vehicles, {hours:.0f} h")
        for threshold in THRESHOLDS:
            false, found, all_ = 0, Counter[str](), Counter[str]()
            for c, twin, sick in mine:
                false += sum(1 for _ in begins(c.twin.at_s, twin, threshold))
                if c.sick is None or c.crossing_s is None:
                    continue
                all_[c.kind] += 1
                began = begins(c.sick.at_s, sick, threshold)
                found[c.kind] += any(c.fault_s <= at <= c.crossing_s for at in began)
            each = ", ".join(f"{kind} {found[kind]}/{count}" for kind, count in sorted(all_.items()))
            print(f"{threshold:5.2f}: {100.0 * false / hours:4.1f} false in 100 h; {each}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.trust_learn", description=__doc__)
    parser.add_argument("--judge", action="store_true", help="write nothing; what thresholds do on vehicles left out")
    args = parser.parse_args()
    some = [c for learned in (True, False) for p in PLANTS for s in SEEDS[learned] for c in cases(p, s, learned)]
    if args.judge:
        judge(some)
        return
    head = TARGET.read_text(encoding="utf-8").split("# fmt: off")[0]
    TARGET.write_text(f"{head}# fmt: off\nHEALTHY: Final = {learn._net(fit(some), 0)}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
