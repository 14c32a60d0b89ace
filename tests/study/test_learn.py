"""What drives teach: made-up drives of known truth, a case with a closed form, drives that must be left out."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from livemon.cli import main
from livemon.core import heat
from livemon.core.air import air_density
from livemon.core.draws import draws
from livemon.core.engine import coolant_heat_kw
from livemon.core.figures import Figure
from livemon.core.radiator import Demand, Surroundings
from livemon.core.together import Together
from livemon.core.vehicle import VehicleProfile
from livemon.files import vehicle_file, yaml_lines
from livemon.study.carries import RUNNINGS, carried_fuel_kw
from livemon.study.cooling_fit import fit, fitted_names, free_runs, opened
from livemon.study.learn import MODEL_SHARE, Learned, learn
from livemon.study.recording import STEP_S, Drive
from livemon.study.student import t_quantile
from livemon.wire.codes import marks_drive

LOG = Path(__file__).resolve().parents[2] / "replay" / "traffic-jam" / "log.csv"
NAN = np.full(1, np.nan)


def made_drive(name: str, truth: VehicleProfile, seed: int, minutes: int = 50) -> Drive:
    """A drive by the physics of the core in whole degrees: climbs, level road and standing by turns."""
    rng = np.random.default_rng(seed)
    n = int(minutes * 60 / STEP_S)
    part = (np.arange(n) // 72).astype(int)
    speed = rng.choice([0.0, 60.0, 90.0], size=part[-1] + 1)[part]
    fuel = np.where(speed == 0.0, 14.0, rng.uniform(60.0, 190.0, part[-1] + 1)[part])
    rpm = np.where(speed == 0.0, 700.0, rng.uniform(1800.0, 3200.0, part[-1] + 1)[part])
    air_c, kpa = float(rng.uniform(22.0, 38.0)), 96.0
    engine, cooling = truth.engine(), truth.cooling()
    nodes = heat.regulated(86.0, air_c, 20.0, cooling)
    sensed, coolant = 86.0, np.empty(n)
    for k in range(n):
        demand = Demand(float(coolant_heat_kw(engine, fuel[k])), rpm[k], speed[k])
        nodes = heat.advance(nodes, demand, Surroundings(air_c, air_density(kpa, air_c)), cooling, STEP_S)
        sensed = float(heat.lag(sensed, nodes.coolant_c, STEP_S, cooling.sensor_lag_s))
        coolant[k] = np.floor(sensed)
    still = np.zeros(n)
    return Drive(
        name, STEP_S * np.arange(n), coolant, speed, rpm, fuel, still + air_c, still + kpa, still, still, still,
        still + np.nan, still + np.nan, source="air flow", air_measured=True, rows=n,
    )  # fmt: skip


TRUTH = VehicleProfile(
    typed={"radiator_kw_k": Figure(1.25, 0.1), "open_c": Figure(86.0, 1.0), "metal_kj_k": Figure(95.0, 5.0)}
)
DRIVES = [made_drive(f"drive {k}", TRUTH, k) for k in range(4)]


def learned(drives: list[Drive]) -> Learned:
    found = learn(drives, VehicleProfile(), marks_drive)
    assert isinstance(found, Learned)
    return found


@pytest.fixture(scope="module")
def taught() -> Learned:
    return learned(DRIVES)


def test_what_the_cooling_carries_is_found(taught: Learned) -> None:
    """A quarter less radiator than the default: the learned climb is nearer the truth than the default by far."""
    truth = {c.running.name: c for c in learned_truth()}
    for name in ("level", "climb"):
        one = next(c for c in taught.carries if c.running.name == name)
        assert one.shown
        assert one.low < truth[name].before < one.high
        assert abs(np.log(one.likely / truth[name].before)) < 0.4 * abs(np.log(one.before / truth[name].before))


def learned_truth() -> tuple:  # type: ignore[type-arg]  # of study.learn.Carried
    found = learn(DRIVES[:1], TRUTH, marks_drive)
    assert isinstance(found, Learned)
    return found.carries


def test_the_thermostat_is_found(taught: Learned) -> None:
    """Where it stands half open, which its start and its span share; readings are cut to whole degrees, so 0.5 low.

    On made-up vehicles of both plants it is found 1.1 K low, with a standard deviation of 1.2 to 2 (48 rigs each).
    """
    after = {r.name: r.after.likely for r in taught.rows}
    assert after["open_c"] + 0.5 * after["full_span_c"] == pytest.approx(86.0 + 6.5 - 0.5, abs=2.0)
    assert next(r for r in taught.rows if r.name == "open_c").told
    assert taught.rms_c < 0.7


def test_the_written_profile_cools_as_the_fitted_one(taught: Learned) -> None:
    _, missed = free_runs(DRIVES, taught.profile)
    assert np.sqrt(np.nanmean(missed**2)) == pytest.approx(taught.rms_c, abs=0.1)


def test_a_worn_part_is_not_counted_twice() -> None:
    """A part state that stood while learning is in the learned figures: the written profile cools as the fitted one,
    and as a repaired one once the state is taken out."""
    found = learn(DRIVES[:2], VehicleProfile(parts=("half_blocked_radiator",)), marks_drive)
    assert isinstance(found, Learned)
    wrote = found.profile
    assert wrote.learned_parts == ("half_blocked_radiator",)
    _, missed = free_runs(DRIVES[:2], wrote)
    assert np.sqrt(np.nanmean(missed**2)) == pytest.approx(found.rms_c, abs=0.1)
    after = next(row.after for row in found.rows if row.name == "radiator_open")
    assert wrote.state("radiator_open") == after
    assert replace(wrote, parts=()).state("radiator_open").likely == pytest.approx(after.likely / 0.5)


def test_vehicles_drawn_from_the_written_profile_carry_what_was_learned(taught: Learned) -> None:
    """Drawn together they spread as the bands say; drawn one by one, by half as much again."""
    joint, alone = taught.profile, replace(taught.profile, together=Together())

    def spread(profile: VehicleProfile, name: str) -> float:
        _, engine, cooling = draws(profile, 512)
        at = next(r for r in RUNNINGS if r.name == name)
        return float(np.std(np.log(np.asarray(carried_fuel_kw(engine, cooling, at)))))

    for name in ("level", "climb"):
        one = next(c for c in taught.carries if c.running.name == name)
        said = np.log(one.high / one.low) / 2.0 / t_quantile(0.95, taught.fit.dof)
        heavier = np.sqrt(taught.fit.dof / (taught.fit.dof - 2.0))
        assert MODEL_SHARE[name] * 0.9 < spread(joint, name) < 1.15 * heavier * said
        assert spread(alone, name) > 1.3 * spread(joint, name)


def test_bands_narrow_with_more_drives() -> None:
    few, more = learned(DRIVES[:1]), learned(DRIVES)
    few_sd = {r.name: r.high - r.low for r in few.rows}
    more_sd = {r.name: r.high - r.low for r in more.rows}
    assert more_sd["open_c"] < few_sd["open_c"]


def test_the_order_of_the_logs_moves_nothing(taught: Learned) -> None:
    again = learned(DRIVES[::-1])
    assert again.rows == taught.rows
    assert again.carries == taught.carries


def test_the_typed_part_stays_and_an_earlier_learned_part_is_no_prior(taught: Learned) -> None:
    before = VehicleProfile(typed={"coolant_l": Figure(14.0, 0.2, "typed")})
    first = learn(DRIVES[:2], before, marks_drive)
    assert isinstance(first, Learned)
    assert first.profile.typed == before.typed
    second = learn(DRIVES[:2], first.profile, marks_drive)
    assert isinstance(second, Learned)
    assert second.rows == first.rows


def test_drives_that_would_mislead_are_left_out_by_name() -> None:
    n = len(DRIVES[0].t_s)
    shut = made_drive("warm, says nothing", TRUTH, 9)
    odd = replace(DRIVES[2], name="odd", coolant_c=np.full(n, 61.0) + np.linspace(0, 40, n) % 17)
    bad = [
        replace(DRIVES[0], name="misfire", codes=("P0301",)),
        replace(DRIVES[0], name="jumps", jumps=9),
        replace(DRIVES[0], name="no load", fuel_kw=np.full(n, np.nan)),
        replace(DRIVES[0], name="no coolant", coolant_c=np.full(n, np.nan)),
        replace(DRIVES[0], name="gaps", coolant_c=np.where(np.arange(n) % 40 < 20, DRIVES[0].coolant_c, np.nan)),
        odd,
    ]
    found = learned([*DRIVES, shut, *bad])
    assert {one.name for one in found.left} == {b.name for b in bad}
    assert "P0301" in next(one.reason for one in found.left if one.name == "misfire")


def test_what_was_never_shown_is_said_and_keeps_its_default() -> None:
    found = learned(DRIVES)
    assert any("A/C" in words for words in found.not_shown)
    assert not next(c for c in found.carries if c.running.name == "climb_ac").shown
    assert not next(r for r in found.rows if r.name == "condenser_kw").told


def test_how_the_ac_drives_the_fan_is_learned_only_where_somebody_told_of_it(taught: Learned) -> None:
    told = replace(DRIVES[0], name="told", ac_on=np.where(DRIVES[0].t_s > 900.0, 1.0, 0.0))
    untold = [replace(d, ac_on=np.full(len(d.t_s), np.nan)) for d in DRIVES[:2]]
    assert "ac_fan" in learned([told]).profile.learned
    assert "ac_fan" not in learned(untold).profile.learned
    assert "ac_fan" not in fitted_names(opened(VehicleProfile(has_ac=False), True))
    assert "ac_fan" not in fitted_names(opened(VehicleProfile(parts=("dead_electric_fan",)), True))
    assert {"speed_curve", "rpm_curve", "fan_and_ram"} <= taught.profile.learned.keys()


def test_nothing_of_use_is_a_list_of_reasons() -> None:
    found = learn([replace(DRIVES[0], jumps=9)], VehicleProfile(), marks_drive)
    assert not isinstance(found, Learned)
    assert found[0].name == "drive 0"


def test_against_scipy_on_a_case_with_a_closed_form() -> None:
    """One figure free: the same minimum as scipy's least squares on the same free runs.

    Cooling down at rest with the thermostat shut is one exponential toward the air; the loss of the block decides it.
    """
    base = VehicleProfile(
        typed={n: Figure(VehicleProfile().figure(n).likely, 0.0, "typed") for n in _others("loss_kw_k")}
    )
    truth = replace(base, typed={**base.typed, "loss_kw_k": Figure(0.045, 0.0)})
    drive = _cooling_down(truth)
    found = fit([drive], base)
    assert found is not None
    assert found.names == ("loss_kw_k",)
    key = base.state("loss_kw_k")
    ours = key.likely * float(np.exp(found.z[0] * key.spread / key.likely))

    def missed(loss: np.ndarray) -> np.ndarray:  # type: ignore[type-arg]  # a plain vector
        trial = replace(base, typed={**base.typed, "loss_kw_k": Figure(float(loss[0]), 0.0)})
        return np.asarray(_cooling_down(trial, whole=False).coolant_c - drive.coolant_c - 0.5)

    theirs = least_squares(missed, [0.025]).x[0]
    assert ours == pytest.approx(theirs, rel=0.06)
    assert ours == pytest.approx(0.045, rel=0.06)


def _others(name: str) -> list[str]:
    from livemon.core.figures import FIGURES

    return [n for n in FIGURES if n != name]


def _cooling_down(truth: VehicleProfile, whole: bool = True) -> Drive:
    n = 600
    cooling = truth.cooling()
    nodes = heat.regulated(75.0, 5.0, 2.0, cooling)
    sensed, coolant = 75.0, np.empty(n)
    fuel = np.full(n, 4.0)
    for k in range(n):
        demand = Demand(float(coolant_heat_kw(truth.engine(), fuel[k])), 700.0, 30.0)
        nodes = heat.advance(nodes, demand, Surroundings(5.0, air_density(100.0, 5.0)), cooling, STEP_S)
        sensed = float(heat.lag(sensed, nodes.coolant_c, STEP_S, cooling.sensor_lag_s))
        coolant[k] = np.floor(sensed) if whole else sensed
    still = np.zeros(n)
    return Drive(
        "down", STEP_S * np.arange(n), coolant, still + 30.0, still + 700.0, fuel, still + 5.0, still + 100.0, still,
        still, still, still + np.nan, still + np.nan, source="air flow", air_measured=True, rows=n,
    )  # fmt: skip


def test_the_verb_writes_a_profile_that_reads_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mine = tmp_path / "mine.yaml"
    mine.write_text("# my own words\nname: Basalt\nlimit: 108 C\ntyped:\n  coolant: 12 L # measured\nlearned: {}\n")
    assert main(["learn", str(LOG), "--vehicle", str(mine), "--out", str(mine), "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["drives"][0]["name"] == "log.csv"
    text = mine.read_text()
    assert "# my own words" in text
    assert "coolant: 12 L # measured" in text
    profile, lines = vehicle_file.from_block(yaml_lines.parse(text, "mine.yaml"))
    assert profile.learned
    assert profile.together.names == tuple(profile.learned)
    assert lines["drive.limit"].text == "108 C"
    assert main(["replay", str(LOG), "--vehicle", str(mine), "--quiet"]) == 0


def test_the_verb_without_a_drive_of_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "short.csv"
    log.write_text("time_s,coolant_c\n0.000,90\n1.000,91\n")
    assert main(["learn", str(log)]) == 1
    assert "nothing tells the engine's load" in capsys.readouterr().err
