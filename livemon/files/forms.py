"""What one setting may look like in a file: a quantity with unit, a number, a word, yes or no.

Each form reads text (ValueError says what was expected) and writes the value back so that reading it again gives the
same value to the last bit.  Knows no key.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final, Protocol

from livemon.core import units
from livemon.core.units import Kind

_YES: Final = ("yes", "true", "on")
_NO: Final = ("no", "false", "off")


class Form(Protocol):
    """The shape of one value."""

    def read(self, text: str) -> Any:
        """Value of `text`, or ValueError whose text is what was expected."""

    def write(self, value: Any) -> str:
        """The text that reads back as `value`."""

    def range_text(self) -> str:
        """What may stand here, for people."""


def _plain(value: float) -> str:
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit, in the range `low` to `high` of the kind's own unit."""

    kind: Kind
    low: float
    high: float

    def read(self, text: str) -> float:
        try:
            value = units.parse(text, self.kind)
        except ValueError as wrong:
            raise ValueError(f"{wrong}, {self.range_text()}") from None
        if not self.low <= value <= self.high:
            raise ValueError(f"{self.kind.one} of {self.range_text()}{self._in_unit_of(text)}")
        return value

    def _in_unit_of(self, text: str) -> str:
        """The range once more, in the unit that was typed, where it is another."""
        unit = units.unit_of(text, self.kind)
        if unit is None or unit == self.kind.own:
            return ""
        ends = (units.to_unit(value, self.kind, unit) for value in (self.low, self.high))
        low, high = (f"{end:.0f}" if abs(end) >= 100 else f"{end:.3g}" for end in ends)
        return f" ({low} to {high} {unit})"

    def write(self, value: Any) -> str:
        return f"{_plain(value)} {self.kind.own}"

    def range_text(self) -> str:
        return f"{_plain(self.low)} to {_plain(self.high)} {self.kind.own}"


_TYRE_METRIC: Final = re.compile(r"(?:P|LT)? ?(\d{3})/(\d{2,3}) ?(?:Z?R|-) ?(\d{2}(?:\.5)?)[A-Z]?", re.IGNORECASE)
_TYRE_INCHES: Final = re.compile(
    r"(\d{2}(?:\.\d+)?) ?x ?\d{1,2}(?:\.\d+)? ?(?:R|-) ?\d{2}(?:\.5)?[A-Z]*", re.IGNORECASE
)
LOADED: Final = 0.97
"""Rolling radius under load per radius that the size says (common practice for radial tyres, no source)."""
_INCH_M: Final = 0.0254


@dataclass(frozen=True, slots=True)
class TyreRadius(Quantity):
    """The loaded radius as a length, or the tyre size it follows from: 285/75R16, 33x12.50R15."""

    def read(self, text: str) -> float:
        words = text.strip()
        if size := _TYRE_METRIC.fullmatch(words):
            wide_mm, aspect_pct, rim_in = map(float, size.groups())
            across_m = rim_in * _INCH_M + 2.0 * wide_mm / 1000.0 * aspect_pct / 100.0
        elif size := _TYRE_INCHES.fullmatch(words):
            across_m = float(size[1]) * _INCH_M
        else:
            try:
                return Quantity.read(self, text)
            except ValueError as wrong:
                raise ValueError(f"{wrong}, or a tyre size such as 285/75R16") from None
        return Quantity.read(self, f"{round(LOADED * 0.5 * across_m, 4)!r} m")


@dataclass(frozen=True, slots=True)
class Number:
    """A number without a physical unit; a share may be written in percent; `unit` is one fixed word such as MB."""

    low: float
    high: float
    unit: str = ""
    whole: bool = False

    def read(self, text: str) -> float:
        words = text.replace("%", " %").split() if not self.unit else text.split()
        scale = 1.0
        if len(words) == 2 and not self.unit and words[1] == "%":
            scale = 0.01
        elif len(words) != (2 if self.unit else 1) or (self.unit and words[1].lower() != self.unit.lower()):
            raise ValueError(self._expected())
        try:
            value = float(words[0]) * scale
        except ValueError:
            raise ValueError(self._expected()) from None
        if "_" in text or not self.low <= value <= self.high or (self.whole and value != int(value)):
            raise ValueError(self._expected())
        return int(value) if self.whole else value

    def write(self, value: Any) -> str:
        return f"{_plain(value)} {self.unit}".rstrip()

    def range_text(self) -> str:
        return f"{_plain(self.low)} to {_plain(self.high)} {self.unit}".rstrip()

    def _expected(self) -> str:
        return f"a {'whole ' if self.whole else ''}number of {self.range_text()}"


@dataclass(frozen=True, slots=True)
class Flag:
    """yes or no."""

    def read(self, text: str) -> bool:
        if text.lower() not in (*_YES, *_NO):
            raise ValueError(self.range_text())
        return text.lower() in _YES

    def write(self, value: Any) -> str:
        return "yes" if value else "no"

    def range_text(self) -> str:
        return "yes or no"


@dataclass(frozen=True, slots=True)
class Choice:
    """One of a few words."""

    words: tuple[str, ...]

    def read(self, text: str) -> str:
        if text not in self.words:
            raise ValueError(self.range_text())
        return text

    def write(self, value: Any) -> str:
        return str(value)

    def range_text(self) -> str:
        return f"one of {', '.join(self.words)}"


@dataclass(frozen=True, slots=True)
class Text:
    """Free text of one line; `none` stands for an empty one where that has a meaning."""

    longest: int
    may_be_empty: bool = False

    def read(self, text: str) -> str:
        if self.may_be_empty and text == "none":
            return ""
        if not text.strip() or len(text) > self.longest or not text.isprintable():
            raise ValueError(self.range_text())
        return text

    def write(self, value: Any) -> str:
        return str(value) or "none"

    def range_text(self) -> str:
        return f"text of 1 to {self.longest} characters{', or none' if self.may_be_empty else ''}"


_PLACES: Final = {"cold": 0.0, "centre": 0.5, "center": 0.5, "hot": 1.0}


@dataclass(frozen=True, slots=True)
class Dial:
    """Points of a dash needle, `TEMP at PLACE` with commas between; a place is a word, a share or a part (5/8)."""

    def read(self, text: str) -> tuple[tuple[float, float], ...]:
        points = []
        for part in text.split(","):
            temperature, at, place = part.strip().partition(" at ")
            if not at:
                raise ValueError(self.range_text())
            try:
                points.append((units.parse(temperature, units.TEMPERATURE), self._place(place.strip().lower())))
            except ValueError:
                raise ValueError(self.range_text()) from None
        return tuple(points)

    @staticmethod
    def _place(text: str) -> float:
        if text in _PLACES:
            return _PLACES[text]
        part, slash, whole = text.partition("/")
        if slash:
            share = Number(0, 100).read(part) / Number(1, 100).read(whole)
            return float(Number(0, 1).read(repr(share)))
        return float(Number(0, 1).read(text))

    def write(self, value: Any) -> str:
        return ", ".join(f"{_plain(t)} C at {_plain(p)}" for t, p in value)

    def range_text(self) -> str:
        return "points such as 50 C at cold, 99 C at centre, 113 C at 5/8, 121 C at hot (place: a word or 0 to 1)"


_UNITS: Final[dict[str, Kind]] = {
    "C": units.TEMPERATURE,
    "K": units.TEMPERATURE_STEP,
    "s": units.DURATION,
    "m": units.LENGTH,
    "V": units.VOLTAGE,
    "kg": units.MASS,
    "km/h": units.SPEED,
    "kPa": units.PRESSURE,
    "rpm": units.ANGULAR_SPEED,
}


def form_of_unit(unit: str, low: float, high: float) -> Form:
    """Form of a value held in `unit` ("" = plain number)."""
    return Quantity(_UNITS[unit], low, high) if unit else Number(low, high)
