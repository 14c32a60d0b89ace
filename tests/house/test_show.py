"""`livemon show` as people use it: on a terminal, beside a monitor that comes and goes."""

from __future__ import annotations

import fcntl
import json
import os
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from livemon.cli import main
from livemon.core.events import Mark
from livemon.outputs.feed import Feed, FeedSettings
from livemon.outputs.feed_line import feed_line
from livemon.outputs.view import Health
from tests.outputs.scenes import CAUTION
from tests.outputs.test_console import Terminal

ROOT = Path(__file__).resolve().parents[2]
ADVICE = CAUTION.advice[0].words.upper()


class Monitor:
    """A feed that says the same moment again and again while it is looked at."""

    def __init__(self, path: str, units: str = "metric") -> None:
        self.feed, self.t_ms = Feed(FeedSettings(path), greeting={"units": units}), CAUTION.t_ms
        self.health = Health(link="up", inputs=(("ac_on", True),))

    def second(self) -> tuple[Mark, ...]:
        self.t_ms += 1000
        marks = self.feed.poll(self.t_ms)
        self.feed.publish(feed_line(replace(CAUTION, t_ms=self.t_ms), self.health))
        return marks


def started(terminal: Terminal, path: str, *words: str) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "TERM": "xterm-256color", "LANG": "C.UTF-8"}
    for name in ("COLUMNS", "LINES", "NO_COLOR"):
        environment.pop(name, None)
    return subprocess.Popen(
        [sys.executable, "-m", "livemon", "show", "--socket", path, *words],
        stdin=terminal.slave,
        stdout=terminal.slave,
        stderr=subprocess.PIPE,
        cwd=ROOT,
        env=environment,
        preexec_fn=lambda: (os.setsid(), fcntl.ioctl(0, termios.TIOCSCTTY, 0)),  # its terminal, as after a login
    )


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    it = Terminal(80, 24)
    yield it
    for fd in (it.master, it.slave):
        with suppress(OSError):
            os.close(fd)


def until_shown(terminal: Terminal, monitor: Monitor | None, text: str, within_s: float = 20.0) -> None:
    end_s = time.monotonic() + within_s
    while text not in terminal.text():
        assert time.monotonic() < end_s, f"never saw {text!r}:\n{terminal.text()}"
        if monitor is not None:
            monitor.second()
        terminal.read(0.1)


def test_attaches_loses_the_monitor_and_finds_the_next(terminal: Terminal, tmp_path: Path) -> None:
    path = str(tmp_path / "feed.sock")
    viewer = started(terminal, path)
    try:
        terminal.wait_for("Estimates only", 20)  # the start screen, with no monitor there
        monitor = Monitor(path)
        until_shown(terminal, monitor, "CAUTION")
        assert ADVICE in terminal.text()
        monitor.feed.close()
        until_shown(terminal, None, "WATCH THE DASH GAUGE")
        assert ADVICE not in terminal.text(), "what was live is taken back"
        monitor = Monitor(path)
        until_shown(terminal, monitor, ADVICE)
        viewer.send_signal(signal.SIGTERM)
        assert viewer.wait(10) == 0
        monitor.feed.close()
        terminal.read(0.2)
        assert b"\x1b[?1049l" in terminal.raw, "the terminal is left as it was"
    finally:
        viewer.kill()
        viewer.wait()


def test_the_monitors_units_are_the_default(terminal: Terminal, tmp_path: Path) -> None:
    path = str(tmp_path / "feed.sock")
    monitor = Monitor(path, units="us")
    viewer = started(terminal, path)
    try:
        until_shown(terminal, monitor, "°F")
    finally:
        viewer.kill()
        viewer.wait()
        monitor.feed.close()


def test_the_passengers_keys_reach_the_monitor(terminal: Terminal, tmp_path: Path) -> None:
    path = str(tmp_path / "feed.sock")
    monitor = Monitor(path)
    viewer = started(terminal, path, "--view", "passenger")
    try:
        until_shown(terminal, monitor, "A/C")
        os.write(terminal.master, b"a")
        marks: tuple[Mark, ...] = ()
        end_s = time.monotonic() + 10
        while not marks and time.monotonic() < end_s:
            marks = monitor.second()
            terminal.read(0.1)
        assert marks == (Mark(0, (("ac_on", False),)),), "A/C was declared on, so the key declares it off"
    finally:
        viewer.kill()
        viewer.wait()
        monitor.feed.close()


def test_lines_can_be_had_as_they_are(tmp_path: Path) -> None:
    path = str(tmp_path / "feed.sock")
    monitor = Monitor(path)
    viewer = subprocess.Popen(
        [sys.executable, "-m", "livemon", "show", "--socket", path, "--json"], stdout=subprocess.PIPE, cwd=ROOT
    )
    try:
        end_s = time.monotonic() + 20
        while monitor.feed.viewers == 0 and time.monotonic() < end_s:
            monitor.second()
            time.sleep(0.05)
        monitor.second()
        assert viewer.stdout is not None
        assert json.loads(viewer.stdout.readline())["level"] == "caution"
        viewer.send_signal(signal.SIGINT)
        assert viewer.wait(10) == 0
    finally:
        viewer.kill()
        viewer.wait()
        monitor.feed.close()


def test_who_asks_for_lines_where_no_monitor_is_hears_that_it_is_waited_for(tmp_path: Path) -> None:
    path = str(tmp_path / "feed.sock")
    viewer = subprocess.Popen(
        [sys.executable, "-m", "livemon", "show", "--socket", path, "--json"],
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    try:
        assert viewer.stderr is not None
        assert f"no monitor at {path} yet: waiting for one" in viewer.stderr.readline()
        viewer.send_signal(signal.SIGTERM)
        assert viewer.wait(10) == 0
    finally:
        viewer.kill()
        viewer.wait()


def test_wrong_units_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["show", "--units", "furlongs"]) == 2
    assert "expected metric or us" in capsys.readouterr().err
