"""The tests that `short_part` asks for, driven by the owner of a made-up garage: hot first, then the test.

He watches the gauge: the climb that warms the engine is as long as it takes to get it hot and no longer, and the test
ends where the engine gets too hot.  All owners who are asked in one round drive side by side.  Weather, load and manner
are drawn anew for every drive.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from livemon.study.change_pieces import change_pieces
from livemon.study.part_tests import TRIALS, Trial, was_driven
from livemon.study.recording import Drive
from livemon.study.segments import Regime
from livemon.study.shed_lanes import unknowns
from tests.bench.forecast.roads import wander
from tests.bench.garages import columns, trips
from tests.bench.garages.garages import PLANTS, Garage, _typed_c, world

_CLIMBS_MIN = (0.0, 3.0, 6.0, 10.0)
"""Lengths of the warming climb, of which the owner drives the one that brings the engine nearest to HOT_C."""
HOT_C = 8.0
"""Over the full-open thermostat, as the profile has it."""
END_C = 118.0
_KIND = {Regime.IDLE: "stand", Regime.HELD: "held", Regime.LEVEL: "level", Regime.GRADE: "climb"}
_FIRST_KEY = 100
"""Keys of a garage's own drives are below it."""


@dataclass(frozen=True)
class Ask:
    """One garage and a test it was asked for, one of its round; `sound` = on the vehicle before the change."""

    garage: Garage
    seed: int
    trial: Trial
    round: int
    place: int
    sound: bool


def asked_for(words: str | None) -> list[Trial]:
    """The trials behind the words of a diagnosis."""
    return [t for t in TRIALS if words is not None and t.words in words]


def prepared(garage: Garage, seed: int) -> list[Ask]:
    """Every test once while the vehicle was sound, as an owner does who was told to."""
    return [Ask(garage, seed, trial, 0, place, True) for place, trial in enumerate(TRIALS)]


def lacks(drives: Sequence[Drive], garage: Garage, trial: Trial) -> bool:
    """None of these drives has a piece like one of the trial's steps, hot and with the thermostat open."""
    profile = garage.profile
    every = unknowns(profile)
    pieces, _ = change_pieces(drives, profile, every, [0.0] * len(every))
    return not was_driven(trial, pieces)


def driven(asks: Sequence[Ask]) -> list[Drive]:
    """The recorded drive of every ask, all of one plant, in the same order."""
    lanes, roads, keys, worlds = [], [], [], []
    for ask in asks:
        of = ask.garage
        _, it = world(of.plant, of.kind, of.number, ask.seed)
        key = (*it.tag, _FIRST_KEY + 2 * (len(TRIALS) * ask.round + ask.place) + ask.sound)
        for climb_min in _CLIMBS_MIN:
            lanes.append(it.sound if ask.sound else it.after)
            roads.append(
                _trip(np.random.default_rng((*key, 7)), it.seasons_c[0 if ask.sound else 1], ask.trial, climb_min)
            )
            keys.append(key)
        worlds.append(it)
    if not asks:
        return []
    readings = PLANTS[asks[0].garage.plant].drive(lanes, roads, keys)
    out = []
    for k, (ask, it) in enumerate(zip(asks, worlds, strict=True)):
        mine = range(k * len(_CLIMBS_MIN), (k + 1) * len(_CLIMBS_MIN))
        test_s = sum(int(60 * step.minutes) for step in ask.trial.steps)
        hot_c = float(it.profile.cooling().full_c) + HOT_C
        near = min(mine, key=lambda j: abs(readings[j]["coolant_c"][roads[j].seconds - test_s] - hot_c))
        told, road = readings[near], roads[near]
        too_hot = np.flatnonzero(told["coolant_c"][road.seconds - test_s :] > END_C)
        end = road.seconds - test_s + int(too_hot[0]) if too_hot.size else road.seconds
        told = {name: values[:end] for name, values in told.items()}
        typed = _typed_c(road, keys[near])
        out.append(columns.drive("test", told, road.ac[:end], it.profile, True, True, typed))
    return out


def _trip(rng: np.random.Generator, season_c: float, trial: Trial, climb_min: float) -> trips.Trip:
    u = rng.uniform
    outside_c = season_c + 4.0 * float(rng.standard_normal())
    way_there = float(rng.random() < 0.5)
    # Kind, km/h, minutes, A/C.
    phases = [("level", 80.0, 5.0, way_there), ("climb", 60.0, climb_min, way_there)]
    phases += [(_KIND[step.regime], step.speed_kmh, step.minutes, float(step.ac_on)) for step in trial.steps]
    grade = np.zeros(trips.POINTS)
    wish, held, ac = [], [], []
    at = 0
    for kind, kmh, minutes, ac_on in phases:
        n = int(60 * minutes)
        path, hold = np.zeros(n), np.zeros(n)
        if kmh > 0.0:
            speed = kmh * u(0.95, 1.05)
            path = speed * (1.0 + 0.03 * wander(rng, n, 40.0))
            points = min(int(speed / 3.6 * n / trips.STEP_M), trips.POINTS - at)
            slope = u(-0.003, 0.005) if kind == "level" else u(0.05, 0.07)
            grade[at : at + points] = slope + 0.006 * wander(rng, points, 20.0)
            at += points
        elif kind == "held":
            hold[10:] = trips.HELD_RPM * (1.0 + 0.03 * rng.standard_normal())
        wish.append(path)
        held.append(hold)
        ac.append(np.full(n, ac_on))
    return trips.Trip(
        sum(len(w) for w in wish),
        grade,
        np.maximum(np.concatenate(wish), 0.0),
        np.concatenate(held),
        np.concatenate(ac),
        outside_c,
        u(0.004, 0.009),
        u(0.0, 1200.0),
        trips.WIND_KMH * float(rng.standard_normal()),
        float(rng.choice([0.0, 150.0, 350.0])) * u(0.5, 1.0),
    )
