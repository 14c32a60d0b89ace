"""The words to the service manager, checked against a socket of our own; the protocol is sd_notify(3)."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from livemon.outputs.service import Notifier, ask_power_off


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    path = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind(path)
        end.setblocking(False)
        yield end, path


def heard(end: socket.socket) -> list[str]:
    said = []
    while True:
        try:
            said.append(end.recv(4096).decode())
        except BlockingIOError:
            return said


def test_ready_status_and_stopping_are_told(manager: tuple[socket.socket, str]) -> None:
    end, path = manager
    with Notifier.from_environment({"NOTIFY_SOCKET": path}) as notifier:
        notifier.ready("waiting for the adapter")
        notifier.status("live:\n  margin 12 C")
        notifier.status("live: margin 12 C")
        notifier.stopping()
    assert heard(end) == [
        "READY=1\nSTATUS=waiting for the adapter",
        "STATUS=live: margin 12 C",
        "STOPPING=1",
    ]


def test_an_abstract_address_is_understood() -> None:
    name = "livemon-test-notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind("\0" + name)
        with Notifier("@" + name) as notifier:
            notifier.ready()
        assert end.recv(100) == b"READY=1"


def test_the_watchdog_is_fed_at_half_its_time_and_only_after_progress(manager: tuple[socket.socket, str]) -> None:
    end, path = manager
    with Notifier(path, watchdog_us=10_000_000) as notifier:
        sent = [notifier.alive(tick, tick * 1000) for tick in range(12)]
        assert [tick for tick, was in enumerate(sent) if was] == [0, 5, 10]
        assert not any(notifier.alive(10, 11_000 + k * 1000) for k in range(60)), "no progress, no ping"
        assert notifier.alive(11, 80_000)
    assert heard(end) == ["WATCHDOG=1"] * 4


def test_a_watchdog_meant_for_another_process_is_not_fed(manager: tuple[socket.socket, str]) -> None:
    end, path = manager
    with Notifier.from_environment(
        {"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"}
    ) as notifier:
        assert not notifier.alive(1, 0)
    assert heard(end) == []


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "vsock:2:1234"}])
def test_without_a_manager_nothing_happens(environment: dict[str, str]) -> None:
    with Notifier.from_environment(environment) as notifier:
        notifier.ready()
        notifier.status("x")
        assert notifier.failed == 0


def test_a_manager_that_does_not_read_is_no_failure_of_ours(manager: tuple[socket.socket, str]) -> None:
    _end, path = manager
    with Notifier(path, watchdog_us=2) as notifier:
        for tick in range(20_000):
            notifier.alive(tick, tick)
            if notifier.failed:
                break
        assert notifier.failed == 1, "the socket's queue never filled"
        assert not notifier.alive(tick + 1, tick + 1)


def test_power_off_is_asked_for_by_a_file(tmp_path: Path) -> None:
    request = tmp_path / "power-off"
    assert ask_power_off(str(request)) == ""
    assert ask_power_off(str(request)) == "", "asking twice is asking once"
    assert request.exists()
    assert "switch off by hand" in ask_power_off(str(tmp_path / "nowhere" / "power-off"))
