"""The console on real pseudo-terminals, read back by a terminal emulator (pyte), and its way out in every ending."""

from __future__ import annotations

import contextlib
import fcntl
import io
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pyte
import pytest
from rich.color import ColorSystem

from livemon.core.events import Sample
from livemon.core.outcome import Level, Status
from livemon.core.units import METRIC
from livemon.outputs import view
from livemon.outputs.console import Console
from livemon.outputs.console_colours import paint
from livemon.outputs.console_keys import MOST_NOTE, Keys
from livemon.outputs.view import Health, View
from livemon.outputs.view_canvas import Look, Span, Tone
from tests.outputs.scenes import CAUTION, LOST_HOT, NORMAL, SCENES, WARNING

ROOT = Path(__file__).resolve().parents[2]


class Terminal:
    """A pseudo-terminal of a given size with an emulator on our side of it."""

    def __init__(self, columns: int, rows: int) -> None:
        self.master, self.slave = pty.openpty()
        self.screen = pyte.Screen(columns, rows)
        self.stream = pyte.ByteStream(self.screen)
        self.resize(columns, rows)
        self.raw = b""

    def resize(self, columns: int, rows: int) -> None:
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.screen.resize(rows, columns)

    def read(self, wait_s: float = 0.0) -> bytes:
        """What has been written since; waits at most `wait_s` for the first of it."""
        data = b""
        while select.select([self.master], [], [], wait_s if not data else 0.05)[0]:
            try:
                piece = os.read(self.master, 65536)
            except OSError:  # the other side is closed
                break
            if not piece:
                break
            data += piece
        self.raw += data
        self.stream.feed(data)
        return data

    def wait_for(self, text: str, within_s: float = 10.0) -> None:
        until = time.monotonic() + within_s
        while text not in self.text():
            assert time.monotonic() < until, f"never saw {text!r}:\n{self.text()}"
            self.read(0.1)

    def text(self) -> str:
        return "\n".join(line.rstrip() for line in self.screen.display) + "\n"


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    it = Terminal(40, 12)
    yield it
    for fd in (it.master, it.slave):
        with contextlib.suppress(OSError):
            os.close(fd)


@contextlib.contextmanager
def console(
    it: Terminal,
    monkeypatch: pytest.MonkeyPatch,
    who: View = View.DRIVER,
    term: str = "xterm-256color",
    encoding: str = "utf-8",
) -> Iterator[Console]:
    """A console in this process, on the terminal; without its start screen."""
    monkeypatch.setenv("TERM", term)
    for name in ("NO_COLOR", "FORCE_COLOR", "COLORTERM", "COLUMNS", "LINES"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(view, "start_seconds", lambda columns, rows, wrong: 0)
    with open(os.dup(it.slave), "w", encoding=encoding) as output, Console(who, METRIC, output=output) as shown:
        yield shown


@pytest.mark.parametrize(
    ("size", "term"),
    [(size, "linux") for size in ((20, 6), (40, 12), (60, 20), (80, 24), (100, 30))] + [((40, 12), "xterm-256color")],
)
def test_the_terminal_shows_what_the_view_says(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch, size: tuple[int, int], term: str
) -> None:
    terminal.resize(*size)
    with console(terminal, monkeypatch, term=term) as shown:
        for outcome in SCENES.values():
            shown.show(outcome)
            terminal.read()
            assert terminal.text() == view.render(View.DRIVER, outcome, *size).text()
    assert shown.failure is None


def test_only_changed_lines_are_written(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    with console(terminal, monkeypatch) as shown:
        shown.show(CAUTION)
        terminal.read()
        shown.show(CAUTION)
        assert terminal.read() == b"", "nothing changed, nothing is written"
        shown.show(replace(CAUTION, age_s=3.0))
        data = terminal.read()
        assert re.findall(rb"\x1b\[(\d+);1H", data) == [b"1"]
        assert b"\x1b[2J" not in data


def test_sixteen_colours_on_the_linux_console(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    with console(terminal, monkeypatch, View.PASSENGER, term="linux") as shown:
        for outcome in SCENES.values():
            shown.show(outcome)
        codes = {int(c) for found in re.findall(rb"\x1b\[([\d;]+)m", terminal.read()) for c in found.split(b";")}
    assert codes <= {0, 1, *range(30, 38), *range(40, 48)}
    assert {31, 33, 43} <= codes


def test_other_terminals_get_the_full_palette(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    with console(terminal, monkeypatch) as shown:
        monkeypatch.setattr(shown, "_system", ColorSystem.TRUECOLOR)
        shown.show(CAUTION)
        assert b"48;2;230;159;0" in terminal.read(), "Okabe-Ito E69F00 as ground of the first row"


def test_without_colour_bars_and_figures_are_reversed() -> None:
    bar = paint((Span("CAUTION", Tone.CAUTION, Look.BAR),), None, utf8=True)
    assert "CAUTION" in bar
    solid = paint((Span("█", Tone.CAUTION, Look.SOLID),), None, utf8=False)
    assert "█" not in solid


def test_ascii_terminal_gets_ascii(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    with console(terminal, monkeypatch, View.PASSENGER, encoding="ascii") as shown:
        for outcome in SCENES.values():
            shown.show(outcome)
        assert terminal.read().isascii()


def test_resize_repaints_everything(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    with console(terminal, monkeypatch) as shown:
        shown.show(CAUTION)
        terminal.read()
        terminal.resize(60, 20)
        shown.show(CAUTION)
        terminal.read()
        assert terminal.text() == view.render(View.DRIVER, CAUTION, 60, 20).text()


def test_start_screen_stands_first_but_yields_to_a_caution(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    with console(terminal, monkeypatch) as shown:
        monkeypatch.setattr(view, "start_seconds", lambda columns, rows, wrong: 60)
        shown.show(NORMAL)
        terminal.read()
        assert "Estimates only. Of dash gauge" in terminal.text()
        shown.show(CAUTION)
        terminal.read()
        assert "CAUTION" in terminal.text()


def test_terminal_is_left_as_it_was_found(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    before = termios.tcgetattr(terminal.slave)
    with console(terminal, monkeypatch) as shown:
        shown.show(CAUTION)
    data = terminal.read()
    assert data.endswith(b"\x1b[?25h\x1b[?7h\x1b[?1049l")
    assert not terminal.text().strip()
    assert termios.tcgetattr(terminal.slave) == before


def test_failing_display_never_stops_the_rest(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("made to fail")

    with console(terminal, monkeypatch) as shown:
        monkeypatch.setattr(view, "render", broken)
        shown.show(CAUTION)
        assert shown.failure == "ZeroDivisionError: made to fail"
        assert terminal.read().endswith(b"\x1b[?1049l"), "given back at once"
        shown.show(CAUTION)


def test_vanished_terminal_never_stops_the_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    it = Terminal(40, 12)
    with console(it, monkeypatch) as shown:
        shown.show(CAUTION)
        os.close(it.master)
        shown.show(WARNING)
        shown.show(CAUTION)
        assert shown.failure is not None
    os.close(it.slave)


def test_no_terminal_gives_plain_lines_at_changes_and_each_minute() -> None:
    out = io.StringIO()
    with Console(View.DRIVER, METRIC, output=out) as shown:
        for second in range(130):
            shown.show(replace(NORMAL if second < 65 else CAUTION, t_ms=1000 * second))
        shown.show(replace(LOST_HOT, level=Level.WARNING, t_ms=131_000))
    lines = out.getvalue().splitlines()
    assert "a warning lamp always wins" in lines[0]
    assert [line.split(";")[0] for line in lines[1:]] == [
        "0:00:00 NORMAL",
        "0:01:00 NORMAL",
        "0:01:05 CAUTION",
        "0:02:05 CAUTION",
        "0:02:11 WARNING",
    ]
    assert "\x1b" not in out.getvalue()
    assert shown.failure is None


def test_what_is_wrong_with_the_port_is_told_before_the_drive(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    busy = Health(link="down: port /dev/ttyUSB0: in use by another program")
    waiting = replace(NORMAL, status=Status.STARTING, level=Level.UNKNOWN)
    with console(terminal, monkeypatch) as shown:
        monkeypatch.setattr(view, "start_seconds", lambda columns, rows, wrong: 60)
        shown.show(waiting, busy)
        terminal.read()
        assert terminal.text().splitlines()[-1] == " in use by another program"
    out = io.StringIO()
    with Console(View.DRIVER, METRIC, output=out) as shown:
        for second in range(12):
            shown.show(replace(waiting, t_ms=1000 * second), busy if second % 2 else Health(link="down: starting"))
    assert [line.split(";")[0] for line in out.getvalue().splitlines()[1:]] == [
        "0:00:00 STARTING", "0:00:05 STARTING", "0:00:10 STARTING",
    ], "a reason that comes and goes is no flood"  # fmt: skip
    assert "in use by another program" in out.getvalue()


# -- a program of its own on a terminal of its own ------------------------------------------------------------------


@pytest.mark.parametrize(("who", "words"), [("driver", "OVER limit"), ("passenger", "as recorded")])
def test_a_recording_is_played_on_the_screens_of_the_drive(terminal: Terminal, who: str, words: str) -> None:
    """The caution ends the start screen; the summary comes after the terminal is back."""
    terminal.resize(80, 24)
    log = ROOT / "replay" / "pass-crosses-limit" / "log.csv"
    command = [sys.executable, "-m", "livemon", "replay", str(log), "--pace", "400", "--view", who]
    played = subprocess.Popen(
        command, cwd=ROOT, stdout=terminal.slave, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    with played:
        terminal.wait_for("lead ", within_s=60.0)
        assert played.stderr is not None
        assert played.stderr.read() == b"", "no bar beside the screen"
        assert played.wait(30) == 0
    screens, after = terminal.raw.split(b"\x1b[?1049l")
    assert words.encode() in screens
    assert b"RECORDING at 400 x" in screens
    assert b"as it stood at the first caution" in after


@contextlib.contextmanager
def child(it: Terminal, how: str, who: str = "passenger") -> Iterator[subprocess.Popen[bytes]]:
    """The program with the terminal as its controlling one, as a shell would start it."""

    def controlling() -> None:
        os.setsid()
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)

    env = {"PATH": os.environ["PATH"], "TERM": "linux", "PYTHONUTF8": "1", "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.outputs.console_child", how, who],
        cwd=ROOT, env=env, stdin=it.slave, stdout=it.slave, stderr=it.slave, preexec_fn=controlling,
    )  # fmt: skip
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


def test_keys_declare_and_the_screen_follows(terminal: Terminal) -> None:
    terminal.resize(80, 24)
    with child(terminal, "lively") as process:
        terminal.wait_for("/!\\ CAUTION")
        os.write(terminal.master, b"ahs\x1b[A")
        terminal.wait_for("a A/C:on  h heater:on")
        os.write(terminal.master, b"a")
        terminal.wait_for("a A/C:off")
        os.write(terminal.master, b"ngrille cleanedX\x7f")
        terminal.wait_for("note: grille cleaned_")
        os.write(terminal.master, b"\rnend\r")
        terminal.wait_for("failure None")
        assert process.wait(10) == 0
    assert "(7, (('ac_on', True),), None), (7, (('heater_on', True),), None), (7, (('silenced', True),), None)" in (
        terminal.raw.decode().replace("\r\n", "")
    )
    assert "'grille cleaned'" in terminal.raw.decode()


def test_driver_can_only_silence(terminal: Terminal) -> None:
    with child(terminal, "lively", "driver") as process:
        terminal.wait_for("/!\\ CAUTION")
        os.write(terminal.master, b"ahfnend\rs")
        time.sleep(0.5)
        process.send_signal(signal.SIGINT)
        assert process.wait(10) != 0, "Ctrl-C still interrupts"
    assert "KeyboardInterrupt" in terminal.raw.decode() + terminal.read(1.0).decode()


def test_no_news_takes_the_figures_off_and_resize_is_followed(terminal: Terminal) -> None:
    with child(terminal, "silent", "driver"):
        terminal.wait_for("min to limit")
        terminal.wait_for("NO DATA")
        assert "min to limit" not in terminal.text()
        assert "WATCH THE DASH GAUGE" in terminal.text()
        terminal.resize(60, 20)
        terminal.wait_for("> WATCH THE DASH GAUGE")
        until = time.monotonic() + 5
        while terminal.text().count("\n") != 20 or "Estimates only" not in terminal.text().splitlines()[19]:
            assert time.monotonic() < until, terminal.text()
            terminal.read(0.1)


@pytest.mark.parametrize("ending", ["crash", "terminated", "hung up"])
def test_terminal_is_restored_after(terminal: Terminal, ending: str) -> None:
    before = termios.tcgetattr(terminal.slave)
    with child(terminal, "crash" if ending == "crash" else "lively") as process:
        if ending != "crash":
            terminal.wait_for("/!\\ CAUTION")
            assert termios.tcgetattr(terminal.slave) != before, "keys come one by one"
            process.send_signal(signal.SIGTERM if ending == "terminated" else signal.SIGHUP)
        status = process.wait(10)
    terminal.read(0.5)
    assert status == {"crash": 1, "terminated": -signal.SIGTERM, "hung up": -signal.SIGHUP}[ending]
    assert b"\x1b[?25h\x1b[?7h\x1b[?1049l" in terminal.raw
    assert termios.tcgetattr(terminal.slave) == before
    after = terminal.raw.rpartition(b"\x1b[?1049l")[2]
    assert (b"made to fail" in after) == (ending == "crash"), "what went wrong is told after the screen is given back"


def test_a_terminal_nobody_reads_costs_frames_and_nothing_else(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Were a write to wait for the terminal, this would never end: it holds some kilobytes and gets some hundred."""
    with console(terminal, monkeypatch) as shown:
        for count in range(200):
            shown.show(WARNING if count % 2 else CAUTION)
        assert shown.failure is None
        assert len(terminal.read()) < 100_000
        shown.show(LOST_HOT)
        terminal.read()
        shown.show(CAUTION)
        terminal.read()
        assert terminal.text() == view.render(View.DRIVER, CAUTION, 40, 12).text()


# -- keys alone ------------------------------------------------------------------------------------------------------


def test_keys_byte_by_byte_as_well_as_whole() -> None:
    typed = "aH\x1b[15~sn né\x7f x\r".encode()
    whole = Keys().feed(typed, {}, silenced=False)
    keys, one_by_one = Keys(), []
    declared: dict[str, bool] = {}
    for byte in typed:
        for said in keys.feed(bytes([byte]), declared, silenced=False):
            declared.update(dict(said[0]))
            one_by_one.append(said)
    assert (
        whole
        == one_by_one
        == [
            ((("ac_on", True),), None),
            ((("heater_on", True),), None),
            ((("silenced", True),), None),
            ((), "n x"),
        ]
    )


def test_silence_key_turns_sound_on_again() -> None:
    assert Keys().feed(b"s", {}, silenced=True) == [((("silenced", False),), None)]


def test_escape_drops_a_note_and_an_empty_note_is_none() -> None:
    keys = Keys()
    assert keys.feed(b"nhalf\x1ba", {}, silenced=False) == [((("ac_on", True),), None)]
    assert keys.note is None
    assert keys.feed(b"n   \r", {}, silenced=False) == []


def test_note_is_bounded() -> None:
    keys = Keys()
    keys.feed(b"n" + b"x" * 1000, {}, silenced=False)
    assert keys.note == "x" * MOST_NOTE


def test_nonsense_bytes_do_nothing() -> None:
    keys = Keys()
    assert keys.feed(bytes(range(128, 256)) + b"\x00\x01\x1b[" + b"9" * 40, {}, silenced=False) == []
    keys.feed(b"~", {}, silenced=False)
    assert keys.feed(b"a", {"ac_on": True}, silenced=False) == [((("ac_on", False),), None)]


def test_health_of_the_data_is_gathered_from_the_events(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    terminal.resize(80, 24)
    with console(terminal, monkeypatch, View.PASSENGER) as shown:
        for second in range(21):
            shown.event(Sample(CAUTION.t_ms - 20_000 + 1000 * second, (("coolant_c", 104.0),), codes="P0128"))
        shown.outcome(CAUTION)
        terminal.read()
        assert "coolant 1.0/s" in terminal.text()
        assert "codes P0128" in terminal.text()
