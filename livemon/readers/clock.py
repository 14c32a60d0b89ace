"""The one clock of a drive: whole milliseconds since it was made, monotonic, never wall time.

Readers are given a clock and ask nothing else for the time, so that tests can give them another one.
"""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Anything that tells whole milliseconds and never goes back."""

    def now_ms(self) -> int: ...


class MonotonicClock:
    """Milliseconds since this clock was made."""

    def __init__(self) -> None:
        self._start_ns = time.monotonic_ns()

    def now_ms(self) -> int:
        return (time.monotonic_ns() - self._start_ns) // 1_000_000


class HandClock:
    """A clock that is set by hand; for tests and for emulation in made-up time."""

    def __init__(self, now_ms: int = 0) -> None:
        self._now_ms = now_ms

    def now_ms(self) -> int:
        return self._now_ms

    def set(self, now_ms: int) -> None:
        """Move on to `now_ms`; going back is refused."""
        if now_ms < self._now_ms:
            raise ValueError(f"clock: expected a time at or after {self._now_ms} ms, found {now_ms} ms")
        self._now_ms = now_ms
