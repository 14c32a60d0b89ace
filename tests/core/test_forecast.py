"""The chance of a line never says more than the bands leave room for, where it falls or the line is far."""

from __future__ import annotations

import numpy as np
import pytest

from livemon.core import forecast
from livemon.core.ahead import HORIZONS
from livemon.core.outcome import HORIZONS_S

FALLING = [(86.0, 96.0, 101.0), (84.0, 99.0, 104.0), (86.0, 102.0, 119.0)]


def most(now_c: float, bands: list[tuple[float, float, float]], line_c: float = 108.0) -> list[float]:
    rows = [np.array([band]) for band in bands]
    return [float(p) for p in forecast.most_chance(np.array([now_c]), rows, np.array([line_c]))[0]]


def test_just_under_the_limit_and_falling_it_is_not_likely_to_come_back_at_once() -> None:
    chance = dict(zip(HORIZONS, most(107.0, FALLING), strict=True))
    assert chance[60] == chance[120] == pytest.approx(0.011, abs=1e-3)
    assert chance[180] == chance[300] == pytest.approx(0.039, abs=1e-3)
    assert chance[600] == chance[900] == pytest.approx(0.633, abs=1e-3)


def test_far_under_the_limit_the_bands_decide() -> None:
    """Down a long pass with the thermostat shut: 64 C, hardly 78 C in ten minutes, yet 0.4 to reach 108 C."""
    down = [(64.0, 64.0, 76.0), (65.0, 67.0, 84.0), (63.0, 68.0, 78.0)]
    assert max(most(64.0, down)) < 0.02
    assert most(84.0, [(90.0, 104.0, 112.0)] * len(HORIZONS_S)) == [1.0] * len(HORIZONS), "24 K: not far"


def test_on_the_way_up_and_over_the_line_nothing_is_taken_from_a_chance() -> None:
    rising = [(104.0, 106.0, 107.0)] * len(HORIZONS_S)
    assert most(104.0, rising) == [1.0] * len(HORIZONS)
    assert most(108.0, FALLING) == [1.0] * len(HORIZONS)


def test_it_never_falls_with_the_horizon_and_is_a_chance() -> None:
    random = np.random.default_rng(5)
    for _ in range(200):
        likely = random.uniform(60.0, 125.0, len(HORIZONS_S))
        bands = [(x - 5.0, x, x + random.uniform(0.1, 27.0)) for x in likely]
        chance = most(float(random.uniform(60.0, 107.9)), bands)
        assert chance == sorted(chance)
        assert all(0.0 <= p <= 1.0 for p in chance)
