"""The estimator against drives whose truth is known, and its manners: pure, the same bytes, quiet across gaps."""

from __future__ import annotations

import numpy as np
import pytest

from livemon.core import estimator, forecast, hypotheses, signals
from livemon.core.demand import Flow
from livemon.core.estimator import State
from livemon.core.events import Sample
from livemon.core.prior import prior_from
from livemon.core.signals import Signals
from livemon.core.vehicle import VehicleProfile

PROFILE = VehicleProfile()


def drive(
    seconds: int, coolant: np.ndarray, names: tuple[str, ...], period: int = 1, skip: range = range(0)
) -> list[State]:
    """States after each tick of a drive on a steady grade as the vehicle would report it."""
    readings = {
        "speed_kmh": 70.0,
        "rpm": 2600.0,
        "maf_g_s": 52.0,
        "ambient_air_c": 34.0,
        "baro_kpa": 92.0,
        "load_pct": 70.0,
    }
    heard, state, out = Signals(), estimator.start(PROFILE), []
    for second in range(seconds):
        t_ms = (second + 1) * 1000
        if second % period == 0 and second not in skip:
            values = tuple((n, readings[n]) for n in names)
            heard = signals.hear(heard, Sample(t_ms, (("coolant_c", float(coolant[second])), *values)))
        heard, inputs = signals.at_tick(heard, t_ms, None, None)
        state = estimator.advance(state, inputs)
        out.append(state)
    return out


def rise(seconds: int, start_c: float, settles_c: float, tau_s: float) -> np.ndarray:
    """Exponential rise of IEEE C57.91 in whole degrees."""
    time = np.arange(seconds)
    return np.floor(start_c + (settles_c - start_c) * (1.0 - np.exp(-time / tau_s)))


ALL = ("speed_kmh", "rpm", "maf_g_s", "ambient_air_c", "baro_kpa")


def test_follows_an_exponential_rise_between_the_degrees() -> None:
    states = drive(900, rise(900, 96.0, 116.0, 300.0), ALL)
    truth = 96.0 + 20.0 * (1.0 - np.exp(-np.arange(900) / 300.0))
    for second in range(200, 900, 50):
        known = estimator.estimate(states[second])
        assert known is not None
        assert known.coolant_c.likely == pytest.approx(truth[second], abs=0.8)


def test_old_state_is_left_as_it_was() -> None:
    states = drive(120, rise(120, 90.0, 100.0, 200.0), ALL)
    before = states[60]
    assert before.bank is not None
    held = [a.copy() for a in before.bank[:3]]
    _, inputs = signals.at_tick(Signals(), 62_000, None, None)
    estimator.advance(before, inputs)
    forecast.look_ahead(before, 108.0, 118.0)
    for was, now in zip(held, before.bank[:3], strict=True):
        np.testing.assert_array_equal(was, now)


def test_same_input_gives_the_same_bytes() -> None:
    coolant = rise(300, 92.0, 112.0, 250.0)
    a, b = drive(300, coolant, ALL)[-1], drive(300, coolant, ALL)[-1]
    assert a.bank is not None
    assert b.bank is not None
    assert [x.tobytes() for x in a.bank[:3]] == [x.tobytes() for x in b.bank[:3]]
    assert repr(forecast.look_ahead(a, 108.0, 118.0)) == repr(forecast.look_ahead(b, 108.0, 118.0))


def test_forecasts_side_by_side_are_those_tick_by_tick_to_the_last_bit() -> None:
    names, coolant = (*ALL, "load_pct"), rise(420, 84.0, 113.0, 150.0)
    states = drive(420, coolant, names, skip=range(200, 240))
    asked: list[forecast.Asked | None] = [forecast.Asked(s, 108.0, 118.0 + s.t_ms % 3) for s in states]
    asked += [
        forecast.Asked(s, 108.0, 118.0) for s in drive(60, coolant, ())
    ]  # time goes back, and the heat is unknown
    asked[100:110] = [None] * 10
    stood, last = [], None
    for one in asked:
        if one is None:
            last = None
        elif forecast.due(last, one.state):
            last = forecast.look_ahead(one.state, one.limit_c, one.stop_c)
        stood.append(last)
    assert len({id(one) for one in stood}) > 60
    assert repr(forecast.standing(None, asked)) == repr(stood)
    halves = forecast.standing(None, asked[:333])
    assert repr(halves + forecast.standing(halves[-1], asked[333:])) == repr(stood)


def test_many_drives_at_once_are_the_drives_one_by_one() -> None:
    prior = prior_from(PROFILE)
    first = np.array([85.0, 97.0, 103.0])
    many = hypotheses.start(prior, first)
    ones = [hypotheses.start(prior, np.asarray(t)) for t in first]
    heat = np.array([[30.0], [45.0], [60.0]])
    for _ in range(40):
        many = hypotheses.moved(many, Flow(heat, 1.0 + 0.0 * heat, 1.0 + 0.0 * heat, 30.0, 1.0), 1.0)
        many = hypotheses.weighed(many, first, first + 1.0)
        ones = [
            hypotheses.moved(o, Flow(float(h[0]), 1.0, 1.0, 30.0, 1.0), 1.0) for o, h in zip(ones, heat, strict=True)
        ]
        ones = [hypotheses.weighed(o, np.asarray(t), np.asarray(t + 1.0)) for o, t in zip(ones, first, strict=True)]
    for i, one in enumerate(ones):
        np.testing.assert_allclose(many.mean[:, i], one.mean, rtol=1e-9, atol=1e-9)
        np.testing.assert_allclose(many.cov[:, :, i], one.cov, rtol=1e-7, atol=1e-9)


def test_covariance_stays_a_covariance() -> None:
    states = drive(600, rise(600, 88.0, 109.0, 200.0), ALL)
    bank = states[-1].bank
    assert bank is not None
    for member in range(hypotheses.MEMBERS):
        cov = bank.cov[:, :, member]
        np.testing.assert_allclose(cov, cov.T, atol=1e-9)
        assert np.linalg.eigvalsh(cov / np.sqrt(np.outer(np.diag(cov), np.diag(cov)))).min() > -1e-6


def test_a_hole_in_the_readings_does_not_make_a_slope() -> None:
    coolant = np.full(600, 84.0)
    coolant[400:] = 91.0  # parked and started again unseen
    states = drive(600, coolant, ALL, skip=range(200, 400))
    known = estimator.estimate(states[405])
    assert known is not None
    assert known.coolant_c.likely == pytest.approx(91.0, abs=1.0)
    ahead = forecast.look_ahead(states[405], 108.0, 118.0)
    assert ahead is not None
    assert dict(ahead.chance)[300] < 0.3


def test_coolant_alone_is_enough_for_an_estimate() -> None:
    states = drive(400, rise(400, 96.0, 116.0, 300.0), (), period=3)
    assert states[-1].source == "nothing"
    known = estimator.estimate(states[-1])
    assert known is not None
    assert known.coolant_c.likely == pytest.approx(96.0 + 20.0 * (1.0 - np.exp(-399 / 300.0)), abs=1.0)
