"""A view on a terminal: only changed lines are written, nothing waits for the terminal, and it is left as it was found.

A screen that is blocked or gone costs frames, never the recording: writes do not block, and no failure leaves `show`.
What stands on the screen is taken back when no outcome comes any more, so that an old figure is never left looking
live.  Where the output is no terminal, plain lines are printed through rich, at each change of level and each minute.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import select
import signal
import sys
import termios
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from types import FrameType, TracebackType
from typing import Any, Final, TextIO

from rich.color import ColorSystem
from rich.console import Console as RichConsole

from livemon.core.events import Event, Mark
from livemon.core.outcome import Level, Outcome, Status
from livemon.core.units import METRIC, Display
from livemon.outputs import view, view_health, view_words
from livemon.outputs.console_colours import paint
from livemon.outputs.console_keys import Declared, Keys
from livemon.outputs.view import Health, Needle, Screen, Trend, View

SILENT_S: Final = 4.0
"""No outcome for so long: the figures are taken off the screen."""
PLAIN_EACH_S: Final = 60
PLAIN_LINK_S: Final = 5
"""A link that comes and goes is told at most so often."""
_POLL_S: Final = 0.1
_ENTER: Final = "\x1b[?1049h\x1b[?7l\x1b[?25l\x1b[0m\x1b[2J\x1b[H"
_LEAVE: Final = "\x1b[0m\x1b[2J\x1b[H\x1b[?25h\x1b[?7h\x1b[?1049l"
_SYSTEMS: Final[dict[str | None, ColorSystem | None]] = {
    None: None,
    "standard": ColorSystem.STANDARD,
    "256": ColorSystem.EIGHT_BIT,
    "truecolor": ColorSystem.TRUECOLOR,
    "windows": ColorSystem.STANDARD,
}


class Console:
    """Context manager; a sink for events and outcomes.  `keys` or `listen` give what the passenger declares."""

    def __init__(
        self,
        who: View,
        units: Display = METRIC,
        needle: Needle | None = None,
        source: str = "",
        recorder: Callable[[], tuple[str, bool]] | None = None,
        output: TextIO | None = None,
        keyboard: TextIO | None = None,
        silent_s: float = SILENT_S,
        gps: Callable[[], str] | None = None,
        outside_typed: bool = False,
        wrong: Sequence[str] = (),
        recorded: bool = False,
    ) -> None:
        """`recorded`: a recording is played; what was declared is shown, and no key changes it."""
        self._who, self._units, self._needle = who, units, needle or Needle()
        self._source, self._recorder, self._silent_s, self._gps = source, recorder, silent_s, gps
        self._outside_typed, self._wrong, self._recorded = outside_typed, tuple(wrong), recorded
        self._output = output or sys.stdout
        self._keyboard = keyboard or sys.stdin
        self._rich = RichConsole(file=self._output, highlight=False, markup=False, soft_wrap=True)
        self.on_terminal = self._output.isatty() and not self._rich.is_dumb_terminal
        self._system = _SYSTEMS.get(self._rich.color_system, ColorSystem.STANDARD)
        if self._rich.no_color:
            self._system = None
        self._utf8 = (self._output.encoding or "ascii").lower().replace("-", "") == "utf8"
        self.failure: str | None = None
        """Why nothing is shown any more; None while all is well."""
        self._lock = threading.RLock()
        self._fd = -1
        self._opened = False
        self._before: list[Any] | None = None
        self._handlers: dict[int, Any] = {}
        self._shown: tuple[str, ...] = ()
        self._size = (0, 0)
        self._unsent = b""
        self._keys = Keys(only_silence=who is View.DRIVER)
        self._trend, self._heard = Trend(), view_health.Heard()
        self._outcome: Outcome | None = None
        self._health: Health | None = None
        self._came_s = self._began_s = 0.0
        self._plain: tuple[Level | None, int, str] = (None, 0, "")
        self._closing = threading.Event()
        self._listener: threading.Thread | None = None

    # -- coming and going ------------------------------------------------------------------------------------------

    def __enter__(self) -> Console:
        self._began_s = time.monotonic()
        if not self.on_terminal:
            self._rich.print(f"livemon: {' '.join(view_words.CAUTION_WHOLE)}")
            return self
        self._open()
        atexit.register(self._restore)
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGTERM, signal.SIGHUP):
                self._handlers[number] = signal.signal(number, self._on_signal)
        self._paint(self._start_screen())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self._closing.set()
        if self._listener is not None and self._listener is not threading.current_thread():
            self._listener.join(timeout=2.0)
        for number, handler in self._handlers.items():
            with contextlib.suppress(ValueError):
                signal.signal(number, handler if handler is not None else signal.SIG_DFL)
        self._handlers.clear()
        self._restore()
        atexit.unregister(self._restore)

    def _open(self) -> None:
        """An own way to the same terminal, so that writing without waiting does not change anybody else's."""
        try:
            self._fd = os.open(os.ttyname(self._output.fileno()), os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError as error:
            self._fail(f"cannot open the terminal: {error}")
            return
        self._opened = True
        self._take_keyboard()
        self._send(_ENTER)

    def _take_keyboard(self) -> None:
        """Keys one by one, unseen; Ctrl-C still interrupts, Ctrl-S and Ctrl-Z no longer freeze the screen."""
        with contextlib.suppress(OSError, ValueError, termios.error):
            fd = self._keyboard.fileno()
            if not os.isatty(fd) or os.tcgetpgrp(fd) != os.getpgrp():
                return
            before = termios.tcgetattr(fd)
            now = [*before[:6], list(before[6])]
            now[0] &= ~termios.IXON
            now[3] &= ~(termios.ICANON | termios.ECHO)
            now[6][termios.VMIN], now[6][termios.VTIME] = 1, 0
            now[6][termios.VSUSP] = os.fpathconf(fd, "PC_VDISABLE").to_bytes(1, "little")
            termios.tcsetattr(fd, termios.TCSANOW, now)
            self._before = before

    def _restore(self) -> None:
        """Leave the terminal as it was found; safe to call twice, from a signal, and after a failure."""
        if self._before is not None:
            with contextlib.suppress(OSError, ValueError, termios.error):
                termios.tcsetattr(self._keyboard.fileno(), termios.TCSANOW, self._before)
            self._before = None
        if not self._opened:
            return
        self._opened = False
        with contextlib.suppress(OSError):
            # Here a short wait is right: a terminal that takes nothing for half a second is not one to be restored.
            data = _LEAVE.encode()
            while data and select.select([], [self._fd], [], 0.5)[1]:
                data = data[os.write(self._fd, data) :]
        with contextlib.suppress(OSError):
            os.close(self._fd)

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        self._restore()
        before = self._handlers.get(number)
        if callable(before):
            before(number, frame)
        elif before is not signal.SIG_IGN:
            signal.signal(number, signal.SIG_DFL)
            os.kill(os.getpid(), number)

    # -- what is shown ---------------------------------------------------------------------------------------------

    def event(self, event: Event) -> None:
        """Follow the state of the data."""
        with self._lock:
            self._heard = view_health.hear(self._heard, event)

    def outcome(self, outcome: Outcome) -> None:
        """Show this second, with the state of the data as the events told it."""
        recorder = self._recorder() if self._recorder is not None else None
        gps = self._gps() if self._gps is not None else ""
        health = view_health.health(
            self._heard, outcome.t_ms, self._source, recorder, gps, outside_typed=self._outside_typed
        )
        self.show(outcome, replace(health, recorded=self._recorded))

    def show(self, outcome: Outcome, health: Health | None = None) -> None:
        """Show this second.  Never raises and never waits: a display that fails is given up, and says why."""
        if self.failure is not None:
            return
        with self._lock:
            try:
                self._trend = view.remember(self._trend, outcome)
                self._outcome, self._health, self._came_s = outcome, health, time.monotonic()
                if self.on_terminal:
                    self._repaint()
                else:
                    self._print(outcome, health)
            except Exception as error:  # whatever breaks in a display, the drive is still recorded
                self._fail(f"{type(error).__name__}: {error}")

    def _fail(self, why: str) -> None:
        self.failure = why
        self._restore()

    def _columns_rows(self) -> tuple[int, int]:
        try:
            size = os.get_terminal_size(self._fd)
        except OSError:
            return 80, 24
        return (size.columns, size.lines) if size.columns > 0 and size.lines > 0 else (80, 24)

    def _start_screen(self) -> Screen:
        columns, rows = self._columns_rows()
        second = int(time.monotonic() - self._began_s)
        status = self._outcome.status if self._outcome is not None else Status.STARTING
        state = f"{self._source} {view_words.STATUS_REASONS[status] or 'ready'}".strip()
        if self._health is not None and self._health.link not in ("", "up", "down: starting"):
            state = self._health.link.removeprefix("down: ")  # names the port, and says what is wrong with it
            if len(state) > columns - 2:
                state = state.partition(": ")[2] or state
        return view.start_screen(columns, rows, second, state, self._wrong)

    def _repaint(self) -> None:
        columns, rows = self._columns_rows()
        outcome = self._outcome
        shown_s = time.monotonic() - self._began_s
        starting = shown_s < view.start_seconds(columns, rows, self._wrong)
        if outcome is None or (starting and outcome.level < Level.CAUTION):
            self._paint(self._start_screen())
            return
        silent_s = time.monotonic() - self._came_s
        if silent_s > self._silent_s:
            outcome = view.frozen(outcome, silent_s)
        self._paint(
            view.render(
                self._who, outcome, columns, rows, self._units, self._health, self._trend, self._needle, self._keys.note
            )
        )

    def _paint(self, screen: Screen) -> None:
        """Write the lines that changed; after a change of size, everything."""
        if not self._opened:
            return
        lines = tuple(paint(line, self._system, self._utf8) for line in screen.lines)
        parts = []
        before = self._shown
        if (screen.columns, screen.rows) != self._size or len(before) != len(lines):
            parts.append("\x1b[0m\x1b[2J")
            before = ("",) * len(lines)
        for row, (old, new) in enumerate(zip(before, lines, strict=True)):
            if old != new:
                parts.append(f"\x1b[{row + 1};1H{new}")
        if self._send("".join(parts)):
            self._shown, self._size = lines, (screen.columns, screen.rows)

    def _send(self, text: str) -> bool:
        """Write without waiting; False if the frame was dropped because the last one has not been taken yet."""
        try:
            if self._unsent:
                self._unsent = self._unsent[os.write(self._fd, self._unsent) :]
                if self._unsent:
                    return False
            data = text.encode("utf-8" if self._utf8 else "ascii", "replace")
            if data:
                self._unsent = data[os.write(self._fd, data) :]
        except BlockingIOError:
            return False
        return True

    def _print(self, outcome: Outcome, health: Health | None) -> None:
        """No terminal: a line when the level changes, soon after the link does, and each minute."""
        level, t_ms, before = self._plain
        link = health.link if health is not None else ""
        each_s = PLAIN_EACH_S if link == before else PLAIN_LINK_S
        if level is outcome.level and outcome.t_ms - t_ms < each_s * 1000:
            return
        self._plain = (outcome.level, outcome.t_ms, link)
        self._rich.print(view.plain_line(outcome, self._units, health))

    # -- what is pressed -------------------------------------------------------------------------------------------

    def keys(self) -> list[Mark]:
        """What was declared by keys since the last call, at time 0 (the caller knows the time).  Never waits."""
        marks = [Mark(0, inputs, note) for inputs, note in self._read_keys()]
        for mark in marks:
            self.event(mark)
        return marks

    def _read_keys(self) -> list[Declared]:
        if self._before is None or self.failure is not None:
            return []
        try:
            fd = self._keyboard.fileno()
            if not select.select([fd], [], [], 0)[0]:
                return []
            data = os.read(fd, 256)
        except (OSError, ValueError):
            return []
        silenced = self._outcome.silenced if self._outcome is not None else False
        return self._keys.feed(data, self._heard.declared, silenced)

    def listen(self, put: Callable[[Mark], None], now_ms: Callable[[], int]) -> None:
        """Read keys in a thread of its own and hand the marks to `put`; it repaints on resize and silence too."""

        def loop() -> None:
            while not self._closing.wait(_POLL_S) and self.failure is None:
                note = self._keys.note
                marks = self.keys()
                for mark in marks:
                    put(replace(mark, t_ms=now_ms()))
                resized = self._columns_rows() != self._size
                silent = self._outcome is None or time.monotonic() - self._came_s > self._silent_s
                if marks or note != self._keys.note or resized or silent:
                    self._again()

        if self.on_terminal and self.failure is None:
            self._listener = threading.Thread(target=loop, name="keys", daemon=True)
            self._listener.start()

    def _again(self) -> None:
        """Paint what is known once more, with the latest keys and size."""
        with self._lock:
            if self._health is not None:
                self._health = replace(self._health, inputs=tuple(self._heard.declared.items()))
            try:
                self._repaint()
            except Exception as error:  # as in show
                self._fail(f"{type(error).__name__}: {error}")
