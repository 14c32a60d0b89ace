"""A drive that leaves its plan: told after a while, with what explains it, never of an unknown place."""

from __future__ import annotations

import numpy as np
import pytest

from livemon.core.outcome import Band, OffPlan
from livemon.core.planned import CONFIRM_MS, OffState, PlannedRoad, follow, start

PLACES = np.arange(0.0, 20_001.0, 250.0)
HILL = PlannedRoad(
    distance_m=PLACES,
    low_c=np.interp(PLACES, [0, 10_000, 20_000], [86.0, 96.0, 92.0]),
    likely_c=np.interp(PLACES, [0, 10_000, 20_000], [90.0, 100.0, 95.0]),
    high_c=np.interp(PLACES, [0, 10_000, 20_000], [93.0, 105.0, 99.0]),
    speed_kmh=np.full(len(PLACES), 72.0),
    air_c=np.interp(PLACES, [0, 20_000], [36.0, 30.0]),
)
SPEED_M_S = 20.0


def driven(
    excess_c: list[float] | float,
    seconds: int = 200,
    speed_kmh: float | None = 72.0,
    outside_c: float | None = None,
    state: OffState | None = None,
    place_known: bool = True,
) -> list[OffPlan | None]:
    """A drive at 20 m/s whose estimate is the planned likely temperature and `excess_c`."""
    told, at = [], state or start()
    for second in range(seconds):
        along = SPEED_M_S * second
        over = excess_c if isinstance(excess_c, float) else excess_c[min(second, len(excess_c) - 1)]
        now = float(np.interp(along, HILL.distance_m, HILL.likely_c)) + over
        at, off = follow(
            at, HILL, 1000 * second, along if place_known else None, Band(now - 1, now, now + 1), speed_kmh, outside_c
        )
        told.append(off)
    return told


@pytest.mark.parametrize("excess_c", [0.0, 2.5, -3.5])
def test_inside_the_band_nothing_is_said(excess_c: float) -> None:
    assert driven(excess_c) == [None] * 200


def test_outside_the_band_is_told_after_a_while_with_where_it_began() -> None:
    told = driven([0.0] * 50 + [8.0])
    first = next(second for second, off in enumerate(told) if off is not None)
    assert first == 50 + CONFIRM_MS // 1000
    off = told[first]
    assert off is not None
    assert off.since_km == pytest.approx(50 * SPEED_M_S / 1000.0)
    assert off.over_c == pytest.approx(8.0)
    assert off.for_s == pytest.approx(20.0)
    assert 0.0 < off.past_band_c < 8.0
    assert off.peak_c == pytest.approx(100.0 + 8.0), "the planned peak still ahead, carried by today's excess"


def test_a_short_excursion_and_a_step_of_the_reading_say_nothing() -> None:
    assert driven([0.0] * 50 + [8.0] * 15 + [0.0]) == [None] * 200
    assert driven([3.4, 4.0] * 100) == [None] * 200, "a whole degree to and fro across the edge of the band"


def test_back_inside_the_band_it_falls_silent() -> None:
    told = driven([8.0] * 60 + [0.0])
    assert told[59] is not None
    assert told[60 + CONFIRM_MS // 1000] is None
    assert told[-1] is None


def test_a_cold_start_is_not_cooler_than_planned() -> None:
    assert driven(-30.0) == [None] * 200
    told = driven([0.0] * 10 + [-30.0])
    assert told[-1] is not None
    assert told[-1].over_c == pytest.approx(-30.0)


def test_what_explains_it_is_told_as_numbers() -> None:
    off = driven(8.0, seconds=400, speed_kmh=92.0, outside_c=41.0)[-1]
    assert off is not None
    assert off.faster_kmh == pytest.approx(20.0, abs=1.0)
    air_there = float(np.interp(399 * SPEED_M_S, HILL.distance_m, HILL.air_c))
    assert off.hotter_air_c == pytest.approx(41.0 - air_there)
    unknown = driven(8.0, speed_kmh=None)[-1]
    assert unknown is not None
    assert unknown.hotter_air_c is None
    assert unknown.faster_kmh == 0.0


def test_off_the_route_past_its_end_and_without_an_estimate_nothing_is_said() -> None:
    assert driven(8.0, place_known=False) == [None] * 200
    beyond = driven(8.0, seconds=1_100)
    assert beyond[900] is not None
    assert beyond[-1] is None
    assert follow(OffState(side=1), HILL, 0, 500.0, None, 72.0, None)[1] is None
