"""An ELM-style adapter on a serial port, a Bluetooth serial device or a TCP socket (`socket://host:port`).

Strategy: one thread that moves bytes between the port and `wire/elm`, and puts what happened.  A port that vanishes is
normal life: it is told as a `Link` that is down and tried again, ever less often.  It never writes to a port other
than the one it was given, or the same device under its new name where that was asked for.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import serial

from livemon.core.events import Link, Sample
from livemon.errors import ForbiddenRequestError
from livemon.readers.base import Put, port_words
from livemon.readers.clock import Clock
from livemon.wire import allow
from livemon.wire.elm import Session
from livemon.wire.elm_facts import ElmSettings, Pace, Reopen

SPEEDS: Final[tuple[int, ...]] = (38400, 9600, 115200, 230400, 57600, 19200, 500000)
"""Factory speeds first, then those that adapters can be set to (adapter data sheet)."""

FIRST_RETRY_MS: Final = 500
MOST_RETRY_HOT_MS: Final = 5_000
MOST_RETRY_COLD_MS: Final = 15_000
HOT_C: Final = 60.0

READ_WAIT_S: Final = 0.05
WRITE_WAIT_S: Final = 1.0
CHUNK: Final = 4096
BY_ID: Final = Path("/dev/serial/by-id")

Port = Any
"""pyserial's ports share no typed base class: RS-232 devices and `socket://` come from different modules."""


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """Which port, how fast, and how much may be assumed."""

    port: str
    baud: int = 0
    """0 = 38400 first, then the other usual speeds, until the adapter answers."""
    follow_device: bool = False
    """Find the same device again under another name through /dev/serial/by-id."""
    elm: ElmSettings = field(default_factory=ElmSettings)


def open_port(name: str, baud: int) -> Port:
    """Open a device or URL through pyserial; raises OSError or ValueError (SerialException is an OSError)."""
    port = serial.serial_for_url(name, do_not_open=True)
    port.baudrate = baud
    port.timeout = READ_WAIT_S
    port.write_timeout = WRITE_WAIT_S
    if "://" not in name:
        port.exclusive = True
    port.open()
    return port


class SerialElm:
    """Reader of one adapter.  `opener` is replaced in tests."""

    def __init__(
        self,
        settings: SerialSettings,
        clock: Clock,
        session: Session | None = None,
        opener: Callable[[str, int], Port] = open_port,
        by_id: Path = BY_ID,
    ) -> None:
        self.session = session or Session(settings.elm)
        self.opens = 0
        self._settings = settings
        self._clock = clock
        self._opener = opener
        self._by_id = by_id
        self._device_link: Path | None = None
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._put: Put | None = None
        self._failures = 0
        self._speed = 0
        self._spoke = False
        self._hot = False

    def start(self, put: Put) -> None:
        """Begin; events go to `put` from the reader's thread."""
        self._put = put
        self._thread = threading.Thread(target=self._run, name="serial", daemon=True)
        self._thread.start()

    def asking(self, full: bool, listen: bool) -> None:
        """How the vehicle may be asked from now on: as planned, not at all, or (neither) once a minute.  Any thread."""
        self.session.pace = Pace.FULL if full else Pace.LISTEN if listen else Pace.SELDOM

    def stop(self) -> None:
        """End the thread; an open that blocks (Bluetooth) is given up after three seconds."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout=3.0)

    # -- the thread -------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping.is_set():
            reason = self._one_connection()
            if self._stopping.is_set():
                return
            self.session.closed(self._clock.now_ms(), reason)
            self._drain()
            most = MOST_RETRY_HOT_MS if self._hot else MOST_RETRY_COLD_MS
            wait_ms = min(FIRST_RETRY_MS << min(self._failures, 8), most)
            self._failures += 1
            self._stopping.wait(wait_ms / 1000)

    def _one_connection(self) -> str:
        """Open, serve until something ends it, close; the reason it ended."""
        port: Port | None = None
        try:
            port = self._opener(self._name(), self._settings.baud or SPEEDS[self._speed % len(SPEEDS)])
            self.opens += 1
            self._remember_device()
            self.session.opened(self._clock.now_ms())
            return self._serve(port)
        except ForbiddenRequestError as error:
            return str(error)
        except (OSError, ValueError) as error:
            return f"port {self._settings.port}: {port_words(error, 'adapter')}"
        except Exception as error:
            # Never out of the thread: a reader that died silently would look like an engine that sends nothing.
            return f"port {self._settings.port}: unexpected {type(error).__name__}: {error}"
        finally:
            if port is not None:
                with suppress(OSError, ValueError, AttributeError):
                    port.close()

    def _serve(self, port: Port) -> str:
        session, clock = self.session, self._clock
        while not self._stopping.is_set():
            now_ms = clock.now_ms()
            out = session.advance(now_ms)
            if out is not None:
                port.write(allow.checked_text(out))
            if (reopen := self._drain()) is not None:
                self._failures = 0  # the port is there; looking for the prompt takes its time already
                if not self._spoke and not self._settings.baud:
                    self._speed += 1
                return f"port {self._settings.port}: {reopen.reason}"
            idle_ms = session.wake_ms(clock.now_ms()) - clock.now_ms()
            if out is None and not session.waiting and 0 < idle_ms < READ_WAIT_S * 1000:
                self._stopping.wait(idle_ms / 1000)  # finer than the port's own wait
                continue
            if data := port.read(1):
                waiting = port.in_waiting
                if waiting:
                    data += port.read(min(waiting, CHUNK))
                session.receive(data, clock.now_ms())
        return "stopped"

    def _drain(self) -> Reopen | None:
        assert self._put is not None  # set by start() before the thread runs
        reopen: Reopen | None = None
        for event in self.session.events():
            if isinstance(event, Reopen):
                reopen = event
                continue
            if isinstance(event, Sample):
                self._failures = 0
                for name, value in event.readings:
                    if name == "coolant_c":
                        self._hot = value >= HOT_C
            elif isinstance(event, Link) and event.up:
                self._spoke = True
            self._put(event)
        return reopen

    # -- the device's name ------------------------------------------------------------------------------------------

    def _name(self) -> str:
        """The port to open: as given, or where the same device is now."""
        given = self._settings.port
        if self._device_link is None or Path(given).exists():
            return given
        return str(self._device_link) if self._device_link.exists() else given

    def _remember_device(self) -> None:
        if not self._settings.follow_device or self._device_link is not None or "://" in self._settings.port:
            return
        with suppress(OSError):
            here = Path(self._settings.port).resolve()
            for link in sorted(self._by_id.iterdir()):
                if link.resolve() == here:
                    self._device_link = link
                    return
