"""Made-up control units: what they know, and what they answer to a request of SAE J1979, as whole payloads.

Strategy: a unit is a frozen value; `answer` is a pure function of the request and the vehicle's present
values, so the same units stand behind an adapter and on a bus.  Values become bytes by inverting the
decoders of `wire/pids`, so no formula is written twice.  It knows neither frames nor ports nor time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from livemon.wire import codes, pids

Values = Mapping[str, float]
"""The vehicle now, by the names of `core/events.SIGNALS`."""

POSITIVE: Final = pids.REPLY_BIT

ENGINE_PIDS: Final = frozenset(
    {0x01, 0x03, 0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x11, 0x1F, 0x2F, 0x33, 0x42, 0x43, 0x46, 0x5C}
)
"""What a made-up engine of 2005 or later tells."""

OLD_ENGINE_PIDS: Final = frozenset({0x01, 0x03, 0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x11})
"""What a made-up engine before 2004 tells (13 CCR 1968.1 list)."""

GEARBOX_PIDS: Final = frozenset({0x01, 0x05, 0x0C, 0x0D})


@dataclass(frozen=True, slots=True)
class Unit:
    """One control unit: the service 01 PIDs it has, its trouble codes, its habits.

    `offsets` are added to the vehicle's values (a unit that disagrees); `several` = it takes several PIDs at
    once.
    """

    name: str
    pids: frozenset[int]
    stored: tuple[str, ...] = ()
    pending: tuple[str, ...] = ()
    permanent: tuple[str, ...] = ()
    vin: str | None = None
    offsets: Mapping[str, float] = field(default_factory=dict)
    several: bool = True
    alone: bool = True


def encode(pid: int, values: Values) -> bytes | None:
    """Data bytes of `pid` that decode to `values` (nearest step); None where the vehicle has no such value.

    The decoders of the single quantities are straight lines in the raw number, so two of their points invert
    them.
    """
    entry = pids.PIDS[pid]
    if pid == 0x03:
        return bytes((int(values["fuel_status"]), 0)) if "fuel_status" in values else None
    if len(entry.quantities) != 1 or not entry.batchable or pid == 0x66 or entry.quantities[0] not in values:
        return None
    size = entry.lengths[0]
    unit = 1 << (8 * size - 8)  # the raw number whose first byte is 1
    low, high = (entry.decode(raw.to_bytes(size, "big"))[0][1] for raw in (0, unit))
    raw = round((values[entry.quantities[0]] - low) / (high - low) * unit)
    return min(max(raw, 0), (1 << 8 * size) - 1).to_bytes(size, "big")


def bitmap(base: int, supported: frozenset[int]) -> bytes:
    """The four bytes that name which of the 32 PIDs after `base` are supported; the last bit: a next bitmap
    exists.
    """
    bits = sum(1 << (32 - (pid - base)) for pid in supported if base < pid <= base + 32)
    if any(pid > base + 32 for pid in supported):
        bits |= 1
    return bits.to_bytes(4, "big")


def has_bitmap(base: int, supported: frozenset[int]) -> bool:
    return base == 0 or any(pid > base for pid in supported)


def _current(unit: Unit, asked: bytes, values: Values) -> bytes | None:
    if not 1 <= len(asked) <= (pids.MAX_PIDS_PER_REQUEST if unit.several else 1):
        return None
    own = {name: value + unit.offsets.get(name, 0.0) for name, value in values.items()}
    found = b""
    for pid in asked:
        data: bytes | None = None
        if pid in pids.BITMAPS and has_bitmap(pid, unit.pids):
            data = bitmap(pid, unit.pids)
        elif pid == 0x01 and pid in unit.pids:
            data = bytes((len(unit.stored) | (0x80 if unit.stored else 0), 0x07, 0x65, 0x04))
        elif pid in unit.pids and pid in pids.PIDS:
            data = encode(pid, own)
        if data is not None:
            found += bytes((pid,)) + data
    return bytes((pids.SHOW_CURRENT | POSITIVE,)) + found if found else None


def answer(unit: Unit, request: bytes, values: Values) -> bytes | None:
    """The payload this unit answers with, in the form used on CAN; None where it stays silent."""
    if not request:
        return None
    service, rest = request[0], request[1:]
    if service == pids.SHOW_CURRENT:
        return _current(unit, rest, values)
    if service in codes.CODE_SERVICES and not rest:
        listed = {codes.STORED: unit.stored, codes.PENDING: unit.pending}.get(service, unit.permanent)
        return bytes((service | POSITIVE, len(listed))) + b"".join(map(codes.code_bytes, listed))
    if service == 0x09 and rest == b"\x02" and unit.vin is not None:
        return bytes((0x49, 0x02, 0x01)) + unit.vin.encode("ascii")
    if service == 0x09 and rest == b"\x00":
        return bytes((0x49, 0x00)) + bitmap(0, frozenset({2}) if unit.vin is not None else frozenset())
    return None


def refusal(service: int, code: int) -> bytes:
    """A negative reply."""
    return bytes((pids.NEGATIVE, service, code))


ENGINE: Final = Unit("engine", ENGINE_PIDS)
OLD_ENGINE: Final = Unit("engine", OLD_ENGINE_PIDS)
GEARBOX: Final = Unit("gearbox", GEARBOX_PIDS)
