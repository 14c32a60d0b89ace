"""`livemon replay LOG...`: the same pipeline as `watch` over recorded logs and bus captures, flat out or at a pace.

Output goes to standard output (JSON lines, or a summary in words), remarks and progress to standard error.  Settings
are those of each log's own header unless others are given.
"""

from __future__ import annotations

import argparse
import math
import shutil
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Final, Protocol

from livemon.core.events import Event, Mark, Sample, Tick
from livemon.core.grid import on_grid
from livemon.core.needle import Needle
from livemon.core.outcome import Level, Outcome
from livemon.core.units import Display
from livemon.errors import LivemonError, NoDataError, SetupError, printable
from livemon.outputs.console import Console
from livemon.outputs.json_lines import outcome_line, summary_line
from livemon.outputs.summary import Tally
from livemon.outputs.summary_text import clock, summary_text
from livemon.outputs.view import Health, Trend, View, remember, render
from livemon.outputs.view_health import Heard, hear
from livemon.readers.log_file import LogFile, looks_like_log
from livemon.run import Sink, rerun
from livemon.run import run as drive
from livemon.verbs.common import InForce, add_common, settle

PROGRESS_EACH_MS: Final = 5_000
"""The bar moves each so many milliseconds of the log."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("logs", nargs="+", type=Path, metavar="LOG", help="a drive in the log form, or a bus capture")
    parser.add_argument(
        "--pace", type=float, metavar="X", help="1 = real time, 10 = ten times as fast; default: flat out"
    )
    add_common(parser, view=True)


class Source(Protocol):
    """A recording of either kind."""

    @property
    def skipped(self) -> Mapping[str, int]: ...

    def events(self) -> Iterator[Event]: ...


def run(args: argparse.Namespace) -> int:
    """One log after the other; one that cannot be used is told of, and the others still run."""
    if args.pace is not None and not 0 < args.pace < 1e6:
        raise SetupError("--pace", "a number above 0 and under 1000000 (1 = real time)", f"{args.pace:g}")
    status = 0
    for path in args.logs:
        try:
            _one(path, args)
        except KeyboardInterrupt:
            if args.pace is None:
                raise
            return status  # whoever watched has seen enough
        except LivemonError as error:
            if len(args.logs) == 1:
                raise
            print(f"livemon replay: {printable(str(error))}", file=sys.stderr)
            status = max(status, error.exit_status)
    return status


def _one(path: Path, args: argparse.Namespace) -> None:
    source = open_recording(path)
    header = source.metadata if isinstance(source, LogFile) else None
    in_force = settle(args, header, str(path))
    remarks = list(in_force.remarks)
    if isinstance(source, LogFile) and source.unknown:
        remarks.append(f"{path}: unknown columns are left out: {printable(', '.join(source.unknown[:20]))}")
    if not args.quiet:
        for remark in remarks:
            print(f"livemon replay: {remark}", file=sys.stderr)
    core = in_force.core()
    tally, seen, screen = Tally(), _Seen(), _Moment()
    sinks: list[Sink] = [tally, seen, _JsonSink(at_once=args.pace is not None) if args.json else screen]
    stream: Iterator[Event] = on_grid(source.events())
    if args.pace is not None:
        stream = paced(stream, args.pace, time.monotonic, time.sleep)
    with ExitStack() as open_things:
        played = _played(args, in_force)
        if played is not None:
            open_things.enter_context(played)
            sinks.append(played)
        elif not args.quiet and (args.pace is not None or sys.stderr.isatty()):
            stream = _with_progress(stream, path, source)
        (rerun if args.pace is None else drive)(stream, core, sinks)
    if not seen.coolant:
        counts = ", ".join(f"{reason} {n}" for reason, n in sorted(source.skipped.items())) or "none"
        raise NoDataError(
            f"{path}: expected coolant readings, found none in {seen.samples} samples (skipped: {counts}). "
            + ("docs/log-form.md says what a row may hold" if source.skipped else "Was the vehicle asked for PID 05?")
        )
    rows = source.rows if isinstance(source, LogFile) else seen.samples
    summary = tally.summary(rows, source.skipped)
    if args.json:
        sys.stdout.write(summary_line(summary, str(path) if len(args.logs) > 1 else None))
        return
    if screen.shown is not None and not args.quiet:
        size = shutil.get_terminal_size((80, 24))
        sys.stdout.write(screen.text(View(args.view), size.columns, size.lines - 10, in_force.display))
    sys.stdout.write(summary_text(str(path), summary, core.limit_c, in_force.display))


def open_recording(path: Path) -> Source:
    """A log, or a bus capture where the first line is not that of a log."""
    if not looks_like_log(path):
        from livemon.readers.capture import Capture, is_capture  # python-can costs time that a log need not pay

        if path.is_file() and is_capture(path):
            return Capture(path)
    return LogFile(path)


class _Seen:
    """Counts what came in, for the message when nothing of use did."""

    def __init__(self) -> None:
        self.samples = self.coolant = 0

    def event(self, event: Event) -> None:
        if isinstance(event, Sample):
            self.samples += 1
            self.coolant += any(name == "coolant_c" for name, _ in event.readings)

    def outcome(self, outcome: Outcome) -> None:
        """Counted elsewhere."""


class _Moment:
    """Keeps the moment worth showing at the end: the first caution or warning, else the last reading."""

    def __init__(self) -> None:
        self.shown: Outcome | None = None
        self._trend_then = self._trend = Trend()
        self._heard = Heard()

    def event(self, event: Event) -> None:
        """What was declared, lamp and codes up to then; rates and link are of no use in a still picture."""
        if self.shown is not None and self.shown.level >= Level.CAUTION:
            return
        told = isinstance(event, Mark)
        if isinstance(event, Sample):
            told = event.codes is not None or any(name == "mil" for name, _ in event.readings)
        if told:
            self._heard = hear(self._heard, event)

    def outcome(self, outcome: Outcome) -> None:
        self._trend = remember(self._trend, outcome)
        if self.shown is not None and self.shown.level >= Level.CAUTION:
            return
        if outcome.level >= Level.CAUTION or outcome.coolant_c is not None or self.shown is None:
            self.shown, self._trend_then = outcome, self._trend

    def text(self, view: View, columns: int, rows: int, units: Display) -> str:
        """The screen as it stood then."""
        assert self.shown is not None  # asked for only after an outcome
        heard = self._heard
        health = Health(mil=heard.mil, codes=heard.codes, inputs=tuple(heard.declared.items()), recorded=True)
        screen = render(view, self.shown, max(columns, 40), max(rows, 12), units, health, self._trend_then)
        when = "the first caution" if self.shown.level >= Level.CAUTION else "the last reading"
        return f"as it stood at {when}, {clock(self.shown.t_ms / 1000)}:\n\n{screen.text()}\n"


def _played(args: argparse.Namespace, in_force: InForce) -> Console | None:
    """The screen of `watch`, where a pace is kept and there is a terminal to look on."""
    if args.pace is None or args.json or args.quiet:
        return None
    console = Console(
        View(args.view),
        in_force.display,
        in_force.settings.of(Needle),
        source=f"RECORDING at {args.pace:g} x",  # where a port would stand: no screen of it is taken for a drive
        silent_s=math.inf,
        recorded=True,
    )
    return console if console.on_terminal else None


class _JsonSink:
    """One line a second on standard output; `at_once` for a reader that follows in real time."""

    def __init__(self, *, at_once: bool) -> None:
        self._at_once = at_once

    def event(self, event: Event) -> None:
        """Events stand in the log already."""

    def outcome(self, outcome: Outcome) -> None:
        sys.stdout.write(outcome_line(outcome))
        if self._at_once:
            sys.stdout.flush()


def paced(
    events: Iterable[Event], speed: float, now_s: Callable[[], float], sleep_s: Callable[[float], None]
) -> Iterator[Event]:
    """`events`, each held back until its time of the log has passed at `speed` times real time.

    Held against the start, not against the event before, so that delays do not add up.
    """
    origin: float | None = None
    for event in events:
        at = event.t_ms / 1000.0 / speed
        if origin is None:
            origin = now_s() - at
        wait = origin + at - now_s()
        if wait > 0:
            sleep_s(wait)
        yield event


def _with_progress(events: Iterable[Event], path: Path, source: Source) -> Iterator[Event]:
    """`events` with a bar on standard error; of a bus capture only the time of the log is known."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.fields[at]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(path.name, total=1.0 if isinstance(source, LogFile) else None, at="0:00")
        for event in events:
            if isinstance(event, Tick) and event.t_ms % PROGRESS_EACH_MS == 0:
                share = source.share_read if isinstance(source, LogFile) else 0.0
                bar.update(task, completed=share, at=clock(event.t_ms / 1000))
            yield event
