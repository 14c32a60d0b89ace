"""Verbs over several logs: a bad one is left out by name, the rest goes on; with none left the status says why."""

from __future__ import annotations

import gzip
import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from livemon.cli import main

ROWS = "".join(f"{s}.000,{70 + s // 12},1800,{50 + s % 7},60,45,25,100,25\n" for s in range(400))
HEAD = "time_s,coolant_c,rpm,speed_kmh,load_pct,map_kpa,ambient_air_c,baro_kpa,intake_air_c\n"
GOOD = (HEAD + ROWS).encode()
BRIEF = b"".join(GOOD.splitlines(keepends=True)[:61])
"""Enough for tune, which runs the whole pipeline many times over."""
ONE_LEFT = {
    "learn": ["learn", "{bad}", "{good}"],
    "review": ["review", "--readings-only", "{bad}", "{good}"],
    "tune": ["tune", "--workers", "1", "--sweep", "hold=30 s", "{bad}", "{good}"],
    "compare": ["compare", "--before", "{bad}", "{good}", "--after", "{other}"],
}
NONE_LEFT = {
    "learn": ["learn", "{bad}"],
    "review": ["review", "--readings-only", "{bad}"],
    "tune": ["tune", "--workers", "1", "{bad}"],
    "compare": ["compare", "--before", "{bad}", "--after", "{good}"],
}
BAD: dict[str, tuple[bytes | None, int, str]] = {
    "empty": (b"", 1, "found an empty file"),
    "header-only": (HEAD.encode(), 1, "expected coolant readings that can be believed, found none in 0"),
    "no-coolant": (b"time_s,coolant_c,rpm\n1,,900\n2,,900\n", 1, "can be believed, found none in"),
    "binary": (b"\x00\x01\x02\x03" * 100, 2, "found a binary file"),
    "damaged-header": (b"# settings: {broken\n" + GOOD, 2, "header: expected settings as JSON texts"),
    "newer-format": (b"# format: 2\n" + GOOD, 2, "format 2"),
    "other-table": (b"speed,temperature\n1,2\n", 2, "time_s"),
    "folder": (None, 2, "Name the logs in it"),
    "missing": (None, 2, "Check the path"),
}

Captured = pytest.CaptureFixture[str]


def laid(tmp_path: Path, verb: str, name: str) -> dict[str, str]:
    """A bad log of that kind beside two good ones, as paths."""
    bad = tmp_path / f"{name}.csv"
    data = BAD[name][0]
    if data is not None:
        bad.write_bytes(data)
    elif name == "folder":
        bad.mkdir()
    for good in ("good", "other"):
        (tmp_path / f"{good}.csv").write_bytes(BRIEF if verb == "tune" else GOOD)
    return {word: str(tmp_path / f"{word}.csv") for word in ("good", "other")} | {"bad": str(bad)}


def words(command: Sequence[str], paths: dict[str, str]) -> list[str]:
    return [word.format(**paths) for word in command]


@pytest.mark.parametrize("name", BAD)
@pytest.mark.parametrize("verb", ONE_LEFT)
def test_a_bad_log_is_left_out_by_name_and_the_rest_goes_on(
    tmp_path: Path, capsys: Captured, verb: str, name: str
) -> None:
    assert main(words(ONE_LEFT[verb], laid(tmp_path, verb, name))) == 0
    told = capsys.readouterr()
    text = " ".join((told.out + told.err).split())  # tables break lines
    assert text.lower().count("left out: ") == 1
    assert f"{name}.csv" in text
    assert BAD[name][2] in text


@pytest.mark.parametrize("name", BAD)
@pytest.mark.parametrize("verb", NONE_LEFT)
def test_with_no_log_left_one_line_says_what_was_expected_and_found(
    tmp_path: Path, capsys: Captured, verb: str, name: str
) -> None:
    assert main(words(NONE_LEFT[verb], laid(tmp_path, verb, name))) == BAD[name][1]
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert told.err.count(f"{name}.csv") <= 2, "the name, and once more in what to do"
    assert "expected" in told.err
    assert BAD[name][2] in told.err


def with_open_plug(paths: dict[str, str]) -> dict[str, str]:
    """The bad log is one of a sensor whose plug comes off."""
    rows = GOOD.decode().splitlines(keepends=True)
    spoilt = [row if k < 200 else f"{row.split(',')[0]},-40,{row.split(',', 2)[2]}" for k, row in enumerate(rows)]
    Path(paths["bad"]).write_text("".join(spoilt))
    return paths


@pytest.mark.parametrize("verb", ["learn", "compare"])
def test_a_drive_whose_sensor_nobody_believes_is_left_out_with_reason_and_time(
    tmp_path: Path, capsys: Captured, verb: str
) -> None:
    paths = with_open_plug(laid(tmp_path, verb, "empty"))
    assert main([*words(ONE_LEFT[verb], paths), "--units", "us"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "Left out: empty.csv: coolant sensor in doubt from 0:03:19: coolant sensor reads -40 F" in text
    assert main(words(NONE_LEFT[verb], paths)) == 1
    assert "in doubt from 0:03:19" in capsys.readouterr().err


def test_such_a_drive_is_reviewed_and_says_nothing_together_with_others(tmp_path: Path, capsys: Captured) -> None:
    paths = with_open_plug(laid(tmp_path, "learn", "empty"))
    assert main(["review", "--json", paths["bad"], paths["good"]]) == 0
    told = capsys.readouterr()
    trees = [json.loads(line) for line in told.out.splitlines()]
    assert [tree.get("log") for tree in trees] == ["empty.csv", "good.csv"], "one drive alone tells nothing together"
    assert "not in what drives tell together: empty.csv: coolant sensor in doubt for 3 min" in told.err


@pytest.mark.parametrize("verb", ["learn", "review", "tune"])
def test_of_several_unusable_logs_the_worst_makes_the_status(tmp_path: Path, capsys: Captured, verb: str) -> None:
    paths = laid(tmp_path, verb, "empty")
    missing = str(tmp_path / "missing.csv")
    command = [*words(NONE_LEFT[verb], paths), missing]
    assert main(command) == 2
    err = capsys.readouterr().err
    assert "none in 2 logs" in err
    assert "empty.csv: expected a log" in err
    assert "missing.csv: expected a readable log file" in err
    assert err.count("\n") == 1, "one cause, one message"


@pytest.mark.parametrize("verb", ONE_LEFT)
def test_a_torn_log_counts_and_one_of_three_rows_does_no_harm(tmp_path: Path, verb: str) -> None:
    torn, short = tmp_path / "torn.csv", tmp_path / "short.csv"
    whole = BRIEF if verb == "tune" else GOOD
    torn.write_bytes(whole[:-9])
    short.write_bytes(b"".join(whole.splitlines(keepends=True)[:4]))
    for bad in (torn, short):
        assert main(words(ONE_LEFT[verb], laid(tmp_path, verb, "empty") | {"bad": str(bad)})) == 0


def test_a_log_cut_inside_its_packing(tmp_path: Path, capsys: Captured) -> None:
    paths = laid(tmp_path, "review", "empty")
    cut = tmp_path / "cut.csv.gz"
    cut.write_bytes(gzip.compress(GOOD * 50)[:-2000])
    assert main(["review", "--readings-only", "--json", str(cut), paths["good"]]) == 0
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("verb", ["learn", "review", "compare"])
def test_two_logs_of_one_name_are_told_apart_by_their_folders(tmp_path: Path, capsys: Captured, verb: str) -> None:
    logs = []
    for folder in ("monday", "tuesday"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "drive.csv").write_bytes(GOOD)
        logs.append(str(tmp_path / folder / "drive.csv"))
    options = {"review": ["--readings-only"], "compare": ["--json"]}.get(verb, [])  # names every drive it used
    between = ["--before", logs[0], "--after", logs[1]] if verb == "compare" else logs
    assert main([verb, *options, *between]) == 0
    out = capsys.readouterr().out
    if verb != "learn":  # learn names only what it leaves out
        assert "monday/drive.csv" in out
        assert "tuesday/drive.csv" in out


def test_the_same_log_on_both_sides_is_refused_however_it_is_written(tmp_path: Path, capsys: Captured) -> None:
    good = laid(tmp_path, "review", "empty")["good"]
    again = str(tmp_path / ".." / tmp_path.name / "good.csv")
    assert main(["compare", "--before", good, "--after", again]) == 2
    assert "every log on one side only" in capsys.readouterr().err


def test_learn_takes_the_vehicle_from_the_next_log_where_one_header_is_damaged(
    tmp_path: Path, capsys: Captured
) -> None:
    paths = laid(tmp_path, "review", "empty")
    Path(paths["bad"]).write_bytes(b"# vehicle: {}\n" + GOOD)
    assert main(["learn", "--json", paths["bad"], paths["good"]]) == 0
    told = capsys.readouterr()
    assert "the vehicle is not taken from this log: " in told.err
    assert [drive["name"] for drive in json.loads(told.out)["drives"]] == ["empty.csv", "good.csv"]
