"""Do the 90 % bands of `learn` hold?  Made-up garages of both plants, five drives each, truth known, seeds fixed.

    python -m tests.bench.learn_cover [--seed S] [--garages N] [--plants sim plant2]

What is judged is what the owner is told: the fuel power that the cooling carries (`study/carries`) in six ways of
running, in terms of the fuel that this vehicle's own readings tell.  Truth of the second plant is found by letting it
settle; it shares no equation with the model that is fitted.  A way of running that the drives never showed hot counts
as not shown, and is scored apart.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livemon.core import demand
from livemon.core.outcome import Status
from livemon.core.signals import Inputs
from livemon.core.vehicle import VehicleProfile
from livemon.study.carries import AIR_C, AIR_KPA, COOLANT_C, RUNNINGS, Running, carried_fuel_kw
from tests.bench.garages import garages, plant_two, taught
from tests.plant2 import driveline, thermal

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Score:
    """One garage and way of running: ln of learned over true, its standard deviation, whether the band held."""

    plant: str
    number: int
    running: str
    error: float
    low: float
    high: float
    before: float
    shown: bool

    @property
    def held(self) -> bool:
        return self.low <= 0.0 <= self.high


def truth_sim(rig: Any, at: Running) -> float:
    """Fuel as the rig's own air flow meter tells it, at which the rig rests at COOLANT_C."""
    return float(carried_fuel_kw(rig.engine, rig.cooling, at)) * (1.0 + rig.sensor.maf_error)


_STEPS, _STEP_S = 700, 5.0
_FUELS = np.geomspace(4.0, 700.0, 60)


def truth_two(lane: dict[str, float], at: Running, profile: VehicleProfile) -> float:
    """The same of the second plant: left to settle under sixty fuels side by side, thermostat and fan its own."""
    rig = plant_two._rig([lane] * _FUELS.size)
    one = np.ones(_FUELS.size)
    rpm = rig.rpm_idle if at.rpm is None else at.rpm * one
    density = AIR_KPA / (0.287053 * (AIR_C + 273.15))
    most = driveline.full_power(rig, rpm, density / 1.2 * one)
    friction = rig.fmep_kpa * rig.displacement_l / 1000.0 * rpm / 120.0
    load = np.clip((_FUELS * rig.eta_indicated - friction) / most, 0.0, 1.0)
    around = thermal.Drive(
        fuel_kw=_FUELS, load=load, rpm=rpm, speed_kmh=at.speed_kmh * one, outside_c=AIR_C * one,
        air_kg_m3=density * one, ac=at.ac_on * one, fan_ok=lane["fan_ok"] * one, air_ok=lane["air_ok"] * one,
        pump_ok=lane["pump_ok"] * one, stat_most=one, leak_per_s=0.0 * one,
    )  # fmt: skip
    state = thermal.start(rig, AIR_C * one, one)
    for _ in range(_STEPS):
        state = thermal.step(rig, state, around, _STEP_S)
    settled = np.maximum.accumulate(state.coolant_c)
    fuel = float(np.exp(np.interp(COOLANT_C, settled, np.log(_FUELS))))
    at_load = float(np.interp(fuel, _FUELS, load))
    diesel = lane["diesel"] > 0.5
    per_mj = (20.0 + 25.0 * (1.0 - at_load)) / driveline.LHV["diesel"] if diesel else 14.7 / driveline.LHV["petrol"]
    maf = fuel * per_mj
    turn = float(rpm[0])
    sweep = 0.85 * lane["displacement_l"] * turn / 120.0
    intake_c = AIR_C + 25.0
    pressure = maf * 0.2871 * (intake_c + 273.15) / sweep
    pressure = float(np.clip(pressure, 0.98 * AIR_KPA if diesel else 22.0, 250.0 if lane["turbo"] > 0.5 else AIR_KPA))
    one_rig = plant_two._rig([lane])
    peak = (driveline.full_power(one_rig, rpm[:1], one[:1]) + friction[:1]) / one_rig.eta_indicated
    peak_maf = peak * (20.0 / driveline.LHV["diesel"] if diesel else 14.7 / driveline.LHV["petrol"])
    engine = driveline.Engine(*(np.array([v]) for v in (0.0, turn, 0.0, fuel, at_load, maf, 0.0)), peak_maf)
    told: dict[str, float] = {  # load is told by every one of these vehicles; `demand` takes what is best
        "rpm": turn,
        "intake_air_c": AIR_C + 4.0 + 22.0 * float(np.exp(-at.speed_kmh / 25.0)),
        "load_pct": float(driveline.reported_load(one_rig, engine, np.array([density]))[0]),
    }
    if lane["signal_kind"] == 1:
        told["maf_g_s"] = max(maf, sweep * 0.98 * AIR_KPA / 0.2871 / (intake_c + 273.15)) if diesel else maf
    elif lane["signal_kind"] == 2:
        told["map_kpa"] = pressure
    inputs = Inputs(t_ms=0, status=Status.LIVE, outside_c=AIR_C, **told)
    heard = demand.fuel_kw(inputs, profile.engine(), AIR_C, AIR_KPA)
    assert heard is not None  # rpm and one of the three are there
    return heard


def scores(plant: str, count: int, seed: int) -> list[Score]:
    """Every way of running of every garage of a plant."""
    out = []
    for one in taught.load(plant, count, seed):
        for at, row in zip(RUNNINGS, one.carries, strict=True):
            true = truth_sim(one.vehicle, at) if plant == "sim" else truth_two(one.vehicle, at, one.typed)
            ln = np.log([row.likely, row.low, row.high, row.before]) - np.log(true)
            out.append(Score(plant, one.number, at.name, *(float(v) for v in ln), row.shown))
    return out


def table(every: list[Score], seed: int) -> str:
    """Coverage and errors, by plant and way of running; shown and not shown apart."""
    lines = [
        f"seed {seed}, {taught.SIDE} drives a garage\n",
        "| plant | way of running | garages | 90 % band holds | median half band | half of errors under | nine of ten "
        "under | half before |",
        "|---|---|---|---|---|---|---|---|",
    ]

    def line(plant: str, name: str, some: list[Score]) -> None:
        if some:
            held = 100.0 * np.mean([s.held for s in some])
            half = 100.0 * np.median([0.5 * (s.high - s.low) for s in some])
            middle, most = 100.0 * np.quantile(np.abs([s.error for s in some]), (0.5, 0.9))
            before = 100.0 * np.median(np.abs([s.before for s in some]))
            lines.append(
                f"| {plant} | {name} | {len(some)} | {held:.0f} % | {half:.0f} % | {middle:.0f} % | {most:.0f} % "
                f"| {before:.0f} % |"
            )

    for plant in dict.fromkeys(s.plant for s in every):
        mine = [s for s in every if s.plant == plant]
        for at in RUNNINGS:
            for shown in (True, False):
                some = [s for s in mine if s.running == at.name and s.shown is shown]
                line(plant, at.words + ("" if shown else " (not shown)"), some)
        line(plant, "all shown", [s for s in mine if s.shown])
        line(plant, "all not shown", [s for s in mine if not s.shown])
    line("both", "all shown", [s for s in every if s.shown])
    line("both", "all", every)
    lines += ["", held_by_garage(every)]
    return "\n".join(lines)


def held_by_garage(every: list[Score]) -> str:
    """The bands of one garage go together, so the bound counts garages: share held of each, its mean and error."""
    by: dict[tuple[str, int], list[bool]] = {}
    for score in every:
        by.setdefault((score.plant, score.number), []).append(score.held)
    shares = np.array([np.mean(held) for held in by.values()])
    error = float(shares.std(ddof=1) / np.sqrt(shares.size))
    return (
        f"{shares.size} garages: {100 * shares.mean():.1f} % of the bands hold, +- {100 * 1.96 * error:.1f} % "
        f"(95 %, garages as independent); all of a garage's bands hold in {100 * np.mean(shares == 1.0):.0f} %"
    )


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.learn_cover", description="Coverage of learn's bands")
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--garages", type=int, default=100, help="of each plant")
    parser.add_argument("--plants", nargs="+", default=list(garages.PLANTS), choices=list(garages.PLANTS))
    asked = parser.parse_args()
    every = [s for plant in asked.plants for s in scores(plant, asked.garages, asked.seed)]
    print(table(every, asked.seed))


if __name__ == "__main__":
    main()
