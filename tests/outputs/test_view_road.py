"""The road ahead in the driver's view: one line, and only where it brings something hotter."""

from __future__ import annotations

from dataclasses import replace

import pytest

from livemon.core.outcome import Band, RoadAhead, Status
from livemon.core.units import METRIC, US
from livemon.outputs.view import View, render
from livemon.outputs.view_words import road_line
from tests.outputs.scenes import CAUTION, NORMAL

ROAD = RoadAhead(
    on_route=True,
    words="on the route",
    along_km=6.0,
    drift_km=None,
    peak_c=Band(101.0, 105.4, 110.0),
    peak_in_km=8.23,
    peak_in_s=420.0,
    chance=0.4,
    summit_in_km=9.0,
    summit_in_s=None,
    summit_boil_margin_c=None,
)
CLIMB = replace(NORMAL, road=ROAD, estimate_c=Band(89.0, 90.0, 91.0))


@pytest.mark.parametrize(("columns", "rows"), [(40, 12), (60, 20), (80, 24), (100, 30)])
def test_the_driver_reads_peak_and_where_at_every_size_with_room(columns: int, rows: int) -> None:
    for scene in (CLIMB, replace(CAUTION, road=ROAD, estimate_c=CLIMB.estimate_c)):
        assert "peak 106°C in 8.2 km" in render(View.DRIVER, scene, columns, rows, METRIC).text()


def test_it_speaks_the_units_of_the_screen_and_rounds_a_long_way() -> None:
    assert road_line(CLIMB, US) == "peak 222°F in 5.1 mi"
    assert road_line(replace(CLIMB, road=replace(ROAD, peak_in_km=14.2)), METRIC) == "peak 106°C in 14 km"


@pytest.mark.parametrize(
    "scene",
    [
        NORMAL,
        replace(CLIMB, road=replace(ROAD, peak_in_s=30.0)),
        replace(CLIMB, road=replace(ROAD, peak_c=Band(89.0, 91.0, 94.0))),
        replace(CLIMB, road=replace(ROAD, peak_c=None)),
        replace(CLIMB, road=replace(ROAD, on_route=False, words="off the route")),
        replace(CLIMB, status=Status.STALE),
        replace(CLIMB, trusted=False),
        replace(CLIMB, estimate_c=None),
    ],
)
def test_nothing_is_said_of_a_peak_that_is_no_news_or_not_known(scene: object) -> None:
    assert road_line(scene, METRIC) is None  # type: ignore[arg-type]  # an Outcome, by parametrize


def test_a_low_screen_leaves_it_out() -> None:
    assert "peak" not in render(View.DRIVER, CLIMB, 40, 9, METRIC).text()


def test_nobody_is_calmed_beside_a_caution_for_the_road_ahead() -> None:
    """A crossing that is not the likely course may still be one in two: possible, not unlikely."""
    for scene, word in (
        (NORMAL, "unlikely"),
        (replace(CLIMB, road=replace(ROAD, chance=0.2)), "unlikely"),
        (CLIMB, "possible"),
        (replace(NORMAL, chance=((120, 0.0), (300, 0.1), (600, 0.3))), "possible"),
    ):
        assert f"limit {word} in 15 min" in render(View.PASSENGER, scene, 80, 24, METRIC).text()
