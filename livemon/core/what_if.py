"""What an action would buy: many possible vehicles that agree with what is seen, marched on with and without it.

The vehicles spread over everything the profile leaves open; each is fitted to the moment, so that at the demand of the
last minutes it stands at this temperature and moves at this rate.  Then the same physics as everywhere (`heat.advance`)
runs on, all actions side by side; the difference is the gain.  Knows nothing of which action is safe or worth saying.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from math import pi
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livemon.core import demand, heat, hypotheses, radiator
from livemon.core import engine as made
from livemon.core.air import Flags, Number, air_density, halved
from livemon.core.deeds import LEAST_KMH, OPEN_SLIP, Many, Now, demand_after, demand_now, halted, pull_kw
from livemon.core.draws import draws
from livemon.core.estimator import State
from livemon.core.heat import Nodes
from livemon.core.hypotheses import DRIFT, TEMP
from livemon.core.outcome import FORESEE_S, Action, Band
from livemon.core.radiator import Demand, Surroundings
from livemon.core.signals import Inputs
from livemon.core.traction import turbine_rpm
from livemon.core.vehicle import Body, Cooling, VehicleProfile

Array = NDArray[np.float64]

GAIN_S: Final = 600
VEHICLES: Final = 24
STEP_S: Final = 15
MOST_TOGETHER: Final = 24
"""So many moments are worked out together at most: more would not fit the processor's own memory."""
LOOK_S: Final = (60, 120, 180, 300, 450, 600)
"""The gain is the largest difference at these times [s]."""
_QUANTILES: Final = (0.1, 0.5, 0.9)
_HALVINGS: Final = 10
_LEAST_FIT, _MOST_FIT = 0.2, 5.0
STANDING_KMH: Final = 1.0
GEAR_KMH: Final = 15.0
JAM_KMH: Final = 25.0
USUAL_START_C: Final = 98.0
IDLE: Final = frozenset({Action.IDLE_NEUTRAL, Action.RAISE_IDLE})
FIT_SHARE: Final = 0.2
REGULATING: Final = 0.97
"""Mean opening under which the thermostat is taken to regulate."""
_HEAT_PART: Final = 0.25
"""Share (in logarithms) of a misfit that is laid on the heat made; the rest on the radiator, which is known less."""

_SHARE_OFF: Final = 0.4
_OFF_C: Final[Mapping[Action, float]] = {
    Action.SLOW_DOWN: 4.0,
    Action.SPEED_UP: 4.0,
    Action.DOWNSHIFT: 4.0,
    Action.UPSHIFT: 4.0,
    Action.RAISE_IDLE: 8.0,
}
_OTHERS_OFF_C: Final = 2.0
"""What the possible vehicles do not span, from twin drives (docs/what-if.md): a share of the gain, and kelvin."""

Gain = tuple[Band, float | None]


def vehicles(profile: VehicleProfile) -> Many:
    """The possible vehicles of a profile, made once before the drive.

    Where no fan was typed or learned, a third has no engine-driven fan, a third no electric one, and a third both.  An
    electric fan that is the only one is twice as strong, and untyped ones start at different temperatures up to 9 K
    later: part of what is bought is then taken back by a fan that slows down (common practice, no source).
    """
    body, engine, cooling = draws(profile, VEHICLES)
    typed = {**profile.typed, **profile.learned}
    k = np.arange(VEHICLES)
    driven, electric, starts = (
        np.array(np.broadcast_to(v, (VEHICLES,)), dtype=np.float64)
        for v in (cooling.fan_m_s_krpm, cooling.electric_m_s, cooling.electric_on_c)
    )
    if "fan_m_s_krpm" not in typed:
        driven = np.where(k % 3 == 1, 0.0, driven)
    if "electric_m_s" not in typed:
        electric = np.where((k % 3 == 2) & (driven > 0), 0.0, electric * np.where(driven > 0, 1.0, 2.0))
    if "electric_on_c" not in typed:
        starts = starts + 3.0 * (k // 3 % 4)
    cooling = replace(cooling, fan_m_s_krpm=driven, electric_m_s=electric, electric_on_c=starts)
    if not profile.has_ac:
        cooling = replace(cooling, condenser_kw=0.0, compressor_kw=0.0)
    return Many(body, engine, cooling)


@dataclass(frozen=True, slots=True)
class Moment:
    """The possible vehicles fitted to this moment: their state, what is asked of them, and the air."""

    many: Many
    now: Now
    nodes: Nodes
    around: Surroundings


class Asked(NamedTuple):
    """A moment at which the gains are asked for."""

    state: State
    inputs: Inputs
    limit_c: float


class _Seen(NamedTuple):
    """What the vehicles are fitted to: demand, temperature [C], rate [K/s], and whether the thermostat regulates."""

    now: Now
    coolant_c: Number
    rate: Number
    regulating: bool

    @property
    def kind(self) -> tuple[object, ...]:
        """Everything that is decided once for all vehicles: moments that agree in it can be worked out together."""
        now = self.now
        fastest = None if now.speed_kmh is None else float(now.speed_kmh.max())
        slow = None if fastest is None else (fastest < LEAST_KMH, fastest < JAM_KMH)
        known = (now.rpm is None, now.lower_ratio is None, now.higher_ratio is None)
        switches = (bool((now.ac_on > 0).any()), now.heater_on, now.fan_on)
        return (self.regulating, now.standing, slow, known, switches, now.lower_locks, now.higher_locks)


def gains(many: Many, state: State, inputs: Inputs, limit_c: float, actions: Sequence[Action]) -> Mapping[Action, Gain]:
    """What each of `actions` that means something here buys; empty before the first reading.

    Cooler at its best within 600 s [K] with its 80 % band, and how much later the crossing comes [s]; negative where it
    hurts; None where neither run crosses.
    """
    return gains_each(many, [Asked(state, inputs, limit_c)], actions)[0]


def gains_each(many: Many, asked: Sequence[Asked], actions: Sequence[Action]) -> list[Mapping[Action, Gain]]:
    """The gains at many moments, the same to the last bit as one by one: those of one kind are worked out together."""
    told: list[Mapping[Action, Gain]] = [{}] * len(asked)
    alike: dict[tuple[object, ...], list[tuple[int, _Seen]]] = {}
    for place, one in enumerate(asked):
        seen = _seen(many, one.state, one.inputs)
        if seen is not None:
            alike.setdefault(seen.kind, []).append((place, seen))
    for found in alike.values():
        for first in range(0, len(found), MOST_TOGETHER):
            some = found[first : first + MOST_TOGETHER]
            limits_c = [asked[place].limit_c for place, _ in some]
            bought = _bought(_fit(many, _together([seen for _, seen in some])), limits_c, actions)
            for (place, _), gain in zip(some, bought, strict=True):
                told[place] = gain
    return told


def _together(seen: Sequence[_Seen]) -> _Seen:
    """Moments of one kind as a leading axis: (moments, VEHICLES), or (moments, 1) where a figure is of the moment."""

    def column(values: Sequence[Any]) -> Any:
        if isinstance(values[0], np.ndarray):
            return np.stack(values)
        return values[0] if all(value == values[0] for value in values) else np.array(values)[:, None]

    now = Now(**{f.name: column([getattr(one.now, f.name) for one in seen]) for f in fields(Now)})
    coolant_c, rate = (np.array(values)[:, None] for values in zip(*(one[1:3] for one in seen), strict=True))
    return _Seen(now, coolant_c, rate, seen[0].regulating)


def _bought(moment: Moment, limits_c: Sequence[float], actions: Sequence[Action]) -> Iterator[Mapping[Action, Gain]]:
    """The gains of each moment of a fit (moments, VEHICLES)."""
    lanes, meant = _lanes(moment, actions)
    paths = _marched(moment, lanes)
    now_c = np.asarray(moment.nodes.coolant_c)[:, 0].tolist()
    means = np.ascontiguousarray(np.moveaxis(paths.mean(axis=-1), 0, -1))  # (lanes, moments, steps)
    best = np.empty((3, 0, len(limits_c)))
    if meant:
        best = _at_its_best(np.stack([paths[:, base] - paths[:, place] for _, base, place in meant]))
    for k, limit_c in enumerate(limits_c):
        cross_s = [_crossing_s(mean[k], now_c[k], limit_c) for mean in means]
        before, found = cross_s[0], {}
        for number, (action, _, place) in enumerate(meant):
            after = cross_s[place]
            later = None if before is None else round((FORESEE_S if after is None else after) - before, 0)
            found[action] = (_widened(action, best[:, number, k].tolist()), later)
        yield found


def _lanes(moment: Moment, actions: Sequence[Action]) -> tuple[list[Demand], list[tuple[Action, int, int]]]:
    """Demands to march, and for each action that means something the lanes without and with it.

    In a jam the idle actions are compared with standing idle in gear, since that is when they can be taken.
    """
    many, now = moment.many, moment.now
    lanes = [demand_now(many, now)]
    meant: list[tuple[Action, int, int]] = []
    still, base = now, 0
    jam = now.speed_kmh is not None and not now.standing and float(now.speed_kmh.max()) < JAM_KMH
    if jam and now.rpm is not None and not IDLE.isdisjoint(actions):
        still, base = halted(many, now), 1
        lanes.append(demand_now(many, still))
    for action in actions:
        idle = action in IDLE
        after = demand_after(many, still if idle else now, action)
        if after is not None:
            meant.append((action, base if idle else 0, len(lanes)))
            lanes.append(after)
    return lanes, meant


def fitted(many: Many, state: State, inputs: Inputs) -> Moment | None:
    """The vehicles, each fitted to temperature, rate and demand of this moment; None before the first reading."""
    seen = _seen(many, state, inputs)
    return None if seen is None else _fit(many, seen)


def _seen(many: Many, state: State, inputs: Inputs) -> _Seen | None:
    if state.bank is None or state.flow is None or state.pace is None:
        return None
    share = hypotheses.shares(state.bank)
    part = hypotheses.terms(state.bank, state.flow)
    coolant_c = float((share * state.bank.mean[TEMP]).sum())
    moving = part.warm - part.opening * part.cold - part.loss + state.bank.mean[DRIFT]
    regulating = float((share * hypotheses.opening(state.bank)).sum()) < REGULATING
    return _Seen(_now(many, state, inputs), coolant_c, float((share * moving).sum()), regulating)


def _now(many: Many, state: State, inputs: Inputs) -> Now:
    """What is asked: half the vehicles go on as in the last minute, half as in the last three; parked, as just now."""
    pace = state.pace
    assert pace is not None
    standing = inputs.speed_kmh == 0.0 and float(pace.ram[0]) * demand.RAM_KMH < STANDING_KMH
    k = np.arange(VEHICLES)
    half = k % 2 == 0
    first, second = (0, 0) if standing else (1, 2)

    def mean(values: tuple[Number, ...]) -> Array:
        return np.where(half, float(values[first]), float(values[second]))

    air_c = state.air_c if state.air_c is not None else demand.UNKNOWN_AIR_C
    rpm = None
    if inputs.rpm is not None:
        rpm = mean(pace.fan) * demand.FAN_RPM
        top = 0.98 * demand.FAN_TOP * demand.FAN_RPM  # from here on the running mean no longer follows
        rpm = np.where(rpm >= top, max(inputs.rpm, top), rpm)
    speed: Array | None = None
    if inputs.speed_kmh is not None or inputs.gps_speed_kmh is not None:
        speed = np.zeros(VEHICLES) if standing else mean(pace.ram) * demand.RAM_KMH
    # Nobody said whether the A/C runs: in half the vehicles it does.
    ac_on = (k // 6 % 2).astype(float) if inputs.ac_on is None else np.full(VEHICLES, float(inputs.ac_on))
    now = Now(
        fuel_kw=np.asarray(made.fuel_kw_from_coolant_heat(state.rig.engine, mean(pace.heat))),
        speed_kmh=speed,
        rpm=rpm,
        ac_on=ac_on,
        heater_on=float(bool(inputs.heater_on)),
        fan_on=float(bool(inputs.fan_on)),
        air_c=air_c,
        air_kg_m3=float(air_density(demand.air_pressure_kpa(inputs), air_c)),
        clutch=np.zeros(VEHICLES),
        standing=standing,
    )
    return _with_gear(many, now, inputs)


def _with_gear(many: Many, now: Now, inputs: Inputs) -> Now:
    """The gear the engine turns in, by the likely vehicle, and its neighbours."""
    if inputs.rpm is None or inputs.speed_kmh is None or inputs.speed_kmh < GEAR_KMH or inputs.rpm < 500.0:
        return now
    body = _likely(many.body)
    torque_nm = float(pull_kw(many, now)[0]) / inputs.rpm * (30_000.0 / pi)
    turbines = [float(turbine_rpm(body, inputs.speed_kmh, float(np.asarray(r)))) for r in body.gear_ratios]
    gear = gear_by_torque(body, inputs.rpm, turbines, torque_nm)
    if gear is None:
        return now
    count = len(turbines)
    return replace(
        now,
        lower_ratio=turbines[gear - 2] / turbines[gear - 1] if gear > 1 else None,
        higher_ratio=turbines[gear] / turbines[gear - 1] if gear < count else None,
        gear_slip=max(inputs.rpm / turbines[gear - 1], 1.0),
        lower_locks=gear - 1 > count - 2,
        higher_locks=gear + 1 > count - 2,
    )


def gear_by_torque(body: Body, rpm: float, turbines: Sequence[float], torque_nm: float) -> int | None:
    """Gear (1 = lowest) whose turbine speed [rpm] fits best; None where none fits within a fifth.

    Either the converter is locked and turbine = engine, or it is open and passes the torque: its capacity law
    T = c Ne^2 (1 - (Nt / Ne)^4) solved for Nt.  So a slow pull on a steep grade with 1.5 times slip is not taken for a
    lower gear.  Example: 1911 rpm, 175 Nm, c 52 -> Nt 1013 rpm.
    """
    loaded = torque_nm / (float(np.asarray(body.converter_nm_krpm2)) * (rpm / 1000.0) ** 2)
    slipping = rpm * min(max(1.0 - loaded, 0.05), 1.0) ** 0.25
    best, least = None, FIT_SHARE
    for gear, turbine in enumerate(turbines, start=1):
        if rpm < 0.97 * turbine:
            continue
        off = abs(turbine / slipping - 1.0)
        if rpm < OPEN_SLIP * turbine:
            off = min(off, abs(rpm / turbine - 1.0))
        if off < least:
            best, least = gear, off
    return best


def _likely(body: Body) -> Body:
    """The first of the possible vehicles."""
    first: dict[str, Any] = {f.name: getattr(body, f.name) for f in fields(body)}
    return Body(**{name: value[0] if isinstance(value, np.ndarray) else value for name, value in first.items()})


def _fit(many: Many, seen: _Seen) -> Moment:
    """Each vehicle moved so that heat made - shed - lost - stored = 0 at this temperature and rate.

    At full opening what is off is laid on the radiator or the air through it and, to a quarter, on the heat made; while
    the thermostat regulates, on its opening.
    """
    cooling, engine = many.cooling, many.engine
    now, coolant_c, rate, regulating = seen
    around = Surroundings(now.air_c, now.air_kg_m3)
    # So hot, an electric fan that did not run yet would be no fan.
    starts = np.minimum(cooling.electric_on_c, np.maximum(USUAL_START_C, coolant_c - 2.0))
    cooling = replace(cooling, electric_on_c=starts)
    asked = demand_now(many, now)
    stored = heat.heat_capacity_kj_k(cooling) * rate
    lost = heat.loss_kw_k(cooling, asked.speed_kmh) * (coolant_c - now.air_c)
    lost = lost + now.heater_on * cooling.heater_kw_k * (coolant_c - heat.CABIN_C)
    forced = heat.electric_forced(cooling, now.ac_on, now.fan_on)
    warm = coolant_c >= cooling.electric_on_c - 0.5 * cooling.electric_span_c
    electric = np.maximum(np.where(warm, 1.0, 0.0), forced)
    sheds = np.maximum(asked.heat_kw - stored - lost, 0.05 * asked.heat_kw)
    clutch = _clutch(cooling, asked, around, sheds, electric)
    air = radiator.air_side(cooling, asked, around, clutch, electric)
    full = np.asarray(cooling.thermostat_ceiling) + np.zeros(VEHICLES)
    core = radiator.shed(cooling, asked, around, full, clutch, electric, air)
    above = np.maximum(coolant_c - core.air_c, 3.0)
    opening = full
    if regulating:

        def shut(opening: Number) -> Flags:
            core = radiator.shed(cooling, asked, around, opening, clutch, electric, air)
            return np.asarray(core.conductance_kw_k * above < sheds)

        opening = np.asarray(halved(shut, cooling.thermostat_floor + np.zeros(VEHICLES), full, _HALVINGS))
        cooling = replace(cooling, open_c=coolant_c - opening * cooling.full_span_c)
    else:
        off = np.asarray(core.conductance_kw_k) * above / sheds
        wanted = sheds * off**_HEAT_PART

        def short(x: Number) -> Flags:
            tried = radiator.shed(_scaled(cooling, np.exp(x)), asked, around, full, clutch, electric)
            return np.asarray(tried.conductance_kw_k * (coolant_c - tried.air_c) < wanted)

        least, most = (np.full(VEHICLES, np.log(end)) for end in (_LEAST_FIT, _MOST_FIT))
        cooling = _scaled(cooling, np.exp(halved(short, least, most, _HALVINGS)))
        open_c = np.minimum(cooling.open_c, coolant_c - cooling.full_span_c)  # it is open: so it opens by then
        cooling = replace(cooling, open_c=open_c)
        clutch = _clutch(cooling, asked, around, sheds, electric)
    core = radiator.shed(cooling, asked, around, opening, clutch, electric)
    sheds = core.conductance_kw_k * (coolant_c - core.air_c)
    scale = np.maximum(sheds + stored + lost, 0.05 * asked.heat_kw) / asked.heat_kw
    engine = replace(engine, coolant_share=engine.coolant_share * scale)
    metal_c = coolant_c + (asked.heat_kw * scale - cooling.metal_kj_k * rate) / cooling.metal_kw_k
    flat = np.zeros(VEHICLES)
    nodes = Nodes(
        metal_c + flat, coolant_c + flat, coolant_c - sheds / core.coolant_kw_k + flat, opening, clutch, electric
    )
    return Moment(Many(many.body, engine, cooling), replace(now, clutch=clutch), nodes, around)


def _scaled(cooling: Cooling, factor: Array) -> Cooling:
    """Radiator conductance scaled in half of the vehicles, the air through it in the others: either may be off."""
    air = np.arange(VEHICLES) // 2 % 2 == 1
    return replace(
        cooling,
        radiator_kw_k=cooling.radiator_kw_k * np.where(air, 1.0, factor),
        stack_flow=cooling.stack_flow * np.where(air, factor, 1.0),
    )


def _clutch(cooling: Cooling, asked: Demand, around: Surroundings, sheds_kw: Array, electric: Array) -> Array:
    """Engagement that agrees with the air behind the radiator, which carries the heat shed (the relation falls)."""

    def looser(clutch: Number) -> Flags:
        air = radiator.air_side(cooling, asked, around, clutch, electric)
        behind_c = radiator.air_behind_c(air, sheds_kw, around.air_c)
        return np.asarray(heat.clutch_target(cooling, behind_c) > clutch)

    return np.asarray(halved(looser, np.zeros(VEHICLES), np.ones(VEHICLES), _HALVINGS))


def _marched(moment: Moment, demands: Sequence[Demand]) -> Array:
    """Coolant (steps, demands, ..., vehicles) at each STEP_S up to FORESEE_S under each demand.

    Everything is laid out in full first: on arrays of one shape the many steps are quick.
    """
    shape = (len(demands), *np.shape(moment.nodes.coolant_c))

    def full(values: Any) -> Array:
        return np.ascontiguousarray(np.broadcast_to(np.asarray(values, dtype=float), shape))

    def column(name: str) -> Array:
        return np.stack([np.broadcast_to(np.asarray(getattr(d, name), dtype=float), shape[1:]) for d in demands])

    together = Demand(**{f.name: column(f.name) for f in fields(Demand)})
    nodes = Nodes(*(full(getattr(moment.nodes, f.name)) for f in fields(Nodes)))
    cooling = Cooling(**{f.name: full(getattr(moment.many.cooling, f.name)) for f in fields(Cooling)})
    around = Surroundings(full(moment.around.air_c), full(moment.around.air_kg_m3))
    path = np.empty((FORESEE_S // STEP_S, *shape))
    same = heat.steady(together, around, cooling, float(STEP_S))
    for step in range(len(path)):
        nodes = heat.advance(nodes, together, around, cooling, float(STEP_S), same)
        path[step] = nodes.coolant_c
    return path


def _widened(action: Action, gain: Sequence[float]) -> Band:
    """The 80 % band with what the vehicles leave out, added as independent of their spread."""
    low, likely, high = gain
    off = float(np.hypot(_SHARE_OFF * likely, _OFF_C.get(action, _OTHERS_OFF_C)))
    return Band(likely - float(np.hypot(likely - low, off)), likely, likely + float(np.hypot(high - likely, off)))


def _at_its_best(gain: Array) -> Array:
    """10, 50 and 90 % of the vehicles' largest difference along LOOK_S; `gain` is (actions, steps, ..., vehicles)."""
    at = gain[:, [s // STEP_S - 1 for s in LOOK_S]]
    most = np.take_along_axis(at, np.abs(at).argmax(axis=1)[:, None], axis=1)[:, 0]
    return np.quantile(most, _QUANTILES, axis=-1)


def _crossing_s(mean_c: Array, now_c: float, limit_c: float) -> float | None:
    """Time at which the mean of the vehicles, step by step, reaches the limit [s]; None within FORESEE_S."""
    if now_c >= limit_c:
        return 0.0
    over = np.flatnonzero(mean_c >= limit_c)
    if not over.size:
        return None
    k = int(over[0])
    before = now_c if k == 0 else float(mean_c[k - 1])
    return STEP_S * (k + (limit_c - before) / (float(mean_c[k]) - before))
