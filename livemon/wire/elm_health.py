"""Trouble codes and plug voltage on a live link: when to ask, what to tell.

Strategy: the monitor status (PID 01) is cheap and polled; services 03 and 07 follow when its lamp or count changes,
and pending codes once in a while.  Codes are told when both lists are known and the text has changed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from livemon.wire.codes import PENDING, PERMANENT, STORED, parse_codes
from livemon.wire.elm_replies import Block, Message
from livemon.wire.pids import MonitorStatus, monitor_status

PENDING_PERIOD_MS: Final = 120_000
RETRY_MS: Final = 30_000
TRIES: Final = 3

_VOLTS: Final = re.compile(r"(\d{1,2}\.\d{1,2})\s*V?")


def plug_voltage(lines: Sequence[str]) -> float | None:
    """Volts from the answer to ATRV: `12.6V`, or without the V as some adapters say; None for anything else."""
    for line in reversed(lines):
        if found := _VOLTS.fullmatch(line.strip().upper()):
            return round(float(found.group(1)), 3)
    return None


@dataclass(slots=True)
class CodeWatch:
    """Keeps the stored and pending codes of one vehicle up to date."""

    status: MonitorStatus | None = None
    permanent_too: bool = False
    """Ask for permanent codes (service 0A) as well; they are kept in `lists` and not told."""
    lists: dict[int, tuple[str, ...]] = field(default_factory=dict)
    _due: dict[int, int] = field(default_factory=dict)
    _tries: dict[int, int] = field(default_factory=dict)
    _told: str | None = None

    def again(self) -> None:
        """A new session: what was told may be old, ask once more."""
        self.status = None
        self._due.clear()
        self._tries.clear()

    def monitor(self, data: bytes, now_ms: int) -> None:
        """PID 01 was read; lamp or count other than before makes both lists due."""
        status = monitor_status(data)
        if status is not None and status != self.status:
            self.status = status
            self._due = {STORED: now_ms, PENDING: now_ms}
            if self.permanent_too:
                self._due[PERMANENT] = now_ms
            self._tries = {}

    def due(self, now_ms: int) -> int | None:
        """The code service to ask now, if any."""
        return next((service for service, at in self._due.items() if now_ms >= at), None)

    def sent(self, service: int, now_ms: int) -> None:
        """The service is being asked; without an answer it is due again later, not at once."""
        self._tries[service] = self._tries.get(service, 0) + 1
        self._due[service] = now_ms + (RETRY_MS if self._tries[service] < TRIES else PENDING_PERIOD_MS)

    def answer(self, service: int, block: Block, can: bool, now_ms: int) -> str | None:
        """Take the answer to 03 or 07; the text for `Sample.codes` if it is complete and new, else None."""
        found: list[str] = []
        good = False
        for reply in block.replies:
            codes = parse_codes(reply.body, counted=can)
            if codes is not None:
                good = True
                found += codes
        # No answer at all is how an ECU says that it has no codes, or no such service.
        silent_none = Message.NO_DATA in block.messages and (
            service == PENDING or (self.status is not None and self.status.codes == 0)
        )
        if not (good or silent_none or block.negatives):
            return None
        self._tries[service] = 0
        self._due[service] = now_ms + PENDING_PERIOD_MS
        self.lists[service] = tuple(dict.fromkeys(found))
        if STORED not in self.lists or PENDING not in self.lists:
            return None
        text = " ".join(dict.fromkeys((*self.lists[STORED], *self.lists[PENDING])))
        if text == self._told:
            return None
        self._told = text
        return text
