"""A bus on paper: the real tester against made-up control units, with a clock that is only a number."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from livemon.core.events import Link, Sample
from livemon.sim.can_units import Spell, UnitsOnBus
from livemon.sim.ecu import ENGINE, Unit
from livemon.wire.can_allow import checked_frame
from livemon.wire.can_talk import CanSettings
from livemon.wire.can_tester import CanTester
from livemon.wire.frames import Addressing, Frame

STEADY: Mapping[str, float] = {
    "coolant_c": 90.0,
    "rpm": 2500.0,
    "speed_kmh": 60.0,
    "absolute_load_pct": 54.1,
    "maf_g_s": 53.4,
    "map_kpa": 80.0,
    "intake_air_c": 35.0,
    "ambient_air_c": 33.0,
    "baro_kpa": 90.0,
    "oil_c": 105.0,
    "voltage_v": 14.1,
    "fuel_status": 2.0,
    "throttle_pct": 40.0,
    "run_time_s": 600.0,
    "fuel_level_pct": 50.0,
    "load_pct": 80.0,
}


@dataclass
class PaperBus:
    """Runs tester and units in steps of a millisecond, or from one appointment to the next."""

    units: UnitsOnBus
    tester: CanTester
    t_ms: int = 0
    events: list[Sample | Link] = field(default_factory=list)
    sent: list[tuple[int, Frame]] = field(default_factory=list)
    opened_ms: int | None = None
    """While the tester keeps the bus closed: when it opens again."""

    def run(self, until_ms: int) -> PaperBus:
        while self.t_ms < until_ms:
            self._now()
            wake = min(self.units.next_ms(self.t_ms), self.opened_ms or self.tester.next_ms)
            self.t_ms = min(max(self.t_ms + 1, wake), until_ms)
        return self

    def _now(self) -> None:
        t_ms = self.t_ms
        arrived = self.units.due(t_ms)
        if self.opened_ms is not None:
            if t_ms < self.opened_ms:
                return
            self.opened_ms = None
            self.tester.opened(t_ms)
        for frame in arrived:
            self.tester.feed(t_ms, frame)
        step = self.tester.step(t_ms)
        self.events += step.events
        for frame in step.send:
            self.sent.append((t_ms, checked_frame(frame)))
            self.units.feed(t_ms, frame)
        if step.close_ms is not None:
            self.opened_ms = t_ms + step.close_ms

    def samples(self, name: str, since_ms: int = 0, until_ms: int = 10**9) -> list[tuple[int, float]]:
        return [
            (event.t_ms, value)
            for event in self.events
            if isinstance(event, Sample) and since_ms <= event.t_ms < until_ms
            for reading, value in event.readings
            if reading == name
        ]

    def links(self) -> list[tuple[int, bool, str]]:
        return [(event.t_ms, event.up, event.reason) for event in self.events if isinstance(event, Link)]


def paper_bus(
    units: Sequence[Unit] = (ENGINE,),
    faults: Sequence[Spell] = (),
    settings: CanSettings | None = None,
    addressing: Addressing = Addressing.BITS_11,
    values: Callable[[int], Mapping[str, float]] = lambda _t_ms: STEADY,
    traffic_per_s: int = 50,
) -> PaperBus:
    """A vehicle with `units`, and a tester that begins to listen at 0 ms."""
    return PaperBus(
        UnitsOnBus(units, values, addressing, traffic_per_s, faults), CanTester(0, settings or CanSettings())
    )
