"""A fan that is off its ramp: the same at the same coolant, another elsewhere, and nothing where no fan matters."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.study.fan_map import CLUTCH, COOLANT_K, ELECTRIC, fan_map
from livemon.study.segments import Piece, Regime
from livemon.study.shed_lanes import Unknown

PIECE = Piece(0, Regime.IDLE, True, 300.0, 2.0, 98.0, 30.0, 0.0, 700.0, 8.0, 0.12, 0.0, (0.0,))
PIECES = [PIECE, replace(PIECE, drive=5), replace(PIECE, coolant_c=98.0 + COOLANT_K), replace(PIECE, ac_on=False)]


def test_like_for_like_cancels_and_a_hotter_side_does_not() -> None:
    """Slope 0.5 of the log ratio for a fan whose speed is unknown by a half [log]: 0.25 x 0.5 / 0.5."""
    electric = [Unknown("headwind", own=True), Unknown("electric_m_s", ratio=0.5)]
    slopes = np.column_stack([np.ones(4), np.full(4, -0.5)])
    found = fan_map(PIECES, electric, slopes)
    assert np.diag(found) == pytest.approx(np.full(4, ELECTRIC**2))

    def left(a: int, b: int) -> float:
        return float(found[a, a] + found[b, b] - 2.0 * found[a, b])

    assert left(0, 1) == pytest.approx(0.0)
    assert left(0, 2) == pytest.approx(2.0 * ELECTRIC**2 * (1.0 - np.exp(-0.5)))
    assert left(0, 3) == pytest.approx(left(0, 2))


def test_a_figure_that_is_better_known_leaves_the_map_as_unknown() -> None:
    """Half the spread of the figure halves the slope per standard deviation, and changes nothing."""
    wide = fan_map(PIECES, [Unknown("fan_m_s_krpm", ratio=0.6)], np.full((4, 1), 0.3))
    narrow = fan_map(PIECES, [Unknown("fan_m_s_krpm", ratio=0.3)], np.full((4, 1), 0.15))
    assert wide == pytest.approx(narrow)
    assert wide[0, 0] == pytest.approx((CLUTCH * 0.5) ** 2)
    assert wide[0, 3] == pytest.approx(wide[0, 0])  # a clutch does not ask for the A/C


def test_where_no_fan_moves_the_ratio_nothing_is_unknown() -> None:
    assert fan_map(PIECES, [Unknown("ram_share")], np.ones((4, 1))) == pytest.approx(np.zeros((4, 4)))
    assert fan_map(PIECES, [Unknown("electric_m_s")], np.zeros((4, 1))) == pytest.approx(np.zeros((4, 4)))
