"""The comparison of drives: its intervals, what it asks for, and made-up garages with known truth."""

from __future__ import annotations

import argparse
from dataclasses import replace
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console
from scipy import stats

from livemon.core.vehicle import VehicleProfile
from livemon.study import change_fit
from livemon.study.compare import (
    APART,
    PATTERN,
    PRIOR_DOF,
    WIDTH,
    Difference,
    Verdict,
    _more,
    _pick,
    compare,
    pairs,
    regime_weights,
)
from livemon.study.form import widened
from livemon.study.piece_model import model_of
from livemon.study.recording import Drive
from livemon.study.segments import Piece, Regime
from livemon.study.shed_lanes import WIDER, change_unknowns
from livemon.verbs import compare as verb
from livemon.verbs.common import InForce, settle
from livemon.verbs.compare import _words
from tests.bench.garages.__main__ import judge
from tests.bench.garages.garages import load
from tests.study import made_drive


@pytest.mark.parametrize("value", [0.0, 0.05, -0.4])
def test_interval_is_students_with_a_share_of_the_change(value: float) -> None:
    q = float(stats.t.ppf(0.95, 8.0))
    low, high = Difference(value, 0.03, 8.0).interval(0.90)
    assert low < value < high
    for end in (low, high):
        assert abs(value - end) == pytest.approx(q * np.hypot(0.03, PATTERN * end), rel=2e-3)


def test_whether_there_is_a_change_is_settled_by_the_error_alone() -> None:
    q = float(stats.t.ppf(0.95, 8.0))
    assert Difference(1.01 * q * 0.03, 0.03, 8.0).interval()[0] > 0.0
    assert Difference(0.99 * q * 0.03, 0.03, 8.0).interval()[0] < 0.0
    low, high = Difference(0.3, 0.03, 3.0).interval(0.999)  # many states, few drives: wide, but an interval
    assert low < 0.3 < high < 100.0


def test_more_drives_are_asked_for_until_it_would_show() -> None:
    wide, narrow = Difference(0.05, 0.06, 8.0), Difference(0.09, 0.05, 8.0)
    far, near = _more(wide, (5, 5), 0.90), _more(narrow, (5, 5), 0.90)
    assert far is not None
    assert near is not None
    assert far > near >= 1
    assert _more(Difference(0.01, 0.03, 8.0), (5, 5), 0.90) == 0  # 8 % would have shown already


def test_every_state_against_the_one_before_and_the_first() -> None:
    assert pairs(2) == [(0, 1)]
    assert pairs(4) == [(0, 1), (1, 2), (2, 3), (0, 2), (0, 3)]


def test_a_regime_counts_as_driven_and_less_where_its_change_is_told_badly() -> None:
    driven = np.array([0.5, 0.2, 0.3])
    well = 0.01**2 * np.eye(3)
    assert regime_weights(driven, 1e-9 * well) == pytest.approx(driven, abs=1e-6)
    worse = well.copy()
    worse[0, 0] = (2.0 * APART) ** 2
    less = regime_weights(driven, worse)
    assert less.sum() == pytest.approx(1.0)
    assert 0.0 < less[0] < 0.2
    assert less[2] > less[1] > 0.2
    for other in np.eye(3):  # no other weights do better
        moved = 0.99 * less + 0.01 * other
        assert _cost(less, driven, worse) <= _cost(moved, driven, worse)


def test_no_regime_counts_against_another() -> None:
    """Errors that go together, one twice as large: the least error alone would weigh the larger one under zero."""
    small, large = 0.5, 1.0
    together = np.array([[small**2, 0.95 * small * large], [0.95 * small * large, large**2]])
    assert regime_weights(np.array([0.5, 0.5]), together) == pytest.approx([1.0, 0.0])


def _cost(weights: np.ndarray, driven: np.ndarray, covariance: np.ndarray) -> float:
    return float(weights @ covariance @ weights + APART**2 * np.square(weights - driven).sum())


def test_known_garages() -> None:
    """A small cut of the study in docs/compare.md, loose limits: 90 % intervals, +15 % air, and no change."""
    gain = [judge(g) for g in load("sim", "more_air", 3, 21)]
    same = [judge(g) for g in load("sim", "same", 3, 21)]
    told = [s for s in gain + same if s.covered is not None]
    assert len(told) >= 4
    assert sum(bool(s.covered) for s in told) >= len(told) - 1
    assert not any(s.verdict is Verdict.WORSE for s in gain)
    assert sum(s.verdict is not Verdict.OPEN for s in same) <= 1


def test_drives_that_never_get_hot_give_nothing() -> None:
    flat = np.ones(200)
    cool = Drive("cool", 5.0 * np.arange(200), 85.0 * flat, 60.0 * flat, 2000.0 * flat, 80.0 * flat, 20.0 * flat,
                 95.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat)  # fmt: skip
    garage = load("sim", "same", 1, 21)[0]
    assert compare([cool, cool], [0, 1], garage.profile, ["before", "after"]) is None


def _asked(route: Path, *options: str) -> tuple[argparse.Namespace, InForce]:
    parser = argparse.ArgumentParser()
    verb.add_arguments(parser)
    args = parser.parse_args(["--before", "a.csv", "--after", "b.csv", "--route", str(route), *options])
    return args, settle(args)


def test_a_route_is_driven_as_typed_or_in_the_air_of_the_drives(tmp_path: Path) -> None:
    route = tmp_path / "pass.csv"
    route.write_text("distance_km,height_m\n0,100\n10,800\n")
    flat = np.ones(200)
    level = Drive("level", 5.0 * np.arange(200), 85.0 * flat, 60.0 * flat, 2000.0 * flat, 80.0 * flat, 22.0 * flat,
                  95.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat)  # fmt: skip
    args, force = _asked(route)
    told = verb._climb(args, [level], force)
    assert told is not None
    assert (told.route.name, told.air_c, told.speed_kmh, told.ac_on) == ("pass", 22.0, 80.0, False)
    args, force = _asked(route, "--outside", "41 C", "--plan-speed", "50 km/h", "--plan-ac", "on")
    told = verb._climb(args, [level], force)
    assert told is not None
    assert (told.air_c, told.speed_kmh, told.ac_on) == (41.0, 50.0, True)


SLOPES = (0.0,) * len(change_unknowns(widened(VehicleProfile(), WIDER)))


def made_piece(drive: int, regime: Regime, log_ratio: float) -> Piece:
    return Piece(drive, regime, False, 300.0, 2.0, 105.0, 30.0, 60.0, 3000.0, 40.0, 0.53, log_ratio, SLOPES)


@pytest.mark.parametrize(("after", "told"), [(Regime.GRADE, True), (Regime.IDLE, False)])
def test_a_jam_is_not_set_against_a_climb(monkeypatch: pytest.MonkeyPatch, after: Regime, told: bool) -> None:
    """Three climbs before; three climbs, or three jams, after that shed a third more."""
    found = [made_piece(k, Regime.GRADE, 0.0) for k in range(3)]
    found += [made_piece(k, after, 0.3) for k in range(3, 6)]
    monkeypatch.setattr(change_fit, "change_pieces", lambda *_: (found, []))
    drives = [made_drive.drive()] * 6
    result = compare(drives, [0, 0, 0, 1, 1, 1], VehicleProfile(), ["before", "after"])
    assert result is not None
    (overall,) = result.overall
    assert overall.drives == (3, 3)
    assert (overall.found is not None) is told
    assert overall.verdict is (Verdict.BETTER if told else Verdict.OPEN)
    assert told or "no regime" in _words(overall)


@pytest.mark.parametrize("width", [100, 80, 60, 45])
def test_every_change_has_its_regimes_in_lines_of_their_own(monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    regimes = (Regime.GRADE, Regime.LEVEL, Regime.HELD)
    found = [made_piece(k, regime, 0.2 * (k // 3)) for k in range(9) for regime in regimes]
    monkeypatch.setattr(change_fit, "change_pieces", lambda *_: (found, []))
    drives, sides = [made_drive.drive()] * 9, [k // 3 for k in range(9)]
    result = compare(drives, sides, VehicleProfile(), ["before", "after 1", "after 2"])
    assert result is not None
    tables = verb._tables(result, width)
    assert set(tables) == {(0, 1), (1, 2), (0, 2)}
    console, heads = Console(width=width, record=True, file=StringIO()), set()
    for pair, table in tables.items():
        console.print(verb._within(table))
        lines = console.export_text().splitlines()
        assert max(map(len, lines)) <= width
        text = " ".join(lines)
        rows = [change for change in result.regimes if (change.before, change.after) == pair]
        for change in rows:
            assert change.found is not None
            low, high = (f"{100.0 * np.expm1(v):+z.0f}" for v in change.found.interval(change.level))
            assert low in text, "nothing is cut off"
            assert f"{high})" in text
        if width >= 60:
            heads.add(lines[0])
            broken = 0 if width >= 80 else sum(change.regime is Regime.HELD for change in rows)
            assert len(lines) == 1 + len(rows) + broken, "at 60 columns `held rpm at standstill` takes two lines"
            assert ("better" in text) == (width >= 80), "else the interval is the verdict"
    assert len(heads) <= 1, "columns stand under each other"


def test_the_error_told_is_a_share_of_the_models(monkeypatch: pytest.MonkeyPatch) -> None:
    found = [made_piece(k, Regime.GRADE, 0.1 * (k > 2)) for k in range(6)]
    monkeypatch.setattr(change_fit, "change_pieces", lambda *_: (found, []))
    result = compare([made_drive.drive()] * 6, [0, 0, 0, 1, 1, 1], VehicleProfile(), ["before", "after"])
    assert result is not None
    told = result.overall[0].found
    assert told is not None
    pick = _pick(result.fit, (0, 1), ((Regime.GRADE, 1.0),))
    assert told.error == pytest.approx(WIDTH * np.sqrt(pick @ result.fit.covariance @ pick))
    assert told.dof == PRIOR_DOF + 4.0


def test_intervals_hold_about_as_often_as_they_say_on_what_the_model_draws() -> None:
    """No change, drives that differ by sizes of the model's own prior: 92 % of 2,000 held, and 400 tell it to 3 %."""
    rng = np.random.default_rng(1)
    sides = [0] * 5 + [1] * 5
    found = [replace(made_piece(k, Regime.GRADE, 0.0), start_s=300.0 + 600.0 * n) for k in range(10) for n in range(3)]
    found = [replace(piece, slopes=()) for piece in found]
    model = model_of(found, sides, (), [], 2, change_fit.CHANGE_SPREADS)
    pick = np.zeros(model.told)
    pick[model.columns["change 1"]] = 1.0
    pick[model.columns["change 1 by regime"].start + list(Regime).index(Regime.GRADE)] = 1.0
    held = []
    for _ in range(400):
        drawn = model.sized(float(np.exp(change_fit.SIZE_SPREAD * rng.standard_normal())))
        own = drawn.prior[model.told :] * rng.standard_normal(len(model.prior) - model.told)
        target = drawn.design[:, model.told :] @ own + drawn.noise * rng.standard_normal(len(found))
        mean, covariance, _ = change_fit._mixed(replace(model, target=target))
        error = WIDTH * float(np.sqrt(pick @ covariance @ pick))
        low, high = Difference(float(pick @ mean), error, PRIOR_DOF + 8.0).interval()
        held.append(low <= 0.0 <= high)
    assert 0.89 < np.mean(held) < 0.95


def test_three_states_share_the_risk() -> None:
    """Three comparisons of three states: each at 1 - 0.1 / 3, so that all hold together with 90 %."""
    garage = load("sim", "same", 1, 21)[0]
    drives = [*garage.before, *garage.after]
    found = compare(drives, [0, 0, 0, 1, 1, 1, 1, 2, 2, 2], garage.profile, ["before", "after 1", "after 2"])
    assert found is not None
    assert [(c.before, c.after) for c in found.overall] == [(0, 1), (1, 2), (0, 2)]
    assert {round(c.level, 4) for c in found.overall} == {0.9667}
