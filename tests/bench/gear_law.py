"""`python -m tests.bench.gear_law`: the share of full throttle at which an automatic is taken to shift down.

Made-up climbs of `livemon/sim` (`route_climbs`), whose gearbox shifts down at 93 % and up at 75 %.  The vehicle is
known, speed, air and A/C are those of the drive (half an A/C where it is not told); gear, engine speed and heat follow
from road load by one law, as in a plan.  Told are engine speed on climbs against the drive's own, in blocks of 20 s,
and the peak against the drive's.  What every law misses alike (wind, heater, speed changes) is in both.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
from numpy.typing import NDArray

from livemon.core import engine as heat_made
from livemon.core import traction
from livemon.core.air import air_density
from livemon.core.demand import AC_UNTOLD, INTAKE_OVER_C
from livemon.core.radiator import engine_fan_rpm
from livemon.study.plan_march import Lane, march
from livemon.study.plan_road import CRUISE_RPM, Drive, Way, Weather, in_steps
from tests.bench import route_climbs
from tests.bench.route_climbs import FAMILIES, Climb

Array = NDArray[np.float64]
LAWS = (0.75, 0.80, 0.85, 0.90, 0.93, 0.97)
CLIMB_PCT = 2.0
BLOCK_S = 20
LEAST_KMH = 3.0
MOST_KMH = 150.0


def _air_c(climb: Climb) -> Array:
    told = climb.drive.readings
    if "ambient_air_c" in told:
        return np.asarray(told["ambient_air_c"], dtype=float)
    return np.asarray(told["intake_air_c"], dtype=float) - INTAKE_OVER_C


def driven(climb: Climb) -> tuple[dict[float, Array], dict[float, float]]:
    """By law: ln of engine speed over the drive's own in the blocks that climb, and peak less the drive's [K]."""
    profile, told = climb.known, climb.drive.readings
    assert profile is not None
    body, engine, cooling = profile.body(), profile.engine(), profile.cooling()
    kmh = np.maximum(told["speed_kmh"].astype(float), LEAST_KMH)
    along = np.cumsum(kmh) / 3.6
    road = in_steps(climb.route)
    at_s = np.interp(road.distance_m, along, np.arange(len(kmh)))
    past = road.distance_m > along[-1] - 60.0
    speed = road.step_m / np.maximum(np.append(1.0, np.diff(at_s)), 1e-3) * 3.6
    speed[0] = speed[1]
    speed = np.where(past, 60.0, np.clip(speed, LEAST_KMH, MOST_KMH))
    air = np.interp(road.distance_m, along, _air_c(climb))
    ac = np.full(len(air), AC_UNTOLD) if climb.drive.ac is None else np.interp(road.distance_m, along, climb.drive.ac)
    density = np.asarray(air_density(road.pressure_kpa, air))
    factor = np.asarray(traction.altitude_factor(road.pressure_kpa, air, engine.boosted))
    extra = np.asarray(
        heat_made.accessory_kw(engine, cooling, CRUISE_RPM, engine_fan_rpm(cooling, CRUISE_RPM, 1.0), ac, air)
    )
    force = traction.road_force_n(body, speed, road.grade_pct, density)
    block = np.searchsorted(at_s, np.arange(0.0, at_s[~past][-1] - BLOCK_S, BLOCK_S))
    rpm_s = told["rpm"].astype(float)
    own = np.array([rpm_s[int(at_s[k]) : int(at_s[k]) + BLOCK_S].mean() for k in block])
    climbs = (road.grade_pct[block] >= CLIMB_PCT) & (own > 300.0)
    end = min(len(climb.drive.truth_c), int(at_s[-1]) + 1)
    off: dict[float, Array] = {}
    peaks: dict[float, float] = {}
    for law in LAWS:
        pull = traction.choose_gear(body, engine, speed, force, extra, factor, law)
        rpm = np.asarray(pull.rpm)
        off[law] = np.log(rpm[block] / np.maximum(own, 1.0))[climbs]
        idle = heat_made.fuel_kw_from_power(engine, extra, engine.idle_rpm)
        fuel = heat_made.fuel_kw_from_power(engine, pull.engine_kw, rpm)
        made = np.asarray(heat_made.coolant_heat_kw(engine, np.where(np.asarray(force) <= 0.0, idle, fuel)))
        gear = np.asarray(pull.gear, dtype=float)
        way = Drive(speed, gear, rpm, np.ones(len(air), dtype=bool), air, density, ac, made[:, None])
        track, _ = march(road, Weather(float(air[0])), [Lane(Way("as driven", 60.0), way, engine, cooling)])
        peaks[law] = float(track[~past].max()) - float(climb.drive.truth_c[:end].max())
    return off, peaks


def main(argv: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.gear_law", description=__doc__)
    parser.add_argument("--climbs", type=int, default=16, help="of each family")
    parser.add_argument("--seed", type=int, default=2038)
    args = parser.parse_args(argv)
    off: dict[float, list[Array]] = {law: [] for law in LAWS}
    peaks: dict[float, list[float]] = {law: [] for law in LAWS}
    for family in FAMILIES:
        for climb in route_climbs.load("sim", family, args.climbs, args.seed):
            if not {"rpm", "speed_kmh"} <= set(climb.drive.readings):
                continue
            if not {"ambient_air_c", "intake_air_c"} & set(climb.drive.readings):
                continue
            rpm, peak = driven(climb)
            for law in LAWS:
                off[law].append(rpm[law])
                peaks[law].append(peak[law])
    print(f"{len(peaks[LAWS[0]])} climbs, seed {args.seed}\n")
    print("| shifts down at | rpm on climbs, rms (mean) | peak, rms (mean) |\n|---|---|---|")
    for law in LAWS:
        ln, miss = np.concatenate(off[law]), np.array(peaks[law])
        print(f"| {100.0 * law:.0f} % | {100.0 * np.sqrt(np.mean(ln**2)):.0f} % ({100.0 * ln.mean():+.0f}) "
              f"| {np.sqrt(np.mean(miss**2)):.1f} K ({miss.mean():+.1f}) |")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
