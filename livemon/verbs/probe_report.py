"""What a probe found, as one value, and how it reads as text and as JSON; the same for an adapter and for a bus."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any, Final

from livemon.core.events import Link, Mark, Sample
from livemon.outputs.lacks import MEASURED, lacks
from livemon.wire.codes import MARKS_DRIVE, Bearing, explain

MOST_REASONS: Final = 8


@dataclass(frozen=True, slots=True)
class SignalFound:
    """One quantity the vehicle tells: by which PID, how often it answered, how long it took, its last value."""

    name: str
    pid: int
    asked: int
    answered: int
    round_trip_ms: float | None
    value: float | None


@dataclass(frozen=True, slots=True)
class Missing:
    """One quantity the forecast would use and the vehicle does not tell, and what that costs."""

    name: str
    costs: str


@dataclass(frozen=True, slots=True)
class ProbeReport:
    """Everything `livemon probe` tells.  None = not known, () = none."""

    source: str
    identity: tuple[str, ...]
    protocol: str | None
    voltage_v: float | None
    ecus: tuple[str, ...]
    signals: tuple[SignalFound, ...]
    requests_per_s: float | None
    readings_per_s: float | None
    missing: tuple[Missing, ...]
    """What is not told, one by one; `lacks` says what is known of it all together."""
    mil: bool | None
    stored: tuple[str, ...] | None
    pending: tuple[str, ...] | None
    permanent: tuple[str, ...] | None
    wrong: tuple[str, ...]

    @property
    def lacks(self) -> tuple[str, ...]:
        """How much worse the forecast was measured to be without what is missing."""
        return tuple(lack.words for lack in lacks({s.name for s in self.signals if s.answered}, outside_typed=False))

    @property
    def has_coolant(self) -> bool:
        return any(s.name == "coolant_c" and s.answered for s in self.signals)

    @property
    def exit_status(self) -> int:
        """0 the vehicle answers with coolant; 1 it does not."""
        return 0 if self.has_coolant else 1

    @property
    def all_codes(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys((*(self.stored or ()), *(self.pending or ()), *(self.permanent or ()))))


class Heard:
    """Takes a reader's events: the last value of each reading, and every reason why the link was down."""

    def __init__(self) -> None:
        self.values: dict[str, float] = {}
        self.reasons: list[str] = []

    def put(self, event: Sample | Link | Mark) -> None:
        if isinstance(event, Sample):
            self.values.update(event.readings)
        elif isinstance(event, Link) and not event.up and event.reason not in self.reasons:
            self.reasons = [*self.reasons, event.reason][:MOST_REASONS]


def to_json(report: ProbeReport) -> str:
    """One JSON object on one line."""
    found: dict[str, Any] = asdict(report)
    found["lacks"] = report.lacks
    found["codes_explained"] = {code: _meaning(code) for code in report.all_codes}
    found["fit_to_learn"] = not any(explain(code).bearing in MARKS_DRIVE for code in report.all_codes)
    return json.dumps(found, separators=(",", ":"), ensure_ascii=True) + "\n"


def to_text(report: ProbeReport) -> str:
    """The same for people."""
    lines = [report.source]
    lines += [f"  {words}" for words in report.identity]
    lines.append(f"  protocol     {report.protocol or 'not known'}")
    lines.append(f"  voltage      {'not known' if report.voltage_v is None else f'{report.voltage_v:.1f} V'}")
    lines.append(f"  answering    {', '.join(report.ecus) or 'no address shown'}")
    if report.requests_per_s is not None and report.readings_per_s is not None:
        lines.append(f"  rate         {report.requests_per_s:.1f} requests/s, {report.readings_per_s:.1f} readings/s")
    if report.signals:
        lines += _told(report)
    if report.wrong:
        lines += ["", "what is wrong"]
        lines += [f"  {words}" for words in report.wrong]
    return "\n".join(lines) + "\n"


def _told(report: ProbeReport) -> list[str]:
    """What a vehicle that was reached tells, what it lacks, and its codes."""
    lines = ["", "what it tells (asked, answered, round trip, last value)"]
    lines += [f"  {_signal(found)}" for found in report.signals] or ["  nothing"]
    lines += ["", "what the forecast lacks, and what that costs"]
    lines += [f"  {lack.name:<18} {lack.costs}" for lack in report.missing] or ["  nothing"]
    lines += [f"  all together: {words} ({MEASURED})" for words in report.lacks]
    lines += ["", f"warning lamp  {_lamp(report.mil)}"]
    for words, codes in (("stored", report.stored), ("pending", report.pending), ("permanent", report.permanent)):
        lines.append(f"{words:<13} {'not read' if codes is None else ' '.join(codes) or 'none'}")
    for code in report.all_codes:
        lines.append(f"  {code}  {_meaning(code)}")
    if any(explain(code).bearing in MARKS_DRIVE for code in report.all_codes):
        lines.append("  Drives with these codes are not fit to learn from.")
    if report.all_codes:
        lines.append("  Codes are for the vehicle's manual and a qualified mechanic; the lamp always wins.")
    return lines


def _meaning(code: str) -> str:
    known = explain(code)
    kind = "" if known.bearing is Bearing.OTHER else f"{known.bearing.value}: "
    return f"{kind}{known.name}; {known.meaning}"


def _lamp(mil: bool | None) -> str:
    return "not known" if mil is None else "ON" if mil else "off"


def _signal(found: SignalFound) -> str:
    took = "-" if found.round_trip_ms is None else f"{found.round_trip_ms:.0f} ms"
    value = "-" if found.value is None else f"{found.value:g}"
    return f"{found.name:<18} 01 {found.pid:02X} {found.asked:>4} {found.answered:>4} {took:>8} {value:>9}"
