"""From CAN frames to replies of control units, and from replies to readings with one source for each quantity.

Strategy: `Replies` picks J1979 answers out of any traffic and puts long ones together; `Readings` decides whose word
counts where several control units tell the same PID, and keeps trouble codes by unit and service.  It serves the live
bus, listening in on another tester, and recorded captures alike; it sends nothing and knows no time but its argument.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from livemon.core.events import Sample
from livemon.wire import allow, codes, frames, isotp, pids
from livemon.wire.frames import Frame

REPLIES: Final = frozenset(service | pids.REPLY_BIT for service in allow.READING_SERVICES)
CURRENT_CODES: Final = frozenset({codes.STORED | pids.REPLY_BIT, codes.PENDING | pids.REPLY_BIT})
"""Permanent codes are left out of the log: they stay for days after a repair."""
COOLANT_PID: Final = 0x05
OWNER_SILENT_MS: Final = 10_000
"""A control unit that tells a PID no more loses it to another one after this time."""
MOST_ECUS: Final = 32
"""Control units kept apart; more than that is noise, not a vehicle."""


@dataclass(frozen=True, slots=True, order=True)
class Ecu:
    """A control unit, by the identifier it answers on."""

    can_id: int
    extended: bool = False
    channel: str = ""

    @property
    def name(self) -> str:
        """Its reply identifier in hex, as the log names it."""
        return frames.ecu_name(self.can_id, self.extended)


@dataclass(frozen=True, slots=True)
class Reply:
    """One whole message of a control unit, transport bytes gone."""

    t_ms: int
    ecu: Ecu
    payload: bytes

    @property
    def refused(self) -> tuple[int, int] | None:
        """(service, code) of a negative reply, else None."""
        whole = len(self.payload) >= 3 and self.payload[0] == pids.NEGATIVE
        return (self.payload[1], self.payload[2]) if whole else None


@dataclass(slots=True)
class Replies:
    """Traffic in, whole J1979 replies out; everything else is counted by reason."""

    counts: dict[str, int] = field(default_factory=dict)
    began: Ecu | None = None
    """The unit whose long reply began with the frame fed last: it waits for a flow control."""
    _receiver: isotp.Receiver = field(default_factory=isotp.Receiver)

    def feed(self, t_ms: int, frame: Frame) -> Reply | None:
        """The reply that `frame` makes whole, if it does."""
        self.began = None
        if frame.fault is not None or not frames.is_reply_id(frame.can_id, frame.extended):
            return None
        reply: Reply | None = None
        for taken in self._receiver.feed(t_ms, frame.can_id, frame.data, frame.channel):
            if taken.fault is not None:
                self._count(taken.fault.value)
            if taken.wants_flow_control:
                self.began = Ecu(frame.can_id, frame.extended, frame.channel)
            if taken.message is not None:
                reply = self._whole(t_ms, frame, taken.message)
        return reply

    def expire(self, t_ms: int) -> None:
        """Give up long replies that went silent."""
        for _ in range(self._receiver.expire(t_ms)):
            self._count(isotp.Fault.SILENCE.value)

    def _whole(self, t_ms: int, frame: Frame, message: bytes) -> Reply | None:
        refused = len(message) == 3 and message[0] == pids.NEGATIVE and message[1] in allow.READING_SERVICES
        if message[0] not in REPLIES and not refused:
            self._count("another service")
            return None
        return Reply(t_ms, Ecu(frame.can_id, frame.extended, frame.channel), message)

    def _count(self, reason: str) -> None:
        self.counts[reason] = self.counts.get(reason, 0) + 1


@dataclass(slots=True)
class Readings:
    """Replies in, samples out: one control unit a PID, the lowest identifier first (engine, by common practice).

    A second unit's coolant temperature is kept as the second sensor; its other readings are dropped.
    """

    counts: dict[str, int] = field(default_factory=dict)
    _owners: dict[int, tuple[Ecu, int]] = field(default_factory=dict)
    _codes: dict[tuple[Ecu, int], tuple[str, ...]] = field(default_factory=dict)
    _two_sensors: bool = False

    def sample(self, reply: Reply, asked: Iterable[int] = pids.PIDS) -> Sample | None:
        """What `reply` says, or None where it holds no reading and no code."""
        service = reply.payload[0]
        if service == pids.SHOW_CURRENT | pids.REPLY_BIT:
            return self._current(reply, asked)
        if service - pids.REPLY_BIT in codes.CODE_SERVICES:
            return self._trouble(reply)
        return None

    def listed(self, service: int) -> tuple[str, ...] | None:
        """Trouble codes of all units by service 03, 07 or 0A; None = not read."""
        lists = [found for (_, told), found in self._codes.items() if told == service | pids.REPLY_BIT]
        return tuple(sorted({code for found in lists for code in found})) if lists else None

    def _current(self, reply: Reply, asked: Iterable[int]) -> Sample | None:
        walked = pids.walk(reply.payload[1:], asked)
        found: dict[str, float] = {}
        for pid, data in walked.parts:
            mine = self._owns(reply.t_ms, pid, reply.ecu)
            for name, value in pids.readings(pid, data):
                self._two_sensors |= mine and name == "coolant2_c"
                if mine:
                    found[name] = value
                elif pid == COOLANT_PID and not self._two_sensors:
                    found["coolant2_c"] = value
        if walked.rest and not walked.parts:
            self.counts["reply not understood"] = self.counts.get("reply not understood", 0) + 1
        return Sample(reply.t_ms, tuple(found.items()), ecu=reply.ecu.name) if found else None

    def _owns(self, t_ms: int, pid: int, ecu: Ecu) -> bool:
        owner, heard_ms = self._owners.get(pid, (ecu, t_ms))
        if ecu == owner or ecu < owner or t_ms - heard_ms > OWNER_SILENT_MS:
            self._owners[pid] = (ecu, t_ms)
            return True
        return False

    def _trouble(self, reply: Reply) -> Sample | None:
        found = codes.parse_codes(reply.payload[1:], counted=True)
        known = {ecu for ecu, _ in self._codes}
        if found is None or (reply.ecu not in known and len(known) >= MOST_ECUS):
            self.counts["reply not understood"] = self.counts.get("reply not understood", 0) + 1
            return None
        self._codes[reply.ecu, reply.payload[0]] = found
        if reply.payload[0] not in CURRENT_CODES:
            return None
        every = {code for (_, told), several in self._codes.items() if told in CURRENT_CODES for code in several}
        return Sample(reply.t_ms, codes=" ".join(sorted(every)), ecu=reply.ecu.name)
