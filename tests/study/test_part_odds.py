"""Pieces under every state of every part, and which state they make likely."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from livemon.core.figures import Figure
from livemon.core.vehicle import VehicleProfile
from livemon.study import part_odds, part_pieces
from livemon.study.change_fit import linearised
from livemon.study.change_pieces import steady_ratios
from livemon.study.form import widened
from livemon.study.part_odds import OTHER, UNKNOWN, foreseen, weigh
from livemon.study.part_pieces import DEGREES, HEALTHY, SOUND, PartPieces, look, suspects_of, weakened
from livemon.study.part_tests import TRIALS, as_drive
from livemon.study.recording import Drive
from livemon.study.segments import Piece, Regime
from livemon.study.shed_lanes import PART_WIDER, lanes_of, part_unknowns

PROFILE = VehicleProfile(typed={"open_c": Figure(82.0, 0.5, "typed"), "full_span_c": Figure(13.0, 0.5, "typed")})
WIDE = widened(PROFILE, PART_WIDER)
EVERY = part_unknowns(WIDE)
STEPS = [step for trial in TRIALS for step in trial.steps]


def made_of(profile: VehicleProfile) -> list[Drive]:
    """Two steady drives of every step whose fuel makes just the heat that `profile` sheds."""
    lane = lanes_of(profile, [0.0] * len(EVERY), EVERY)[:1]
    out = []
    for step in STEPS:
        drive = as_drive(step, profile)
        for _ in range(12):  # the share of heat moves with fuel, so the balance is found step by step
            ratio = float(steady_ratios([drive], lane, profile)[0][0, 0])
            drive = replace(drive, fuel_kw=drive.fuel_kw * np.exp(-ratio))
        out.append(drive)
    return [*out, *out]


@pytest.fixture(scope="module")
def sound() -> list[Drive]:
    return made_of(PROFILE)


def looked(sound: list[Drive], asked: list[Drive]) -> PartPieces | None:
    known = linearised([*sound, *asked], [0] * len(sound) + [1] * len(asked), WIDE, EVERY, 2)
    return None if known is None else look(sound, asked, known)


def seen(sound: list[Drive], asked: list[Drive]) -> PartPieces:
    found = looked(sound, asked)
    assert found is not None
    return found


def test_every_state_has_its_numbers_and_sound_drives_are_sound_in_all(sound: list[Drive]) -> None:
    found = seen(sound, sound)
    n = len(found.pieces)
    assert len(found.patterns) == 1 + len(suspects_of(PROFILE)) * len(DEGREES)
    before = found.asked == 0.0
    for state, pattern in found.patterns.items():
        assert pattern.shape == (n,)
        assert found.slopes[state].shape == (n, len(found.every))
        np.testing.assert_array_equal(pattern[before], 0.0)
        np.testing.assert_array_equal(found.slopes[state][before], found.slopes[SOUND][before])
        # A weak part sheds less; the clutch of a hotter radiator may make good a hair of it.
        assert np.all(pattern >= -0.005)


def test_pieces_of_a_made_vehicle_lie_on_its_own_state(sound: list[Drive]) -> None:
    """Against the figures that were found, less what the radiator of the profile is off by in the sound drives."""
    found = seen(sound, made_of(weakened(PROFILE, "half_blocked_radiator", 1.0)))
    ratio = np.array([p.log_ratio for p in found.pieces])
    asked = found.asked == 1.0
    off = ratio[~asked].mean()
    own = np.abs(ratio + found.patterns["half_blocked_radiator", 1.0] - off)[asked].mean()
    assert own < 0.1
    assert np.abs(ratio - off)[asked].mean() > 4.0 * own


def test_many_drives_are_bounded_on_either_side(monkeypatch: pytest.MonkeyPatch, sound: list[Drive]) -> None:
    """The matrix grows with the square of the pieces, the time with their cube; every drive keeps its share."""
    monkeypatch.setattr(part_pieces, "MOST_SIDE", 15)
    found = seen(sound, sound)
    asked = found.asked == 1.0
    assert max(int(np.sum(asked)), int(np.sum(~asked))) <= 15
    assert len({p.drive for p, a in zip(found.pieces, asked, strict=True) if a}) == len(sound)


def test_no_piece_no_answer() -> None:
    cold = replace(as_drive(STEPS[0], PROFILE), coolant_c=np.full(120, 60.0))
    assert looked([], [cold]) is None


@pytest.mark.parametrize(("part", "degree"), [("half_blocked_radiator", 1.0), ("slipping_fan_clutch", 1.5)])
def test_the_weak_part_is_the_likeliest(sound: list[Drive], part: str, degree: float) -> None:
    found = weigh(seen(sound, made_of(weakened(PROFILE, part, degree))))
    assert max(found.probability, key=lambda s: found.probability[s]) == part
    assert sum(found.probability.values()) == pytest.approx(1.0)
    assert found.degree[part] in {d for d, _ in DEGREES}


def test_a_sound_vehicle_is_likeliest_sound(sound: list[Drive]) -> None:
    found = weigh(seen(sound, sound))
    assert max(found.probability, key=lambda s: found.probability[s]) == HEALTHY


def test_what_no_part_explains_is_something_else(sound: list[Drive]) -> None:
    """A radiator of twice the conductance: no weak part does that, nor what is not known of the vehicle."""
    bigger = Figure(2.0 * PROFILE.figure("radiator_kw_k").likely, 0.1, "typed")
    found = weigh(seen(sound, made_of(replace(PROFILE, typed={**PROFILE.typed, "radiator_kw_k": bigger}))))
    assert max(found.probability, key=lambda s: found.probability[s]) == OTHER


def test_without_sound_drives_nothing_small_is_sure() -> None:
    """A typed vehicle alone: a clogged condenser is within what is not known of it."""
    found = seen([], made_of(weakened(PROFILE, "clogged_condenser", 1.0)))
    assert max(weigh(found).probability.values()) < 0.8


def test_like_for_like_cancels_and_other_conditions_do_not() -> None:
    made = Piece(0, Regime.GRADE, False, 300.0, 2.0, 105.0, 30.0, 60.0, 3000.0, 40.0, 0.53, 0.0, ())
    found = part_odds._missed([made, replace(made, drive=1), replace(made, coolant_c=95.0), replace(made, ac_on=True)])
    assert found[0, 1] == found[0, 0] == part_odds.MISSED**2
    assert found[0, 2] < 0.5 * found[0, 0]
    assert found[0, 3] == pytest.approx(found[0, 0] * np.exp(-0.5))


def density(known: np.ndarray, sized: np.ndarray, target: np.ndarray) -> float:
    """Normal density of scipy, size by size, but for a constant."""
    weight = -0.5 * (np.log(part_odds.SIZES) / part_odds.SIZE_SPREAD) ** 2
    zero = np.zeros(len(target))
    each = [stats.multivariate_normal(zero, known + z * z * sized).logpdf(target) for z in part_odds.SIZES]
    return float(np.logaddexp.reduce(np.array(each) + weight)) + 0.5 * len(target) * float(np.log(2.0 * np.pi))


def test_every_size_at_once_is_the_sum_over_sizes() -> None:
    rng = np.random.default_rng(5)
    root, other = rng.standard_normal((2, 6, 6))
    known, sized, target = root @ root.T, other @ other.T + np.eye(6), rng.standard_normal(6)
    found = part_odds._Sized.of(sized, np.zeros((6, 1))).log_density(known, target)
    assert found == pytest.approx(density(known, sized, target))


def test_a_drive_far_off_in_a_regime_is_let_go_at_its_price() -> None:
    """Rows 0 and 1 are such a drive; at size 1 the stray widens the normal by what it may be off."""
    sized, known = np.eye(6), 0.01 * np.eye(6)
    strays = np.zeros((6, 2))
    strays[:2, 0], strays[2:4, 1] = 12.0, 12.0
    near = np.array([0.5, -0.3, 0.2, 0.4, -0.6, 0.1])
    off = near + np.array([15.0, 15.0, 0.0, 0.0, 0.0, 0.0])
    usual, held = part_odds._Sized.of(sized, 0.0 * strays), part_odds._Sized.of(sized, strays)
    assert held.log_density(known, near) == pytest.approx(usual.log_density(known, near))
    assert held.log_density(known, off) > usual.log_density(known, off) + 5.0
    sides = np.linalg.solve(known + sized, strays)
    assert part_odds._picked(strays.T @ sides, sides.T @ off) == [0]
    priced = np.log(part_odds.STRAY[0]) + density(known + np.outer(strays[:, 0], strays[:, 0]), sized, off)
    assert held.log_density(known, off) == pytest.approx(priced, abs=1.0)


def test_one_drive_far_off_accuses_nobody(sound: list[Drive]) -> None:
    """A fan that, for whatever reason, stood still in one of two idle drives of a sound vehicle."""
    found = seen(sound, sound)
    first = next(p.drive for p, a in zip(found.pieces, found.asked, strict=True) if a and p.regime is Regime.IDLE)
    off = tuple(replace(p, log_ratio=p.log_ratio - 0.6) if p.drive == first else p for p in found.pieces)
    odds = weigh(replace(found, pieces=off)).probability
    assert max(odds, key=lambda s: odds[s]) == HEALTHY


def test_what_is_foreseen_is_the_normal_given_what_was_driven(sound: list[Drive]) -> None:
    """The last pieces of the drives, foreseen from the others: under the true state they lie where they are foreseen,
    and like drives before them have made them surer."""
    found = seen(sound, made_of(weakened(PROFILE, "half_blocked_radiator", 1.0)))
    new = 4
    ratio = np.array([p.log_ratio for p in found.pieces[-new:]])
    away = {}
    for state in (("half_blocked_radiator", 1.0), SOUND, UNKNOWN):
        mean, covariance = foreseen(found, new)[state]
        away[state] = float(np.abs(ratio - mean).mean())
        np.testing.assert_allclose(covariance, covariance.T, atol=1e-9)
        assert np.all(np.linalg.eigvalsh(covariance) > 0.0)
        alone = foreseen(replace_last(found, new), new)[state][1]
        assert np.trace(covariance) <= np.trace(alone)
    assert away["half_blocked_radiator", 1.0] < 0.05


def replace_last(found: PartPieces, new: int) -> PartPieces:
    """Two sound pieces and the last `new`: next to nothing was driven before them."""
    n = len(found.pieces)
    keep = [0, 1, *range(n - new, n)]
    return replace(
        found,
        pieces=tuple(found.pieces[k] for k in keep),
        asked=found.asked[keep],
        patterns={s: p[keep] for s, p in found.patterns.items()},
        slopes={s: p[keep] for s, p in found.slopes.items()},
    )
