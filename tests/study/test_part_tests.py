"""The next test is the one that parts what is likely, foreseen from what was driven."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core.vehicle import VehicleProfile
from livemon.study import part_tests
from livemon.study.change_fit import linearised
from livemon.study.form import widened
from livemon.study.part_odds import Weighed, foreseen
from livemon.study.part_pieces import HEALTHY, SOUND, PartPieces, look
from livemon.study.part_tests import TRIALS, as_drive, next_tests, undriven
from livemon.study.segments import Regime
from livemon.study.shed_lanes import PART_WIDER, part_unknowns

WIDE = widened(VehicleProfile(), PART_WIDER)
CLIMB = next(step for trial in TRIALS for step in trial.steps if step.regime is Regime.GRADE)
FAN, CONDENSER = "weak_electric_fan", "clogged_condenser"


@pytest.fixture(scope="module")
def climbs() -> PartPieces:
    """Climbs alone, sound and asked."""
    drives = [as_drive(CLIMB, VehicleProfile()) for _ in range(4)]
    known = linearised(drives, [0, 0, 1, 1], WIDE, part_unknowns(WIDE), 2)
    assert known is not None
    seen = look(drives[:2], drives[2:], known)
    assert seen is not None
    return seen


def weighed(**odds: float) -> Weighed:
    return Weighed({HEALTHY: 0.0, FAN: 0.0, CONDENSER: 0.0, **odds}, {HEALTHY: 0.0, FAN: 1.0, CONDENSER: 1.0})


def test_a_fan_that_may_be_weak_is_looked_for_at_standstill(climbs: PartPieces) -> None:
    assert next_tests(climbs, weighed(healthy=0.5, weak_electric_fan=0.5), WIDE)[0] is TRIALS[0]


def test_nothing_is_asked_where_nothing_is_open(climbs: PartPieces) -> None:
    assert next_tests(climbs, weighed(healthy=1.0), WIDE) == ()


def test_a_second_test_is_asked_for_only_where_it_adds_much(
    climbs: PartPieces, monkeypatch: pytest.MonkeyPatch
) -> None:
    odds = weighed(healthy=0.5, clogged_condenser=0.5)
    monkeypatch.setattr(part_tests, "SECOND", 0.0)
    two = next_tests(climbs, odds, WIDE)
    monkeypatch.setattr(part_tests, "SECOND", 10.0)
    assert len(two) == 2
    assert next_tests(climbs, odds, WIDE) == two[:1]


def test_what_was_driven_on_both_sides_is_foreseen_more_surely(climbs: PartPieces) -> None:
    """The climb that was driven sound and asked, against the level road that never was."""
    more, rows = part_tests._with_trials(climbs, [], WIDE)
    _, covariance = foreseen(more, sum(len(r) for r in rows))[SOUND]
    level, climb = (rows[k] for k in (1, 2))
    assert np.trace(covariance[np.ix_(climb, climb)]) < np.trace(covariance[np.ix_(level, level)])
    assert {p.drive for p in more.pieces[len(climbs.pieces) :]} == {4, 5, 6}


def test_a_sound_vehicle_is_put_to_what_it_never_drove(climbs: PartPieces) -> None:
    assert undriven(climbs.pieces) == TRIALS[:1]
    one = climbs.pieces[0]
    parked = [replace(one, regime=step.regime, ac_on=step.ac_on) for step in TRIALS[0].steps]
    assert undriven([*climbs.pieces, *parked]) == TRIALS[1:2]
    level = [replace(one, regime=step.regime, ac_on=step.ac_on) for step in TRIALS[1].steps]
    assert undriven([*climbs.pieces, *parked, *level]) == ()


def test_two_normals_overlap_as_bhattacharyya_has_it() -> None:
    pick = np.arange(2)
    one = np.zeros(2), np.diag([1.0, 4.0])
    assert part_tests._apart(one, one, pick) == pytest.approx(0.0)
    other = np.array([2.0, 0.0]), one[1]
    assert part_tests._apart(one, other, pick) == pytest.approx(1.0 - np.exp(-0.5))
    wider = one[0], np.diag([9.0, 4.0])
    assert part_tests._apart(one, wider, pick) == pytest.approx(1.0 - np.sqrt(3.0 / 5.0))
