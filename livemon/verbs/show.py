"""`livemon show`: attach a view to a running `watch`, detach and attach again at will; the monitor does not notice.

Draws the newest line of the feed on this terminal.  A monitor that is not there is waited for; one that falls silent
has its figures taken off the screen.  The passenger's keys go to the monitor as marks, if its settings allow.
"""

from __future__ import annotations

import argparse
import contextlib
import signal
import sys
import time
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from livemon.core.events import Mark
from livemon.core.needle import Needle
from livemon.core.units import DISPLAYS
from livemon.errors import SetupError
from livemon.files.forms import Dial
from livemon.outputs.attach import Attached
from livemon.outputs.console import Console
from livemon.outputs.feed import FeedSettings
from livemon.outputs.feed_line import health_of, outcome_of
from livemon.outputs.view import View
from livemon.settings import from_file, settle

WAIT_S: Final = 0.2
MAX_MARKS: Final = 16
GREETING_S: Final = 1.0
"""So long the monitor's units are waited for before the screen is opened in metric ones."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--view", choices=[view.value for view in View], default=View.DRIVER.value, help="who looks")
    parser.add_argument("--socket", metavar="PATH", help=f"the monitor's feed; default: {FeedSettings().socket}")
    parser.add_argument(
        "--settings", type=Path, metavar="FILE", help="the monitor's settings, where they name another feed"
    )
    parser.add_argument("--units", metavar="WORD", help="us or metric; left out: as the monitor's settings say")
    parser.add_argument("--json", action="store_true", help="print the feed's lines as they come, draw nothing")


def run(args: argparse.Namespace) -> int:
    if args.units is not None and args.units not in DISPLAYS:
        raise SetupError("--units", " or ".join(DISPLAYS), repr(args.units))
    attached = Attached(_socket(args))
    with _ended_by_signal():
        try:
            if args.json and not Path(attached.path).is_socket():
                words = f"no monitor at {attached.path} yet: waiting for one. Is `livemon watch` running?"
                print(f"livemon show: {words}", file=sys.stderr, flush=True)
            return _print_lines(attached) if args.json else _draw(attached, View(args.view), args.units)
        except KeyboardInterrupt:
            return 0
        finally:
            attached.detach()


def _socket(args: argparse.Namespace) -> str:
    """The feed as the option or the settings name it."""
    if args.socket is not None:
        return str(args.socket)
    feed = FeedSettings() if args.settings is None else settle(from_file(args.settings)).of(FeedSettings)
    if not feed.socket:
        raise SetupError(f"{args.settings}, feed.socket", "the path of a socket", "none", "Name it with --socket")
    return feed.socket


def _print_lines(attached: Attached) -> int:
    while True:
        for line in attached.wait(WAIT_S):
            sys.stdout.write(line.decode("ascii", "replace") + "\n")
        sys.stdout.flush()


def _draw(attached: Attached, view: View, units: str | None) -> int:
    lines = _first_lines(attached)
    shown = units or attached.greeting.get("units", "")
    marks: deque[Mark] = deque(maxlen=MAX_MARKS)
    needle = _needle(attached.greeting.get("needle", ""))
    with Console(view, DISPLAYS.get(shown, DISPLAYS["metric"]), needle, source="monitor") as console:
        console.listen(marks.append, lambda: 0)
        inputs: tuple[tuple[str, bool], ...] = ()
        while console.failure is None:
            if lines:
                with contextlib.suppress(ValueError):  # a line of another version: the silence will be seen
                    outcome, health = outcome_of(lines[-1]), health_of(lines[-1])
                    if health is not None and health.inputs != inputs:
                        inputs = health.inputs
                        console.event(Mark(outcome.t_ms, inputs))  # the keys toggle what is really declared
                    console.show(outcome, health)
            while marks:
                mark = marks.popleft()
                attached.declare(inputs=dict(mark.inputs), note=mark.note)
            lines = attached.wait(WAIT_S)
    sys.stderr.write(f"livemon show: the terminal failed: {console.failure}\n")
    return 1


def _needle(points: str) -> Needle:
    """The dial of the monitor's settings; the usual one where it tells none, or one of another version."""
    try:
        return Needle(Dial().read(points))
    except ValueError:
        return Needle()


def _first_lines(attached: Attached) -> list[bytes]:
    """Wait shortly for the greeting, which tells the units."""
    until_s = time.monotonic() + GREETING_S
    while not attached.greeting and time.monotonic() < until_s:
        lines = attached.wait(WAIT_S)
        if lines:
            return lines
    return []


@contextlib.contextmanager
def _ended_by_signal() -> Iterator[None]:
    """The service manager's SIGTERM ends a viewer like Ctrl-C does."""

    def end(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
