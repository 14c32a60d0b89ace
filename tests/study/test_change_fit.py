"""One model of all drives: made-up pieces whose truth is known by construction, and the foreseen coolant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core import heat
from livemon.core.air import air_density
from livemon.core.engine import coolant_heat_kw
from livemon.core.figures import Figure
from livemon.core.radiator import Demand, Surroundings
from livemon.core.vehicle import VehicleProfile
from livemon.study import change_fit
from livemon.study.change_fit import DRIVE_SPREAD, SPREADS, ChangeFit, fit_changes, only
from livemon.study.change_pieces import change_pieces
from livemon.study.form import widened
from livemon.study.hot_runs import runs
from livemon.study.piece_model import ends, model_of
from livemon.study.recording import STEP_S, Drive
from livemon.study.segments import SMOOTH_S, Piece, Regime, smoothed
from livemon.study.shed_lanes import LOOSER, WIDER, Unknown, change_unknowns, lanes_of, unknowns
from livemon.study.shed_march import March, balances, march
from tests.study.test_segments import AIR_C, AIR_KPA, PROFILE, RPM, SPEED_KMH, at_rest, hot_fuel_kw, steady

NO_UNKNOWN: tuple[Unknown, ...] = ()


def piece(drive: int, log_ratio: float, start_s: float = 300.0, heat_kw: float = 40.0) -> Piece:
    return Piece(drive, Regime.GRADE, False, start_s, 2.0, 105.0, 30.0, 60.0, 3000.0, heat_kw, heat_kw / 75.0,
                 log_ratio, ())  # fmt: skip


def solved(found: list[Piece], sides: list[int]) -> tuple[float, float, float]:
    """(change, its error, size) by the linear model alone."""
    model = model_of(found, sides, NO_UNKNOWN, [], 2, SPREADS)
    mean, covariance, size = change_fit._mixed(model)
    pick = np.zeros(len(mean))
    pick[model.columns["change 1"]] = 1.0
    pick[model.columns["change 1 by regime"].start + list(Regime).index(Regime.GRADE)] = 1.0
    return float(pick @ mean), float(np.sqrt(pick @ covariance @ pick)), size


def test_equal_drives_give_the_plain_difference() -> None:
    """One piece a drive, no unknown: by symmetry the generalised mean of either side is the plain mean."""
    before, after = [0.01, -0.01, 0.02, 0.0, -0.02], [0.10, 0.12, 0.11, 0.08, 0.09]
    sides = [0] * 5 + [1] * 5
    value, error, _ = solved([piece(k, v) for k, v in enumerate(before + after)], sides)
    assert value == pytest.approx(0.10, abs=0.003)  # the prior of the change draws it to none by a hair
    assert 0.0 < error < 0.03


def test_what_is_believed_less_firmly_is_not_taken_for_a_change() -> None:
    """An unknown that moves one side's pieces alone: the looser it is held, the less of a difference is the change."""

    def change(looser: float) -> float:
        every = [Unknown("shed_by_rpm", looser=looser)]
        ratios = [0.0] * 4 + [0.1] * 4
        found = [replace(piece(k, v), slopes=(0.05 if v else 0.0,)) for k, v in enumerate(ratios)]
        model = model_of(found, [0] * 4 + [1] * 4, every, [0.0], 2, SPREADS._replace(change=0.1))
        assert model.prior[model.columns["figures"]].tolist() == [looser]
        return float(change_fit._mixed(model)[0][model.columns["change 1"]][0])

    assert change(2.0) < 0.8 * change(0.5)


def test_fans_may_add_to_ram_air_as_speeds_where_there_are_fans() -> None:
    every = {u.name: u for u in change_unknowns(widened(PROFILE, WIDER))}
    assert every["fan_and_ram"].looser == 1.0
    assert every["ac_fan"].looser == LOOSER["ac_fan"] > 1.0
    still = {name: Figure(0.0, 0.0, "typed") for name in ("electric_m_s", "fan_m_s_krpm")}
    none = {u.name for u in change_unknowns(widened(replace(PROFILE, typed=PROFILE.typed | still), WIDER))}
    assert not none & {"fan_and_ram", "ac_fan"}


def test_drives_that_differ_more_widen_the_error() -> None:
    rng = np.random.default_rng(3)
    noise = rng.standard_normal(10)
    sides = [0] * 5 + [1] * 5
    calm = solved([piece(k, 0.01 * v) for k, v in enumerate(noise)], sides)
    wild = solved([piece(k, 0.12 * v) for k, v in enumerate(noise)], sides)
    assert wild[2] > 1.5 * calm[2]
    assert wild[1] > 1.5 * calm[1]


def test_many_pieces_of_one_drive_are_not_many_drives() -> None:
    """Twenty pieces of two drives leave at least what two drives differ by."""
    found = [piece(d, 0.0, start_s=300.0 + 600.0 * k) for d in (0, 1) for k in range(20)]
    _, error, size = solved(found, [0, 1])
    assert error > size * DRIVE_SPREAD * 2.0**0.5


def test_an_error_at_the_end_of_a_piece_is_made_good_by_the_next() -> None:
    found = ends([piece(0, 0.0, 300.0), piece(0, 0.0, 420.0), piece(1, 0.0, 420.0)])
    assert found.shape == (3, 5)
    assert found[0] @ found[1] == pytest.approx(-((115.0 / 120.0 / 40.0) ** 2))
    assert found[1] @ found[2] == 0.0


def test_interval_covers_when_two_against_two() -> None:
    """Coverage by simulation from the model's own spreads at twice the usual size: 90 % within four binomial standard
    errors, never far under."""
    rng = np.random.default_rng(4)
    sides = [0, 0, 1, 1]
    model = model_of([piece(d, 0.0) for d in range(4)], sides, NO_UNKNOWN, [], 2, SPREADS).sized(2.0)
    scaled = model.design * model.prior
    hits, trials = 0, 400
    for _ in range(trials):
        u = rng.standard_normal(scaled.shape[1])
        u[model.columns["change 1"]] = 0.0
        u[model.columns["change 1 by regime"]] = 0.0
        target = scaled @ u + model.noise * rng.standard_normal(4)
        value, error, _ = solved([piece(d, float(t)) for d, t in enumerate(target)], sides)
        hits += abs(value) <= 1.943 * error  # t, 6 degrees of freedom
    assert hits / trials >= 0.90 - 4.0 * (0.09 / trials) ** 0.5


def test_a_steady_drive_is_foreseen_where_it_is() -> None:
    """At equilibrium the free coolant stays, and what must have been shed is what would be."""
    fuel = hot_fuel_kw()
    drive = steady(at_rest(fuel), fuel)
    every = unknowns(PROFILE)
    lanes = lanes_of(PROFILE, [0.0] * len(every), every)
    some = runs([drive], 90.0)
    shifts = [np.zeros(len(r.drive.t_s)) for r in some]
    (balance,) = balances(some, lanes, float(PROFILE.engine().displacement_l), shifts)
    half = len(drive.t_s) // 2
    assert np.abs(balance.lanes.coolant_c[half:-20, 0] - at_rest(fuel)).max() < 2.0
    ratio = balance.read.needed_kw[half:-20, 0] / balance.read.would_kw[half:-20, 0]
    assert ratio == pytest.approx(np.ones_like(ratio), abs=0.05)


def test_a_bend_is_not_rounded_off() -> None:
    """Heat falls at once, as where a climb becomes a jam: the live core gives the coolant, whole degrees of a lagging
    sensor are read; with the model's help the coolant behind them errs by less than half of what plain smoothing
    errs."""
    fuel = hot_fuel_kw()
    calm = at_rest(fuel)
    drive = steady(calm, fuel, minutes=20.0)
    made = np.where(drive.t_s < 600.0, fuel, 0.5 * fuel)
    cooling, air = PROFILE.cooling(), air_density(AIR_KPA, AIR_C)
    nodes = heat.regulated(calm, AIR_C, float(coolant_heat_kw(PROFILE.engine(), fuel)), cooling)
    nodes = replace(nodes, opening=1.0, clutch=1.0, electric=1.0)
    true, read, sensed = [], [], calm
    for k in range(5 * len(made)):
        demand = Demand(coolant_heat_kw(PROFILE.engine(), made[k // 5]), RPM, SPEED_KMH)
        nodes = heat.advance(nodes, demand, Surroundings(AIR_C, air), cooling, 1.0)
        sensed = float(heat.lag(sensed, nodes.coolant_c, 1.0, float(cooling.sensor_lag_s)))
        true.append(float(nodes.coolant_c))
        read.append(float(round(sensed)))
    cells = np.array(true).reshape(-1, 5).mean(axis=1), np.array(read).reshape(-1, 5).mean(axis=1)
    logged = replace(drive, fuel_kw=made, coolant_c=cells[1])
    every = unknowns(PROFILE)
    lanes = lanes_of(PROFILE, [0.0] * len(every), every)[:1]
    some = runs([logged], 80.0)
    size = float(PROFILE.engine().displacement_l)
    first = balances(some, lanes, size)
    (found,) = balances(some, lanes, size, None, [b.read for b in first])
    begin = int(some[0].drive.t_s[0] / STEP_S)
    bend = slice(110, 140)  # around 600 s
    aided = found.read.coolant_c[:, 0][bend.start - begin : bend.stop - begin]
    plain = smoothed(cells[1], SMOOTH_S)[bend]
    assert np.abs(aided - cells[0][bend]).max() < 0.5 * np.abs(plain - cells[0][bend]).max()


@pytest.mark.parametrize("missing", [("air_c",), ("coolant_c", "speed_kmh", "rpm", "fuel_kw", "air_c", "air_kpa")])
def test_a_hole_hangs_on_no_other_run_and_leaves_nothing_behind(missing: tuple[str, ...]) -> None:
    """Three minutes unknown in steady running: after them all is as before, marched alone or beside a whole drive."""
    fuel = hot_fuel_kw()
    whole = steady(at_rest(fuel), fuel, minutes=20.0)
    hole = slice(100, 136)
    columns = {name: getattr(whole, name).copy() for name in missing}
    for column in columns.values():
        column[hole] = np.nan
    torn = replace(whole, **columns)
    lanes = lanes_of(PROFILE, [0.0] * len(unknowns(PROFILE)), unknowns(PROFILE))[:1]

    def marched(drives: list[Drive]) -> March:
        some = runs(drives, 90.0)
        shifts = [np.zeros(len(run.drive.t_s)) for run in some]
        coolants = [np.repeat(run.drive.coolant_c[:, None], 2, axis=1) for run in some]
        return march(some, lanes * 2, float(PROFILE.engine().displacement_l), coolants, shifts)[0]

    alone, beside = marched([torn]), marched([torn, whole])
    known = np.delete(np.arange(len(whole.t_s)), hole)
    for name in ("needed_kw", "would_kw", "coolant_c", "opening"):
        one, other = getattr(alone, name)[known], getattr(beside, name)[known]
        assert one == pytest.approx(other, rel=1e-12, nan_ok=True)
    after = slice(hole.stop + 1, hole.stop + 30)
    steady_kw = alone.needed_kw[hole.start - 20, 0]
    assert alone.needed_kw[after, 0] == pytest.approx(np.full(29, steady_kw), rel=0.01)
    assert alone.would_kw[after, 0] == pytest.approx(np.full(29, alone.would_kw[hole.start - 20, 0]), rel=0.01)
    assert np.abs(alone.coolant_c[after, 1] - at_rest(fuel)).max() < 0.5


def test_at_idle_the_same_kw_are_held_to_be_more() -> None:
    heat_kw = np.array([10.0, 10.0])
    assert SPREADS.per_kw([Regime.IDLE, Regime.GRADE], heat_kw).tolist() == [0.1, 0.1]
    assert SPREADS._replace(idle=1.5).per_kw([Regime.IDLE, Regime.GRADE], heat_kw).tolist() == pytest.approx(
        [0.15, 0.1]
    )


def test_what_was_typed_stays_as_narrow_as_it_was_typed() -> None:
    typed = VehicleProfile(typed={"radiator_kw_k": Figure(2.0, 0.1, "typed")})
    assert widened(typed, WIDER).state("radiator_kw_k").spread == 0.1
    assert widened(PROFILE, WIDER).state("radiator_kw_k").spread > PROFILE.state("radiator_kw_k").spread


def test_cool_short_and_unknown_stretches_tell_nothing() -> None:
    fuel = hot_fuel_kw()
    hot = steady(at_rest(fuel), fuel)
    every = unknowns(PROFILE)
    at = [0.0] * len(every)
    assert len(change_pieces([hot], PROFILE, every, at)[0]) >= 4
    assert change_pieces([replace(hot, coolant_c=0.0 * hot.coolant_c + 80.0)], PROFILE, every, at)[0] == []
    assert change_pieces([replace(hot, fuel_kw=np.nan * hot.fuel_kw)], PROFILE, every, at)[0] == []
    assert change_pieces([], PROFILE, every, at)[0] == []
    assert fit_changes([], [], PROFILE, 2) is None


def test_some_pieces_alone_know_less() -> None:
    fuel = hot_fuel_kw()
    drives = [steady(at_rest(fuel), fuel) for _ in range(4)]
    found = fit_changes(drives, [0, 0, 1, 1], PROFILE, 2)
    assert isinstance(found, ChangeFit)
    where = found.columns["change 1"]
    _, covariance = only(found, range(0, len(found.pieces), 3))
    assert covariance[where, where][0, 0] >= found.covariance[where, where][0, 0] * 0.5
    assert abs(float(found.mean[where][0])) < 0.02
