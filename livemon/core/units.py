"""Units as people write them, converted once at the door.  Factors are exact by definition (NIST SP 811, appendix B).

`parse("108 C", TEMPERATURE)` gives the value in the project's unit; `show(...)` goes the other way for the screens.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Kind:
    """A quantity: the project's own unit, and (scale, offset) of each accepted unit: own = value * scale + offset."""

    name: str
    own: str
    units: dict[str, tuple[float, float]]

    @property
    def one(self) -> str:
        """One of it in words: "a length", "an area"."""
        return f"{'an' if self.name[0] in 'aeiou' else 'a'} {self.name}"


_F: Final = (5.0 / 9.0, -160.0 / 9.0)
TEMPERATURE: Final = Kind("temperature", "C", {"C": (1.0, 0.0), "F": _F, "K": (1.0, -273.15)})
TEMPERATURE_STEP: Final = Kind("temperature difference", "C", {"C": (1.0, 0.0), "K": (1.0, 0.0), "F": (5.0 / 9.0, 0.0)})
SPEED: Final = Kind("speed", "km/h", {"km/h": (1.0, 0.0), "mph": (1.609344, 0.0), "m/s": (3.6, 0.0)})
MASS: Final = Kind("mass", "kg", {"kg": (1.0, 0.0), "lb": (0.45359237, 0.0), "t": (1000.0, 0.0)})
LENGTH: Final = Kind(
    "length",
    "m",
    {
        "m": (1.0, 0.0),
        "km": (1000.0, 0.0),
        "mm": (0.001, 0.0),
        "cm": (0.01, 0.0),
        "ft": (0.3048, 0.0),
        "mi": (1609.344, 0.0),
        "in": (0.0254, 0.0),
    },
)
PRESSURE: Final = Kind(
    "pressure",
    "kPa",
    {"kPa": (1.0, 0.0), "psi": (6.894757293168361, 0.0), "bar": (100.0, 0.0), "hPa": (0.1, 0.0)},
)
VOLUME: Final = Kind(
    "volume",
    "L",
    {
        "L": (1.0, 0.0),
        "qt": (0.946352946, 0.0),
        "gal": (3.785411784, 0.0),
        "cc": (0.001, 0.0),
        "cu in": (0.016387064, 0.0),
    },
)
AREA: Final = Kind("area", "m2", {"m2": (1.0, 0.0), "ft2": (0.09290304, 0.0), "sq in": (0.00064516, 0.0)})
POWER: Final = Kind("power", "kW", {"kW": (1.0, 0.0), "hp": (0.7456998715822702, 0.0), "PS": (0.73549875, 0.0)})
TORQUE: Final = Kind("torque", "Nm", {"Nm": (1.0, 0.0), "lbft": (1.3558179483314004, 0.0)})
DURATION: Final = Kind("duration", "s", {"s": (1.0, 0.0), "min": (60.0, 0.0), "h": (3600.0, 0.0)})
ANGULAR_SPEED: Final = Kind("engine speed", "rpm", {"rpm": (1.0, 0.0)})
VOLTAGE: Final = Kind("voltage", "V", {"V": (1.0, 0.0)})

_OTHERWISE: Final = {
    "lbs": "lb", "pounds": "lb", "tonnes": "t", "kmh": "km/h", "kph": "km/h", "inches": "in", "feet": "ft",
    "miles": "mi", "liter": "l", "liters": "l", "litre": "l", "litres": "l", "quarts": "qt", "gallons": "gal",
    "ccm": "cc", "cm3": "cc", "in3": "cuin", "cid": "cuin", "ci": "cuin", "cubicinches": "cuin", "in2": "sqin",
    "sqft": "ft2", "sqm": "m2", "ftlb": "lbft", "ftlbs": "lbft", "lbfft": "lbft", "bhp": "hp",
}  # fmt: skip
"""Other spellings of a unit, without blanks, dots and hyphens, in small letters."""
_QUANTITY = re.compile(
    r"\s*([-+]?(?:\d{1,3}(?:,\d{3})+(?:\.\d*)?|\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(?:°\s*)?"
    r"([A-Za-z%][A-Za-z0-9/%²³·. -]*)\s*"
)


def parse(text: str, kind: Kind) -> float:
    """Value of `text` ("108 C", "226 °F", "4640 lb", "5,840 lbs") in `kind.own`; ValueError says what was expected.

    A comma is read between thousands only: "4,7 L" is refused, and what a decimal comma of three digits would make of a
    quantity is a thousand times too much, which the ranges refuse.
    """
    match = _QUANTITY.fullmatch(text)
    accepted = ", ".join(kind.units)
    if match is None:
        raise ValueError(f"{kind.one} with its unit ({accepted})")
    unit = unit_of(text, kind)
    if unit is None:
        raise ValueError(f"{kind.one} in one of {accepted}")
    scale, offset = kind.units[unit]
    return float(match[1].replace(",", "")) * scale + offset


def _bare(unit: str) -> str:
    """A unit without what people write differently."""
    short = re.sub(r"[ .·-]", "", unit).lower().replace("²", "2").replace("³", "3")
    return _OTHERWISE.get(short, short)


def unit_of(text: str, kind: Kind) -> str | None:
    """The unit in which `text` is written, as `kind` spells it; None where there is none, or one of another kind."""
    match = _QUANTITY.fullmatch(text)
    return None if match is None else next((u for u in kind.units if _bare(u) == _bare(match[2])), None)


def to_unit(value: float, kind: Kind, unit: str) -> float:
    """`value` in the project's own unit, expressed in `unit`."""
    scale, offset = kind.units[unit]
    return (value - offset) / scale


@dataclass(frozen=True, slots=True)
class Display:
    """How the screens show quantities: `us` or `metric`."""

    name: str
    temperature: str
    speed: str
    length: str
    distance: str

    def temp(self, value_c: float) -> float:
        return to_unit(value_c, TEMPERATURE, self.temperature)

    def step(self, value_c: float) -> float:
        return to_unit(value_c, TEMPERATURE_STEP, self.temperature)


METRIC: Final = Display("metric", "C", "km/h", "m", "km")
US: Final = Display("us", "F", "mph", "ft", "mi")
_IN_WORDS = re.compile(r"(?<![\w.])([-+]?\d+(?:\.\d+)?) (C|K|km/h)(?!\w)")


def in_words(words: str, display: Display) -> str:
    """Words for a screen: in them a temperature is written `95 C`, a difference `7 K`, a speed `80 km/h`.

    Example: "95 C, 7 K over" is "203 F, 13 F over" in US units.
    """

    def shown(found: re.Match[str]) -> str:
        number, unit = found.groups()
        value = float(number)
        sign = "+" if number.startswith("+") else ""
        if unit == SPEED.own:
            return f"{sign}{to_unit(value, SPEED, display.speed):.0f} {display.speed}"
        turned = display.temp(value) if unit == "C" else display.step(value)
        return f"{sign}{turned:.0f} {display.temperature}"

    return _IN_WORDS.sub(shown, words)


DISPLAYS: Final[dict[str, Display]] = {"metric": METRIC, "us": US}
