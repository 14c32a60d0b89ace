"""The views as pure functions: an outcome and a size in, a screen of styled text out.

This file is the door to them: which view, what it needs, and the start screen before the first outcome.
"""

from __future__ import annotations

from enum import Enum

from livemon.core.outcome import Outcome
from livemon.core.units import METRIC, Display
from livemon.outputs import view_driver, view_passenger, view_start, view_words
from livemon.outputs.view_canvas import Canvas, Look, Screen, cut
from livemon.outputs.view_needle import Needle
from livemon.outputs.view_passenger import Health
from livemon.outputs.view_trend import Trend, remember

__all__ = ["LEAST_COLUMNS", "LEAST_ROWS", "Health", "Needle", "Screen", "Trend", "View", "remember", "render"]

LEAST_COLUMNS = 20
LEAST_ROWS = 6
PAGE_S = 4
"""A page of the start screen stands so long."""


class View(Enum):
    """Who looks at it."""

    DRIVER = "driver"
    PASSENGER = "passenger"


def render(
    view: View,
    outcome: Outcome,
    columns: int,
    rows: int,
    units: Display = METRIC,
    health: Health | None = None,
    trend: Trend | None = None,
    needle: Needle | None = None,
    note: str | None = None,
) -> Screen:
    """The screen of one second.  Under 20 x 6 only word and action are left."""
    if columns < LEAST_COLUMNS or rows < LEAST_ROWS:
        return _tiny(outcome, max(1, columns), max(1, rows))
    if view is View.DRIVER:
        return view_driver.render(outcome, columns, rows, units)
    return view_passenger.render(
        outcome, health or Health(), trend or Trend(), columns, rows, units, needle or Needle(), note
    )


def start_screen(columns: int, rows: int, second: int, state: str = "") -> Screen:
    """The cautions whole, page after page."""
    if columns < LEAST_COLUMNS or rows < LEAST_ROWS:
        sheet = Canvas(max(1, columns), max(1, rows))
        sheet.put(0, 0, cut(view_words.CAUTION_TINY, sheet.columns))
        return sheet.screen()
    return view_start.render(columns, rows, second // PAGE_S, state)


def start_seconds(columns: int, rows: int) -> int:
    """How long it takes to show every page of the start screen once."""
    if columns < LEAST_COLUMNS or rows < LEAST_ROWS:
        return 0
    return len(view_start.pages(columns, rows)) * PAGE_S


def _tiny(outcome: Outcome, columns: int, rows: int) -> Screen:
    sheet = Canvas(columns, rows)
    tone = view_words.tone_of(outcome.level)
    sheet.put(0, 0, cut(view_words.word_of(outcome), columns), tone, Look.BOLD)
    if outcome.advice:
        sheet.put(1, 0, cut(outcome.advice[0].words.upper(), columns), tone, Look.BOLD)
    if rows > 2:
        sheet.put(rows - 1, 0, cut(view_words.CAUTION_TINY, columns))
    return sheet.screen()
