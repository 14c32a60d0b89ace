"""Heat shed: effectiveness against the exact series of `ht`, worked figures of air and condenser, and the fan
laws.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ht import effectiveness_from_NTU
from hypothesis import given
from hypothesis import strategies as st

from livemon.core import radiator
from livemon.core.radiator import Demand, Surroundings
from livemon.core.vehicle import VehicleProfile

COOLING = VehicleProfile().cooling()
HOT = Surroundings(35.0, 1.1)

# Cross-flow, both unmixed, exact: Cmin/Cmax, NTU 0.5, 1, 1.5, 2, 3.
EXACT = {
    0.0: (0.3935, 0.6321, 0.7769, 0.8647, 0.9502),
    0.2: (0.3787, 0.5965, 0.7280, 0.8108, 0.9016),
    0.5: (0.3578, 0.5475, 0.6597, 0.7324, 0.8197),
    1.0: (0.3263, 0.4762, 0.5602, 0.6142, 0.6813),
}
NTUS = (0.5, 1.0, 1.5, 2.0, 3.0)


@pytest.mark.parametrize("ratio", EXACT)
def test_effectiveness_table(ratio: float) -> None:
    ours = radiator.effectiveness(np.array(NTUS), max(ratio, 1e-9))
    np.testing.assert_allclose(ours, EXACT[ratio], atol=1e-4 if ratio == 0 else 0.011)


def test_effectiveness_against_the_exact_series() -> None:
    """The closed form stays within 0.011 of `ht` for NTU 0.1 to 6, and within 0.008 where radiators work."""
    for ratio in (0.05, 0.2, 0.35, 0.5, 0.75, 1.0):
        for ntu in (0.1, 0.3, 0.7, 1.0, 1.5, 2.5, 4.0, 6.0):
            exact = effectiveness_from_NTU(ntu, ratio, subtype="crossflow")
            allowed = 0.008 if ratio <= 0.5 and 0.7 <= ntu <= 1.5 else 0.011
            assert float(radiator.effectiveness(ntu, ratio)) == pytest.approx(exact, abs=allowed), (ratio, ntu)


def test_air_capacity_rate() -> None:
    # 0.35 m2 x 5 m/s x 1.1 kg/m3 x cp = 1.94 kW/K.
    ram_only = replace(
        COOLING, face_area_m2=0.35, fan_m_s_krpm=0.0, electric_m_s=0.0, ram_share=0.25, recirculation=0.0
    )
    air = radiator.air_side(ram_only, Demand(0.0, 2500.0, 72.0), HOT, 0.0, 0.0)
    assert air.flow_kw_k == pytest.approx(1.94, abs=0.01)


def test_heat_of_a_worked_radiator() -> None:
    # effectiveness 0.6, Cair 1.94 kW/K, 60 K -> 69.7 kW; 1.5 m/s with 0.85 -> 29.6 kW.
    assert pytest.approx(69.8, abs=0.2) == 0.6 * 1.94 * 60
    fast = _shed_at(5.0)
    slow = _shed_at(1.5)
    assert fast.conductance_kw_k * 60 == pytest.approx(69.7, rel=0.02)
    assert slow.conductance_kw_k * 60 == pytest.approx(29.6, rel=0.02)


def _shed_at(face_m_s: float) -> radiator.Shed:
    """A radiator of effectiveness 0.6 at 5 m/s; the draught is inside the face speed."""
    cooling = replace(
        COOLING,
        face_area_m2=0.35,
        fan_m_s_krpm=0.0,
        electric_m_s=(face_m_s**2 - radiator.DRAFT_M_S**2) ** 0.5,
        recirculation=0.0,
        radiator_kw_k=2.19,
        air_exponent=0.51,
        air_share=0.85,
    )
    return radiator.shed(cooling, Demand(0.0, 2500.0, 0.0), HOT, 1.0, 0.0, 1.0)


@pytest.mark.parametrize(
    ("ntu", "film", "low", "high"), [(0.7, 0.51, 0.6, 0.85), (1.0, 0.51, 0.66, 0.76), (1.5, 0.65, 0.6, 0.85)]
)
def test_heat_follows_air_speed_with_the_known_exponent(ntu: float, film: float, low: float, high: float) -> None:
    """At a fixed inlet difference Q ~ V^p, p 0.65 to 0.85 for NTU 0.7 to 1.5; about 0.71 at NTU 1 and film 0.51."""

    def heat(speed: float) -> float:
        ua = ntu * (speed**film)  # air side alone
        return float(radiator.effectiveness(ua / speed, 1e-6)) * speed

    power = np.log(heat(1.05) / heat(0.95)) / np.log(1.05 / 0.95)
    assert low <= power <= high


def test_condenser_ahead_of_the_radiator() -> None:
    # 8 kW with 0.35 m2 and 1.1 kg/m3: +4.1 K at 5 m/s, +13.8 K at 1.5 m/s.
    for face, rise in ((5.0, 4.1), (1.5, 13.8)):
        cooling = replace(
            COOLING,
            face_area_m2=0.35,
            fan_m_s_krpm=0.0,
            electric_m_s=(face**2 - radiator.DRAFT_M_S**2) ** 0.5,
            recirculation=0.0,
            condenser_kw=8.0,
        )
        core = radiator.shed(cooling, Demand(0.0, 2500.0, 0.0, ac_on=1.0), HOT, 1.0, 0.0, 1.0)
        assert core.air_c - 35.0 == pytest.approx(rise, abs=0.1)


def test_fan_laws_and_clutch() -> None:
    still = radiator.DRAFT_M_S
    slow, fast = (radiator.face_speed_m_s(COOLING, 0.0, 0.0, rpm, 0.0) for rpm in (1000.0, 2000.0))
    assert (fast**2 - still**2) / (slow**2 - still**2) == pytest.approx(4.0)  # flow ~ N
    free = radiator.engine_fan_rpm(COOLING, 2500.0, 0.0) / (2500.0 * COOLING.fan_ratio)
    engaged = radiator.engine_fan_rpm(COOLING, 2500.0, 1.0) / (2500.0 * COOLING.fan_ratio)
    assert 0.2 <= free <= 0.3  # clutch maker: 20 to 30 % free
    assert 0.5 <= engaged <= 0.9  # 50 to 60 % standard, 80 to 90 % heavy duty
    assert radiator.engine_fan_rpm(COOLING, 5500.0, 1.0) == 3100.0  # a service manual: held at 3100 rpm
    slipping = VehicleProfile().with_parts("slipping_fan_clutch").cooling()
    assert radiator.engine_fan_rpm(slipping, 2500.0, 1.0) < radiator.engine_fan_rpm(COOLING, 2500.0, 1.0)


@given(st.floats(0, 130), st.floats(0, 3000), st.floats(0, 1))
def test_ram_and_fans_help_smoothly(speed: float, fan_rpm: float, electric: float) -> None:
    here = radiator.face_speed_m_s(COOLING, speed, 0.0, fan_rpm, electric)
    alone = radiator.face_speed_m_s(COOLING, speed, 0.0, 0.0, 0.0)
    fan = radiator.face_speed_m_s(COOLING, 0.0, 0.0, fan_rpm, electric)
    assert max(alone, fan) <= here <= alone + fan
    nudged = radiator.face_speed_m_s(COOLING, speed + 0.01, 0.0, fan_rpm, electric)
    assert abs(nudged - here) < 0.01


def test_a_fan_adds_to_ram_air_as_pressures_or_as_speeds() -> None:
    """At 0 pressures add, at 1 plain speeds; each of them alone is what it was."""
    ram, fan = (float(radiator.face_speed_m_s(COOLING, *at)) for at in ((60.0, 0.0, 0.0, 0.0), (0.0, 0.0, 1800.0, 1.0)))

    def both(together: float, speed_kmh: float = 60.0, rpm: float = 1800.0, electric: float = 1.0) -> float:
        cooling = replace(COOLING, fan_and_ram=together)
        return float(radiator.face_speed_m_s(cooling, speed_kmh, 0.0, rpm, electric))

    assert both(0.0) == pytest.approx(np.hypot(ram, fan), rel=0.01)
    assert both(1.0) == pytest.approx(ram + fan, rel=0.01)
    assert both(1.0, speed_kmh=0.0) == fan
    assert both(1.0, rpm=0.0, electric=0.0) == ram


def test_what_was_learned_of_road_and_engine_speed_moves_ua_alone() -> None:
    """The worked example of `form`; and however much UA it makes, the heat is no more than air and coolant carry."""
    cooling = replace(COOLING, speed_curve=0.1, rpm_curve=0.2)
    assert radiator.form(cooling, 130.0, 2500.0) == pytest.approx(1.0718, abs=1e-4)
    assert radiator.form(COOLING, 130.0, 4000.0) == 1.0
    much = replace(COOLING, speed_curve=1.5)
    around = radiator.Surroundings(30.0, 1.1)
    demand = radiator.Demand(40.0, 2500.0, 130.0)
    air = radiator.air_side(much, demand, around, 1.0, 1.0)
    core = radiator.shed(much, demand, around, 0.02, 1.0, 1.0, air)
    assert core.conductance_kw_k <= min(core.coolant_kw_k, air.flow_kw_k)


def test_recirculation_keeps_the_heat_balance() -> None:
    """The closed form equals the loop solved by repetition: hot air out, a share of it in again."""
    cooling = replace(COOLING, recirculation=0.25)
    demand = Demand(0.0, 900.0, 0.0, ac_on=1.0)
    core = radiator.shed(cooling, demand, HOT, 1.0, 0.5, 1.0)
    air = radiator.air_side(cooling, demand, HOT, 0.5, 1.0)
    plain = radiator.shed(replace(cooling, recirculation=0.0, condenser_kw=0.0), demand, HOT, 1.0, 0.5, 1.0)
    inlet = 35.0
    for _ in range(200):
        heat = plain.conductance_kw_k * (100.0 - inlet)
        out = inlet + heat / air.flow_kw_k
        inlet = 0.75 * 35.0 + 0.25 * out + air.condenser_kw / air.flow_kw_k
    assert core.conductance_kw_k * (100.0 - core.air_c) == pytest.approx(heat, rel=1e-9)
    assert radiator.air_behind_c(air, heat, 35.0) == pytest.approx(out, rel=1e-9)


def test_parts_do_what_they_should() -> None:
    def heat(profile: VehicleProfile, speed: float, rpm: float, ac: float = 0.0) -> float:
        core = radiator.shed(profile.cooling(), Demand(0.0, rpm, speed, ac), HOT, 1.0, 1.0, 1.0)
        return float(core.conductance_kw_k * (105.0 - core.air_c))

    sound = VehicleProfile()
    for part in (
        "weak_electric_fan",
        "slipping_fan_clutch",
        "clogged_condenser",
        "half_blocked_radiator",
        "low_pump_flow",
    ):
        weak = sound.with_parts(part)
        assert heat(weak, 10.0, 900.0) < heat(sound, 10.0, 900.0), part
        assert heat(weak, 90.0, 2500.0) < heat(sound, 90.0, 2500.0), part
    for part in ("strong_electric_fan", "bigger_radiator"):
        assert heat(sound.with_parts(part), 10.0, 900.0) > heat(sound, 10.0, 900.0), part
    # a fan matters at a crawl, hardly at speed; the air conditioning costs more at a crawl
    weak = sound.with_parts("weak_electric_fan")
    assert heat(weak, 5.0, 900.0) / heat(sound, 5.0, 900.0) < heat(weak, 100.0, 2500.0) / heat(sound, 100.0, 2500.0)
    crawl = heat(sound, 5.0, 900.0, 1.0) / heat(sound, 5.0, 900.0)
    assert crawl < heat(sound, 100.0, 2500.0, 1.0) / heat(sound, 100.0, 2500.0)
    worn = sound.with_parts("clogged_condenser", "new_condenser")
    assert heat(worn, 10.0, 900.0) == pytest.approx(heat(sound, 10.0, 900.0))


def test_thin_air_sheds_less() -> None:
    demand = Demand(0.0, 2500.0, 80.0)
    low = radiator.shed(COOLING, demand, Surroundings(30.0, 1.16), 1.0, 0.5, 0.0).conductance_kw_k
    high = radiator.shed(COOLING, demand, Surroundings(30.0, 0.86), 1.0, 0.5, 0.0).conductance_kw_k
    assert 0.75 < high / low < 0.86  # air mass falls by 26 %, conductance by the exponent of about 0.7
