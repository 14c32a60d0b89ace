"""The made-up vehicle on a python-can bus: moves frames between a bus and `sim/can_units`, in its own thread.

Strategy: one loop that waits for a frame no longer than until the units have something to say.  Which frames, and when,
is decided in `can_units`; this file has the bus and the clock, and nothing else.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import can

from livemon.sim.can_units import UnitsOnBus
from livemon.wire.frames import BusFault, Frame

_ERROR_CLASS = {BusFault.BUS_OFF: 0x40, BusFault.RESTARTED: 0x100, BusFault.ERROR_FRAME: 0x80}
"""Error classes of Linux `can/error.h`, as python-can hands them on in the identifier of an error frame."""


def now_ms() -> int:
    return time.monotonic_ns() // 1_000_000


def to_message(frame: Frame) -> can.Message:
    """`frame` as python-can sends it."""
    if frame.fault is not None:
        return can.Message(arbitration_id=_ERROR_CLASS[frame.fault], is_error_frame=True, dlc=8, data=bytes(8))
    return can.Message(arbitration_id=frame.can_id, data=frame.data, is_extended_id=frame.extended)


class BusVehicle:
    """Control units that answer on `bus` until `stop`; `own_bus` = closed at the end.  A context manager."""

    def __init__(
        self, bus: can.BusABC, units: UnitsOnBus, clock_ms: Callable[[], int] = now_ms, own_bus: bool = False
    ) -> None:
        self._bus, self.units, self._clock_ms, self._own_bus = bus, units, clock_ms, own_bus
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.serve, name="bus-vehicle", daemon=True)

    def serve(self, until_ms: int | None = None) -> None:
        """Answer in the calling thread until `stop` or until the clock shows `until_ms`; ends too with the bus."""
        start_ms = self._clock_ms()
        wake_ms = 0
        while not self._stop.is_set():
            t_ms = self._clock_ms() - start_ms
            if until_ms is not None and start_ms + t_ms >= until_ms:
                return
            try:
                message = self._bus.recv(max(wake_ms - t_ms, 0) / 1000)
                t_ms = self._clock_ms() - start_ms
                if message is not None and not message.is_error_frame:
                    frame = Frame(message.arbitration_id, bytes(message.data), message.is_extended_id)
                    self.units.feed(t_ms, frame)
                    wake_ms = min(wake_ms, self.units.next_ms(t_ms))
                if t_ms >= wake_ms:
                    for frame in self.units.due(t_ms):
                        self._bus.send(to_message(frame))
                    wake_ms = self.units.next_ms(t_ms)
            except can.CanError:
                return

    def start(self) -> BusVehicle:
        self._thread.start()
        return self

    def stop(self) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(2.0)
        if self._own_bus:
            self._bus.shutdown()

    def __enter__(self) -> BusVehicle:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()
