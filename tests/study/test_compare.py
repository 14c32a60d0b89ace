"""The comparison of drives: Welch's interval against others' arithmetic, and made-up garages with known truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from livemon.study.compare import Difference, Sample, Verdict, _more, compare, difference, pairs
from livemon.study.recording import Drive
from tests.bench.garages.__main__ import judge
from tests.bench.garages.garages import load


def sample(values: np.ndarray) -> Sample:
    return Sample(tuple(float(v) for v in values), (1.0,) * len(values))


def shaped(mean: float, deviation: float, count: int) -> np.ndarray:
    """`count` values with just this mean and standard deviation."""
    raw = np.random.default_rng(1).standard_normal(count)
    return mean + deviation * (raw - raw.mean()) / raw.std(ddof=1)


def test_welch_against_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.3, two-sample t-test, miles per gallon of two groups of cars, from memory of the
    page: 249 values of mean 20.14458 and deviation 6.41470, 79 of 30.48101 and 6.10771; unequal variances give
    T = -12.94627 with 136.8750 degrees of freedom."""
    found = difference(sample(shaped(20.14458, 6.41470, 249)), sample(shaped(30.48101, 6.10771, 79)), prior_dof=0.0)
    assert found.value / found.error == pytest.approx(12.94627, abs=2e-4)
    assert found.dof == pytest.approx(136.8750, abs=5e-3)


@pytest.mark.parametrize("seed", range(5))
def test_welch_against_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    first = rng.normal(0.0, 0.05, int(rng.integers(2, 8)))
    second = rng.normal(0.1, 0.15, int(rng.integers(2, 8)))
    theirs = stats.ttest_ind(second, first, equal_var=False).confidence_interval(0.90)
    ours = difference(sample(first), sample(second), prior_dof=0.0).interval(0.90)
    assert ours == pytest.approx((theirs.low, theirs.high), rel=2e-3)


def test_two_against_two_that_agree_by_chance_stay_honest() -> None:
    """Two pairs of equal numbers have no spread; the modelled variance keeps the interval open."""
    found = difference(Sample((0.0, 0.0), (0.03**2, 0.03**2)), Sample((0.02, 0.02), (0.03**2, 0.03**2)))
    low, high = found.interval()
    assert low < 0.0 < high


def test_interval_covers_when_two_against_two() -> None:
    """Coverage by simulation: spread of drives as modelled; 90 % within four binomial standard errors of 2,000."""
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(2000):
        a, b = rng.normal(0.0, 0.04, 2), rng.normal(0.1, 0.04, 2)
        low, high = difference(Sample(tuple(a), (0.04**2,) * 2), Sample(tuple(b), (0.04**2,) * 2)).interval()
        hits += low <= 0.1 <= high
    assert hits / 2000 == pytest.approx(0.90, abs=4 * (0.9 * 0.1 / 2000) ** 0.5)


def test_what_both_sides_do_not_know_widens() -> None:
    first, second = Sample((0.0, 0.1, 0.05), (0.01,) * 3), Sample((0.2, 0.1, 0.15), (0.01,) * 3)
    assert difference(first, second, shared=0.01).error > difference(first, second).error


def test_more_drives_are_asked_for_until_it_would_show() -> None:
    wide, narrow = Difference(0.05, 0.06, 8.0), Difference(0.09, 0.05, 8.0)
    far, near = _more(wide, (5, 5), 0.90), _more(narrow, (5, 5), 0.90)
    assert far is not None
    assert near is not None
    assert far > near >= 1


def test_every_state_against_the_one_before_and_the_first() -> None:
    assert pairs(2) == [(0, 1)]
    assert pairs(4) == [(0, 1), (1, 2), (2, 3), (0, 2), (0, 3)]


def test_known_garages() -> None:
    """A small cut of the study in docs/compare.md, loose limits: 90 % intervals, +15 % air, and no change."""
    gain = [judge(g) for g in load("sim", "more_air", 3, 21)]
    same = [judge(g) for g in load("sim", "same", 3, 21)]
    told = [s for s in gain + same if s.covered is not None]
    assert len(told) >= 4
    assert sum(bool(s.covered) for s in told) >= len(told) - 1
    assert not any(s.verdict is Verdict.WORSE for s in gain)
    assert sum(s.verdict is not Verdict.OPEN for s in same) <= 1


def test_drives_that_never_get_hot_give_nothing() -> None:
    flat = np.ones(200)
    cool = Drive("cool", 5.0 * np.arange(200), 85.0 * flat, 60.0 * flat, 2000.0 * flat, 80.0 * flat, 20.0 * flat,
                 95.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat, 0.0 * flat)  # fmt: skip
    garage = load("sim", "same", 1, 21)[0]
    assert compare([cool, cool], [0, 1], garage.profile, ["before", "after"]) is None


def test_three_states_share_the_risk() -> None:
    """Three comparisons of three states: each at 1 - 0.1 / 3, so that all hold together with 90 %."""
    garage = load("sim", "same", 1, 21)[0]
    drives = [*garage.before, *garage.after]
    found = compare(drives, [0, 0, 0, 1, 1, 1, 1, 2, 2, 2], garage.profile, ["before", "after 1", "after 2"])
    assert found is not None
    assert [(c.before, c.after) for c in found.overall] == [(0, 1), (1, 2), (0, 2)]
    assert {round(c.level, 4) for c in found.overall} == {0.9667}
