"""ISO 15765-2 transport: CAN data fields in, whole messages out, and back again for a made-up control unit.

Strategy: every frame becomes a frozen value first (`parse`), then one small state per CAN identifier decides;
time is an argument in whole milliseconds, so silence is seen by asking, not when the next frame comes.
Classic CAN with normal addressing only: eight data bytes, messages up to 4095.  It knows no bus, no clock and
no OBD service.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import Final

FRAME_BYTES: Final = 8
LONGEST: Final = 4095
"""Twelve bits of length: the first frame of ISO 15765-2."""

SILENCE_MS: Final = 1000
"""A message whose next frame, or whose flow control, is this late is given up (N_Cr, N_Bs)."""

MOST_AT_ONCE: Final = 16
"""Messages under reassembly at once: eight control units may answer on 11 bit; twice that is a bound."""

MOST_WAITS: Final = 8
"""Flow controls "wait" in a row that a sender accepts before it gives up (N_WFTmax)."""

PAD: Final = 0x00


@dataclass(frozen=True, slots=True)
class Single:
    """A whole message in one frame."""

    data: bytes


@dataclass(frozen=True, slots=True)
class First:
    """Length of the whole message, and its first six bytes."""

    length: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Consecutive:
    """Seven more bytes; `sequence` counts 1..15, 0, 1.."""

    sequence: int
    data: bytes


class Flow(Enum):
    """What the receiver of a long message tells its sender."""

    GO_ON = 0
    WAIT = 1
    OVERFLOW = 2


@dataclass(frozen=True, slots=True)
class FlowControl:
    """`block_size` frames may follow before the next flow control (0 = all), each `gap_ms` after the last."""

    flow: Flow
    block_size: int = 0
    gap_ms: int = 0


Pdu = Single | First | Consecutive | FlowControl


class Fault(Enum):
    """Why a frame or a message was dropped; each is counted, none is an exception."""

    MALFORMED = "not an ISO-TP frame"
    STRAY = "a following frame without a first frame"
    SEQUENCE = "frames missing or out of order"
    CUT_OFF = "a new message began before the last one was whole"
    SILENCE = "the next frame did not come in time"
    TOO_MANY = "too many messages at once"


@dataclass(frozen=True, slots=True)
class Taken:
    """What one frame led to: a whole message, a fault, or the wish that a flow control be sent."""

    message: bytes | None = None
    fault: Fault | None = None
    wants_flow_control: bool = False


def parse(data: bytes) -> Pdu | None:
    """The frame in `data`, padding left in; None where it is no ISO-TP frame of classic CAN."""
    if not 1 <= len(data) <= FRAME_BYTES:
        return None
    kind, low = data[0] >> 4, data[0] & 0x0F
    if kind == 0:
        # Length 0 announces the long form of CAN FD, which OBD does not use.
        return Single(data[1 : 1 + low]) if 1 <= low < len(data) else None
    if kind == 1:
        if len(data) != FRAME_BYTES:
            return None
        length = low << 8 | data[1]
        # A message that fits a single frame must not come as a first frame; the standard has it ignored.
        return First(length, data[2:]) if length >= FRAME_BYTES else None
    if kind == 2:
        return Consecutive(low, data[1:]) if len(data) > 1 else None
    if kind == 3 and low <= Flow.OVERFLOW.value and len(data) >= 3:
        return FlowControl(Flow(low), data[1], _gap_ms(data[2]))
    return None


def _gap_ms(raw: int) -> int:
    """STmin: 00-7F in ms, F1-F9 in 100 us (rounded up to a whole ms), reserved values as 127 ms."""
    if raw <= 0x7F:
        return raw
    return 1 if 0xF1 <= raw <= 0xF9 else 0x7F


def _padded(data: bytes, pad: int) -> bytes:
    return data.ljust(FRAME_BYTES, bytes((pad,)))


def single(payload: bytes, pad: int = PAD) -> bytes:
    """The data field of a message of one to seven bytes."""
    if not 1 <= len(payload) < FRAME_BYTES:
        raise ValueError(f"a single frame holds 1 to 7 bytes, found {len(payload)}")
    return _padded(bytes((len(payload),)) + payload, pad)


def flow_control(flow: Flow = Flow.GO_ON, block_size: int = 0, gap_ms: int = 0, pad: int = PAD) -> bytes:
    """The data field of a flow control; the default asks for all frames as fast as they come."""
    return _padded(bytes((0x30 | flow.value, block_size, gap_ms)), pad)


@dataclass(slots=True)
class _Assembly:
    """A long message of which the first frame came."""

    length: int
    data: bytearray
    sequence: int
    heard_ms: int


@dataclass(slots=True)
class Receiver:
    """Puts the messages of several senders together, one state a sender; bounded in every way."""

    silence_ms: int = SILENCE_MS
    _open: dict[tuple[str, int], _Assembly] = field(default_factory=dict)

    def feed(self, t_ms: int, can_id: int, data: bytes, channel: str = "") -> tuple[Taken, ...]:
        """Take one frame; at most two results (an old message given up, and what the new frame means)."""
        key = (channel, can_id)
        pdu = parse(data)
        results: list[Taken] = []
        waiting = self._open.get(key)
        if waiting is not None and t_ms - waiting.heard_ms > self.silence_ms:
            del self._open[key]
            waiting = None
            results.append(Taken(fault=Fault.SILENCE))
        if pdu is None:
            results.append(Taken(fault=Fault.MALFORMED))
        elif isinstance(pdu, Consecutive):
            results.append(self._follow(t_ms, key, waiting, pdu))
        elif isinstance(pdu, Single | First):
            if waiting is not None:
                del self._open[key]
                results.append(Taken(fault=Fault.CUT_OFF))
            results.append(Taken(message=pdu.data) if isinstance(pdu, Single) else self._begin(t_ms, key, pdu))
        return tuple(results)

    def _begin(self, t_ms: int, key: tuple[str, int], first: First) -> Taken:
        if len(self._open) >= MOST_AT_ONCE:
            self.expire(t_ms)
        if len(self._open) >= MOST_AT_ONCE:
            return Taken(fault=Fault.TOO_MANY)
        self._open[key] = _Assembly(first.length, bytearray(first.data), 1, t_ms)
        return Taken(wants_flow_control=True)

    def _follow(self, t_ms: int, key: tuple[str, int], waiting: _Assembly | None, pdu: Consecutive) -> Taken:
        if waiting is None:
            return Taken(fault=Fault.STRAY)
        left = waiting.length - len(waiting.data)
        # A frame that is shorter than what it must carry is as bad as a missing one.
        if pdu.sequence != waiting.sequence or len(pdu.data) < min(left, FRAME_BYTES - 1):
            del self._open[key]
            return Taken(fault=Fault.SEQUENCE)
        waiting.data += pdu.data[:left]
        waiting.sequence = (waiting.sequence + 1) % 16
        waiting.heard_ms = t_ms
        if len(waiting.data) < waiting.length:
            return Taken()
        del self._open[key]
        return Taken(message=bytes(waiting.data))

    def expire(self, t_ms: int) -> int:
        """Give up every message whose next frame is late; returns how many."""
        late = [key for key, one in self._open.items() if t_ms - one.heard_ms > self.silence_ms]
        for key in late:
            del self._open[key]
        return len(late)

    @property
    def unfinished(self) -> int:
        """Messages of which more frames are to come."""
        return len(self._open)


class Sending(Enum):
    """Where a sender stands with its message."""

    WAITING = "for flow control"
    RUNNING = "frames to go"
    DONE = "all frames given out"
    GIVEN_UP = "the receiver was silent, overflowed, or asked to wait too often"


class Sender:
    """Sends one message as the far end asks for it (block size, gap, wait); tells its due frames by time."""

    def __init__(self, t_ms: int, payload: bytes, pad: int = PAD, silence_ms: int = SILENCE_MS) -> None:
        if not 1 <= len(payload) <= LONGEST:
            raise ValueError(f"a message holds 1 to {LONGEST} bytes, found {len(payload)}")
        self._frames = segments(payload, pad)
        self._next = 0
        self._allowed = 1
        self._gap_ms = 0
        self._waits = 0
        self._due_ms = t_ms
        self._heard_ms = t_ms
        self._silence_ms = silence_ms
        self.state = Sending.RUNNING

    def take(self, t_ms: int, control: FlowControl) -> None:
        """A flow control came; one that nobody waits for is ignored, as the standard says."""
        if self.state is not Sending.WAITING:
            return
        self._heard_ms = t_ms
        if control.flow is Flow.WAIT:
            self._waits += 1
            if self._waits > MOST_WAITS:
                self.state = Sending.GIVEN_UP
        elif control.flow is Flow.OVERFLOW:
            self.state = Sending.GIVEN_UP
        else:
            self._waits = 0
            self._gap_ms = control.gap_ms
            self._allowed = control.block_size or len(self._frames)
            self._due_ms = t_ms
            self.state = Sending.RUNNING

    def due(self, t_ms: int) -> tuple[bytes, ...]:
        """The data fields to send now; call again at `next_ms`."""
        out: list[bytes] = []
        while self.state is Sending.RUNNING and self._due_ms <= t_ms:
            out.append(self._frames[self._next])
            self._next += 1
            self._allowed -= 1
            self._due_ms = t_ms + self._gap_ms
            if self._next == len(self._frames):
                self.state = Sending.DONE
            elif self._allowed == 0:
                self.state = Sending.WAITING
                self._heard_ms = t_ms
        if self.state is Sending.WAITING and t_ms - self._heard_ms > self._silence_ms:
            self.state = Sending.GIVEN_UP
        return tuple(out)

    @property
    def next_ms(self) -> int | None:
        """When `due` has something to do again; None once the message is done or given up."""
        if self.state is Sending.RUNNING:
            return self._due_ms
        return self._heard_ms + self._silence_ms + 1 if self.state is Sending.WAITING else None


def segments(payload: bytes, pad: int = PAD) -> tuple[bytes, ...]:
    """Every data field of a message, in order: one single frame, or a first frame and its followers."""
    if len(payload) < FRAME_BYTES:
        return (single(payload, pad),)
    head = bytes((0x10 | len(payload) >> 8, len(payload) & 0xFF)) + payload[:6]
    tail = (payload[at : at + 7] for at in range(6, len(payload), 7))
    return (head, *(_padded(bytes((0x20 | n % 16,)) + part, pad) for n, part in enumerate(tail, start=1)))
