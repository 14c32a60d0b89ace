"""What is not known of a vehicle and of its drives, and versions of both side by side.

An unknown is a figure of the profile or a nuisance of the data (wind, error of the outside air, a fan that follows a
map); a lane is the vehicle and the data with every unknown at some number of its standard deviations.  It does not
know what the lanes are marched along.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from livemon.core.figures import FIGURES
from livemon.core.vehicle import Cooling, Engine, Fuel, VehicleProfile, spread_by
from livemon.study.form import FORM


@dataclass(frozen=True, slots=True)
class Unknown:
    """One thing not known: a figure of the profile, or a nuisance of the data; `own` = drawn anew for every drive.

    `ratio`: standard deviation of a figure over its likely value; `looser`: by how much wider it is believed to
    lie before the drives.
    """

    name: str
    own: bool = False
    ratio: float = 1.0
    looser: float = 1.0


NUISANCES: Final = (
    Unknown("headwind", own=True),
    Unknown("air_c", own=True),
    Unknown("ac_share", own=True),
    Unknown("pressure", own=True),
    Unknown("heat_curve"),
    Unknown("fan_curve"),
    Unknown("shed_by_speed"),
    Unknown("shed_by_rpm"),
    Unknown("ac_fan"),
)
HEADWIND_KMH: Final = 3.5  # along the road at the height of a grille, one standard deviation, from memory
AIR_ERROR_C: Final = 1.0
AIR_GUESS_C: Final = 2.5  # where it is taken from intake air
AC_SHARE: Final = 0.4  # of the A/C's effect, where nobody said whether it ran
PRESSURE: Final = 0.07  # of the air's pressure, where neither height nor pressure was recorded: about 600 m
SHED_BY_SPEED: Final = 0.12
SHED_BY_RPM: Final = 0.08
"""How heat shed may move with road speed and with rpm beyond the figures, as exponents; of all heat, as a pattern over
ways of running is looked for here, while the figures of the form (`study/form`) move the radiator's UA alone."""
HEAT_CURVE: Final = {Fuel.PETROL: 0.12, Fuel.DIESEL: 0.3}
"""How heat may move with fuel beyond the figures, as an exponent; a diesel's air flow does not tell its fuel."""
FAN_CURVE: Final = 0.08  # how a fan that follows the coolant by a map may still rise per 10 K
OPEN_CURVE: Final = 0.5  # flow may go as opening to the power exp(this)
LOSS_CURVE: Final = 0.5  # how the block's loss may move with road speed beyond the figures, as an exponent
_COOLING: Final = (
    "radiator_kw_k", "face_area_m2", "air_share", "air_exponent", "ram_share", "fan_m_s_krpm", "fan_limit_rpm",
    "clutch_on_share", "clutch_off_share", "clutch_on_c", "electric_m_s", "electric_on_c",
    "recirculation", "condenser_kw", "pump_l_s_krpm", "open_c", "full_span_c", "metal_kj_k",
    "coolant_l",
)  # fmt: skip
_ENGINE: Final = ("coolant_share", "coolant_share_slope")


_FANS: Final = {
    "fan_m_s_krpm": (
        "fan_m_s_krpm", "fan_limit_rpm", "clutch_on_share", "clutch_off_share", "clutch_on_c", "clutch_span_c",
    ),
    "electric_m_s": ("electric_m_s", "electric_on_c", "electric_span_c"),
}  # fmt: skip
_MORE: Final = ("electric_span_c", "clutch_span_c", "loss_kw_k", "sensor_lag_s")
_MORE_NUISANCES: Final = (Unknown("open_curve"), Unknown("loss_curve"))
WIDER: Final = {
    "radiator_kw_k": 2.0, "ram_share": 1.5, "fan_m_s_krpm": 3.0, "electric_m_s": 2.5, "electric_on_c": 2.0,
    "electric_span_c": 2.0, "clutch_on_c": 1.5, "clutch_span_c": 2.0, "coolant_share": 2.5, "coolant_share_slope": 3.5,
    "condenser_kw": 1.5, "metal_kj_k": 2.0, "loss_kw_k": 1.5,
}  # fmt: skip
"""By how much wider than the profile's default a figure starts where states of a vehicle are compared: the vehicle that
runs hot is seldom the usual one, and what does not change between the states need not be known well."""
LOOSER: Final = {"ac_fan": 2.0, "fan_curve": 2.0, "shed_by_rpm": 2.0}
"""The same of nuisances: how hard the A/C drives the fan, and how fans and heat shed follow coolant and rpm, differ
from make to make.  Chosen by the likelihood of the drives of made-up garages of two plants (docs/compare.md)."""
PART_WIDER: Final = WIDER | {"loss_kw_k": 2.0, "pump_l_s_krpm": 1.5, "sensor_lag_s": 1.5}
"""The same where parts of one vehicle are told apart: under the profile's own spreads, what another make's figures
differ by was taken for a fault."""


def unknowns(profile: VehicleProfile) -> tuple[Unknown, ...]:
    """What is not known of a vehicle with this profile, in the order of the columns of `Piece.slopes`."""
    missing = {name for fan, names in _FANS.items() if profile.state(fan).likely == 0.0 for name in names}

    def figures(names: Sequence[str]) -> list[Unknown]:
        known = ((n, profile.state(n)) for n in names if n not in missing)
        return [Unknown(n, ratio=f.spread / (f.likely or 1.0)) for n, f in known if f.spread > 0.0]

    usual = (u for u in NUISANCES if u.name not in FORM or profile.state(u.name).spread > 0.0)
    return (*figures((*_ENGINE, *_COOLING)), *usual, *figures(_MORE), *_MORE_NUISANCES)


def part_unknowns(profile: VehicleProfile) -> tuple[Unknown, ...]:
    """Those, and how fans add to ram air: what a weak fan costs on the move hangs on it."""
    return (*unknowns(profile), *((Unknown("fan_and_ram"),) if profile.state("fan_and_ram").spread > 0.0 else ()))


def change_unknowns(profile: VehicleProfile) -> tuple[Unknown, ...]:
    """The same where states of a vehicle are compared: looser where makes differ, since what is the same in all states
    need not be known well to tell them apart."""
    return tuple(replace(u, looser=LOOSER.get(u.name, 1.0)) for u in part_unknowns(profile))


@dataclass(frozen=True, slots=True)
class Lane:
    """One version of the vehicle and of the data: figures, and what is added to wind, air, A/C, heat and fan."""

    engine: Engine
    cooling: Cooling
    headwind_kmh: float = 0.0
    air_c: float = 0.0
    ac_share: float = 0.0
    heat_curve: float = 0.0
    fan_curve: float = 0.0
    pressure: float = 0.0
    shed_by_speed: float = 0.0
    shed_by_rpm: float = 0.0
    open_curve: float = 0.0
    loss_curve: float = 0.0


def lanes_of(
    profile: VehicleProfile,
    at: Sequence[float],
    every: Sequence[Unknown],
    others: Sequence[VehicleProfile] = (),
) -> list[Lane]:
    """The vehicle at `at` (standard deviations of each unknown), each unknown half a deviation up, and other profiles.

    The slopes are differences over half a deviation, which is where most of the weight lies.
    """
    first = _lane(profile, every, at)
    moved = [_moved(first, profile, unknown, z + HALF) for unknown, z in zip(every, at, strict=True)]
    return [first, *moved, *(_lane(other, every, at, spread_of=profile) for other in others)]


HALF: Final = 0.5


_LOOSE: Final[Mapping[str, tuple[str, float, float]]] = {
    "headwind": ("headwind_kmh", 0.0, HEADWIND_KMH),
    "air_c": ("air_c", 0.0, 1.0),
    "ac_share": ("ac_share", 0.0, AC_SHARE),
    "fan_curve": ("fan_curve", 0.0, FAN_CURVE),
    "pressure": ("pressure", 0.0, PRESSURE),
    "shed_by_speed": ("shed_by_speed", 0.0, SHED_BY_SPEED),
    "shed_by_rpm": ("shed_by_rpm", 0.0, SHED_BY_RPM),
    "open_curve": ("open_curve", 0.0, OPEN_CURVE),
    "loss_curve": ("loss_curve", 0.0, LOSS_CURVE),
}
"""Field of a lane that an unknown of the data moves, its middle and its standard deviation."""


def _lane(
    profile: VehicleProfile, every: Sequence[Unknown], at: Sequence[float], spread_of: VehicleProfile | None = None
) -> Lane:
    change: dict[str, dict[str, float]] = {"engine": {}, "cooling": {}}
    loose: dict[str, float] = {}
    for unknown, z in zip(every, at, strict=True):
        if unknown.name in FIGURES:
            owner = "engine" if unknown.name in _ENGINE else "cooling"
            change[owner][unknown.name] = _figure(profile, unknown.name, z, spread_of or profile)
        else:
            field, value = _loose(profile, unknown.name, z)
            loose[field] = value
    engine, cooling = profile.engine(), profile.cooling()
    return Lane(replace(engine, **_named(change["engine"])), replace(cooling, **_named(change["cooling"])), **loose)


def _moved(first: Lane, profile: VehicleProfile, unknown: Unknown, z: float) -> Lane:
    """The same lane with one unknown elsewhere."""
    name = unknown.name
    if name not in FIGURES:
        return replace(first, **_named(dict([_loose(profile, name, z)])))
    change = _named({name: _figure(profile, name, z, profile)})
    if name in _ENGINE:
        return replace(first, engine=replace(first.engine, **change))
    return replace(first, cooling=replace(first.cooling, **change))


def _named(values: Mapping[str, float]) -> dict[str, Any]:
    """Figures by name, as fields: their types are those of the fields."""
    return dict(values)


def _figure(profile: VehicleProfile, name: str, z: float, of: VehicleProfile) -> float:
    """A figure z of `of`'s standard deviations off; where `profile` has another state of the part, as much off that."""
    known = of.state(name)
    value = float(spread_by(FIGURES[name], known, np.array(float(z))))
    return value if profile is of or not known.likely else value * (profile.state(name).likely / known.likely)


def _loose(profile: VehicleProfile, name: str, z: float) -> tuple[str, float]:
    if name == "heat_curve":
        return name, HEAT_CURVE[profile.fuel] * float(z)
    field, middle, spread = _LOOSE[name]
    return field, middle + spread * float(z)


def beside(numbers: Sequence[Any]) -> Any:
    """The numbers of several lanes as one set of arrays; plain floats where all agree."""
    first = numbers[0]
    joined: dict[str, Any] = {}
    for name in first.__slots__:
        values = [getattr(n, name) for n in numbers]
        if isinstance(values[0], (int, float)) and not isinstance(values[0], bool) and len(set(values)) > 1:
            joined[name] = np.array(values, dtype=np.float64)
    return replace(first, **joined)
