"""The last ten minutes and the next ten as a picture of characters: what was, the forecast band, limit and stop line.

Time runs to the right, now is the upright line.  The past is marks, the forecast is a shaded band with its likely
course, so that a guess never looks like a reading; gaps in the data stay empty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from livemon.core.outcome import Outcome
from livemon.core.units import Display
from livemon.outputs.view_canvas import FULL, MARK, SHADE, Canvas, Look, Tone
from livemon.outputs.view_words import believed, temp

PAST_S: Final = 600
FUTURE_S: Final = 600
_EACH_S: Final = 5
_AXIS: Final = 5
_LEAST_SPAN_C: Final = 8.0


@dataclass(frozen=True, slots=True)
class Trend:
    """Estimates of the last ten minutes, one each five seconds: (time [ms], [degC])."""

    points: tuple[tuple[int, float], ...] = ()


def remember(trend: Trend, outcome: Outcome) -> Trend:
    """The trend with this second in it; bounded."""
    if not believed(outcome) or outcome.estimate_c is None or outcome.estimate_c.likely is None:
        return trend
    if trend.points and outcome.t_ms < trend.points[-1][0] + _EACH_S * 1000:
        return trend if outcome.t_ms >= trend.points[-1][0] else Trend()
    kept = [point for point in trend.points if outcome.t_ms - point[0] <= PAST_S * 1000]
    return Trend((*kept, (outcome.t_ms, outcome.estimate_c.likely)))


@dataclass(frozen=True, slots=True)
class _Course:
    """The forecast as points (seconds ahead, low, likely, high)."""

    points: tuple[tuple[float, float, float, float], ...]

    def at(self, seconds: float) -> tuple[float, float, float] | None:
        for a, b in pairwise(self.points):
            if a[0] <= seconds <= b[0]:
                share = (seconds - a[0]) / (b[0] - a[0])
                low, likely, high = (x + share * (y - x) for x, y in zip(a[1:], b[1:], strict=True))
                return low, likely, high
        return None


def _course(outcome: Outcome) -> _Course:
    if not believed(outcome) or outcome.estimate_c is None or outcome.ahead_c is None:
        return _Course(())
    points = []
    for seconds, band in ((0, outcome.estimate_c), *outcome.ahead_c):
        if band.low is None or band.likely is None or band.high is None or seconds > FUTURE_S:
            continue
        points.append((float(seconds), band.low, band.likely, band.high))
    return _Course(tuple(points))


def draw(sheet: Canvas, top: int, rows: int, outcome: Outcome, trend: Trend, units: Display) -> None:
    """Draw the picture into `rows` rows from `top`, over the full width; the last row is the time axis."""
    course = _course(outcome)
    height, width = rows - 1, sheet.columns - _AXIS - 2
    now_column = _AXIS + 1 + (width - 1) * PAST_S // (PAST_S + FUTURE_S)
    low, high = _range(outcome, trend, course)

    def row_of(temperature_c: float) -> int:
        share = (high - temperature_c) / (high - low)
        return top + min(max(round(share * (height - 1)), 0), height - 1)

    def seconds_of(column: int) -> float:
        """Seconds from now of the middle of a column; negative is past."""
        per_column = (PAST_S + FUTURE_S) / max(1, width - 1)
        return (column - now_column) * per_column

    for row in range(top, top + height):
        sheet.put(row, now_column, "│", Tone.DIM)
    ahead = {column: course.at(seconds_of(column)) for column in range(now_column + 1, _AXIS + 1 + width)}
    for column, values in ahead.items():
        if values is not None:
            for row in range(row_of(values[2]), row_of(values[0]) + 1):
                sheet.put(row, column, SHADE, Tone.FORECAST)
    lines = [
        (name, row_of(line_c), tone, mark)
        for name, line_c, tone, mark in (
            ("stop", outcome.stop_c, Tone.WARNING, "═"),
            ("limit", outcome.limit_c, Tone.CAUTION, "─"),
        )
        if line_c is not None and low <= line_c <= high
    ]
    for _, row, tone, mark in lines:
        sheet.put(row, _AXIS + 1, mark * width, tone)
    for column, values in ahead.items():
        if values is not None:
            sheet.put(row_of(values[1]), column, FULL, Tone.FORECAST)
    for t_ms, value_c in trend.points:
        column = now_column + math.floor((t_ms - outcome.t_ms) / 1000.0 * (width - 1) / (PAST_S + FUTURE_S))
        if column > _AXIS:
            sheet.put(row_of(value_c), min(column, now_column - 1), MARK, Tone.PLAIN, Look.BOLD)
    for name, row, tone, _ in lines:  # after the marks: a line whose name is crossed out tells nothing
        sheet.put(row, _AXIS + 2, f" {name} ", tone)
    ticks = {row_of(value): temp(value, units, unit=False) for value in (low, (low + high) / 2, high)}
    for row, words in ticks.items():
        sheet.put(row, 0, words.rjust(_AXIS - 1) + " ", Tone.DIM)
    axis = top + height
    sheet.put(axis, _AXIS + 1, f"-{PAST_S // 60} min", Tone.DIM)
    sheet.put(axis, now_column - 1, "now", Tone.DIM)
    sheet.right(axis, f"+{FUTURE_S // 60} min ", Tone.DIM)


def _range(outcome: Outcome, trend: Trend, course: _Course) -> tuple[float, float]:
    """Lowest and highest temperature of the picture [degC]: what was, what is foreseen, and the limit if it is near."""
    values = [value for _, value in trend.points]
    values += [value for point in course.points for value in point[1:]]
    near = max(values, default=None)
    for line_c, reach_c in ((outcome.limit_c, 15.0), (outcome.stop_c, 5.0)):
        if line_c is not None and (near is None or line_c - near <= reach_c):
            values.append(line_c)
    if not values:
        return 80.0, 110.0
    low, high = math.floor(min(values)) - 1.0, math.ceil(max(values)) + 1.0
    return (low, high) if high - low >= _LEAST_SPAN_C else (high - _LEAST_SPAN_C, high)
