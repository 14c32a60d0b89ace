"""What the dash needle showed on a drive, and what it hid."""

from __future__ import annotations

import numpy as np
import pytest

from livemon.core.needle import Needle
from livemon.study.needle import look

TRADE = Needle(((50.0, 0.0), (80.0, 0.5), (99.0, 0.5), (113.0, 0.625), (119.0, 0.75), (121.0, 1.0)))
"""Of one family of vehicles (common practice, no source): centre 99 C, next mark 113, next 119, the end by 121; damped
flat below the centre and marks an eighth apart are assumed."""


def seen(coolant_c: list[float], limit_c: float = 101.0, needle: Needle = TRADE):  # type: ignore[no-untyped-def]  # a test
    t_s = 5.0 * np.arange(len(coolant_c))
    return look(t_s, np.array(coolant_c), limit_c, needle, 5.0)


def test_a_needle_that_hides_the_crossing() -> None:
    """90 C for long, then 102 C: over a limit of 101, but 2.7 % of the sweep is less than the eye sees."""
    found = seen([90.0] * 100 + [102.0] * 12)
    assert found.usual == 0.5
    assert found.crossed_at_s == 500.0
    assert found.moved_at_s is None
    assert found.hidden_s == 60.0


def test_a_needle_that_moves_late() -> None:
    """By hand: 104 C stands at 0.5 + 5/14 x 0.125 = 0.5446, the first visible place (over 0.54)."""
    found = seen([90.0] * 100 + [101.0, 102.0, 103.0, 104.0, 105.0])
    assert (found.crossed_at_s, found.moved_at_s, found.hidden_s) == (500.0, 515.0, 15.0)
    assert found.at_peak == pytest.approx(0.5 + 6 / 14 * 0.125)


def test_an_honest_needle_moves_before_the_limit() -> None:
    even = Needle(((50.0, 0.0), (130.0, 1.0)))
    found = seen([90.0] * 100 + [94.0, 98.0, 102.0], needle=even)
    assert found.moved_at_s is not None
    assert found.crossed_at_s is not None
    assert found.moved_at_s < found.crossed_at_s
    assert found.hidden_s == 0.0


def test_cold_unknown_and_empty() -> None:
    cold = seen([20.0, 30.0, 40.0])
    assert (cold.usual, cold.moved_at_s, cold.hidden_s) == (None, None, 0.0)
    unknown = seen([float("nan")] * 3)
    assert (unknown.usual, unknown.at_peak, unknown.crossed_at_s) == (None, None, None)
    assert seen([]).at_peak is None
