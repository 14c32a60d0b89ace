"""A GPS receiver on a serial port (NMEA 0183) as a door in: position, height and speed over ground.

Only listens.  A receiver that is missing or vanishes is tried again each five seconds and is never told as the loss of
the vehicle's own link: without it the road is only known less well.  `status` says in words how it stands, for the
screens; it is no input of the core.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Final, Protocol

import serial

from livemon.core.events import Sample
from livemon.readers.base import Put, port_words
from livemon.readers.clock import Clock
from livemon.wire.nmea import NmeaParser

RETRY_S: Final = 5.0
READ_WAIT_S: Final = 0.5
CHUNK: Final = 1024
QUIET_MS: Final = 5_000
"""Receivers tell once a second or oftener; after so long without, it is said."""
_WORDS: Final = {
    "no fix": "no fix yet",
    "not measured": "position estimated or simulated, not used",
    "fix without satellites": "claims a fix without satellites, not used",
    "poor fix": "fix too poor, not used",
    "its clock stands": "repeats the same second, not used",
    "jump": "position jumps, not used",
    "broken sentence": "sentences arrive broken: cable, or another speed",
    "no checksum": "sentences without checksum, not used",
}
"""What the parser found, as people read it."""


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
        self.parser = NmeaParser()
        """What was heard since the port was opened; read it, do not feed it."""
        self._opened_ms = self._bytes_ms = self._sentence_ms = 0
        self._fix_ms: int | None = None
        self.trouble = "not open yet"
        """Why the port is not open, in words; empty while it is."""

    def start(self, put: Put) -> None:
        """Begin; samples go to `put` from the reader's thread."""
        self._thread = threading.Thread(target=self._run, args=(put,), name="gps", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread within a read's wait."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout=3.0)

    def status(self) -> str:
        """How the receiver stands now, in a few words: "fix, 9 satellites", or what is missing and for how long."""
        now_ms, parser = self._clock.now_ms(), self.parser
        if self.trouble:
            return self.trouble
        if now_ms - max(self._bytes_ms, self._opened_ms) > QUIET_MS:
            return f"silent for {(now_ms - max(self._bytes_ms, self._opened_ms)) // 1000} s"
        if not parser.sentences and now_ms - self._opened_ms > QUIET_MS and parser.why_not != "no checksum":
            return f"no GGA or RMC at {self._baud}: another speed, or no receiver"
        seen = "" if parser.satellites is None else f", {parser.satellites} satellites"
        if self._fix_ms is not None and now_ms - self._fix_ms <= QUIET_MS:
            return f"fix{seen}"
        if now_ms - max(self._sentence_ms, self._opened_ms) > QUIET_MS and not parser.why_not:
            return "no position in its sentences"
        words = _WORDS.get(parser.why_not, "no fix yet")
        if self._fix_ms is not None:
            words = f"no position for {(now_ms - self._fix_ms) // 1000} s: {words.replace('no fix yet', 'no fix')}"
        return f"{words}{seen if parser.why_not in ('no fix', 'poor fix') else ''}"

    def _run(self, put: Put) -> None:
        while not self._stopping.is_set():
            port = None
            try:
                port = self._opener(self._name, self._baud)
                self._opened_ms, self.trouble = self._clock.now_ms(), ""
                self._listen(port, put)
            except (OSError, ValueError) as error:
                self.trouble = f"GPS port {self._name}: {port_words(error, 'receiver')}"
            finally:
                if port is not None:
                    with suppress(OSError):
                        port.close()
            self._stopping.wait(RETRY_S)

    def _listen(self, port: Port, put: Put) -> None:
        self.parser = parser = NmeaParser()
        while not self._stopping.is_set():
            data = port.read(CHUNK)
            now_ms = self._clock.now_ms()
            if data:
                self._bytes_ms = now_ms
            sentences, fixes = parser.sentences, parser.fixes
            for readings in parser.receive(data):
                put(Sample(now_ms, readings))
            if parser.sentences > sentences:
                self._sentence_ms = now_ms
            if parser.fixes > fixes:
                self._fix_ms = now_ms
