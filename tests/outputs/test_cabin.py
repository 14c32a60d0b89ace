"""One sink for everything in the cab: each part gets its second, and a failing one takes no other with it."""

from __future__ import annotations

import json
import socket
from dataclasses import replace
from pathlib import Path

import pytest

from livemon.core.events import Link, Mark, Sample
from livemon.core.outcome import Level
from livemon.errors import SetupError
from livemon.outputs.attach import Attached
from livemon.outputs.cabin import MAX_TROUBLES, Cabin, CabinSettings
from livemon.outputs.feed import FeedSettings
from livemon.outputs.feed_line import health_of, outcome_of
from livemon.outputs.lamp import LampSettings
from livemon.outputs.page import PageSettings
from livemon.outputs.sound import SoundSettings
from tests.outputs.scenes import CAUTION, NORMAL

QUIET = SoundSettings(way="none")


@pytest.fixture
def settings(tmp_path: Path) -> CabinSettings:
    return CabinSettings(feed=FeedSettings(str(tmp_path / "feed.sock")), sound=QUIET, units="us")


class Loop:
    """The main loop's side: a clock and what was put."""

    def __init__(self) -> None:
        self.now_ms = 0
        self.put: list[Mark] = []

    def cabin(self, settings: CabinSettings, **environment: str) -> Cabin:
        return Cabin(settings, self.put.append, lambda: self.now_ms, environment, "bench", lambda: ("ok", True))

    def second(self, cabin: Cabin, level: Level = Level.NORMAL) -> None:
        self.now_ms += 1000
        cabin.outcome(replace(NORMAL, t_ms=self.now_ms, level=level))


@pytest.fixture
def loop() -> Loop:
    return Loop()


def test_viewers_get_the_second_with_the_state_of_the_data_and_may_declare(loop: Loop, settings: CabinSettings) -> None:
    cabin = loop.cabin(settings)
    viewer = Attached(settings.feed.socket)
    viewer.wait(0)
    cabin.event(Link(0, True))
    cabin.event(Sample(0, (("coolant_c", 91.0), ("voltage_v", 14.1))))
    loop.second(cabin)
    (line,) = viewer.wait(0.05)
    assert viewer.greeting["units"] == "us"
    assert outcome_of(line).t_ms == 1000
    health = health_of(line)
    assert health is not None
    assert (health.link, health.voltage_v, health.recorder, health.source) == ("up", 14.1, "ok", "bench")
    viewer.declare(inputs={"ac_on": True})
    loop.second(cabin)
    assert loop.put == [Mark(2000, (("ac_on", True),))], "stamped with the loop's time"
    viewer.detach()
    cabin.close()


def test_the_watchdog_follows_the_seconds_worked_off(loop: Loop, settings: CabinSettings, tmp_path: Path) -> None:
    path = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(path)
        manager.setblocking(False)
        cabin = loop.cabin(settings, NOTIFY_SOCKET=path, WATCHDOG_USEC="4000000")
        cabin.ready()
        for _ in range(6):
            loop.second(cabin)
        loop.second(cabin, Level.CAUTION)
        cabin.close()
        said = []
        while True:
            try:
                said.append(manager.recv(1000).decode())
            except BlockingIOError:
                break
    assert said[0] == "READY=1\nSTATUS=waiting for the vehicle"
    assert said.count("WATCHDOG=1") == 4
    assert said.count("STATUS=level normal") == 1, "told on change only"
    assert said[-1] == "STOPPING=1"


def test_a_failing_part_is_told_left_out_and_takes_no_other_with_it(
    loop: Loop, settings: CabinSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    cabin = loop.cabin(settings)
    calls = []

    def broken(*_args: object) -> None:
        calls.append(1)
        raise RuntimeError("out of air")

    monkeypatch.setattr(cabin.sound, "play", broken)
    viewer = Attached(settings.feed.socket)
    viewer.wait(0)
    for _ in range(10):
        loop.second(cabin)
    assert len(viewer.wait(0.05)) == 1 + 9, "it attached in the first second"
    assert len(calls) == MAX_TROUBLES
    assert cabin.notes == ("sound: RuntimeError: out of air",)
    viewer.detach()
    cabin.close()


def test_what_is_not_there_is_noted_and_what_cannot_be_meant_is_refused(loop: Loop, settings: CabinSettings) -> None:
    cabin = loop.cabin(replace(settings, feed=FeedSettings("/nowhere/feed.sock"), page=PageSettings(True)))
    assert len(cabin.notes) == 1
    assert "feed.socket /nowhere" in cabin.notes[0]
    loop.second(cabin)
    cabin.close()
    with pytest.raises(SetupError, match=r"page\.port"):
        loop.cabin(replace(settings, page=PageSettings(True, port=1)))
    with pytest.raises(SetupError, match=r"lamp\.buzzer"):
        loop.cabin(replace(settings, lamp=LampSettings(buzzer=99)))


def test_nothing_configured_costs_nothing(loop: Loop) -> None:
    cabin = loop.cabin(CabinSettings(feed=FeedSettings(""), sound=QUIET))
    for _ in range(3):
        loop.second(cabin)
    cabin.outcome(replace(CAUTION, t_ms=9000))
    assert cabin.notes == ()
    cabin.close()


def test_the_lines_are_json(loop: Loop, settings: CabinSettings) -> None:
    cabin = loop.cabin(settings)
    viewer = Attached(settings.feed.socket)
    viewer.wait(0)
    loop.second(cabin)
    assert json.loads(viewer.wait(0.05)[0])["time_s"] == 1.0
    viewer.detach()
    cabin.close()
