"""`livemon watch`: read the vehicle, forecast, show, warn, record.

This file only puts the doors together: readers in, sinks out, one loop between them.  A missing adapter, a full disk or
a failing screen is a state that is shown, never the end of the run.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from types import FrameType
from typing import Final

from livemon.core import ignition
from livemon.core.events import Event, Link, Mark, Sample
from livemon.core.ignition import Asking, Ignition, IgnitionSettings
from livemon.core.needle import Needle
from livemon.core.outcome import Outcome
from livemon.core.pipeline import CoreSettings
from livemon.errors import SetupError
from livemon.outputs.cabin import Cabin, CabinSettings
from livemon.outputs.feed import FeedSettings
from livemon.outputs.json_lines import outcome_line
from livemon.outputs.lamp import LampSettings
from livemon.outputs.page import PageSettings
from livemon.outputs.recorder import Recorder, RecorderSettings
from livemon.outputs.service import POWER_OFF_REQUEST, ask_power_off
from livemon.outputs.sound import SoundSettings
from livemon.outputs.view import View
from livemon.readers.base import LinkSettings, Reader
from livemon.readers.clock import MonotonicClock
from livemon.run import Live, Sink
from livemon.run import run as drive
from livemon.verbs import common
from livemon.verbs.check import SEA_LEVEL_M, boiling_findings

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
    parser.add_argument(
        "--feed", metavar="SOCKET", help="publish on this local socket for `livemon show`; none: no feed"
    )
    common.add_common(parser, view=True)


def run(args: argparse.Namespace) -> int:
    """Until interrupted."""
    force = common.settle(args)
    link = _link(args, force.settings.of(LinkSettings))
    core = force.core()
    wrong = before_the_drive(force, core)
    if not args.quiet:
        for finding in wrong:
            print(f"livemon watch: {finding}", file=sys.stderr)
    clock = MonotonicClock()
    source = ", ".join([link.port or link.can, *force.offset_words()])
    remark = _Remarks(hold=not args.quiet and not args.json)
    with ExitStack() as open_things:
        recorder = _recorder(args, force)
        open_things.callback(recorder.close)
        live = Live(clock.now_ms)

        def recording() -> tuple[str, bool]:
            idle = "not recording" if args.no_record else "recording"
            return recorder.problem or idle, recorder.problem is None

        readers = _readers(link, clock)
        gps: Callable[[], str] | None = getattr(readers[-1], "status", None) if link.gps else None
        cabin = _cabin(args, source, force, recording, live, clock.now_ms, gps)
        open_things.callback(cabin.close)
        live.on_idle(cabin.poll)
        sinks: list[Sink] = [recorder, _Asker(readers[0], bool(link.can), force.settings.of(IgnitionSettings), remark)]
        if args.json:
            sinks.append(_JsonSink())
        elif not args.quiet:
            shown = _console(args, source, force, recording, live, clock.now_ms, gps, wrong)
            sinks.append(open_things.enter_context(shown))
        sinks.append(cabin)  # last: the watchdog is fed only after everything else had its turn
        open_things.enter_context(_stopped_by_signals(live))
        for reader in readers:
            reader.start(live.put)
            open_things.callback(reader.stop)
        cabin.ready()
        drive(live.events(), core, sinks, lambda sink, error: remark(_given_up(sink, error)))
    for words in (recorder.problem, *cabin.notes):
        if words:
            remark(words)
    remark.release()
    return 0


def _given_up(sink: Sink, error: Exception) -> str:
    """What no longer goes out; the drive goes on, and so does its recording unless that is what failed."""
    what = next((words for kind, words in OUTPUTS.items() if isinstance(sink, kind)), "the screen")
    return f"{what} is given up until the next start, the drive goes on: {error}"


def before_the_drive(force: common.InForce, core: CoreSettings) -> list[str]:
    """What is wrong with the two lines on this road (without one: at sea level), and why there is no plan of it.

    Told before the screen opens.
    """
    summit_m = SEA_LEVEL_M if force.route is None else float(force.route.height_m.max())
    told = boiling_findings(force, summit_m)
    if force.route is not None and core.planned is None:
        told.append("no plan of the route to compare with: give the air at its foot, such as --outside '36 C'")
    return told


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

        readers.append(SerialElm(SerialSettings(link.port, link.baud, link.follow_device), clock))
    else:
        from livemon.readers.can_bus import CanReader
        from livemon.wire.can_talk import CanSettings

        options = {"bitrate": link.bitrate} if link.bitrate else {}
        settings = CanSettings(
            bitrate=link.bitrate or CanSettings().bitrate,
            listen_only=link.listen_only,
            ask_silent_bus=link.ask_silent_bus,
        )
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


def _cabin(
    args: argparse.Namespace,
    source: str,
    force: common.InForce,
    recording: Callable[[], tuple[str, bool]],
    live: Live,
    now_ms: Callable[[], int],
    gps: Callable[[], str] | None,
) -> Cabin:
    """Feed, phone page, sound, lamp and service manager, as the settings say."""
    of = force.settings.of
    feed = of(FeedSettings)
    if args.feed is not None:
        feed = replace(feed, socket="" if args.feed == "none" else args.feed)
    elif force.settings.entries["feed.socket"].source == "default" and not Path(feed.socket).parent.is_dir():
        feed = replace(feed, socket="")  # not installed as a service: no folder for a socket, and nobody asked for one
    needle = force.settings.entries["needle.points"].text
    settings = CabinSettings(feed, of(PageSettings), of(SoundSettings), of(LampSettings), force.display.name, needle)
    cabin = Cabin(settings, live.put, now_ms, os.environ, source, recording, gps, _outside_typed(force))
    if args.feed is not None and feed.socket and cabin.feed is None:
        cabin.close()
        raise SetupError("--feed", "a path where a socket can be made", args.feed, "; ".join(cabin.notes))
    return cabin


def _outside_typed(force: common.InForce) -> bool:
    return force.settings.entries["drive.outside"].value is not None


def _console(
    args: argparse.Namespace,
    source: str,
    force: common.InForce,
    recording: Callable[[], tuple[str, bool]],
    live: Live,
    now_ms: Callable[[], int],
    gps: Callable[[], str] | None,
    wrong: Sequence[str],
) -> AbstractContextManager[Sink]:
    from livemon.outputs.console import Console

    console = Console(
        View(args.view), force.display, force.settings.of(Needle), source=source, recorder=recording, gps=gps,
        outside_typed=_outside_typed(force), wrong=wrong,
    )  # fmt: skip

    @contextmanager
    def shown() -> Iterator[Sink]:
        with console:
            console.listen(live.put, now_ms)
            yield console

    return shown()


@contextmanager
def _stopped_by_signals(live: Live) -> Iterator[None]:
    """Interrupt, termination and hang-up end the drive in order: last row, synced file, terminal restored.

    A hang-up that whoever started us wants ignored (`nohup`) stays ignored.
    """

    def stop(number: int, frame: FrameType | None) -> None:
        live.stop("stopped")

    numbers = [signal.SIGINT, signal.SIGTERM]
    if signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:
        numbers.append(signal.SIGHUP)
    before = {number: signal.signal(number, stop) for number in numbers}
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


class _Asker(_Quiet):
    """Lets the vehicle's computers sleep when the engine is off, and asks for a power-off where that is wished."""

    def __init__(
        self, reader: Reader, hears_bus: bool, settings: IgnitionSettings, remark: Callable[[str], None]
    ) -> None:
        self._reader, self._settings, self._remark = reader, settings, remark
        self._state = Ignition(hears_bus=hears_bus)
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
            problem = ask_power_off(POWER_OFF_REQUEST)  # the drive goes on until the computer is really shut down
            if problem:
                self._remark(problem)


OUTPUTS: Final[dict[type, str]] = {
    Recorder: "the recording",
    _JsonSink: "standard output",
    _Asker: "rest and power-off with the engine off",
    Cabin: "feed, page, sound and lamp",
}
"""What the owner calls the sinks; any other is the screen's."""


class _Remarks:
    """At most so many lines on standard error: what failed.  Held back while a screen is drawn there."""

    def __init__(self, hold: bool) -> None:
        self._hold = hold
        self._told: list[str] = []

    def __call__(self, words: str) -> None:
        if len(self._told) < MOST_REMARKS:
            self._told.append(words)
            if not self._hold:
                self._print(words)

    def release(self) -> None:
        """The screen is gone: say what was held back."""
        if self._hold:
            for words in self._told:
                self._print(words)

    def _print(self, words: str) -> None:
        print(f"livemon watch: {words}", file=sys.stderr)
