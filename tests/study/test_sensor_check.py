"""Sensor against thermometer: interval and slope against scipy and a published example; pairs read from CSV."""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from livemon import settings
from livemon.cli import main
from livemon.core.events import Sample, Tick
from livemon.core.pipeline import CoreSettings, start, step
from livemon.core.vehicle import VehicleProfile
from livemon.errors import SetupError
from livemon.files.yaml_lines import Word
from livemon.study.sensor_check import check, read_pairs
from livemon.study.student import t_quantile
from livemon.verbs.recordings import read_drives


def test_interval_against_scipy() -> None:
    random = np.random.default_rng(7)
    for count in (3, 5, 12, 40):
        warm = random.uniform(70, 110, count)
        sensor = warm + 2.0 + random.normal(0, 1.6, count)
        found = check(sensor.tolist(), warm.tolist())
        theirs = stats.ttest_1samp(sensor - warm, 0.0).confidence_interval(0.9)
        assert (found.low_c, found.high_c) == pytest.approx((theirs.low, theirs.high), abs=2e-3)
        assert found.offset_c == pytest.approx((sensor - warm).mean())


def test_readings_in_whole_degrees_are_never_known_better() -> None:
    """Three alike are no proof of a tenth of a degree: uniform rounding, s = 1 / sqrt(12), t(0.95, 2) = 2.920."""
    found = check([94.0] * 3, [91.0] * 3)
    assert found.spread_c == pytest.approx(0.2887, abs=1e-4)
    assert (found.low_c, found.high_c) == pytest.approx((3.0 - 0.4867, 3.0 + 0.4867), abs=1e-3)
    sure = check([60.0, 70.0, 80.0, 90.0, 100.0], [60.0, 69.9, 79.8, 89.7, 99.6])
    assert not sure.bent


@pytest.mark.parametrize(
    "text",
    [
        "sensor_c;thermometer_c\r\n94;91,5\r\n95;92\r\n90;87,25\r\n",
        "sensor_c\tthermometer_c\n94\t91,5\n95\t92\n90\t87,25\n",
    ],
)
def test_pairs_as_a_spreadsheet_saves_them(text: str) -> None:
    assert read_pairs("\ufeff" + text, "pairs.csv") == ([94.0, 95.0, 90.0], [91.5, 92.0, 87.25])


def test_published_interval() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.2 (ZARR13.DAT): n 195, mean 9.261460, s 0.02278881; 95 % 9.258242 to 9.264679.

    The figures are quoted from memory.
    """
    half = t_quantile(0.975, 194) * 0.02278881 / 195**0.5
    assert (9.261460 - half, 9.261460 + half) == pytest.approx((9.258242, 9.264679), abs=2e-6)


def test_slope_against_scipy() -> None:
    random = np.random.default_rng(3)
    warm = np.linspace(60, 110, 12)
    sensor = warm * 1.05 - 2.0 + random.normal(0, 0.5, 12)
    found = check(sensor.tolist(), warm.tolist())
    theirs = stats.linregress(warm, sensor - warm)
    half = stats.t.ppf(0.95, 10) * theirs.stderr
    assert found.slope == pytest.approx((theirs.slope - half, theirs.slope, theirs.slope + half), abs=1e-4)
    assert found.bent
    assert "no single offset" in found.words


@pytest.mark.parametrize(
    ("differences", "agrees"), [([0.2, 0.0, 0.1, 0.3], True), ([3.0, 3.2, 2.9, 3.1], False), ([0.0, 2.0, 1.0], None)]
)
def test_never_surer_than_the_pairs(differences: list[float], agrees: bool | None) -> None:
    assert check([90.0 + d for d in differences], [90.0] * len(differences)).agrees is agrees


def test_intervals_hold_as_often_as_they_say() -> None:
    """4000 made-up checks of five pairs: 90 % within three binomial standard deviations (1.4 %), seed 11."""
    random = np.random.default_rng(11)
    held = 0
    for _ in range(4000):
        found = check((90 + 1.5 + random.normal(0, 1, 5)).tolist(), [90.0] * 5)
        held += found.low_c <= 1.5 <= found.high_c
    assert held / 4000 == pytest.approx(0.9, abs=3 * (0.9 * 0.1 / 4000) ** 0.5)


def test_pairs_in_either_unit() -> None:
    metric = read_pairs("sensor_c,thermometer_c,note\n100,98,idle\n\n90,88,\n95,93,\n", "pairs.csv")
    us = read_pairs("# read at the housing\nthermometer_f,sensor_f\n208.4,212\n190.4,194\n199.4,203\n", "pairs.csv")
    assert metric[0] == pytest.approx(us[0])
    assert metric[1] == pytest.approx(us[1])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "header row"),
        ("90,91\n92,93\n", "header row"),
        ("sensor_c,thermometer_c,sensor_f,thermometer_f\n1,1,1,1\n", "header row"),
        ("sensor_c,thermometer_c\n90,88\n91,x\n92,90\n", "row 3"),
        ("sensor_c,thermometer_c\n90,88\n91\n92,90\n", "row 3"),
        ("sensor_c,thermometer_c\n90,nan\n91,90\n92,90\n", "row 2"),
        ("sensor_c,thermometer_c\n90,88\n", "3 to"),
    ],
)
def test_refused_with_the_place(text: str, says: str) -> None:
    with pytest.raises(SetupError, match=says):
        read_pairs(text, "pairs.csv")


def test_an_offset_in_the_settings_is_taken_off_at_the_door() -> None:
    """A sensor 3 K high with the offset says what a right one says without; the log keeps the raw reading."""
    right, high = CoreSettings(), CoreSettings(sensor_offset_c=3.0)
    one, other = start(right), start(high)
    for second in range(120):
        reading = 80.0 + second // 6
        one, _ = step(one, Sample(1000 * second, (("coolant_c", reading), ("rpm", 2000.0))), right)
        other, _ = step(other, Sample(1000 * second, (("coolant_c", reading + 3.0), ("rpm", 2000.0))), high)
        one, said = step(one, Tick(1000 * second), right)
        other, said_too = step(other, Tick(1000 * second), high)
        assert said == said_too
    assert said is not None
    assert said.coolant_c == 99.0


def test_drives_to_learn_from_are_corrected_alike(tmp_path: Path) -> None:
    """The offset of a log's own header is taken off before its columns are made."""
    log = tmp_path / "log.csv"
    rows = "".join(f"{t},95\n" for t in range(60))
    log.write_text('# settings: {"drive.sensor_offset":"3 C"}\ntime_s,coolant_c\n' + rows)
    given = argparse.Namespace(outside=None, mass=None, settings=None, quiet=True)
    (drive,), failed = read_drives([log], given, VehicleProfile())
    assert not failed
    assert set(drive.coolant_c.tolist()) == {92.0}


def test_a_replay_takes_the_offset_from_the_header_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The raw log with the offset in its header says, to the byte, what a right sensor's log says."""
    high, right = tmp_path / "high.csv", tmp_path / "right.csv"
    kept = settings.settle({"drive.sensor_offset": Word("3 C", "here")}).for_log()
    rows = [(t, 85 + t // 20) for t in range(200)]
    high.write_text(f"# settings: {kept}\ntime_s,coolant_c\n" + "".join(f"{t},{c + 3}\n" for t, c in rows))
    right.write_text("time_s,coolant_c\n" + "".join(f"{t},{c}\n" for t, c in rows))
    assert main(["replay", str(high), "--json"]) == 0
    one = capsys.readouterr()
    assert main(["replay", str(right), "--json"]) == 0
    other = capsys.readouterr()
    assert one.out == other.out
    assert "coolant readings corrected by -3.0 C (drive.sensor_offset)" in one.err
    assert "corrected" not in other.err
