"""What a sound vehicle's reading usually is off its possible vehicles: sums, shapes, and the ways the table must go."""

from __future__ import annotations

import numpy as np
import pytest

from livemon.core import healthy
from livemon.core.fleet import Asked
from livemon.core.healthy import Known, Sums


def after(sums: Sums, seconds: float, fuel_kw: float, kmh: float, ac: float = 0.0) -> Sums:
    for _ in range(int(seconds / 5)):
        sums = sums.plus(Asked(fuel_kw, 2500.0, kmh, ac, 35.0, 1.1), 5.0)
    return sums


STEADY = after(Sums(), 900, 130.0, 60.0)
KNOWN = Known(0, STEADY, 1.0, 102.0, 1.0, 1200.0)


def told(now: Sums, age_s: float = 180.0, spread_c: float = 2.0, known: Known = KNOWN) -> tuple[float, float]:
    off, sd = healthy.usual([healthy.signs(known, Sums(), now, age_s, 102.0, spread_c, 1.0)])
    return float(off[0]), float(sd[0])


def test_means_are_of_what_lies_between() -> None:
    within = after(STEADY, 100, 65.0, 20.0, 1.0).since(STEADY)
    assert within == pytest.approx((100.0, 65.0, 65.0**2, 20.0, 1.0))
    assert STEADY.since(STEADY).seconds == 1.0


def test_the_table_takes_what_it_is_told() -> None:
    row = healthy.signs(KNOWN, Sums(), after(STEADY, 180, 130.0, 60.0), 180.0, 102.0, 2.0, 1.0)
    net = healthy.HEALTHY
    assert net.low.shape == net.high.shape == (len(row),)
    assert (net.low <= net.high).all()
    assert net.straight.shape == (2, len(row))
    assert net.outer.shape == (2, len(net.inner_bias))
    assert all(np.isfinite(part).all() for part in net)


def test_less_is_sure_at_other_work_in_a_wider_fleet_and_in_a_drive_that_was_foretold_badly() -> None:
    same = told(after(STEADY, 180, 130.0, 60.0))
    assert abs(same[0]) < 1.5
    assert told(after(STEADY, 180, 260.0, 60.0))[1] > 1.1 * same[1], "the foot of a climb"
    assert told(after(STEADY, 180, 40.0, 6.0))[1] > 1.1 * same[1], "into a jam"
    assert told(after(STEADY, 180, 130.0, 60.0), spread_c=4.0)[1] > same[1]
    assert told(after(STEADY, 180, 130.0, 60.0), known=KNOWN._replace(missed_c=3.0))[1] > same[1]
    assert told(after(STEADY, 180, 130.0, 60.0), age_s=420.0)[1] > same[1]


def test_a_start_and_a_stop_have_figures() -> None:
    nothing = Known(0, Sums(), 0.0, 20.0, 1.5, 0.0)
    off, sd = healthy.usual([healthy.signs(nothing, Sums(), Sums(), 60.0, 20.0, 0.0, 0.0)])
    assert np.isfinite(off).all()
    assert healthy.LEAST_SD_C <= float(sd[0]) <= healthy.MOST_SD_C


def test_each_age_that_is_judged_has_one_copy() -> None:
    for offset in range(0, 30, 10):
        ages = [age for age in range(offset, 450, 30) if healthy.judged(age)]
        assert len(ages) == len(healthy.AGES_S)
