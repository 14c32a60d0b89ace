"""Is the coolant sensor right?  Pairs of its reading and a thermometer's give offset and spread with a t interval.

An even offset is the mean difference; whether the difference grows with temperature is asked too, since then no single
offset helps.  It corrects nothing: the owner writes the offset into the settings when he is sure of the thermometer.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from typing import Final

import numpy as np

from livemon.core.events import SIGNALS
from livemon.errors import SetupError
from livemon.study.student import t_quantile

GOOD_WITHIN_C: Final = 1.0
"""A good sensor in the thermostat housing agrees with an infrared thermometer within so much (common practice, no
source)."""
LEAST_PAIRS: Final = 3
MOST_PAIRS: Final = 10_000
CONFIDENCE: Final = 0.9
SLOPE_PAIRS: Final = 5
SLOPE_SPAN_C: Final = 15.0
"""With fewer pairs, or over less of the scale, nothing is said of a slope."""
READING_SPREAD_C: Final = 12.0**-0.5
"""Readings come in whole degrees: however well pairs agree, one difference is known no better (uniform rounding)."""
_FORMS: Final = {"c": (1.0, 0.0), "f": (5.0 / 9.0, -160.0 / 9.0)}


@dataclass(frozen=True, slots=True)
class SensorCheck:
    """What the pairs say; differences are sensor less thermometer [K], intervals hold 90 %."""

    pairs: int
    offset_c: float
    low_c: float
    high_c: float
    spread_c: float
    """Standard deviation of one difference, at least that of whole degrees."""
    slope: tuple[float, float, float] | None
    """Change of the difference per degree [K/K]: low, likely, high; None where the pairs cannot tell."""
    span_c: tuple[float, float]
    """Thermometer readings from .. to: the offset is known only there."""

    @property
    def agrees(self) -> bool | None:
        """Within 1 C, or not; None = the pairs cannot tell."""
        if self.low_c >= -GOOD_WITHIN_C and self.high_c <= GOOD_WITHIN_C:
            return True
        if self.low_c > GOOD_WITHIN_C or self.high_c < -GOOD_WITHIN_C:
            return False
        return None

    @property
    def bent(self) -> bool:
        """The difference changes with temperature, so that no single offset puts the sensor right."""
        return self.slope is not None and (self.slope[0] > 0.0 or self.slope[2] < 0.0)

    @property
    def words(self) -> str:
        """The verdict in one sentence."""
        told = {True: "agrees within 1 C", False: "does not agree within 1 C", None: "cannot tell yet: take more pairs"}
        bent = "; the difference changes with temperature, so no single offset puts it right" if self.bent else ""
        return told[self.agrees] + bent


def check(sensor_c: list[float], thermometer_c: list[float]) -> SensorCheck:
    """Offset mean(d) with t interval mean(d) +- t(0.95, n-1) s / sqrt(n), d = sensor less thermometer [K].

    Validity: pairs read independently, at rest, on the housing by the sensor.  A bare shiny housing reads low by
    infrared (its emissivity is far below one; matt tape or paint helps; common practice, no source).
    Example: 91, 94, 97 against 90, 92, 94 C -> 2.0 K, spread 1.0 K, 90 % interval 0.31 to 3.69 K.
    """
    if len(sensor_c) != len(thermometer_c) or not LEAST_PAIRS <= len(sensor_c) <= MOST_PAIRS:
        raise ValueError(f"expected {LEAST_PAIRS} to {MOST_PAIRS} pairs")
    warm = np.asarray(thermometer_c, dtype=np.float64)
    apart = np.asarray(sensor_c, dtype=np.float64) - warm
    count = len(apart)
    offset, spread = float(apart.mean()), max(float(apart.std(ddof=1)), READING_SPREAD_C)
    half = t_quantile(0.5 + 0.5 * CONFIDENCE, count - 1) * spread / count**0.5
    span = float(warm.min()), float(warm.max())
    return SensorCheck(count, offset, offset - half, offset + half, spread, _slope(warm, apart), span)


def _slope(warm: np.ndarray, apart: np.ndarray) -> tuple[float, float, float] | None:
    """Least-squares slope of the difference with its 90 % t interval."""
    if len(warm) < SLOPE_PAIRS or float(np.ptp(warm)) < SLOPE_SPAN_C:
        return None
    off = warm - warm.mean()
    squares = float((off * off).sum())
    slope = float((off * apart).sum()) / squares
    rest = apart - apart.mean() - slope * off
    dof = len(warm) - 2
    spread = max((float((rest * rest).sum()) / dof) ** 0.5, READING_SPREAD_C)
    half = t_quantile(0.5 + 0.5 * CONFIDENCE, dof) * spread / squares**0.5
    return slope - half, slope, slope + half


def read_pairs(text: str, where: str) -> tuple[list[float], list[float]]:
    """Pairs in C from CSV text with a header row: `sensor_c,thermometer_c`, or `_f` for Fahrenheit.

    Separated by commas, semicolons or tabs, with a decimal comma where the comma does not separate.  Other columns are
    for people; an empty line is no pair; anything else that is no temperature is refused with its
    line, since a pair left out unseen would move the offset.
    """
    lines = [line for line in text.removeprefix("\ufeff").splitlines() if not line.startswith("#")]
    between = max(";\t,", key=next((line for line in lines if line.strip()), "").count)
    rows = csv.reader(lines, delimiter=between)
    expected = "a header row with sensor_c,thermometer_c (or sensor_f,thermometer_f)"
    try:
        head = [cell.strip().lower() for cell in next(rows)]
    except (StopIteration, csv.Error):
        raise SetupError(where, expected, "no readable row") from None
    found = [unit for unit in _FORMS if f"sensor_{unit}" in head and f"thermometer_{unit}" in head]
    if len(found) != 1:
        raise SetupError(where, expected, ",".join(head)[:80] or "an empty line", "docs/review.md shows one")
    columns = [head.index(f"sensor_{found[0]}"), head.index(f"thermometer_{found[0]}")]
    scale, offset = _FORMS[found[0]]
    pairs: tuple[list[float], list[float]] = ([], [])
    try:
        for cells in rows:
            if not any(cell.strip() for cell in cells):
                continue
            here = f"{where}, row {rows.line_num} (comments not counted)"
            for column, into in zip(columns, pairs, strict=True):
                cell = cells[column] if column < len(cells) else ""
                into.append(_temperature(cell if between == "," else cell.replace(",", "."), scale, offset, here))
    except csv.Error as wrong:
        raise SetupError(where, "CSV text", str(wrong)) from None
    if not LEAST_PAIRS <= len(pairs[0]) <= MOST_PAIRS:
        raise SetupError(where, f"{LEAST_PAIRS} to {MOST_PAIRS} pairs", str(len(pairs[0])), "Take more readings")
    return pairs


def _temperature(cell: str, scale: float, offset: float, here: str) -> float:
    signal = SIGNALS["coolant_c"]
    try:
        value = float(cell) * scale + offset
    except ValueError:
        value = float("nan")
    if not signal.low <= value <= signal.high:
        raise SetupError(here, f"a temperature from {signal.low:g} to {signal.high:g} C", repr(cell[:40]))
    return value
