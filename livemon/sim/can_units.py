"""Made-up control units on a CAN bus: request frames in, the frames they answer with out, faults included; no bus.

Strategy: `UnitsOnBus.feed` takes one frame, `due` gives the frames whose time has come; time is an argument, so a test
plays an hour in a blink.  What the units know is told by `sim/ecu`; how long messages go is `wire/isotp`.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Final

from livemon.sim import ecu
from livemon.sim.ecu import Unit, Values
from livemon.wire import frames, isotp, pids
from livemon.wire.frames import Addressing, BusFault, Frame

REPLY_MS: Final = 12
"""Request to reply of a healthy unit; the standard allows 50 ms (ISO 15765-3 P2)."""

SLOW_MS: Final = 120
PENDING_MS: Final = 1500
FLOOD_PER_S: Final = 2000
MOST_QUEUED: Final = 4096
FIRST_ID_11: Final = 0x7E8
FIRST_ID_29: Final = 0x18DAF110
TRAFFIC_IDS: Final = (0x0F1, 0x1A0, 0x1A2, 0x1B1, 0x2C4, 0x3D1, 0x4BC, 0x5E2)
"""Identifiers of made-up unrelated traffic; none is an OBD identifier."""


class CanFault(Enum):
    """What can go wrong on a bus or in a unit."""

    BUS_SILENT = "no frame at all"
    NO_REPLY = "traffic goes on, no unit answers"
    FLOOD = "2,000 unrelated frames a second"
    PENDING = "every reply is announced by 7F 78 and comes late"
    BUSY = "every request is refused with 7F 21"
    REFUSED = "every request is refused with 7F 22"
    SLOW = "replies ten times slower"
    LOST_FRAME = "one frame of each long reply is lost"
    GARBAGE = "replies are random bytes"
    SHORT = "replies are cut short"
    STUCK = "coolant does not move"
    JUMP = "coolant jumps by 40 degrees now and then"
    ERROR_FRAMES = "nothing but error frames, as at a wrong bit rate"
    BUS_OFF = "the controller went off the bus"


@dataclass(frozen=True, slots=True)
class Spell:
    """One fault from `start_ms` up to `end_ms`."""

    kind: CanFault
    start_ms: int
    end_ms: int


@dataclass(slots=True)
class _Talk:
    """A long reply on its way."""

    can_id: int
    sender: isotp.Sender


@dataclass(slots=True)
class UnitsOnBus:
    """Control units at consecutive reply identifiers; `values(t_ms)` tells the state of the vehicle."""

    units: Sequence[Unit]
    values: Callable[[int], Values]
    addressing: Addressing = Addressing.BITS_11
    traffic_per_s: int = 50
    faults: Sequence[Spell] = ()
    seed: int = 1
    pad: int = 0x55
    heard: int = 0
    """Requests that reached the units."""
    _later: list[tuple[int, Frame]] = field(default_factory=list)
    _talks: list[_Talk] = field(default_factory=list)
    _waiting: list[tuple[int, int, bytes]] = field(default_factory=list)
    _traffic_ms: float | None = None
    _stuck_c: float | None = None
    _fault_seen: set[int] = field(default_factory=set)
    _random: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed)

    def _on(self, t_ms: int, *kinds: CanFault) -> bool:
        return any(f.kind in kinds and f.start_ms <= t_ms < f.end_ms for f in self.faults)

    def reply_id(self, index: int) -> int:
        """Where the unit of that index answers: 7E8.., or 18DAF110, 18DAF118 .."""
        if self.addressing is Addressing.BITS_11:
            return FIRST_ID_11 + index
        return FIRST_ID_29 + 8 * index

    @property
    def _extended(self) -> bool:
        return self.addressing is Addressing.BITS_29

    def feed(self, t_ms: int, frame: Frame) -> None:
        """A frame of somebody else passed."""
        if frame.fault is not None or frame.extended != self._extended or self._dead(t_ms):
            return
        pdu = isotp.parse(frame.data)
        for index, unit in enumerate(self.units):
            reply_id = self.reply_id(index)
            physical = frame.can_id == frames.physical_id(reply_id, self._extended)
            functional = frames.is_functional_id(frame.can_id, self._extended)
            if isinstance(pdu, isotp.FlowControl) and physical:
                for talk in self._talks:
                    if talk.can_id == reply_id:
                        talk.sender.take(t_ms, pdu)
            elif isinstance(pdu, isotp.Single) and ((physical and unit.alone) or functional):
                self.heard += 1
                self._answer(t_ms, reply_id, unit, pdu.data, physical)

    def _dead(self, t_ms: int) -> bool:
        return self._on(t_ms, CanFault.BUS_SILENT, CanFault.NO_REPLY, CanFault.ERROR_FRAMES, CanFault.BUS_OFF)

    def _answer(self, t_ms: int, reply_id: int, unit: Unit, request: bytes, physical: bool) -> None:
        service = request[0]
        after_ms = t_ms + (SLOW_MS if self._on(t_ms, CanFault.SLOW) else REPLY_MS)
        if self._on(t_ms, CanFault.BUSY, CanFault.REFUSED):
            code = 0x21 if self._on(t_ms, CanFault.BUSY) else 0x22
            self._waiting.append((after_ms, reply_id, ecu.refusal(service, code)))
            return
        reply = ecu.answer(unit, request, self._doctored(t_ms))
        if reply is None:
            # A broadcast that a unit cannot answer is met with silence, a request of its own with a refusal.
            if physical:
                self._waiting.append((after_ms, reply_id, ecu.refusal(service, 0x31)))
            return
        if self._on(t_ms, CanFault.PENDING):
            self._waiting.append((after_ms, reply_id, ecu.refusal(service, pids.PENDING)))
            after_ms += PENDING_MS
        if self._on(t_ms, CanFault.GARBAGE):
            reply = self._random.randbytes(self._random.randint(1, 12))
        elif self._on(t_ms, CanFault.SHORT):
            reply = reply[: max(1, len(reply) // 2)]
        self._waiting.append((after_ms, reply_id, reply))

    def _doctored(self, t_ms: int) -> Values:
        values = dict(self.values(t_ms))
        if "coolant_c" in values:
            if not self._on(t_ms, CanFault.STUCK):
                self._stuck_c = values["coolant_c"]
            elif self._stuck_c is not None:
                values["coolant_c"] = self._stuck_c
            if self._on(t_ms, CanFault.JUMP) and self._random.random() < 0.2:
                values["coolant_c"] += 40.0
        return values

    def due(self, t_ms: int) -> list[Frame]:
        """Frames to put on the bus now; call again at `next_ms`, at the latest after a few milliseconds."""
        if self._dead(t_ms):
            self._waiting.clear()
            self._talks.clear()
        out: list[Frame] = []
        for at_ms, reply_id, reply in [one for one in self._waiting if one[0] <= t_ms]:
            self._waiting.remove((at_ms, reply_id, reply))
            self._talks = [talk for talk in self._talks if talk.can_id != reply_id]
            self._talks.append(_Talk(reply_id, isotp.Sender(t_ms, reply, self.pad)))
        for talk in self._talks:
            for number, data in enumerate(talk.sender.due(t_ms)):
                lost = self._on(t_ms, CanFault.LOST_FRAME) and data[0] >> 4 == 2 and number == 0
                if not lost:
                    out.append(Frame(talk.can_id, data, self._extended))
        self._talks = [talk for talk in self._talks if talk.sender.next_ms is not None]
        return self._traffic(t_ms) + out

    def _traffic(self, t_ms: int) -> list[Frame]:
        start = t_ms if self._traffic_ms is None else self._traffic_ms
        rate = FLOOD_PER_S if self._on(t_ms, CanFault.FLOOD) else self.traffic_per_s
        number = min(int((t_ms - start) * rate / 1000), MOST_QUEUED)
        self._traffic_ms = start + number * 1000 / rate if rate and number < MOST_QUEUED else t_ms
        if self._on(t_ms, CanFault.BUS_SILENT):
            return []
        if self._on(t_ms, CanFault.BUS_OFF):
            return self._once(t_ms, CanFault.BUS_OFF, BusFault.BUS_OFF)
        if self._on(t_ms, CanFault.ERROR_FRAMES):
            return [Frame(0, fault=BusFault.ERROR_FRAME)] * min(number, 100)
        return [
            Frame(self._random.choice(TRAFFIC_IDS), self._random.randbytes(8)) for _ in range(number)
        ] + self._restarted(t_ms)

    def _once(self, t_ms: int, kind: CanFault, what: BusFault) -> list[Frame]:
        fresh = [
            n
            for n, f in enumerate(self.faults)
            if f.kind is kind and f.start_ms <= t_ms < f.end_ms and n not in self._fault_seen
        ]
        self._fault_seen.update(fresh)
        return [Frame(0, fault=what) for _ in fresh]

    def _restarted(self, t_ms: int) -> list[Frame]:
        over = [
            n
            for n, f in enumerate(self.faults)
            if f.kind is CanFault.BUS_OFF and t_ms >= f.end_ms and n in self._fault_seen
        ]
        self._fault_seen.difference_update(over)
        return [Frame(0, fault=BusFault.RESTARTED) for _ in over]

    def next_ms(self, t_ms: int) -> int:
        """When `due` should be asked again: the next reply, or the next frame of unrelated traffic."""
        times = [at_ms for at_ms, _, _ in self._waiting]
        times += [talk.sender.next_ms for talk in self._talks if talk.sender.next_ms is not None]
        step_ms = 5 if self._on(t_ms, CanFault.FLOOD) else 20
        return max(t_ms + 1, min([*times, t_ms + step_ms]))
