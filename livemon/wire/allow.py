"""What may leave this program toward a vehicle: one whole-string allow-list for the serial port and for the
bus.

Strategy: nothing is filtered, everything is compared.  A service request passes if it is one of the reading
services with parameters we use, and if no tail of it, as an adapter would read it, is a request that writes;
an adapter command passes if it is in the list.  It is called at the last line before the port or the bus.

Why tails: an adapter that is busy may swallow the first characters it is sent.  `0104` that loses two becomes
`04`, which clears the trouble codes.  Two rules follow, tested over every string that can pass:

1.  No tail is service 04 or 08 (SAE J1979 writes; 04 is complete with its one byte), of any length.
2.  No tail of two or more bytes begins with a service of `WRITING` (sessions, resets, writes, control; names
    after ISO 14229-1 and ISO 14230-3, from memory).  One byte alone is not a request of any of those: each
    has at least one parameter.

An odd number of digits makes the adapter take the last one as a number of replies to wait for, so a tail is
read in pairs from its own first digit.  That is also why no request carries such a number: `01101` less its
first character would be `11 01`, a hard reset.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import lru_cache
from typing import Final

from livemon.errors import ForbiddenRequestError
from livemon.wire.pids import MAX_PIDS_PER_REQUEST, PIDS

READING_SERVICES: Final[frozenset[int]] = frozenset({0x01, 0x02, 0x03, 0x07, 0x09, 0x0A})
"""Current data, freeze frame, stored codes, pending codes, vehicle information, permanent codes (SAE
J1979)."""

ALWAYS_WRITING: Final[frozenset[int]] = frozenset({0x04, 0x08})
"""Clear codes and readiness; control of on-board systems (SAE J1979)."""

WRITING: Final[frozenset[int]] = ALWAYS_WRITING | frozenset(
    {0x10, 0x11, 0x14, 0x20, 0x27, 0x28, 0x2E, 0x2F, 0x30, 0x31, 0x34, 0x35, 0x36, 0x37, 0x3B, 0x3D, 0x85}
)
"""Sessions, resets, clearing, security, writes, control, transfer: never, not even as a remnant."""

BARE_SERVICES: Final[frozenset[bytes]] = frozenset({b"\x03", b"\x07", b"\x0a"})
VEHICLE_INFORMATION: Final[frozenset[bytes]] = frozenset({b"\x09\x00", b"\x09\x02"})

SHIELD_PID: Final = 0x5C
"""Oil temperature, put first in a request of several PIDs: `01 5C ...` has no dangerous tail, whereas `01 0C
..` less one character is service 10 with a parameter.  A vehicle without it simply leaves it out of the
reply."""

TIMEOUTS_4MS: Final[tuple[int, ...]] = (0x19, 0x32, 0x4B, 0x96, 0xFF)
"""Reply timeouts that may be set, in units of 4 ms: 100, 200, 300, 600, 1020 ms."""

ADAPTER_COMMANDS: Final[frozenset[str]] = frozenset(
    {
        *("ATZ", "ATWS", "ATI", "AT@1", "ATRV", "ATPC", "ATDPN"),
        *("ATE0", "ATL0", "ATS0", "ATH1", "ATAT1", "ATAT2"),
        *(f"ATSP{number}" for number in range(10)),
        *(f"ATST{ticks:02X}" for ticks in TIMEOUTS_4MS),
    }
)
"""Adapter commands; none of them reaches the vehicle, and none has a tail that the rules above forbid."""

END: Final = b"\r"

LEAD_IN: Final = "  "
"""Blanks that may stand before a request: adapters ignore them, and one that swallows a character swallows a blank."""


def remnants(digits: str) -> Iterable[bytes]:
    """Every request an adapter could make of a copy of `digits` that lost characters at its front."""
    for start in range(1, len(digits)):
        tail = digits[start:]
        if not all(c in "0123456789ABCDEF" for c in tail):
            continue  # the adapter answers "?" and sends nothing
        if pairs := bytes.fromhex(tail[: len(tail) // 2 * 2]):
            yield pairs


def harmless_when_cut(digits: str) -> bool:
    """True if no copy of `digits` that lost characters at its front is a request that writes."""
    return not any(tail[0] in ALWAYS_WRITING or (len(tail) > 1 and tail[0] in WRITING) for tail in remnants(digits))


@lru_cache(maxsize=1024)
def is_allowed_payload(payload: bytes) -> bool:
    """True for the bytes of a service request (as on the bus, without length and padding) that may be
    sent."""
    if payload in BARE_SERVICES or payload in VEHICLE_INFORMATION:
        return True
    pids = payload[1:]
    return (
        payload[:1] == b"\x01"
        and 1 <= len(pids) <= MAX_PIDS_PER_REQUEST
        and len(set(pids)) == len(pids)
        and all(pid in PIDS for pid in pids)
        and harmless_when_cut(payload.hex().upper())
    )


@lru_cache(maxsize=1024)
def is_allowed_text(raw: bytes) -> bool:
    """True for bytes that may be written to an adapter: one whole allowed command or request, then one CR."""
    text = raw[:-1].decode("ascii", "replace")
    if raw[-1:] != END:
        return False
    if text in ADAPTER_COMMANDS:
        return True
    text = text.removeprefix(LEAD_IN)
    if len(text) % 2 or not text or not all(c in "0123456789ABCDEF" for c in text):
        return False
    return is_allowed_payload(bytes.fromhex(text))


def checked_text(raw: bytes) -> bytes:
    """`raw` itself if it may be written to the adapter; raises ForbiddenRequestError, and nothing is sent."""
    if not is_allowed_text(raw):
        raise ForbiddenRequestError(f"serial port: expected an allowed command, found {raw!r}; nothing was sent")
    return raw


def is_askable(pid: int) -> bool:
    """True if service 01 may be asked for `pid` alone (04 may not: cut short it is a service that writes)."""
    return is_allowed_payload(bytes((0x01, pid)))


@lru_cache(maxsize=1024)
def batch(pids: tuple[int, ...]) -> bytes | None:
    """One allowed request for all `pids`, in an order without dangerous tails, shielded if need be; None if
    none."""
    for shield in ((), (SHIELD_PID,)):
        if shield and (SHIELD_PID in pids or len(pids) >= MAX_PIDS_PER_REQUEST):
            break
        for payload in _harmless_orders(bytes((0x01, *shield)), pids):
            if is_allowed_payload(payload):
                return payload
    return None


def _harmless_orders(head: bytes, pids: tuple[int, ...]) -> Iterator[bytes]:
    """`head` followed by `pids` in every order that has no dangerous tail, in the order of `permutations`.

    A tail is judged by its first pair of digits, so a bad beginning is left at once: all orders of six PIDs would take
    a tenth of a second, in which a bus does not wait.
    """
    if not pids:
        yield head
    for at, pid in enumerate(pids):
        left = len(pids)  # bytes from this PID to the end
        straddling = (head[-1] & 0x0F) << 4 | pid >> 4
        if any(x in ALWAYS_WRITING or (left > 1 and x in WRITING) for x in (pid, straddling)):
            continue
        yield from _harmless_orders(head + bytes((pid,)), pids[:at] + pids[at + 1 :])
