"""Puts the one-second ticks into a recorded stream of events, exactly where the live loop had them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from livemon.core.events import Event, Tick

TICK_MS: Final = 1000
LONGEST_GAP_MS: Final = 12 * 3600 * 1000
"""Through a longer hole in a log no ticks are made: it is another drive, or a broken time cell."""


def on_grid(events: Iterable[Event], longest_gap_ms: int = LONGEST_GAP_MS) -> Iterator[Event]:
    """`events` with a tick after each whole second of the drive, through gaps too; one tick closes the last second."""
    tick: int | None = None
    for event in events:
        if tick is None or event.t_ms - tick > longest_gap_ms:
            tick = -(-event.t_ms // TICK_MS) * TICK_MS
        while tick < event.t_ms:
            yield Tick(tick)
            tick += TICK_MS
        yield event
    if tick is not None:
        yield Tick(tick)
