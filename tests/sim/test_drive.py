"""Made-up drives: reproducible, honest about their truth, and shaped like the signals they imitate."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livemon.core import demand, engine, heat
from livemon.core.events import SIGNALS, Link, Mark, Sample
from livemon.core.outcome import Status
from livemon.core.signals import Inputs
from livemon.core.vehicle import Fuel
from livemon.sim import rigs
from livemon.sim.drive import Drives, run
from livemon.sim.faults import Break, Fault
from livemon.sim.road import BUILDERS, STEP_M, stack
from livemon.sim.scenarios import SCENARIOS, karga_road
from livemon.sim.sensors import FULL, OLD, POLLINGS, SLOW


@pytest.fixture(scope="module")
def climbs() -> Drives:
    return run(rigs.draw(11, 6, "irregular"), 900)


@pytest.mark.parametrize("family", rigs.FAMILIES)
def test_rigs_of_every_family_drive(family: str) -> None:
    drives = run(rigs.draw(2, 4, family), 400)
    for name, values in drives.truth.items():
        assert np.isfinite(values).all(), name
    assert drives.truth["distance_m"][-1].min() > 1_500
    assert drives.truth["coolant_c"].max() < 140
    assert (drives.truth["rpm"] <= 1.06 * np.array([float(r.engine.rpm_limit) for r in drives.rigs])).all()
    assert (np.abs(drives.truth["grade_pct"]) < 15).all()


def test_a_rig_drives_the_same_alone_and_in_a_batch(climbs: Drives) -> None:
    alone = run(rigs.draw(11, 1, "irregular", first=4), 900)
    for name in alone.truth:
        np.testing.assert_array_equal(alone.truth[name][:, 0], climbs.truth[name][:, 4], err_msg=name)
    for name in alone.readings:
        np.testing.assert_array_equal(alone.readings[name][:, 0], climbs.readings[name][:, 4], err_msg=name)


def test_another_seed_is_another_world(climbs: Drives) -> None:
    other = run(rigs.draw(12, 1, "irregular"), 60)
    assert not np.array_equal(other.truth["coolant_c"][:, 0], climbs.truth["coolant_c"][:60, 0])


def test_truth_is_the_core_s_physics(climbs: Drives) -> None:
    """Heat and temperatures of the truth are what the core gives for the same second: the formula exists once."""
    truth = climbs.truth_of(2)
    rig = climbs.rigs[2]
    burning = truth["fuel_kw"] > 0
    assert 0.5 < burning.mean() <= 1.0
    fuel = engine.fuel_kw_from_power(rig.engine, truth["engine_kw"], truth["rpm"])
    np.testing.assert_allclose(truth["fuel_kw"][burning], np.asarray(fuel)[burning], rtol=1e-9)
    burnt = np.asarray(engine.coolant_heat_kw(rig.engine, truth["fuel_kw"]))
    np.testing.assert_allclose(truth["heat_kw"][burning], burnt[burning], rtol=1e-9)
    stored = float(heat.heat_capacity_kj_k(rig.cooling))
    slope = np.abs(np.diff(truth["coolant_c"])).max()
    assert slope < 2.0 * 100.0 / stored  # no second moves more heat than an engine makes


def test_readings_follow_the_truth(climbs: Drives) -> None:
    for i, rig in enumerate(climbs.rigs):
        truth, told = climbs.truth_of(i), climbs.readings_of(i)
        assert np.abs(told["coolant_c"] - truth["sensed_c"]).max() <= 1.0 + 6 * rig.sensor.coolant_noise_c
        assert (told["coolant_c"] == np.round(told["coolant_c"])).all()
        gap = told["coolant_c"] - truth["sensed_c"]
        assert gap.mean() == pytest.approx(-0.5 if rig.sensor.coolant_floor else 0.0, abs=0.2)
        assert np.abs(told["baro_kpa"] - truth["air_kpa"]).max() < 3.0
        assert np.corrcoef(told["maf_g_s"], truth["engine_kw"])[0, 1] > 0.97
        # a sensor may read a little over the outside, noise and whole kPa included
        assert (told["map_kpa"] <= truth["air_kpa"] + 5).all()
        # rpm over speed tells the gear: the truth's rpm is reached through gear and converter
        assert np.abs(told["rpm"] - truth["rpm"]).max() < 80
    for name, values in climbs.readings.items():
        signal = SIGNALS[name]
        assert values.min() >= signal.low, name
        assert values.max() <= signal.high, name


def test_manifold_pressure_and_air_flow_tell_the_same_charge(climbs: Drives) -> None:
    rig, told = climbs.rigs[1], climbs.readings_of(1)
    size, filling = float(rig.engine.displacement_l), float(rig.engine.volumetric_efficiency)
    by_map = engine.air_from_manifold(told["map_kpa"], told["rpm"], told["intake_air_c"], size, filling)
    assert np.median(by_map / told["maf_g_s"]) == pytest.approx(1.0, abs=0.15)


def test_sensor_lags_the_coolant(climbs: Drives) -> None:
    """On a rise the sensed temperature is late by about the sensor's lag."""
    for i, rig in enumerate(climbs.rigs):
        truth = climbs.truth_of(i)
        rate = np.gradient(truth["coolant_c"])
        behind = truth["coolant_c"] - truth["sensed_c"]
        steady = np.abs(np.gradient(rate)) < 2e-4
        rising = steady & (rate > 0.03)
        if rising.sum() > 30:
            assert np.median(behind[rising] / rate[rising]) == pytest.approx(rig.sensor.coolant_lag_s, rel=0.35)


@pytest.mark.parametrize("name", POLLINGS)
def test_polling_gives_its_signals_in_time_order(name: str, climbs: Drives) -> None:
    events = list(climbs.events(0, POLLINGS[name]))
    assert isinstance(events[0], Link)
    times = [e.t_ms for e in events]
    assert times == sorted(times)
    samples = [e for e in events if isinstance(e, Sample)]
    told = {n for s in samples for n, _ in s.readings}
    assert told == set(POLLINGS[name].signals) - {"coolant2_c"}  # no second sensor in these rigs


def test_slow_bus_takes_three_seconds_a_turn(climbs: Drives) -> None:
    coolant = [
        e.t_ms for e in climbs.events(0, SLOW) if isinstance(e, Sample) and any(n == "coolant_c" for n, _ in e.readings)
    ]
    assert set(np.diff(coolant)) == {3000}
    assert not {"ambient_air_c", "baro_kpa", "maf_g_s"} & set(OLD.signals)
    assert "ambient_air_c" in FULL.signals


def test_air_conditioning_is_declared_when_it_changes() -> None:
    rig = SCENARIOS["karga-pass"].build(1)
    events = list(run([rig], 30).events(0))
    marks = [e for e in events if isinstance(e, Mark)]
    assert marks == [Mark(0, (("ac_on", True),))]
    assert not [e for e in run([rig], 30).events(0, declare=False) if isinstance(e, Mark)]


def test_finer_steps_tell_the_same_drive() -> None:
    """Half the step inside moves the peak by less than 1 K: the drive is not an artefact of its step."""
    rig = SCENARIOS["karga-pass"].build(1)
    coarse, fine = run([rig], 700), run([rig], 700, dt_s=0.5)
    assert coarse.truth["coolant_c"].max() == pytest.approx(fine.truth["coolant_c"].max(), abs=1.0)


def test_named_drives_show_what_they_say() -> None:
    names = list(SCENARIOS)
    drives = run([SCENARIOS[name].build(1) for name in names], max(s.seconds for s in SCENARIOS.values()))
    truth = {name: drives.truth_of(i) for i, name in enumerate(names)}
    told = {name: drives.readings_of(i)["coolant_c"] for i, name in enumerate(names)}
    peak = {name: float(truth[name]["coolant_c"][: SCENARIOS[name].seconds].max()) for name in names}
    assert 109 < peak["karga-pass"] < 118
    assert 103 < peak["karga-gentle"] < 108
    assert peak["orlo-jam"] > 108
    assert peak["orlo-dead-fan"] > 108
    hottest = int(truth["karga-leak"]["metal_c"].argmax())
    reading = told["karga-leak"]
    assert reading[hottest] < reading[: hottest + 1].max() - 10  # the reading fell although the metal got hotter
    stuck = told["karga-stuck-sensor"][400:]
    assert (stuck == stuck[0]).all()
    assert np.abs(np.diff(told["karga-loose-sensor"][300:])).max() > 8
    assert peak["thermostat-open"] < 60 < peak["cold-morning"]


HOTTER = (
    Fault.ELECTRIC_FAN_DEAD,
    Fault.FAN_CLUTCH_SLIPS,
    Fault.RADIATOR_BLOCKED,
    Fault.PUMP_SLIPS,
    Fault.COOLANT_LOSS,
    Fault.THERMOSTAT_STUCK_SHUT,
)


def test_faults_move_the_temperature_the_right_way() -> None:
    rig = SCENARIOS["orlo-jam"].build(1)
    broken = [replace(rig, breaks=Break(f, 500.0, 20.0, 0.6)) for f in (*HOTTER, Fault.THERMOSTAT_STUCK_OPEN)]
    sound, *hotter, stuck_open = run([rig, *broken], 1300).truth["coolant_c"][900:].mean(0)
    for fault, mean_c in zip(HOTTER, hotter, strict=True):
        assert mean_c > sound + 0.5, fault
    assert stuck_open < sound + 0.01


def test_sensor_faults_touch_the_reading_and_not_the_truth() -> None:
    rig = SCENARIOS["karga-gentle"].build(1)
    sound = run([rig], 300)
    for fault, check in (
        (Fault.SENSOR_OPEN, -40.0),
        (Fault.SENSOR_SHORT, 215.0),
    ):
        broken = run([replace(rig, breaks=Break(fault, 200.0))], 300)
        np.testing.assert_array_equal(broken.truth["coolant_c"], sound.truth["coolant_c"])
        assert (broken.readings["coolant_c"][200:] == check).all()
        np.testing.assert_array_equal(broken.readings["coolant_c"][:200], sound.readings["coolant_c"][:200])
    both = run([replace(rig, breaks=Break(Fault.SECOND_ECU_DIFFERS, 100.0)), rig], 200)
    second = both.readings_of(0)
    assert (second["coolant2_c"][150:] - second["coolant_c"][150:] == 12.0).all()
    for i, has_second in enumerate((True, False)):
        samples = [e for e in both.events(i) if isinstance(e, Sample)]
        assert all(("coolant2_c" in dict(s.readings)) is has_second for s in samples)


def test_aimed_rigs_spread_over_the_range_that_teaches() -> None:
    peaks = run(rigs.draw(5, 30, "steady"), 1800).truth["coolant_c"].max(0)
    assert np.percentile(peaks, 10) < 103
    assert np.percentile(peaks, 90) > 110
    assert ((peaks > 100) & (peaks < 116)).mean() > 0.5


@pytest.mark.parametrize("kind", BUILDERS)
def test_roads_are_roads(kind: str) -> None:
    roads = [BUILDERS[kind](np.random.default_rng(s)) for s in range(8)]
    for road in roads:
        assert road.length_m > 8_000
        assert np.abs(road.grade_pct).max() <= 14
        assert len(road.curve_kmh) == len(road.height_m)
    together = stack(roads)
    where = np.full(8, 1_010.0)
    height, grade, _ = together.at(where)
    for i, road in enumerate(roads):
        index = int(1_010.0 / STEP_M)
        assert grade[i] == pytest.approx(road.grade_pct[index])
        assert height[i] == pytest.approx(road.height_m[index] + 10.0 * grade[i] / 100.0)
    # past the end the road is level
    _, beyond, _ = together.at(np.full(8, 1e6))
    assert (beyond == 0).all()


def test_karga_pass_is_always_the_same_road() -> None:
    np.testing.assert_array_equal(karga_road().height_m, karga_road().height_m)
    assert karga_road().height_m.max() - karga_road().height_m[0] == pytest.approx(710, abs=60)


def test_a_diesel_tells_its_torque_as_load_and_the_core_reads_its_heat_from_it() -> None:
    rig = SCENARIOS["karga-gentle"].build(1)
    diesel = replace(rig, engine=replace(rig.engine, fuel=Fuel.DIESEL), sensor=replace(rig.sensor, load_noise_pct=0.0))
    drive = run([diesel], 900)
    fuel, load = drive.truth["fuel_kw"][:, 0], drive.readings["load_pct"][:, 0]
    told = np.array([
        demand.fuel_kw(
            Inputs(0, Status.LIVE, rpm=float(drive.readings["rpm"][k, 0]), load_pct=float(load[k])),
            diesel.engine, float(drive.truth["air_c"][k, 0]), float(drive.truth["air_kpa"][k, 0]),
        )
        for k in range(900)
    ])  # fmt: skip
    pulling = (fuel > 40.0) & (load < 99.0)
    assert pulling.sum() > 300
    assert np.abs(told[pulling] / fuel[pulling] - 1.0).max() < 0.06, "rounded load and noisy engine speed"
    assert (load[fuel <= 0.0] < 1.0).all()
