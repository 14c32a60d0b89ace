"""Joins a client's state table and an emulated adapter in made-up time: no port, no thread, no sleep."""

from __future__ import annotations

from collections.abc import Callable

from livemon.core.events import Link, Sample
from livemon.sim.adapter import Adapter, Habits
from livemon.sim.ecu import ENGINE, OLD_ENGINE, Unit
from livemon.wire.elm import Session
from livemon.wire.elm_facts import Reopen
from livemon.wire.elm_replies import CAN_PROTOCOLS

DRIVE = {
    "coolant_c": 92.0,
    "rpm": 2400.0,
    "speed_kmh": 72.0,
    "load_pct": 60.0,
    "absolute_load_pct": 70.0,
    "map_kpa": 80.0,
    "maf_g_s": 55.0,
    "intake_air_c": 38.0,
    "ambient_air_c": 31.0,
    "baro_kpa": 95.0,
    "oil_c": 98.0,
    "voltage_v": 14.1,
    "throttle_pct": 40.0,
    "fuel_status": 2.0,
    "fuel_level_pct": 55.0,
    "run_time_s": 900.0,
}


class MadeUpLink:
    """Runs both ends; `written` holds (time, bytes, last character that had come before)."""

    def __init__(
        self,
        habits: Habits | None = None,
        units: tuple[Unit, ...] | None = None,
        values: Callable[[], dict[str, float]] | None = None,
        session: Session | None = None,
        seed: int = 1,
    ) -> None:
        habits = habits or Habits()
        old = habits.protocol not in CAN_PROTOCOLS
        self.adapter = Adapter(values or (lambda: DRIVE), units or ((OLD_ENGINE,) if old else (ENGINE,)), habits, seed)
        self.session = session or Session()
        self.now_ms = 0
        self.written: list[tuple[int, bytes, bytes]] = []
        self.samples: list[Sample] = []
        self.links: list[Link] = []
        self.reopens: list[tuple[int, str]] = []
        self._last = b""
        self._plugged = True
        self._reopen_at: int | None = None
        self.session.opened(0)

    def unplug(self) -> None:
        self._plugged = False
        self.session.closed(self.now_ms, "port vanished")

    def plug(self) -> None:
        self._plugged = True
        self.adapter._forget()
        self.session.opened(self.now_ms)

    def run(self, seconds: float) -> None:
        """Let `seconds` pass."""
        end = self.now_ms + round(seconds * 1000)
        while self.now_ms <= end:
            self._step()
            due = [self.session.wake_ms(self.now_ms)]
            if (out := self.adapter.next_ms()) is not None:
                due.append(int(out) + 1)
            if self._reopen_at is not None:
                due.append(self._reopen_at)
            self.now_ms = max(self.now_ms + 1, min(due))
        self.now_ms = end

    def _step(self) -> None:
        if self._reopen_at is not None and self.now_ms >= self._reopen_at:
            self._reopen_at = None
            self.session.opened(self.now_ms)
        data = self.adapter.output(self.now_ms)
        if data and self._plugged:
            self.session.receive(data, self.now_ms)
            self._last = data.replace(b"\x00", b"").strip()[-1:] or self._last
        out = self.session.advance(self.now_ms)
        if out is not None and self._plugged:
            self.written.append((self.now_ms, out, self._last))
            self._last = b""
            self.adapter.feed(out, self.now_ms)
        for event in self.session.events():
            if isinstance(event, Sample):
                self.samples.append(event)
            elif isinstance(event, Link):
                self.links.append(event)
            elif isinstance(event, Reopen):
                self.reopens.append((self.now_ms, event.reason))
                self.session.closed(self.now_ms, event.reason)
                self._reopen_at = self.now_ms + 500

    def seen(self, name: str, since_ms: int = 0) -> list[tuple[int, float]]:
        """(time, value) of each reading of one signal."""
        return [(s.t_ms, v) for s in self.samples if s.t_ms >= since_ms for n, v in s.readings if n == name]
