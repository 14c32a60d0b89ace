"""Grade, height, climb and place: with GPS, with the barometer only, with a route, with nothing."""

from __future__ import annotations

import numpy as np
import pytest

from livemon.core.air import standard_pressure_kpa
from livemon.core.outcome import Status
from livemon.core.road import RoadView, advance, start
from livemon.core.route import Route, build
from livemon.core.signals import Inputs

SPEED_MS = 20.0


def heights(grades_pct: list[tuple[int, float]]) -> np.ndarray:
    """Height [m] at each second for (seconds, grade) pieces, from 300 m on."""
    rises = [g / 100.0 * SPEED_MS for seconds, g in grades_pct for _ in range(seconds)]
    return 300.0 + np.cumsum(rises)


def drive(track: np.ndarray, route: Route | None = None, at_start: bool = False, **signals: object) -> list[RoadView]:
    """Views of every second; each of `signals` is a function of (second, height) or a constant."""
    state = start(route, at_start)
    views = []
    for k, height in enumerate(track):
        told = {name: value(k, height) if callable(value) else value for name, value in signals.items()}
        inputs = Inputs(k * 1000, Status.LIVE, **{"speed_kmh": SPEED_MS * 3.6, **told})  # type: ignore[arg-type]
        state, view = advance(state, inputs, route)
        views.append(view)
    return views


CLIMB = heights([(300, 0.0), (600, 6.0), (200, -5.0)])


def gps(seed: int, sigma_m: float = 4.0):
    errors = np.random.default_rng(seed).normal(0.0, sigma_m, 5000)
    return lambda k, height: float(height + errors[k])


def test_with_gps_the_grade_is_found_within_its_band() -> None:
    views = drive(CLIMB, altitude_m=gps(1))
    truth = np.gradient(CLIMB) / SPEED_MS * 100.0
    inside = [
        v.grade_pct.low <= truth[k] <= v.grade_pct.high
        for k, v in enumerate(views)
        if k > 60 and v.grade_pct is not None and v.grade_pct.low is not None and v.grade_pct.high is not None
    ]
    assert np.mean(inside) > 0.75
    assert views[700].grade_pct.likely == pytest.approx(6.0, abs=1.0)


def test_climb_has_foot_gain_minutes_and_ends_at_the_summit() -> None:
    views = drive(CLIMB, altitude_m=gps(2))
    assert not views[250].climb.on
    assert views[600].climb.on
    assert views[880].climb.gained_m == pytest.approx(696.0, abs=25.0)
    assert views[880].climb.minutes == pytest.approx(9.7, abs=1.0)
    assert views[880].climb is not None
    assert views[880].climb.average_grade_pct == pytest.approx(6.0, abs=0.7)
    assert not views[-1].climb.on
    assert views[-1].climb is not None
    assert views[-1].climb.passed


def test_the_barometer_alone_finds_the_climb() -> None:
    """1 kPa steps are about 90 m (ISO 2533)."""
    views = drive(CLIMB, baro_kpa=lambda k, h: float(round(standard_pressure_kpa(h))))
    assert views[890].climb.on
    assert views[890].climb.gained_m == pytest.approx(710.0, abs=120.0)


def test_nothing_known_is_nothing_said() -> None:
    view = drive(CLIMB)[-1]
    assert view == RoadView()


def test_one_jump_of_the_receiver_makes_no_climb() -> None:
    level = heights([(600, 0.0)])
    clean = gps(3)
    views = drive(level, altitude_m=lambda k, h: clean(k, h) + (400.0 if 300 <= k < 310 else 0.0))
    assert not any(v.climb is not None and v.climb.on for v in views)


def test_a_lasting_jump_is_a_new_height_and_still_no_climb() -> None:
    level = heights([(600, 0.0)])
    views = drive(level, altitude_m=lambda k, h: h + (400.0 if k >= 300 else 0.0))
    assert not any(v.climb is not None and v.climb.on for v in views)
    assert views[-1].altitude_m.likely == pytest.approx(700.0, abs=20.0)


def test_a_frozen_receiver_is_not_believed() -> None:
    views = drive(CLIMB, altitude_m=300.0, latitude_deg=45.0, longitude_deg=7.0)
    assert not views[800].climb.on
    width = views[800].grade_pct.high - views[800].grade_pct.low
    assert width > 5.0


def _pass_route() -> Route:
    distance = np.arange(0.0, 30_001.0, 50.0)
    height = 300.0 + np.interp(distance, [0, 6000, 18_000, 30_000], [0, 0, 720, 400])
    return build("made-up pass", distance, height)


def test_distance_from_a_start_mark_gives_place_grade_and_to_go() -> None:
    route = _pass_route()
    views = drive(np.full(700, 300.0), route, at_start=True)
    here = views[-1]
    assert here.along_m == pytest.approx(14_000.0, abs=50.0)
    assert here.grade_pct.likely == pytest.approx(6.0, abs=0.3)
    assert here.climb.to_go_km == pytest.approx(4.0, abs=0.1)
    assert here.climb.to_go_m == pytest.approx(240.0, abs=15.0)
    assert here.along_sigma_m == pytest.approx(0.02 * 14_000.0, rel=0.05)


def test_off_the_route_is_seen_and_back_on_it_too() -> None:
    lat = 45.0 + np.arange(0.0, 30_001.0, 50.0) / 111_132.0
    distance = np.arange(0.0, 30_001.0, 50.0)
    route = build("north", distance, 300.0 + 0.02 * distance, lat, np.full(len(lat), 7.0))
    views = drive(
        np.full(600, 300.0),
        route,
        latitude_deg=lambda k, h: 45.0 + k * SPEED_MS / 111_132.0,
        longitude_deg=lambda k, h: 7.02 if 200 <= k < 400 else 7.0,
    )
    assert views[150].on_route
    assert views[150].along_m == pytest.approx(3000.0, abs=60.0)
    assert not views[300].on_route
    assert views[300].ahead is None
    assert views[450].on_route
