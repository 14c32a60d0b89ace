"""The dial of a dash needle: place by temperature, back again, and the widest span it hides."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.core.needle import Needle, coldest_c, hidden_c, hottest_c, place

TRADE = Needle(((50.0, 0.0), (99.0, 0.5), (113.0, 0.625), (119.0, 0.75), (121.0, 1.0)))
"""Of one family of vehicles (common practice, no source): the centre mark is 99 C true, the next mark 113, the next
119, then it leaps to the end by 121.  Marks an eighth of the sweep apart are assumed."""


@pytest.mark.parametrize(
    ("temperature_c", "at"), [(20, 0.0), (50, 0.0), (65, 0.25), (80, 0.5), (116, 0.66), (126, 1.0), (150, 1.0)]
)
def test_place(temperature_c: float, at: float) -> None:
    """By hand from the points (50, 0) (80, 0.5) (112, 0.52) (120, 0.8) (126, 1)."""
    assert place(temperature_c, Needle()) == pytest.approx(at)


def test_trade_facts() -> None:
    """One mark over the centre is 14 K already, and the last quarter of the sweep goes by in 2 K."""
    one_mark = Needle(TRADE.points, 0.125)
    low, high = hidden_c(Needle(TRADE.points[1:], 0.125))
    assert (low, high) == pytest.approx((99.0, 113.0))
    assert place(121.0, TRADE) - place(119.0, TRADE) == pytest.approx(0.25)
    assert hottest_c(0.5, one_mark) == pytest.approx(99.0), "a needle over the centre is over 99 C"
    assert place(108.0, TRADE) - place(99.0, TRADE) < 0.1, "a limit of 108 is less than a tenth of the sweep away"


points = st.lists(st.tuples(st.floats(0.5, 30), st.floats(0, 0.4)), min_size=2, max_size=8).map(
    lambda steps: tuple(
        zip(
            (40.0 + np.cumsum([dt for dt, _ in steps])).tolist(),
            np.minimum(np.cumsum([dp for _, dp in steps]), 1.0).tolist(),
            strict=True,
        )
    )
)


@given(points, st.floats(0.01, 0.2))
def test_widest_span_is_that_of_a_search_by_hand(dial: tuple[tuple[float, float], ...], seen: float) -> None:
    """Against a blunt search over a fine grid with numpy.interp, which knows nothing of corners."""
    needle = Needle(dial, seen)
    at_c = np.linspace(dial[0][0], dial[-1][0], 400)
    where = np.interp(at_c, [t for t, _ in dial], [p for _, p in dial])
    assert where == pytest.approx([place(float(t), needle) for t in at_c])
    last = np.searchsorted(where, where + seen + 1e-12, side="right") - 1
    found = float((at_c[last] - at_c).max())
    low, high = hidden_c(needle)
    step = at_c[1] - at_c[0]
    assert found - 1e-6 <= high - low <= found + 2.0 * step
    assert place(high, needle) - place(low, needle) <= seen + 1e-9


@given(st.floats(-40, 215), st.floats(0, 50))
def test_never_falls_when_it_gets_hotter(temperature_c: float, more: float) -> None:
    assert place(temperature_c + more, Needle()) >= place(temperature_c, Needle())


@given(st.floats(0, 1))
def test_back_from_a_place(at: float) -> None:
    needle = Needle()
    low, high = coldest_c(at, needle), hottest_c(at, needle)
    assert low <= high + 1e-9
    assert place(low, needle) == pytest.approx(at)
    assert place(high, needle) == pytest.approx(at)


@pytest.mark.parametrize(
    "points", [((50.0, 0.0),), ((50.0, 0.0), (40.0, 1.0)), ((50.0, 0.5), (90.0, 0.4)), ((50.0, 0.0), (90.0, 1.5))]
)
def test_refuses_points_that_do_not_rise(points: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(ValueError, match="expected"):
        Needle(points)
