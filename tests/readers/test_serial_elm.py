"""The serial reader over a real pseudo-terminal: readings, faults, vanishing ports, never an exception."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from livemon.core.events import Link, Mark, Sample
from livemon.readers.clock import MonotonicClock
from livemon.readers.serial_elm import SerialElm, SerialSettings
from livemon.sim.adapter import Adapter, Habits
from livemon.sim.adapter_pty import PtyAdapter
from livemon.sim.ecu import ENGINE
from livemon.sim.link_faults import LinkFault
from tests.sim.made_up_link import DRIVE

QUICK = Habits(reset_ms=60.0, search_ms=100.0)


class Collected:
    """Where the reader puts its events."""

    def __init__(self) -> None:
        self.events: list[Sample | Link | Mark] = []
        self._came = threading.Condition()

    def put(self, event: Sample | Link | Mark) -> None:
        with self._came:
            self.events.append(event)
            self._came.notify_all()

    def wait_for(self, wanted: Callable[[Sample | Link | Mark], bool], after: int = 0, seconds: float = 15.0) -> int:
        """Index behind the first event from `after` on that is wanted."""
        end = time.monotonic() + seconds
        at = after
        with self._came:
            while True:
                while at < len(self.events):
                    at += 1
                    if wanted(self.events[at - 1]):
                        return at
                left = end - time.monotonic()
                assert left > 0, f"waited {seconds} s in vain; last events {self.events[-5:]}"
                self._came.wait(left)


def is_coolant(event: Sample | Link | Mark) -> bool:
    return isinstance(event, Sample) and any(name == "coolant_c" for name, _ in event.readings)


def is_down(event: Sample | Link | Mark) -> bool:
    return isinstance(event, Link) and not event.up


@pytest.fixture
def device(tmp_path: Path) -> Iterator[PtyAdapter]:
    with PtyAdapter(Adapter(lambda: DRIVE, (ENGINE,), QUICK), tmp_path / "adapter") as pty:
        yield pty


def test_readings_arrive_in_order_with_their_ecu(device: PtyAdapter) -> None:
    got = Collected()
    reader = SerialElm(SerialSettings(device.path), MonotonicClock())
    reader.start(got.put)
    try:
        got.wait_for(lambda e: isinstance(e, Sample) and any(n == "speed_kmh" for n, _ in e.readings))
    finally:
        reader.stop()
    first = got.events[0]
    assert isinstance(first, Link)
    assert first.up
    samples = [e for e in got.events if isinstance(e, Sample)]
    assert all(sample.ecu == "7E8" for sample in samples if sample.readings)
    assert ("coolant_c", 92.0) in samples[0].readings
    assert [s.t_ms for s in samples] == sorted(s.t_ms for s in samples)


def test_unplugged_is_told_and_plugged_in_again_is_found(device: PtyAdapter) -> None:
    got = Collected()
    reader = SerialElm(SerialSettings(device.path), MonotonicClock())
    reader.start(got.put)
    try:
        at = got.wait_for(is_coolant)
        device.set_faults(frozenset({LinkFault.UNPLUGGED}))
        at = got.wait_for(is_down, at, 3.0)
        down = got.events[at - 1]
        assert isinstance(down, Link)
        assert down.reason.endswith("the device vanished")
        device.set_faults(frozenset())
        got.wait_for(is_coolant, at, 12.0)
    finally:
        reader.stop()


def test_the_same_device_under_another_name_is_found_only_where_asked_for(tmp_path: Path) -> None:
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    pty = PtyAdapter(Adapter(lambda: DRIVE, (ENGINE,), QUICK), tmp_path / "adapter0")
    with pty:
        link = by_id / "usb-adapter-if00"
        link.symlink_to(pty.device)
        got = Collected()
        reader = SerialElm(SerialSettings(pty.path, follow_device=True), MonotonicClock(), by_id=by_id)
        other = SerialElm(SerialSettings(pty.path), MonotonicClock(), by_id=by_id)
        reader.start(got.put)
        try:
            at = got.wait_for(is_coolant)
            pty.set_faults(frozenset({LinkFault.RENAMED}), tmp_path / "adapter1")
            link.unlink()
            link.symlink_to(pty.device)
            at = got.wait_for(is_down, at, 3.0)
            got.wait_for(is_coolant, at, 12.0)
            assert other._name() == str(tmp_path / "adapter0")
        finally:
            reader.stop()


def test_missing_port_is_told_with_name_and_reason_and_ends_cleanly(tmp_path: Path) -> None:
    got = Collected()
    reader = SerialElm(SerialSettings(str(tmp_path / "nothing")), MonotonicClock())
    reader.start(got.put)
    at = got.wait_for(is_down, 0, 3.0)
    reader.stop()
    down = got.events[at - 1]
    assert isinstance(down, Link)
    assert down.reason == f"port {tmp_path / 'nothing'}: no such device: is the adapter plugged in?"


@pytest.mark.parametrize(
    "error", [OSError(5, "Input/output error"), ValueError("bad baud"), RuntimeError("driver bug")]
)
def test_nothing_leaves_the_thread(error: Exception) -> None:
    def refuse(_name: str, _baud: int) -> object:
        raise error

    got = Collected()
    reader = SerialElm(SerialSettings("/dev/refusing"), MonotonicClock(), opener=refuse)
    reader.start(got.put)
    got.wait_for(is_down, 0, 3.0)
    reader.stop()
    assert reader._thread is not None
    assert not reader._thread.is_alive()


def test_over_tcp() -> None:
    """The same adapter behind a socket, opened by pyserial's URL."""
    server = socket.create_server(("127.0.0.1", 0))
    adapter = Adapter(lambda: DRIVE, (ENGINE,), QUICK)
    stopping = threading.Event()

    def serve() -> None:
        peer, _ = server.accept()
        peer.settimeout(0.005)
        begin = time.monotonic()
        while not stopping.is_set():
            now_ms = (time.monotonic() - begin) * 1000
            try:
                data = peer.recv(4096)
                if not data:
                    return
                adapter.feed(data, now_ms)
            except TimeoutError:
                pass
            if out := adapter.output(now_ms):
                peer.sendall(out)
        peer.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    got = Collected()
    reader = SerialElm(SerialSettings(f"socket://127.0.0.1:{server.getsockname()[1]}"), MonotonicClock())
    reader.start(got.put)
    try:
        at = got.wait_for(is_coolant)
        stopping.set()
        thread.join(2.0)
        got.wait_for(is_down, at, 5.0)
    finally:
        stopping.set()
        reader.stop()
        server.close()
