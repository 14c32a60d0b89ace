"""Fuel power by road load, for drives of an engine whose readings do not tell its fuel.

A diesel burns lean: its air flow says little of its fuel, and nobody can know whether its calculated load counts air or
torque.  Mass, grade, speed and rpm tell it better, and tell it the same way before and after a change.  It does not
know wind, nor what the fan takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core.air import Number, air_density
from livemon.core.demand import AC_UNTOLD, fuel_for_road_kw
from livemon.core.engine import accessory_kw
from livemon.core.vehicle import Fuel, VehicleProfile
from livemon.study.recording import STEP_S, Drive

Floats = NDArray[np.float64]

SLOW_KMH: Final = 20.0
"""Up to here a grade that is not known is taken for none: what is left is mostly friction and pumps."""
SOURCE: Final = "road load"


def road_fuel_kw(
    profile: VehicleProfile,
    speed_kmh: Floats,
    rpm: Floats,
    grade_pct: Number,
    air_c: Number,
    air_kg_m3: Number,
    accel_m_s2: Number = 0.0,
    ac_on: Number = 0.0,
    mass_kg: float | None = None,
) -> Floats:
    """Fuel power [kW] that the road asks for, elementwise; nan where speed, rpm or grade is.

    As `demand.fuel_for_road_kw`, with pumps and A/C.  `mass_kg`: as declared for the drive, else the profile's.
    """
    body, engine = profile.body(), profile.engine()
    body = body if mass_kg is None else replace(body, mass_kg=mass_kg)
    besides = accessory_kw(engine, profile.cooling(), rpm, 0.0, ac_on, air_c)
    return np.asarray(fuel_for_road_kw(body, engine, speed_kmh, rpm, grade_pct, air_kg_m3, besides, accel_m_s2))


def told_by_road(drives: Sequence[Drive], profile: VehicleProfile) -> list[Drive]:
    """The drives with fuel power by road load where that tells more; all of them or none, so that like stays with like.

    That is for a diesel whose height was recorded on every drive.
    """
    if profile.fuel is not Fuel.DIESEL or not all(np.isfinite(d.height_m).any() for d in drives):
        return list(drives)
    return [replace(drive, fuel_kw=_of(drive, profile), source=SOURCE) for drive in drives]


def _of(drive: Drive, profile: VehicleProfile) -> Floats:
    known = np.isfinite(drive.grade_pct)
    grade = np.where(known, drive.grade_pct, np.where(drive.speed_kmh < SLOW_KMH, 0.0, np.nan))
    ac = np.where(np.isfinite(drive.ac_on), drive.ac_on, AC_UNTOLD if profile.has_ac else 0.0)
    gained = np.gradient(drive.speed_kmh / 3.6, STEP_S) if len(drive.t_s) > 1 else 0.0
    density = np.asarray(air_density(drive.air_kpa, drive.air_c))
    fuel = road_fuel_kw(profile, drive.speed_kmh, drive.rpm, grade, drive.air_c, density, gained, ac, drive.mass_kg)
    return np.where(drive.rpm < 1.0, 0.0, fuel)
