"""What each fault on a CAN bus costs, and how fresh the coolant reading is: tables for docs/reliability.md.

    python -m tests.bench.reliability_can [--real] [--write]

On paper, with made-up time and the real tester, core and recorder, for 11 and 29 bit.  `--real` plays each fault over a
python-can bus in real time as well (all at once, a thread each; half a minute).  Nothing here asserts a time.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import can

from livemon.core.events import Event, Link, Mark, Sample
from livemon.core.grid import on_grid
from livemon.core.outcome import Outcome, Status
from livemon.core.pipeline import CoreSettings
from livemon.outputs.recorder import Recorder, RecorderSettings
from livemon.readers.can_bus import CanReader
from livemon.readers.log_file import LogFile
from livemon.run import run
from livemon.sim.bus import BusVehicle
from livemon.sim.can_units import CanFault, Spell, UnitsOnBus
from livemon.sim.ecu import ENGINE, GEARBOX
from livemon.wire.can_talk import CanSettings
from livemon.wire.frames import Addressing
from livemon.wire.log_text import settled
from tests.wire.paper_bus import STEADY, paper_bus

START_MS, END_MS, LAST_MS = 20_000, 35_000, 60_000
REAL_START_MS, REAL_END_MS, REAL_LAST_MS = 5_000, 15_000, 28_000
MARKS = ("<!-- can: begin -->", "<!-- can: end -->")
PERIOD_MS = 1_000
"""Coolant is wanted once a second at least."""


@dataclass
class _Ear:
    """Keeps what the core said."""

    outcomes: list[Outcome] = field(default_factory=list)

    def event(self, event: Event) -> None:
        """Events are looked at elsewhere."""

    def outcome(self, outcome: Outcome) -> None:
        self.outcomes.append(outcome)


@dataclass(frozen=True)
class Row:
    """One fault on one transport."""

    transport: str
    fault: str
    stale_s: float | None
    live_again_s: float | None
    readings_during: int
    recorded: bool
    told: str

    def text(self) -> str:
        stale = "stays live" if self.stale_s is None else f"{self.stale_s:.1f}"
        again = "-" if self.stale_s is None else "never" if self.live_again_s is None else f"{self.live_again_s:.1f}"
        kept = "yes" if self.recorded else "NO"
        return (
            f"| {self.transport} | {self.fault} | {stale} | {again} | {self.readings_during} | {kept} | {self.told} |"
        )


HEAD = (
    "| transport | fault | not live after [s] | live again after [s] | coolant readings meanwhile | recording complete "
    "| reason shown |\n|---|---|---|---|---|---|---|"
)


def judge(transport: str, fault: CanFault, events: Sequence[Event], start_ms: int, end_ms: int) -> Row:
    """Play `events` through core and recorder, and look at both."""
    ear = _Ear()
    events = [settled(event, event.t_ms) for event in events]
    with tempfile.TemporaryDirectory() as folder:
        recorder = Recorder(RecorderSettings(folder=folder), {})
        run(on_grid(iter(events)), CoreSettings(), [recorder, ear])
        recorder.close()
        (path,) = Path(folder).glob("*.csv")
        replayed = list(LogFile(path).events())
    lost = [o.t_ms for o in ear.outcomes if start_ms < o.t_ms and o.status is not Status.LIVE]
    # The fault may outlast the second in which the link is seen to be down.
    stale_ms = next((t for t in lost if t <= end_ms + 3 * PERIOD_MS), None)
    live = [o.t_ms for o in ear.outcomes if o.t_ms >= end_ms and o.status is Status.LIVE]
    told = next((e.reason for e in events if isinstance(e, Link) and not e.up and start_ms <= e.t_ms <= end_ms), "")
    during = sum(_has_coolant(e) for e in events if start_ms + 200 <= e.t_ms < end_ms)
    return Row(
        transport,
        fault.value,
        None if stale_ms is None else (stale_ms - start_ms) / 1000,
        (live[0] - end_ms) / 1000 if live else None,
        during,
        replayed == events,
        told.split(":")[0].split(".")[0],
    )


def _has_coolant(event: Event) -> bool:
    return isinstance(event, Sample) and any(name == "coolant_c" for name, _ in event.readings)


def paper_rows() -> Iterable[Row]:
    for addressing in Addressing:
        for fault in CanFault:
            bus = paper_bus([ENGINE, GEARBOX], [Spell(fault, START_MS, END_MS)], addressing=addressing).run(LAST_MS)
            yield judge(f"CAN {addressing.value} bit", fault, bus.events, START_MS, END_MS)


def real_rows() -> Iterable[Row]:
    """All faults at once, each on a python-can bus of its own."""
    heard: dict[CanFault, list[Sample | Link | Mark]] = {fault: [] for fault in CanFault}

    def play(fault: CanFault) -> None:
        channel = f"reliability-{fault.name}"
        units = UnitsOnBus([ENGINE, GEARBOX], lambda _t: STEADY, faults=[Spell(fault, REAL_START_MS, REAL_END_MS)])
        with BusVehicle(can.Bus(channel, interface="virtual"), units, own_bus=True):
            reader = CanReader(channel, "virtual")
            reader.serve(heard[fault].append, until_ms=REAL_LAST_MS)

    threads = [threading.Thread(target=play, args=(fault,)) for fault in CanFault]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for fault in CanFault:
        yield judge("python-can bus, real time", fault, heard[fault], REAL_START_MS, REAL_END_MS)


def freshness() -> str:
    """Age of the coolant reading at the ticks, readings and requests a second, by how the bus is asked."""
    ways = {
        "several PIDs a request, plan of a drive": CanSettings(),
        "one PID a request, plan of a drive": CanSettings(several_pids=False),
        "several PIDs a request, as fast as polite (20/s)": CanSettings(faster=100.0),
        "one PID a request, as fast as polite (20/s)": CanSettings(faster=100.0, several_pids=False),
    }
    lines = [
        "| CAN 11 bit | requests/s | readings/s | coolant age median [s] | 95 % [s] |",
        "|---|---|---|---|---|",
    ]
    rates = []
    for words, settings in ways.items():
        bus = paper_bus(settings=settings).run(121_000)
        ear = _Ear()
        run(on_grid(iter([settled(event, event.t_ms) for event in bus.events])), CoreSettings(), [ear])
        ages = [o.age_s for o in ear.outcomes if o.age_s is not None and o.t_ms > 5_000]
        stats = bus.tester.stats
        assert stats.reading_from is not None
        since_ms, requests, readings = stats.reading_from
        seconds = (bus.t_ms - since_ms) / 1000
        rates.append((stats.readings - readings) / seconds)
        late = statistics.quantiles(ages, n=20)[-1]
        lines.append(
            f"| {words} | {(stats.requests - requests) / seconds:.1f} | {rates[-1]:.1f} "
            f"| {statistics.median(ages):.2f} | {late:.2f} |"
        )
    lines.append(f"\nReadings a second at the same limit of 20 requests/s: {rates[2] / rates[3]:.1f} times as many.")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--real", action="store_true", help="over python-can buses in real time too")
    parser.add_argument("--write", action="store_true", help="into docs/reliability.md")
    args = parser.parse_args()
    rows = [*paper_rows(), *(real_rows() if args.real else ())]
    text = "\n".join([HEAD, *(row.text() for row in rows), "", freshness()])
    print(text)
    if args.write:
        page = Path(__file__).resolve().parents[2] / "docs" / "reliability.md"
        whole = page.read_text(encoding="utf-8")
        head, tail = whole.split(MARKS[0])[0], whole.split(MARKS[1])[1]
        page.write_text(f"{head}{MARKS[0]}\n\n{text}\n\n{MARKS[1]}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
