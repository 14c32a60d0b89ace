"""Examines an ELM-style adapter and the vehicle behind it: every known PID a few times, then the plan of a drive.

Strategy: the same reader and state table as `watch`, with another plan in front of the usual one.  What the adapter is
worth is judged by what it does, not by what it calls itself.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from statistics import median
from threading import Event as Flag
from typing import Final

from livemon.readers.clock import MonotonicClock
from livemon.readers.serial_elm import SPEEDS, Port, SerialElm, SerialSettings, open_port
from livemon.verbs.probe_report import Heard, Missing, ProbeReport, SignalFound
from livemon.wire import allow, pids
from livemon.wire.codes import PENDING, PERMANENT, STORED
from livemon.wire.elm import Session
from livemon.wire.elm_facts import AdapterFacts, Trial
from livemon.wire.polling import ASSUMED, WANTS, Ask, Poller

ROUNDS: Final = 3
DRIVE_S: Final = 6.0
"""After the sweep the plan of a drive runs for so long, to measure the rate that a drive would get."""

NO_PORT_S: Final = 3.0
NO_VEHICLE_S: Final = 25.0
"""A search through all protocols takes ten seconds and more; two of them must fit."""

FIND_WAIT_S: Final = 0.6


class Sweep:
    """Asks each known PID a few times, one by one, then goes on as a drive would; remembers times and answers."""

    def __init__(self, facts: AdapterFacts, supported: frozenset[int] | None, now_ms: Callable[[], int]) -> None:
        self.poller = Poller(facts.can, supported)
        known = [
            pid
            for pid in sorted(pids.PIDS if supported is None else supported)
            if pid in pids.PIDS and pid not in pids.BITMAPS and allow.is_askable(pid)
        ]
        if supported is None:
            known = sorted(ASSUMED)
        self.pids = tuple(known)
        self.asked = dict.fromkeys(known, 0)
        self.round_trips: dict[int, list[int]] = {pid: [] for pid in known}
        self.swept_ms: int | None = None
        self.polled = 0
        self.polled_readings = 0
        self.wants_plug_voltage = True
        self._now_ms = now_ms
        self._row = deque(known * ROUNDS)
        self._sent_ms = 0
        self._next_ms = 0

    def ready_ms(self) -> int:
        return self._next_ms if self._row else self.poller.ready_ms()

    def next_ask(self, now_ms: int) -> Ask | None:
        if not self._row:
            if self.swept_ms is None:
                self.swept_ms = now_ms
            ask = self.poller.next_ask(now_ms)
            self.polled += ask is not None
            return ask
        if now_ms < self._next_ms:
            return None
        pid = self._row.popleft()
        self.asked[pid] += 1
        self._sent_ms = now_ms
        self._next_ms = now_ms + self.poller.gap_ms
        return Ask(bytes((0x01, pid)), (pid,))

    def answered(self, pids: Iterable[int], ask: Ask, now_ms: int) -> None:
        got = set(pids)
        if self.swept_ms is not None:
            self.polled_readings += len(got)
            self.poller.answered(got, ask, now_ms)
            return
        for pid in got & self.asked.keys():
            self.round_trips[pid].append(now_ms - self._sent_ms)

    def silent(self, ask: Ask, others_answer: bool, now_ms: int) -> None:
        if self.swept_ms is not None:
            self.poller.silent(ask, others_answer, now_ms)

    def coolant_seen(self, value_c: float, now_ms: int) -> bool:
        return self.poller.coolant_seen(value_c, now_ms)

    def use_batches(self, on: bool) -> None:
        self.poller.use_batches(on)

    def took_turn(self, now_ms: int) -> None:
        self._next_ms = now_ms + self.poller.gap_ms
        self.poller.took_turn(now_ms)


def examine(settings: SerialSettings, most_s: float = 60.0, drive_s: float = DRIVE_S) -> ProbeReport:
    """Talk to the adapter for at most `most_s` and report; never raises for what the other end does."""
    clock = MonotonicClock()
    plans: list[Sweep] = []

    def plan(facts: AdapterFacts, supported: frozenset[int] | None) -> Sweep:
        # Batches are tried only once the sweep is over: then single round trips have been measured.
        plans.append(Sweep(facts, supported, clock.now_ms))
        return plans[-1]

    session = Session(settings.elm, plan)
    session.codes.permanent_too = True
    heard = Heard()
    done = Flag()

    reader = SerialElm(settings, clock, session)
    reader.start(heard.put)
    end_s = time.monotonic() + most_s
    while time.monotonic() < end_s and not done.wait(0.05):
        swept_ms = plans[-1].swept_ms if plans else None
        if swept_ms is not None and clock.now_ms() - swept_ms >= drive_s * 1000:
            break
        if not plans and heard.reasons and time.monotonic() > end_s - most_s + NO_VEHICLE_S:
            break  # so long without a vehicle is enough to say so
        if not reader.opens and time.monotonic() > end_s - most_s + NO_PORT_S:
            break
    reader.stop()
    return _report(settings, session, plans[-1] if plans else None, heard.values, heard.reasons, clock.now_ms())


def _report(
    settings: SerialSettings,
    session: Session,
    sweep: Sweep | None,
    values: dict[str, float],
    reasons: list[str],
    now_ms: int,
) -> ProbeReport:
    facts, codes = session.facts, session.codes
    requests_per_s = readings_per_s = None
    if sweep is not None and sweep.swept_ms is not None and now_ms > sweep.swept_ms:
        seconds = (now_ms - sweep.swept_ms) / 1000.0
        requests_per_s, readings_per_s = round(sweep.polled / seconds, 2), round(sweep.polled_readings / seconds, 2)
    told = {name for pid in (sweep.pids if sweep else ()) if sweep and sweep.round_trips[pid] for name in _names(pid)}
    missing = [Missing(want.name, want.costs) for want in WANTS]
    return ProbeReport(
        source=f"adapter on {settings.port}",
        identity=tuple(_identity(session)),
        protocol=facts.protocol_name if facts.protocol else None,
        voltage_v=facts.voltage_v,
        ecus=session.ecus.names,
        signals=tuple(_signals(sweep, values)) if sweep else (),
        requests_per_s=requests_per_s,
        readings_per_s=readings_per_s,
        missing=tuple(m for m in missing if m.name not in told),
        mil=None if codes.status is None else codes.status.mil,
        stored=codes.lists.get(STORED),
        pending=codes.lists.get(PENDING),
        permanent=codes.lists.get(PERMANENT),
        wrong=tuple(_wrong(session, reasons, sweep)),
    )


def _names(pid: int) -> tuple[str, ...]:
    return pids.PIDS[pid].quantities


def _signals(sweep: Sweep, values: dict[str, float]) -> Iterator[SignalFound]:
    for pid in sweep.pids:
        trips = sweep.round_trips[pid]
        for name in _names(pid):
            if name in values or not trips:
                took = median(trips) if trips else None
                yield SignalFound(name, pid, sweep.asked[pid], len(trips), took, values.get(name) if trips else None)


def _identity(session: Session) -> Iterator[str]:
    facts = session.facts
    yield f"calls itself {facts.banner!r}" if facts.banner else "shows no version text"
    if facts.refused:
        yield f"does not know {', '.join(facts.refused)}"
    if facts.echo_stuck:
        yield "keeps its echo on"
    if facts.nul_bytes:
        yield "puts NUL bytes between characters"
    if facts.shape is not None:
        yield f"shows frames as {facts.shape.value}"
    words = {Trial.PROVEN: "takes", Trial.FAILED: "does not take"}
    if facts.can and facts.batches in words:
        yield f"{words[facts.batches]} several PIDs in a request"
    if facts.short_timeout in words:
        yield f"{words[facts.short_timeout]} a reply timeout of 100 ms"


def _wrong(session: Session, reasons: list[str], sweep: Sweep | None) -> Iterator[str]:
    counts = session.counts
    yield from reasons
    if sweep is None:
        yield "the vehicle was not reached: is the ignition on, is the plug in?"
    if counts.dropped_lines:
        yield f"{counts.dropped_lines} lines were torn or damaged"
    if counts.timeouts:
        yield f"{counts.timeouts} times no prompt came in time"
    if counts.strangers:
        yield f"{counts.strangers} replies came late, to an earlier request"
    for message, times in counts.messages.items():
        if message.value in ("BUFFER FULL", "CAN ERROR", "BUS ERROR", "FB ERROR", "DATA ERROR", "RX ERROR", "STOPPED"):
            yield f"the adapter said {message.value} {times} times"


def candidate_ports() -> list[str]:
    """Serial devices of this machine that an adapter can be on."""
    from serial.tools import list_ports

    named = [port.device for port in list_ports.comports()]
    bluetooth = [str(path) for path in sorted(Path("/dev").glob("rfcomm*"))]
    return sorted(dict.fromkeys((*named, *bluetooth)))


def find(
    ports: Iterable[str], speeds: Iterable[int] = SPEEDS, opener: Callable[[str, int], Port] = open_port
) -> Iterator[tuple[str, int, str]]:
    """Ports, speeds and words of everything that answers a harmless ATI with a prompt."""
    for name in ports:
        for baud in speeds:
            words = _ask_who(name, baud, opener)
            if words is not None:
                yield name, baud, words
                break


def _ask_who(name: str, baud: int, opener: Callable[[str, int], Port]) -> str | None:
    port: Port | None = None
    try:
        port = opener(name, baud)
        port.write(allow.checked_text(b"ATI\r"))
        end_s, got = time.monotonic() + FIND_WAIT_S, b""
        while time.monotonic() < end_s and b">" not in got and len(got) < 512:
            got += port.read(1)
        if b">" not in got:
            return None
        text = got.replace(b"\x00", b"").decode("ascii", "ignore").replace(">", " ").replace("ATI", " ")
        return " ".join(text.split())
    except (OSError, ValueError):
        return None
    finally:
        if port is not None:
            with suppress(OSError, ValueError):
                port.close()
