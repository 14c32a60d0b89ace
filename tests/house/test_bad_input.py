"""Bad input through the front door: a clear message, the right exit status, never a traceback."""

from __future__ import annotations

import json
import os
import pickle
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from livemon.cli import main
from livemon.core.events import Event, Sample, Tick
from livemon.errors import SetupError
from livemon.verbs.replay import paced

ROOT = Path(__file__).resolve().parents[2]
GOOD = b"time_s,coolant_c,speed_kmh\n0,90,50\n1,91,50\n2,92,50\n"

Captured = pytest.CaptureFixture[str]


def replay(tmp_path: Path, data: bytes, *options: str, name: str = "drive.csv") -> int:
    path = tmp_path / name
    path.write_bytes(data)
    return main(["replay", str(path), *options])


@pytest.mark.parametrize(
    ("data", "status", "words"),
    [
        (b"", 1, "an empty file"),
        (b"time_s,coolant_c\n", 1, "found none in 0 samples"),
        (b"time_s,coolant_c\n1,\n2,\n", 1, "found none in 2 samples"),
        (b"time_s,coolant_c\n1,nan\n2,\n", 1, "coolant_c: out of range 1"),
        (b"time_s,speed_kmh\n1,50\n", 1, "found time_s, speed_kmh"),
        (b"\x00\x01\x02\x03" * 100, 2, "a binary file"),
        (b"\x7fELF\x02\x01\x01\n\xff\xfe", 2, "x7fELF"),
        (b"\xff\xd8\xff\xe0JFIF\n", 2, "not UTF-8"),
        (b"PK\x03\x04" + b"z" * 300_000, 2, "256 KiB"),
        (b"speed,temperature\n1,2\n", 2, "'speed,temperature'"),
        (b"# format: 2\ntime_s,coolant_c\n1,90\n", 2, "format 2"),
        (b"# settings: {broken\ntime_s,coolant_c\n1,90\n", 2, "--settings"),
        (b'# settings: {"drive.limit":"9 C"}\ntime_s,coolant_c\n1,90\n', 2, "header, drive.limit"),
        (b"# vehicle: {}\ntime_s,coolant_c\n1,90\n", 2, "--vehicle"),
    ],
)
def test_log_that_cannot_be_used(tmp_path: Path, capsys: Captured, data: bytes, status: int, words: str) -> None:
    assert replay(tmp_path, data) == status
    told = capsys.readouterr()
    assert words in told.err
    assert "drive.csv" in told.err
    assert told.err.count("\n") == 1, "one cause, one message"
    assert "Traceback" not in told.err


@pytest.mark.parametrize(
    ("extra", "skipped"),
    [
        (b"2,nan,50\n", {"coolant_c: out of range": 1}),
        (b"1.5,9", {"torn last line": 1}),
        (b"1.5," + b"9" * 10_000_000 + b",50\n", {"line too long": 1}),
        (b"1.5,9\n", {"row: wrong number of cells": 1}),
        (b"0.5,90,50\n", {"time_s: steps back": 1}),
        (b"2,92,50\r\n", {}),
    ],
    ids=["NaN", "torn", "10 MB", "short", "backwards", "CR LF"],
)
def test_unusable_parts_are_counted_and_the_run_ends_well(
    tmp_path: Path, capsys: Captured, extra: bytes, skipped: dict[str, int]
) -> None:
    assert replay(tmp_path, GOOD + extra, "--json") == 0
    lines = capsys.readouterr().out.splitlines()
    summary = json.loads(lines[-1])["summary"]
    assert summary["skipped"] == skipped
    assert summary["peak_c"] == 92
    assert [json.loads(line)["time_s"] for line in lines[:-1]] == [0, 1, 2]


def test_unknown_columns_are_named_once(tmp_path: Path, capsys: Captured) -> None:
    assert replay(tmp_path, b"time_s,coolant_c,boost\n" + b"1,90,2\n" * 50) == 0
    assert capsys.readouterr().err == f"livemon replay: {tmp_path}/drive.csv: unknown columns are left out: boost\n"
    assert replay(tmp_path, b"time_s,coolant_c,boost\n1,90,2\n", "--quiet") == 0
    assert capsys.readouterr().err == ""


def test_gap_is_one_line_a_second_and_bounded(tmp_path: Path, capsys: Captured) -> None:
    rows = b"time_s,coolant_c\n0,90\n100,91\n5e6,95\n101,92\n"
    assert replay(tmp_path, rows, "--json") == 0
    *lines, summary = map(json.loads, capsys.readouterr().out.splitlines())
    assert [line["time_s"] for line in lines] == list(range(102))
    assert lines[60]["coolant_c"] is None
    assert lines[60]["age_s"] == 60
    assert summary["summary"]["skipped"] == {"row: time_s jumps ahead more than a day": 1}


@pytest.mark.parametrize("name", ["missing.csv", "missing.log", "missing.blf", "."])
def test_file_that_is_not_there(tmp_path: Path, capsys: Captured, name: str) -> None:
    assert main(["replay", str(tmp_path / name)]) == 2
    assert "expected a readable log file" in capsys.readouterr().err


def test_capture_without_replies_ends_with_status_1(tmp_path: Path, capsys: Captured) -> None:
    assert replay(tmp_path, b"(1573221617.147776) can0 4BC#000000000ED80005\n" * 50, name="can.log") == 1
    assert "no J1979 replies" in capsys.readouterr().err


def test_a_capture_in_a_form_that_cannot_be_read_is_told_once(tmp_path: Path) -> None:
    """The library that reads captures logs for itself: on a driver's screen that would be a stain."""
    (tmp_path / "bus.trc").write_bytes(b";$FILEVERSION=1.1\n")
    status, _, err = _in_ascii("replay", str(tmp_path / "bus.trc"))
    assert status == 1
    assert err.startswith("livemon replay: ")
    assert err.count("\n") == 1


def test_one_bad_log_does_not_stop_the_others(tmp_path: Path, capsys: Captured) -> None:
    (tmp_path / "empty.csv").touch()
    (tmp_path / "good.csv").write_bytes(GOOD)
    (tmp_path / "binary.csv").write_bytes(b"\x00\n")
    names = ["empty.csv", "good.csv", "binary.csv"]
    assert main(["replay", "--json", *(str(tmp_path / name) for name in names)]) == 2
    told = capsys.readouterr()
    summary = json.loads(told.out.splitlines()[-1])["summary"]
    assert summary["rows"] == 3
    assert summary["log"] == str(tmp_path / "good.csv")
    assert told.err.count("\n") == 2


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--limit", "108"], "--limit, drive.limit: expected a temperature with its unit"),
        (["--limit", "108 kg"], "--limit, drive.limit"),
        (["--limit", "120 C", "--stop", "110 C"], "expected at most drive.stop, which is 110 C (--stop)"),
        (["--mass", "2 kg"], "--mass, drive.mass: expected a mass of 600 to 8000 kg or auto, found '2 kg'"),
        (["--units", "imperial"], "--units, screen.units"),
        (["--pace", "0"], "--pace: expected a number above 0"),
        (["--pace", "nan"], "--pace"),
        (["--pace", "fast"], "--pace"),
        (["--settings", "none.yaml"], "none.yaml: expected a readable file"),
        (["--vehicle", "none.yaml"], "none.yaml: expected a readable file"),
        (["--colour"], "--colour"),
    ],
)
def test_bad_options(tmp_path: Path, capsys: Captured, options: list[str], words: str) -> None:
    assert replay(tmp_path, GOOD, *options) == 2
    assert words in capsys.readouterr().err


def test_settings_file_in_place_of_the_header(tmp_path: Path, capsys: Captured) -> None:
    log = b'# settings: {"drive.limit":"95 C","drive.outside":"30 C"}\n' + GOOD
    (tmp_path / "my.yaml").write_text("drive:\n  limit: 101 C\n")
    for options, limit in (([], 95), (["--settings", str(tmp_path / "my.yaml")], 101), (["--limit", "99 C"], 99)):
        assert replay(tmp_path, log, "--json", *options) == 0
        assert json.loads(capsys.readouterr().out.splitlines()[0])["limit_c"] == limit


def test_readable_summary_at_the_end(tmp_path: Path, capsys: Captured) -> None:
    assert replay(tmp_path, GOOD, "--units", "us", "--limit", "91 C") == 0
    out = capsys.readouterr().out
    assert "as it stood at " in out
    assert "rows       3 over 0:02; skipped: none" in out
    assert "peak       198 F at 0:02" in out
    assert "limit      196 F; crossed 1: at 0:01" in out


@pytest.mark.parametrize("text", ["", "x\n", "time_s,coolant_c\n1,2\n", "time_s\n"])
@pytest.mark.parametrize("name", ["a.csv", "a.log", "a.asc", "a.csv.gz", "a"])
def test_no_traceback_whatever_the_name(tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / name).write_text(text)
    assert main(["replay", str(tmp_path / name)]) in (1, 2) or "coolant_c" in text


def test_as_a_program_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "drive.csv").write_bytes(b"\0" * 100)
    command = [sys.executable, "-m", "livemon", "replay", "drive.csv"]
    done = subprocess.run(command, cwd=tmp_path, env={"PYTHONPATH": str(ROOT)}, capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stderr.startswith("livemon replay: drive.csv, line 1: expected CSV text")
    assert done.stdout == ""


@hypothesis_settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=400) | st.binary(max_size=400).map(lambda junk: GOOD + junk))
def test_any_file_at_all_ends_in_a_status(tmp_path: Path, data: bytes) -> None:
    assert replay(tmp_path, data, "--json", "--quiet") in (0, 1, 2)


def test_pace_holds_to_the_log_and_does_not_drift() -> None:
    """A clock that only the sleeps move, and a consumer that takes 0.3 s for each event."""
    now = [100.0]
    seen: list[tuple[int, float]] = []

    def sleep(seconds: float) -> None:
        now[0] += seconds

    events: list[Event] = [Sample(5_000), Tick(6_000), Sample(7_500), Tick(8_000), Tick(9_000)]
    for event in paced(events, 2.0, lambda: now[0], sleep):
        seen.append((event.t_ms, round(now[0], 6)))
        now[0] += 0.3
    assert seen == [(5_000, 100.0), (6_000, 100.5), (7_500, 101.25), (8_000, 101.55), (9_000, 102.0)]


def test_a_refusal_comes_back_whole_from_a_worker_process() -> None:
    told = SetupError("my.csv, line 3", "a number", "'x'", "Correct it")
    again = pickle.loads(pickle.dumps(told))
    assert (str(again), again.where, again.exit_status) == (str(told), told.where, 2)


def test_learn_and_tune_write_over_their_own_kind_of_file_and_over_nothing_else(
    tmp_path: Path, capsys: Captured
) -> None:
    """A name mistyped must not cost a recording, nor the owner's own settings."""
    log, own, fragment = tmp_path / "drive.csv", tmp_path / "own.yaml", tmp_path / "alert.yaml"
    log.write_bytes(GOOD)
    own.write_text("drive:\n  limit: 105 C\nalert:\n  hold: 40 s\n")
    fragment.write_text("alert:\n  hold: 40 s\n")
    for words, expected in (
        (["learn", str(log), "--out", str(log)], "a vehicle file"),
        (["learn", str(log), "--out", str(own)], "a vehicle file"),
        (["learn", str(log), "--out", str(tmp_path)], "a vehicle file"),
        (["learn", str(log), "--out", str(tmp_path / "none" / "v.yaml")], "no folder"),
        (["tune", str(log), "--write", str(log)], "a file of alert settings alone"),
        (["tune", str(log), "--write", str(own)], "a file of alert settings alone"),
        (["tune", str(log), "--write", str(tmp_path / "none" / "a.yaml")], "no folder"),
    ):
        assert main(words) == 2
        told = capsys.readouterr().err
        assert expected in told
        assert told.count("\n") == 1
    assert log.read_bytes() == GOOD
    assert "105 C" in own.read_text()
    assert main(["tune", str(log), "--write", str(fragment)]) in (0, 1)
    assert "expected a new file" not in capsys.readouterr().err


def _in_ascii(*words: str, read_lines: int | None = None, kill_after_s: float | None = None) -> tuple[int, str, str]:
    """The program on a terminal that knows ASCII alone: status, what it wrote, what it said."""
    child = subprocess.Popen(
        [sys.executable, "-m", "livemon", *words],
        cwd=ROOT,
        env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    assert child.stderr is not None
    if read_lines is not None:
        for _ in range(read_lines):
            child.stdout.readline()
        child.stdout.close()
        return child.wait(), "", child.stderr.read()
    if kill_after_s is not None:
        with pytest.raises(subprocess.TimeoutExpired):
            child.wait(kill_after_s)
        child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=60)
    return child.returncode, out, err


def test_a_terminal_without_the_degree_sign_gets_question_marks(tmp_path: Path) -> None:
    log, hill = tmp_path / "drive.csv", tmp_path / "hill.csv"
    log.write_bytes(GOOD)
    hill.write_text("distance_km,height_m\n0,100\n5,500\n")
    for words in (["replay", str(log)], ["plan", str(hill), "--outside", "30 C"]):
        status, out, err = _in_ascii(*words)
        assert (status, err) == (0, "")
        assert "?C" in out


def test_who_has_seen_enough_closes_the_pipe_and_nothing_is_wrong(tmp_path: Path) -> None:
    hill = tmp_path / "hill.csv"
    hill.write_text("distance_km,height_m\n0,100\n5,500\n")
    for words in (["plan", str(hill), "--outside", "30 C"], ["check", "--template"]):
        status, _, err = _in_ascii(*words, read_lines=1)
        assert (status, err) == (0, "")


def test_work_that_was_interrupted_is_not_work_done(tmp_path: Path) -> None:
    fifo = tmp_path / "hill.csv"
    os.mkfifo(fifo)  # a route that never comes
    status, _, err = _in_ascii("plan", str(fifo), "--outside", "30 C", kill_after_s=2.0)
    assert (status, err) == (1, "livemon plan: interrupted before it was done\n")


@pytest.mark.parametrize("words", [("--help",), ("check",), ("check", "--template"), ("simulate", "--list")])
def test_a_full_disk_under_the_result_is_told_and_the_status_says_so(words: tuple[str, ...]) -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run([sys.executable, "-m", "livemon", *words], cwd=ROOT, stdout=full, stderr=subprocess.PIPE)
    said = done.stderr.decode()
    assert done.returncode == 1
    assert said.startswith(f"livemon {words[0]}: expected to write the result to standard output, found No space")
    assert said.count("\n") == 1


def test_output_closed_before_the_start_goes_nowhere() -> None:
    for words in ("check", "--version"):
        done = subprocess.run(["sh", "-c", f"{sys.executable} -m livemon {words} >&- 2>&-"], cwd=ROOT)
        assert done.returncode == 0


def test_a_log_through_a_pipe_is_refused_at_once(tmp_path: Path, capsys: Captured) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    assert main(["replay", str(tmp_path / "pipe.csv")]) == 2
    assert "found a pipe or device. A log is read twice" in capsys.readouterr().err
    assert main(["replay", "-"]) == 2
    assert "write what comes on standard input to a file first" in capsys.readouterr().err


def test_control_characters_out_of_a_file_never_reach_the_terminal(tmp_path: Path, capsys: Captured) -> None:
    """A terminal would obey them: they are shown as their codes."""
    data = b'time_s,coolant_c,note,b\x1b[2Jd\n0,90,"a \x1b[31m\x07 note",\n1,91,,\n2,92,,\n'
    gpx, table = tmp_path / "hill.gpx", tmp_path / "hill.csv"
    points = "".join(f'<trkpt lat="{k / 100}" lon="1"><ele>{100 + 40 * k}</ele></trkpt>' for k in range(6))
    gpx.write_text(f"<gpx><trk><name>up &#x9b;31m</name><trkseg>{points}</trkseg></trk></gpx>")
    table.write_text("\x1b[2J,height_m\n0,100\n")
    assert replay(tmp_path, data) == 0
    assert main(["review", str(tmp_path / "drive.csv")]) == 0
    assert main(["plan", str(gpx), "--outside", "30 C"]) == 0
    assert main(["plan", str(table), "--outside", "30 C"]) == 2
    told = capsys.readouterr()
    assert "b\\x1b[2Jd" in told.err
    assert "a \\x1b[31m\\x07 note" in told.out
    assert "up \\x9b31m: " in told.out
    assert "columns \\x1b[2j, height_m" in told.err
    assert all(c.isprintable() or c == "\n" for c in told.out + told.err)


def test_a_drive_shorter_than_the_windows_of_the_study_is_reviewed(tmp_path: Path, capsys: Captured) -> None:
    rows = b"".join(b"%d,%d,60,2500,70,40\n" % (t, 90 if t < 60 else 91) for t in range(90))
    (tmp_path / "drive.csv").write_bytes(b"time_s,coolant_c,speed_kmh,rpm,load_pct,intake_air_c\n" + rows)
    assert main(["review", str(tmp_path / "drive.csv")]) == 0
    assert "drive.csv: 1:29" in capsys.readouterr().out


def test_a_verb_nearly_right_is_named(capsys: Captured) -> None:
    assert main(["relpay"]) == 2
    assert "Did you mean replay?" in capsys.readouterr().err


def test_a_route_named_in_brackets_is_told_by_its_name(tmp_path: Path, capsys: Captured) -> None:
    """Names of files and routes are not markup: brackets neither vanish nor break."""
    hill, gpx = tmp_path / "to[bold]p.csv", tmp_path / "hill.gpx"
    hill.write_text("distance_km,height_m\n0,100\n5,500\n")
    points = "".join(f'<trkpt lat="{k / 100}" lon="1"><ele>{100 + 40 * k}</ele></trkpt>' for k in range(6))
    track = f"<trk><name>up [/b] :car:</name><trkseg>{points}</trkseg></trk>"
    gpx.write_text(f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">{track}</gpx>')
    for path, name in ((hill, "to[bold]p: "), (gpx, "up [/b] :car:: ")):
        assert main(["plan", str(path), "--outside", "30 C"]) == 0
        told = capsys.readouterr()
        assert name in told.out
        assert "-0" not in told.out
        assert told.err == ""
