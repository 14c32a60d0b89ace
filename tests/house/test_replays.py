"""The recorded drives under replay/ say what they said: byte for byte where the build is the same.

On another processor exp and log may differ in the last bits; then levels, statuses and advice must still be the same
and figures within the tolerance of `tests/replays.py`, and the drift is told as a warning.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import os
import subprocess
import sys
import warnings
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import zip_longest
from pathlib import Path

import pytest

from livemon.cli import main
from livemon.core.events import Event, Mark, Sample
from livemon.core.grid import on_grid
from livemon.core.outcome import Outcome
from livemon.core.pipeline import CoreSettings
from livemon.outputs.json_lines import outcome_line
from livemon.outputs.recorder import Recorder, RecorderSettings
from livemon.readers.log_file import LogFile
from livemon.run import Live, rerun, run
from livemon.verbs.common import add_common, settle
from livemon.wire.log_text import LogParser
from tests.replays import FOLDER, MADE, differences, names, say, thinned

ROOT = FOLDER.parent


def test_every_made_up_drive_is_here_with_its_four_files() -> None:
    assert set(MADE) <= set(names())
    for name in names():
        files = {path.name for path in (FOLDER / name).iterdir()}
        assert {"log.csv", "settings.yaml", "expected.jsonl", "NOTES.md"} <= files, name


@pytest.mark.parametrize("name", names())
def test_says_what_it_said(name: str) -> None:
    folder = FOLDER / name
    got = thinned(say(folder / "log.csv", folder / "settings.yaml"))
    expected = (folder / "expected.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)
    if got == expected:
        return
    remedy = f"If it should move: python -m tests.rebuild_replays {name}, and say why in the commit"
    for number, (was, now) in enumerate(zip_longest(expected, got), start=1):
        if was != now:
            found = ["a line more or less"] if was is None or now is None else None
            moved = found or list(differences(json.loads(was), json.loads(now)))
            assert not moved, f"{name}, line {number}: {'; '.join(moved[:5])}. {remedy}"
    warnings.warn(f"{name}: figures drifted within tolerance. {remedy}", stacklevel=1)


class _Lines:
    def __init__(self) -> None:
        self.text = io.StringIO()

    def event(self, event: Event) -> None:
        """Only outcomes are compared."""

    def outcome(self, outcome: Outcome) -> None:
        self.text.write(outcome_line(outcome))


def said_of(events: Iterable[Event], *more: Recorder) -> str:
    lines = _Lines()
    run(on_grid(events), CoreSettings(), [*more, lines])
    return lines.text.getvalue()


def first_minutes(path: Path) -> list[Event]:
    return [event for event in LogFile(path).events() if event.t_ms < 240_000]


@pytest.mark.parametrize("name", ["pass-crosses-limit", "sensor-jumps"])
def test_a_recording_of_the_run_says_the_same_bytes(name: str, tmp_path: Path) -> None:
    events = first_minutes(FOLDER / name / "log.csv")
    recorder = Recorder(
        RecorderSettings(folder=str(tmp_path)), {}, utc=lambda: "2026-01-01T00:00:00Z", background=False
    )
    first = said_of(events, recorder)
    recorder.close()
    assert said_of(LogFile(tmp_path / "drive-000001.csv").events()) == first


@pytest.mark.parametrize("name", ["pass-crosses-limit", "sensor-jumps", "traffic-jam"])
def test_taken_in_pieces_it_says_the_same_bytes(name: str) -> None:
    events = list(LogFile(FOLDER / name / "log.csv").events())
    lines = _Lines()
    rerun(on_grid(events), CoreSettings(), [lines])
    assert lines.text.getvalue() == said_of(events)


def test_what_came_before_a_source_failed_is_told() -> None:
    def failing() -> Iterator[Event]:
        yield from first_minutes(FOLDER / "pass-crosses-limit" / "log.csv")
        raise OSError("unplugged")

    lines = _Lines()
    with pytest.raises(OSError, match="unplugged"):
        rerun(on_grid(failing()), CoreSettings(), [lines])
    assert len(lines.text.getvalue().splitlines()) >= 239


def test_with_route_and_learned_vehicle_the_caution_comes_before_the_climb() -> None:
    """Nine minutes before it is reached the peak is foreseen, too."""
    folder = FOLDER / "pass-seen-ahead"
    lines = [json.loads(line) for line in (folder / "expected.jsonl").read_text(encoding="utf-8").splitlines()]
    said, summary = lines[:-1], lines[-1]["summary"]
    first = next(line for line in said if line["level"] == "caution")
    begins_s = next(line["time_s"] for line in said if line["climb"]["on"])
    assert first["time_s"] < begins_s - 60
    assert summary["cautions"] == [first["time_s"]]
    assert summary["leads_s"][0] > 400
    early = next(line for line in said if line["time_s"] == round(summary["peak_at_s"] - 560, -1))
    assert not early["climb"]["on"]
    assert early["road"]["peak_c"]["low"] <= summary["peak_c"] <= early["road"]["peak_c"]["high"]
    assert abs(early["road"]["peak_c"]["likely"] - summary["peak_c"]) <= 6.0


class _Clock:
    """Told time: each look moves it on."""

    t_ms = 0

    def __call__(self) -> int:
        self.t_ms += 40
        return self.t_ms


def test_a_live_drive_recorded_and_replayed_says_the_same_bytes(tmp_path: Path) -> None:
    """Values as a reader might give them, unrounded and in any order; settings only in the header of the recording."""
    parser = argparse.ArgumentParser()
    add_common(parser)
    vehicle = str(ROOT / "config" / "vehicles" / "example.yaml")
    force = settle(parser.parse_args(["--limit", "226.7 F", "--vehicle", vehicle, "--mass", "5070 lb"]))
    live, lines = Live(_Clock()), _Lines()
    for event in first_minutes(FOLDER / "pass-crosses-limit" / "log.csv"):
        if isinstance(event, Sample):
            noisy = tuple((name, value * (1 + 1e-7) + 1e-5) for name, value in reversed(event.readings))
            live.put(replace(event, readings=(*noisy, ("unheard_of", 1.0))))
    live.put(Mark(240_000, (("ac_on", False),), 'A/C off, "now"'))

    class Stops(_Lines):
        def event(self, event: Event) -> None:
            if isinstance(event, Mark):
                live.stop()

    recorder = Recorder(RecorderSettings(folder=str(tmp_path)), force.header(), utc=lambda: "", background=False)
    run(live.events(), force.core(), [recorder, lines, Stops()])
    recorder.close()
    *replayed, summary = say(tmp_path / "drive-000001.csv")
    assert "".join(replayed) == lines.text.getvalue()
    assert json.loads(summary)["summary"]["skipped"] == {}
    assert json.loads(replayed[0])["limit_c"] == 108.2  # 226.7 F, NIST SP 811


def by_bytes(path: Path, piece: int) -> Iterator[Event]:
    parser, data = LogParser(str(path)), path.read_bytes()
    for at in range(0, len(data), piece):
        yield from parser.feed(data[at : at + piece])
    yield from parser.close()


def test_bytes_one_by_one_change_nothing() -> None:
    path = FOLDER / "pass-crosses-limit" / "log.csv"
    assert list(by_bytes(path, 1)) == list(LogFile(path).events())


def test_hash_seed_and_locale_change_nothing(tmp_path: Path) -> None:
    """Three hash seeds, two locales, each in a process of its own; the first four minutes of the pass."""
    whole = (FOLDER / "pass-crosses-limit" / "log.csv").read_text(encoding="utf-8")
    log = tmp_path / "log.csv"
    log.write_text(whole[: whole.index("\n240.000,") + 1], encoding="utf-8")
    prints = set()
    for seed, locale in (("0", "C"), ("1", "C.UTF-8"), ("4242", "C")):
        env = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONHASHSEED": seed, "LC_ALL": locale}
        command = [sys.executable, "-m", "livemon", "replay", str(log), "--json", "--quiet"]
        done = subprocess.run(command, env=env, capture_output=True, check=True)
        assert done.stdout.count(b"\n") > 200
        prints.add(hashlib.sha256(done.stdout).hexdigest())
    assert len(prints) == 1


def test_differences_are_exact_for_words_and_tolerant_for_figures() -> None:
    was = {"level": "normal", "estimate_c": {"low": 90.0, "likely": 91.0, "high": None}, "chance": {"120": 0.1}}
    near = {"level": "normal", "estimate_c": {"low": 90.2, "likely": 91.0, "high": None}, "chance": {"120": 0.12}}
    assert list(differences(was, near)) == []
    assert list(differences(was, {**near, "level": "caution"})) == ["level: expected 'normal', found 'caution'"]
    assert list(differences(was, {**near, "chance": {"120": 0.2}})) == ["chance.120: expected 0.1, found 0.2"]
    far = {**near, "estimate_c": {"low": 90.0, "likely": 91.0, "high": 95.0}}
    assert list(differences(was, far)) == ["estimate_c.high: expected None, found 95.0"]


def test_the_picture_of_a_replay_knows_what_was_declared(capsys: pytest.CaptureFixture[str]) -> None:
    """The A/C of that drive was declared on: "?" would say that nobody knows."""
    assert main(["replay", str(FOLDER / "pass-crosses-limit" / "log.csv"), "--view", "passenger"]) == 0
    assert "A/C on, heater ?, fan ?: as recorded" in capsys.readouterr().out
