"""`livemon watch` as the service runs it: beside a made-up adapter, with viewers, a service manager, and no adapter."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from livemon.outputs.attach import Attached
from livemon.outputs.feed_line import health_of, outcome_of

ROOT = Path(__file__).resolve().parents[2]


@contextmanager
def watching(folder: Path, *words: str, **environment: str) -> Iterator[subprocess.Popen[str]]:
    child = subprocess.Popen(
        [sys.executable, "-m", "livemon", "watch", "--quiet", "--records", str(folder / "drives"), *words],
        cwd=ROOT,
        env={**os.environ, **environment},
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield child
    finally:
        child.kill()
        child.wait()


@contextmanager
def made_up_adapter(folder: Path) -> Iterator[Path]:
    link = folder / "adapter"
    child = subprocess.Popen(
        [sys.executable, "-m", "livemon", "simulate", "--scenario", "karga-gentle", "--pty", str(link)],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        end_s = time.monotonic() + 20
        while not link.exists():
            assert time.monotonic() < end_s
            time.sleep(0.05)
        yield link
    finally:
        child.terminate()
        child.wait(10)


def test_as_a_service_it_is_ready_watched_seen_and_told_to_stop(tmp_path: Path) -> None:
    feed = str(tmp_path / "feed.sock")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager, made_up_adapter(tmp_path) as adapter:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(20)
        with watching(
            tmp_path, "--port", str(adapter), "--feed", feed,
            NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="2000000",
        ) as monitor:  # fmt: skip
            assert manager.recv(200).startswith(b"READY=1")
            viewer = Attached(feed)
            end_s, seen = time.monotonic() + 30, None
            while seen is None and time.monotonic() < end_s:
                for line in viewer.wait(0.5):
                    seen = line if outcome_of(line).coolant_c is not None else seen
            assert seen is not None, "no reading ever came"
            health = health_of(seen)
            assert health is not None
            assert health.link == "up"
            assert health.recorder_ok
            assert viewer.declare(note="seen")
            viewer.wait(2.0)
            monitor.send_signal(signal.SIGTERM)
            assert monitor.wait(10) == 0
            said = []
            manager.setblocking(False)
            while True:
                try:
                    said.append(manager.recv(400))
                except BlockingIOError:
                    break
            assert b"WATCHDOG=1" in said
            assert said[-1] == b"STOPPING=1"
    (recording,) = (tmp_path / "drives").glob("*.csv")
    text = recording.read_text(encoding="utf-8")
    assert "down: stopped" in text.splitlines()[-1]
    assert "seen" in text, "what a viewer noted is on record"
    assert not os.path.exists(feed)


def test_a_missing_adapter_is_a_state(tmp_path: Path) -> None:
    feed = str(tmp_path / "feed.sock")
    with watching(tmp_path, "--port", str(tmp_path / "nothing"), "--feed", feed) as monitor:
        viewer, lines = Attached(feed), []
        end_s = time.monotonic() + 30
        while len(lines) < 4 and time.monotonic() < end_s:
            lines += viewer.wait(0.5)
        told, health = json.loads(lines[-1]), health_of(lines[-1])
        assert told["status"] in ("starting", "no_link")
        assert told["coolant_c"] is None
        assert health is not None
        assert str(tmp_path / "nothing") in health.link, "why is told"
        assert monitor.poll() is None, "it stays up"
        monitor.send_signal(signal.SIGINT)
        assert monitor.wait(10) == 0


def test_a_second_monitor_on_the_same_feed_is_refused(tmp_path: Path) -> None:
    feed = str(tmp_path / "feed.sock")
    with watching(tmp_path, "--port", str(tmp_path / "nothing"), "--feed", feed):
        viewer = Attached(feed)
        end_s = time.monotonic() + 30
        while not viewer.connected and time.monotonic() < end_s:
            viewer.wait(0.2)
        with watching(tmp_path, "--port", str(tmp_path / "nothing"), "--feed", feed) as second:
            assert second.wait(20) == 2
            assert second.stderr is not None
            assert "no other monitor" in second.stderr.read()


def test_a_feed_called_none_is_none(tmp_path: Path) -> None:
    """As in the settings; a socket of that name would lie where the drive was begun."""
    with watching(tmp_path, "--port", str(tmp_path / "nothing"), "--feed", "none") as monitor:
        folder, end_s = tmp_path / "drives", time.monotonic() + 30
        while not (folder.is_dir() and any(folder.iterdir())) and time.monotonic() < end_s:
            time.sleep(0.1)
        assert not (ROOT / "none").exists()
        monitor.send_signal(signal.SIGINT)
        assert monitor.wait(10) == 0


def _once_read(folder: Path) -> Path:
    """The recording, once a coolant reading is in it; without one it would not be kept."""
    end_s = time.monotonic() + 30
    while time.monotonic() < end_s:
        for path in (folder / "drives").glob("*.csv"):
            rows = [row.split(",") for row in path.read_text(encoding="utf-8").splitlines() if row[:1].isdigit()]
            if any(row[2] for row in rows if len(row) > 2):
                return path
        time.sleep(0.1)
    raise AssertionError("no reading was recorded")


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGINT])
def test_each_way_of_being_told_to_stop_ends_the_drive_in_order(tmp_path: Path, number: signal.Signals) -> None:
    """SIGHUP is what a dropped terminal session sends."""
    with made_up_adapter(tmp_path) as adapter, watching(tmp_path, "--port", str(adapter), "--feed", "none") as monitor:
        recording = _once_read(tmp_path)
        monitor.send_signal(number)
        assert monitor.wait(10) == 0
    assert "down: stopped" in recording.read_text(encoding="utf-8").splitlines()[-1]


def test_a_result_that_cannot_be_written_is_named_and_the_recording_goes_on(tmp_path: Path) -> None:
    words = ["watch", "--json", "--feed", "none", "--records", str(tmp_path / "drives"), "--port"]
    with made_up_adapter(tmp_path) as adapter, open("/dev/full", "w") as full:
        monitor = subprocess.Popen(
            [sys.executable, "-m", "livemon", *words, str(adapter)],
            cwd=ROOT,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            assert monitor.stderr is not None
            said = monitor.stderr.readline()
            assert said.startswith(
                "livemon watch: standard output is given up until the next start, the drive goes on:"
            )
            recording = _once_read(tmp_path)
            monitor.send_signal(signal.SIGTERM)
            assert monitor.wait(10) == 0
        finally:
            monitor.kill()
            monitor.wait()
    assert "down: stopped" in recording.read_text(encoding="utf-8").splitlines()[-1]


@pytest.mark.parametrize("words", [(), ("--port", "a", "--can", "b")])
def test_where_the_vehicle_is_must_be_said(tmp_path: Path, words: tuple[str, ...]) -> None:
    with watching(tmp_path, *words) as monitor:
        assert monitor.wait(20) == 2
