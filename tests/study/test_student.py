"""Quantiles of Student's t against the printed table."""

from __future__ import annotations

import pytest
from scipy import stats

from livemon.study.student import t_quantile


@pytest.mark.parametrize(
    ("share", "dof", "printed"),
    [(0.90, 1, 3.078), (0.95, 4, 2.132), (0.975, 4, 2.776), (0.95, 10, 1.812), (0.975, 30, 2.042), (0.995, 8, 3.355)],
)
def test_against_the_printed_table(share: float, dof: float, printed: float) -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, critical values of Student's t (from memory)."""
    assert t_quantile(share, dof) == pytest.approx(printed, abs=6e-4)


@pytest.mark.parametrize("dof", [1.0, 1.5, 2.0, 3.7, 12.0, 250.0])
@pytest.mark.parametrize("share", [0.5, 0.8, 0.95, 0.995])
def test_against_scipy(share: float, dof: float) -> None:
    assert t_quantile(share, dof) == pytest.approx(stats.t.ppf(share, dof), abs=1e-4)
