"""The rise filter: known ramps through whole degrees, the published exponential rise, coverage, holes."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, floor

import numpy as np
import pytest

from livemon.core import rise
from livemon.core.rise import Rise


def follow(truth: Callable[[float], float], seconds: int, period_s: float = 1.0, seed: int = 1) -> list[Rise]:
    """States at every reading of `truth` [s -> C], rounded to whole degrees with a little jitter."""
    rng = np.random.default_rng(seed)
    states: list[Rise] = []
    for k in range(int(seconds / period_s)):
        t = k * period_s
        reading = float(round(truth(t) + 0.1 * rng.standard_normal()))
        states.append(rise.start(0, reading) if not states else rise.heard(states[-1], int(1000 * t), reading))
    return states


@pytest.mark.parametrize("rate_c_min", [-6.0, -2.0, 0.0, 0.7, 2.0, 5.0])
@pytest.mark.parametrize("period_s", [1.0, 3.0])
def test_a_steady_ramp_is_found(rate_c_min: float, period_s: float) -> None:
    bands = [state.rate_band() for state in follow(lambda t: 90.3 + rate_c_min * t / 60.0, 360, period_s)]
    late = bands[len(bands) // 2 :]  # three minutes: at least two steps of the slowest ramp
    assert np.mean([band.likely for band in late]) == pytest.approx(rate_c_min, abs=0.3)
    assert np.mean([band.low <= rate_c_min <= band.high for band in late]) > 0.7


def test_standing_readings_bound_the_rate() -> None:
    """A minute of the same whole degree says that the rate is under a degree a minute either way."""
    state = rise.start(0, 95.0)
    for k in range(1, 90):
        state = rise.heard(state, 1000 * k, 95.0)
    band = state.rate_band()
    assert abs(band.likely) < 0.2
    assert band.high < 1.0


def test_the_exponential_rise_of_iec_60076_7() -> None:
    """IEEE C57.91 / IEC 60076-7: d(t) = di + (du - di)(1 - exp(-t / tau)); its slope is (du - d) / tau."""
    tau, begin, end = 300.0, 92.0, 112.0
    states = follow(lambda t: begin + (end - begin) * (1.0 - exp(-t / tau)), 600)
    for t in (120, 240, 360, 500):
        slope = 60.0 * (end - begin) / tau * exp(-t / tau)
        assert states[t].rate_band().likely == pytest.approx(slope, abs=0.55), t


def test_the_truth_leaves_the_band_as_often_as_it_says() -> None:
    """Rates that wander like real ones: the 80 % band must hold 70 to 92 % of the time over 20 seeds."""
    inside = total = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        rate, level, truth, rates = 0.0, 92.0, [], []
        for _ in range(600):
            rate = 0.995 * rate + rise.ACCEL_C_S2 * rng.standard_normal()
            level += rate
            truth.append(level)
            rates.append(60.0 * rate)
        states = follow(lambda t, truth=truth: truth[int(t)], 600, seed=seed)
        for k in range(60, 600, 10):
            band = states[k].rate_band()
            inside += band.low <= rates[k] <= band.high
            total += 1
    assert 0.70 <= inside / total <= 0.92, inside / total


def test_cutting_off_instead_of_rounding_changes_the_rate_little() -> None:
    """Floor or round is unknown; the rate must not depend on it."""
    states = [rise.start(0, 90.0)]
    for k in range(1, 300):
        states.append(rise.heard(states[-1], 1000 * k, float(floor(90.0 + 3.0 * k / 60.0))))
    assert states[-1].rate_band().likely == pytest.approx(3.0, abs=0.5)


def test_a_jump_is_a_new_beginning_and_a_hole_widens_the_band() -> None:
    state = follow(lambda t: 90.0 + t / 60.0, 200)[-1]
    jumped = rise.heard(state, state.t_ms + 1000, 140.0)
    assert (jumped.level_c, jumped.rate_c_s) == (140.0, 0.0)
    later = rise.ahead(state, state.t_ms + 60_000)
    assert later.p_rr > state.p_rr
    assert rise.ahead(state, state.t_ms - 5) == state


def test_repeated_and_backward_times_are_harmless() -> None:
    state = follow(lambda t: 90.0, 60)[-1]
    again = rise.heard(rise.heard(state, state.t_ms, 90.0), state.t_ms - 5000, 90.0)
    assert again.level_c == pytest.approx(state.level_c, abs=0.2)
