"""What the adapter link does on bad days and how fresh its readings are: the tables of docs/reliability.md.

    python -m tests.bench.reliability            all tables on standard output
    python -m tests.bench.reliability --write    the same into docs/reliability.md, between its marks

Faults run in made-up time, session and core together, all transports and three seeds each.  Rates and ages run in real
time over pseudo-terminals, ours and python-OBD's asynchronous mode one after the other on the same emulated adapter.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import obd

from livemon.core.events import Event, Link, Mark, Sample
from livemon.core.grid import on_grid
from livemon.core.outcome import Status
from livemon.core.pipeline import CoreSettings, start, step
from livemon.readers.clock import MonotonicClock
from livemon.readers.serial_elm import SerialElm, SerialSettings
from livemon.sim.adapter import CAN11_500, CAN29_500, CLONE, ISO9141, KWP_FAST, PWM, VPW, Adapter, Habits
from livemon.sim.adapter_pty import PtyAdapter
from livemon.sim.ecu import ENGINE, OLD_ENGINE
from livemon.sim.link_faults import IN_SESSION, LinkFault
from livemon.wire import allow
from livemon.wire.elm_facts import ElmSettings
from livemon.wire.elm_replies import CAN_PROTOCOLS
from livemon.wire.log_text import LogParser, LogWriter, settled
from tests.sim.made_up_link import DRIVE, MadeUpLink

TRANSPORTS = {
    "J1850 PWM": PWM,
    "J1850 VPW": VPW,
    "ISO 9141-2": ISO9141,
    "ISO 14230": KWP_FAST,
    "CAN 11 bit": CAN11_500,
    "CAN 29 bit": CAN29_500,
}
SEEDS = (1, 2, 3)
BEFORE_S, FAULT_S, AFTER_S = 10.0, 10.0, 16.0
FLIPS_S = 1800.0
REAL_S = 25.0
BLUETOOTH_MS = 60.0
SAMPLE_S = 0.13
PLUGS = (LinkFault.UNPLUGGED, LinkFault.RENAMED)
MARKS = ("<!-- adapters: begin -->", "<!-- adapters: end -->")
SENSOR_FAULTS = (LinkFault.JUMPING_SENSOR, LinkFault.STUCK_SENSOR)


@dataclass
class FaultRow:
    """The worst of all seeds for one fault on one transport."""

    stale_s: float = 0.0
    again_s: float = 0.0
    wrong: int = 0
    lost_rows: int = 0
    forbidden: int = 0


def one_fault(fault: LinkFault, protocol: int, seed: int, row: FaultRow) -> None:
    """Ten seconds of a fault between good times."""
    link = MadeUpLink(Habits(protocol=protocol), seed=seed)
    link.run(BEFORE_S + 0.31 * seed)
    begun_ms = link.now_ms
    if fault in PLUGS:
        link.unplug()
    link.adapter.set_faults(frozenset({fault}), link.now_ms)
    link.run(FAULT_S)
    ended_ms = link.now_ms
    link.adapter.set_faults(frozenset(), link.now_ms)
    if fault in PLUGS:
        link.plug()
    link.run(AFTER_S)
    coolant = link.seen("coolant_c")
    after = [t for t, _ in coolant if t >= ended_ms]
    row.again_s = max(row.again_s, (after[0] - ended_ms) / 1000.0 if after else float("inf"))
    row.wrong += sum(v != DRIVE["coolant_c"] for t, v in coolant if t >= begun_ms)
    row.forbidden += sum(not allow.is_allowed_text(raw) for _, raw, _ in link.written)
    row.forbidden += sum(payload[0] not in allow.READING_SERVICES for payload in link.adapter.to_vehicle)
    events: list[Event] = [*sorted((*link.samples, *link.links), key=lambda e: e.t_ms)]
    row.stale_s = max(row.stale_s, shown_too_long_s(events, begun_ms, ended_ms))
    row.lost_rows += len(events) - recorded(events)


def shown_too_long_s(events: list[Event], from_ms: int, to_ms: int) -> float:
    """Longest age of a coolant reading that was still shown as live during the fault [s]."""
    settings = CoreSettings()
    state, worst = start(settings), 0.0
    for event in on_grid(events):
        state, outcome = step(state, event, settings)
        if outcome is not None and from_ms <= outcome.t_ms <= to_ms and outcome.status is Status.LIVE:
            worst = max(worst, outcome.age_s or 0.0)
    return worst


def recorded(events: list[Event]) -> int:
    """Rows that are in the recording as they came, written and read back."""
    writer, parser = LogWriter(), LogParser("recording")
    text = writer.header({}) + "".join(writer.row(settled(e, e.t_ms)) for e in events)
    back = [*parser.feed(text.encode()), *parser.close()]
    return sum(a == settled(b, b.t_ms) for a, b in zip(back, events, strict=False))


def fault_table() -> Iterator[str]:
    yield f"| fault | {' | '.join(TRANSPORTS)} | limit | shown live, most | wrong | rows lost | forbidden |"
    yield f"|---|{'---|' * len(TRANSPORTS)}---|---|---|---|---|"
    for fault in LinkFault:
        rows = {name: FaultRow() for name in TRANSPORTS}
        for name, protocol in TRANSPORTS.items():
            for seed in SEEDS:
                one_fault(fault, protocol, seed, rows[name])
        times = " | ".join(f"{row.again_s:.1f}" for row in rows.values())
        wrong = "(sensor)" if fault in SENSOR_FAULTS else str(sum(row.wrong for row in rows.values()))
        stale_s = max(row.stale_s for row in rows.values())
        lost, forbidden = sum(r.lost_rows for r in rows.values()), sum(r.forbidden for r in rows.values())
        limit = 5 if fault in IN_SESSION else 12
        yield f"| {fault.value} | {times} | {limit} | {stale_s:.1f} s | {wrong} | {lost} | {forbidden} |"


def flip_table() -> Iterator[str]:
    yield "| transport | readings | wrong | two wrong in a row | largest error | checked by |"
    yield "|---|---|---|---|---|---|"
    checks = {PWM: "CRC", VPW: "CRC", ISO9141: "sum", KWP_FAST: "sum and length"}
    for name, protocol in TRANSPORTS.items():
        link = MadeUpLink(Habits(protocol=protocol), seed=7)
        link.run(5)
        link.adapter.set_faults(frozenset({LinkFault.BIT_FLIPS}), link.now_ms)
        link.run(FLIPS_S)
        errors = [v - DRIVE["coolant_c"] for _, v in link.seen("coolant_c", 5_000)]
        pairs = sum(bool(a and b) for a, b in pairwise(errors))
        wrong = sum(map(bool, errors))
        largest = max((abs(e) for e in errors), default=0.0)
        check = checks.get(protocol, "length and PID only")
        yield f"| {name} | {len(errors)} | {wrong} | {pairs} | {largest:.0f} K | {check} |"


@dataclass
class Fresh:
    """How fresh a client's coolant is at any moment, and how much it reads."""

    ages_s: list[float]
    readings_per_s: float

    def cells(self) -> str:
        if not self.ages_s:
            return "no reading | | "
        ordered = sorted(self.ages_s)
        p95 = ordered[min(len(ordered) - 1, round(0.95 * len(ordered)))]
        return f"{statistics.median(ordered):.2f} s | {p95:.2f} s | {self.readings_per_s:.1f}"


def fresh(coolant_s: list[float], readings: int, begin_s: float, end_s: float) -> Fresh:
    # Not at whole seconds: requests at a steady rate would always meet them at the same age.
    ages, at_s = [], begin_s + 1.0
    while at_s <= end_s:
        before = [t for t in coolant_s if t <= at_s]
        if before:
            ages.append(at_s - before[-1])
        at_s += SAMPLE_S
    return Fresh(ages, readings / (end_s - begin_s))


def ours(path: str, elm: ElmSettings, seconds: float) -> Fresh:
    """Our reader on a device, `seconds` from its first reading and its trials on."""
    coolant: list[float] = []
    counted: list[float] = []

    def put(event: Sample | Link | Mark) -> None:
        now_s = time.monotonic()
        if isinstance(event, Sample):
            counted.extend(now_s for _ in event.readings)
            coolant.extend(now_s for name, _ in event.readings if name == "coolant_c")

    reader = SerialElm(SerialSettings(path, 38400, elm=elm), MonotonicClock())
    reader.start(put)
    wait_for(lambda: len(counted) > 12)
    begin_s = time.monotonic()
    time.sleep(seconds)
    end_s = time.monotonic()
    reader.stop()
    return fresh(coolant, sum(begin_s <= t <= end_s for t in counted), begin_s, end_s)


def theirs(path: str, per_s: float, can: bool, seconds: float) -> Fresh:
    """python-OBD's asynchronous mode, its requests held to the same rate."""
    coolant: list[float] = []
    counted: list[float] = []

    class Held(obd.OBD):  # type: ignore[misc]  # python-OBD has no types
        last_s = 0.0

    def held_query(self: obd.OBD, command: object, force: bool = False) -> object:
        wait_s = Held.last_s + 1.0 / per_s - time.monotonic()
        if wait_s > 0:
            time.sleep(wait_s)
        Held.last_s = time.monotonic()
        return plain_query(self, command, force)

    client = obd.Async(path, baudrate=38400, delay_cmds=0)
    plain_query = obd.OBD.query
    names = ["COOLANT_TEMP", "RPM", "SPEED", "MAF", "INTAKE_TEMP", "FUEL_STATUS"]
    names += ["ABSOLUTE_LOAD", "INTAKE_PRESSURE"] if can else []

    def took(name: str) -> Callable[[object], None]:
        def note(reply: object) -> None:
            if not reply.is_null():  # type: ignore[attr-defined]  # python-OBD has no types
                counted.append(time.monotonic())
                if name == "COOLANT_TEMP":
                    coolant.append(time.monotonic())

        return note

    for name in names:
        client.watch(obd.commands[name], callback=took(name))
    obd.OBD.query = held_query
    try:
        client.start()
        wait_for(lambda: len(counted) > 12)
        begin_s = time.monotonic()
        time.sleep(seconds)
        end_s = time.monotonic()
        client.stop()
    finally:
        obd.OBD.query = plain_query
        client.close()
    return fresh(coolant, sum(begin_s <= t <= end_s for t in counted), begin_s, end_s)


def wait_for(ready: Callable[[], bool], seconds: float = 30.0) -> None:
    end_s = time.monotonic() + seconds
    while not ready() and time.monotonic() < end_s:
        time.sleep(0.05)


def adapter_at(path: Path, habits: Habits) -> PtyAdapter:
    unit = ENGINE if habits.protocol in CAN_PROTOCOLS else OLD_ENGINE
    return PtyAdapter(Adapter(lambda: DRIVE, (unit,), habits), path)


def rate_table(seconds: float) -> Iterator[str]:
    yield "| adapter, transport | limit | ours: median age | 95 % | readings/s | python-OBD: median age | 95 % | readings/s | ratio |"  # noqa: E501  # one row
    yield "|---|---|---|---|---|---|---|---|---|"
    cases: list[tuple[str, Habits, float, ElmSettings]] = []
    for name, protocol in TRANSPORTS.items():
        can = protocol in CAN_PROTOCOLS
        per_s = 20.0 if can else 8.0
        cases.append((f"USB, {name}", Habits(protocol=protocol), per_s, ElmSettings()))
    blue = Habits(protocol=VPW, latency_ms=BLUETOOTH_MS)
    cases.append(("Bluetooth, J1850 VPW", blue, 8.0, ElmSettings()))
    cases.append(("Bluetooth, CAN 11 bit", replace(blue, protocol=CAN11_500), 20.0, ElmSettings()))
    cases.append(("bad clone, ISO 9141-2", replace(CLONE, protocol=ISO9141), 8.0, ElmSettings()))
    for per_s, faster in ((4.0, 4.0), (20.0, 20.0)):
        elm = ElmSettings(max_requests_per_s=per_s, batch_faster=faster)
        cases.append((f"USB, CAN 11 bit, each request used ({per_s:.0f}/s)", Habits(), per_s, elm))
    for name, habits, per_s, elm in cases:
        with tempfile.TemporaryDirectory() as folder:
            results: list[Fresh] = []
            with adapter_at(Path(folder) / "a", habits) as device:
                results.append(ours(device.path, elm, seconds))
            with adapter_at(Path(folder) / "b", habits) as device:
                results.append(theirs(device.path, per_s, habits.protocol in CAN_PROTOCOLS, seconds))
        us, them = results
        ratio = us.readings_per_s / them.readings_per_s if them.readings_per_s else float("inf")
        yield f"| {name} | {per_s:.0f}/s | {us.cells()} | {them.cells()} | {ratio:.1f} |"


def real_table() -> Iterator[str]:
    """The same faults in real time over pseudo-terminals, one transport each, all at once."""
    yield "| fault | live again after |"
    yield "|---|---|"
    answers: dict[LinkFault, float] = {}

    def play(fault: LinkFault, folder: Path) -> None:
        times: list[float] = []

        def put(event: Sample | Link | Mark) -> None:
            if isinstance(event, Sample) and any(name == "coolant_c" for name, _ in event.readings):
                times.append(time.monotonic())

        with adapter_at(folder / fault.value, Habits(protocol=CAN11_500)) as device:
            reader = SerialElm(SerialSettings(device.path, 38400), MonotonicClock())
            reader.start(put)
            wait_for(lambda: len(times) > 4)
            device.set_faults(frozenset({fault}))
            time.sleep(FAULT_S)
            device.set_faults(frozenset())
            ended_s = time.monotonic()
            wait_for(lambda: bool(times) and times[-1] > ended_s, AFTER_S)
            reader.stop()
            after = [t for t in times if t > ended_s]
            answers[fault] = after[0] - ended_s if after else float("inf")

    with tempfile.TemporaryDirectory() as folder:
        plays = [threading.Thread(target=play, args=(fault, Path(folder))) for fault in LinkFault]
        for thread in plays:
            thread.start()
        for thread in plays:
            thread.join()
    for fault in LinkFault:
        yield f"| {fault.value} | {answers.get(fault, float('inf')):.1f} s |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--seconds", type=float, default=REAL_S, help="real time for each client and adapter")
    args = parser.parse_args()
    parts = [
        "### Faults, made-up time: seconds until live again after ten seconds of the fault (worst of three seeds)",
        "\n".join(fault_table()),
        "### The same in real time over pseudo-terminals, CAN 11 bit",
        "\n".join(real_table()),
        f"### Flipped bits that still read as text: {FLIPS_S / 60:.0f} minutes, one character in fifty flipped",
        "\n".join(flip_table()),
        "### Age of the coolant reading at any moment, and readings a second (real time)",
        "\n".join(rate_table(args.seconds)),
    ]
    text = "\n\n".join(parts)
    print(text)
    if args.write:
        page = Path(__file__).resolve().parents[2] / "docs" / "reliability.md"
        whole = page.read_text(encoding="utf-8")
        head, tail = whole.split(MARKS[0])[0], whole.split(MARKS[1])[1]
        page.write_text(f"{head}{MARKS[0]}\n\n{text}\n\n{MARKS[1]}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
