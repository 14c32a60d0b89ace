"""What people may rely on, through the front door: the line each second, gaps, nulls, the log's columns, the refusals.

One drive with a gap, a note, a declared A/C and a torn end is replayed once, and looked at from all sides.
"""

from __future__ import annotations

import io
import json
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from livemon.cli import main
from livemon.core.outcome import STANDSTILL_ONLY, Action
from livemon.wire.log_text import COLUMNS


def names(text: str) -> list[str]:
    """The words of `text`."""
    return text.split()


FIELDS = names("""
time_s status level coolant_c age_s trusted doubts estimate_c rate_c_per_min limit_c stop_c margin_c ahead_c settles_c
crossing time_to_limit_s chance chance_stop grade_pct climb boil_margin_c advice acted
""")
BANDS = names("estimate_c rate_c_per_min margin_c settles_c time_to_limit_s grade_pct boil_margin_c")
OLD_IS_NOT_NOW = names("""
coolant_c estimate_c rate_c_per_min margin_c ahead_c settles_c time_to_limit_s chance chance_stop boil_margin_c
""")
LOG = names("""
time_s utc coolant_c coolant2_c speed_kmh rpm load_pct absolute_load_pct throttle_pct pedal_pct map_kpa maf_g_s
intake_air_c ambient_air_c baro_kpa oil_c voltage_v fuel_level_pct fuel_status run_time_s codes mil latitude_deg
longitude_deg altitude_m gps_speed_kmh ac_on heater_on fan_on silenced ecu link note
""")
GAP_S = (200, 300)
LAST_S = 400


def _drive() -> str:
    rows = ["time_s,utc,coolant_c,speed_kmh,rpm,load_pct,link,note,silenced,ac_on,weird"]
    for second in range(LAST_S):
        if GAP_S[0] <= second < GAP_S[1]:
            continue
        coolant = min(90 + second * 0.06, 112)
        link = "up" if second == GAP_S[1] else ""
        note = "grille cleaned" if second == 310 else ""
        keys = f"{1 if second == 350 else ''},{1 if second == 330 else ''}"
        rows.append(f"{second},,{coolant:.0f},60,2200,70,{link},{note},{keys},1")
        if second == GAP_S[0] - 1:
            rows.append(f"{GAP_S[0]},,,,,,down: unplugged,,,,")
    return "\n".join([*rows, f"{LAST_S},,11"])


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[dict[str, Any]], dict[str, Any], str]:
    """Lines, summary and remarks of the drive."""
    path = tmp_path_factory.mktemp("rely") / "drive.csv"
    path.write_text(_drive())
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        assert main(["replay", str(path), "--json", "--units", "us"]) == 0
    *lines, last = map(json.loads, out.getvalue().splitlines())
    return lines, last["summary"], err.getvalue()


def test_one_line_a_second_through_the_gap_with_every_field_and_no_other(told: Any) -> None:
    lines, _, _ = told
    assert [line["time_s"] for line in lines] == list(range(LAST_S))
    assert all(list(line) == FIELDS for line in lines)


def test_bands_and_horizons_have_their_keys(told: Any) -> None:
    for line in told[0]:
        assert all(line[name] is None or list(line[name]) == ["low", "likely", "high"] for name in BANDS)
        for name in ("ahead_c", "chance", "chance_stop"):
            assert line[name] is None or list(line[name]) == ["120", "300", "600"]
        for name in BANDS:
            if line[name] is not None and None not in line[name].values():
                assert line[name]["low"] <= line[name]["likely"] <= line[name]["high"]


def test_si_units_whatever_the_screen_shows(told: Any) -> None:
    assert {line["limit_c"] for line in told[0]} == {108.0}


def test_margin_is_limit_less_estimate_and_a_likely_time_stands_only_with_a_known_crossing(told: Any) -> None:
    seen = set()
    for line in told[0]:
        if line["estimate_c"] is not None:
            assert line["margin_c"]["likely"] == pytest.approx(line["limit_c"] - line["estimate_c"]["likely"], abs=0.11)
        seen.add(line["crossing"])
        if line["time_to_limit_s"] is not None and line["crossing"] != "known":
            assert line["time_to_limit_s"]["likely"] is None
    assert seen == {"known", "none_foreseen", "unknown"}


def test_lost_data_are_null_age_and_level_go_on_and_the_level_gets_worse(told: Any) -> None:
    lost = [line for line in told[0] if line["status"] in ("stale", "no_link", "no_coolant")]
    assert len(lost) >= GAP_S[1] - GAP_S[0] - 5
    assert all(line[name] is None for line in lost for name in OLD_IS_NOT_NOW)
    assert all(line["crossing"] == "unknown" for line in lost)
    ages = [line["age_s"] for line in lost]
    assert ages == sorted(ages)
    assert ages[-1] >= 100
    order = ["unknown", "normal", "advisory", "caution", "warning"]
    levels = [order.index(line["level"]) for line in lost]
    assert levels == sorted(levels)
    assert levels[-1] > levels[0]
    assert "watch_gauge" in [advice["action"] for advice in lost[-1]["advice"]]


def test_advice_names_known_actions_and_none_for_a_standstill_on_the_move(told: Any) -> None:
    said = [advice for line in told[0] for advice in line["advice"]]
    assert said
    assert {advice["action"] for advice in said} <= {action.value for action in Action}
    assert not {advice["action"] for advice in said} & {action.value for action in STANDSTILL_ONLY}
    assert all(list(advice) == ["action", "words", "why", "gain_c", "gain_s"] for advice in said)
    assert all(len(advice["words"].split()) <= 5 for advice in said)


def test_the_summary_counts_what_was_dropped_and_names_what_is_unknown_once(told: Any) -> None:
    _, summary, remarks = told
    assert list(summary) == names("rows skipped seconds peak_c peak_at_s crossings cautions warnings leads_s")
    assert summary["skipped"] == {"torn last line": 1}
    assert summary["peak_c"] == 112
    assert len(summary["leads_s"]) == len(summary["crossings"]) > 0
    assert remarks.count("weird") == 1


def test_the_log_has_the_columns_it_is_documented_to_have() -> None:
    assert list(COLUMNS) == LOG


@pytest.mark.parametrize("verb", ["watch", "replay", "review", "learn", "tune", "check", "plan", "compare", "simulate"])
def test_a_limit_above_the_stop_is_refused_before_anything_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], verb: str
) -> None:
    log = tmp_path / "drive.csv"
    log.write_text("time_s,coolant_c\n1,90\n")
    (tmp_path / "hill.csv").write_text("distance_m,height_m\n0,0\n5000,300\n")
    words = {
        "watch": ["--port", str(tmp_path / "none"), "--no-record"],
        "check": [],
        "plan": [str(tmp_path / "hill.csv"), "--outside", "36 C"],
        "compare": ["--before", str(log), "--after", str(tmp_path / "other.csv")],
        "simulate": ["--scenario", "karga-pass", "--log", str(tmp_path / "made.csv")],
    }.get(verb, [str(log)])
    assert main([verb, *words, "--limit", "120 C", "--stop", "230 F"]) == 2
    told = capsys.readouterr()
    assert "expected at most drive.stop, which is 110 C (--stop)" in told.err
    assert told.out == ""
    assert not (tmp_path / "made.csv").exists()


def test_whoever_crosses_the_stop_has_crossed_the_limit_so_its_chance_is_never_the_greater(tmp_path: Path) -> None:
    """The made-up jam whose fan dies: after it, cooling, the two chances are both small and were once the wrong way."""
    log, out = tmp_path / "jam.csv", io.StringIO()
    assert main(["simulate", "--scenario", "orlo-dead-fan", "--log", str(log), "--quiet"]) == 0
    with redirect_stdout(out):
        assert main(["replay", str(log), "--json", "--quiet"]) == 0
    known = [line for line in map(json.loads, out.getvalue().splitlines()[:-1]) if line["chance"] is not None]
    assert len(known) > 2000
    assert all(line["chance_stop"][h] <= line["chance"][h] for line in known for h in ("120", "300", "600"))
    actions = [[advice["action"] for advice in line["advice"]] for line in known]
    assert any("heater_on" in each for each in actions)
    assert not any("heater_on" in each[:-1] for each in actions)
