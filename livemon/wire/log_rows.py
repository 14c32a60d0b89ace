"""Cells of one row of a log -> events: what each column means, and what of a row cannot be used.

A value that is no number or cannot be true is counted and left out, the rest of its row is used; a row without a time,
or with another number of cells than the header, is left out whole.  Knows nothing of lines, quotes or files.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from livemon.core.events import INPUTS, SIGNALS, Event, Link, Mark, Sample

_COLUMNS = """
    time_s utc coolant_c coolant2_c speed_kmh rpm load_pct absolute_load_pct throttle_pct pedal_pct map_kpa maf_g_s
    intake_air_c ambient_air_c baro_kpa oil_c voltage_v fuel_level_pct fuel_status run_time_s codes mil
    latitude_deg longitude_deg altitude_m gps_speed_kmh ac_on heater_on fan_on silenced ecu link note
"""
COLUMNS: Final[tuple[str, ...]] = tuple(_COLUMNS.split())
NO_CODES: Final = "none"
"""Cell of `codes` when the codes were read and none is stored; a blank cell means they were not read."""

MAX_TIME_S: Final = 4e9
MAX_JUMP_S: Final = 86_400.0
"""A row further ahead than a day is a torn time, not a pause: each skipped second would be a line of output."""


def strict_float(cell: str) -> float:
    """As `float`, without the underscores that it takes."""
    if "_" in cell:
        raise ValueError("an underscore is no part of a number")
    return float(cell)


class RowReader:
    """Reads the rows of one log; `at` tells where each column stands, `skip` counts what is left out, by reason."""

    def __init__(self, at: Mapping[str, int], width: int, skip: Callable[[str], None]) -> None:
        self.rows = 0
        self.first_utc: tuple[int, str] | None = None
        self._skip = skip
        self._width = width
        self._last_s: float | None = None
        self._signals = tuple((at[s.name], s.name, s.low, s.high, s.decimals) for s in SIGNALS.values() if s.name in at)
        self._inputs = tuple((at[name], name) for name in INPUTS if name in at)
        self._time = at["time_s"]
        # -1 = the log has no such column
        self._utc, self._codes, self._ecu = at.get("utc", -1), at.get("codes", -1), at.get("ecu", -1)
        self._link, self._note = at.get("link", -1), at.get("note", -1)

    def read(self, cells: list[str], number: Callable[[str], float], events: list[Event]) -> None:
        """Append what one row holds; `number` turns a cell into a figure or raises ValueError."""
        if len(cells) != self._width:  # a torn row may end in half a value: none of it is believed
            if any(cells):
                self._skip("row: wrong number of cells")
            return
        try:
            time_s = number(cells[self._time])
        except ValueError:
            self._skip("row: time_s is no number")
            return
        if not 0 <= time_s <= MAX_TIME_S:
            self._skip("row: time_s out of range")
            return
        if self._last_s is not None and time_s - self._last_s > MAX_JUMP_S:
            self._skip("row: time_s jumps ahead more than a day")
            return
        if self._last_s is not None and time_s < self._last_s:  # still a row: the core takes from it what is new
            self._skip("time_s: steps back")
        else:
            self._last_s = time_s
        self.rows += 1
        t_ms = round(time_s * 1000)
        said = False
        if self._utc >= 0 and self.first_utc is None and cells[self._utc]:
            self.first_utc = (t_ms, cells[self._utc])
        if self._link >= 0 and cells[self._link]:
            link = _link(t_ms, cells[self._link])
            if link is None:
                self._skip("link: neither up nor down")
            else:
                events.append(link)
                said = True
        mark = self._mark(t_ms, cells)
        readings: list[tuple[str, float]] = []
        for index, name, low, high, decimals in self._signals:
            cell = cells[index]
            if cell:
                try:
                    value = number(cell)
                except ValueError:
                    if cell.strip():
                        self._skip(f"{name}: no number")
                    continue
                if low <= value <= high:
                    readings.append((name, round(value, decimals) + 0.0))
                else:  # NaN lands here too: it compares false with everything
                    self._skip(f"{name}: out of range")
        codes = (cells[self._codes] or None) if self._codes >= 0 else None
        ecu = (cells[self._ecu] or None) if self._ecu >= 0 else None
        if readings or codes or ecu or not (said or mark):
            events.append(Sample(t_ms, tuple(readings), "" if codes == NO_CODES else codes, ecu))
        if mark is not None:
            events.append(mark)

    def _mark(self, t_ms: int, cells: list[str]) -> Mark | None:
        inputs: list[tuple[str, bool]] = []
        for index, name in self._inputs:
            cell = cells[index].strip()
            if cell in ("0", "1"):
                inputs.append((name, cell == "1"))
            elif cell:
                self._skip(f"{name}: neither 0 nor 1")
        note = (cells[self._note] or None) if self._note >= 0 else None
        return Mark(t_ms, tuple(inputs), note) if inputs or note else None


def _link(t_ms: int, cell: str) -> Link | None:
    word, colon, reason = cell.partition(": ")
    if word not in ("up", "down") or (colon and not reason):
        return None
    return Link(t_ms, word == "up", reason)
