"""Where the hypotheses begin: the spread by first order against drawn vehicles, and what it never falls under."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core import hypotheses, prior, radiator
from livemon.core.draws import draws
from livemon.core.figures import FIGURES, Figure
from livemon.core.hypotheses import FAN, GAIN, OPEN, SHED
from livemon.core.prior import prior_from
from livemon.core.together import Together, from_covariance
from livemon.core.vehicle import VehicleProfile

NAMES = ("coolant_share", "radiator_kw_k", "ram_share", "metal_kj_k", "fan_m_s_krpm", "open_c")
HELD = (GAIN, SHED, FAN, OPEN)


def learned(share: float, together: bool = True) -> VehicleProfile:
    """Heat made and heat shed known together: both may be larger, hardly one alone."""
    matrix = np.eye(len(NAMES))
    matrix[0, 1] = matrix[1, 0] = 0.9
    figures = {n: Figure(FIGURES[n].likely, share * FIGURES[n].spread, "learned from 5 drives") for n in NAMES}
    return VehicleProfile(learned=figures, together=from_covariance(NAMES, matrix) if together else Together())


def test_the_spread_agrees_with_drawn_vehicles() -> None:
    """2000 vehicles drawn and reduced one by one; the floors of drive and model apart."""
    one = learned(0.8)
    known = replace(one, typed={n: Figure(k.likely, 0.0, "typed") for n, k in FIGURES.items()})
    _, engine, cooling = draws(known, 2000)
    rows = np.array([v + np.zeros(2000) for v in prior._reduced(engine, known.engine(), cooling)])
    told = prior_from(known)
    floor = np.diag(prior._DRIVE**2 + prior._REDUCED**2)
    ours = told.correlation * told.spread * told.spread[:, None] - floor
    seen = np.cov(rows)
    for i, a in enumerate(HELD):
        for j, b in enumerate(HELD):
            assert ours[a, b] == pytest.approx(seen[i, j], abs=0.08 * np.sqrt(seen[i, i] * seen[j, j]))


def test_what_is_learned_together_is_narrower_where_it_counts() -> None:
    """Shed less gain is where a climb settles: known far better than either."""
    told = prior_from(learned(0.8))
    cov = told.correlation * told.spread * told.spread[:, None]
    settles = cov[SHED, SHED] + cov[GAIN, GAIN] - 2 * cov[SHED, GAIN]
    loose = prior_from(learned(0.8, together=False))
    assert settles < 0.3 * (loose.spread[SHED] ** 2 + loose.spread[GAIN] ** 2)


@pytest.mark.parametrize("speed_curve", [-0.3, 0.3])
def test_what_was_learned_of_a_standstill_is_in_the_fan(speed_curve: float) -> None:
    """Heat shed standing over that at 72 km/h moves as in the full model."""

    def standing(one: VehicleProfile) -> float:
        around, (stood, driven) = (
            radiator.Surroundings(30.0, 1.1),
            (radiator.Demand(50.0, 2500.0, v) for v in (0.0, 72.0)),
        )
        at = (
            radiator.shed(one.cooling(), stood, around, 1.0, 1.0, 0.0),
            radiator.shed(one.cooling(), driven, around, 1.0, 0.0, 0.0),
        )
        return float(np.log(at[0].conductance_kw_k / at[1].conductance_kw_k))

    formed = VehicleProfile(learned={"speed_curve": Figure(speed_curve, 0.1, "learned from 5 drives")})
    moved = prior_from(formed).mean[FAN] - prior_from(VehicleProfile()).mean[FAN]
    told = standing(formed) - standing(VehicleProfile())
    assert hypotheses.AIR_EXPONENT * moved == pytest.approx(told, abs=1e-6)
    assert told * speed_curve < -0.05


def test_never_tighter_than_one_drive_differs_from_the_next() -> None:
    told = prior_from(learned(1e-6))
    assert told.spread[GAIN] >= prior.DRIVE_HEAT
    assert told.spread[SHED] >= hypotheses.AIR_EXPONENT * prior.DRIVE_WIND_KMH / 72.0
    assert told.spread[OPEN] >= prior.DRIVE_AIR_C


def test_without_anything_learned_together_the_start_is_as_it_was() -> None:
    told = prior_from(VehicleProfile())
    assert told.correlation.tolist() == np.eye(6).tolist()
    bank = hypotheses.start(told, np.asarray(90.0))
    assert bank.cov[GAIN, GAIN, 0] == told.spread[GAIN] ** 2
    assert bank.cov[GAIN, SHED].tolist() == [0.0] * hypotheses.MEMBERS


def test_the_bank_starts_with_what_hangs_together() -> None:
    told = prior_from(learned(0.8))
    bank = hypotheses.start(told, np.asarray(90.0))
    assert bank.cov[GAIN, SHED, 0] == pytest.approx(
        told.correlation[GAIN, SHED] * told.spread[GAIN] * told.spread[SHED]
    )
    assert np.linalg.eigvalsh(bank.cov[:, :, 0]).min() > 0.0
