"""A GPS receiver on a serial port (NMEA 0183) as a door in: position, height and speed over ground.

Only listens.  A receiver that is missing or vanishes is tried again each five seconds and is never told as the loss of
the vehicle's own link: without it the road is only known less well.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Final, Protocol

import serial

from livemon.core.events import Sample
from livemon.readers.base import Put
from livemon.readers.clock import Clock
from livemon.wire.nmea import NmeaParser

RETRY_S: Final = 5.0
READ_WAIT_S: Final = 0.5
CHUNK: Final = 1024


class Port(Protocol):
    """The part of a serial port this reader uses."""

    def read(self, size: int) -> bytes: ...

    def close(self) -> None: ...


def open_port(name: str, baud: int) -> Port:
    """Open a device or URL through pyserial; raises OSError or ValueError."""
    port: Port = serial.serial_for_url(name, baudrate=baud, timeout=READ_WAIT_S)
    return port


class GpsSerial:
    """Reader of one receiver.  `opener` is replaced in tests."""

    def __init__(
        self, port: str, clock: Clock, baud: int = 9600, opener: Callable[[str, int], Port] = open_port
    ) -> None:
        self._name, self._baud, self._clock, self._opener = port, baud, clock, opener
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self.trouble = ""
        """Why there is no position now, in words; empty when the port is open."""

    def start(self, put: Put) -> None:
        """Begin; samples go to `put` from the reader's thread."""
        self._thread = threading.Thread(target=self._run, args=(put,), name="gps", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread within a read's wait."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout=3.0)

    def _run(self, put: Put) -> None:
        while not self._stopping.is_set():
            port = None
            try:
                port = self._opener(self._name, self._baud)
                self.trouble = ""
                self._listen(port, put)
            except (OSError, ValueError) as error:
                self.trouble = f"GPS port {self._name}: {error}"
            finally:
                if port is not None:
                    with suppress(OSError):
                        port.close()
            self._stopping.wait(RETRY_S)

    def _listen(self, port: Port, put: Put) -> None:
        parser = NmeaParser()
        while not self._stopping.is_set():
            for readings in parser.receive(port.read(CHUNK)):
                put(Sample(self._clock.now_ms(), readings))
