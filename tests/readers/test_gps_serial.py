"""The GPS reader: samples from a port, a vanished port, nothing ever written."""

from __future__ import annotations

import errno
import threading

from livemon.core.events import Link, Mark, Sample
from livemon.readers.clock import HandClock
from livemon.readers.gps_serial import GpsSerial

GGA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"


class Plays:
    """A port that gives `chunks` one a read, then vanishes."""

    def __init__(self, *chunks: bytes) -> None:
        self._chunks = list(chunks)
        self.closed = False

    def read(self, size: int) -> bytes:
        if not self._chunks:
            raise OSError("device gone")
        return self._chunks.pop(0)

    def close(self) -> None:
        self.closed = True


def test_samples_carry_the_clock_and_a_vanished_port_is_told_in_words() -> None:
    got: list[Sample | Link | Mark] = []
    arrived, port = threading.Event(), Plays(GGA[:30], GGA[30:])

    def put(event: Sample | Link | Mark) -> None:
        got.append(event)
        arrived.set()

    reader = GpsSerial("gps0", HandClock(4200), opener=lambda name, baud: port)
    reader.start(put)
    assert arrived.wait(5.0)
    reader.stop()
    assert got == [Sample(4200, (("latitude_deg", 48.1173), ("longitude_deg", 11.516667), ("altitude_m", 545.4)))]
    assert port.closed
    assert "device gone" in reader.trouble


def test_a_missing_port_never_raises_and_never_breaks_the_link() -> None:
    got: list[Sample | Link | Mark] = []
    tried = threading.Event()

    def refuses(name: str, baud: int) -> Plays:
        tried.set()
        raise OSError(errno.ENOENT, "could not open port gps0: No such file or directory: 'gps0'")

    reader = GpsSerial("gps0", HandClock(), opener=refuses)
    reader.start(got.append)
    assert tried.wait(5.0)
    reader.stop()
    assert got == []
    assert reader.trouble == "GPS port gps0: no such device: is the receiver plugged in?"
