"""Which part is short: patterns by the physics, a made-up fault named, and nothing said where nothing can be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core.figures import Figure
from livemon.core.vehicle import PARTS, VehicleProfile
from livemon.study.change_pieces import steady_ratios
from livemon.study.part_odds import OTHER
from livemon.study.part_pieces import HEALTHY, SUSPECTS, weakened
from livemon.study.part_tests import TRIALS, as_drive
from livemon.study.recording import STEP_S, Drive
from livemon.study.shed_lanes import lanes_of, part_unknowns
from livemon.study.short_part import diagnose, request, words_of
from tests.bench.garages.garages import Garage, world
from tests.bench.garages.rounds import END_C, Ask, asked_for, driven, lacks, prepared

PROFILE = VehicleProfile()
EVERY = part_unknowns(PROFILE)
STEPS = [step for trial in TRIALS for step in trial.steps]


def patterns(part: str) -> dict[str, float]:
    """Log change of the heat shed in every step of a trial when the part is weak."""
    lanes = lanes_of(PROFILE, [0.0] * len(EVERY), EVERY, [weakened(PROFILE, part, 1.0)])
    ratios, _ = steady_ratios([as_drive(step, PROFILE) for step in STEPS], lanes, PROFILE)
    return {
        s.regime.value + (" A/C" if s.ac_on else ""): float(r[0] - r[-1]) for s, r in zip(STEPS, ratios, strict=True)
    }


def test_patterns_follow_the_trade() -> None:
    """Common practice, no source: a weak fan is hot at idle and recovers with road speed; a blocked radiator is short
    everywhere; a slipping clutch is worst where the engine should drive the fan hardest at standstill."""
    fan, clutch = patterns("weak_electric_fan"), patterns("slipping_fan_clutch")
    radiator = patterns("half_blocked_radiator")
    assert fan["idle and crawl"] < -0.10
    assert fan["idle and crawl"] < fan["level speed"] < 0.0
    assert clutch["held rpm at standstill"] < clutch["idle and crawl"]
    assert clutch["held rpm at standstill"] < clutch["level speed"]
    assert all(value < -0.3 for value in radiator.values())


def test_low_pump_flow_is_felt_at_low_rpm_and_least_where_little_is_shed() -> None:
    """Coolant films are a fifth of the resistance (Webb & Trauger 1991: 0.8 or more on the air side)."""
    assert all(-0.5 < value < 0.0 for value in patterns("low_pump_flow").values())


def test_a_degree_is_a_power_of_the_factor() -> None:
    for part in SUSPECTS:
        figure = PARTS[part].figure
        assert weakened(PROFILE, part, 0.5).figure(figure).likely == pytest.approx(PARTS[part].factor ** 0.5)


def test_too_little_says_so() -> None:
    flat = np.ones(200)
    cool = Drive("cool", STEP_S * np.arange(200), 85.0 * flat, 60.0 * flat, 2000.0 * flat, 80.0 * flat, 20.0 * flat,
                 95.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat)  # fmt: skip
    for drives in ([], [cool]):
        found = diagnose(drives, PROFILE)
        assert found.state is None
        assert found.strength == "none"
        assert "minutes" in found.words
        assert len(found.missing) == 4


def made_of(profile: VehicleProfile) -> list[Drive]:
    """Steady drives in every step whose fuel makes just the heat that `profile` sheds: a vehicle of that state."""
    every = part_unknowns(profile)
    lane = lanes_of(profile, [0.0] * len(every), every)[:1]
    out = []
    for step in STEPS:
        drive = as_drive(step, profile)
        for _ in range(12):  # the share of heat moves with fuel, so the balance is found step by step
            ratio = float(steady_ratios([drive], lane, profile)[0][0, 0])
            drive = replace(drive, fuel_kw=drive.fuel_kw * np.exp(-ratio))
        out.append(drive)
    return out


def test_a_known_fault_is_named_and_a_sound_vehicle_is_not_accused() -> None:
    """The made vehicle is known: five steady tests sound, and the same five with one part weak."""
    known = VehicleProfile(
        typed={name: Figure(PROFILE.figure(name).likely, 0.02, "typed") for name in ("electric_on_c", "open_c")}
    )
    sound = made_of(known)
    weak = made_of(weakened(known, "half_blocked_radiator", 1.0))
    found = diagnose(weak, known, sound)
    assert found.odds[0].state == "half_blocked_radiator"
    assert found.state in ("half_blocked_radiator", None)
    again = diagnose(sound, known, sound)
    assert again.state in (HEALTHY, None)
    assert sum(o.probability for o in found.odds) == pytest.approx(1.0)
    for line in found.evidence:
        assert line.low_pct < line.shed_pct < line.high_pct < 0.0


def test_absent_fans_are_not_suspected() -> None:
    none = VehicleProfile(typed={"electric_m_s": Figure(0.0, 0.0, "typed")})
    found = diagnose(made_of(none), none)
    assert "weak_electric_fan" not in {o.state for o in found.odds}


def test_every_state_has_words() -> None:
    assert all(words_of(s) for s in (*SUSPECTS, HEALTHY, OTHER))


def test_the_next_test_is_one_that_can_be_driven_and_brings_what_was_lacking() -> None:
    """The words lead back to the trials; driven by the garage's owner, each has a hot piece of every step."""
    it = world("plant2", "one_fault", 3, 3)[1]
    garage = Garage("plant2", "one_fault", 3, it.state, it.factor, it.profile, (), (), (), ())
    assert asked_for(request(TRIALS[:2])) == list(TRIALS[:2])
    assert asked_for(request(TRIALS[2:])) == list(TRIALS[2:])
    assert request(()) is None
    assert asked_for(None) == []
    trial = TRIALS[0]
    assert lacks([], garage, trial)
    told = driven([Ask(garage, 3, trial, 1, 0, sound=False)])
    assert not lacks(told, garage, trial)
    assert float(np.nanmax(told[0].coolant_c)) <= END_C + 1.0
    assert [ask.trial for ask in prepared(garage, 3)] == list(TRIALS)


def test_what_cannot_be_told_names_a_next_test() -> None:
    """A typed vehicle with a lightly clogged condenser and nothing recorded while it was sound."""
    found = diagnose(made_of(weakened(PROFILE, "clogged_condenser", 1.0)), PROFILE)
    assert found.state is None
    assert found.words.startswith("cannot tell")
    assert 1 <= len(asked_for(found.next_test)) <= 2
