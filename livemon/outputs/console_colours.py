"""Tones and looks as terminal styles, with rich: full colour, the 16 of the Linux console, or none.

Full colours are those of Okabe and Ito, told apart with red-green blindness; the 16 are their nearest kin.  Colour only
repeats what word and shape say.  Dark ground throughout, for the eyes at night.
"""

from __future__ import annotations

from functools import cache
from typing import Final

from rich.color import ColorSystem
from rich.style import Style

from livemon.outputs.view_canvas import FULL, Line, Look, Tone, ascii_only

HUES: Final[dict[Tone, str]] = {
    Tone.PLAIN: "#D0D0D0",
    Tone.DIM: "#8A8A8A",
    Tone.NORMAL: "#B0B0B0",
    Tone.ADVISORY: "#56B4E9",
    Tone.CAUTION: "#E69F00",
    Tone.WARNING: "#D55E00",
    Tone.UNKNOWN: "#CC79A7",
    Tone.FORECAST: "#0072B2",
}
_SIXTEEN: Final[dict[Tone, tuple[str, bool]]] = {
    Tone.PLAIN: ("white", True),
    Tone.DIM: ("white", False),
    Tone.NORMAL: ("white", False),
    Tone.ADVISORY: ("cyan", True),
    Tone.CAUTION: ("yellow", True),
    Tone.WARNING: ("red", True),
    Tone.UNKNOWN: ("magenta", True),
    Tone.FORECAST: ("cyan", False),
}
"""Colour and brightness: bold is how the Linux console makes a colour bright, also where 90 to 97 are not known."""


@cache
def style(tone: Tone, look: Look, system: ColorSystem | None) -> Style:
    """The style of a tone and look in a colour system; without colour, reverse and bold remain."""
    if system is None:
        return Style(bold=look is not Look.TEXT, reverse=look is Look.BAR)
    if system is ColorSystem.STANDARD:
        colour, bright = _SIXTEEN[tone]
        if look is Look.BAR:
            on_dark = tone in (Tone.WARNING, Tone.UNKNOWN)
            return Style(color="white" if on_dark else "black", bgcolor=colour, bold=on_dark)
        return Style(color=colour, bgcolor=colour if look is Look.SOLID else None, bold=bright or look is Look.BOLD)
    if look is Look.BAR:
        return Style(color="#000000", bgcolor=HUES[tone], bold=True)
    return Style(color=HUES[tone], bgcolor=HUES[tone] if look is Look.SOLID else None, bold=look is Look.BOLD)


def paint(line: Line, system: ColorSystem | None, utf8: bool) -> str:
    """A line with its escape codes."""
    parts = []
    for span in line:
        text = span.text if utf8 else ascii_only(span.text)
        chosen = style(span.tone, span.look, system)
        if system is None and span.look is Look.SOLID and not utf8:
            text = text.replace("#", " ") if FULL in span.text else text
            chosen = Style(reverse=True)
        parts.append(chosen.render(text, color_system=system))
    return "".join(parts)
