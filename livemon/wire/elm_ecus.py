"""Which ECU speaks for which PID: several may answer the same request, and one of them is believed.

Strategy: the ECU whose bitmaps name the PID; among several the one with most PIDs (the engine's), then the lower
address.  If the chosen one falls silent while another answers, the other is taken.  Values are not compared here:
a second coolant reading goes to the core as `coolant2_c`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from livemon.wire.elm_replies import EcuReply
from livemon.wire.pids import Reading, readings, supported, walk
from livemon.wire.polling import COOLANT, MONITOR, Ask

MAX_ECUS: Final = 8
"""ISO 15765-4 has eight addresses for replies; more is noise."""

SILENT_TO_SWITCH: Final = 3


@dataclass(slots=True)
class Taken:
    """What the replies to one request gave."""

    values: list[tuple[str | None, tuple[Reading, ...]]] = field(default_factory=list)
    """Readings by ECU."""
    got: set[int] = field(default_factory=set)
    """PIDs that the ECU in charge has answered."""
    monitor: bytes | None = None
    """Data of PID 01, if it was among them."""
    spoiled: int = 0
    """Replies that could not be cut to their end."""


class Ecus:
    """Bitmaps by ECU and the choice made for each PID.  ECU None = the adapter shows no headers."""

    def __init__(self) -> None:
        self.complete = False
        self.by_ecu: dict[str | None, set[int]] = {}
        self._chosen: dict[int, str | None] = {}
        self._heard: dict[int, set[str | None]] = {}
        self._silent: dict[int, int] = {}

    @property
    def supported(self) -> frozenset[int] | None:
        """All PIDs that some ECU named; None if no bitmap was read."""
        if not any(self.by_ecu.values()):
            return None
        return frozenset().union(*self.by_ecu.values())

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(sorted(name for name in self.by_ecu if name is not None))

    def bitmap(self, ecu: str | None, base: int, data: bytes) -> None:
        """Take the support bitmap `base` of one ECU."""
        if ecu in self.by_ecu or len(self.by_ecu) < MAX_ECUS:
            self.by_ecu.setdefault(ecu, set()).update(supported(base, data))

    def _ranked(self) -> list[str | None]:
        return sorted(self.by_ecu, key=lambda ecu: (-len(self.by_ecu[ecu]), ecu or ""))

    def take(self, replies: Iterable[EcuReply], ask: Ask) -> Taken:
        """Cut the replies into PIDs and keep what the ECU in charge of each says.

        Coolant from another ECU is kept as `coolant2_c`: two that disagree are worth knowing of.
        """
        taken = Taken()
        for reply in replies:
            walked = walk(reply.body, ask.pids)
            taken.spoiled += bool(walked.rest)
            values: list[Reading] = []
            for pid, data in walked.parts:
                found = readings(pid, data)
                if not self.speaks_for(pid, reply.ecu):
                    if pid == COOLANT:
                        values += [("coolant2_c", value) for _, value in found]
                elif pid not in taken.got:
                    taken.got.add(pid)
                    values += found
                    if pid == MONITOR:
                        taken.monitor = data
            if values:
                taken.values.append((reply.ecu, tuple(values)))
        self.asked(ask.wanted, taken.got)
        return taken

    def speaks_for(self, pid: int, ecu: str | None) -> bool:
        """True if `ecu` is the one believed for `pid`; the first who answers is taken where no bitmap tells."""
        if ecu is None:
            return True
        heard = self._heard.setdefault(pid, set())
        if len(heard) < MAX_ECUS:
            heard.add(ecu)
        if pid not in self._chosen:
            named = [name for name in self._ranked() if pid in self.by_ecu[name]]
            self._chosen[pid] = named[0] if named else ecu
        return self._chosen[pid] == ecu

    def asked(self, wanted: Iterable[int], got: set[int]) -> None:
        """After each reply: a chosen ECU that stays silent while others answer loses its PID."""
        for pid in wanted:
            heard = self._heard.pop(pid, set())
            if pid in got:
                self._silent[pid] = 0
            elif heard:
                self._silent[pid] = self._silent.get(pid, 0) + 1
                if self._silent[pid] >= SILENT_TO_SWITCH:
                    self._chosen[pid] = min(heard, key=lambda name: name or "")
                    self._silent[pid] = 0
