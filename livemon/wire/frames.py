"""CAN frames of ISO 15765-4: who may ask whom on which identifier, how a request looks in eight data bytes.

Strategy: a frame is a frozen value without any library behind it; the two address forms (11 and 29 bit) are
one table each way.  It knows neither a bus nor the time; what a service means is told by `wire/pids`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from livemon.wire import isotp

FUNCTIONAL_11: Final = 0x7DF
FUNCTIONAL_29: Final = 0x18DB33F1
TESTER: Final = 0xF1
_REQUEST_11: Final = range(0x7E0, 0x7E8)
_REPLY_11: Final = range(0x7E8, 0x7F0)
_PHYSICAL_29: Final = 0x18DA0000


class BusFault(Enum):
    """What a CAN controller reports in place of a frame."""

    ERROR_FRAME = "error frame"
    BUS_OFF = "bus off"
    RESTARTED = "controller restarted"


@dataclass(frozen=True, slots=True)
class Frame:
    """One data frame of classic CAN, or a fault that the controller reports in its place."""

    can_id: int
    data: bytes = b""
    extended: bool = False
    fault: BusFault | None = None
    channel: str = ""


class Addressing(Enum):
    """The two address forms of ISO 15765-4; the value is the number of identifier bits."""

    BITS_11 = 11
    BITS_29 = 29

    @property
    def functional_id(self) -> int:
        """The identifier that every OBD control unit listens to."""
        return FUNCTIONAL_11 if self is Addressing.BITS_11 else FUNCTIONAL_29


def addressing_of(frame: Frame) -> Addressing:
    return Addressing.BITS_29 if frame.extended else Addressing.BITS_11


def is_reply_id(can_id: int, extended: bool) -> bool:
    """True for the identifiers on which control units answer the tester: 7E8-7EF, or 18DAF1xx."""
    if extended:
        return can_id & 0x1FFFFF00 == _PHYSICAL_29 | TESTER << 8
    return can_id in _REPLY_11


def is_request_id(can_id: int, extended: bool) -> bool:
    """True where a tester asks: functional 7DF / 18DB33F1, physical 7E0-7E7 / 18DAxxF1."""
    if extended:
        return can_id == FUNCTIONAL_29 or (can_id & 0x1FFF00FF == _PHYSICAL_29 | TESTER)
    return can_id == FUNCTIONAL_11 or can_id in _REQUEST_11


def is_functional_id(can_id: int, extended: bool) -> bool:
    return can_id == (FUNCTIONAL_29 if extended else FUNCTIONAL_11)


def physical_id(reply_id: int, extended: bool) -> int:
    """The identifier of the control unit that answers on `reply_id`: less 8, or last two bytes swapped."""
    if not is_reply_id(reply_id, extended):
        raise ValueError(f"a reply identifier (7E8-7EF or 18DAF1xx), found {reply_id:X}")
    return _PHYSICAL_29 | (reply_id & 0xFF) << 8 | TESTER if extended else reply_id - 8


def reply_id(request_id: int, extended: bool) -> int:
    """The identifier on which the control unit behind the physical `request_id` answers."""
    if not is_request_id(request_id, extended) or is_functional_id(request_id, extended):
        raise ValueError(f"a physical request identifier (7E0-7E7 or 18DAxxF1), found {request_id:X}")
    return _PHYSICAL_29 | TESTER << 8 | (request_id >> 8 & 0xFF) if extended else request_id + 8


def ecu_name(reply_id: int, extended: bool) -> str:
    """How a control unit is called in the log: its reply identifier in hex."""
    return f"{reply_id:08X}" if extended else f"{reply_id:03X}"


def request(can_id: int, extended: bool, payload: bytes) -> Frame:
    """A request as it goes on the bus: always a single frame of eight bytes (a functional one must be)."""
    return Frame(can_id, isotp.single(payload), extended)


def flow_control(reply_id: int, extended: bool) -> Frame:
    """'Go on, all of it, no gap' to the control unit that began a long reply; never to all of them."""
    return Frame(physical_id(reply_id, extended), isotp.flow_control(), extended)
