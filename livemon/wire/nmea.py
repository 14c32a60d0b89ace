"""NMEA 0183 sentences -> position, height and speed over ground.  Bytes in, readings out; no port, no clock.

Parsing and checksums are pynmeagps'; this file cuts the stream into sentences, keeps GGA and RMC of a valid fix and
counts what it throws away.  Whether a fix can be believed is asked in `core/road`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Final

from pynmeagps import NMEAMessageError, NMEAParseError, NMEAReader, NMEAStreamError, NMEATypeError

from livemon.core.events import SIGNALS

KNOT_KMH: Final = 1.852
"""International nautical mile per hour, exact."""
WORST_HDOP: Final = 6.0
_LONGEST: Final = 256
"""NMEA 0183 allows 82 characters; some receivers exceed it."""

Readings = tuple[tuple[str, float], ...]


class NmeaParser:
    """Feed bytes as they come; each call returns the readings of the sentences that became complete."""

    def __init__(self) -> None:
        self._buffer = b""
        self.skipped: Counter[str] = Counter()

    def receive(self, data: bytes) -> list[Readings]:
        """Readings of every complete, valid sentence with a fix; the rest is counted in `skipped`."""
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        if len(self._buffer) > _LONGEST:
            self.skipped["too long"] += 1
            self._buffer = b""
        found = (self._sentence(line) for line in lines)
        return [readings for readings in found if readings]

    def _sentence(self, line: bytes) -> Readings:
        start = line.rfind(b"$")
        if start < 0 or len(line) > _LONGEST:
            self.skipped["noise"] += bool(line.strip())
            return ()
        sentence = line[start:].rstrip() + b"\r\n"
        if sentence[3:6] not in (b"GGA", b"RMC") or b"*" not in sentence:
            return ()
        try:
            message = NMEAReader.parse(sentence)
            return self._gga(message) if message.msgID == "GGA" else self._rmc(message)
        except (
            NMEAMessageError,
            NMEAParseError,
            NMEAStreamError,
            NMEATypeError,
            ValueError,
            TypeError,
            AttributeError,
        ):
            self.skipped["broken sentence"] += 1
            return ()

    def _gga(self, message: object) -> Readings:
        quality, hdop = int(getattr(message, "quality", 0) or 0), getattr(message, "HDOP", "")
        if quality == 0 or (hdop != "" and float(hdop) > WORST_HDOP):
            self.skipped["no fix"] += 1
            return ()
        values = {"latitude_deg": "lat", "longitude_deg": "lon", "altitude_m": "alt"}
        return _round((name, getattr(message, field, "")) for name, field in values.items())

    def _rmc(self, message: object) -> Readings:
        if getattr(message, "status", "V") != "A":
            self.skipped["no fix"] += 1
            return ()
        speed = getattr(message, "spd", "")
        return _round([("gps_speed_kmh", "" if speed == "" else float(speed) * KNOT_KMH)])


def _round(pairs: Iterable[tuple[str, object]]) -> Readings:
    """Numbers rounded once, at the door; a field left empty by the receiver is left out."""
    kept = []
    for name, value in pairs:
        if isinstance(value, int | float):
            signal = SIGNALS[name]
            number = round(float(value), signal.decimals)
            if signal.low <= number <= signal.high:
                kept.append((name, number))
    return tuple(kept)
