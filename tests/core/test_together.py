"""Figures that hang together: the triangle against numpy, what drops out, and what reaches the drawn vehicles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core.draws import draws, normals, ranked_shares
from livemon.core.figures import Figure
from livemon.core.together import Together, from_covariance
from livemon.core.vehicle import PARTS, VehicleProfile

NAMES = ("coolant_share", "radiator_kw_k", "ram_share", "electric_m_s", "open_c")


def covariance(seed: int, count: int = len(NAMES)) -> np.ndarray:
    root = np.random.default_rng(seed).standard_normal((count, count))
    return np.asarray(root @ root.T)


def correlations(covariance: np.ndarray) -> np.ndarray:
    size = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / size[:, None] / size)


@pytest.mark.parametrize("seed", range(5))
def test_the_triangle_is_the_cholesky_factor_of_the_correlations(seed: int) -> None:
    """Against numpy, to the rounding of three decimals."""
    wanted = correlations(covariance(seed))
    found = from_covariance(NAMES, covariance(seed))
    factor = np.linalg.cholesky(wanted)
    for k, row in enumerate(found.rows):
        assert row == pytest.approx(factor[k, : k + 1], abs=0.0011)
    assert found.correlations() == pytest.approx(wanted, abs=0.003)


def test_what_two_figures_do_together_survives_rounding() -> None:
    """Two figures of which only the sum is known, to a two-hundredth of each: still so after three decimals."""
    tight = np.array([[1.0, -0.9999], [-0.9999, 1.0]])
    found = from_covariance(NAMES[:2], tight)
    assert found.correlations().sum() ** 0.5 == pytest.approx(tight.sum() ** 0.5, abs=0.002)


def test_a_covariance_that_is_none_still_gives_a_triangle() -> None:
    assert from_covariance(NAMES[:2], np.ones((2, 2))).rows == ((1.0,), (1.0, 0.001))


@pytest.mark.parametrize(
    ("names", "rows", "words"),
    [
        (("open_c",), (), "each figure once"),
        (("open_c", "open_c"), ((1.0,), (0.0, 1.0)), "each figure once"),
        (("opn_c",), ((1.0,),), "a known figure, not 'opn_c'"),
        (("open_c", "cap_kpa"), ((1.0,), (1.0,)), "2 numbers, not 1"),
        (("open_c",), ((0.0,),), "the last above 0"),
        (("open_c",), ((float("nan"),),), "from -1 to 1"),
        (("open_c",), ((0.9,),), "squares sum to 1"),
    ],
)
def test_what_is_no_triangle_is_refused(
    names: tuple[str, ...], rows: tuple[tuple[float, ...], ...], words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        Together(names, rows)


def test_a_share_weakens_and_none_drops_out() -> None:
    whole = from_covariance(NAMES, covariance(1))
    assert whole.weakened(dict.fromkeys(NAMES, 1.0)) is whole
    shares = {"coolant_share": 1.0, "radiator_kw_k": 0.5, "ram_share": 1.0, "open_c": 0.8}
    less = whole.weakened(shares)
    assert less.names == ("coolant_share", "radiator_kw_k", "ram_share", "open_c")
    before, after = whole.correlations(), less.correlations()
    at = [NAMES.index(n) for n in less.names]
    both = np.outer(*[[shares[n] for n in less.names]] * 2)
    np.fill_diagonal(both, 1.0)
    assert after == pytest.approx(before[np.ix_(at, at)] * both, abs=0.004)


def profile(**changes: object) -> VehicleProfile:
    base = VehicleProfile(together=from_covariance(NAMES, covariance(2)))
    learned = {name: Figure(base.figure(name).likely, 0.5 * base.figure(name).spread, "learned") for name in NAMES}
    return replace(base, learned=learned, **changes)  # type: ignore[arg-type]  # by name


def seen(one: VehicleProfile) -> np.ndarray:
    """Correlations of what is drawn, each figure as it enters (by ratio where the table says so)."""
    z = normals(4000, len(NAMES))
    _, engine, cooling = one.draw(dict(zip(NAMES, z, strict=True)))
    drawn = [np.log(np.asarray(getattr(cooling, name, getattr(engine, name, None)))) for name in NAMES[:4]]
    return np.corrcoef(np.array([*drawn, np.asarray(cooling.open_c)]))


def test_drawn_vehicles_hang_together() -> None:
    one = profile()
    assert seen(one) == pytest.approx(correlations(covariance(2)), abs=0.06)
    _, _, cooling = draws(one, 400)
    assert np.std(np.log(cooling.radiator_kw_k)) == pytest.approx(0.5 * 0.4 / 1.8, rel=0.06)


def test_a_deleted_line_and_a_part_that_sets_drop_out_cleanly() -> None:
    """The typed figure has its own spread and is free of the others; so has a figure that a part sets."""
    one = profile()
    learned = {n: f for n, f in one.learned.items() if n != "ram_share"}
    typed = replace(one, learned=learned, typed={"ram_share": Figure(0.2, 0.01, "typed")})
    at = NAMES.index("ram_share")
    left = np.delete(seen(typed)[at], at)
    assert left == pytest.approx(np.zeros(4), abs=0.05)
    rest = np.ix_(*[[k for k in range(5) if k != at]] * 2)
    assert seen(typed)[rest] == pytest.approx(correlations(covariance(2))[rest], abs=0.06)
    assert PARTS["locked_fan_clutch"].sets
    clutch = Together(("clutch_off_share", "open_c"), ((1.0,), (0.8, 0.6)))
    fitted = replace(one, together=clutch, learned={n: one.figure(n) for n in clutch.names})
    assert fitted.joint() is clutch
    assert fitted.with_parts("locked_fan_clutch").joint().names == ("open_c",)


def test_a_part_that_multiplies_keeps_what_was_learned_and_adds_its_own() -> None:
    one = profile().with_parts("strong_electric_fan")  # times 2 +- 0.3
    at = NAMES.index("electric_m_s")
    share = 0.2 * 2.0 / np.hypot(0.2 * 2.0, 0.3)
    wanted = correlations(covariance(2))[at] * share
    wanted[at] = 1.0
    assert one.joint().correlations()[at] == pytest.approx(wanted, abs=0.004)


def test_no_learned_figure_no_triangle() -> None:
    assert VehicleProfile().joint().names == ()
    z = np.array([0.0, 1.0])
    assert Together().normals({"open_c": z})["open_c"] is z


def test_ranked_shares_are_even_in_each_of_many_unknowns_and_no_two_run_alike() -> None:
    """More unknowns than draws: each row exact, pairs no more alike than chance would make them."""
    shares = ranked_shares(31, 58)
    assert np.sort(shares, axis=1) == pytest.approx(np.tile((np.arange(31) + 0.5) / 31, (58, 1)))
    alike = np.corrcoef(shares)[~np.eye(58, dtype=bool)]
    assert np.abs(alike).max() < 0.75
    assert np.sqrt(np.mean(alike**2)) < 1.1 / np.sqrt(31)
