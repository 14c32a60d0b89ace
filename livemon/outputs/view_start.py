"""The start screen: what is wrong with the settings, and the cautions whole, on as many pages as the size asks for."""

from __future__ import annotations

from collections.abc import Sequence

from livemon.outputs.view_canvas import Canvas, Look, Screen, Tone, cut, wrap
from livemon.outputs.view_words import CAUTION_WHOLE


def pages(columns: int, rows: int, wrong: Sequence[str] = ()) -> list[list[str]]:
    """What is `wrong`, then the cautions, broken into pages for this size."""
    room = max(1, rows - (3 if rows >= 10 else 2))
    roomy = rows >= 18
    lines: list[str] = []
    for sign, words in (*(("! ", each) for each in wrong), *(("- ", each) for each in CAUTION_WHOLE)):
        if roomy and lines:
            lines.append("")
        wrapped = wrap(words, columns - 4)
        lines += [(sign if not index else "  ") + line for index, line in enumerate(wrapped)]
    return [lines[start : start + room] for start in range(0, len(lines), room)]


def render(columns: int, rows: int, page: int = 0, state: str = "", wrong: Sequence[str] = ()) -> Screen:
    """One page; `state` says what is being waited for."""
    sheet = Canvas(columns, rows)
    sheets = pages(columns, rows, wrong)
    page %= len(sheets)
    sheet.put(0, 1, "livemon", Tone.PLAIN, Look.BOLD)
    if len(sheets) > 1:
        sheet.right(0, f"{page + 1} of {len(sheets)} ", Tone.DIM)
    top = 2 if rows >= 10 else 1
    for down, line in enumerate(sheets[page]):
        sheet.put(top + down, 1, line)
    sheet.put(rows - 1, 1, cut(state or "starting", columns - 2), Tone.DIM)
    return sheet.screen()
