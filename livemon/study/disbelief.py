"""Whether the live program would have believed the coolant sensor of a drive: what it doubts is not learned from.

A recording goes through the core's own doubts second by second as it is read (`moment.judged`), without road ahead or
forecast.  A drive counts as doubted where no reading was believed for a minute in all, or where the coolant had left
the sensor; a vehicle that runs hotter than its profile, or a fan that does not run, is what learning is for, and
counts for nothing.  It knows nothing of files, nor what becomes of the drive.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from livemon.core import moment
from livemon.core.events import Event, Tick
from livemon.core.grid import on_grid
from livemon.core.pipeline import CoreSettings
from livemon.core.trust_cooling import LEFT_SENSOR, STUCK

LEAST_S: Final = 60
"""Doubted for less in all, a reading or two were false; over a minute means they are lost among the rest."""
LONGEST_HOLE_MS: Final = 60_000
"""Nothing is compared across a hole, so no ticks are needed in one, and a torn clock costs no time."""


@dataclass(frozen=True, slots=True)
class Disbelief:
    """Why a drive is not believed: the words of the live doubt, and when it began [s]."""

    at_s: float
    words: str

    def __str__(self) -> str:
        return f"coolant sensor in doubt from {_clock(self.at_s)}: {self.words}"


def _clock(at_s: float) -> str:
    hours, rest = divmod(int(at_s), 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}"


class Watch:
    """Doubts of one recording, whose events pass through `over`; bounded like the live state.

    `whole` has the possible vehicles beside it, as live: it costs twice as much, and they only speak for a sensor that
    stands still.  So without them `unsure` tells that one was called stuck which they might have explained, and only
    then has the recording to be gone through again (`settled`); in every other case `found` is the same.
    """

    def __init__(self, settings: CoreSettings, whole: bool = False) -> None:
        self._settings = replace(settings, profile=settings.profile.unlearned(), route=None, planned=None)
        self._whole = whole
        self._state = moment.start(self._settings)
        self._stood: dict[str, tuple[int, Disbelief]] = {}
        self._doubted_s = 0
        self.unsure = False
        self.found: Disbelief | None = None

    def over(self, events: Iterable[Event]) -> Iterator[Event]:
        """The events as they came, ticks left out, heard on their way until enough is known."""
        for event in on_grid(events, LONGEST_HOLE_MS):
            if self.found is None and not self.unsure:
                self._hear(event)
            if not isinstance(event, Tick):
                yield event

    def settled(self, again: Callable[[], Iterable[Event]]) -> Disbelief | None:
        """What is found of a recording that has passed; where that is `unsure`, gone through `again` as live."""
        if not self.unsure:
            return self.found
        whole = Watch(self._settings, whole=True)
        for _ in whole.over(again()):
            if whole.found is not None:
                break
        return whole.found

    def _hear(self, event: Event) -> None:
        if not isinstance(event, Tick):
            self._state = moment.hear(self._state, event, self._settings)
            return
        state, seen = moment.look_round(self._state, event, self._settings)
        if self._whole:
            self._state, told, _ = moment.at_tick(state, seen, self._settings)
            verdict = told.verdict
        else:
            self._state, verdict, _ = moment.judged(state, seen.inputs, seen.where)
        if verdict.trusted is not False:
            return
        for doubt in self._state.trust.doubts:
            if not doubt.believed:
                seconds, first = self._stood.get(doubt.name, (0, Disbelief(event.t_ms / 1000.0, doubt.words)))
                self._stood[doubt.name] = seconds + 1, first
        self.unsure = not self._whole and STUCK in self._stood
        self._doubted_s += 1
        if verdict.coolant_lost:
            self.found = self._stood[LEFT_SENSOR][1]
        elif self._doubted_s >= LEAST_S:
            self.found = max(self._stood.values(), key=lambda one: one[0])[1]
