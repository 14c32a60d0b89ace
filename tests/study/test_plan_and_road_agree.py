"""Where everything is known the plan and the live road ahead foresee one peak: the same physics, two marches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core import climb_ahead, fleet, pipeline, road_demand
from livemon.core.engine import coolant_heat_kw, fuel_kw_from_air
from livemon.core.events import Mark, Sample, Tick
from livemon.core.outcome import RoadAhead
from livemon.core.route import build
from livemon.core.vehicle import Figure
from livemon.sim.scenarios import WAGON
from livemon.study.plan_march import Lane, march
from livemon.study.plan_road import Way, Weather, drive, in_steps
from tests.core.sure import sure

LOCKED, OPEN = 60.0, 120.0
"""Lock-up [km/h]: at the very speed of it a little slower or faster would be two different drives."""
KMH, AIR_C = 75.0, 36.0
FAR = np.arange(0.0, 19_001.0, 50.0)
FOOT_M, SUMMIT_M = 6_000.0, 16_000.0
HEIGHT = 400.0 + np.interp(FAR, [0.0, FOOT_M, SUMMIT_M, FAR[-1]], [0.0, 20.0, 620.0, 500.0])
ROUTE = build("made up", FAR, HEIGHT, FAR / 111_195.0, np.zeros(len(FAR)))


def foreseen(way: Way, lockup_kmh: float, seconds: int) -> tuple[float, list[RoadAhead | None]]:
    """Planned peak, and what the live core says second by second on readings of that very drive."""
    known = sure(WAGON)
    profile = replace(known, typed={**known.typed, "lockup_kmh": Figure(lockup_kmh, 0.0, "typed")})
    road, weather = in_steps(ROUTE), Weather(AIR_C)
    body, engine, cooling = profile.body(), profile.engine(), profile.cooling()
    planned = drive(road, weather, way, (body, engine, cooling), (body, engine))
    coolant, clock = march(road, weather, [Lane(way, planned, engine, cooling)])
    fuels = np.geomspace(5.0, 700.0, 400)
    fuel = np.interp(planned.heat_kw.ravel(), np.asarray(coolant_heat_kw(engine, fuels)), fuels)
    maf = fuel / float(fuel_kw_from_air(1.0))

    settings = pipeline.CoreSettings(profile=profile, route=ROUTE, route_from_start=True)
    state, said = pipeline.start(settings), []
    state, _ = pipeline.step(state, Mark(1, (("ac_on", way.ac_on),)), settings)
    for k in range(1, seconds + 1):
        told = {
            "coolant_c": float(np.floor(np.interp(k, clock[:, 0], coolant[:, 0, 0]))),
            **{
                name: round(float(np.interp(k, clock[:, 0], column)), 2)
                for name, column in (
                    ("speed_kmh", planned.speed_kmh), ("rpm", planned.rpm), ("maf_g_s", maf),
                    ("ambient_air_c", planned.air_c), ("baro_kpa", road.pressure_kpa),
                )
            },
        }  # fmt: skip
        state, _ = pipeline.step(state, Sample(k * 1000, tuple(told.items())), settings)
        state, outcome = pipeline.step(state, Tick(k * 1000), settings)
        assert outcome is not None
        said.append(outcome.road)
    return float(coolant.max()), said


@pytest.mark.parametrize(("ac_on", "lockup_kmh"), [(False, LOCKED), (True, LOCKED), (False, OPEN)])
def test_planned_and_foreseen_peak_are_one(ac_on: bool, lockup_kmh: float, monkeypatch: pytest.MonkeyPatch) -> None:
    # the plan says how it will be driven, with what, and that nothing is missed: so must be what is foreseen of it
    monkeypatch.setattr(climb_ahead, "RESIDUAL_C", 0.0)
    monkeypatch.setattr(fleet, "START_SD", 0.1 * fleet.START_SD)
    for unknown, value in {"STRANGE": 0.02, "STEADY": 0.02, "KEEPS": 0.02, "OWN": 0.02, "OWN_KMH": KMH}.items():
        monkeypatch.setattr(road_demand, unknown, value)
    foot_s = int(FOOT_M / (KMH / 3.6))
    planned_c, said = foreseen(Way("as driven", KMH, ac_on=ac_on), lockup_kmh, foot_s + 250)
    before, after = said[foot_s - 30], said[-1]
    assert planned_c > 98.0
    for road in (before, after):
        assert road is not None
        assert road.peak_c is not None
        assert road.peak_c.likely == pytest.approx(planned_c, abs=1.0)
