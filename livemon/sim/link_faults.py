"""Faults of the link between program and vehicle, by name: what an adapter, a plug or a cable does on a bad day.

Strategy: a fault is active for a while; the emulated adapter asks here how it changes what it is about to print.  Some
faults change values or the port itself: those are only named here.  Random choices come from a generator with a seed.
"""

from __future__ import annotations

from enum import Enum
from random import Random
from typing import Final


class LinkFault(Enum):
    """What is wrong with the link."""

    NO_DATA = "no_data"
    GARBAGE = "garbage"
    NULS = "nuls"
    TRUNCATION = "truncation"
    BIT_FLIPS = "bit_flips"
    LOST_PROMPT = "lost_prompt"
    LATE_REPLY = "late_reply"
    HANG = "hang"
    STUCK_ECHO = "stuck_echo"
    CLONE = "clone"
    REBOOT = "reboot"
    LV_RESET = "lv_reset"
    BUFFER_FULL = "buffer_full"
    CAN_ERROR = "can_error"
    UNABLE_TO_CONNECT = "unable_to_connect"
    NEGATIVE = "negative"
    DISAGREEING_ECUS = "disagreeing_ecus"
    STUCK_SENSOR = "stuck_sensor"
    JUMPING_SENSOR = "jumping_sensor"
    SLOW = "slow"
    BYTE_BY_BYTE = "byte_by_byte"
    UNPLUGGED = "unplugged"
    RENAMED = "renamed"


IN_SESSION: Final[frozenset[LinkFault]] = frozenset(
    {
        LinkFault.NO_DATA,
        LinkFault.GARBAGE,
        LinkFault.NULS,
        LinkFault.TRUNCATION,
        LinkFault.BIT_FLIPS,
        LinkFault.LOST_PROMPT,
        LinkFault.LATE_REPLY,
        LinkFault.HANG,
        LinkFault.STUCK_ECHO,
        LinkFault.BUFFER_FULL,
        LinkFault.NEGATIVE,
        LinkFault.DISAGREEING_ECUS,
        LinkFault.STUCK_SENSOR,
        LinkFault.JUMPING_SENSOR,
        LinkFault.SLOW,
        LinkFault.BYTE_BY_BYTE,
    }
)
"""Faults through which the adapter keeps its settings and its protocol; after the others it must start or search."""

FLIP_CHANCE: Final = 0.02
"""Chance that a character has one flipped bit while BIT_FLIPS is active: about one reply in five is hit."""

LOST_PROMPT_CHANCE: Final = 0.5
NUL_CHANCE: Final = 0.3
SLOW_FACTOR: Final = 10.0
JUMP_C: Final = 30.0


def spoil(text: bytes, active: frozenset[LinkFault], random: Random) -> bytes:
    """What is printed instead of `text` (a whole reply with its prompt) while the faults are active."""
    prompt = text.rfind(b">")
    if LinkFault.GARBAGE in active and prompt > 0:
        noise = bytes(random.choice([*range(0x20, 0x3E), *range(0x3F, 0xFF)]) for _ in range(random.randint(1, 40)))
        text = noise + b"\r\r>"
    if LinkFault.TRUNCATION in active and prompt > 0:
        text = text[: random.randrange(prompt)] + b"\r\r>"
    if LinkFault.NULS in active:
        text = b"".join(bytes((byte,)) + (b"\x00" if random.random() < NUL_CHANCE else b"") for byte in text)
    if LinkFault.BIT_FLIPS in active:
        text = bytes(byte ^ 1 << random.randrange(7) if random.random() < FLIP_CHANCE else byte for byte in text)
    if LinkFault.LOST_PROMPT in active and random.random() < LOST_PROMPT_CHANCE:
        text = text.replace(b">", b"")
    return text
