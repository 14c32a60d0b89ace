"""`livemon simulate`: the same command writes the same log, which replays; wrong usage is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from livemon.cli import main
from livemon.core.events import Link, Sample
from livemon.sim.drive import Drives, Rig, run
from livemon.sim.scenarios import SCENARIOS
from livemon.verbs import simulate as verb
from livemon.wire.log_text import LogParser


def simulate(path: Path, *more: str) -> int:
    return main(["simulate", "--log", str(path), "--quiet", *more])


def test_same_command_same_bytes(tmp_path: Path) -> None:
    for name in ("a.csv", "b.csv"):
        assert simulate(tmp_path / name, "--scenario", "karga-pass", "--seed", "3", "--length", "4 min") == 0
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    simulate(tmp_path / "c.csv", "--scenario", "karga-pass", "--seed", "4", "--length", "4 min")
    assert (tmp_path / "c.csv").read_bytes() != (tmp_path / "a.csv").read_bytes()


def test_log_holds_what_the_drive_gave(tmp_path: Path) -> None:
    assert simulate(tmp_path / "log.csv", "--scenario", "karga-gentle", "--length", "90 s", "--limit", "108 C") == 0
    parser = LogParser("log.csv")
    events = [*parser.feed((tmp_path / "log.csv").read_bytes()), *parser.close()]
    told = [dict(e.readings)["coolant_c"] for e in events if isinstance(e, Sample)]
    expected = run([SCENARIOS["karga-gentle"].build(1)], 90).readings["coolant_c"][:, 0]
    assert told == list(expected)
    assert not parser.skipped
    assert not parser.unknown
    assert isinstance(events[-1], Link)
    assert "karga-gentle, seed 1, 90 s" in parser.metadata["simulated"]
    assert '"108 C"' in parser.metadata["settings"]


def test_random_rig_and_truth(tmp_path: Path) -> None:
    truth = tmp_path / "truth.csv"
    words = ["--family", "traffic", "--number", "2", "--length", "1 min", "--signals", "slow", "--truth", str(truth)]
    assert simulate(tmp_path / "log.csv", *words) == 0
    rows = truth.read_text().splitlines()
    assert len(rows) == 61
    assert rows[0].startswith("time_s,coolant_c,metal_c")


def test_list_names_every_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", "--list"]) == 0
    out = capsys.readouterr().out
    assert all(name in out for name in SCENARIOS)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--scenario", "nowhere"], "karga-pass"),
        ([], "either --scenario or --family"),
        (["--scenario", "karga-pass", "--family", "steady"], "both"),
        (["--scenario", "karga-pass", "--length", "an hour"], "--length"),
        (["--scenario", "karga-pass", "--length", "90 h"], "--length"),
        (["--scenario", "karga-pass", "--seed", "-1"], "--seed"),
    ],
)
def test_wrong_usage_is_told(words: list[str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", "--log", str(tmp_path / "x.csv"), *words]) == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "x.csv").exists()


def test_a_name_for_the_adapter_that_cannot_be_made_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = tmp_path / "nowhere" / "adapter"
    assert main(["simulate", "--scenario", "karga-pass", "--length", "1 min", "--pty", str(name)]) == 2
    assert f"--pty: expected a path where a link can be made, or auto, found {name}: No such" in capsys.readouterr().err


def test_nothing_is_written_over_unasked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "log.csv").write_text("mine")
    words = ["--scenario", "karga-pass", "--length", "5 s"]
    assert simulate(tmp_path / "log.csv", *words) == 2
    assert (tmp_path / "log.csv").read_text() == "mine"
    assert "--force" in capsys.readouterr().err
    assert simulate(tmp_path / "log.csv", *words, "--force") == 0
    assert simulate(tmp_path / "no" / "such" / "folder.csv", *words) == 2
    assert main(["simulate", "--scenario", "karga-pass"]) == 2


def test_drives_of_one_vehicle_file_have_the_sensors_of_one_vehicle(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a made-up vehicle would seem to change from drive to drive, and `compare` would find it changed."""
    driven: list[Rig] = []

    def noted(rigs: list[Rig], seconds: int) -> Drives:
        driven.extend(rigs)
        return run(rigs, seconds)

    monkeypatch.setattr(verb, "drive", noted)
    for name in ("Feldspar", "Basalt"):
        vehicle = tmp_path / f"{name}.yaml"
        vehicle.write_text(f"name: {name}\n")
        for number in ("1", "2"):
            words = ["--family", "passes", "--number", number, "--seed", number, "--length", "60 s", "--log"]
            log = str(tmp_path / f"{name}{number}.csv")
            assert main(["simulate", *words, log, "--vehicle", str(vehicle), "--quiet"]) == 0
    one, again, other, _ = driven
    assert one.sensor == again.sensor != other.sensor
    assert one.road.climb_pct != again.road.climb_pct
