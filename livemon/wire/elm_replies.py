"""Meaning of what an ELM-style adapter prints between a request and its prompt: frames, messages, or neither.

Strategy: the text is cut into lines; a line is a message of the adapter, one frame of an ECU in one of the five
shapes below, or it is dropped and counted.  A frame counts only if its own length or checksum agrees, so that a
torn or damaged line gives nothing rather than a wrong value.  No state is kept here and no time is known.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum, IntEnum
from typing import Final

MAX_PAYLOAD: Final = 4095
"""Longest message of ISO 15765-2 [bytes]."""

MAX_LINES: Final = 64
"""More lines than this belong to no reply we ask for."""


class Shape(Enum):
    """How an adapter shows one frame."""

    CAN11 = "CAN 11 bit with header"
    CAN29 = "CAN 29 bit with header"
    J1850 = "J1850 with header and CRC"
    ISO9141 = "ISO 9141-2 with header and checksum"
    KWP = "ISO 14230 with header and checksum"
    BARE = "no header"


SHAPES_OF_PROTOCOL: Final[dict[int, tuple[Shape, ...]]] = {
    0: (Shape.CAN11, Shape.CAN29, Shape.J1850, Shape.ISO9141, Shape.KWP, Shape.BARE),
    1: (Shape.J1850, Shape.BARE),
    2: (Shape.J1850, Shape.BARE),
    3: (Shape.ISO9141, Shape.BARE),
    4: (Shape.KWP, Shape.BARE),
    5: (Shape.KWP, Shape.BARE),
    6: (Shape.CAN11, Shape.BARE),
    7: (Shape.CAN29, Shape.BARE),
    8: (Shape.CAN11, Shape.BARE),
    9: (Shape.CAN29, Shape.BARE),
}
"""By the adapter's own protocol number; 0 = not known yet."""

PROTOCOL_NAMES: Final[dict[int, str]] = {
    0: "not known",
    1: "SAE J1850 PWM",
    2: "SAE J1850 VPW",
    3: "ISO 9141-2",
    4: "ISO 14230-4, 5-baud init",
    5: "ISO 14230-4, fast init",
    6: "ISO 15765-4, 11 bit, 500 kbit/s",
    7: "ISO 15765-4, 29 bit, 500 kbit/s",
    8: "ISO 15765-4, 11 bit, 250 kbit/s",
    9: "ISO 15765-4, 29 bit, 250 kbit/s",
}

CAN_PROTOCOLS: Final[frozenset[int]] = frozenset({6, 7, 8, 9})
KLINE_PROTOCOLS: Final[frozenset[int]] = frozenset({3, 4, 5})


class Message(Enum):
    """What the adapter itself says (meanings after the ELM327 data sheet; CAN_ERROR and NOT_CONNECTED from use)."""

    OK = "OK"
    UNKNOWN_COMMAND = "?"
    SEARCHING = "SEARCHING"
    NO_DATA = "NO DATA"
    STOPPED = "STOPPED"
    UNABLE_TO_CONNECT = "UNABLE TO CONNECT"
    NOT_CONNECTED = "NOT CONNECTED"
    BUS_INIT = "BUS INIT"
    BUS_INIT_ERROR = "BUS INIT ERROR"
    BUS_BUSY = "BUS BUSY"
    BUS_ERROR = "BUS ERROR"
    FEEDBACK_ERROR = "FB ERROR"
    CAN_ERROR = "CAN ERROR"
    DATA_ERROR = "DATA ERROR"
    RX_ERROR = "RX ERROR"
    BUFFER_FULL = "BUFFER FULL"
    ACTIVITY_ALERT = "ACT ALERT"
    LOW_POWER_ALERT = "LP ALERT"
    LOW_VOLTAGE_RESET = "LV RESET"
    INTERNAL_ERROR = "ERR"
    BANNER = "banner"


class Act(IntEnum):
    """What to do about a message; of several the gravest counts."""

    NOTHING = 0
    """Go on."""
    MISS = 1
    """The PID was not answered; climb the ladder if nothing else is either."""
    RETRY = 2
    """Ask the same once more."""
    SHORTEN = 3
    """A miss, and from now on shorter requests."""
    CLOSE = 4
    """The bus cannot be used: close the protocol, wait, search again, tell the wiring."""
    SEARCH = 5
    """The vehicle does not answer: wait, search again, tell the ignition."""
    RESTART = 6
    """All settings of the adapter are gone: the start order again."""


ACTIONS: Final[dict[Message, Act]] = {
    Message.OK: Act.NOTHING,
    Message.SEARCHING: Act.NOTHING,
    Message.BUS_INIT: Act.NOTHING,
    Message.ACTIVITY_ALERT: Act.NOTHING,
    Message.LOW_POWER_ALERT: Act.NOTHING,
    Message.NO_DATA: Act.MISS,
    Message.UNKNOWN_COMMAND: Act.RETRY,
    Message.STOPPED: Act.RETRY,
    Message.DATA_ERROR: Act.RETRY,
    Message.RX_ERROR: Act.RETRY,
    Message.BUFFER_FULL: Act.SHORTEN,
    Message.BUS_BUSY: Act.CLOSE,
    Message.BUS_ERROR: Act.CLOSE,
    Message.FEEDBACK_ERROR: Act.CLOSE,
    Message.CAN_ERROR: Act.CLOSE,
    Message.UNABLE_TO_CONNECT: Act.SEARCH,
    Message.NOT_CONNECTED: Act.SEARCH,
    Message.BUS_INIT_ERROR: Act.SEARCH,
    Message.LOW_VOLTAGE_RESET: Act.RESTART,
    Message.INTERNAL_ERROR: Act.RESTART,
    Message.BANNER: Act.RESTART,
}


@dataclass(frozen=True, slots=True)
class Request:
    """One request as it leaves: service and PIDs, or an adapter command when `service` is None."""

    text: str
    service: int | None = None
    pids: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class EcuReply:
    """One whole positive reply: who (None = headers off) and the bytes after the service byte."""

    ecu: str | None
    body: bytes


@dataclass(frozen=True, slots=True)
class Negative:
    """7F: the ECU heard the service and did not serve it."""

    ecu: str | None
    code: int


@dataclass(frozen=True, slots=True)
class Block:
    """Everything between a request and the prompt, sorted."""

    replies: tuple[EcuReply, ...] = ()
    negatives: tuple[Negative, ...] = ()
    messages: tuple[Message, ...] = ()
    strangers: int = 0
    """Whole frames that answer another request (the previous one, arriving now)."""
    dropped: int = 0
    """Lines that were neither message nor whole frame."""
    echoed: bool = False
    shape: Shape | None = None
    """The shape of the frames; None without frames."""
    lines: tuple[str, ...] = field(default=(), repr=False)
    """The lines as text without echo, for adapter commands that answer in words."""

    @property
    def act(self) -> Act:
        """The gravest of what its messages ask for; a block without any is a miss unless it holds replies."""
        return max((ACTIONS[message] for message in self.messages), default=Act.MISS)


def crc_j1850(data: bytes) -> int:
    """SAE J1850 CRC: polynomial 1D, start FF, final inversion; 41 6B 10 41 00 BF DF B9 91 -> 78 (published frame)."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF


def checksum_kline(data: bytes) -> int:
    """ISO 9141-2 and ISO 14230 checksum: sum of all bytes before it, modulo 256."""
    return sum(data) & 0xFF


_MESSAGES: Final[tuple[tuple[str, Message], ...]] = (
    ("NODATA", Message.NO_DATA),
    ("STOPPED", Message.STOPPED),
    ("UNABLETOCONNECT", Message.UNABLE_TO_CONNECT),
    ("NOTCONNECTED", Message.NOT_CONNECTED),
    ("BUSBUSY", Message.BUS_BUSY),
    ("BUSERROR", Message.BUS_ERROR),
    ("FBERROR", Message.FEEDBACK_ERROR),
    ("CANERROR", Message.CAN_ERROR),
    ("DATAERROR", Message.DATA_ERROR),
    ("RXERROR", Message.RX_ERROR),
    ("BUFFERFULL", Message.BUFFER_FULL),
    ("ACTALERT", Message.ACTIVITY_ALERT),
    ("LPALERT", Message.LOW_POWER_ALERT),
    ("LVRESET", Message.LOW_VOLTAGE_RESET),
)
_INTERNAL: Final = re.compile(r"ERR\d\d")
_BANNER: Final = re.compile(r"V\d+\.\d")
_SEARCHING: Final = re.compile(r"SEARCHING\.*")
_BUS_INIT: Final = re.compile(r"BUSINIT:?\.*(OK|ERROR)?")
_HEX: Final = re.compile(r"[0-9A-F]+")
_CONTINUED: Final = re.compile(r"([0-9A-F]):([0-9A-F]+)")


def clean(raw: bytes) -> str:
    """ASCII text without NULs and bytes that are none (both happen on real adapters), CR as line end."""
    return raw.replace(b"\x00", b"").decode("ascii", "ignore").replace("\n", "\r")


def _message(text: str) -> tuple[Message | None, str]:
    """The message a line (upper case, no blanks) carries, and what is left of the line."""
    if text == "OK":
        return Message.OK, ""
    if text == "?":
        return Message.UNKNOWN_COMMAND, ""
    if found := _SEARCHING.match(text):
        return Message.SEARCHING, text[found.end() :]
    if found := _BUS_INIT.match(text):
        failed = found.group(1) == "ERROR"
        return (Message.BUS_INIT_ERROR if failed else Message.BUS_INIT), text[found.end() :]
    for words, message in _MESSAGES:
        # "<DATA ERROR" and "<RX ERROR" stand behind the line they spoil; "!" may follow an alert.
        if words in text:
            return message, ""
    if _INTERNAL.fullmatch(text):
        return Message.INTERNAL_ERROR, ""
    if _BANNER.search(text):
        return Message.BANNER, ""
    return None, text


def _frame(digits: str, shape: Shape) -> tuple[str | None, bytes] | None:
    """(ECU, bytes without header, with PCI on CAN) of one line in `shape`; None if it is not a whole frame of it."""
    if shape is Shape.CAN11:
        if len(digits) < 7 or len(digits) % 2 == 0 or digits[:2] != "7E" or digits[2] not in "89ABCDEF":
            return None
        return digits[:3], bytes.fromhex(digits[3:])
    if len(digits) % 2:
        return None
    data = bytes.fromhex(digits)
    if shape is Shape.CAN29:
        return (digits[:8], data[4:]) if digits.startswith("18DAF1") and len(data) > 5 else None
    if shape is Shape.BARE:
        return (None, data) if data else None
    if not 5 <= len(data) <= 12:  # three header bytes, one to seven (ISO 14230: eight) data bytes, one check byte
        return None
    body = data[3:-1]
    if shape is Shape.KWP:
        good = data[0] & 0xC0 in (0x80, 0xC0) and data[0] & 0x3F == len(body) and checksum_kline(data[:-1]) == data[-1]
    elif data[1] != 0x6B:  # functional reply to a tester
        good = False
    elif shape is Shape.J1850:
        good = crc_j1850(data[:-1]) == data[-1]
    else:
        good = checksum_kline(data[:-1]) == data[-1]
    return (f"{data[2]:02X}", body) if good else None


class _Assembly:
    """Puts ISO-TP frames of several ECUs together; what does not fit is dropped and counted."""

    def __init__(self) -> None:
        self.whole: list[tuple[str | None, bytes]] = []
        self.dropped = 0
        self._open: dict[str | None, tuple[int, int, bytearray]] = {}

    def add(self, ecu: str | None, data: bytes) -> None:
        kind, low = data[0] >> 4, data[0] & 0x0F
        if kind == 0 and 1 <= low <= 7 and len(data) > low:
            self.whole.append((ecu, data[1 : 1 + low]))
        elif kind == 1 and len(data) == 8 and (low << 8 | data[1]) > 7:
            self.dropped += ecu in self._open
            self._open[ecu] = (low << 8 | data[1], 1, bytearray(data[2:]))
        elif kind == 2 and ecu in self._open and low == self._open[ecu][1]:
            length, expected, so_far = self._open[ecu]
            so_far += data[1:]
            if len(so_far) >= length:
                del self._open[ecu]
                self.whole.append((ecu, bytes(so_far[:length])))
            else:
                self._open[ecu] = (length, (expected + 1) & 0x0F, so_far)
        else:
            self._open.pop(ecu, None)
            self.dropped += 1

    def close(self) -> None:
        self.dropped += len(self._open)


class _Numbered:
    """CAN multi-line form without headers: a line with the length in hex, then lines `0:`, `1:` and so on.

    Two ECUs mixed cannot be told apart in this form; the numbers then do not fit and everything of it is dropped.
    """

    def __init__(self) -> None:
        self.whole: list[bytes] = []
        self.dropped = 0
        self._length = 0
        self._so_far: bytearray | None = None
        self._expected = 0

    def start(self, length: int) -> None:
        self.dropped += self._so_far is not None
        self._length, self._so_far, self._expected = length, bytearray(), 0

    def add(self, number: int, data: bytes) -> None:
        if self._so_far is None or number != self._expected & 0x0F:
            self._so_far = None
            self.dropped += 1
            return
        self._so_far += data
        self._expected += 1
        if len(self._so_far) >= self._length:
            self.whole.append(bytes(self._so_far[: self._length]))
            self._so_far = None

    def close(self) -> None:
        self.dropped += self._so_far is not None


def sort_block(text: str, request: Request, shapes: Sequence[Shape]) -> Block:
    """Sort what stands between a request and its prompt.  `text` is cleaned and holds no prompt.

    Frames are read as the first of `shapes` that fits; a reply must carry the request's service and one of its PIDs,
    else it answers something else and is only counted.
    """
    messages: list[Message] = []
    payloads: list[tuple[str | None, bytes]] = []
    kept: list[str] = []
    dropped = 0
    echoed = False
    shape_seen: Shape | None = None
    assembly, numbered = _Assembly(), _Numbered()
    lines = [line for line in (part.strip() for part in text.split("\r")) if line]
    dropped += max(0, len(lines) - MAX_LINES)
    for position, line in enumerate(lines[:MAX_LINES]):
        packed = line.replace(" ", "").upper()
        if position == 0 and packed == request.text:
            echoed = True
            continue
        kept.append(line)
        message, packed = _message(packed)
        if message is not None:
            messages.append(message)
        if not packed:
            continue
        if request.service is None:
            continue  # words of the adapter, read by whoever asked
        if continued := _CONTINUED.fullmatch(packed):
            digits = continued.group(2)
            numbered.add(int(continued.group(1), 16), bytes.fromhex(digits[: len(digits) // 2 * 2]))
            dropped += len(digits) % 2
        elif not _HEX.fullmatch(packed):
            dropped += 1
        elif len(packed) == 3 and Shape.BARE in shapes and 7 < int(packed, 16) <= MAX_PAYLOAD:
            numbered.start(int(packed, 16))
        else:
            for shape in shapes:
                found = _frame(packed, shape)
                if found is None or (shape is Shape.BARE and not _answers(found[1], request)):
                    continue
                shape_seen = shape
                if shape in (Shape.CAN11, Shape.CAN29):
                    assembly.add(*found)
                else:
                    payloads.append(found)
                break
            else:
                dropped += 1
    assembly.close()
    numbered.close()
    if numbered.whole:
        shape_seen = Shape.BARE
    payloads += assembly.whole
    payloads += [(None, payload) for payload in numbered.whole]
    dropped += assembly.dropped + numbered.dropped
    replies = tuple(EcuReply(ecu, payload[1:]) for ecu, payload in payloads if _is_reply(payload, request))
    negatives = tuple(
        Negative(ecu, payload[2])
        for ecu, payload in payloads
        if len(payload) >= 3 and payload[0] == 0x7F and payload[1] == request.service
    )
    strangers = len(payloads) - len(replies) - len(negatives)
    return Block(replies, negatives, tuple(messages), strangers, dropped, echoed, shape_seen, tuple(kept[:MAX_LINES]))


def _is_reply(payload: bytes, request: Request) -> bool:
    """True if `payload` is a positive reply to `request`."""
    if request.service is None or not payload or payload[0] != request.service + 0x40:
        return False
    return not request.pids or (len(payload) > 1 and payload[1] in request.pids)


def _answers(payload: bytes, request: Request) -> bool:
    """True if a line without header can be what it seems: any service reply, or a negative one."""
    return 0x41 <= payload[0] <= 0x4A or (payload[0] == 0x7F and len(payload) == 3)


def looks_like_frame(line: str) -> bool:
    """True for a line of hex long enough to be a reply: not the words an adapter command is answered with."""
    packed = line.replace(" ", "").upper()
    return len(packed) >= 6 and _HEX.fullmatch(packed) is not None
