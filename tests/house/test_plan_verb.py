"""`livemon plan` as its user meets it: every option, what is refused and how, what is flagged."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from livemon.cli import main
from livemon.core.vehicle import PARTS

HILL = "distance_km,height_m\n0,300\n3,300\n15,1140\n18,1140\n"


@pytest.fixture
def hill(tmp_path: Path) -> str:
    path = tmp_path / "karga.csv"
    path.write_text(HILL)
    return str(path)


def planned(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    assert main(["plan", *words, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_the_report_tells_road_peak_and_margin(hill: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = planned(capsys, hill, "--outside", "38 C", "--speed", "70 km/h", "--limit", "106 C")
    assert told["route"] == "karga"
    assert told["length_km"] == 18.0
    assert told["rise_m"] == 840
    assert told["steepest_pct"] == pytest.approx(7.0, abs=0.1)
    assert told["minutes"] == pytest.approx(18.0 / 70.0 * 60.0, abs=0.1)
    assert 3.0 < told["peak_at_km"] < 15.5
    assert told["margin_c"]["likely"] == pytest.approx(106.0 - told["peak_c"]["likely"], abs=0.11)
    assert told["margin_c"]["low"] == pytest.approx(106.0 - told["peak_c"]["high"], abs=0.11)
    assert told["stop_c"] == 116.0
    assert told["wrong"] == []
    assert told["cannot_hold_speed_km"] is None


@pytest.mark.parametrize(
    ("more", "hotter"),
    [
        (["--ac", "on"], True),
        (["--mass", "3400 kg"], True),
        (["--outside", "44 C"], True),
        (["--outside-top", "38 C"], True),
        (["--headwind=-30 km/h"], True),  # less air through the radiator outweighs less drag
        (["--speed", "50 km/h", "--gear", "2"], False),
        (["--outside-top", "20 C"], False),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_each_option_moves_the_peak_the_way_it_must(
    hill: str, capsys: pytest.CaptureFixture[str], more: list[str], hotter: bool
) -> None:
    usual = [hill, "--outside", "36 C", "--speed", "80 km/h", "--gear", "3"]
    before = planned(capsys, *usual)["peak_c"]["likely"]
    after = planned(capsys, *usual, *more)["peak_c"]["likely"]
    assert after > before + 0.2 if hotter else after < before - 0.2


def test_air_conditioning_off_from_a_place_lies_between_on_and_off(
    hill: str, capsys: pytest.CaptureFixture[str]
) -> None:
    usual = [hill, "--outside", "40 C", "--gear", "3"]
    off, later, on = (planned(capsys, *usual, "--ac", w)["peak_c"]["likely"] for w in ("off", "off from 6 km", "on"))
    assert off < later < on


def test_a_stop_costs_its_time(hill: str, capsys: pytest.CaptureFixture[str]) -> None:
    through = planned(capsys, hill, "--outside", "36 C")
    stopped = planned(capsys, hill, "--outside", "36 C", "--stop-at", "12 min at 9 km")
    assert stopped["minutes"] - through["minutes"] == pytest.approx(12.0, abs=0.11)


def test_parts_are_planned_before_they_are_bought(
    hill: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    vehicle = tmp_path / "worn.yaml"
    vehicle.write_text("parts: [clogged_condenser, slipping_fan_clutch]\n")
    fitted = [name for name, part in PARTS.items() if part.fitted]
    words = [word for name in (*fitted, fitted[0]) for word in ("--with", name)]
    told = planned(capsys, hill, "--outside", "40 C", "--ac", "on", "--vehicle", str(vehicle), *words)
    assert [part["part"] for part in told["parts"]] == fitted, "one asked for twice is told once"
    for part in told["parts"]:
        assert part["words"] == PARTS[part["part"]].words
        assert part["cooler_c"]["low"] <= part["cooler_c"]["likely"] <= part["cooler_c"]["high"]
    cooler = {part["part"]: part["cooler_c"]["likely"] for part in told["parts"]}
    assert cooler["new_condenser"] > 1.0
    assert cooler["new_fan_clutch"] > 1.0


@pytest.mark.parametrize("worn", ["weak_electric_fan", "dead_electric_fan"])
def test_a_fan_that_is_fitted_is_not_as_weak_as_the_one_it_replaces(
    hill: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, worn: str
) -> None:
    peaks = []
    for state in (worn, ""):
        vehicle = tmp_path / "vehicle.yaml"
        vehicle.write_text(f"parts: [{state}]\n")
        words = [hill, "--outside", "42 C", "--ac", "on", "--speed", "45 km/h", "--vehicle", str(vehicle)]
        peaks.append(planned(capsys, *words, "--with", "strong_electric_fan")["parts"][0]["peak_c"]["likely"])
    assert peaks[0] == peaks[1]


def test_the_settings_say_how_a_route_is_usually_driven(
    hill: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    usual = tmp_path / "settings.yaml"
    usual.write_text("plan:\n  speed: 60 km/h\n  ac: yes\n  gear: 3\n  outside_top: 25 C\n")
    by_file = planned(capsys, hill, "--outside", "36 C", "--settings", str(usual))
    typed = ["--speed", "60 km/h", "--ac", "on", "--gear", "3", "--outside-top", "25 C"]
    assert by_file == planned(capsys, hill, "--outside", "36 C", *typed)
    faster = planned(capsys, hill, "--outside", "36 C", "--settings", str(usual), "--speed", "70 km/h")
    assert faster["minutes"] < by_file["minutes"]


WORDS = (
    (r"A/C off(?: from the foot)?", "--ac", "off"),
    (r"A/C (off from \d.*)", "--ac", "{}"),
    (r"gear (\d)", "--gear", "{}"),
    (r"(\d+ (?:km/h|mph))", "--speed", "{}"),
    (r"10 min stop at (.+)", "--stop-at", "10 min at {}"),
)


@pytest.mark.parametrize(("units", "ac"), [("metric", "on"), ("us", "off"), ("us", "on")])
def test_each_way_planned_by_its_own_words_is_what_the_table_says(
    hill: str, capsys: pytest.CaptureFixture[str], units: str, ac: str
) -> None:
    """ "Keeps under the limit" really does, when what the row says is typed."""
    usual = {"--outside": "38 C", "--speed": "50 mph", "--units": units, "--ac": ac}
    ways = planned(capsys, hill, *(word for pair in usual.items() for word in pair))["ways"]
    replanned = 0
    for way in ways:
        typed = dict(usual)
        for part in way["way"].split(", "):
            for pattern, option, value in WORDS:
                if found := re.fullmatch(pattern, part):
                    typed[option] = value.format(*found.groups())
        if way["kind"] != "driving":
            continue
        again = planned(capsys, hill, *(word for pair in typed.items() for word in pair))
        assert again["peak_c"] == way["peak_c"], way["way"]
        assert again["keeps_under_limit"] == way["keeps_under_limit"]
        replanned += 1
    assert replanned >= 6


def test_what_to_do_is_said_in_one_sentence(hill: str, capsys: pytest.CaptureFixture[str]) -> None:
    usual = ["plan", hill, "--speed", "80 km/h", "--ac", "on", "--quiet", "--outside"]
    assert main([*usual, "10 C"]) == 0
    cool = " ".join(capsys.readouterr().out.split())
    assert "°C: kept" in cool
    assert "what would make it cooler still" in cool
    assert "Gentlest" not in cool
    told = planned(capsys, *usual[1:], "43 C")
    assert main([*usual, "43 C"]) == 0
    warm = " ".join(capsys.readouterr().out.split())
    assert told["keeps_under_limit"] == "no"
    first = next(way["way"] for way in told["ways"] if way["keeps_under_limit"] in ("likely", "yes"))
    assert told["gentlest"]["likely"] == first
    assert f"Gentlest that likely keeps the limit: {first}." in warm
    assert main([*usual, "56 C", "--mass", "5000 kg"]) == 0
    hot = " ".join(capsys.readouterr().out.split())
    assert "None of these keeps the limit" in hot
    assert "do not drive it this way: the likely peak is past the stop" in hot


def test_a_gear_held_past_the_rpm_limit_is_said(hill: str, capsys: pytest.CaptureFixture[str]) -> None:
    words = [hill, "--outside", "30 C", "--speed", "100 km/h", "--gear", "1"]
    told = planned(capsys, *words)
    assert told["cannot_hold_for"] == "rpm limit"
    assert told["cannot_hold_throughout"]
    assert told["least_speed_kmh"] < 80.0
    assert main(["plan", *words]) == 0
    assert "left (rpm limit in this gear)" in capsys.readouterr().out


def test_a_speed_the_engine_cannot_hold_is_told_with_its_places(hill: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = planned(capsys, hill, "--outside", "36 C", "--speed", "130 km/h", "--mass", "5200 kg")
    begin, end = told["cannot_hold_speed_km"]
    assert 2.5 <= begin <= 3.5
    assert 14.5 <= end <= 15.5
    assert told["least_speed_kmh"] < 80.0
    assert told["cannot_hold_for"] == "engine power"
    assert main(["plan", hill, "--outside", "36 C", "--speed", "130 km/h", "--mass", "5200 kg"]) == 0
    assert "the engine cannot hold it between" in capsys.readouterr().out


def test_a_headwind_takes_speed_the_engine_could_hold_without(hill: str, capsys: pytest.CaptureFixture[str]) -> None:
    usual = [hill, "--outside", "30 C", "--speed", "100 km/h", "--mass", "3000 kg"]
    calm, windy = (planned(capsys, *usual, *wind)["least_speed_kmh"] for wind in ([], ["--headwind", "70 km/h"]))
    assert windy < calm - 3.0


def test_what_is_wrong_with_the_two_lines_is_told_beside_the_plan(
    hill: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    told = planned(capsys, hill, "--outside", "36 C", "--limit", "108 C", "--stop", "132 C")
    assert len(told["wrong"]) == 1
    assert "where the coolant may boil at 1140 m under this cap" in told["wrong"][0]
    leaking = tmp_path / "leaking.yaml"
    leaking.write_text("parts: [leaking_cap]\n")
    told = planned(capsys, hill, "--outside", "36 C", "--vehicle", str(leaking))
    assert "drive.limit" in told["wrong"][0]
    assert told["stop_c"] < 108.0
    assert main(["plan", hill, "--outside", "36 C", "--vehicle", str(leaking)]) == 0
    assert "wrong   drive.limit" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "--outside: expected the air temperature at the foot"),
        (["--outside", "36"], "--outside"),
        (["--outside", "36 C", "--outside-top", "warm"], "--outside-top: expected a temperature with its unit"),
        (["--outside", "36 C", "--outside-top", "95 C"], "--outside-top: expected -50 to 60 C"),
        (["--outside", "36 C", "--speed", "fast"], "--speed: expected a speed with its unit"),
        (["--outside", "36 C", "--speed", "5 km/h"], "--speed: expected 10 to 200 km/h"),
        (["--outside", "36 C", "--headwind", "300 km/h"], "--headwind: expected -100 to 100 km/h"),
        (["--outside", "36 C", "--gear", "7"], "--gear: expected 1 to 4, the gears of this vehicle, found 7"),
        (["--outside", "36 C", "--gear", "0"], "--gear: expected 1 to 4"),
        (["--outside", "36 C", "--ac", "maybe"], "--ac: expected on, off, or 'off from 12 km'"),
        (["--outside", "36 C", "--ac", "off from there"], "--ac: expected a length with its unit"),
        (
            ["--outside", "36 C", "--ac", "off from 40 km"],
            "--ac: expected a place on the route of 18.0 km, found 40 km",
        ),
        (["--outside", "36 C", "--stop-at", "soon"], "--stop-at: expected minutes and place"),
        (["--outside", "36 C", "--stop-at", "10 min at 30 km"], "--stop-at: expected a place on the route"),
        (["--outside", "36 C", "--stop-at", "500 min at 3 km"], "--stop-at: expected up to 120 min"),
        (["--outside", "36 C", "--with", "strong_fan"], "Did you mean strong_electric_fan?"),
        (["--outside", "36 C", "--with", "weak_electric_fan"], "--with: expected one of strong_electric_fan"),
        (["--outside", "36 C", "--limit", "120 C", "--stop", "110 C"], "at most drive.stop"),
        (["--outside", "36 C", "--picture", "/no/such/folder/x.png"], "a file in a folder that is there"),
        (["--outside", "36 C", "--picture", "plan.doc"], "a name that ends in .png or .svg"),
    ],
    ids=lambda value: " ".join(value[-2:]) if isinstance(value, list) else "",
)
def test_wrong_usage_is_refused_in_words_with_status_2(
    hill: str, capsys: pytest.CaptureFixture[str], words: list[str], told: str
) -> None:
    assert main(["plan", hill, *words]) == 2
    assert told in capsys.readouterr().err


def test_a_route_that_cannot_be_used_is_status_2(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    torn = tmp_path / "torn.gpx"
    torn.write_text('<gpx><trk><trkseg><trkpt lat="1" lon="2"><ele>3</e')
    assert main(["plan", str(torn), "--outside", "36 C"]) == 2
    assert "a file cut off in line 1. Export the route again as GPX." in capsys.readouterr().err


def test_the_table_fits_80_columns_and_speaks_the_units_asked_for(
    hill: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    words = ["plan", hill, "--outside", "100 F", "--ac", "on", "--with", "bigger_radiator"]
    for units, known, unknown in (("metric", ("km", "°C", " m,"), "mph"), ("us", ("mi", "°F", "mph", " ft,"), "km")):
        assert main([*words, "--units", units]) == 0
        out = capsys.readouterr().out
        table = out[: out.index("what a part would buy")].splitlines()
        assert max(map(len, table)) <= 80, max(table, key=len)
        assert all(unit in out for unit in known)
        assert unknown not in out


def test_a_picture_is_drawn(hill: str, tmp_path: Path) -> None:
    for name, start in (("climb.png", b"\x89PNG"), ("climb.svg", b"<?xml")):
        assert main(["plan", hill, "--outside", "38 C", "--picture", str(tmp_path / name)]) == 0
        assert (tmp_path / name).read_bytes().startswith(start)


@pytest.mark.filterwarnings("error")
def test_a_picture_takes_a_route_by_any_name(hill: str, tmp_path: Path) -> None:
    """Dollars are no formula, and a script that the font lacks is no remark."""
    named = Path(hill).rename(tmp_path / "$\\frac{$ \u96ea.csv")
    assert main(["plan", str(named), "--outside", "38 C", "--picture", str(tmp_path / "climb.png")]) == 0
    assert (tmp_path / "climb.png").read_bytes().startswith(b"\x89PNG")


def test_names_at_the_lines_of_a_picture_do_not_cover_each_other() -> None:
    from livemon.outputs.charts import apart

    placed = apart({"likely": 80.0, "band": 81.0, "limit": 108.0, "stop": 109.5}, 2.5)
    assert placed == {"likely": 80.0, "band": 82.5, "limit": 108.0, "stop": 110.5}


def test_a_picture_never_costs_another_file(hill: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A link that looks like a picture and leads to the route; a picture of before is written over."""
    pytest.importorskip("matplotlib")
    link, before = tmp_path / "link.png", tmp_path / "plan.png"
    link.symlink_to(hill)
    assert main(["plan", hill, "--outside", "36 C", "--picture", str(link)]) == 2
    assert "a picture to write over" in capsys.readouterr().err
    assert Path(hill).read_text() == HILL
    for _ in range(2):
        assert main(["plan", hill, "--outside", "36 C", "--picture", str(before)]) == 0


def test_a_hole_in_a_track_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two tracks of a day joined: the road between them is not known, and not planned as if it were."""
    path = tmp_path / "holes.gpx"

    def track(at: list[float]) -> str:
        points = "".join(f'<trkpt lat="{45 + k / 2000}" lon="7"><ele>{300 + k}</ele></trkpt>' for k in at)
        return f'<gpx xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{points}</trkseg></trk></gpx>'

    for told, at in ((True, [*range(100), *range(400, 500)]), (False, [*range(200)])):
        path.write_text(track(at))
        assert main(["plan", str(path), "--outside", "30 C"]) == 0
        said = capsys.readouterr().out
        assert ("a stretch of 16.7 km of the route has no point" in said) == told
    assert planned(capsys, str(path), "--outside", "30 C")["longest_hole_km"] < 0.1
