"""The views as pure functions: an outcome and a size in, a screen of styled text out.

This file is the door to them: which view, what it needs, and the start screen before the first outcome.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum

from livemon.core.needle import Needle
from livemon.core.outcome import Action, Advice, Outcome, Status
from livemon.core.units import METRIC, Display
from livemon.outputs import view_driver, view_passenger, view_start, view_words
from livemon.outputs.view_canvas import Canvas, Look, Screen, cut
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


def start_screen(columns: int, rows: int, second: int, state: str = "", wrong: Sequence[str] = ()) -> Screen:
    """What is `wrong` with the settings and the cautions whole, page after page."""
    if columns < LEAST_COLUMNS or rows < LEAST_ROWS:
        sheet = Canvas(max(1, columns), max(1, rows))
        sheet.put(0, 0, cut(view_words.CAUTION_TINY, sheet.columns))
        return sheet.screen()
    return view_start.render(columns, rows, second // PAGE_S, state, wrong)


def start_seconds(columns: int, rows: int, wrong: Sequence[str] = ()) -> int:
    """How long it takes to show every page of the start screen once."""
    if columns < LEAST_COLUMNS or rows < LEAST_ROWS:
        return 0
    return len(view_start.pages(columns, rows, wrong)) * PAGE_S


def _tiny(outcome: Outcome, columns: int, rows: int) -> Screen:
    sheet = Canvas(columns, rows)
    tone = view_words.tone_of(outcome.level)
    sheet.put(0, 0, cut(view_words.word_of(outcome), columns), tone, Look.BOLD)
    if outcome.advice:
        sheet.put(1, 0, cut(outcome.advice[0].words.upper(), columns), tone, Look.BOLD)
    if rows > 2:
        sheet.put(rows - 1, 0, cut(view_words.CAUTION_TINY, columns))
    return sheet.screen()


def frozen(outcome: Outcome, silent_s: float) -> Outcome:
    """`outcome` when nothing has followed it for so long: the level stays, every figure is taken back."""
    return Outcome(
        t_ms=outcome.t_ms,
        status=Status.STALE,
        level=outcome.level,
        age_s=None if outcome.age_s is None else outcome.age_s + silent_s,
        doubts=("the monitor itself has stopped",),
        limit_c=outcome.limit_c,
        stop_c=outcome.stop_c,
        advice=(Advice(Action.WATCH_GAUGE, "Watch the dash gauge", "Nothing new has come from the monitor."),),
        silenced=outcome.silenced,
    )


def plain_line(outcome: Outcome, units: Display, health: Health | None = None) -> str:
    """One second as a line of text, for an output that is no terminal; with `health`, why the link is down."""
    seconds = outcome.t_ms // 1000
    parts = [f"{seconds // 3600:d}:{seconds // 60 % 60:02d}:{seconds % 60:02d} {view_words.word_of(outcome)}"]
    if outcome.reason:
        parts.append(view_words.reason_words(outcome))
    margin, over = view_words.margin_number(outcome, units)
    parts.append(f"{margin}°{units.temperature} {'over' if over else 'below'} limit" if margin != "--" else "margin --")
    minutes = view_words.minutes_number(outcome)
    if minutes is not None:
        parts.append(f"{minutes} min to limit")
    if outcome.advice:
        parts.append(outcome.advice[0].words)
    parts.append(view_words.age_words(outcome))
    if health is not None and health.link.startswith("down"):
        parts.append(f"link {health.link}")
    return "; ".join(parts)
