"""The vehicle as figures: what was typed, what was learned, which parts are weak; and the plain numbers physics takes.

`VehicleProfile` keeps the typed part and the learned part apart (learned wins, the default fills). `body()`,
`engine()` and `cooling()` give the likely numbers; `draw()` turns standard normal numbers into arrays of hypotheses.
It does not know how a profile is written in a file, nor how a figure is learned.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from enum import Enum
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from livemon.core.air import Array, Number
from livemon.core.figures import BODY, COOLING, ENGINE, FIGURES, Figure, FigureKey
from livemon.core.together import Together


class Fuel(Enum):
    """What is burnt: it decides whether air flow tells the fuel (petrol) or not (diesel)."""

    PETROL = "petrol"
    DIESEL = "diesel"


@dataclass(frozen=True, slots=True)
class Body:
    """Numbers of road load and driveline; names, units and ranges in `figures.BODY`."""

    mass_kg: Number
    drag_area_m2: Number
    rolling_resistance: Number
    tyre_radius_m: Number
    axle_ratio: Number
    driveline_efficiency: Number
    converter_nm_krpm2: Number
    lockup_kmh: Number
    gear_ratios: tuple[Number, ...]


@dataclass(frozen=True, slots=True)
class Engine:
    """Numbers of the heat made; names, units and ranges in `figures.ENGINE`."""

    displacement_l: Number
    idle_rpm: Number
    rpm_limit: Number
    indicated_efficiency: Number
    friction_bar: Number
    friction_bar_krpm: Number
    volumetric_efficiency: Number
    coolant_share: Number
    coolant_share_slope: Number
    accessory_kw: Number
    torque_rpm: tuple[float, ...]
    torque_nm: tuple[float, ...]
    torque_scale: Number
    fuel: Fuel
    boosted: bool


@dataclass(frozen=True, slots=True)
class Cooling:
    """Numbers of the heat shed and stored; names, units and ranges in `figures.COOLING`."""

    face_area_m2: Number
    radiator_kw_k: Number
    air_share: Number
    air_exponent: Number
    ram_share: Number
    fan_m_s_krpm: Number
    fan_ratio: Number
    fan_limit_rpm: Number
    clutch_on_share: Number
    clutch_off_share: Number
    clutch_on_c: Number
    clutch_span_c: Number
    clutch_lag_s: Number
    electric_m_s: Number
    electric_on_c: Number
    electric_span_c: Number
    recirculation: Number
    condenser_kw: Number
    compressor_kw: Number
    heater_kw_k: Number
    loss_kw_k: Number
    pump_l_s_krpm: Number
    open_c: Number
    full_span_c: Number
    hysteresis_c: Number
    thermostat_lag_s: Number
    thermostat_floor: Number
    thermostat_ceiling: Number
    metal_kj_k: Number
    metal_kw_k: Number
    coolant_l: Number
    radiator_kj_k: Number
    cap_kpa: Number
    glycol_share: Number
    radiator_open: Number
    stack_flow: Number
    electric_health: Number
    clutch_health: Number
    pump_health: Number
    sensor_lag_s: Number
    fan_and_ram: Number
    ac_fan: Number
    speed_curve: Number
    rpm_curve: Number

    @property
    def full_c(self) -> Number:
        """Coolant at which the thermostat is fully open [C]; from here up it regulates nothing."""
        return self.open_c + self.full_span_c


@dataclass(frozen=True, slots=True)
class Part:
    """A named state of one part, or one that could be fitted: what it multiplies or sets, and how sure that is.

    `factor` multiplies the figure, or replaces it where `sets` is true; `spread` is one standard deviation of the
    factor.
    """

    name: str
    words: str
    figure: str
    factor: float
    spread: float
    sets: bool = False
    fitted: bool = False
    replaces: tuple[str, ...] = ()
    """Worn states that are gone when this one is fitted."""


def _parts(*parts: Part) -> dict[str, Part]:
    return {part.name: part for part in parts}


# Factors are common practice without source; `learn` replaces them by what the vehicle shows.
PARTS: Final[dict[str, Part]] = _parts(
    Part("weak_electric_fan", "electric fan weak", "electric_health", 0.45, 0.15),
    Part("dead_electric_fan", "electric fan dead", "electric_health", 0.0, 0.0),
    Part("slipping_fan_clutch", "fan clutch slips", "clutch_health", 0.5, 0.12),
    Part("locked_fan_clutch", "fan clutch seized", "clutch_off_share", 0.95, 0.02, sets=True),
    Part("clogged_condenser", "condenser fins clogged", "stack_flow", 0.85, 0.05),
    Part("half_blocked_radiator", "radiator half blocked", "radiator_open", 0.5, 0.10),
    Part("low_pump_flow", "coolant pump flow low", "pump_health", 0.55, 0.12),
    Part("thermostat_stuck_open", "thermostat stuck open", "thermostat_floor", 1.0, 0.0, sets=True),
    Part("thermostat_stuck_part_open", "thermostat opens half way", "thermostat_ceiling", 0.3, 0.1, sets=True),
    Part("leaking_cap", "cap does not hold pressure", "cap_kpa", 0.0, 0.0, sets=True),
    Part(
        "strong_electric_fan",
        "strong electric fan",
        "electric_m_s",
        2.0,
        0.3,
        fitted=True,
        replaces=("weak_electric_fan", "dead_electric_fan"),
    ),
    Part(
        "new_condenser",
        "new condenser",
        "stack_flow",
        1.0,
        0.03,
        sets=True,
        fitted=True,
        replaces=("clogged_condenser",),
    ),
    Part(
        "bigger_radiator",
        "radiator a third bigger",
        "radiator_kw_k",
        1.33,
        0.08,
        fitted=True,
        replaces=("half_blocked_radiator",),
    ),
    Part(
        "heavy_duty_fan_clutch",
        "heavy-duty fan clutch",
        "clutch_on_share",
        0.85,
        0.04,
        sets=True,
        fitted=True,
        replaces=("slipping_fan_clutch", "locked_fan_clutch"),
    ),
    Part(
        "new_fan_clutch",
        "new fan clutch",
        "clutch_health",
        1.0,
        0.05,
        sets=True,
        fitted=True,
        replaces=("slipping_fan_clutch", "locked_fan_clutch"),
    ),
)

DEFAULT_GEARS: Final = (2.80, 1.53, 1.00, 0.72)
# Full-throttle torque per litre of a petrol engine without boost: about 75 Nm/L at its best (common
# practice).
DEFAULT_TORQUE: Final = (
    (800.0, 58.0),
    (1500.0, 69.0),
    (2500.0, 75.0),
    (3500.0, 74.0),
    (4500.0, 66.0),
    (5200.0, 57.0),
)


@dataclass(frozen=True, slots=True)
class VehicleProfile:
    """A vehicle as its owner typed it and as its logs taught it; every figure has a default with a spread."""

    name: str = "unnamed"
    typed: Mapping[str, Figure] = field(default_factory=dict)
    learned: Mapping[str, Figure] = field(default_factory=dict)
    parts: tuple[str, ...] = ()
    gear_ratios: tuple[float, ...] | None = None
    torque_points: tuple[tuple[float, float], ...] | None = None
    fuel: Fuel = Fuel.PETROL
    boosted: bool = False
    has_ac: bool = True
    together: Together = field(default_factory=Together)
    """How the spreads of the learned figures hang together."""
    learned_parts: tuple[str, ...] = ()
    """Part states that stood while the learned figures were learned: these have them in them already."""

    def figure(self, name: str) -> Figure:
        """The figure in force: learned, else typed, else the default of `figures.FIGURES`; parts not yet applied."""
        return self.learned.get(name) or self.typed.get(name) or FIGURES[name].default

    def unlearned(self) -> VehicleProfile:
        """As its owner typed it, with nothing learned."""
        return replace(self, learned={}, together=Together(), learned_parts=())

    def with_parts(self, *names: str) -> VehicleProfile:
        """The same vehicle with more part states; a fitted part takes the worn ones it replaces away."""
        gone = {worn for name in names if name in PARTS for worn in PARTS[name].replaces}
        return replace(self, parts=tuple(part for part in (*self.parts, *names) if part not in gone))

    def state(self, name: str) -> Figure:
        """The figure in force with the part states applied, spreads added as independent.

        Parts that stood while a figure was learned are in it; once they are no longer named, it is told as without.
        """
        now, learned = self.figure(name), self._taught_with(name)
        for part in (PARTS[p] for p in learned if p not in self.parts):  # repaired since
            if part.sets or part.factor == 0.0:
                now = self.typed.get(name) or FIGURES[name].default
            else:
                spread = ((now.spread / part.factor) ** 2 + (now.likely * part.spread / part.factor**2) ** 2) ** 0.5
                now = Figure(now.likely / part.factor, spread, now.source)
        for part in (PARTS[p] for p in self.parts if p not in learned):
            if part.figure != name:
                continue
            if part.sets:
                now = Figure(part.factor, part.spread, part.name)
            else:
                spread = ((now.spread * part.factor) ** 2 + (now.likely * part.spread) ** 2) ** 0.5
                now = Figure(now.likely * part.factor, spread, part.name)
        return now

    def _taught_with(self, name: str) -> tuple[str, ...]:
        """Part states that the learned value of a figure has in it; none where nothing was learned of it."""
        if name not in self.learned:
            return ()
        return tuple(part for part in self.learned_parts if PARTS[part].figure == name)

    def joint(self) -> Together:
        """`together` as far as it still holds: a figure typed anew, or set by a part since, drops out of it.

        Where a part that was not there while learning multiplies a figure, or one that was is gone, that part's own
        spread is free of what was learned.
        """
        if not self.together.names:
            return self.together
        shares = {}
        for name in self.together.names:
            if name in self.learned:
                share, total, taught = self.learned[name].spread, self.state(name).spread, self._taught_with(name)
                for part in (PARTS[p] for p in taught if p not in self.parts):
                    share *= 0.0 if part.sets or part.factor == 0.0 else 1.0 / part.factor
                for part in (PARTS[p] for p in self.parts if p not in taught):
                    if part.figure == name:
                        share *= 0.0 if part.sets else part.factor
                shares[name] = share / total if total > 0.0 else 0.0
        return self.together.weakened(shares)

    def body(self) -> Body:
        """Likely numbers of road load and driveline."""
        return self._body(self._likely(BODY))

    def engine(self) -> Engine:
        """Likely numbers of the heat made."""
        return self._engine(self._likely(ENGINE))

    def cooling(self) -> Cooling:
        """Likely numbers of the heat shed and stored."""
        return Cooling(**self._likely(COOLING))

    def draw(self, normals: Mapping[str, Array]) -> tuple[Body, Engine, Cooling]:
        """Hypotheses: each named figure becomes likely +- spread x normals[name] (by ratio where the table says `log`).

        Values are held inside the table's range.  Figures not named stay at their likely number, as plain floats.
        Learned figures move as the drives allow: their normals are first made to hang together.
        """
        numbers: dict[str, Any] = self._likely(FIGURES)
        for name, z in self.joint().normals(normals).items():
            numbers[name] = spread_by(FIGURES[name], self.state(name), z)
        body = self._body({k: numbers[k] for k in BODY})
        engine = self._engine({k: numbers[k] for k in ENGINE})
        return body, engine, Cooling(**{k: numbers[k] for k in COOLING})

    def _likely(self, table: Mapping[str, FigureKey]) -> dict[str, Any]:
        return {name: self.state(name).likely for name in table}

    def _body(self, numbers: dict[str, Any]) -> Body:
        return Body(**numbers, gear_ratios=self.gear_ratios or DEFAULT_GEARS)

    def _engine(self, numbers: dict[str, Any]) -> Engine:
        points = self.torque_points or DEFAULT_TORQUE
        return Engine(
            **numbers,
            torque_rpm=tuple(rpm for rpm, _ in points),
            torque_nm=tuple(nm for _, nm in points),
            torque_scale=numbers["displacement_l"] if self.torque_points is None else 1.0,
            fuel=self.fuel,
            boosted=self.boosted,
        )


def spread_by(key: FigureKey, figure: Figure, z: Array) -> Array:
    """`figure` moved by `z` standard deviations, lognormal where the table says so, held inside the table's range."""
    if key.log and figure.likely > 0:
        moved = figure.likely * np.exp(z * (figure.spread / figure.likely))
    else:
        moved = figure.likely + z * figure.spread
    held: Array = np.clip(moved, key.low, key.high)
    return held


def spread_ends(key: FigureKey, figure: Figure) -> tuple[float, float]:
    """Standard deviations at which `spread_by` comes to the ends of the table's range; never past `figure` itself."""
    if key.log and figure.likely > 0:
        relative, least = figure.spread / figure.likely, max(key.low, 1e-6)
        low, high = np.log(least / figure.likely) / relative, np.log(key.high / figure.likely) / relative
    else:
        low, high = (key.low - figure.likely) / figure.spread, (key.high - figure.likely) / figure.spread
    return min(float(low), 0.0), max(float(high), 0.0)


_Numbers = TypeVar("_Numbers", Body, Engine, Cooling)


def take(numbers: _Numbers, index: NDArray[np.intp] | Array | slice) -> _Numbers:
    """The same numbers for the chosen hypotheses only (resampling); plain floats stay as they are."""
    chosen: dict[str, Any] = {}
    for item in fields(numbers):
        value = getattr(numbers, item.name)
        if isinstance(value, np.ndarray):
            chosen[item.name] = value[index]
    return replace(numbers, **chosen)
