"""The vehicle over a CAN bus, through any interface python-can has: moves frames, decides nothing.

Strategy: one thread waits for a frame no longer than until `wire/can_tester` has something to do; every frame that
leaves passes the allow-list at the last line before the bus.  Whatever the interface throws becomes a `Link` event and
another try after a bounded pause.  When to ask, what to ask and when to keep quiet is the tester's business.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

import can
from can.typechecking import CanFilters

from livemon.errors import ForbiddenRequestError, SetupError
from livemon.readers.base import Put
from livemon.readers.clock import Clock, MonotonicClock
from livemon.wire.can_allow import checked_frame
from livemon.wire.can_talk import CanSettings
from livemon.wire.can_tester import CanTester, Step
from livemon.wire.elm_facts import Pace
from livemon.wire.frames import BusFault, Frame

__all__ = ["CanReader", "CanSettings", "as_fault", "as_frame"]

logging.getLogger("can").addHandler(
    logging.NullHandler()
)  # it would write over the driver's screen; what fails is told
LONGEST_WAIT_S: Final = 0.1
"""So soon a `stop` is noticed."""
SEND_S: Final = 0.1
MOST_AT_ONCE: Final = 64
"""Frames taken from the bus before the tester is asked again: 32 ms of a flood of 2,000 a second."""

REPLY_FILTERS: Final[CanFilters] = [
    {"can_id": 0x7E8, "can_mask": 0x7F8, "extended": False},
    {"can_id": 0x18DAF100, "can_mask": 0x1FFFFF00, "extended": True},
]
"""Once reading, the kernel keeps unrelated traffic away from us; error frames come all the same (SocketCAN)."""

INTERFACE_OPTIONS: Final[dict[str, dict[str, Any]]] = {"udp_multicast": {"hop_limit": 0}}
"""A bus made of network packets stays on this machine."""

# Linux can/error.h.  An interface that names no class (0) reports a plain error frame.
_BUS_OFF, _RESTARTED = 0x40, 0x100
_CONTROLLER, _LOST_ARBITRATION = 0x04, 0x02
_OVERFLOW = 0x03


def as_fault(message: can.Message) -> BusFault | None:
    """What an error frame means; None for what is no fault of the bus (lost arbitration, our full buffer)."""
    kind = message.arbitration_id
    if kind & _BUS_OFF:
        return BusFault.BUS_OFF
    if kind & _RESTARTED:
        return BusFault.RESTARTED
    overflow = kind == _CONTROLLER and len(message.data) > 1 and not message.data[1] & ~_OVERFLOW
    return None if kind == _LOST_ARBITRATION or overflow else BusFault.ERROR_FRAME


def as_frame(message: can.Message, channel: str = "") -> Frame | None:
    """A python-can message as a frame of our own; None for what carries nothing (remote frames, harmless reports)."""
    if message.is_error_frame:
        fault = as_fault(message)
        return None if fault is None else Frame(message.arbitration_id, fault=fault, channel=channel)
    if message.is_remote_frame:
        return None
    return Frame(message.arbitration_id, bytes(message.data), message.is_extended_id, channel=channel)


class CanReader:
    """Reader of one bus: samples and link events, stamped by `clock`, from a thread of its own.

    `options` go to python-can's interface as they are.  Nothing is ever raised out of the thread.
    """

    def __init__(
        self,
        channel: str,
        interface: str = "socketcan",
        *,
        clock: Clock | None = None,
        settings: CanSettings | None = None,
        options: dict[str, Any] | None = None,
    ) -> None:
        if interface not in can.VALID_INTERFACES:
            raise SetupError(
                "--interface", f"one of {', '.join(sorted(can.VALID_INTERFACES))}", repr(interface), "See docs/can.md"
            )
        defaults = {"bitrate": (settings or CanSettings()).bitrate, **INTERFACE_OPTIONS.get(interface, {})}
        self._options: dict[str, Any] = {**defaults, **(options or {})}
        self.settings = replace(settings or CanSettings(), bitrate=int(self._options["bitrate"]))
        self._channel, self._interface = channel, interface
        self.clock = clock or MonotonicClock()
        self.tester = CanTester(self.clock.now_ms(), self.settings)
        self.forbidden = 0
        """Requests stopped by the allow-list: a fault of ours, always 0."""
        self._filtered = self._passive = False
        self._enough: Callable[[], bool] | None = None
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, put: Put) -> None:
        """Begin to deliver events to `put` from a thread of its own."""
        self._thread = threading.Thread(target=self.serve, args=(put,), name="can-reader", daemon=True)
        self._thread.start()

    def asking(self, full: bool, listen: bool) -> None:
        """How the vehicle may be asked from now on: as planned, not at all, or (neither) once a minute.  Any thread."""
        self.tester.pace = Pace.FULL if full else Pace.LISTEN if listen else Pace.SELDOM

    def stop(self) -> None:
        """End the thread and close the bus."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(3.0)

    def serve(self, put: Put, until_ms: int | None = None, enough: Callable[[], bool] | None = None) -> None:
        """Read in the calling thread until `stop`, until the clock shows `until_ms`, or until it is `enough`."""
        self._enough = enough
        while not self._over(until_ms):
            try:
                step = self._one_bus(put, until_ms)
            except Exception as error:  # an interface may throw anything; the drive goes on
                step = self.tester.failed(self.clock.now_ms(), f"CAN {self._channel}: {_words(error)}")
            for event in step.events:
                put(event)
            if step.close_ms is not None:
                pause_ms = step.close_ms if until_ms is None else min(step.close_ms, until_ms - self.clock.now_ms())
                self._stop.wait(max(pause_ms, 0) / 1000)

    def _over(self, until_ms: int | None) -> bool:
        if self._stop.is_set() or (self._enough is not None and self._enough()):
            return True
        return until_ms is not None and self.clock.now_ms() >= until_ms

    def _one_bus(self, put: Put, until_ms: int | None) -> Step:
        """From opening the bus to closing it; the last step says how long it stays closed."""
        with can.Bus(channel=self._channel, interface=self._interface, **self._options) as bus:
            self._filtered = self._passive = False
            self.tester.opened(self.clock.now_ms())
            self._tune(bus)
            while not self._over(until_ms):
                wait_ms = self.tester.next_ms - self.clock.now_ms()
                message = bus.recv(min(max(wait_ms / 1000, 0.0), LONGEST_WAIT_S))
                now_ms = self.clock.now_ms()
                # What waits is heard before anything is judged overdue: this thread may have been held up.
                for _ in range(MOST_AT_ONCE):
                    if message is None:
                        break
                    frame = as_frame(message)
                    if frame is not None:
                        self.tester.feed(now_ms, frame)
                    message = bus.recv(0)
                step = self.tester.step(now_ms)
                if step.close_ms is not None:
                    return step
                for event in step.events:
                    put(event)
                self._tune(bus)
                for wanted in step.send:
                    self._write(bus, wanted)
        return Step()

    def _write(self, bus: can.BusABC, frame: Frame) -> None:
        """The last line before the bus."""
        try:
            frame = checked_frame(frame)
        except ForbiddenRequestError:
            self.forbidden += 1
            raise
        bus.send(can.Message(arbitration_id=frame.can_id, data=frame.data, is_extended_id=frame.extended), SEND_S)

    def _tune(self, bus: can.BusABC) -> None:
        """Listen without acknowledging where the interface can, and let the kernel filter once we read."""
        passive = self.tester.talk is None
        if passive != self._passive:
            self._passive = passive
            with contextlib.suppress(NotImplementedError, AttributeError, can.CanError):
                bus.state = can.BusState.PASSIVE if passive else can.BusState.ACTIVE
        filtered = not self.tester.hears_all and self._interface == "socketcan"
        if filtered != self._filtered:
            self._filtered = filtered
            bus.set_filters(REPLY_FILTERS if filtered else None)


_BUS_WORDS: Final = {
    errno.ENODEV: "No such device: is the interface named so, and its driver loaded?",
    errno.ENETDOWN: "the interface is down: ip link set it up",
    errno.EAFNOSUPPORT: "this system has no CAN",
}


def _words(error: Exception) -> str:
    """An exception as a reason in one line."""
    if isinstance(error, OSError) and error.errno in _BUS_WORDS:
        return _BUS_WORDS[error.errno]
    text = " ".join(str(error).split())
    return (text or type(error).__name__)[:160]
