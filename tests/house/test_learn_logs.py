"""`livemon learn` from logs as a summer leaves them: holes, restarts, a misfire, a failing sensor, a torn header."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from livemon.cli import main
from livemon.core import heat
from livemon.core.air import air_density
from livemon.core.engine import coolant_heat_kw, fuel_kw_from_air
from livemon.core.figures import Figure
from livemon.core.radiator import Demand, Surroundings
from livemon.core.vehicle import VehicleProfile
from livemon.files import vehicle_file, yaml_lines
from livemon.study.carries import RUNNINGS, carried_fuel_kw

TRUTH = VehicleProfile(typed={"radiator_kw_k": Figure(1.25, 0.1), "open_c": Figure(86.0, 1.0)})
"""A third less radiator than the default."""
HEAD = "time_s,coolant_c,speed_kmh,rpm,maf_g_s,ambient_air_c,baro_kpa,codes,link\n"
EVERY_S = 2
MINUTES = 50
OFF = range(1500, 2100)
"""Seconds of a stop with the engine off."""
HOLE = range(1000, 1240)

Row = dict[str, str]


def drive(seed: int, off: range = range(0)) -> list[Row]:
    """Climbs, level road and standing by turns, by the physics of the core; the engine off in `off`."""
    rng = np.random.default_rng(seed)
    air_c, kpa = float(rng.uniform(22.0, 36.0)), 96.0
    engine, cooling = TRUTH.engine(), TRUTH.cooling()
    per_g_s = float(fuel_kw_from_air(1.0))
    nodes = heat.regulated(86.0, air_c, 20.0, cooling)
    sensed, rows = 86.0, []
    speed, fuel, rpm = 0.0, 14.0, 700.0
    for second in range(0, 60 * MINUTES, EVERY_S):
        if second % 360 == 0:
            speed = (60.0, 90.0, 0.0)[second // 360 % 3]
            fuel = 14.0 if speed == 0.0 else float(rng.uniform(110.0, 200.0))
            rpm = 700.0 if speed == 0.0 else float(rng.uniform(1800.0, 3200.0))
        runs = 0.0 if second in off else 1.0
        asked = Demand(runs * float(coolant_heat_kw(engine, fuel)), runs * rpm, runs * speed)
        nodes = heat.advance(nodes, asked, Surroundings(air_c, air_density(kpa, air_c)), cooling, EVERY_S)
        sensed = float(heat.lag(sensed, nodes.coolant_c, EVERY_S, cooling.sensor_lag_s))
        told = {"coolant_c": np.floor(sensed), "speed_kmh": runs * speed, "rpm": runs * rpm,
                "maf_g_s": runs * fuel / per_g_s, "ambient_air_c": air_c, "baro_kpa": kpa}  # fmt: skip
        rows.append({"time_s": f"{second}.000", **{name: f"{value:.2f}" for name, value in told.items()}})
    return rows


def with_hole(rows: list[Row]) -> list[Row]:
    """The adapter came loose for four minutes."""
    kept = [row for row in rows if int(float(row["time_s"])) not in HOLE]
    down = {"time_s": f"{HOLE.start}.000", "link": "down: adapter lost"}
    up = {"time_s": f"{HOLE.stop}.000", "link": "up"}
    before = sum(int(float(row["time_s"])) < HOLE.start for row in kept)
    return [*kept[:before], down, up, *kept[before:]]


def misfiring(rows: list[Row]) -> list[Row]:
    """The engine told of a misfire on the way."""
    return [row | ({"codes": "P0301"} if k == 700 else {}) for k, row in enumerate(rows)]


def jumping(rows: list[Row]) -> list[Row]:
    """A plug with a loose pin."""
    return [row | ({"coolant_c": "41"} if k % 200 == 100 else {}) for k, row in enumerate(rows)]


def sticking(rows: list[Row]) -> list[Row]:
    """A sensor that holds its reading from the first hot climb on."""
    return [row | ({"coolant_c": rows[270]["coolant_c"]} if k > 270 else {}) for k, row in enumerate(rows)]


def written(path: Path, rows: list[Row], header: str = "") -> str:
    names = HEAD.strip().split(",")
    path.write_text(header + HEAD + "".join(",".join(row.get(n, "") for n in names) + "\n" for row in rows))
    return str(path)


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Three good logs, of which one has a hole and one a stop, and five to be left out."""
    folder = tmp_path_factory.mktemp("summer")
    spoilt: dict[str, Callable[[list[Row]], list[Row]]] = {
        "misfire": misfiring,
        "loose-pin": jumping,
        "sticks": sticking,
    }
    last = drive(4)
    return [
        written(folder / "whole.csv", drive(1)),
        written(folder / "hole.csv", with_hole(drive(2))),
        written(folder / "stop.csv", drive(3, OFF)),
        *(written(folder / f"{name}.csv", spoil(last)) for name, spoil in spoilt.items()),
        written(folder / "torn-header.csv", last, "# format: 1\n# settings: {broken\n"),
        written(folder / "torn-vehicle.csv", last[:60], '# format: 1\n# vehicle: {"name": 3}\n'),
    ]


def test_learn_takes_the_good_and_names_the_bad(
    logs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "mine.yaml"
    assert main(["learn", *logs[::-1], "--out", str(out), "--json"]) == 0
    told = capsys.readouterr()
    report = json.loads(told.out)
    assert [one["name"] for one in report["drives"]] == ["hole.csv", "stop.csv", "whole.csv"]
    reasons = {one["name"]: one["reason"] for one in report["left_out"]}
    assert set(reasons) == {"misfire.csv", "loose-pin.csv", "sticks.csv", "torn-header.csv", "torn-vehicle.csv"}
    assert "P0301" in reasons["misfire.csv"]
    assert "sensor in doubt" in reasons["loose-pin.csv"]
    assert "the sensor may be stuck" in reasons["sticks.csv"]
    assert "header" in reasons["torn-header.csv"]
    assert "four minutes on end" in reasons["torn-vehicle.csv"]
    assert "torn-vehicle.csv, header, vehicle" in told.err
    assert report["rms_c"] < 0.8
    for at in RUNNINGS:
        if at.name in ("level", "climb"):
            true = float(carried_fuel_kw(TRUTH.engine(), TRUTH.cooling(), at))
            carried = report["carries_fuel_kw"][at.name]
            assert carried["low"] < true < carried["high"]
            assert abs(np.log(carried["likely"] / true)) < 0.75 * abs(np.log(carried["before"] / true))
    profile, _ = vehicle_file.from_block(yaml_lines.load(out))
    assert profile.together.names == tuple(profile.learned)
    assert vehicle_file.from_header(vehicle_file.to_header(profile), "a log") == profile
    assert main(["replay", logs[1], "--vehicle", str(out), "--quiet"]) == 0


def test_learn_tells_in_the_units_of_its_reader(logs: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["learn", logs[0], "--units", "us", "--quiet"]) == 0
    told = capsys.readouterr().out
    assert "with the coolant at 223 F in air of 95 F" in told
    assert "50 mph at 2200 rpm" in told
    assert "179.6 F +- 4.5 F" in told, "where the thermostat opens, before"
    assert not re.search(r"\d (C|K|km/h)\b", told)


def test_what_a_hole_and_a_stop_cost_is_a_little_width_and_no_error(
    logs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same three drives whole and as they came say the same."""
    whole = [written(tmp_path / f"{k}.csv", drive(k)) for k in (1, 2, 3)]
    carries = []
    for some in (whole, [*logs[:3], logs[0]]):
        assert main(["learn", *some, "--json"]) == 0
        report = json.loads(capsys.readouterr().out)
        assert len(report["drives"]) == 3  # a log that was named twice is one drive
        carries.append(report["carries_fuel_kw"])
    for name in ("level", "climb"):
        assert carries[1][name]["likely"] == pytest.approx(carries[0][name]["likely"], rel=0.06)


def test_a_header_with_a_learned_vehicle_replays_as_its_file(
    logs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The joint spread goes through the header to the last bit: the same lines, and others than unlearned."""
    out = tmp_path / "mine.yaml"
    assert main(["learn", *logs[:2], "--out", str(out), "--quiet", "--json"]) == 0
    profile, _ = vehicle_file.from_block(yaml_lines.load(out))
    header = f"# format: 1\n# vehicle: {vehicle_file.to_header(profile)}\n"
    short = [written(tmp_path / "a.csv", drive(1)[:300]), written(tmp_path / "b.csv", drive(1)[:300], header)]
    capsys.readouterr()
    said = []
    for command in (["replay", short[0], "--vehicle", str(out)], ["replay", short[1]], ["replay", short[0]]):
        assert main([*command, "--json", "--quiet"]) == 0
        said.append(capsys.readouterr().out)
    assert said[1] == said[0]
    assert said[2] != said[0]


def test_an_owner_who_types_a_learned_figure_anew_gets_it(
    logs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The learned line deleted and the figure typed: in force as typed, free of what is left of the rest."""
    out = tmp_path / "mine.yaml"
    assert main(["learn", *logs[:2], "--out", str(out), "--quiet", "--json"]) == 0
    capsys.readouterr()
    lines = [line for line in out.read_text().splitlines() if not line.startswith("  coolant:") or "[" in line]
    text = "\n".join(lines).replace("typed: {}", "typed:\n  coolant: 14 L +- 0.2 L")
    profile, _ = vehicle_file.from_block(yaml_lines.parse(text, "mine.yaml"))
    assert profile.state("coolant_l") == Figure(14.0, 0.2, "typed")
    assert "coolant_l" in profile.together.names
    assert "coolant_l" not in profile.joint().names
    assert set(profile.joint().names) == set(profile.learned)
    again = replace(profile, parts=("half_blocked_radiator",)).joint()
    assert again.names == profile.joint().names
