"""Joins the doors: one queue, one loop, one order, the same for a live drive and for a recording.

`core/grid` puts the one-second ticks into a recorded stream; `Live` gives the events of the reader threads their final
time and the same ticks as the clock passes them.  `run` feeds either stream to the core as it comes, `rerun` feeds it a
recording many events at a time.  What happens with an outcome is the business of the `Sink`s; one that fails is told of
and left out, it never stops the rest.
"""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from typing import Protocol

from livemon.core import pipeline
from livemon.core.events import Event, Link, Mark, Sample, Tick
from livemon.core.grid import TICK_MS
from livemon.core.outcome import Outcome
from livemon.core.pipeline import CoreSettings, start, step
from livemon.wire.log_text import settled

IDLE_MS = 100
QUEUE_EVENTS = 10_000
"""Events waiting between readers and loop: over a minute of the fastest polite bus; a fuller queue drops the newest."""


class Sink(Protocol):
    """Something at the door out; both calls must return quickly."""

    def event(self, event: Event) -> None:
        """An event, before the core consumes it (ticks left out)."""

    def outcome(self, outcome: Outcome) -> None:
        """What the core said at a tick."""


class Live:
    """The live stream: reader threads `put` events stamped with `now_ms()`; `events()` is the loop's side.

    An event keeps its stamp, but never goes before an event or tick that was already given out, so that the recording
    holds exactly the order the core saw.
    """

    def __init__(self, now_ms: Callable[[], int]) -> None:
        self._now_ms = now_ms
        self._queue: queue.Queue[Sample | Link | Mark] = queue.Queue(QUEUE_EVENTS)
        self._stopping: str | None = None
        self._idle_due = 0
        self._idle: list[Callable[[], object]] = []
        self.dropped = 0

    def on_idle(self, act: Callable[[], object]) -> None:
        """Call `act` from the loop, between events, at least ten times a second; it must not wait."""
        self._idle.append(act)

    def put(self, event: Sample | Link | Mark) -> None:
        """From any thread; never blocks."""
        try:
            self._queue.put_nowait(event)
        except queue.Full:
            self.dropped += 1

    def stop(self, reason: str = "stopped") -> None:
        """Ends `events()` soon, with a last `Link` row that says why."""
        self._stopping = reason

    def events(self) -> Iterator[Event]:
        """The drive from 0 ms on; ends after `stop`."""
        tick, floor = 0, 0
        yield Link(0, False, "starting")
        while self._stopping is None:
            event = self._next(tick)
            if event is None:
                if self._now_ms() >= tick:
                    yield Tick(tick)
                    floor, tick = tick + 1, tick + TICK_MS
                continue
            while event.t_ms > tick:
                yield Tick(tick)
                floor, tick = tick + 1, tick + TICK_MS
            floor = max(floor, event.t_ms)
            yield settled(event, floor)
        end = max(floor, self._now_ms())
        while tick < end:
            yield Tick(tick)
            tick += TICK_MS
        yield Link(end, False, self._stopping)
        yield Tick(tick)

    def _next(self, tick: int) -> Sample | Link | Mark | None:
        """The next event stamped by now, or None when the tick is due or nothing came for a tenth of a second."""
        now_ms = self._now_ms()
        if now_ms >= self._idle_due:
            self._idle_due = now_ms + IDLE_MS
            for act in self._idle:
                act()
        wait_s = min(max(tick - now_ms, 0), IDLE_MS) / 1000.0
        try:
            return self._queue.get(timeout=wait_s) if wait_s > 0 else self._queue.get_nowait()
        except queue.Empty:
            return None


def _hand_event(event: Event, sink: Sink) -> None:
    sink.event(event)


def _hand_outcome(outcome: Outcome, sink: Sink) -> None:
    sink.outcome(outcome)


def run(
    stream: Iterable[Event],
    settings: CoreSettings,
    sinks: Sequence[Sink],
    on_failure: Callable[[Sink, Exception], None] | None = None,
) -> None:
    """Feed `stream` through the core; each event goes to the sinks before the core sees it, each outcome after."""
    state = start(settings)
    working = list(sinks)

    def tell(act: Callable[[Sink], None]) -> None:
        for sink in tuple(working):
            try:
                act(sink)
            except BrokenPipeError:
                raise  # the reader of our standard output went away: the run is over
            except Exception as failure:  # a failing screen or socket must not stop the recorder
                if on_failure is None:
                    raise
                working.remove(sink)
                on_failure(sink, failure)

    for event in stream:
        if not isinstance(event, Tick):
            tell(partial(_hand_event, event))
        state, outcome = step(state, event, settings)
        if outcome is not None:
            tell(partial(_hand_outcome, outcome))


def rerun(stream: Iterable[Event], settings: CoreSettings, sinks: Sequence[Sink]) -> None:
    """As `run`, for a recording that nobody waits for: the same outcomes in less time, told in pieces."""
    for event, told in pipeline.rerun(stream, settings):
        for sink in sinks:
            if told is not None:
                sink.outcome(told.outcome)
            elif not isinstance(event, Tick):
                sink.event(event)
