"""The table of the forecast: its shapes fit what it is told, and a net answers alike alone and beside others."""

from __future__ import annotations

import numpy as np
import pytest

from livemon.core import ahead, calibration
from livemon.core.calibration import Table
from livemon.core.net import Net
from livemon.core.outcome import HORIZONS_S

SMALL = Net(
    low=np.array([-1.0, -1.0]),
    high=np.array([1.0, 1.0]),
    straight=np.array([[2.0, 0.0]]),
    bias=np.array([1.0]),
    inner=np.array([[0.0, 3.0]]),
    inner_bias=np.array([-0.5]),
    outer=np.array([[4.0]]),
)
TABLES = [calibration.SEEING, calibration.BLIND]


@pytest.mark.parametrize("table", TABLES, ids=["seeing", "blind"])
def test_every_net_fits_its_inputs_and_outputs(table: Table) -> None:
    toward = 2 + 2 * 16 + 5 + ahead.PLAIN
    band = ahead.RUNS + 4 + ahead.PLAIN
    assert tuple(table.band) == HORIZONS_S
    for net, inputs, outputs in [(table.chance, toward, len(ahead.HORIZONS))] + [
        (net, band, 3) for net in table.band.values()
    ]:
        bends = len(net.inner_bias)
        assert net.low.shape == net.high.shape == (inputs,)
        assert (net.low <= net.high).all()
        assert net.straight.shape == (outputs, inputs)
        assert net.bias.shape == (outputs,)
        assert net.inner.shape == (bends, inputs)
        assert net.outer.shape == (outputs, bends)
        assert all(np.isfinite(part).all() for part in net)


def test_a_net_is_its_straight_part_and_its_bends() -> None:
    assert SMALL(np.array([0.5, 0.25])) == pytest.approx([1.0 + 2.0 * 0.5 + 4.0 * np.tanh(3.0 * 0.25 - 0.5)])


def test_inputs_beyond_what_was_learned_are_held_at_its_ends() -> None:
    assert SMALL(np.array([7.0, -9.0])) == pytest.approx(SMALL(np.array([1.0, -1.0])))


@pytest.mark.parametrize("count", [1, 2, 3, 7, 64])
def test_rows_come_out_the_same_to_the_last_bit_alone_or_beside_others(count: int) -> None:
    net = calibration.SEEING.chance
    rows = np.random.default_rng(5).standard_normal((count, net.straight.shape[1]))
    together = net(rows)
    assert all((net(row) == beside).all() for row, beside in zip(rows, together, strict=True))
