"""`livemon probe --gps`: what a GPS receiver tells, how often, and what is wrong.

Listens until there have been some fixes, or for as long as was asked; sends nothing.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Final

from livemon.core.events import Link, Mark, Sample
from livemon.readers.gps_serial import GpsSerial, Port, open_port

ENOUGH_FIXES: Final = 5
LOOK_S: Final = 0.2


@dataclass(frozen=True, slots=True)
class GpsReport:
    """What was heard; `status` as the screens of `watch` would say it at the end."""

    port: str
    baud: int
    seconds: float
    status: str
    sentences: int
    fixes: int
    satellites: int | None
    talkers: dict[str, int]
    thrown_away: dict[str, int]
    last: dict[str, float]

    @property
    def exit_status(self) -> int:
        """0 it tells a position; 1 it does not."""
        return 0 if self.fixes else 1


class _Since:
    """Milliseconds since the probe began."""

    def __init__(self) -> None:
        self._began_s = time.monotonic()

    def now_ms(self) -> int:
        return int(1000.0 * (time.monotonic() - self._began_s))


def examine(port: str, baud: int, seconds: float, opener: Callable[[str, int], Port] = open_port) -> GpsReport:
    """Listen to `port` for at most `seconds`."""
    clock, last = _Since(), dict[str, float]()

    def put(event: Sample | Link | Mark) -> None:
        if isinstance(event, Sample):
            last.update(event.readings)

    reader = GpsSerial(port, clock, baud, opener)
    reader.start(put)
    while clock.now_ms() < 1000.0 * seconds and reader.parser.fixes < ENOUGH_FIXES and not _gone(reader, clock):
        time.sleep(LOOK_S)
    status, parser, passed_s = reader.status(), reader.parser, clock.now_ms() / 1000.0
    reader.stop()
    return GpsReport(
        port,
        baud,
        round(passed_s, 1),
        status,
        parser.sentences,
        parser.fixes,
        parser.satellites,
        dict(parser.talkers),
        {why: count for why, count in parser.skipped.items() if count},
        last,
    )


def _gone(reader: GpsSerial, clock: _Since) -> bool:
    """A port that could not be opened is not waited for."""
    return reader.trouble.startswith("GPS port") and clock.now_ms() > 1_000


def show(report: GpsReport, as_json: bool) -> int:
    """Print a report; its exit status."""
    if as_json:
        print(json.dumps(asdict(report)))
        return report.exit_status
    lines = [f"GPS on {report.port} at {report.baud}: {report.status}"]
    talkers = ", ".join(f"{name} {count}" for name, count in sorted(report.talkers.items())) or "none"
    lines.append(f"heard for {report.seconds:.0f} s: {report.sentences} GGA and RMC ({talkers}), {report.fixes} fixes")
    if report.thrown_away:
        lines.append("thrown away: " + ", ".join(f"{why} {count}" for why, count in sorted(report.thrown_away.items())))
    lines += [f"{name} {value:g}" for name, value in report.last.items()]
    if not report.fixes:
        lines.append("A cold receiver under open sky needs some minutes; under a roof it may never have a fix.")
    sys.stdout.write("\n".join(lines) + "\n")
    return report.exit_status
