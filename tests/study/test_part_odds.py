"""Pieces under every state of every part, and which state they make likely."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core.figures import Figure
from livemon.core.vehicle import VehicleProfile
from livemon.study import segments
from livemon.study.part_odds import OTHER, trial_spread, weigh
from livemon.study.part_pieces import DEGREES, HEALTHY, SOUND, PartPieces, look, suspects_of, weakened
from livemon.study.recording import Drive
from livemon.study.segments import Regime, log_ratios
from livemon.study.shed_lanes import unknowns
from livemon.study.short_part import TRIALS, _as_drive

PROFILE = VehicleProfile(typed={"open_c": Figure(82.0, 0.5, "typed"), "full_span_c": Figure(13.0, 0.5, "typed")})
MIDDLE = [0.0] * len(unknowns(PROFILE))


def made_of(profile: VehicleProfile) -> list[Drive]:
    """Two steady drives of every trial whose fuel makes just the heat that `profile` sheds."""
    out = []
    for trial in TRIALS:
        drive = _as_drive(trial, profile)
        for _ in range(12):  # the share of heat moves with fuel, so the balance is found step by step
            drive = replace(drive, fuel_kw=drive.fuel_kw * np.exp(-log_ratios([drive], profile, MIDDLE, [])[0][0]))
        out.append(drive)
    return [*out, *out]


@pytest.fixture(scope="module")
def sound() -> list[Drive]:
    return made_of(PROFILE)


def seen(sound: list[Drive], asked: list[Drive]) -> PartPieces:
    found = look(sound, asked, PROFILE, MIDDLE)
    assert found is not None
    return found


def test_every_state_has_its_numbers_and_sound_drives_are_sound_in_all(sound: list[Drive]) -> None:
    found = seen(sound, sound)
    n = len(found.drive)
    assert len(found.ratios) == 1 + len(suspects_of(PROFILE)) * len(DEGREES)
    before = found.asked == 0.0
    for state, ratio in found.ratios.items():
        assert ratio.shape == (n,)
        assert found.slopes[state].shape == (n, len(found.every))
        np.testing.assert_array_equal(ratio[before], found.ratios[SOUND][before])
        # A weak part would shed less, so what was shed is more against it.
        assert np.all(ratio[~before] >= found.ratios[SOUND][~before] - 1e-9)


def test_pieces_of_a_made_vehicle_lie_on_its_own_state(sound: list[Drive]) -> None:
    found = seen(sound, made_of(weakened(PROFILE, "low_pump_flow", 1.0)))
    asked = found.asked == 1.0
    own = np.abs(found.ratios["low_pump_flow", 1.0][asked]).max()
    assert own < 0.02
    assert np.abs(found.ratios[SOUND][asked]).max() > 4.0 * own


def test_a_thermostat_at_work_counts_on_the_move_only() -> None:
    """Half open at a steady 80 km/h: a piece of its own kind; the same at standstill tells nothing."""
    level = next(t for t in TRIALS if t.regime is Regime.LEVEL)
    idle = next(t for t in TRIALS if t.regime is Regime.IDLE and not t.ac_on)
    warm = [
        replace(d, coolant_c=0.0 * d.coolant_c + 90.0) for d in (_as_drive(level, PROFILE), _as_drive(idle, PROFILE))
    ]
    found = seen([], warm)
    assert np.all(found.regulated)
    assert set(found.drive.tolist()) == {0}


def test_many_drives_are_bounded_on_either_side(monkeypatch: pytest.MonkeyPatch, sound: list[Drive]) -> None:
    """The matrix grows with the square of the pieces, the time with their cube; every drive keeps its share."""
    monkeypatch.setattr(segments, "MOST_PIECES", 15)
    found = seen(sound, sound)
    asked = found.asked == 1.0
    assert max(int(np.sum(asked)), int(np.sum(~asked))) <= 15
    assert len(set(found.drive[asked].tolist())) == len(sound)


def test_no_piece_no_answer() -> None:
    cold = replace(_as_drive(TRIALS[0], PROFILE), coolant_c=np.full(120, 60.0))
    assert look([], [cold], PROFILE, MIDDLE) is None


@pytest.mark.parametrize("part", ["half_blocked_radiator", "slipping_fan_clutch"])
def test_the_weak_part_is_the_likeliest(sound: list[Drive], part: str) -> None:
    found = weigh(seen(sound, made_of(weakened(PROFILE, part, 1.0))))
    assert max(found.probability, key=lambda s: found.probability[s]) == part
    assert sum(found.probability.values()) == pytest.approx(1.0)
    assert found.degree[part] in {d for d, _ in DEGREES}
    assert np.all(np.abs(found.at) <= 2.5)


def test_a_sound_vehicle_is_likeliest_sound(sound: list[Drive]) -> None:
    found = weigh(seen(sound, sound))
    assert max(found.probability, key=lambda s: found.probability[s]) == HEALTHY


def test_what_no_part_explains_is_something_else(sound: list[Drive]) -> None:
    """Twice the heat shed on the road, and as much as ever at standstill: no weak part does that."""
    odd = [replace(d, fuel_kw=d.fuel_kw * (2.0 if d.speed_kmh[0] > 0.0 else 1.0)) for d in sound]
    found = weigh(seen(sound, odd))
    assert max(found.probability, key=lambda s: found.probability[s]) == OTHER


def test_without_sound_drives_nothing_small_is_sure() -> None:
    """A typed vehicle alone: a clogged condenser is within what is not known of it."""
    found = look([], made_of(weakened(PROFILE, "clogged_condenser", 1.0)), PROFILE, MIDDLE)
    assert found is not None
    assert max(weigh(found).probability.values()) < 0.8


def test_one_more_drive_leaves_more_open_where_it_was_slow() -> None:
    assert trial_spread(Regime.IDLE) > trial_spread(Regime.LEVEL) > 0.05
