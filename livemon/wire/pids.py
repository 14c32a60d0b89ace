"""Service 01 of SAE J1979: one table from the PID and its data bytes to readings with unit, rounded once at
the door.

Strategy: each PID names the data lengths it may have, the quantities it holds and one decoder; quantities
that are in `core/events.SIGNALS` become readings, the rest is known but not kept.  Data of another length
give no reading, never a guess.  This file knows neither adapters nor buses: it gets the bytes that follow the
service byte 41.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from livemon.core.events import SIGNALS

Reading = tuple[str, float]
Decoder = Callable[[bytes], tuple[Reading, ...]]

SHOW_CURRENT: Final = 0x01
REPLY_BIT: Final = 0x40
"""A positive reply carries the service number plus this."""

NEGATIVE: Final = 0x7F
PENDING: Final = 0x78
"""Negative code "response pending": the answer comes later, keep waiting (ISO 15765-3 timing table: up to 5
s)."""

NEGATIVE_CODES: Final[dict[int, str]] = {
    0x10: "general reject",
    0x11: "service not supported",
    0x12: "sub-function not supported or bad format",
    0x21: "busy, repeat the request",
    0x22: "conditions not correct",
    0x31: "request out of range",
    0x78: "response pending",
    0x7E: "sub-function not supported in this session",
    0x7F: "service not supported in this session",
}

MAX_PIDS_PER_REQUEST: Final = 6
"""On CAN only (SAE J1979); on the older buses one PID a request."""

BITMAPS: Final[tuple[int, ...]] = (0x00, 0x20, 0x40, 0x60)
"""The PIDs that tell which of the next 32 are supported; the last bit of each says whether the next one
exists."""


@dataclass(frozen=True, slots=True)
class Pid:
    """One PID of service 01: the data lengths it may have [bytes], the quantities it holds, how to read
    them."""

    number: int
    lengths: tuple[int, ...]
    quantities: tuple[str, ...]
    decode: Decoder

    @property
    def batchable(self) -> bool:
        """True if it may share a request with others: a reply of several PIDs can only be cut by known
        lengths."""
        return len(self.lengths) == 1


@dataclass(frozen=True, slots=True)
class MonitorStatus:
    """PID 01: lamp commanded on, number of stored codes, diesel or spark."""

    mil: bool
    codes: int
    compression_ignition: bool


@dataclass(frozen=True, slots=True)
class Walked:
    """A reply cut into (PID, data); `rest` is what could not be cut, from the first byte that made no
    sense."""

    parts: tuple[tuple[int, bytes], ...]
    rest: bytes = b""


def _u16(data: bytes, at: int = 0) -> int:
    return data[at] << 8 | data[at + 1]


def _one_byte(name: str, scale: float = 1.0, offset: float = 0.0) -> Decoder:
    return lambda data: ((name, data[0] * scale + offset),)


def _share(name: str) -> Decoder:
    return lambda data: ((name, data[0] * 100 / 255),)


def _two_bytes(name: str, numerator: float, denominator: float) -> Decoder:
    return lambda data: ((name, _u16(data) * numerator / denominator),)


def _monitor(data: bytes) -> tuple[Reading, ...]:
    return (("mil", float(data[0] >> 7)), ("stored_codes", float(data[0] & 0x7F)))


def _air_flow_two(data: bytes) -> tuple[Reading, ...]:
    """PID 66: bit 0 = sensor A fitted, bit 1 = sensor B; each 1/32 g/s.  Two sensors sit in two intake
    tracts: the sum.

    The sum is from memory (no source read); PID 10 is asked for first where the vehicle has it.
    """
    flows = [_u16(data, 1 + 2 * i) / 32 for i in (0, 1) if data[0] >> i & 1]
    return (("maf_g_s", sum(flows)),) if flows else ()


def _coolant_two(data: bytes) -> tuple[Reading, ...]:
    """PID 67: bit 0 = sensor 1 fitted, bit 1 = sensor 2.  The byte of a sensor that is not fitted is never
    used."""
    names = ("coolant_c", "coolant2_c")
    return tuple((names[i], data[1 + i] - 40.0) for i in (0, 1) if data[0] >> i & 1)


def _intake_several(data: bytes) -> tuple[Reading, ...]:
    """PID 68: presence bits, then one byte a sensor (2 or 6 of them, by length): the first sensor that is
    fitted."""
    for i in range(len(data) - 1):
        if data[0] >> i & 1:
            return (("intake_air_c", data[1 + i] - 40.0),)
    return ()


def _nothing(_data: bytes) -> tuple[Reading, ...]:
    return ()


def _table(*pids: Pid) -> dict[int, Pid]:
    return {pid.number: pid for pid in pids}


# Formulas: public PID tables after SAE J1979 / ISO 15031-5, checked against python-OBD's decoders in the
# tests.
PIDS: Final[dict[int, Pid]] = _table(
    *(Pid(number, (4,), (), _nothing) for number in BITMAPS),
    Pid(0x01, (4,), ("mil", "stored_codes"), _monitor),
    Pid(0x03, (2,), ("fuel_status",), _one_byte("fuel_status")),
    Pid(0x04, (1,), ("load_pct",), _share("load_pct")),
    Pid(0x05, (1,), ("coolant_c",), _one_byte("coolant_c", offset=-40.0)),
    Pid(0x0B, (1,), ("map_kpa",), _one_byte("map_kpa")),
    Pid(0x0C, (2,), ("rpm",), _two_bytes("rpm", 1, 4)),
    Pid(0x0D, (1,), ("speed_kmh",), _one_byte("speed_kmh")),
    Pid(0x0F, (1,), ("intake_air_c",), _one_byte("intake_air_c", offset=-40.0)),
    Pid(0x10, (2,), ("maf_g_s",), _two_bytes("maf_g_s", 1, 100)),
    Pid(0x11, (1,), ("throttle_pct",), _share("throttle_pct")),
    Pid(0x1F, (2,), ("run_time_s",), _two_bytes("run_time_s", 1, 1)),
    Pid(0x2F, (1,), ("fuel_level_pct",), _share("fuel_level_pct")),
    Pid(0x33, (1,), ("baro_kpa",), _one_byte("baro_kpa")),
    Pid(0x42, (2,), ("voltage_v",), _two_bytes("voltage_v", 1, 1000)),
    Pid(0x43, (2,), ("absolute_load_pct",), _two_bytes("absolute_load_pct", 100, 255)),
    Pid(0x45, (1,), ("relative_throttle_pct",), _share("relative_throttle_pct")),
    Pid(0x46, (1,), ("ambient_air_c",), _one_byte("ambient_air_c", offset=-40.0)),
    Pid(0x49, (1,), ("pedal_pct",), _share("pedal_pct")),
    Pid(0x5C, (1,), ("oil_c",), _one_byte("oil_c", offset=-40.0)),
    Pid(0x5E, (2,), ("fuel_rate_l_h",), _two_bytes("fuel_rate_l_h", 1, 20)),
    Pid(0x66, (5,), ("maf_g_s",), _air_flow_two),
    Pid(0x67, (3,), ("coolant_c", "coolant2_c"), _coolant_two),
    # Public tables disagree on the length of 68 (3 or 7 bytes): taken as received, never inside a batch.
    Pid(0x68, (3, 7), ("intake_air_c",), _intake_several),
)


def quantities(pid: int, data: bytes) -> tuple[Reading, ...]:
    """Everything `data` says, unrounded, in the table's units; () for an unknown PID or another length."""
    entry = PIDS.get(pid)
    if entry is None or len(data) not in entry.lengths:
        return ()
    return entry.decode(data)


def readings(pid: int, data: bytes) -> tuple[Reading, ...]:
    """What `data` says in signals of `core/events`, rounded to their decimals; () for anything not
    understood."""
    return tuple(
        (name, round(value, SIGNALS[name].decimals)) for name, value in quantities(pid, data) if name in SIGNALS
    )


def monitor_status(data: bytes) -> MonitorStatus | None:
    """Lamp and code count from the four bytes of PID 01; None for another length."""
    if len(data) != 4:
        return None
    return MonitorStatus(mil=bool(data[0] & 0x80), codes=data[0] & 0x7F, compression_ignition=bool(data[1] & 0x08))


def supported(base: int, data: bytes) -> frozenset[int]:
    """PIDs named by the four bytes of support bitmap `base` (00, 20, 40, 60); empty for another length."""
    if len(data) != 4:
        return frozenset()
    bits = int.from_bytes(data, "big")
    return frozenset(base + 1 + i for i in range(32) if bits >> (31 - i) & 1)


def next_bitmap(base: int, pids: Iterable[int]) -> int | None:
    """The bitmap to ask after `base`, if its last bit says that one exists and the table reaches so far."""
    following = base + 0x20
    return following if following in pids and following in BITMAPS else None


def walk(body: bytes, asked: Iterable[int]) -> Walked:
    """Cut the bytes after 41 into the PIDs that were asked for.

    Order may differ and unsupported PIDs are left out (SAE J1979), so the cut follows the table of lengths.
    It stops at a PID that was not asked, came twice, or is cut short: what was cut before that point stays
    good.
    """
    open_pids = set(asked)
    parts: list[tuple[int, bytes]] = []
    at = 0
    while at < len(body):
        entry = PIDS.get(body[at])
        if entry is None or entry.number not in open_pids:
            break
        left = len(body) - at - 1
        # A PID of several lengths is asked alone: then everything that is left belongs to it.
        length = entry.lengths[0] if entry.batchable else left
        if length not in entry.lengths or length > left:
            break
        parts.append((entry.number, body[at + 1 : at + 1 + length]))
        open_pids.discard(entry.number)
        at += 1 + length
    return Walked(tuple(parts), body[at:])
