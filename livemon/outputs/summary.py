"""What one recording came to: peak, crossings of the limit, cautions and warnings, and the lead each crossing had.

Crossings are judged on the raw reading, not on the estimate, so that the forecast is not its own witness.  Counts only;
it decides nothing and knows nothing of files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from livemon.core.events import Event, Tick
from livemon.core.outcome import Level, Outcome

REARM_C: Final = 2.0
"""A new crossing counts once the reading fell this far below the limit: a whole-degree sensor flickers by one."""
MAX_LISTED: Final = 10_000
"""So many crossings, cautions and warnings are listed at most, so that a summary stays bounded."""


@dataclass(frozen=True, slots=True)
class Summary:
    """Times are seconds of the log [s]; `leads_s` has one entry a crossing, None = no caution stood before it."""

    rows: int
    skipped: tuple[tuple[str, int], ...]
    seconds: float
    peak_c: float | None
    peak_at_s: float | None
    crossings: tuple[float, ...]
    cautions: tuple[float, ...]
    warnings: tuple[float, ...]
    leads_s: tuple[float | None, ...]


class Tally:
    """A sink that adds up events and outcomes; `summary` may be asked for at any time."""

    def __init__(self) -> None:
        self._first_ms: int | None = None
        self._last_ms = 0
        self._peak: tuple[float, int] | None = None
        self._level = Level.UNKNOWN
        self._over = False
        self._alarm_since_ms: int | None = None
        self._crossings: list[float] = []
        self._leads: list[float | None] = []
        self._cautions: list[float] = []
        self._warnings: list[float] = []

    def event(self, event: Event) -> None:
        """The log's own span is that of its rows; ticks go on to the next whole second."""
        if isinstance(event, Tick):
            return
        if self._first_ms is None:
            self._first_ms = self._last_ms = event.t_ms
        self._last_ms = max(self._last_ms, event.t_ms)

    def outcome(self, outcome: Outcome) -> None:
        t_ms, level = outcome.t_ms, outcome.level
        if level >= Level.CAUTION > self._level:
            self._alarm_since_ms = t_ms
            _append(self._cautions, t_ms)
        elif level < Level.CAUTION:
            self._alarm_since_ms = None
        if level >= Level.WARNING > self._level:
            _append(self._warnings, t_ms)
        self._level = level
        reading, limit = outcome.coolant_c, outcome.limit_c
        if reading is None or outcome.trusted is False:
            return
        if self._peak is None or reading > self._peak[0]:
            self._peak = (reading, t_ms)
        if limit is None:
            return
        if reading >= limit and not self._over:
            self._over = True
            if len(self._crossings) < MAX_LISTED:
                since = self._alarm_since_ms
                self._crossings.append(t_ms / 1000)
                self._leads.append(None if since is None or since == t_ms else (t_ms - since) / 1000)
        elif reading <= limit - REARM_C:
            self._over = False

    def summary(self, rows: int, skipped: Mapping[str, int]) -> Summary:
        """What it came to; `rows` and `skipped` are the reader's own counts."""
        first = self._last_ms if self._first_ms is None else self._first_ms
        return Summary(
            rows=rows,
            skipped=tuple(sorted(skipped.items())),
            seconds=(self._last_ms - first) / 1000,
            peak_c=None if self._peak is None else self._peak[0],
            peak_at_s=None if self._peak is None else self._peak[1] / 1000,
            crossings=tuple(self._crossings),
            cautions=tuple(self._cautions),
            warnings=tuple(self._warnings),
            leads_s=tuple(self._leads),
        )


def _append(times: list[float], t_ms: int) -> None:
    if len(times) < MAX_LISTED:
        times.append(t_ms / 1000)
