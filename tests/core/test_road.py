"""Grade, height, climb and place: with GPS, with the barometer only, with a route, with nothing."""

from __future__ import annotations

from itertools import pairwise

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
    clean = gps(3, 1.0)
    views = drive(level, altitude_m=lambda k, h: clean(k, h) + (400.0 if k >= 300 else 0.0))
    assert not any(v.climb is not None and v.climb.on for v in views)
    assert views[-1].altitude_m.likely == pytest.approx(700.0, abs=20.0)


def test_a_frozen_receiver_is_not_believed() -> None:
    views = drive(CLIMB, altitude_m=300.0, latitude_deg=45.0, longitude_deg=7.0)
    assert not views[800].climb.on
    width = views[800].grade_pct.high - views[800].grade_pct.low
    assert width > 5.0


def kpa(k: int, height: float) -> float:
    """The barometer in whole kPa, 1.2 kPa off for the weather."""
    return float(round(float(standard_pressure_kpa(height)) - 1.2))


def test_a_receiver_that_holds_its_height_leaves_the_climb_to_the_barometer() -> None:
    """Position moves, height stands at one figure: a fix in two dimensions."""
    where = {"latitude_deg": lambda k, h: 45.0 + 1e-4 * k, "longitude_deg": 7.0}
    views = drive(CLIMB, altitude_m=300.0, baro_kpa=kpa, **where)
    assert views[880].climb is not None
    assert views[880].climb.on
    assert views[880].climb.gained_m == pytest.approx(700.0, abs=60.0)


@pytest.mark.parametrize("barometer", [True, False])
@pytest.mark.parametrize("from_s", [100, 500])
def test_a_receiver_that_starts_cold_makes_no_climb_of_its_first_height(barometer: bool, from_s: int) -> None:
    """Before it the height is one of its own, from the barometer or from the engine's work; its datum is no climb."""
    demand = np.gradient(CLIMB) / SPEED_MS * 100.0
    clean, state, views = gps(4), start(), []
    for k, height in enumerate(CLIMB):
        told = {
            "altitude_m": clean(k, height) if k >= from_s else None,
            "baro_kpa": kpa(k, height) if barometer else None,
        }
        inputs = Inputs(k * 1000, Status.LIVE, speed_kmh=SPEED_MS * 3.6, **told)  # type: ignore[arg-type]
        state, view = advance(state, inputs, None, float(demand[k]))
        views.append(view)
    assert not any(view.climb is not None and view.climb.on for view in views[:300])
    on = [view.climb is not None and view.climb.on for view in views]
    assert sum(a != b for a, b in pairwise(on)) == 2, "one climb, not cut in two where the receiver comes"
    assert views[890].climb is not None
    assert views[890].climb.gained_m == pytest.approx(710.0, abs=50.0)


@pytest.mark.parametrize("barometer", [True, False])
def test_a_tunnel_ends_no_climb(barometer: bool) -> None:
    """Grade holds while nothing tells it; the height put right behind a tunnel that was less steep is no summit."""
    track = heights([(300, 0.0), (300, 7.0), (200, 1.5), (200, 7.0), (200, -5.0)])
    clean = gps(5)
    views = drive(
        track,
        altitude_m=lambda k, h: None if 600 <= k < 800 else clean(k, h),
        baro_kpa=kpa if barometer else None,
    )
    on = [view.climb is not None and view.climb.on for view in views]
    assert sum(a != b for a, b in pairwise(on)) == 2
    assert views[990].climb is not None
    assert views[990].climb.gained_m == pytest.approx(760.0, abs=40.0)


def test_a_pressure_that_stands_ends_what_was_reckoned_on() -> None:
    """Past a summit the last grade is not carried on for longer than one step of the barometer, 90 m."""
    views = drive(CLIMB, baro_kpa=kpa)
    most = max(view.climb.gained_m for view in views if view.climb is not None)
    assert most == pytest.approx(720.0, abs=60.0)
    assert views[-1].climb is not None
    assert views[-1].climb.passed


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
