"""The dash needle on the screen: where it would stand now, and what it hides.

The dial and its arithmetic are those of `core/needle`; here they become a line of text.
"""

from __future__ import annotations

from typing import Final

from livemon.core.needle import Needle, hidden_c, place
from livemon.core.units import Display
from livemon.outputs.view_words import temp

TOLD_FROM_C: Final = 8.0
"""A needle that hides less than this tells the temperature well enough; nothing is said of it."""


def bar(temperature_c: float | None, needle: Needle, width: int) -> str:
    """The dial as a line of `width` characters: C at the cold end, H at the hot end, the needle between."""
    inner = max(3, width - 4)
    dial = ["─"] * inner
    if temperature_c is not None:
        dial[round(place(temperature_c, needle) * (inner - 1))] = "█"
    return "C " + "".join(dial) + " H"


def remark(needle: Needle, units: Display) -> str:
    """What the needle hides."""
    low_c, high_c = hidden_c(needle)
    if high_c - low_c < TOLD_FROM_C:
        return ""
    return f"needle hardly moves from {temp(low_c, units, unit=False)} to {temp(high_c, units)}"
