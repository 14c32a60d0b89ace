"""Twin drives: the same made-up vehicle with and without an action, and what the core had expected of it.

    python -m tests.bench.what_if                # both plants, a few minutes; --help tells more

A vehicle drawn at random climbs a constant grade, cruises on the level or creeps in a jam until it is hot; the pipeline
reads its sensors and says what each action would buy; then the drive goes on twice, with the action and without.  The
true gain is defined like the expected one: the largest difference at the horizons up to 600 s.  Also asked: whether
the pipeline recognises the action in the readings that follow.
"""

from __future__ import annotations

import argparse
import copy
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core import estimator, pipeline, signals, what_if
from livemon.core.events import SIGNALS, Event, Mark, Sample, Tick
from livemon.core.figures import FIGURES, Figure
from livemon.core.outcome import Action, Band
from livemon.core.pipeline import CoreSettings
from livemon.core.signals import Inputs
from livemon.core.vehicle import VehicleProfile
from livemon.sim import drive as sim
from livemon.sim import rigs as sim_rigs
from livemon.sim.road import from_grades
from tests.bench.forecast import plant_two
from tests.bench.forecast.roads import POINTS, Road
from tests.plant2 import rig as rigs_two
from tests.plant2 import world

Array = NDArray[np.float64]

ACT_S: Final = 480
"""The action is taken here."""
END_S: Final = ACT_S + 601
UPTO: Final = what_if.LOOK_S
LEAST_C: Final = 0.3
"""A true gain smaller than this has no sign; advice does not speak of it either."""
SPEEDS: Final = (40.0, 60.0, 80.0, 100.0)
GRADES: Final = {"grade 6 %": 6.0, "grade 3 %": 3.0, "level": 0.0}
PLACES: Final = (*GRADES, "jam", "standing")
MOVING: Final = (Action.AC_OFF, Action.DOWNSHIFT, Action.UPSHIFT, Action.SLOW_DOWN, Action.SPEED_UP)
STILL: Final = (Action.AC_OFF, Action.IDLE_NEUTRAL, Action.RAISE_IDLE)


@dataclass(frozen=True)
class Case:
    """One vehicle in one place at the moment of the what-if, and the true gain of each action that was possible."""

    plant: str
    place: str
    speed_kmh: float
    state: estimator.State
    inputs: Inputs
    settings: CoreSettings
    true_c: dict[Action, float]
    engine_fan: bool


def best(base: Array, acted: Array) -> float:
    """Largest difference at the horizons [K]; base and acted are true coolant from the second of the action on."""
    gains = np.array([base[h] - acted[h] for h in UPTO])
    return float(gains[np.abs(gains).argmax()])


def stream(readings: dict[str, Array], ac_on: Array, declared: bool, seconds: int) -> Iterator[Event]:
    """Events of the first `seconds`: A/C declared when it changes, one sample a second, a tick."""
    told: bool | None = None
    for k in range(seconds):
        t_ms = (k + 1) * 1000
        if declared and bool(ac_on[k]) is not told:
            told = bool(ac_on[k])
            yield Mark(t_ms, (("ac_on", told),))
        kept = tuple((n, round(float(v[k]), 2)) for n, v in readings.items() if n in SIGNALS and np.isfinite(v[k]))
        yield Sample(t_ms, kept)
        yield Tick(t_ms)


def at_the_moment(
    readings: dict[str, Array], ac_on: Array, settings: CoreSettings, declared: bool
) -> tuple[estimator.State, Inputs]:
    """Estimator and inputs at ACT_S, as the pipeline moves them."""
    heard, state = signals.Signals(), estimator.start(settings.profile)
    inputs: Inputs | None = None
    for event in stream(readings, ac_on, declared, ACT_S):
        if not isinstance(event, Tick):
            heard = signals.hear(heard, event)
            continue
        heard, inputs = signals.at_tick(heard, event.t_ms, settings.outside_c, settings.mass_kg)
        state = estimator.advance(state, inputs)
    assert inputs is not None
    return state, inputs


# --- The plant of livemon/sim ---


class _Acting(sim._World):
    """A batch in which everybody does the same at one second."""

    def act(self, action: Action) -> None:
        if action is Action.AC_OFF:
            self.ac = 0.0 * self.ac
        elif action is Action.DOWNSHIFT:
            self.lever = np.maximum(self.motion.gear - 1.0, 1.0)
        elif action is Action.UPSHIFT:
            self.lever = self.lever + 1.0
        elif action is Action.SLOW_DOWN:
            self.wish = np.where(self.wish > 0, np.maximum(self.wish - 10.0, 1.0), 0.0)
        elif action is Action.SPEED_UP:
            self.wish = np.where(self.wish > 0, self.wish + 10.0, 0.0)
        elif action is Action.IDLE_NEUTRAL:
            self.engine = replace(self.engine, accessory_kw=self.engine.accessory_kw - _drag_kw(self.rigs))
        elif action is Action.RAISE_IDLE:  # in neutral
            spared = self.engine.accessory_kw - _drag_kw(self.rigs)
            self.engine = replace(self.engine, idle_rpm=2.0 * self.engine.idle_rpm, accessory_kw=spared)


def _drag_kw(rigs: Sequence[sim.Rig]) -> Array:
    """What an automatic in gear asks of the idling engine, as an addition to `accessory_kw` (stalled converter)."""
    kw = [r.body.converter_nm_krpm2 * (r.engine.idle_rpm / 1000.0) ** 2 * r.engine.idle_rpm * np.pi / 3e4 for r in rigs]
    return np.array([k / (0.5 + 0.5 * r.engine.idle_rpm / 2000.0) for k, r in zip(kw, rigs, strict=True)])


def _runs(rigs: Sequence[sim.Rig], actions: Sequence[Action]) -> tuple[sim.Drives, dict[Action, sim.Drives]]:
    """The drives without an action, and from ACT_S on with each."""
    made = _Acting(rigs, END_S)
    for k in range(ACT_S):
        made.step(k, 1.0)
        made.record(k)

    def go_on(world: _Acting) -> sim.Drives:
        for k in range(ACT_S, END_S):
            world.step(k, 1.0)
            world.record(k)
        return world.drives()

    acted = {}
    for action in actions:
        twin = copy.deepcopy(made)
        twin.act(action)
        acted[action] = go_on(twin)
    return go_on(made), acted


def sim_rig(seed: int, number: int, place: str, speed_kmh: float) -> sim.Rig:
    """A random vehicle on a constant grade, in a jam or standing after a climb, sized to get hot there."""
    jam = place in ("jam", "standing")
    rig = sim_rigs.draw(seed, 1, "traffic" if jam else "steady", first=number)[0]
    rng = np.random.default_rng((seed, number, 99))
    grade = GRADES.get(place, 0.0)
    road = from_grades(np.full(1600, grade), 300.0, grade)
    driver = replace(rig.driver, wish_kmh=speed_kmh, wander_kmh=1.0, ac_on=True, lever=int(rng.choice([3, 4])))
    if jam:
        driver = replace(driver, jam=(60.0, END_S), jam_kmh=float(rng.uniform(10.0, 28.0)))
    rig = replace(rig, road=road, driver=driver, air_foot_c=float(rng.uniform(26.0, 42.0)), lapse_c_km=6.5)
    rig = sim_rigs.aimed(rig, float(rng.uniform(101.0, 116.0)), jam=jam)
    if place == "standing":
        drag = float(_drag_kw([rig])[0])
        rig = replace(rig, engine=replace(rig.engine, accessory_kw=rig.engine.accessory_kw + drag))
        rig = replace(rig, driver=replace(rig.driver, jam=(300.0, END_S), jam_kmh=0.0))
    return rig


def _fans(driven: bool, electric: bool) -> dict[str, Figure]:
    """An owner sees which fans there are, not how strong: none, or the usual one (twice that where it is alone)."""
    there = {"fan_m_s_krpm": driven, "electric_m_s": electric}
    usual = {name: FIGURES[name].default for name in there}
    if electric and not driven:
        usual["electric_m_s"] = Figure(2.0 * usual["electric_m_s"].likely, 2.0 * usual["electric_m_s"].spread)
    return {name: usual[name] if has else Figure(0.0, 0.0) for name, has in there.items()}


def sim_profile(rig: sim.Rig, typed: bool) -> VehicleProfile:
    """What the owner typed: what stands in papers and on plates, and whether there is an engine-driven fan."""
    if not typed:
        return VehicleProfile()
    figures = {
        name: Figure(float(getattr(source, name)), spread, "typed")
        for source, name, spread in (
            (rig.body, "mass_kg", 50.0),
            (rig.body, "tyre_radius_m", 0.005),
            (rig.body, "axle_ratio", 0.01),
            (rig.engine, "displacement_l", 0.01),
            (rig.engine, "idle_rpm", 20.0),
        )
    }
    figures |= _fans(float(rig.cooling.fan_m_s_krpm) > 0.0, float(rig.cooling.electric_m_s) > 0.0)
    return VehicleProfile(typed=figures, gear_ratios=tuple(float(r) for r in rig.body.gear_ratios))


def sim_cases(seed: int, count: int, place: str, typed: bool, declared: bool = True) -> list[Case]:
    """`count` vehicles of one place, those that got hot."""
    many = [sim_rig(seed, k, place, SPEEDS[k % len(SPEEDS)]) for k in range(count)]
    base, twins = _runs(many, STILL if place == "standing" else MOVING)
    truth = base.truth["coolant_c"][ACT_S:]
    hot = truth[0]
    full = np.array([r.cooling.open_c + r.cooling.full_span_c for r in many])
    lanes = np.flatnonzero((hot > full + 0.5) & (hot < 125.0)).tolist()
    gains: dict[int, dict[Action, float]] = {lane: {} for lane in lanes}
    for action, acted in twins.items():
        for lane in lanes:
            if _did(action, base.truth, acted.truth, lane):
                gains[lane][action] = best(
                    base.truth["coolant_c"][ACT_S:, lane], acted.truth["coolant_c"][ACT_S:, lane]
                )
    found = []
    for lane in lanes:
        settings = CoreSettings(limit_c=float(hot[lane]) - 1.0, profile=sim_profile(many[lane], typed))
        state, inputs = at_the_moment(base.readings_of(lane), base.truth["ac_on"][:, lane], settings, declared)
        speed = float(base.truth["speed_kmh"][ACT_S - 60 : ACT_S, lane].mean())
        driven = bool(many[lane].cooling.fan_m_s_krpm > 0)
        found.append(Case("sim", place, speed, state, inputs, settings, gains[lane], driven))
    return found


def _did(action: Action, base: dict[str, Array], acted: dict[str, Array], lane: int) -> bool:
    """Whether the vehicle could do it: the gear moved by one and stayed, or the speed followed."""
    after = slice(ACT_S + 20, ACT_S + 320)
    faster = (acted["speed_kmh"][after, lane] - base["speed_kmh"][after, lane]).mean()
    if action in (Action.DOWNSHIFT, Action.UPSHIFT):
        moved = acted["gear"][after, lane] - base["gear"][after, lane]
        wanted = -1.0 if action is Action.DOWNSHIFT else 1.0
        return bool((moved == wanted).mean() > 0.8 and abs(faster) < 3.0)
    if action in (Action.SLOW_DOWN, Action.SPEED_UP):
        return bool(6.0 < faster * (-1.0 if action is Action.SLOW_DOWN else 1.0) < 14.0)
    return True


# --- The second plant ---


def road_two(rng: np.random.Generator, place: str, speed_kmh: float) -> Road:
    """A constant grade, a jam or a standstill after a climb, A/C on."""
    grade = np.full(POINTS, GRADES.get(place, 0.0) / 100.0)
    cap = np.full(END_S, 250.0)
    if place == "jam":
        at = 60
        while at < END_S:
            go, stand = int(rng.uniform(6, 45)), int(rng.exponential(22))
            cap[at : at + go] = rng.uniform(4.0, 40.0)
            cap[at + go : at + go + stand] = 0.0
            at += go + stand + 1
    elif place == "standing":
        grade[:] = 0.05
        cap[300:] = 0.0
    return Road(
        seconds=END_S,
        warm=True,
        grade=grade,
        wish_kmh=np.full(POINTS, speed_kmh),
        cap_kmh=cap,
        ac=np.ones(END_S),
        outside_c=float(rng.uniform(26.0, 44.0)),
        lapse_c_per_m=0.0065,
        height_m=300.0,
        wind_kmh=float(rng.normal(0.0, 6.0)),
    )


def two_drag_kw(rig: rigs_two.Rig) -> Array:
    """The same drag of a stalled converter, its capacity scaled with the engine."""
    return 11.5 * rig.displacement_l * (rig.rpm_idle / 1000.0) ** 2 * rig.rpm_idle * np.pi / 3e4


def two_profile(rig: rigs_two.Rig, lane: int, typed: bool) -> VehicleProfile:
    """Typed figures of a vehicle of the second plant; its gears as ratios over the top one."""
    if not typed:
        return VehicleProfile()
    step, count = float(rig.gear_step[lane]), int(rig.gears[lane])
    ratios = tuple(step ** (count - 1 - k) for k in range(count))
    radius = 0.37
    axle = float(rig.rpm_per_kmh_top[lane]) * 3.6 * radius * np.pi / 30.0
    figures = {
        "mass_kg": Figure(float(rig.mass_kg[lane]), 50.0, "typed"),
        "tyre_radius_m": Figure(radius, 0.005, "typed"),
        "axle_ratio": Figure(float(axle), 0.01, "typed"),
        "displacement_l": Figure(float(rig.displacement_l[lane]), 0.01, "typed"),
        "idle_rpm": Figure(float(rig.rpm_idle[lane]), 20.0, "typed"),
        "lockup_kmh": Figure(20.0, 1.0, "typed"),
    }
    figures |= _fans(bool(rig.fan_kind[lane] > 1.5), bool(rig.fan_kind[lane] < 1.5))
    return VehicleProfile(typed=figures, gear_ratios=ratios)


def _two_acted(rig: rigs_two.Rig, roads: list[Road], action: Action, base: world.History) -> world.History:
    """The same drives with the action from ACT_S on."""
    changed = []
    for road in roads:
        ac, cap = road.ac.copy(), np.minimum(road.cap_kmh, road.wish_kmh[0])
        if action is Action.AC_OFF:
            ac[ACT_S:] = 0.0
        faster = {Action.SLOW_DOWN: -10.0, Action.SPEED_UP: 10.0}.get(action, 0.0)
        cap[ACT_S:] = np.maximum(cap[ACT_S:] + faster * (cap[ACT_S:] > 0), 0.0)
        changed.append(replace(road, ac=ac, cap_kmh=cap, wish_kmh=road.wish_kmh + max(faster, 0.0)))
    other = rig
    if action in (Action.DOWNSHIFT, Action.UPSHIFT):
        down = _gear(rig, base)[ACT_S] + (1.0 if action is Action.DOWNSHIFT else -1.0)
        down = np.clip(down, 0.0, rig.gears - 1.0)
        left = rig.gears - down if action is Action.DOWNSHIFT else np.ones_like(down)
        other = replace(rig, rpm_per_kmh_top=rig.rpm_per_kmh_top * rig.gear_step**down, gears=left)
    elif action is Action.RAISE_IDLE:
        other = replace(rig, rpm_idle=2.0 * rig.rpm_idle, accessory_kw=rig.accessory_kw - two_drag_kw(rig))
    elif action is Action.IDLE_NEUTRAL:
        other = replace(rig, accessory_kw=rig.accessory_kw - two_drag_kw(rig))
    return world.simulate(rig, changed, lambda second: rig if second < ACT_S else other)


def two_cases(seed: int, count: int, place: str, typed: bool, declared: bool = True) -> list[Case]:
    """`count` vehicles of the second plant that got hot, of at most twelve times as many drawn."""
    rngs = [np.random.default_rng((seed, PLACES.index(place), k)) for k in range(12 * count)]
    every = rigs_two.draw(rngs)
    roads = [road_two(r, place, SPEEDS[k % len(SPEEDS)]) for k, r in enumerate(rngs)]
    if place == "standing":
        every = replace(every, accessory_kw=every.accessory_kw + two_drag_kw(every))
    hot = world.simulate(every, roads).truth_c[ACT_S]
    full = every.stat_open_c + every.stat_span_c
    keep = np.flatnonzero((hot > full + 0.5) & (hot < 125.0))[:count]
    if not keep.size:
        return []
    rig, few = every.take(keep), [roads[k] for k in keep]
    base = world.simulate(rig, few)
    truth = {"speed_kmh": base.readings["speed_kmh"], "gear": -_gear(rig, base)}
    gains: list[dict[Action, float]] = [{} for _ in keep]
    for action in STILL if place == "standing" else MOVING:
        acted = _two_acted(rig, few, action, base)
        did = {"speed_kmh": acted.readings["speed_kmh"], "gear": -_gear(rig, acted)}
        for lane in range(len(keep)):
            if _did(action, truth, did, lane):
                gains[lane][action] = best(base.truth_c[ACT_S:, lane], acted.truth_c[ACT_S:, lane])
    found = []
    for lane, road in enumerate(few):
        settings = CoreSettings(limit_c=float(base.truth_c[ACT_S, lane]) - 1.0, profile=two_profile(rig, lane, typed))
        seen = plant_two.readings(rig, base, lane, END_S)
        state, inputs = at_the_moment(seen, road.ac, settings, declared)
        speed = float(truth["speed_kmh"][ACT_S - 60 : ACT_S, lane].mean())
        driven = bool(rig.fan_kind[lane] > 1.5)
        found.append(Case("plant2", place, speed, state, inputs, settings, gains[lane], driven))
    return found


def _gear(rig: rigs_two.Rig, history: world.History) -> Array:
    """Steps down from the top gear, as rpm over speed tells."""
    per_kmh = history.readings["rpm"] / np.maximum(history.readings["speed_kmh"], 1.0)
    return np.round(np.log(np.maximum(per_kmh / rig.rpm_per_kmh_top, 1e-3)) / np.log(rig.gear_step))


PLANTS: Final[dict[str, Callable[..., list[Case]]]] = {"sim": sim_cases, "plant2": two_cases}


# --- Scores ---


def expected(case: Case) -> dict[Action, Band]:
    """What the core expects of each action at the moment of the case."""
    many = what_if.vehicles(case.settings.profile)
    told = what_if.gains(many, case.state, case.inputs, case.settings.limit_c, pipeline.ASKED)
    return {action: gain for action, (gain, _) in told.items()}


@dataclass(frozen=True)
class Score:
    """One action over many cases."""

    count: int
    true_c: float
    likely_c: float
    error_c: float
    with_sign: int
    sign_right: float
    said: int
    said_wrong: float
    in_band: float
    width_c: float


def score(pairs: Sequence[tuple[Band, float]]) -> Score:
    """Means, share of right signs where the true gain has one, share of truths in the 80 % band."""
    low, likely, high = (np.array([getattr(b, side) for b, _ in pairs]) for side in ("low", "likely", "high"))
    true = np.array([t for _, t in pairs])
    signed = np.abs(true) >= LEAST_C
    says = likely >= LEAST_C
    return Score(
        count=len(pairs),
        true_c=float(true.mean()),
        likely_c=float(likely.mean()),
        error_c=float(np.abs(likely - true).mean()),
        with_sign=int(signed.sum()),
        sign_right=float((np.sign(likely) == np.sign(true))[signed].mean()) if signed.any() else float("nan"),
        said=int(says.sum()),
        said_wrong=float((true[says] <= -LEAST_C).mean()) if says.any() else float("nan"),
        in_band=float(((true >= low) & (true <= high)).mean()),
        width_c=float((high - low).mean()),
    )


HEAD: Final = (
    "| action | where | cases | true K | expected K | error K | sign right | advised | of these hurt | in 80 % band "
    "| width K |\n|---|---|---|---|---|---|---|---|---|---|---|"
)


def table(cases: Sequence[Case], by_place: bool = True) -> str:
    """One row an action and place."""
    found: dict[tuple[str, str], list[tuple[Band, float]]] = {}
    for case in cases:
        told = expected(case)
        for action, true in case.true_c.items():
            if action in told:
                for where in (case.place, "all") if by_place else ("all",):
                    found.setdefault((action.value, where), []).append((told[action], true))
    lines = [HEAD]
    for (action, where), pairs in sorted(found.items()):
        s = score(pairs)
        lines.append(
            f"| {action} | {where} | {s.count} | {s.true_c:+.1f} | {s.likely_c:+.1f} | {s.error_c:.1f} "
            f"| {100 * s.sign_right:.0f} % of {s.with_sign} | {s.said} | {100 * s.said_wrong:.0f} % "
            f"| {100 * s.in_band:.0f} % | {s.width_c:.1f} |"
        )
    return "\n".join(lines)


def acted_table(seed: int, count: int) -> str:
    """What `acted` reports seven minutes after an action on a 6 % grade, every second vehicle of the sim plant."""
    many = [sim_rig(seed, k, "grade 6 %", SPEEDS[k % len(SPEEDS)]) for k in range(count)]
    base, twins = _runs(many, (Action.AC_OFF, Action.SLOW_DOWN, Action.DOWNSHIFT))
    hot = base.truth["coolant_c"][ACT_S]
    lines = ["| action | vehicle | true K | acted |", "|---|---|---|---|"]
    for action, acted in twins.items():
        for lane in range(0, count, 2):
            full = float(many[lane].cooling.open_c + many[lane].cooling.full_span_c)
            if not full + 0.5 < hot[lane] < 125.0 or not _did(action, base.truth, acted.truth, lane):
                continue
            settings = CoreSettings(limit_c=float(hot[lane]) - 1.0, profile=sim_profile(many[lane], True))
            state, said = pipeline.start(settings), ()
            for event in stream(acted.readings_of(lane), acted.truth["ac_on"][:, lane], True, ACT_S + 420):
                state, outcome = pipeline.step(state, event, settings)
                said = said if outcome is None else outcome.acted
            true = (base.truth["coolant_c"] - acted.truth["coolant_c"])[ACT_S : ACT_S + 421, lane]
            told = "; ".join(f"{a.action.value}: expected {a.expected_c}, seen {a.seen_c}" for a in said) or "nothing"
            lines.append(f"| {action.value} | {lane} | {max(true.tolist(), key=abs):+.1f} | {told} |")
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> None:
    """Prints the tables."""
    parser = argparse.ArgumentParser(description="what actions were expected to buy, against twin drives")
    parser.add_argument("--seed", type=int, default=2027)
    parser.add_argument("--count", type=int, default=8, help="vehicles a place and plant")
    parser.add_argument("--plants", nargs="+", choices=tuple(PLANTS), default=list(PLANTS))
    parser.add_argument("--unknown", action="store_true", help="nothing typed of the vehicle")
    parser.add_argument("--undeclared", action="store_true", help="nobody says that the A/C is on")
    parser.add_argument("--acted", action="store_true", help="instead: what `acted` reports, whole pipeline")
    args = parser.parse_args(argv)
    if args.acted:
        print(acted_table(args.seed, args.count))
        return
    for plant in args.plants:
        cases: list[Case] = []
        for place in PLACES:
            cases += PLANTS[plant](args.seed, args.count, place, not args.unknown, not args.undeclared)
            print(f"{plant}, {place}: {len(cases)} hot so far", file=sys.stderr)
        print(f"\n{plant}, seed {args.seed}, {len(cases)} hot vehicles\n\n{table(cases)}")


if __name__ == "__main__":
    main()
