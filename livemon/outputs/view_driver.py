"""The driver's view, for one glance: sign and word, margin and minutes as one big figure, one action.

The order from top to bottom is the order of need.  What does not fit is left out from the bottom of the order, never
squeezed; the word, the figure, the action and the short caution stay at every size.  Nothing here asks for a key.
"""

from __future__ import annotations

from livemon.core.outcome import LOST_DATA, Level, Outcome
from livemon.core.units import Display
from livemon.outputs import figures, view_plan, view_words
from livemon.outputs.view_canvas import Canvas, Look, Screen, Tone, wrap

_MIN_BIG_ROWS = 5
_MAX_BIG_ROWS = 20
_CALM_BIG_ROWS = 9
_AHEAD_ROWS = 12
_SHAPE_ROWS = 7
"""The shape stands beside the figure only if the digits can stay this high."""


def render(outcome: Outcome, columns: int, rows: int, units: Display) -> Screen:
    """The whole screen at this size."""
    sheet = Canvas(columns, rows)
    head(sheet, outcome)
    action_row = _action(sheet, outcome, foot(sheet))
    _figure(sheet, outcome, units, 1 + _ahead(sheet, outcome, units), action_row)
    return sheet.screen()


def _ahead(sheet: Canvas, outcome: Outcome, units: Display) -> int:
    """A short line under the head where there is room for one: off the plan, else what the road ahead brings.

    Returns the rows it takes.
    """
    if sheet.rows < _AHEAD_ROWS:
        return 0
    words = view_plan.driver(outcome, units) or view_words.road_line(outcome, units)
    if words is None or len(words) + 2 > sheet.columns:
        return 0
    sheet.put(1, 1, words, Tone.PLAIN, Look.BOLD)
    return 1


def head(sheet: Canvas, outcome: Outcome) -> None:
    """First row: sign, word and age; a caution or warning fills the row."""
    tone = view_words.tone_of(outcome.level)
    if view_words.word_of(outcome) != outcome.level.name:
        tone = Tone.UNKNOWN
    look = Look.BAR if outcome.level >= Level.CAUTION else Look.BOLD
    if look is Look.BAR:
        sheet.bar(0, tone, look)
    sign = figures.SIGNS[outcome.level]
    word = view_words.word_of(outcome)
    silenced = " (silenced)" if outcome.silenced and sheet.columns >= 40 else ""
    head_words = f"{sign} {word}{silenced}"
    sheet.put(0, 1, head_words, tone, look)
    age = view_words.age_words(outcome, short=sheet.columns < 32)
    if len(head_words) + len(age) + 3 <= sheet.columns:
        sheet.right(0, age + " ", tone if look is Look.BAR else Tone.DIM, look if look is Look.BAR else Look.TEXT)


def foot(sheet: Canvas) -> int:
    """Last row: the short caution.  Returns the row it stands in."""
    words = view_words.CAUTION_SHORT if sheet.columns > len(view_words.CAUTION_SHORT) + 1 else view_words.CAUTION_TINY
    row = sheet.rows - 1
    sheet.put(row, 1, words, Tone.DIM)
    return row


def _action(sheet: Canvas, outcome: Outcome, last: int) -> int:
    """One action over the caution, with room around it where there is room.  Returns its first row."""
    row = last - (1 if sheet.rows < 11 else 2 if sheet.rows < 18 else 3)
    if not outcome.advice:
        return row
    words = outcome.advice[0].words.upper()
    tone = view_words.tone_of(outcome.level) if outcome.level > Level.NORMAL else Tone.PLAIN
    if len(words) + 4 > sheet.columns:
        lines = wrap(words, sheet.columns - 2)[:2]
        row = last - len(lines)
        for down, line in enumerate(lines):
            sheet.put(row + down, 1, line, tone, Look.BOLD)
        return row
    look = Look.BAR if outcome.level >= Level.CAUTION and sheet.rows >= 11 else Look.BOLD
    sheet.put(row, 0 if look is Look.BAR else 1, f" > {words} " if look is Look.BAR else f"> {words}", tone, look)
    return row


def _figure(sheet: Canvas, outcome: Outcome, units: Display, top: int, bottom: int) -> None:
    """Margin and minutes between the rows `top` and `bottom`, as big as fits, with what they are underneath."""
    margin, over = view_words.margin_number(outcome, units)
    minutes = view_words.minutes_number(outcome)
    tone = view_words.tone_of(outcome.level) if view_words.believed(outcome) else Tone.UNKNOWN
    under, side = labels(outcome, units, over, minutes)
    figure = margin if margin == view_words.UNKNOWN else margin + "°"
    parts = [(figure, under)] + ([(minutes, side)] if minutes is not None else [])
    room = bottom - top - 2
    if outcome.level <= Level.NORMAL:  # nothing to act on: large enough to read, not a lamp in the dark
        room = min(room, _CALM_BIG_ROWS)
    texts = [text for text, _ in parts]
    big, with_shape = _fit(texts, sheet.columns - 2, room, shape=True), True
    if big < _SHAPE_ROWS:
        big, with_shape = _fit(texts, sheet.columns - 2, room, shape=False), False
    if big < _MIN_BIG_ROWS:
        _small(sheet, parts, top, bottom, tone)
        return
    row = top + (bottom - top - big) // 2
    column = max(1, (sheet.columns - _width(texts, big, with_shape)) // 2)
    if with_shape:
        high = _shape_rows(big)
        sheet.stamp(row + (big - high) // 2, column, figures.shape(outcome.level, high), tone)
        column += figures.shape_width(high) + _gap(big)
    for index, (text, label) in enumerate(parts):
        if index:
            for down in range(big):
                sheet.put(row + down, column - _gap(big) // 2 - 1, "│", Tone.DIM)
        sheet.stamp(row, column, figures.number(text, big), tone)
        taken = figures.number_width(text, big)
        at = min(max(1, column + (taken - len(label)) // 2), max(1, sheet.columns - len(label) - 1))
        sheet.put(row + big, at, label, tone, Look.BOLD)
        column += taken + _gap(big)


def labels(outcome: Outcome, units: Display, over: bool, minutes: str | None) -> tuple[str, str]:
    """What stands under the margin, and what under the minutes."""
    if not view_words.believed(outcome):
        if outcome.trusted is False and outcome.status not in LOST_DATA:
            return "sensor doubted: use the gauge", ""
        lost = "NO DATA: " if outcome.status in LOST_DATA else ""
        return lost + view_words.STATUS_REASONS[outcome.status], ""
    if outcome.margin_c is None:
        return "margin not known yet", ""
    unit = f"°{units.temperature}"
    if over:
        return f"{unit} OVER limit", ""
    return (f"{unit} left" if minutes is not None else f"{unit} below limit"), "min to limit"


def _gap(big: int) -> int:
    return max(4, round(big * 0.8))


def _shape_rows(big: int) -> int:
    """Height of the shape beside digits `big` high; odd, so that it has a middle row."""
    return max(7, round(big * 0.65)) | 1


def _width(texts: list[str], big: int, shape: bool) -> int:
    beside = figures.shape_width(_shape_rows(big)) + _gap(big) if shape else 0
    return beside + sum(figures.number_width(text, big) for text in texts) + _gap(big) * (len(texts) - 1)


def _fit(texts: list[str], columns: int, rows: int, shape: bool) -> int:
    """The greatest digit height that fits, or 0."""
    for big in range(min(rows, _MAX_BIG_ROWS), _MIN_BIG_ROWS - 1, -1):
        if _width(texts, big, shape) <= columns:
            return big
    return 0


def _small(sheet: Canvas, parts: list[tuple[str, str]], top: int, bottom: int, tone: Tone) -> None:
    """No room for big digits: the same as words."""
    lines = [line for text, label in parts for line in wrap(f"{text.rstrip('°')} {label}", sheet.columns - 2)]
    row = top + max(0, (bottom - top - len(lines)) // 2)
    for line in lines[: bottom - row]:
        sheet.put(row, 1, line, tone, Look.BOLD)
        row += 1
