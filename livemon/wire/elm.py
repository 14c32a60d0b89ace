"""Talks to an ELM-style adapter: bytes in, bytes out, events for the core, and a way back from every fault.

Strategy: a state table without I/O.  The owner of the port calls `receive` with what came, writes what `advance`
returns, and calls it again at `wake_ms` at the latest; time is an argument.  One request is outstanding, a request to
the vehicle leaves only after a prompt, and after a silence the first thing written is a harmless adapter command.
It knows no port, no clock and no thread; `elm_replies` reads the text, `polling` chooses what to ask.

    CLOSED -> SETTLE -> START (adapter commands) -> CONNECT (0100) -> LIVE
                ^         ^                           |  ^             |
                |         +-- adapter restarted ------+  +-- PAUSE <---+-- vehicle silent
                +------------ port closed or no prompt -- RESYNC <-----+-- no prompt
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import Final

from livemon.core.events import Link, Sample
from livemon.wire import allow
from livemon.wire.elm_ecus import Ecus
from livemon.wire.elm_health import CodeWatch, plug_voltage
from livemon.wire.elm_replies import (
    BUS_FAULT,
    CAN_PROTOCOLS,
    KLINE_PROTOCOLS,
    NO_VEHICLE,
    PROTOCOL_NAMES,
    REBOOTED,
    SHAPES_OF_PROTOCOL,
    Block,
    Message,
    Request,
    Shape,
    clean,
    sort_block,
)
from livemon.wire.pids import next_bitmap, readings, walk
from livemon.wire.polling import COOLANT, MONITOR, Ask, Plan, Poller

MAX_BUFFER: Final = 4096
"""More than this without a prompt is no reply: dropped and counted."""

SETTLE_MS: Final = 150
AT_TIMEOUT_MS: Final = 1_000
RESET_TIMEOUT_MS: Final = 2_500
CONNECT_TIMEOUT_MS: Final = 12_000
"""Search through all protocols and slow K-line init: 10 s or more must be allowed (common practice)."""
FIRST_TIMEOUT_MS: Final = 1_500
LEAST_TIMEOUT_MS: Final = 1_000
MOST_TIMEOUT_MS: Final = 5_000
DRIP_MS: Final = 600
"""While bytes keep coming a reply is waited for this much longer, up to MOST_TIMEOUT_MS in all."""
GRACE_MS: Final = 300
"""After a prompt without an answer to this request, the answer may still be on its way."""

MISSES_TO_CLOSE: Final = 3
MISSES_TO_RESTART: Final = 6
RESYNC_TRIES: Final = 2
RESET_TRIES: Final = 2
ECHO_RESTARTS: Final = 2
GOOD_BEFORE_TRIALS: Final = 6

PAUSE_FIRST_MS: Final = 500
PAUSE_IN_TOUCH_MS: Final = 2_000
PAUSE_HOT_MS: Final = 5_000
PAUSE_COLD_MS: Final = 15_000
PAUSE_KLINE_MS: Final = 3_000
HOT_C: Final = 60.0
"""Above this last coolant reading retries are never further apart than PAUSE_HOT_MS."""

OTHERS_ANSWER_MS: Final = 3_000
"""A PID's silence counts against it only if another one was answered so recently."""

MAX_EVENTS: Final = 1_000


class Phase(Enum):
    """Where the link stands."""

    CLOSED = "port closed"
    SETTLE = "port just opened"
    START = "start order"
    CONNECT = "looking for the vehicle"
    LIVE = "live"
    RESYNC = "looking for the prompt"
    PAUSE = "waiting before the next try"


class Trial(Enum):
    """Something an adapter may or may not do well; used only where proven."""

    UNTRIED = "untried"
    RUNNING = "running"
    PROVEN = "proven"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Reopen:
    """The owner of the port is asked to close it and open it again."""

    reason: str


Happening = Sample | Link | Reopen


@dataclass(frozen=True, slots=True)
class ElmSettings:
    """What a link may be told beforehand; the defaults find everything out."""

    protocol: int = 0
    """Adapter's protocol number 1-9, or 0 = search."""
    max_requests_per_s: float | None = None
    """Below the polite limits; None = those."""
    try_batches: bool = True


@dataclass(slots=True)
class Counts:
    """What went wrong, by kind; for the summary and for probe."""

    requests: int = 0
    answered: int = 0
    no_data: int = 0
    garbage: int = 0
    dropped_lines: int = 0
    strangers: int = 0
    timeouts: int = 0
    restarts: int = 0
    negatives: int = 0
    stray_bytes: int = 0
    nul_bytes: int = 0
    overflows: int = 0
    messages: dict[Message, int] = field(default_factory=dict)


@dataclass(slots=True)
class AdapterFacts:
    """What the adapter showed by behaviour, whatever its version text claims."""

    banner: str = ""
    protocol: int = 0
    found_by_search: bool = False
    shape: Shape | None = None
    refused: list[str] = field(default_factory=list)
    echo_stuck: bool = False
    nul_bytes: bool = False
    voltage_v: float | None = None
    batches: Trial = Trial.UNTRIED
    short_timeout: Trial = Trial.UNTRIED

    @property
    def can(self) -> bool:
        return self.protocol in CAN_PROTOCOLS or self.shape in (Shape.CAN11, Shape.CAN29)

    @property
    def protocol_name(self) -> str:
        return PROTOCOL_NAMES[self.protocol]


@dataclass(slots=True)
class _Pending:
    """The request that is out."""

    request: Request
    sent_ms: int
    deadline_ms: int
    latest_ms: int
    ask: Ask | None = None
    first_byte_ms: int | None = None
    held: Block | None = None
    grace_ms: int | None = None


SETUP: Final[tuple[str, ...]] = ("ATE0", "ATL0", "ATS0", "ATH1", "ATAT1")
"""Echo, line feeds and blanks off, headers on, adaptive timing on: in this order after a reset."""


class Session:
    """The far end of one port.  Every method takes the time in whole milliseconds of one monotonic clock."""

    def __init__(
        self,
        settings: ElmSettings | None = None,
        make_plan: Callable[[AdapterFacts, frozenset[int] | None], Plan] | None = None,
    ) -> None:
        self.settings = settings or ElmSettings()
        self.facts = AdapterFacts()
        self.counts = Counts()
        self.ecus = Ecus()
        self.codes = CodeWatch()
        self.phase = Phase.CLOSED
        self.plan: Plan | None = None
        self.last_rtt_ms: int | None = None
        self._make_plan = make_plan or self._poller
        self._events: deque[Happening] = deque(maxlen=MAX_EVENTS)
        self._buffer = bytearray()
        self._prompt = False
        self._pending: _Pending | None = None
        self._steps: deque[str] = deque()
        self._up = False
        self._not_before_ms = 0
        self._after_pause = Phase.CONNECT
        self._repeat: _Pending | None = None
        self._retried = False
        self._timeout_ms = FIRST_TIMEOUT_MS
        self._rtts: deque[int] = deque(maxlen=16)
        self._misses = 0
        self._good = 0
        self._pauses = 0
        self._resyncs = 0
        self._resets = 0
        self._connects = 0
        self._echo_restarts = 0
        self._connect_timeouts = 0
        self._step_timeouts = 0
        self._last_protocol = 0
        self._last_good_ms: int | None = None
        self._down_reason = ""
        self._bitmap: int | None = None
        self._coolant_c: float | None = None
        self._trial_good = 0
        self._batch_misses = 0
        self._voltage_due_ms = 0

    # -- what the owner of the port calls ---------------------------------------------------------------------------

    def opened(self, now_ms: int) -> None:
        """The port is open: let it come to rest, then begin."""
        self._buffer.clear()
        self._prompt = False
        self._pending = self._repeat = None
        self._resyncs = self._resets = 0
        self._echo_restarts = 0
        self.phase = Phase.SETTLE
        self._not_before_ms = now_ms + SETTLE_MS

    def closed(self, now_ms: int, reason: str) -> None:
        """The port is gone."""
        self._go_down(now_ms, reason)
        self._pending = self._repeat = None
        self._buffer.clear()
        self.phase = Phase.CLOSED

    def receive(self, data: bytes, now_ms: int) -> None:
        """Bytes came from the port."""
        if self.phase is Phase.CLOSED or not data:
            return
        nuls = data.count(0)
        self.counts.nul_bytes += nuls
        self.facts.nul_bytes = self.facts.nul_bytes or bool(nuls)
        pending = self._pending
        if pending is not None and pending.first_byte_ms is None:
            pending.first_byte_ms = now_ms
        self._buffer += data
        while (end := self._buffer.find(b">")) >= 0:
            text = clean(bytes(self._buffer[:end]))
            del self._buffer[: end + 1]
            self._prompt = True
            self._block(text, now_ms)
        if len(self._buffer) > MAX_BUFFER:
            self._buffer.clear()
            self.counts.overflows += 1
        if (pending := self._pending) is not None:
            pending.deadline_ms = max(pending.deadline_ms, min(now_ms + DRIP_MS, pending.latest_ms))
            if b"SEARCHING" in self._buffer or b"BUS INIT" in self._buffer:
                pending.deadline_ms = max(pending.deadline_ms, pending.sent_ms + CONNECT_TIMEOUT_MS)

    def advance(self, now_ms: int) -> bytes | None:
        """What to write to the port now, if anything.  Call again whenever bytes came, and at `wake_ms`."""
        for _ in range(4):  # a timeout or a held answer may lead to the next request at once
            if self.phase is Phase.CLOSED:
                return None
            if (pending := self._pending) is not None:
                if pending.grace_ms is not None and now_ms >= pending.grace_ms and pending.held is not None:
                    self._pending = None
                    self._finished(pending, pending.held, now_ms)
                elif now_ms >= pending.deadline_ms:
                    self._timed_out(pending, now_ms)
                else:
                    return None
                continue
            out = self._next(now_ms)
            if out is not None or self._pending is None:
                return out
        return None

    def wake_ms(self, now_ms: int) -> int:
        """When `advance` has something to do at the latest, if no byte comes before."""
        if self.phase is Phase.CLOSED:
            return now_ms + 1_000
        if (pending := self._pending) is not None:
            return min(pending.deadline_ms, pending.grace_ms or pending.deadline_ms)
        if self.phase is Phase.LIVE and self.plan is not None and self._repeat is None:
            return max(now_ms, self.plan.ready_ms())
        return max(now_ms, self._not_before_ms)

    @property
    def waiting(self) -> bool:
        """True while a reply is outstanding."""
        return self._pending is not None

    def events(self) -> list[Happening]:
        """What happened since the last call, in order."""
        happened = list(self._events)
        self._events.clear()
        return happened

    # -- sending ----------------------------------------------------------------------------------------------------

    def _send(self, request: Request, now_ms: int, timeout_ms: int, ask: Ask | None = None) -> bytes:
        """The only way out.  A request to the vehicle needs a prompt; an adapter command may go without after a
        silence."""
        raw = allow.checked_text(request.text.encode("ascii") + allow.END)
        self.counts.stray_bytes += len(self._buffer)
        self._buffer.clear()
        self._prompt = False
        latest = now_ms + max(timeout_ms, MOST_TIMEOUT_MS)
        self._pending = _Pending(request, now_ms, now_ms + timeout_ms, latest, ask)
        self.counts.requests += request.service is not None
        return raw

    def _command(self, text: str, now_ms: int, timeout_ms: int = AT_TIMEOUT_MS) -> bytes:
        return self._send(Request(text), now_ms, timeout_ms)

    def _service(self, payload: bytes, now_ms: int, timeout_ms: int, ask: Ask | None = None) -> bytes | None:
        if not self._prompt:
            self._start_resync(now_ms)
            return None
        pids = tuple(payload[1:]) if payload[0] in (0x01, 0x09) else ()
        return self._send(Request(payload.hex().upper(), payload[0], pids), now_ms, timeout_ms, ask)

    def _next(self, now_ms: int) -> bytes | None:
        """The next thing to write, by phase; nothing is outstanding."""
        if now_ms < self._not_before_ms and self.phase is not Phase.LIVE:
            return None
        if self.phase is Phase.PAUSE:
            self.phase = self._after_pause
        if self.phase is Phase.SETTLE:
            self._begin_start("ATZ")
        if self.phase is Phase.RESYNC:
            return self._command("ATI", now_ms)
        if self.phase is Phase.START:
            if self._steps:
                text = self._steps[0]
                reset_ms = RESET_TIMEOUT_MS << self._resets
                return self._command(text, now_ms, reset_ms if text in ("ATZ", "ATWS") else AT_TIMEOUT_MS)
            self.phase = Phase.CONNECT
            self._bitmap = 0x00
        if self.phase is Phase.CONNECT:
            if self._steps:
                return self._command(self._steps[0], now_ms)
            if self._bitmap is not None:
                timeout = CONNECT_TIMEOUT_MS if self._bitmap == 0x00 else self._timeout_ms
                return self._service(bytes((0x01, self._bitmap)), now_ms, timeout)
            self._enter_live(now_ms)
        return self._next_live(now_ms)

    def _next_live(self, now_ms: int) -> bytes | None:
        if now_ms < self._not_before_ms:
            return None
        if (again := self._repeat) is not None:
            self._repeat = None
            return self._service(bytes.fromhex(again.request.text), now_ms, self._timeout_ms, again.ask)
        if self._steps:
            return self._command(self._steps[0], now_ms)
        assert self.plan is not None  # LIVE is entered with a plan
        if now_ms < self.plan.ready_ms():
            return None
        if (service := self.codes.due(now_ms)) is not None and self._good >= 2:
            self.plan.took_turn(now_ms)
            self.codes.sent(service, now_ms)
            return self._service(bytes((service,)), now_ms, self._timeout_ms)
        if self.plan.wants_plug_voltage and now_ms >= self._voltage_due_ms and self._good >= 2:
            self._voltage_due_ms = now_ms + 30_000
            return self._command("ATRV", now_ms)
        ask = self.plan.next_ask(now_ms)
        return None if ask is None else self._service(ask.payload, now_ms, self._timeout_ms, ask)

    # -- receiving --------------------------------------------------------------------------------------------------

    def _shapes(self) -> tuple[Shape, ...]:
        if self.facts.shape is not None:
            return (self.facts.shape,)
        return SHAPES_OF_PROTOCOL[self.facts.protocol]

    def _block(self, text: str, now_ms: int) -> None:
        """A prompt came: decide whether what stands before it belongs to the request that is out."""
        pending = self._pending
        if pending is None:
            stray = sort_block(text, Request(""), ())
            self.counts.stray_bytes += len(text)
            if stray.has(REBOOTED):
                self._restarted(now_ms, stray)
            return
        block = sort_block(text, pending.request, self._shapes())
        self.counts.dropped_lines += block.dropped
        self.counts.strangers += block.strangers
        for message in block.messages:
            self.counts.messages[message] = self.counts.messages.get(message, 0) + 1
        if self._belongs(block, pending.request):
            self._pending = None
            self._finished(pending, block, now_ms)
        else:
            pending.held = block
            # A stranger means that our own reply is still to come; anything else gets a moment.
            wait = pending.deadline_ms - now_ms if block.strangers else GRACE_MS
            pending.grace_ms = min(pending.grace_ms or now_ms + wait, now_ms + wait)

    @staticmethod
    def _belongs(block: Block, request: Request) -> bool:
        if request.service is not None:
            return bool(block.replies or block.negatives or set(block.messages) - {Message.SEARCHING, Message.OK})
        words = [line for line in block.lines if not _looks_like_frame(line)]
        return bool(words)

    def _finished(self, pending: _Pending, block: Block, now_ms: int) -> None:
        """The request is over, with this block."""
        self._resyncs = 0
        resetting = pending.request.text in ("ATZ", "ATWS", "ATI")
        if block.has(REBOOTED) and not (resetting and Message.LOW_VOLTAGE_RESET not in block.messages):
            self._restarted(now_ms, block)
            return
        if pending.request.service is None:
            self._command_done(pending, block, now_ms)
        elif self._echo_came_back(block):
            self._echo_restarts += 1
            self._restart(now_ms, "adapter lost its settings", "ATWS")
        elif self.phase is Phase.CONNECT:
            self._connect_done(pending, block, now_ms)
        else:
            self._service_done(pending, block, now_ms)

    def _echo_came_back(self, block: Block) -> bool:
        return (
            block.echoed
            and self.phase is Phase.LIVE
            and not self.facts.echo_stuck
            and self._echo_restarts < ECHO_RESTARTS
        )

    def _command_done(self, pending: _Pending, block: Block, now_ms: int) -> None:
        text = pending.request.text
        if text == "ATI" and self.phase is Phase.RESYNC:
            self._note_banner(block)
            self._resynced(now_ms)
            return
        if text == "ATRV":
            if (volts := plug_voltage(block.lines)) is not None:
                self.facts.voltage_v = volts
                self._events.append(Sample(pending.first_byte_ms or now_ms, (("voltage_v", volts),)))
            return
        if not self._steps or self._steps[0] != text:
            return
        if Message.UNKNOWN_COMMAND in block.messages and text not in ("ATZ", "ATWS", "ATI"):
            if not self._retried:
                self._retried = True
                return
            if text not in self.facts.refused and len(self.facts.refused) < 16:
                self.facts.refused.append(text)
        self._retried = False
        self._step_timeouts = 0
        self._steps.popleft()
        self._resets = 0
        if text in ("ATZ", "ATWS", "ATI"):
            self._note_banner(block)
        elif text in ("ATL0", "ATS0", "ATH1"):
            self.facts.echo_stuck = block.echoed
        elif text == "ATDPN":
            self._note_protocol(block)
        elif text.startswith("ATST") and self.phase is Phase.LIVE and text != "ATST32":
            refused = Message.OK not in block.messages
            self.facts.short_timeout = Trial.FAILED if refused else Trial.RUNNING
            self._trial_good = 0

    def _note_banner(self, block: Block) -> None:
        for line in block.lines:
            if any(c.isdigit() for c in line) and not _looks_like_frame(line):
                self.facts.banner = line[:40]

    def _note_protocol(self, block: Block) -> None:
        """ATDPN: one digit, `A` before it if found by search; some clones print more lines before it."""
        for line in reversed(block.lines):
            word = line.strip().upper()
            digit = word[1:] if len(word) == 2 and word[0] == "A" else word
            if len(digit) == 1 and digit in "123456789":
                self.facts.protocol = self._last_protocol = int(digit)
                self.facts.found_by_search = len(word) == 2
                return

    # -- start, connect, recover ------------------------------------------------------------------------------------

    def _begin_start(self, reset: str) -> None:
        self.phase = Phase.START
        self._retried = False
        self._step_timeouts = 0
        self._steps = deque((reset, *SETUP, self._protocol_command()))
        self.facts.shape = None
        if self.facts.short_timeout is not Trial.FAILED:
            self.facts.short_timeout = Trial.UNTRIED

    def _protocol_command(self) -> str:
        """Known protocol first; every second try searches, in case it was wrong or the plug moved."""
        known = self.settings.protocol or self._last_protocol
        if self._connects % 2 and not self.settings.protocol:
            known = 0
        self.facts.protocol = known
        return f"ATSP{known}"

    def _restarted(self, now_ms: int, block: Block) -> None:
        """The adapter has reset itself: all its settings are gone."""
        said = next((m.value for m in block.messages if m in REBOOTED), "restart")
        self._restart(now_ms, f"adapter restarted ({said})", "ATWS")

    def _restart(self, now_ms: int, reason: str, reset: str) -> None:
        self.counts.restarts += 1
        self._go_down(now_ms, reason)
        self._pending = self._repeat = None
        self._misses = 0
        self._begin_start(reset)
        self._not_before_ms = now_ms + SETTLE_MS

    def _start_resync(self, now_ms: int) -> None:
        self.phase = Phase.RESYNC
        self._not_before_ms = now_ms

    def _resynced(self, now_ms: int) -> None:
        """The prompt is back: go on where it was lost."""
        self._resyncs = 0
        self.phase = Phase.LIVE if self._up and self.plan is not None else Phase.START
        if self.phase is Phase.START and not self._steps:
            self._begin_start("ATWS")

    def _timed_out(self, pending: _Pending, now_ms: int) -> None:
        """No prompt in time: first look for it with a harmless command, then reset, then ask for a new port."""
        self.counts.timeouts += 1
        self._pending = None
        self._timeout_ms = min(round(self._timeout_ms * 1.5), MOST_TIMEOUT_MS)
        if pending.ask is not None and self.plan is not None:
            self._missed(pending.ask, now_ms)
        text = pending.request.text
        if text in ("ATZ", "ATWS"):
            self._resets += 1
            if self._resets >= RESET_TRIES:
                self._resets = 0
                self._go_down(now_ms, "adapter does not answer")
                self._ask_for_reopen(self._down_reason)
            else:
                self._begin_start("ATZ")
        elif self.phase is Phase.RESYNC:
            self._resyncs += 1
            if self._resyncs >= RESYNC_TRIES:
                self._resyncs = 0
                self._restart(now_ms, "adapter does not answer", "ATWS")
        elif self._misses >= MISSES_TO_RESTART:
            self._restart(now_ms, "no answer from the adapter", "ATWS")
        elif self.phase is Phase.CONNECT and pending.request.service is not None:
            self._connect_timeouts += 1
            self._go_down(now_ms, "adapter hangs while it looks for the vehicle")
            if self._connect_timeouts % 2 == 0:
                self._ask_for_reopen(self._down_reason)
            else:
                self._start_resync(now_ms)
        else:
            self._skip_dead_step(text)
            self._start_resync(now_ms)

    def _ask_for_reopen(self, reason: str) -> None:
        self.phase = Phase.CLOSED
        self._events.append(Reopen(reason))

    def _skip_dead_step(self, text: str) -> None:
        """A command that hangs the adapter twice is left out."""
        if not self._steps or self._steps[0] != text:
            return
        self._step_timeouts += 1
        if self._step_timeouts >= 2:
            self._step_timeouts = 0
            self._steps.popleft()
            if text not in self.facts.refused and len(self.facts.refused) < 16:
                self.facts.refused.append(text)

    def _connect_done(self, pending: _Pending, block: Block, now_ms: int) -> None:
        """0100 and the following bitmaps; the first one answered means that the vehicle is there."""
        base = pending.request.pids[0]
        for reply in block.replies:
            for pid, data in walk(reply.body, (base,)).parts:
                self.ecus.bitmap(reply.ecu, pid, data)
        if base == 0x00 and not (block.replies or block.negatives):
            self._no_vehicle(block, now_ms)
            return
        if base == 0x00:
            self.facts.shape = block.shape or self.facts.shape
            if not self.facts.protocol:
                self._steps = deque(("ATDPN",))
        # After a restart the bitmaps are known; a bitmap that was not answered ends the row.
        self._bitmap = None if self.ecus.complete else next_bitmap(base, self.ecus.supported or ())
        self.ecus.complete = self._bitmap is None

    def _enter_live(self, now_ms: int) -> None:
        self.phase = Phase.LIVE
        self._connects = self._pauses = self._misses = self._good = 0
        self._batch_misses = 0
        self.plan = self._make_plan(self.facts, self.ecus.supported)
        self._not_before_ms = now_ms
        self.codes.again()
        if not self._up:
            self._up, self._down_reason = True, ""
            self._events.append(Link(now_ms, True, ""))

    def _poller(self, facts: AdapterFacts, supported: frozenset[int] | None) -> Plan:
        poller = Poller(facts.can, supported, max_per_s=self.settings.max_requests_per_s)
        if facts.batches is Trial.PROVEN:
            poller.use_batches(True)
        return poller

    def _no_vehicle(self, block: Block, now_ms: int) -> None:
        """The adapter is there, the vehicle is not: try again, less and less often."""
        said = next((m for m in block.messages if m in NO_VEHICLE or m in BUS_FAULT), None)
        if said is None:
            reason, most = "no data from the vehicle", PAUSE_IN_TOUCH_MS
        elif said in BUS_FAULT:
            reason, most = f"bus fault ({said.value}): check the wiring", PAUSE_IN_TOUCH_MS
        else:
            reason, most = f"no vehicle ({said.value}): ignition on?", self._long_pause_ms
        self._go_down(now_ms, reason)
        self._connects += 1
        pause = min(PAUSE_FIRST_MS << min(self._pauses, 6), most)
        if said is Message.BUS_INIT_ERROR or self.facts.protocol in KLINE_PROTOCOLS:
            pause = max(pause, PAUSE_KLINE_MS)
        self._pauses += 1
        self._not_before_ms = now_ms + pause
        self.phase = Phase.PAUSE
        self._after_pause = Phase.CONNECT
        self._bitmap = 0x00
        if self._connects % 4 == 0:
            self._begin_start("ATWS")
            self.phase, self._after_pause = Phase.PAUSE, Phase.START
        else:
            self.facts.shape = None
            self._steps = deque(("ATPC", self._protocol_command()))

    @property
    def _long_pause_ms(self) -> int:
        hot = self._coolant_c is not None and self._coolant_c >= HOT_C
        return PAUSE_HOT_MS if hot else PAUSE_COLD_MS

    def _go_down(self, now_ms: int, reason: str) -> None:
        if self._up or reason != self._down_reason:
            self._events.append(Link(now_ms, False, reason))
        self._up = False
        self._down_reason = reason

    # -- live -------------------------------------------------------------------------------------------------------

    def _service_done(self, pending: _Pending, block: Block, now_ms: int) -> None:
        at_ms = pending.first_byte_ms or now_ms
        service = pending.request.service
        self.counts.negatives += len(block.negatives)
        if service in (0x03, 0x07, 0x0A):
            told = self.codes.answer(service, block, self.facts.can, now_ms)
            if told is not None:
                self._events.append(Sample(at_ms, (), told))
            if block.replies:
                self._misses = 0
            return
        ask = pending.ask
        if ask is None or self.plan is None:
            return
        if block.replies and (got := self._take(block, ask, at_ms, now_ms)):
            self._answered(pending, ask, got, now_ms)
            return
        retry = {Message.UNKNOWN_COMMAND, Message.STOPPED, Message.DATA_ERROR, Message.RX_ERROR}
        if not self._retried and retry & set(block.messages):
            self._retried = True
            self._repeat = replace(pending)
            return
        self._retried = False
        if block.negatives:
            # The vehicle is there and says no: that is about the PID, not about the link.
            self.plan.silent(ask, True, now_ms)
            return
        if Message.NO_DATA in block.messages:
            self.counts.no_data += 1
        else:
            self.counts.garbage += 1
        if Message.BUFFER_FULL in block.messages:
            self._batches_failed()
        if block.has(NO_VEHICLE):
            self._no_vehicle(block, now_ms)
            return
        self._missed(ask, now_ms)
        if block.has(BUS_FAULT) and self._misses >= 2:
            self._no_vehicle(block, now_ms)
        elif self._misses >= MISSES_TO_RESTART:
            self._restart(now_ms, "no data from the vehicle", "ATWS")
        elif self._misses == MISSES_TO_CLOSE and not self._steps:
            self._steps.append("ATPC")

    def _take(self, block: Block, ask: Ask, at_ms: int, now_ms: int) -> set[int]:
        """Turn replies into samples; gives the PIDs that were answered."""
        got: set[int] = set()
        for reply in block.replies:
            walked = walk(reply.body, ask.pids)
            self.counts.dropped_lines += bool(walked.rest)
            values: list[tuple[str, float]] = []
            for pid, data in walked.parts:
                found = readings(pid, data)
                if not self.ecus.speaks_for(pid, reply.ecu):
                    if pid == COOLANT and reply.ecu is not None:
                        values += [("coolant2_c", value) for _, value in found]
                    continue
                if pid in got:
                    continue
                got.add(pid)
                values += found
                if pid == MONITOR:
                    self.codes.monitor(data, now_ms)
            if values:
                self._events.append(Sample(at_ms, tuple(values), None, reply.ecu))
            for name, value in values:
                if name == "coolant_c" and self.plan is not None:
                    self._coolant_c = value
                    self.plan.coolant_seen(value, now_ms)
        self.ecus.asked(ask.wanted, got)
        return got

    def _answered(self, pending: _Pending, ask: Ask, got: set[int], now_ms: int) -> None:
        assert self.plan is not None  # called while LIVE
        self._retried = False
        self._misses = 0
        self._good += 1
        self._last_good_ms = now_ms
        self.counts.answered += 1
        self.plan.answered(got, ask, now_ms)
        self.last_rtt_ms = now_ms - pending.sent_ms
        self._rtts.append(self.last_rtt_ms)
        typical = sorted(self._rtts)[len(self._rtts) // 2]
        self._timeout_ms = min(max(LEAST_TIMEOUT_MS, 5 * typical), MOST_TIMEOUT_MS)
        self._trials(ask, got, typical)

    def _missed(self, ask: Ask, now_ms: int) -> None:
        assert self.plan is not None  # called while LIVE
        others_answer = self._last_good_ms is not None and now_ms - self._last_good_ms < OTHERS_ANSWER_MS
        self._misses += 1
        self.plan.silent(ask, others_answer, now_ms)
        if len(ask.pids) > 1:
            self._batch_misses += 1
            if self.facts.batches is Trial.RUNNING or self._batch_misses >= 2:
                self._batches_failed()
        if self.facts.short_timeout is Trial.RUNNING:
            self.facts.short_timeout = Trial.FAILED
            self._steps.append("ATST32")

    def _batches_failed(self) -> None:
        """Long replies or requests are too much for this adapter: one PID a request from now on."""
        if self.facts.batches in (Trial.RUNNING, Trial.PROVEN):
            self.facts.batches = Trial.FAILED
            if self.plan is not None:
                self.plan.use_batches(False)

    def _trials(self, ask: Ask, got: set[int], typical_ms: int) -> None:
        """Once the link runs well, find out what the adapter can do beyond the plain case."""
        assert self.plan is not None  # called while LIVE
        facts = self.facts
        if len(ask.pids) > 1:
            self._batch_misses = 0
            if facts.batches is Trial.RUNNING:
                if len(got) >= 2:
                    facts.batches = Trial.PROVEN
                else:
                    self._batches_failed()
        elif self._good < GOOD_BEFORE_TRIALS:
            return
        elif facts.can and self.settings.try_batches and facts.batches is Trial.UNTRIED:
            facts.batches = Trial.RUNNING
            self.plan.use_batches(True)
        elif facts.short_timeout is Trial.RUNNING:
            self._trial_good += 1
            if self._trial_good >= 8:
                facts.short_timeout = Trial.PROVEN
        elif facts.short_timeout is Trial.UNTRIED and typical_ms > 150 and not self._steps:
            self._steps.append("ATST19")


def _looks_like_frame(line: str) -> bool:
    """True for a line of hex long enough to be a reply: not the words an adapter command is answered with."""
    packed = line.replace(" ", "").upper()
    return len(packed) >= 6 and all(c in "0123456789ABCDEF" for c in packed)
