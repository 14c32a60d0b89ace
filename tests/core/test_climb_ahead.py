"""The road ahead in the forecast: place and direction on the route, what is said before the climb, and when nothing is.

The road is made up: 6 km level, 12 km at 6 %, then down; the vehicle goes 72 km/h on it.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.core import climb_ahead, fleet, forecast, pipeline, what_if
from livemon.core.ahead import HORIZONS
from livemon.core.alert import AlertSettings
from livemon.core.climb_ahead import ClimbAhead
from livemon.core.events import Mark, Sample, Tick
from livemon.core.forecast import Forecast
from livemon.core.outcome import HORIZONS_S, Band, Crossing, Outcome, Status
from livemon.core.road import Place, RoadView, advance
from livemon.core.road import start as road_start
from livemon.core.route import Route, build, locate
from livemon.core.signals import Inputs
from livemon.core.vehicle import Figure, VehicleProfile

M_PER_DEG = 111_132.0
SPEED_MS = 20.0
FAR = np.arange(0.0, 24_001.0, 50.0)
HEIGHT = 300.0 + np.interp(FAR, [0, 6000, 18_000, 24_000], [0, 0, 720, 500])
PASS = build("made-up pass", FAR, HEIGHT, 45.0 + FAR / M_PER_DEG, np.full(len(FAR), 7.0))


def follow(places_m: list[float | None], route: Route = PASS, speed_ms: float = SPEED_MS) -> list[RoadView]:
    """Views of a vehicle whose receiver puts it at these metres along the meridian; None = no fix."""
    state, views = road_start(route), []
    for k, place in enumerate(places_m):
        fix = {} if place is None else {"latitude_deg": 45.0 + place / M_PER_DEG, "longitude_deg": 7.0}
        inputs = Inputs(k * 1000, Status.LIVE, speed_kmh=3.6 * speed_ms, **fix)
        state, view = advance(state, inputs, route)
        views.append(view)
    return views


def test_nothing_is_said_until_two_fixes_agree() -> None:
    views = follow([SPEED_MS * k for k in range(30)])
    assert views[2].ahead is None
    assert views[2].place is Place.SEEKING
    assert views[29].place is Place.ON_ROUTE
    assert views[29].along_m == pytest.approx(580.0, abs=30.0)


def test_the_wrong_way_is_never_a_climb_ahead() -> None:
    views = follow([5000.0 - SPEED_MS * k for k in range(200)])
    assert all(v.ahead is None for v in views)


def test_turning_back_on_the_route_ends_the_road_ahead() -> None:
    forth = [SPEED_MS * k for k in range(200)]
    views = follow(forth + [forth[-1] - SPEED_MS * k for k in range(200)])
    assert views[199].ahead is not None
    assert all(v.ahead is None for v in views[220:])


def test_one_jump_keeps_the_place_and_a_long_one_doubts_it() -> None:
    track: list[float | None] = [SPEED_MS * k for k in range(120)]
    track[60] = 15_000.0
    track[80:90] = [15_000.0 + k for k in range(10)]
    views = follow(track)
    assert views[60].along_m == pytest.approx(1200.0, abs=30.0)
    assert views[86].place is Place.DOUBTED
    assert views[86].ahead is None
    assert views[100].place is Place.ON_ROUTE


def test_a_lost_receiver_is_bridged_for_some_kilometres_and_no_longer() -> None:
    views = follow([*(SPEED_MS * k for k in range(60)), *([None] * 240)])
    assert views[150].place is Place.BY_ODOMETER
    assert views[150].along_m == pytest.approx(3000.0, abs=50.0)
    assert views[-1].place is Place.LOST
    assert views[-1].ahead is None


def test_a_start_mark_sets_the_place() -> None:
    state = road_start(PASS)
    for k in range(40):
        notes = ("route start",) if k >= 10 else ()
        state, view = advance(state, Inputs(k * 1000, Status.LIVE, speed_kmh=72.0, notes=notes), PASS)
        assert (view.ahead is None) == (k < 10)
    assert view.along_m == pytest.approx(29 * SPEED_MS, abs=1.0)


def test_up_and_down_the_same_road_are_told_apart() -> None:
    """Out and back on one road: the same position belongs to two places of the route."""
    half = np.arange(0.0, 10_001.0, 50.0)
    out = np.concatenate([half, half[-2::-1]])
    route = build(
        "out and back", np.arange(len(out)) * 50.0, 300.0 + 0.04 * out, 45.0 + out / M_PER_DEG, 0.0 * out + 7.0
    )
    lower, upper = (45.0 + 4000.0 / M_PER_DEG, 7.0), (45.0 + 4200.0 / M_PER_DEG, 7.0)
    assert locate(route, lower, upper, 200.0) == pytest.approx(4200.0, abs=5.0)
    assert locate(route, upper, lower, 200.0) == pytest.approx(16_000.0, abs=5.0)


def test_draws_have_mean_and_spread_of_what_is_not_known() -> None:
    known = fleet.start(what_if.vehicles(VehicleProfile()))
    drawn = climb_ahead.drawn(known)
    assert drawn.shape == (fleet.UNKNOWNS, climb_ahead.LANES)
    assert drawn.mean(axis=1) == pytest.approx(np.zeros(fleet.UNKNOWNS), abs=1e-9)
    assert drawn.std(axis=1) == pytest.approx(fleet.START_SD, rel=1e-6)


def drive(
    seconds: int, heat: float, on_road: bool = True, outside_c: float = 38.0, mass_kg: float | None = None
) -> list[Outcome]:
    """A regulated, level approach toward the climb: 88 C, `heat` g/s of air; positions only `on_road`."""
    profile = VehicleProfile() if mass_kg is None else VehicleProfile(typed={"mass_kg": Figure(mass_kg, 50.0, "typed")})
    settings = pipeline.CoreSettings(limit_c=108.0, route=PASS, outside_c=outside_c, profile=profile)
    state, said = pipeline.start(settings), []
    for k in range(seconds):
        t_ms = 1000 * (k + 1)
        told = [("coolant_c", 88.0), ("speed_kmh", 72.0), ("rpm", 2200.0), ("maf_g_s", heat)]
        if on_road:
            told += [("latitude_deg", round(45.0 + SPEED_MS * k / M_PER_DEG, 6)), ("longitude_deg", 7.0)]
        state, _ = pipeline.step(state, Sample(t_ms, tuple(told)), settings)
        state, outcome = pipeline.step(state, Tick(t_ms), settings)
        assert outcome is not None
        said.append(outcome)
    return said


def test_the_peak_is_foreseen_before_the_climb_and_the_summit_named() -> None:
    last = drive(200, 14.0)[-1]
    assert last.road is not None
    assert last.road.on_route
    assert last.road.summit_in_km == pytest.approx(14.0, abs=0.2)
    assert last.road.summit_in_s is not None
    assert last.road.summit_in_s.likely == pytest.approx(14_000.0 / SPEED_MS, rel=0.25)
    assert last.road.peak_c is not None
    assert last.road.peak_c.likely > 92.0  # the level road alone would keep 88 C
    assert last.road.peak_in_s > 150.0
    assert last.road.peak_c.low < last.road.peak_c.likely < last.road.peak_c.high
    chances = [p for _, p in last.chance or ()]
    assert chances == sorted(chances)
    assert all(0.0 <= p <= 1.0 for p in chances)


def test_mass_and_heat_of_the_day_raise_peak_and_chance_of_the_climb() -> None:
    """The level approach is the same in all: only the climb not yet begun tells them apart."""

    def foreseen(outside_c: float, mass_kg: float) -> tuple[float, float]:
        road = drive(150, 14.0, outside_c=outside_c, mass_kg=mass_kg)[-1].road
        assert road is not None
        assert road.peak_c is not None
        assert road.peak_c.likely is not None
        assert road.chance is not None
        return road.peak_c.likely, road.chance

    light, heavy, cool = foreseen(38.0, 2500.0), foreseen(38.0, 4000.0), foreseen(20.0, 4000.0)
    assert heavy[0] > light[0] + 1.0
    assert heavy[1] > light[1]
    assert heavy[0] > cool[0] + 1.0
    assert heavy[1] > cool[1]


def test_where_the_road_brings_the_limit_the_minutes_to_it_are_told() -> None:
    """Held at 88 C on the level, heavy, in air of 46 C, 12 km of 6 % before it: no other sign than the road."""
    last = drive(200, 14.0, outside_c=46.0, mass_kg=4500.0)[-1]
    assert dict(last.chance or ())[600] >= 0.5
    assert last.crossing is Crossing.KNOWN
    assert last.time_to_limit_s is not None
    assert last.time_to_limit_s.likely is not None
    assert 120.0 <= last.time_to_limit_s.likely <= 600.0
    unaware = drive(200, 14.0, on_road=False, outside_c=46.0, mass_kg=4500.0)[-1]
    assert unaware.crossing is Crossing.NONE_FORESEEN


def test_the_summit_boils_sooner_and_is_as_hot_as_the_climb_made_it() -> None:
    """720 m higher a mixture boils about 1.3 C lower (ISO 2533 pressure); the cool side of the pass does not count."""
    last = drive(150, 14.0, mass_kg=4000.0)[-1]
    assert last.road is not None
    peak, margin, here = last.road.peak_c, last.road.summit_boil_margin_c, last.boil_margin_c
    assert peak is not None
    assert margin is not None
    assert here is not None
    assert peak.likely is not None
    assert margin.likely is not None
    assert here.likely is not None
    # the peak is the highest of a path that wanders, up to 0.9 C over that of the even one
    assert margin.likely < here.likely - (peak.likely - 0.9 - 88.0) + 2.0
    assert margin.likely + peak.likely == pytest.approx(128.9, abs=3.0)  # what boils at 1020 m under this cap


def test_without_a_position_the_plain_forecast_stands_and_says_so() -> None:
    lost, plain = drive(120, 14.0, on_road=False)[-1], None
    settings = pipeline.CoreSettings(limit_c=108.0, outside_c=38.0)
    state = pipeline.start(settings)
    for k in range(120):
        t_ms = 1000 * (k + 1)
        told = (("coolant_c", 88.0), ("speed_kmh", 72.0), ("rpm", 2200.0), ("maf_g_s", 14.0))
        state, _ = pipeline.step(state, Sample(t_ms, told), settings)
        state, plain = pipeline.step(state, Tick(t_ms), settings)
    assert plain is not None
    assert lost.chance == plain.chance
    assert lost.ahead_c == plain.ahead_c
    assert plain.road is None
    assert lost.road is not None
    assert not lost.road.on_route
    assert lost.road.words == "route: no position"
    assert lost.road.peak_c is None


def test_a_note_of_the_passenger_begins_the_route() -> None:
    settings = pipeline.CoreSettings(route=PASS)
    state = pipeline.start(settings)
    state, _ = pipeline.step(state, Mark(500, (), "route start"), settings)
    state, _ = pipeline.step(state, Sample(900, (("coolant_c", 88.0), ("speed_kmh", 36.0))), settings)
    state, outcome = pipeline.step(state, Tick(1000), settings)
    assert outcome is not None
    assert outcome.road is not None
    assert outcome.road.on_route
    assert outcome.road.along_km == pytest.approx(0.0, abs=0.05)


CHANCE = st.floats(0.0, 1.0)


@given(CHANCE, CHANCE, CHANCE)
def test_the_joint_chance_rises_with_either(plain: float, road: float, more: float) -> None:
    joint = forecast.joined(plain, road)
    assert 0.0 <= joint <= 1.0
    assert forecast.joined(max(plain, more), road) >= joint
    assert forecast.joined(plain, max(road, more)) >= joint


def test_no_road_silences_a_likely_crossing_and_no_calm_a_sure_road() -> None:
    begins = AlertSettings().caution_chance
    assert forecast.joined(0.5, 0.0) > begins
    assert forecast.joined(0.0, 0.9) > begins
    assert forecast.joined(0.2, 0.1) < begins  # an even chance needs both to see it coming


def of_road(chance: float, stop: float) -> ClimbAhead:
    return ClimbAhead(
        t_ms=0,
        ahead_c=tuple((h, Band(95.0, 97.0, 99.0)) for h in HORIZONS_S),
        chance=tuple((h, chance) for h in HORIZONS),
        chance_stop=tuple((h, stop) for h in HORIZONS),
        peak_c=Band(96.0, 98.0, 100.0),
        peak_in_km=3.0,
        peak_in_s=300.0,
        chance_climb=chance,
        chance_soon=chance,
        summit_in_km=None,
        summit_in_s=None,
        summit_boil_margin_c=None,
    )


def of_minutes(chance: float, stop: float) -> Forecast:
    by = (chance,) * len(HORIZONS)
    return Forecast(
        t_ms=0,
        reading_c=95.0,
        ahead_c=tuple((h, Band(90.0, 100.0, 110.0)) for h in HORIZONS_S),
        settles_c=Band(90.0, 100.0, 110.0),
        crossing=Crossing.NONE_FORESEEN,
        time_to_limit_s=forecast.time_band(by, chance == 1.0),
        chance=tuple((h, chance) for h in HORIZONS_S),
        chance_stop=tuple((h, stop) for h in HORIZONS_S),
        chance_by=by,
    )


def test_bands_ahead_are_those_of_the_road_and_the_stop_keeps_the_greater_chance() -> None:
    plain, road = of_minutes(0.3, 0.25), of_road(0.1, 0.05)
    both, _ = forecast.along(plain, road)
    assert both.ahead_c == road.ahead_c
    assert dict(both.chance_stop) == dict.fromkeys(HORIZONS_S, 0.25)
    assert forecast.joined(0.3, 0.1) < 0.25
    assert dict(both.chance) == dict.fromkeys(HORIZONS_S, 0.25)  # whoever crosses the stop has crossed the limit


def test_past_the_limit_the_road_takes_nothing_back() -> None:
    both, _ = forecast.along(of_minutes(1.0, 0.1), of_road(0.0, 0.0))
    assert dict(both.chance) == dict.fromkeys(HORIZONS_S, 1.0)
    assert both.time_to_limit_s == Band(0.0, 0.0, 0.0)


def test_bands_of_the_road_come_down_part_of_the_way_to_what_the_joint_chance_bears_out() -> None:
    band = Band(108.0, 112.0, 117.0)
    assert forecast.leaned(band, 0.5, 0.5) == band
    assert forecast.leaned(band, 0.3, 0.6) == band  # crossed before, cooler again: no contradiction
    # worked by hand: 0.15 lies 1.036 standard deviations out, each (117 - 112) / 1.2816 = 3.90 K; a quarter: 1.01 K
    down = forecast.leaned(band, 0.5, 0.15)
    assert [down.low, down.likely, down.high] == pytest.approx([106.99, 110.99, 115.99], abs=0.01)
    # limit under the band's middle: the lower side counts, 0.84 + 1.04 of (112 - 108) / 1.2816 = 3.12 K, a quarter
    both_sides = forecast.leaned(band, 0.8, 0.5)
    assert both_sides.likely == pytest.approx(112.0 - 0.25 * 0.8416 * 3.121, abs=0.01)


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_a_band_never_comes_up_and_comes_down_the_farther_the_less_is_left(
    road: float, joint: float, more: float
) -> None:
    band = Band(100.0, 105.0, 112.0)
    one, other = (forecast.leaned(band, road, p) for p in (joint, max(joint, more)))
    assert one.likely is not None
    assert other.likely is not None
    assert one.likely <= other.likely + 1e-9 <= 105.0 + 2e-9


def test_a_climb_that_the_plain_forecast_doubts_is_told_cooler_with_less_chance() -> None:
    plain, road = of_minutes(0.02, 0.0), of_road(0.6, 0.05)
    both, climb = forecast.along(plain, road)
    assert both.ahead_c == climb.ahead_c
    assert climb.chance_climb < road.chance_climb
    assert climb.peak_c.likely is not None
    assert road.peak_c.likely is not None
    assert climb.peak_c.likely < road.peak_c.likely
    assert climb.chance_soon == road.chance_soon  # the caution on this road stands on the road's own


def test_looks_side_by_side_are_those_one_by_one_to_the_last_bit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Live there is one look at a time; a recording has many marched at once."""
    looks: list[climb_ahead.Look] = []
    looked_along = climb_ahead.looked_along

    def seen(some: list[climb_ahead.Look], horizons_s: tuple[int, ...]) -> list[ClimbAhead]:
        looks.extend(some)
        return looked_along(some, horizons_s)

    monkeypatch.setattr(climb_ahead, "looked_along", seen)
    drive(60, 14.0)
    assert len(looks) >= 4
    assert looked_along(looks, HORIZONS_S) == [looked_along([look], HORIZONS_S)[0] for look in looks]
