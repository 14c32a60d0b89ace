"""NMEA 0183 sentences -> position, height and speed over ground.  Bytes in, readings out; no port, no clock.

Parsing and checksums are pynmeagps'; this file cuts the stream into sentences, keeps GGA and RMC of a measured fix, at
most one a second, and counts by reason what it throws away: no fix, a receiver that repeats itself, a position that
jumps, a second receiver on the same line.  Whether a fix fits the road and the driving is asked in `core/road`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from math import cos, hypot, radians
from typing import Final, NamedTuple

from pynmeagps import NMEAMessageError, NMEAParseError, NMEAReader, NMEAStreamError, NMEATypeError

from livemon.core.events import SIGNALS

KNOT_KMH: Final = 1.852
"""International nautical mile per hour, exact."""
WORST_HDOP: Final = 6.0
HEIGHT_NEEDS: Final = 4
"""Satellites for a height: three only give a place on an assumed height."""
MEASURED: Final = frozenset({1, 2, 3, 4, 5})
"""GGA quality of a fix from satellites; 6 is dead reckoning, 7 typed in, 8 a simulator (NMEA 0183, from memory)."""
MEASURED_MODES: Final = frozenset({"", "A", "D", "F", "P", "R"})
"""The same by the mode letter of RMC (NMEA 0183 version 2.3 on, from memory): not E, M, N, S."""
FASTEST_M_S: Final = 100.0
"""A fix that needs more than this from the one before is a jump."""
JUMPS_BELIEVED: Final = 5
"""So many fixes in a row that agree with each other are where the vehicle is."""
OTHERS_BEFORE_SWITCH: Final = 10
"""The first receiver heard counts until it has been silent for so many fixes of another."""
DAY_S: Final = 86_400.0
GAP_S: Final = 60.0
METRES_PER_DEGREE: Final = 111_200.0
"""Rough, for telling a jump of kilometres; distances are `core/route`'s."""
_LONGEST: Final = 256
"""NMEA 0183 allows 82 characters; some receivers exceed it."""

Readings = tuple[tuple[str, float], ...]


class _Place(NamedTuple):
    second: float
    latitude_deg: float
    longitude_deg: float


class NmeaParser:
    """Feed bytes as they come; each call returns the readings of the sentences that became complete.

    `skipped` counts what was thrown away by reason; `sentences` counts whole GGA and RMC with a true checksum, `fixes`
    the GGA among them that were believed; `why_not` is the reason the last one was not, "" while they are;
    `satellites` is what the last GGA used.
    """

    def __init__(self) -> None:
        self._buffer = b""
        self.skipped: Counter[str] = Counter()
        self.talkers: Counter[str] = Counter()
        self.sentences = self.fixes = 0
        self.why_not = ""
        self.satellites: int | None = None
        self._talker: dict[bytes, bytes] = {}
        self._others: Counter[bytes] = Counter()
        self._times: dict[bytes, bytes] = {}
        self._place: _Place | None = None
        self._doubtful: _Place | None = None
        self._jumps = 0

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
        kind = sentence[3:6]
        if kind not in (b"GGA", b"RMC"):
            return ()
        if b"*" not in sentence:
            return self._refused("no checksum")
        try:
            message = NMEAReader.parse(sentence)
            self.sentences += 1
            self.talkers[sentence[1:3].decode("ascii", "replace")] += 1
            readings = self._gga(message, sentence) if kind == b"GGA" else self._rmc(message, sentence)
        except (
            NMEAMessageError,
            NMEAParseError,
            NMEAStreamError,
            NMEATypeError,
            ValueError,
            TypeError,
            AttributeError,
        ):
            return self._refused("broken sentence")
        return readings

    def _refused(self, why: str) -> Readings:
        self.skipped[why] += 1
        self.why_not = why
        return ()

    def _gga(self, message: object, sentence: bytes) -> Readings:
        quality, hdop = int(getattr(message, "quality", 0) or 0), getattr(message, "HDOP", "")
        used = getattr(message, "numSV", "")
        self.satellites = None if used == "" else int(used)
        if quality == 0:
            return self._refused("no fix")
        if quality not in MEASURED:
            return self._refused("not measured")
        if self.satellites == 0:
            return self._refused("fix without satellites")
        if hdop != "" and float(hdop) > WORST_HDOP:
            return self._refused("poor fix")
        latitude, longitude = getattr(message, "lat", ""), getattr(message, "lon", "")
        if latitude == "" or longitude == "":
            return self._refused("no fix")
        if not self._its_turn(sentence):
            return ()
        if self._jumped(_seconds(_time(sentence)), float(latitude), float(longitude)):
            return self._refused("jump")
        self.fixes += 1
        self.why_not = ""
        values: dict[str, object] = {"latitude_deg": latitude, "longitude_deg": longitude}
        if self.satellites is None or self.satellites >= HEIGHT_NEEDS:
            values["altitude_m"] = getattr(message, "alt", "")
        return _round(values.items())

    def _rmc(self, message: object, sentence: bytes) -> Readings:
        if getattr(message, "status", "V") != "A":
            return self._refused("no fix")
        if str(getattr(message, "posMode", "")) not in MEASURED_MODES:
            return self._refused("not measured")
        if not self._its_turn(sentence):
            return ()
        speed = getattr(message, "spd", "")
        return _round([("gps_speed_kmh", "" if speed == "" else float(speed) * KNOT_KMH)])

    def _its_turn(self, sentence: bytes) -> bool:
        """One receiver only, and of it one sentence a second of each kind; one that repeats a second is no news."""
        talker, kind, time = sentence[1:3], sentence[3:6], _time(sentence)
        chosen = self._talker.setdefault(kind, talker)  # by kind: one receiver may tell GPGGA and GNRMC
        if talker != chosen:
            self._others[kind] += 1
            if self._others[kind] < OTHERS_BEFORE_SWITCH:
                self.skipped["second receiver"] += 1
                return False
            self._talker[kind] = talker
            if kind == b"GGA":
                self._place = self._doubtful = None
        self._others[kind] = 0
        before, self._times[kind] = self._times.get(kind), time
        if not time or before is None or time[:6] != before[:6]:
            return True
        if time == before:
            self._refused("its clock stands")
        return False

    def _jumped(self, second: float | None, latitude_deg: float, longitude_deg: float) -> bool:
        """Farther from the last believed fix than any vehicle drives; five that agree with each other are believed."""
        if second is None:
            return False
        here = _Place(second, latitude_deg, longitude_deg)
        if self._place is None or _reachable(self._place, here):
            self._place, self._doubtful, self._jumps = here, None, 0
            return False
        agrees = self._doubtful is not None and _reachable(self._doubtful, here)
        self._jumps = self._jumps + 1 if agrees else 1
        self._doubtful = here
        if self._jumps < JUMPS_BELIEVED:
            return True
        self._place, self._doubtful, self._jumps = here, None, 0
        return False


def _time(sentence: bytes) -> bytes:
    """The field with the time of day, hhmmss.ss, as it was sent."""
    return sentence.split(b",", 2)[1].strip()


def _seconds(time: bytes) -> float | None:
    """Second of the day; None where the receiver tells no time yet."""
    if len(time) < 6:
        return None
    return 3600.0 * int(time[:2]) + 60.0 * int(time[2:4]) + float(time[4:])


def _reachable(before: _Place, here: _Place) -> bool:
    """Whether a vehicle can have come from one to the other; after a minute without a fix it can be anywhere."""
    passed = (here.second - before.second) % DAY_S
    if passed > GAP_S:
        return True
    north = (here.latitude_deg - before.latitude_deg) * METRES_PER_DEGREE
    turn = (here.longitude_deg - before.longitude_deg + 180.0) % 360.0 - 180.0
    east = turn * METRES_PER_DEGREE * cos(radians(here.latitude_deg))
    return hypot(north, east) <= FASTEST_M_S * max(passed, 1.0)


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
