"""Trouble codes: from the bytes of services 03, 07 and 0A to their five characters, and what those of cooling, misfire
and injectors mean for this program.

Names follow SAE J2012 as public code lists give them; each is also a key of python-OBD's table (tested).  What to do
about a code belongs to the vehicle's manual and a qualified mechanic: this file says only what it means for the
readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

STORED: Final = 0x03
PENDING: Final = 0x07
PERMANENT: Final = 0x0A
CODE_SERVICES: Final[tuple[int, ...]] = (STORED, PENDING, PERMANENT)

MAX_CODES: Final = 127
"""PID 01 counts to 127; a longer list is not a list of codes."""


class Bearing(Enum):
    """What a code touches, as far as this program is concerned."""

    COOLANT_SENSOR = "coolant sensor"
    COOLING = "cooling"
    FAN = "fan"
    MISFIRE = "misfire"
    INJECTOR = "injector"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Explained:
    """A trouble code with its name and what it means for readings, forecast and learning."""

    code: str
    bearing: Bearing
    name: str
    meaning: str


MARKS_DRIVE: Final[frozenset[Bearing]] = frozenset({Bearing.MISFIRE, Bearing.INJECTOR})
"""Codes of these kinds change the heat the engine makes: such a drive is not fit to learn from."""

_SENSOR = "the coolant reading itself is in doubt; trust the gauge and the warning lamp"
_DEAD_CYLINDER = "a cylinder that does not burn changes the heat made: this drive is not fit to learn from"
_FAN = "the electric fan may not run as commanded: expect less cooling at low speed"

_NAMED: Final[dict[str, tuple[Bearing, str, str]]] = {
    "P0115": (Bearing.COOLANT_SENSOR, "coolant temperature sensor circuit", _SENSOR),
    "P0116": (Bearing.COOLANT_SENSOR, "coolant temperature sensor range or performance", _SENSOR),
    "P0117": (Bearing.COOLANT_SENSOR, "coolant temperature sensor circuit low", _SENSOR),
    "P0118": (Bearing.COOLANT_SENSOR, "coolant temperature sensor circuit high", _SENSOR),
    "P0119": (Bearing.COOLANT_SENSOR, "coolant temperature sensor circuit intermittent", _SENSOR),
    "P0125": (
        Bearing.COOLING,
        "coolant too cold for closed loop fuel control",
        "the thermostat may stay open, or the sensor reads low",
    ),
    "P0126": (
        Bearing.COOLING,
        "coolant too cold for stable operation",
        "the thermostat may stay open, or the sensor reads low",
    ),
    "P0128": (
        Bearing.COOLING,
        "coolant below thermostat temperature",
        "the thermostat may stay open, or the sensor reads low",
    ),
    "P0217": (Bearing.COOLING, "engine over-temperature", "the engine computer has seen the engine too hot"),
    "P0218": (
        Bearing.COOLING,
        "transmission over-temperature",
        "the transmission heats the coolant through its cooler",
    ),
    "P0480": (Bearing.FAN, "cooling fan 1 control circuit", _FAN),
    "P0481": (Bearing.FAN, "cooling fan 2 control circuit", _FAN),
    "P0483": (Bearing.FAN, "cooling fan rationality", _FAN),
    "P0532": (Bearing.COOLING, "air conditioning pressure sensor low", "the fan may not follow the air conditioning"),
    "P0533": (Bearing.COOLING, "air conditioning pressure sensor high", "the fan may not follow the air conditioning"),
    "P0300": (Bearing.MISFIRE, "random or multiple cylinder misfire", _DEAD_CYLINDER),
    **{f"P03{n:02d}": (Bearing.MISFIRE, f"cylinder {n} misfire", _DEAD_CYLINDER) for n in range(1, 13)},
    "P0200": (Bearing.INJECTOR, "injector circuit", _DEAD_CYLINDER),
    **{f"P02{n:02d}": (Bearing.INJECTOR, f"injector circuit, cylinder {n}", _DEAD_CYLINDER) for n in range(1, 13)},
}

KNOWN: Final[tuple[str, ...]] = tuple(_NAMED)


def code_text(high: int, low: int) -> str:
    """Five characters of a code's two bytes: top two bits P C B U, next two the first digit, then three hex digits."""
    return f"{'PCBU'[high >> 6]}{high >> 4 & 3}{high & 15:X}{low:02X}"


def code_bytes(code: str) -> bytes:
    """The two bytes of a code such as 'P0217'; ValueError for anything else."""
    if len(code) != 5 or code[0] not in "PCBU" or code[1] not in "0123":
        raise ValueError(f"a trouble code such as P0217, found {code!r}")
    return bytes(("PCBU".index(code[0]) << 6 | int(code[1]) << 4 | int(code[2], 16), int(code[3:], 16)))


def parse_codes(body: bytes, counted: bool) -> tuple[str, ...] | None:
    """Codes in the bytes after 43, 47 or 4A; None if they cannot be a list of codes.

    `counted`: on CAN the list begins with its number of codes; on the older buses each frame holds three codes, filled
    up with 00 00.
    """
    pairs = body[1:] if counted else body
    if counted and (not body or body[0] > MAX_CODES or len(pairs) < 2 * body[0]):
        return None
    if len(pairs) % 2 and not counted:
        return None
    if counted:
        pairs = pairs[: 2 * body[0]]
    found = (code_text(pairs[i], pairs[i + 1]) for i in range(0, len(pairs), 2) if pairs[i] or pairs[i + 1])
    return tuple(dict.fromkeys(found))


def explain(code: str) -> Explained:
    """Name and meaning of a code; one that this program has nothing to say about is named as such."""
    if code in _NAMED:
        return Explained(code, *_NAMED[code])
    return Explained(code, Bearing.OTHER, "not a cooling, misfire or injector code", "see the vehicle's manual")


def marks_drive(codes: str) -> bool:
    """True if the text of `Sample.codes` holds a code that makes the drive unfit to learn from."""
    return any(explain(code).bearing in MARKS_DRIVE for code in codes.split())
