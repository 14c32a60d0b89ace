"""Pieces with the thermostat open: the heat balance of steady running against its closed form, and what is left out."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from livemon.core import heat
from livemon.core.air import air_density
from livemon.core.engine import coolant_heat_kw
from livemon.core.radiator import Demand, Surroundings
from livemon.core.vehicle import VehicleProfile
from livemon.study.change_pieces import change_pieces
from livemon.study.recording import STEP_S, Drive
from livemon.study.segments import Piece, Regime, smoothed
from livemon.study.shed_lanes import lanes_of, unknowns

PROFILE = VehicleProfile()
AIR_C, AIR_KPA, SPEED_KMH, RPM = 34.0, 95.0, 60.0, 2900.0
EVERY = unknowns(PROFILE)


def pieces(drives: list[Drive]) -> list[Piece]:
    return change_pieces(drives, PROFILE, EVERY, [0.0] * len(EVERY))[0]


def steady(coolant_c: float, fuel_kw: float, minutes: float = 12.0, grade_pct: float = 6.0) -> Drive:
    """A drive in which nothing changes."""
    flat = np.ones(round(60.0 * minutes / STEP_S))
    return Drive(
        "steady", STEP_S * np.arange(len(flat)), coolant_c * flat, SPEED_KMH * flat, RPM * flat, fuel_kw * flat,
        AIR_C * flat, AIR_KPA * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat, 500.0 * flat, grade_pct * flat,
        air_measured=True,
    )  # fmt: skip


def at_rest(fuel_kw: float) -> float:
    """Coolant at which the profile's cooling sheds the heat of `fuel_kw`: the live core's equilibrium."""
    made = coolant_heat_kw(PROFILE.engine(), fuel_kw)
    demand = Demand(made, RPM, SPEED_KMH)
    settled = heat.settle(demand, Surroundings(AIR_C, air_density(AIR_KPA, AIR_C)), PROFILE.cooling())
    return float(settled.coolant_c)


def hot_fuel_kw() -> float:
    """Fuel at which the profile's cooling settles near 106 C, well over its thermostat and fan."""
    sizes = np.linspace(100.0, 600.0, 501)
    return float(sizes[int(np.argmin([abs(at_rest(float(f)) - 106.0) for f in sizes]))])


def test_at_equilibrium_the_ratio_is_one() -> None:
    fuel = hot_fuel_kw()
    found = pieces([steady(at_rest(fuel), fuel)])
    assert len(found) >= 4
    assert all(p.regime is Regime.GRADE for p in found)
    # The smooth fan and the held clutch differ a little from the live core's halvings.
    assert [p.log_ratio for p in found] == pytest.approx([0.0] * len(found), abs=0.03)


def test_more_heat_at_the_same_temperature_is_a_better_radiator_by_the_closed_form() -> None:
    """Heat shed = heat made less the block's loss: 20 % more heat at one coolant moves the ratio by just that."""
    fuel = hot_fuel_kw()
    coolant = at_rest(fuel)
    engine = PROFILE.engine()
    # fuel for 1.2 times the heat: heat ~ fuel^(1 - slope) inside the range of the share
    more = fuel * 1.2 ** (1.0 / (1.0 - float(engine.coolant_share_slope)))
    base, better = (pieces([steady(coolant, f)])[1] for f in (fuel, more))
    made = [float(coolant_heat_kw(engine, f)) for f in (fuel, more)]
    cooling = PROFILE.cooling()
    per_k = float(heat.loss_kw_k(cooling, SPEED_KMH))
    left = [m - per_k * (coolant + m / float(cooling.metal_kw_k) - AIR_C) for m in made]  # the metal is the hotter
    assert better.log_ratio - base.log_ratio == pytest.approx(math.log(left[1] / left[0]), abs=1e-6)


def test_cool_short_and_unknown_stretches_tell_nothing() -> None:
    fuel = hot_fuel_kw()
    hot = steady(at_rest(fuel), fuel)
    assert pieces([replace(hot, coolant_c=0.0 * hot.coolant_c + 84.0)]) == []
    assert pieces([steady(at_rest(fuel), fuel, minutes=0.8)]) == []
    assert pieces([replace(hot, fuel_kw=np.nan * hot.fuel_kw)]) == []
    assert pieces([]) == []


def test_a_gap_in_the_coolant_ends_a_piece() -> None:
    fuel = hot_fuel_kw()
    hot = steady(at_rest(fuel), fuel)
    torn = hot.coolant_c.copy()
    torn[60:80] = np.nan
    found = pieces([replace(hot, coolant_c=torn)])
    assert found
    for piece in found:
        begin, end = piece.start_s, piece.start_s + 60.0 * piece.minutes
        assert end <= 60 * STEP_S or begin >= 80 * STEP_S


def test_every_unknown_has_a_lane_and_missing_fans_have_none() -> None:
    assert len(lanes_of(PROFILE, [0.0] * len(EVERY), EVERY)) == len(EVERY) + 1
    from livemon.core.figures import Figure

    no_fan = VehicleProfile(typed={"electric_m_s": Figure(0.0, 0.0, "typed")})
    assert "electric_m_s" not in {u.name for u in unknowns(no_fan)}


def test_a_bigger_radiator_in_the_profile_lowers_the_ratio() -> None:
    """What the profile sheds more, the drive seems to shed less; the slope's sign is that of physics."""
    fuel = hot_fuel_kw()
    piece = pieces([steady(at_rest(fuel), fuel)])[1]
    slopes = dict(zip((u.name for u in EVERY), piece.slopes, strict=True))
    assert slopes["radiator_kw_k"] < -0.03
    assert slopes["coolant_share"] > 0.05
    assert slopes["headwind"] < 0.0


@pytest.mark.parametrize("count", [1, 3, 18, 19, 40])
def test_smoothing_keeps_length_and_level_even_of_a_drive_shorter_than_its_window(count: int) -> None:
    values = np.full(count, 92.0)
    values[1:2] = np.nan
    assert smoothed(values, 45.0) == pytest.approx(values, nan_ok=True)
