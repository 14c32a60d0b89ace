"""Routes: distances against geographiclib, cleaning, matching on a switchback."""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from livemon.core.route import build, match, step_lengths_m

RNG = np.random.default_rng(20261125)


@pytest.mark.parametrize("latitude", [-60.0, -33.0, 0.0, 24.0, 47.0, 70.0])
def test_distances_agree_with_the_geodesic(latitude: float) -> None:
    """Source: geographiclib (Karney 2013), WGS 84."""
    for _ in range(20):
        lat = latitude + RNG.uniform(-0.03, 0.03, 2)
        lon = 179.99 + RNG.uniform(-0.03, 0.03, 2)
        exact = Geodesic.WGS84.Inverse(lat[0], lon[0], lat[1], lon[1])["s12"]
        assert step_lengths_m(lat, lon)[0] == pytest.approx(exact, rel=1e-5, abs=1e-3)


def test_a_constant_grade_stays_constant_to_the_ends() -> None:
    distance = np.arange(0.0, 20_001.0, 20.0)
    route = build("ramp", distance, 300.0 + 0.06 * distance)
    assert route.grade_pct == pytest.approx(6.0, abs=0.01)
    assert route.length_m == 20_000.0
    assert route.spikes == 0


def test_spikes_are_bridged_and_counted() -> None:
    distance = np.arange(0.0, 10_001.0, 25.0)
    height = 500.0 + 0.05 * distance
    height[[40, 200, 333]] += [300.0, -250.0, 90.0]
    route = build("spiky", distance, height)
    assert route.spikes == 3
    assert route.grade_pct == pytest.approx(5.0, abs=0.05)


def test_map_noise_does_not_make_walls() -> None:
    distance = np.arange(0.0, 20_001.0, 15.0)
    route = build("noisy", distance, 200.0 + 0.05 * distance + RNG.normal(0.0, 1.5, len(distance)))
    assert np.max(np.abs(route.grade_pct - 5.0)) < 3.0


def test_missing_heights_are_bridged() -> None:
    distance = np.arange(0.0, 5_001.0, 50.0)
    height = 0.04 * distance
    height[20:60] = np.nan
    assert build("holes", distance, height).grade_pct == pytest.approx(4.0, abs=0.01)


def test_too_little_is_refused_with_words() -> None:
    with pytest.raises(ValueError, match="at least two places with heights"):
        build("dot", np.array([0.0, 0.0, 0.0]), np.array([1.0, 2.0, 3.0]))


def _switchback() -> tuple[np.ndarray, np.ndarray]:
    """Two arms 80 m apart: up to the east, then back to the west above it."""
    east = np.linspace(0.0, 0.02, 60)
    lat = np.concatenate([np.full(60, 45.0), np.full(60, 45.0 + 80 / 111_132)])
    return lat, np.concatenate([east, east[::-1]])


def test_matching_near_the_last_place_keeps_to_the_right_arm() -> None:
    lat, lon = _switchback()
    distance = np.concatenate([[0.0], np.cumsum(step_lengths_m(lat, lon))])
    route = build("switchback", distance, 0.07 * distance, lat, lon)
    off = 45.0 + 45 / 111_132  # a fix with 45 m of error, nearer to the upper arm
    low = match(route, off, 0.002, near_m=150.0)
    assert low is not None
    anywhere = match(route, 45.0, 0.01, near_m=None)
    assert anywhere is not None
    assert anywhere[0] == pytest.approx(0.01 / 0.02 * distance[59], abs=30.0)
    assert anywhere[1] < 1.0


def test_far_away_is_told() -> None:
    lat, lon = _switchback()
    distance = np.concatenate([[0.0], np.cumsum(step_lengths_m(lat, lon))])
    route = build("switchback", distance, 0.07 * distance, lat, lon)
    found = match(route, 45.1, 0.01, near_m=None)
    assert found is not None
    assert found[1] > 10_000.0


def test_summit_is_the_highest_place_still_ahead() -> None:
    distance = np.arange(0.0, 10_001.0, 50.0)
    route = build("pass", distance, 1000.0 - np.abs(distance - 6000.0) * 0.05)
    at, height = route.summit_after(1000.0)
    assert at == pytest.approx(6000.0, abs=60.0)
    assert height == pytest.approx(1000.0, abs=5.0)
    assert route.summit_after(8000.0)[0] == pytest.approx(8000.0, abs=60.0)
