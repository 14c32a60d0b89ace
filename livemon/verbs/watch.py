"""`livemon watch`: read the vehicle, forecast, show, warn, record.

This file only puts the doors together: readers in, sinks out, one loop between them.  A missing adapter, a full disk or
a failing screen is a state that is shown, never the end of the run.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from types import FrameType
from typing import Final

from livemon import __version__
from livemon.core import ignition
from livemon.core.events import Event, Link, Mark, Sample
from livemon.core.ignition import Asking, Ignition, IgnitionSettings
from livemon.core.outcome import Outcome
from livemon.errors import SetupError
from livemon.outputs.feed import Feed, FeedSettings
from livemon.outputs.json_lines import outcome_line
from livemon.outputs.page import Page, PageSettings
from livemon.outputs.recorder import Recorder, RecorderSettings
from livemon.outputs.service import Notifier, ask_power_off
from livemon.outputs.view import View
from livemon.readers.base import LinkSettings, Reader
from livemon.readers.clock import MonotonicClock
from livemon.run import Live, Sink
from livemon.run import run as drive
from livemon.verbs import common

MOST_REMARKS: Final = 20


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    door = parser.add_argument_group("the vehicle")
    door.add_argument("--port", metavar="PATH", help="ELM-style adapter: a serial device, or socket://HOST:PORT")
    door.add_argument("--baud", type=int, metavar="N", help="speed of the port; default: find it")
    door.add_argument("--can", metavar="CHANNEL", help="CAN channel, such as can0")
    door.add_argument("--interface", metavar="NAME", help="python-can interface; default: socketcan")
    door.add_argument("--bitrate", type=int, metavar="N", help="CAN bit rate to set, where the interface can")
    door.add_argument("--listen-only", action="store_true", help="never send on the bus; decode what others ask for")
    door.add_argument("--gps", metavar="PATH", help="GPS receiver, NMEA 0183 over a serial device")
    parser.add_argument("--no-record", action="store_true", help="do not record this drive")
    parser.add_argument("--records", metavar="FOLDER", help="where drives are recorded, over the settings")
    parser.add_argument("--feed", metavar="SOCKET", help="publish on this local socket for `livemon show`")
    common.add_common(parser, view=True)


def run(args: argparse.Namespace) -> int:
    """Until interrupted."""
    force = common.settle(args)
    link = _link(args, force.settings.of(LinkSettings))
    core = force.core()
    clock = MonotonicClock()
    with ExitStack() as open_things:
        notifier = open_things.enter_context(Notifier.from_environment(os.environ))
        recorder = _recorder(args, force)
        open_things.callback(recorder.close)
        readers = _readers(link, clock)
        live = Live(clock.now_ms)
        asker = _Asker(readers[0], force.settings.of(IgnitionSettings), live)
        sinks: list[Sink] = [recorder, asker, _Alive(notifier)]
        remark = _Remarks(args.quiet)
        _feed_and_page(args, force, live, sinks, open_things, clock.now_ms, remark)
        _signals_of(force, live, sinks, open_things, clock.now_ms)
        if args.json:
            sinks.append(_JsonSink())
        elif not args.quiet:
            sinks.append(_console(args, link.port or link.can, force, recorder, live, open_things, clock.now_ms))
        open_things.enter_context(_stopped_by_signals(live))
        for reader in readers:
            reader.start(live.put)
            open_things.callback(reader.stop)
        notifier.ready("watching")
        drive(live.events(), core, sinks, lambda sink, error: remark(f"{type(sink).__name__} failed: {error}"))
        notifier.stopping()
    if recorder.problem:
        remark(recorder.problem)
    return 0


def _link(args: argparse.Namespace, link: LinkSettings) -> LinkSettings:
    """Where the vehicle is, by options over settings; exactly one of port and channel."""
    if args.port is not None or args.can is not None:
        link = replace(link, port=args.port or "", can=args.can or "")
    given = {"baud": args.baud, "interface": args.interface, "bitrate": args.bitrate, "gps": args.gps}
    link = replace(link, **{name: value for name, value in given.items() if value is not None})
    if args.listen_only:
        link = replace(link, listen_only=True)
    if bool(link.port) == bool(link.can):
        found = "both" if link.port else "neither"
        raise SetupError(
            "the vehicle", "either --port PATH or --can CHANNEL", found, "docs/adapters.md and docs/can.md tell more."
        )
    return link


def _readers(link: LinkSettings, clock: MonotonicClock) -> list[Reader]:
    readers: list[Reader] = []
    if link.port:
        from livemon.readers.serial_elm import SerialElm, SerialSettings

        readers.append(SerialElm(SerialSettings(link.port, link.baud), clock))
    else:
        from livemon.readers.can_bus import CanReader
        from livemon.wire.can_talk import CanSettings

        options = {"bitrate": link.bitrate} if link.bitrate else {}
        settings = CanSettings(bitrate=link.bitrate or CanSettings().bitrate, listen_only=link.listen_only)
        readers.append(CanReader(link.can, link.interface, clock=clock, settings=settings, options=options))
    if link.gps:
        from livemon.readers.gps_serial import GpsSerial

        readers.append(GpsSerial(link.gps, clock, link.gps_baud))
    return readers


def _recorder(args: argparse.Namespace, force: common.InForce) -> Recorder:
    settings = force.settings.of(RecorderSettings)
    if args.records is not None:
        settings = replace(settings, folder=args.records)
    if args.no_record:
        settings = replace(settings, on=False)
    return Recorder(settings, force.header())


def _feed_and_page(
    args: argparse.Namespace,
    force: common.InForce,
    live: Live,
    sinks: list[Sink],
    open_things: ExitStack,
    now_ms: Callable[[], int],
    remark: Callable[[str], None],
) -> None:
    """The local socket, and the phone page behind it; both only where settings or options name them."""
    settings = force.settings.of(FeedSettings)
    if args.feed is not None:
        settings = replace(settings, socket=args.feed)
    if not settings.socket:
        return
    try:
        feed = Feed(settings, greeting={"livemon": __version__, "units": force.display.name})
    except SetupError as refused:
        if args.feed is not None:
            raise
        if force.settings.entries["feed.socket"].source != "default":
            remark(f"no viewers can attach: {refused}")  # a drive without viewers is still watched and recorded
        return
    open_things.callback(feed.close)
    live.on_idle(lambda: _put_all(live, feed.poll(now_ms()), now_ms()))
    sinks.append(_FeedSink(feed))
    page_settings = force.settings.of(PageSettings)
    if page_settings.enabled:
        page = Page(page_settings, settings.socket)
        page.start(now_ms())
        open_things.callback(page.close)
        sinks.append(_EachTick(page.check))


def _put_all(live: Live, marks: Iterable[Mark], now_ms: int) -> None:
    for mark in marks:
        live.put(replace(mark, t_ms=now_ms))


def _signals_of(
    force: common.InForce, live: Live, sinks: list[Sink], open_things: ExitStack, now_ms: Callable[[], int]
) -> None:
    """Sound, lamp, buzzer and switches, where the settings switch them on."""
    from livemon.outputs.lamp import Lamp, LampSettings
    from livemon.outputs.sound import Sound, SoundSettings

    sound_settings = force.settings.of(SoundSettings)
    if sound_settings.way != "none":
        sound = Sound(sound_settings)
        open_things.callback(sound.close)
        sinks.append(_Shows(lambda o: sound.play(o.level, o.silenced, o.t_ms, o.advice[0].words if o.advice else "")))
    lamp_settings = force.settings.of(LampSettings)
    if lamp_settings != LampSettings():
        lamp = Lamp(lamp_settings)
        open_things.callback(lamp.close)
        live.on_idle(lambda: _put_all(live, lamp.marks(), now_ms()))
        sinks.append(_Shows(lambda o: lamp.show(o.level, o.silenced, o.t_ms)))


def _console(
    args: argparse.Namespace,
    source: str,
    force: common.InForce,
    recorder: Recorder,
    live: Live,
    open_things: ExitStack,
    now_ms: Callable[[], int],
) -> Sink:
    from livemon.outputs.console import Console

    def recording() -> tuple[str, bool]:
        return (recorder.problem or "recording" if not args.no_record else "not recording"), recorder.problem is None

    console = open_things.enter_context(Console(View(args.view), force.display, source=source, recorder=recording))
    console.listen(live.put, now_ms)
    return console


@contextmanager
def _stopped_by_signals(live: Live) -> Iterator[None]:
    """Interrupt and termination end the drive in order: last row, synced file, terminal restored."""

    def stop(number: int, frame: FrameType | None) -> None:
        live.stop("stopped")

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class _Quiet:
    """A sink that hears nothing it does not ask for."""

    def event(self, event: Event) -> None:
        """Not needed here."""

    def outcome(self, outcome: Outcome) -> None:
        """Not needed here."""


class _JsonSink(_Quiet):
    def outcome(self, outcome: Outcome) -> None:
        sys.stdout.write(outcome_line(outcome))
        sys.stdout.flush()


class _FeedSink(_Quiet):
    def __init__(self, feed: Feed) -> None:
        self._feed = feed

    def outcome(self, outcome: Outcome) -> None:
        from livemon.outputs.feed_line import feed_line

        likely = None if outcome.estimate_c is None else outcome.estimate_c.likely
        self._feed.publish(feed_line(outcome), time_s=outcome.t_ms / 1000.0, estimate_c=likely)


class _Shows(_Quiet):
    def __init__(self, show: Callable[[Outcome], None]) -> None:
        self._show = show

    def outcome(self, outcome: Outcome) -> None:
        self._show(outcome)


class _EachTick(_Quiet):
    def __init__(self, act: Callable[[int], object]) -> None:
        self._act = act

    def outcome(self, outcome: Outcome) -> None:
        self._act(outcome.t_ms)


class _Alive(_Quiet):
    """Feeds the service manager's watchdog, only after a tick went through the core."""

    def __init__(self, notifier: Notifier) -> None:
        self._notifier, self._ticks = notifier, 0

    def outcome(self, outcome: Outcome) -> None:
        self._ticks += 1
        self._notifier.alive(self._ticks, outcome.t_ms)
        coolant = "--" if outcome.coolant_c is None else f"{outcome.coolant_c:.0f} C"
        self._notifier.status(f"{outcome.status.value}, {outcome.level.word}, coolant {coolant}")


class _Asker(_Quiet):
    """Lets the vehicle's computers sleep when the engine is off, and asks for a power-off where that is wished."""

    def __init__(self, reader: Reader, settings: IgnitionSettings, live: Live) -> None:
        self._reader, self._settings, self._live = reader, settings, live
        self._state = Ignition()
        self._asked_off = False

    def event(self, event: Event) -> None:
        if isinstance(event, Sample | Link | Mark):
            self._state = ignition.hear(self._state, event, self._settings)

    def outcome(self, outcome: Outcome) -> None:
        before = self._state.asking
        self._state = ignition.at_tick(self._state, outcome.t_ms, self._settings)
        if self._state.asking is not before:
            ask = getattr(self._reader, "asking", None)
            if ask is not None:
                ask(self._state.asking is Asking.FULL, self._state.asking is Asking.LISTEN)
        if self._state.power_off and not self._asked_off:
            self._asked_off = True
            ask_power_off("")
            self._live.stop("battery low")


class _Remarks:
    """At most so many lines on standard error."""

    def __init__(self, quiet: bool) -> None:
        self._left = 0 if quiet else MOST_REMARKS

    def __call__(self, words: str) -> None:
        if self._left > 0:
            self._left -= 1
            print(f"livemon watch: {words}", file=sys.stderr)
