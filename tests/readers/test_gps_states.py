"""A GPS receiver on a pseudo-terminal: what screens and `probe` say of it, and that no fault of it makes a climb."""

from __future__ import annotations

import json
import os
import pty
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from livemon.cli import main
from livemon.core import road, signals
from livemon.core.events import Link, Mark, Sample
from livemon.outputs.view import View, render
from livemon.outputs.view_passenger import Health
from livemon.readers.clock import HandClock
from livemon.readers.gps_serial import GpsSerial, Port
from livemon.wire.nmea import NmeaParser
from tests.outputs.scenes import NORMAL
from tests.wire.test_nmea_faults import gga, rmc, sentence

COLD = sentence("GPGGA,120000.00,,,,,0,03,9.9,,M,,M,,")


class Line:
    """A port that gives what was put on it, one piece a read, and waits in between."""

    def __init__(self) -> None:
        self.pieces: list[bytes] = []
        self.gone = False
        self.read_all = threading.Event()

    def read(self, size: int) -> bytes:
        if self.gone:
            raise OSError("device gone")
        if self.pieces:
            return self.pieces.pop(0)
        self.read_all.set()
        time.sleep(0.002)
        return b""

    def close(self) -> None:
        """Nothing to close."""


class Bench:
    """A reader with a clock and a line moved by hand."""

    def __init__(self) -> None:
        self.clock, self.line = HandClock(0), Line()
        self.got: list[Sample | Link | Mark] = []
        opened = threading.Event()

        def opener(name: str, baud: int) -> Port:
            opened.set()
            return self.line

        self.reader = GpsSerial("gps0", self.clock, 9600, opener)
        self.reader.start(self.got.append)
        assert opened.wait(5.0)
        self.hear(b"", 0)

    def hear(self, data: bytes, t_ms: int) -> str:
        """Put `data` on the line at `t_ms`; the status once it was read."""
        self.clock.set(t_ms)
        self.line.pieces.append(data)
        for _ in range(2):  # the first may have been set before the piece was seen
            self.line.read_all.clear()
            assert self.line.read_all.wait(5.0)
        return self.reader.status()


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    made.reader.stop()


def test_from_a_cold_start_to_a_fix_and_its_loss(bench: Bench) -> None:
    assert bench.hear(COLD, 1_000) == "no fix yet, 3 satellites"
    assert bench.hear(gga(43_202), 2_000) == "fix, 9 satellites"
    assert bench.hear(COLD, 4_000) == "fix, 3 satellites"
    assert bench.hear(COLD, 14_000) == "no position for 12 s: no fix, 3 satellites"
    assert bench.hear(gga(43_215), 15_000) == "fix, 9 satellites"


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "silent for 9 s"),
        (b"\x80\xfe\x00\x9f" * 40 + b"\n", "no GGA or RMC at 9600: another speed, or no receiver"),
        (sentence("GPGSV,1,1,00"), "no GGA or RMC at 9600: another speed, or no receiver"),
        (gga(9, satellites=0), "claims a fix without satellites, not used"),
        (gga(9, hdop=20.0), "fix too poor, not used, 9 satellites"),
        (gga(9, quality=8), "position estimated or simulated, not used"),
        (gga(9)[:-5] + b"\r\n", "sentences without checksum, not used"),
    ],
)
def test_what_is_wrong_is_said_in_words(bench: Bench, data: bytes, words: str) -> None:
    assert bench.hear(data, 9_000) == words
    assert bench.got == []


def test_a_clock_that_stands_and_positions_that_jump_are_said(bench: Bench) -> None:
    bench.hear(gga(1), 1_000)
    assert bench.hear(gga(1), 8_000) == "no position for 7 s: repeats the same second, not used"
    assert bench.hear(gga(9, 46.5), 9_000) == "no position for 8 s: position jumps, not used"


def test_a_port_that_vanishes_is_said(bench: Bench) -> None:
    bench.line.gone = True
    for _ in range(500):
        if bench.reader.trouble:
            break
        time.sleep(0.01)
    assert bench.reader.status() == "GPS port gps0: device gone"


def test_the_passenger_sees_how_the_receiver_stands() -> None:
    health = Health(source="adapter", link="up", recorder="recording", gps="no fix yet, 3 satellites")
    assert "GPS no fix yet, 3 satellites" in render(View.PASSENGER, NORMAL, 100, 30, health=health).text()


LEVEL_S = 240


def level_road(fault: str) -> list[bytes]:
    """What a receiver says each second on a level road at 20 m/s, with a fault from the second minute on."""
    told = []
    for k in range(LEVEL_S):
        latitude, height, second = 45.0 + k * 20.0 / 111_132.0, 500.0, float(k)
        broken = k >= 60
        if fault == "jumps once" and k == 100:
            latitude, height = latitude + 0.2, 1_400.0
        elif fault == "jumps to and fro" and broken and k % 3 == 0:
            latitude, height = latitude + 0.05, 700.0
        elif fault == "stands still" and broken:
            latitude, second = 45.0 + 60 * 20.0 / 111_132.0, 60.0
        elif fault == "same place, clock runs" and broken:
            latitude, height = 45.0 + 60 * 20.0 / 111_132.0, 500.0
        elif fault == "few satellites, height drifts" and broken:
            told.append(gga(second, latitude, 500.0 + 3.0 * (k - 60), satellites=3))
            continue
        elif fault == "loses its fix" and broken:
            told.append(COLD)
            continue
        elif fault == "checksum wrong" and broken:
            told.append(gga(second, latitude, height + 2.0 * k).replace(b",M,47", b",M,48"))
            continue
        elif fault == "two receivers":
            told.append(gga(second, latitude, 500.0) + gga(second, latitude, 560.0, talker="GN"))
            continue
        told.append(gga(second, latitude, height) + rmc(second, 38.9))
    return told


@pytest.mark.parametrize(
    "fault",
    [
        "none",
        "jumps once",
        "jumps to and fro",
        "stands still",
        "same place, clock runs",
        "few satellites, height drifts",
        "loses its fix",
        "checksum wrong",
        "two receivers",
    ],
)
def test_no_fault_of_a_receiver_makes_a_climb_and_nothing_stale_is_live(fault: str) -> None:
    parser, state, where = NmeaParser(), signals.Signals(), road.start()
    for second, data in enumerate(level_road(fault)):
        t_ms = 1000 * second
        state = signals.hear(state, Sample(t_ms, (("speed_kmh", 72.0), ("coolant_c", 90.0))))
        for readings in parser.receive(data):
            state = signals.hear(state, Sample(t_ms, readings))
        state, inputs = signals.at_tick(state, t_ms, 30.0, None)
        where, seen = road.advance(where, inputs, None)
        assert seen.climb is None or not seen.climb.on, second
        if seen.grade_pct is not None and second > 60:
            assert abs(seen.grade_pct.likely or 0.0) < 2.0, second
    if fault in ("stands still", "loses its fix", "checksum wrong"):
        assert inputs.latitude_deg is None
        assert inputs.altitude_m is None


@contextmanager
def receiver(*told: bytes, every_s: float = 0.05) -> Iterator[str]:
    """A pseudo-terminal on which a receiver tells `told` over and over; its name."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    stopping = threading.Event()

    def tell() -> None:
        k = 0
        while told and not stopping.wait(every_s):
            os.write(master, told[k % len(told)])
            k += 1

    thread = threading.Thread(target=tell, daemon=True)
    thread.start()
    yield os.ttyname(slave)
    stopping.set()
    thread.join(5.0)
    os.close(master)
    os.close(slave)


def test_probe_tells_a_receiver_that_has_a_fix(capsys: pytest.CaptureFixture[str]) -> None:
    with receiver(*(gga(k, 45.0 + 1e-5 * k) + rmc(k) for k in range(600))) as name:
        assert main(["probe", "--gps", name, "--seconds", "20"]) == 0
        out = capsys.readouterr().out
        assert f"GPS on {name} at 9600: fix, 9 satellites" in out
        assert "altitude_m 500" in out
        assert main(["probe", "--gps", name, "--seconds", "20", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["fixes"] >= 5
    assert told["talkers"] == {"GP": told["sentences"]}


def test_probe_tells_a_receiver_without_a_fix_and_a_port_that_is_not_there(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with receiver(COLD) as name:
        assert main(["probe", "--gps", name, "--seconds", "5"]) == 1
        out = capsys.readouterr().out
    assert "no fix yet, 3 satellites" in out
    assert "thrown away: no fix" in out
    assert main(["probe", "--gps", "/no/such/device", "--seconds", "5"]) == 1
    assert "GPS port /no/such/device" in capsys.readouterr().out
    assert main(["probe", "--gps", "x", "--can", "vcan0"]) == 2
