"""Examines a CAN bus and the vehicle on it: who answers, every known PID a few times, then the plan of a drive.

Strategy: the same reader and tester as `watch`, told to ask each PID alone before it begins to read.  It listens before
it sends, and sends nothing where the bus looks wrong: then that is the report.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from statistics import median
from typing import Any, Final

from livemon.readers.can_bus import CanReader
from livemon.verbs.probe_report import Heard, Missing, ProbeReport, SignalFound
from livemon.wire import pids
from livemon.wire.can_talk import CanSettings
from livemon.wire.codes import PENDING, PERMANENT, STORED
from livemon.wire.polling import WANTS

ROUNDS: Final = 3
DRIVE_MS: Final = 6_000
"""After the sweep the plan of a drive runs for so long, to measure the rate that a drive would get."""
NO_VEHICLE_MS: Final = 12_000
"""So long without a control unit is enough to say so."""


def examine(
    channel: str,
    interface: str,
    settings: CanSettings | None = None,
    most_s: float = 60.0,
    options: dict[str, Any] | None = None,
) -> ProbeReport:
    """Listen, ask, read for at most `most_s`, and report; never raises for what the other end does."""
    reader = CanReader(channel, interface, settings=replace(settings or CanSettings(), rounds=ROUNDS), options=options)
    said = Heard()

    tester = reader.tester
    watcher = _Watcher(reader)
    reader.serve(said.put, until_ms=reader.clock.now_ms() + round(most_s * 1000), enough=watcher.enough)
    stats, talk = tester.stats, tester.talk
    told = {name for pid in stats.round_trips_ms for name in pids.PIDS[pid].quantities}
    requests_per_s, readings_per_s = watcher.rates()
    heard = f"{tester.frames} frames and {tester.error_frames} error frames heard"
    return ProbeReport(
        source=f"CAN {channel} ({interface}, {reader.settings.bitrate // 1000} kbit/s)",
        identity=(heard, *_habits(reader)),
        protocol=f"ISO 15765-4, {tester.addressing.value} bit" if tester.units else None,
        voltage_v=said.values.get("voltage_v"),
        ecus=tuple(ecu.name for ecu in sorted(tester.units)),
        signals=tuple(_signals(reader, said.values)),
        requests_per_s=requests_per_s,
        readings_per_s=readings_per_s,
        missing=tuple(Missing(want.name, want.costs) for want in WANTS if want.name not in told),
        mil=None if "mil" not in said.values else bool(said.values["mil"]),
        stored=None if talk is None else talk.listed(STORED),
        pending=None if talk is None else talk.listed(PENDING),
        permanent=None if talk is None else talk.listed(PERMANENT),
        wrong=tuple(_wrong(reader, said.reasons)),
    )


class _Watcher:
    """Tells when the probe has seen enough, and at what rate the plan of a drive ran."""

    def __init__(self, reader: CanReader) -> None:
        self._reader = reader
        self._start_ms = reader.clock.now_ms()

    def enough(self) -> bool:
        now_ms, begun = self._reader.clock.now_ms(), self._reader.tester.stats.reading_from
        if begun is not None:
            return now_ms - begun[0] >= DRIVE_MS
        return now_ms - self._start_ms >= NO_VEHICLE_MS and not self._reader.tester.units

    def rates(self) -> tuple[float | None, float | None]:
        """Requests and readings a second since the plan of a drive began."""
        stats = self._reader.tester.stats
        if stats.reading_from is None:
            return None, None
        since_ms, requests, readings = stats.reading_from
        seconds = max(self._reader.clock.now_ms() - since_ms, 1) / 1000
        return round((stats.requests - requests) / seconds, 2), round((stats.readings - readings) / seconds, 2)


def _habits(reader: CanReader) -> Iterator[str]:
    talk = reader.tester.talk
    if talk is not None and talk.poller is not None:
        yield f"{'takes' if talk.poller.batch else 'does not take'} several PIDs in a request"
    if reader.settings.listen_only:
        yield "listened only: nothing was asked"


def _signals(reader: CanReader, values: dict[str, float]) -> Iterator[SignalFound]:
    stats = reader.tester.stats
    for pid in sorted(stats.asked.keys() | stats.round_trips_ms.keys()):
        trips = stats.round_trips_ms.get(pid, [])
        for name in pids.PIDS[pid].quantities:
            if name in values or not trips:
                took = median(trips) if trips else None
                answered = len(trips)
                asked = max(stats.asked.get(pid, 0), answered)
                yield SignalFound(name, pid, asked, answered, took, values.get(name) if trips else None)


def _wrong(reader: CanReader, reasons: list[str]) -> Iterator[str]:
    yield from reasons
    for (service, code), times in sorted(reader.tester.stats.refusals.items()):
        if code != pids.PENDING:
            words = pids.NEGATIVE_CODES.get(code, f"code {code:02X}")
            yield f"service {service:02X} was refused {times} times: {words}"
    for reason, times in sorted(reader.tester.damage.items()):
        yield f"{times} replies dropped: {reason}"
    if reader.tester.stats.misses:
        yield f"{reader.tester.stats.misses} requests brought no reply in time"
