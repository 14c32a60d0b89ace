"""The line that says the drive has left its plan, in both views."""

from __future__ import annotations

from dataclasses import replace

import pytest

from livemon.core.outcome import Level, OffPlan, Status
from livemon.core.units import METRIC, US
from livemon.outputs import view_plan
from livemon.outputs.view import View, render
from tests.outputs.scenes import CAUTION, NORMAL, trend_to

OFF = OffPlan(over_c=5.2, past_band_c=1.8, since_km=6.2, for_s=25.0, peak_c=109.0, faster_kmh=12.4, hotter_air_c=3.1)
LEFT = replace(NORMAL, off_plan=OFF)


@pytest.mark.parametrize(
    ("off", "line"),
    [
        (OFF, "6°C over plan since km 6 (2°C past its band): 12 km/h faster, air 3°C hotter"),
        (replace(OFF, faster_kmh=-12.0, hotter_air_c=None), "6°C over plan since km 6 (2°C past its band)"),
        (replace(OFF, over_c=-7.0, faster_kmh=-15.0), "7°C under plan since km 6 (2°C past its band): 15 km/h slower"),
    ],
)
def test_the_passenger_reads_how_much_since_where_and_why(off: OffPlan, line: str) -> None:
    assert view_plan.passenger(replace(NORMAL, off_plan=off), METRIC, 100) == [line]


def test_it_is_shortened_to_fit_and_told_in_the_units_of_the_screen() -> None:
    assert view_plan.passenger(LEFT, METRIC, 58) == ["6°C over plan since km 6: 12 km/h faster, air 3°C hotter"]
    assert view_plan.passenger(LEFT, METRIC, 44) == ["6°C over plan since km 6: 12 km/h faster"]
    assert view_plan.passenger(LEFT, METRIC, 26) == ["6°C over plan since km 6"]
    assert view_plan.passenger(LEFT, US, 100) == [
        "10°F over plan since mi 4 (4°F past its band): 8 mph faster, air 6°F hotter"
    ]


@pytest.mark.parametrize("scene", [NORMAL, replace(LEFT, status=Status.STALE), replace(LEFT, trusted=False)])
def test_nothing_is_said_on_plan_and_nothing_of_figures_that_are_not_live(scene: object) -> None:
    assert view_plan.passenger(scene, METRIC, 100) == []  # type: ignore[arg-type]  # an Outcome, by parametrize
    assert view_plan.driver(scene, METRIC) is None  # type: ignore[arg-type]  # as above


@pytest.mark.parametrize(("columns", "rows"), [(40, 12), (60, 20), (80, 24), (100, 30)])
def test_both_views_show_it_at_every_size_with_room(columns: int, rows: int) -> None:
    wide = render(View.PASSENGER, LEFT, columns, rows, METRIC, trend=trend_to(LEFT)).text()
    assert "6°C over plan" in wide
    assert "6°C over plan" in render(View.DRIVER, LEFT, columns, rows, METRIC).text()


@pytest.mark.parametrize(
    "scene",
    [
        replace(LEFT, off_plan=replace(OFF, for_s=61.0)),
        replace(LEFT, off_plan=replace(OFF, peak_c=107.9)),
        replace(LEFT, off_plan=replace(OFF, over_c=-5.0)),
        replace(CAUTION, off_plan=OFF),
    ],
    ids=["told long enough", "the limit is not in sight", "cooler than planned", "something graver to say"],
)
def test_the_driver_is_told_briefly_and_only_when_it_matters(scene: object) -> None:
    assert scene.level in (Level.NORMAL, Level.CAUTION)  # type: ignore[attr-defined]  # an Outcome, by parametrize
    assert "plan" not in render(View.DRIVER, scene, 80, 24, METRIC).text()  # type: ignore[arg-type]  # as above
