"""Everything at the door out besides the monitor's own screen and the recorder: one sink for feed, page, sound, lamp
and service manager.

Each part is guarded by itself: one that fails is told of, and the others go on.  Every call is bounded and waits for
nobody.  What viewers, switches and buttons declare is handed to `put` as marks.  Knows nothing of readers and core.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, TypeVar

from livemon import __version__
from livemon.core.events import Event, Link, Mark, Sample
from livemon.core.outcome import Level, Outcome
from livemon.errors import SetupError
from livemon.outputs import lamp, page, view_health, view_words
from livemon.outputs.feed import Feed, FeedSettings
from livemon.outputs.feed_line import feed_line
from livemon.outputs.lamp import Lamp, LampSettings
from livemon.outputs.page import Page, PageSettings
from livemon.outputs.service import Notifier
from livemon.outputs.sound import Sound, SoundSettings

T = TypeVar("T")
MAX_TROUBLES: Final = 3
"""A part that has raised so often is left out for the rest of the run."""


@dataclass(frozen=True, slots=True)
class CabinSettings:
    """The settings of the parts; `units` and the points of the dash `needle` are what viewers show by default."""

    feed: FeedSettings = field(default_factory=FeedSettings)
    page: PageSettings = field(default_factory=PageSettings)
    sound: SoundSettings = field(default_factory=SoundSettings)
    lamp: LampSettings = field(default_factory=LampSettings)
    units: str = "metric"
    needle: str = ""


class Cabin:
    """A sink of the main loop (`event`, `outcome`); `notes` says what is missing, `close` ends everything."""

    def __init__(
        self,
        settings: CabinSettings,
        put: Callable[[Mark], None],
        now_ms: Callable[[], int],
        environment: Mapping[str, str],
        source: str = "",
        recorder: Callable[[], tuple[str, bool]] | None = None,
        gps: Callable[[], str] | None = None,
        outside_typed: bool = False,
    ) -> None:
        """Open the parts.  Settings that cannot be meant are refused; what is merely not there is noted."""
        if settings.page.enabled:
            page.validate(settings.page)
        lamp.validate(settings.lamp)
        self._put, self._now_ms = put, now_ms
        self._source, self._recorder, self._gps, self._outside_typed = source, recorder, gps, outside_typed
        self._heard = view_health.Heard()
        self._troubles: dict[str, list[str]] = {}
        self._ticks = 0
        self.notifier = Notifier.from_environment(environment)
        greeting = {"version": __version__, "units": settings.units, "needle": settings.needle}
        self.lamp = self._noted("lamp", lambda: Lamp(settings.lamp)) or Lamp(LampSettings())
        self.sound = Sound(settings.sound)
        self.feed: Feed | None = None
        self.page: Page | None = None
        if settings.feed.socket:
            self.feed = self._noted("feed", lambda: Feed(settings.feed, greeting=greeting))
        if settings.page.enabled and self.feed is not None:
            self.page = self._noted("page", lambda: Page(settings.page, settings.feed.socket))
        if self.page is not None:
            self.page.start(now_ms())

    def ready(self) -> None:
        """The doors are open and the loop begins."""
        self.notifier.ready("waiting for the vehicle")

    def event(self, event: Event) -> None:
        """Follow the state of the data for the viewers; let marks in without waiting for the next second."""
        if isinstance(event, (Sample, Link, Mark)):
            self._heard = view_health.hear(self._heard, event)
        self.poll()

    def outcome(self, outcome: Outcome) -> None:
        """One second: publish, sound, light, look after the page, feed the watchdog last."""
        now_ms = self._now_ms()
        feed, phone = self.feed, self.page
        if feed is not None:
            estimate = None if outcome.estimate_c is None else outcome.estimate_c.likely
            recorder = None if self._recorder is None else self._recorder()
            gps = "" if self._gps is None else self._gps()
            health = view_health.health(
                self._heard, outcome.t_ms, self._source, recorder, gps, outside_typed=self._outside_typed
            )
            line = feed_line(outcome, health)
            self._try("feed", lambda: feed.publish(line, time_s=outcome.t_ms / 1000, estimate_c=estimate))
        self.poll()
        words = f"{outcome.level.word}. {outcome.advice[0].words}" if outcome.advice else outcome.level.word
        self._try("sound", lambda: self.sound.play(outcome.level, outcome.silenced, now_ms, words))
        self._try("lamp", lambda: self.lamp.show(outcome.level, outcome.silenced, now_ms))
        if phone is not None:
            self._try("page", lambda: phone.check(now_ms))
        self._ticks += 1
        self.notifier.status(_status(outcome))
        self.notifier.alive(self._ticks, now_ms)

    @property
    def notes(self) -> tuple[str, ...]:
        """What is missing or has failed, for screen and journal."""
        parts = (self.sound.note, self.page.note if self.page is not None else "")
        told = [note for notes in self._troubles.values() for note in notes[:1]]
        return tuple(note for note in (*parts, *self.lamp.notes, *told) if note)

    def close(self) -> None:
        """End every part."""
        self.notifier.stopping()
        for name, part in (("page", self.page), ("feed", self.feed), ("sound", self.sound), ("lamp", self.lamp)):
            if part is not None:
                self._try(name, part.close)
        self.notifier.close()

    def poll(self) -> None:
        """Let viewers in and hand on what viewers, switches and buttons declare; called often, between events."""
        now_ms = self._now_ms()
        marks: list[Mark] = []
        feed = self.feed
        if feed is not None:
            self._try("feed", lambda: marks.extend(feed.poll(now_ms)))
        self._try("lamp", lambda: marks.extend(self.lamp.marks()))
        for mark in marks:
            self._put(replace(mark, t_ms=now_ms))

    def _try(self, name: str, act: Callable[[], object]) -> None:
        troubles = self._troubles.get(name, [])
        if len(troubles) >= MAX_TROUBLES:
            return
        try:
            act()
        except Exception as error:  # a failing output must not stop the drive from being watched and recorded
            self._troubles.setdefault(name, []).append(f"{name}: {type(error).__name__}: {error}"[:160])

    def _noted(self, name: str, make: Callable[[], T]) -> T | None:
        try:
            return make()
        except SetupError as error:
            self._troubles.setdefault(name, []).append(str(error))
            return None


def _status(outcome: Outcome) -> str:
    """One line for `systemctl status`; changes seldom, so that it costs nothing each second."""
    words = view_words.STATUS_REASONS[outcome.status]
    level = "" if outcome.level is Level.UNKNOWN else f"level {outcome.level.word}"
    return "; ".join(each for each in (words, level) if each) or "watching"
