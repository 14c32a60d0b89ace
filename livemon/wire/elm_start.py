"""The adapter commands still to be sent: start order, closing a protocol, changing a timeout.

Strategy: a row of commands, worked off one by one.  One that is answered `?` is tried once more and then noted as
refused; one that hangs the adapter twice is left out.  Nothing here decides when to send.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Final

from livemon.wire.elm_facts import AdapterFacts
from livemon.wire.elm_replies import Block, Message

RESETS: Final[frozenset[str]] = frozenset({"ATZ", "ATWS"})

SETUP: Final[tuple[str, ...]] = ("ATE0", "ATL0", "ATS0", "ATH1", "ATAT1")
"""Echo, line feeds and blanks off, headers on, adaptive timing on: in this order after a reset."""

SAY_BANNER: Final[frozenset[str]] = RESETS | {"ATI"}


class Steps:
    """Commands waiting for their turn."""

    def __init__(self) -> None:
        self._row: deque[str] = deque()
        self._asked_again = False
        self._hung = 0

    def __bool__(self) -> bool:
        return bool(self._row)

    def __contains__(self, command: str) -> bool:
        return command in self._row

    @property
    def first(self) -> str:
        """The command whose turn it is."""
        return self._row[0]

    def replace(self, commands: Iterable[str]) -> None:
        """Forget the row and begin with these."""
        self._row = deque(commands)
        self._asked_again = False
        self._hung = 0

    def add(self, command: str) -> None:
        """One more at the end, if it does not wait already."""
        if command not in self._row:
            self._row.append(command)

    def answered(self, command: str, block: Block, facts: AdapterFacts) -> bool:
        """Take the answer; True if the command is done with, False if it is to be sent once more."""
        if not self._row or self._row[0] != command:
            return False
        if Message.STOPPED in block.messages:
            self.hung(command, facts)  # it interrupted something and was lost
            return False
        if Message.UNKNOWN_COMMAND in block.messages and command not in SAY_BANNER:
            if not self._asked_again:
                self._asked_again = True
                return False
            facts.refuses(command)
        self._next()
        return True

    def hung(self, command: str, facts: AdapterFacts) -> None:
        """No prompt came after the command."""
        if not self._row or self._row[0] != command:
            return
        self._hung += 1
        if self._hung >= 2:
            facts.refuses(command)
            self._next()

    def _next(self) -> None:
        self._row.popleft()
        self._asked_again = False
        self._hung = 0
