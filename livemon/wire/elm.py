"""Talks to an ELM-style adapter: bytes in, bytes out, events for the core, and a way back from every fault.

Strategy: a state table without I/O.  The owner of the port calls `receive` with what came, writes what `advance`
returns, and calls it again at `wake_ms` at the latest; time is an argument.  One request is outstanding, a request to
the vehicle leaves only after a prompt, and after a silence the first thing written is a harmless adapter command.
It knows no port, no clock and no thread; `elm_exchange` waits, `elm_replies` reads, `polling` chooses what to ask.

    CLOSED -> RESYNC (prompt?) -> START (adapter commands) -> CONNECT (0100) -> LIVE
                ^                   ^                           |  ^             |
                |                   +--- adapter restarted -----+  +-- PAUSE <---+-- vehicle silent
                +------------------------ no prompt in time ---------------------+
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final

from livemon.core.events import Link, Sample
from livemon.wire.elm_ecus import Ecus
from livemon.wire.elm_exchange import SEARCH_TIMEOUT_MS, Ended, Ending, Exchange
from livemon.wire.elm_facts import AdapterFacts, Counts, ElmSettings, Pace, Phase, Reopen, Trial
from livemon.wire.elm_health import CodeWatch, plug_voltage
from livemon.wire.elm_pause import pause_after, why_no_vehicle
from livemon.wire.elm_replies import ACTIONS, KLINE_PROTOCOLS, Act, Block, Message, Request
from livemon.wire.elm_start import RESETS, SAY_BANNER, SETUP, Steps
from livemon.wire.elm_trials import MOST_TIMEOUT_MS, SHORT_TIMEOUT, Trials
from livemon.wire.pids import next_bitmap, walk
from livemon.wire.polling import Ask, Plan, Poller

SETTLE_MS: Final = 150
COMMAND_TIMEOUT_MS: Final = 1_200
RESET_TIMEOUT_MS: Final = 2_500

MISSES_TO_CLOSE: Final = 3
MISSES_TO_RESTART: Final = 6
BUS_FAULTS_TO_SEARCH: Final = 2
RESYNC_TRIES: Final = 2
ECHO_RESTARTS: Final = 2
TRIES_TO_RESET: Final = 4

OTHERS_ANSWER_MS: Final = 3_000
"""A PID's silence counts against it only if another one was answered so recently."""

PLUG_VOLTAGE_MS: Final = 30_000
LISTEN_MS: Final = 5_000
SELDOM_MS: Final = 60_000
MAX_EVENTS: Final = 1_000

Happening = Sample | Link | Reopen


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
        self.pace = Pace.FULL
        """How the vehicle may be asked; may be changed at any time, from any thread."""
        self.last_rtt_ms: int | None = None
        self._make_plan = make_plan or self._poller
        self._exchange = Exchange(self.facts, self.counts)
        self._trials = Trials(self.facts, self.settings.try_batches)
        self._steps = Steps()
        self._events: deque[Happening] = deque(maxlen=MAX_EVENTS)
        self._up = False
        self._down_reason = ""
        self._not_before_ms = 0
        self._after_pause = Phase.CONNECT
        self._bitmap: int | None = None
        self._again: Ask | None = None
        self._retried = False
        self._misses = 0
        self._resyncs = 0
        self._tries = 0
        self._hangs = 0
        self._echo_restarts = 0
        self._last_protocol = 0
        self._last_good_ms: int | None = None
        self._coolant_c: float | None = None
        self._voltage_at_ms = -PLUG_VOLTAGE_MS
        self._seldom_due_ms = 0

    # -- what the owner of the port calls ---------------------------------------------------------------------------

    def opened(self, now_ms: int) -> None:
        """The port is open: let it come to rest, find the prompt, then begin from the start."""
        self._exchange.clear()
        self._steps.replace(())
        self._again = None
        self._echo_restarts = 0
        self._look_for_prompt(now_ms + SETTLE_MS)

    def closed(self, now_ms: int, reason: str) -> None:
        """The port is gone."""
        self._go_down(now_ms, reason)
        self._exchange.clear()
        self.phase = Phase.CLOSED

    def receive(self, data: bytes, now_ms: int) -> None:
        """Bytes came from the port."""
        if self.phase is not Phase.CLOSED and data:
            for ended in self._exchange.receive(data, now_ms):
                self._ended(ended, now_ms)

    def advance(self, now_ms: int) -> bytes | None:
        """What to write to the port now, if anything.  Call again whenever bytes came, and at `wake_ms`."""
        if (ended := self._exchange.expire(now_ms)) is not None:
            self._ended(ended, now_ms)
        if self.phase is Phase.CLOSED or self._exchange.waiting:
            return None
        return self._next(now_ms)

    def wake_ms(self, now_ms: int) -> int:
        """When `advance` has something to do at the latest, if no byte comes before."""
        if self.phase is Phase.CLOSED:
            return now_ms + LISTEN_MS
        if (due := self._exchange.due_ms()) is not None:
            return due
        if self.phase in (Phase.CONNECT, Phase.LIVE) and not self._steps and self.pace is not Pace.FULL:
            quiet = self._voltage_at_ms + LISTEN_MS if self.pace is Pace.LISTEN else self._seldom_due_ms
            return max(now_ms + 1, self._not_before_ms, min(quiet, now_ms + PLUG_VOLTAGE_MS))
        if self.phase is Phase.LIVE and self.plan is not None and self._again is None and not self._steps:
            return max(now_ms, self._not_before_ms, self.plan.ready_ms())
        return max(now_ms, self._not_before_ms)

    @property
    def waiting(self) -> bool:
        """True while a reply is outstanding."""
        return self._exchange.waiting

    def events(self) -> list[Happening]:
        """What happened since the last call, in order."""
        happened = list(self._events)
        self._events.clear()
        return happened

    # -- sending ----------------------------------------------------------------------------------------------------

    def _command(self, text: str, now_ms: int) -> bytes:
        timeout_ms = RESET_TIMEOUT_MS if text in RESETS else COMMAND_TIMEOUT_MS
        return self._exchange.send(Request(text), now_ms, timeout_ms)

    def _service(self, payload: bytes, now_ms: int, ask: Ask | None = None) -> bytes | None:
        """A request to the vehicle: only after a prompt; without one, look for it first."""
        if not self._exchange.prompt:
            self._look_for_prompt(now_ms)
            return self._command("ATI", now_ms)
        pids = tuple(payload[1:]) if payload[0] in (0x01, 0x09) else ()
        request = Request(payload.hex().upper(), payload[0], pids)
        timeout_ms = self._trials.timeout_ms
        if self.phase is Phase.CONNECT and self._bitmap == 0x00:
            # A known protocol without K-line init needs no search; "SEARCHING" would lengthen the wait by itself.
            quick = self.facts.protocol and self.facts.protocol not in KLINE_PROTOCOLS
            timeout_ms = MOST_TIMEOUT_MS if quick else SEARCH_TIMEOUT_MS
        return self._exchange.send(request, now_ms, timeout_ms, ask)

    def _next(self, now_ms: int) -> bytes | None:
        """The next thing to write, by phase; nothing is outstanding."""
        if now_ms < self._not_before_ms:
            return None
        if self.phase is Phase.PAUSE:
            self.phase = self._after_pause
        if self.phase is Phase.RESYNC:
            return self._command("ATI", now_ms)
        if self._steps:
            return self._command(self._steps.first, now_ms)
        if self.phase is Phase.START:
            self.phase, self._bitmap = Phase.CONNECT, 0x00
        if self.phase is Phase.CONNECT and self._bitmap is None:
            self._enter_live(now_ms)
        if self.pace is not Pace.FULL and not self._may_ask_seldom(now_ms):
            return self._plug_voltage(now_ms, LISTEN_MS) if self.pace is Pace.LISTEN else None
        if self.phase is Phase.CONNECT and self._bitmap is not None:
            return self._service(bytes((0x01, self._bitmap)), now_ms)
        return self._next_live(now_ms)

    def _may_ask_seldom(self, now_ms: int) -> bool:
        if self.pace is not Pace.SELDOM or now_ms < self._seldom_due_ms:
            return False
        self._seldom_due_ms = now_ms + SELDOM_MS
        return True

    def _plug_voltage(self, now_ms: int, period_ms: int) -> bytes | None:
        if now_ms < self._voltage_at_ms + period_ms or "ATRV" in self.facts.refused:
            return None
        self._voltage_at_ms = now_ms
        return self._command("ATRV", now_ms)

    def _next_live(self, now_ms: int) -> bytes | None:
        assert self.plan is not None  # LIVE is entered with a plan
        if (again := self._again) is not None:
            self._again = None
            return self._service(again.payload, now_ms, again)
        if now_ms < self.plan.ready_ms():
            return None
        if self._trials.good >= 2:  # coolant and engine speed first, then these
            if (service := self.codes.due(now_ms)) is not None:
                self.plan.took_turn(now_ms)
                self.codes.sent(service, now_ms)
                return self._service(bytes((service,)), now_ms)
            if self.plan.wants_plug_voltage and (out := self._plug_voltage(now_ms, PLUG_VOLTAGE_MS)) is not None:
                return out
        ask = self.plan.next_ask(now_ms)
        return None if ask is None else self._service(ask.payload, now_ms, ask)

    # -- answers ----------------------------------------------------------------------------------------------------

    def _ended(self, ended: Ended, now_ms: int) -> None:
        """One exchange is over, or text came that nobody asked for."""
        if ended.ending is Ending.TIMED_OUT:
            self._timed_out(ended, now_ms)
            return
        block, text = ended.block, ended.request.text
        if ended.ending is Ending.ANSWERED:
            self._resyncs = 0
        if block.act is Act.RESTART and not (text in SAY_BANNER and Message.LOW_VOLTAGE_RESET not in block.messages):
            said = next(message.value for message in block.messages if ACTIONS[message] is Act.RESTART)
            self._restart(now_ms, f"adapter restarted ({said})")
        elif ended.ending is Ending.UNASKED:
            return
        elif ended.request.service is None:
            self._command_done(ended, now_ms)
        elif block.echoed and self._echo_is_new():
            self._echo_restarts += 1
            self._restart(now_ms, "adapter lost its settings")
        elif self.phase is Phase.CONNECT:
            self._connect_done(ended, now_ms)
        else:
            self._live_done(ended, now_ms)

    def _echo_is_new(self) -> bool:
        """Echo was off and is on again: the adapter has lost its settings without a word, or its echo is stuck."""
        return self.phase is Phase.LIVE and not self.facts.echo_stuck and self._echo_restarts < ECHO_RESTARTS

    def _command_done(self, ended: Ended, now_ms: int) -> None:
        text, block = ended.request.text, ended.block
        if text == "ATRV":
            if (volts := plug_voltage(block.lines)) is not None:
                self.facts.voltage_v = volts
                self._events.append(Sample(ended.at_ms, (("voltage_v", volts),)))
            elif Message.UNKNOWN_COMMAND in block.messages:
                self.facts.refuses(text)
        elif self.phase is Phase.RESYNC:
            self.facts.note_banner(block)
            self._resynced(block)
        elif self._steps.answered(text, block, self.facts):
            if text in RESETS:
                self.facts.note_banner(block)
            elif text in ("ATL0", "ATS0", "ATH1"):
                self.facts.echo_stuck = block.echoed
            elif text == "ATDPN":
                self.facts.note_protocol(block)
                self._last_protocol = self.facts.protocol or self._last_protocol
            elif text == SHORT_TIMEOUT:
                self._trials.short_timeout_set(Message.OK in block.messages)

    def _live_done(self, ended: Ended, now_ms: int) -> None:
        block, ask = ended.block, ended.ask
        assert self.plan is not None  # LIVE is entered with a plan
        if ended.request.service != 0x01:
            told = self.codes.answer(ended.request.service or 0, block, self.facts.can, now_ms)
            if told is not None:
                self._events.append(Sample(ended.at_ms, (), told))
            return
        if ask is None:
            return
        if block.replies and (got := self._take(ended, ask, now_ms)):
            self._retried = False
            self._misses = 0
            self._last_good_ms = now_ms
            self.counts.answered += 1
            self.last_rtt_ms = now_ms - ended.sent_ms
            self.plan.answered(got, ask, now_ms)
            self._add_step(self._trials.answered(ask, len(got), self.last_rtt_ms, self.plan))
        elif block.negatives:
            # The vehicle is there and says no: that is about the PID, not about the link.
            self.plan.silent(ask, True, now_ms)
        elif block.act is Act.RETRY and not self._retried:
            self._retried, self._again = True, ask
            self._trials.garbled(block)
        else:
            self._retried = False
            self.counts.no_data += Message.NO_DATA in block.messages
            self.counts.garbage += not block.messages
            self._silent(ended, ask, now_ms)

    def _silent(self, ended: Ended, ask: Ask, now_ms: int) -> None:
        """A request brought nothing: climb the ladder, one rung at a time."""
        assert self.plan is not None  # LIVE is entered with a plan
        act = ended.block.act
        if act is Act.SHORTEN:
            self._trials.batches_failed(self.plan)
        self._missed(ask, now_ms)
        if act is Act.SEARCH or (act is Act.CLOSE and self._misses >= BUS_FAULTS_TO_SEARCH):
            self._no_vehicle(ended.block, now_ms)
        elif self._misses >= MISSES_TO_RESTART:
            self._restart(now_ms, "no data from the vehicle")
        elif self._misses == MISSES_TO_CLOSE and not self._steps:
            self._steps.add("ATPC")

    def _take(self, ended: Ended, ask: Ask, now_ms: int) -> set[int]:
        """Turn replies into samples; gives the PIDs that were answered."""
        taken = self.ecus.take(ended.block.replies, ask)
        self.counts.dropped_lines += taken.spoiled
        for ecu, values in taken.values:
            self._events.append(Sample(ended.at_ms, values, None, ecu))
            for name, value in values:
                if name == "coolant_c" and self.plan is not None:
                    self._coolant_c = value
                    self.plan.coolant_seen(value, now_ms)
        if taken.monitor is not None:
            self.codes.monitor(taken.monitor, now_ms)
        return taken.got

    def _missed(self, ask: Ask, now_ms: int) -> None:
        assert self.plan is not None  # LIVE is entered with a plan
        others_answer = self._last_good_ms is not None and now_ms - self._last_good_ms < OTHERS_ANSWER_MS
        self._misses += 1
        self.plan.silent(ask, others_answer, now_ms)
        self._add_step(self._trials.missed(ask, self.plan))

    def _add_step(self, command: str | None) -> None:
        if command is not None:
            self._steps.add(command)

    # -- start, connect, recover ------------------------------------------------------------------------------------

    def _begin_start(self, reset: str) -> None:
        self.phase = Phase.START
        self._steps.replace((reset, *SETUP, self._protocol_command()))
        self._again, self._retried = None, False
        self.facts.shape = None

    def _protocol_command(self) -> str:
        """Known protocol first; every second try searches, in case it was wrong or the plug moved."""
        known = self.settings.protocol or (0 if self._tries % 2 else self._last_protocol)
        self.facts.protocol = known
        return f"ATSP{known}"

    def _restart(self, now_ms: int, reason: str) -> None:
        self.counts.restarts += 1
        self._go_down(now_ms, reason)
        self._exchange.drop()
        self._misses = 0
        self._begin_start("ATWS")
        self._not_before_ms = now_ms + SETTLE_MS

    def _look_for_prompt(self, from_ms: int) -> None:
        self.phase = Phase.RESYNC
        self._not_before_ms = from_ms

    def _resynced(self, block: Block) -> None:
        """The prompt is back: go on where it was lost, or begin.

        An echo tells that the adapter was reset or plugged in again meanwhile; without one it kept its settings.
        """
        if self._steps:
            self.phase = Phase.START
        elif self.plan is None or self.facts.shape is None or (block.echoed and not self.facts.echo_stuck):
            self._begin_start("ATZ")
        elif self._up:
            self.phase = Phase.LIVE
        else:
            self.phase, self._bitmap = Phase.CONNECT, 0x00

    def _timed_out(self, ended: Ended, now_ms: int) -> None:
        """No prompt in time: look for it with a harmless command, then reset, then ask for the port to be reopened."""
        self.counts.timeouts += 1
        text = ended.request.text
        if ended.ask is not None and self.phase is Phase.LIVE:
            self._trials.timed_out()
            self._missed(ended.ask, now_ms)
        if text in RESETS:
            self._ask_for_reopen(now_ms, "adapter does not answer")
        elif self.phase is Phase.RESYNC:
            self._resyncs += 1
            if self._resyncs % RESYNC_TRIES == 0:
                # By turns: reopen the port and ask again, or reset the adapter.
                if self._resyncs % (2 * RESYNC_TRIES):
                    self._ask_for_reopen(now_ms, "adapter does not answer")
                else:
                    self._restart(now_ms, "adapter does not answer")
        elif self.phase is Phase.CONNECT and ended.request.service is not None:
            self._hangs += 1
            self._go_down(now_ms, "adapter hangs while it looks for the vehicle")
            if self._hangs % 2 == 0:
                self._ask_for_reopen(now_ms, self._down_reason)
            else:
                self._look_for_prompt(now_ms)
        elif self._misses >= MISSES_TO_RESTART:
            self._restart(now_ms, "no answer from the adapter")
        else:
            self._steps.hung(text, self.facts)
            self._look_for_prompt(now_ms)

    def _ask_for_reopen(self, now_ms: int, reason: str) -> None:
        self._go_down(now_ms, reason)
        self.phase = Phase.CLOSED
        self._events.append(Reopen(reason))

    def _connect_done(self, ended: Ended, now_ms: int) -> None:
        """0100 and the following bitmaps; the first one answered means that the vehicle is there."""
        base, block = ended.request.pids[0], ended.block
        for reply in block.replies:
            for pid, data in walk(reply.body, (base,)).parts:
                self.ecus.bitmap(reply.ecu, pid, data)
        if base == 0x00:
            if not (block.replies or block.negatives):
                self._trials.garbled(block)
                self._no_vehicle(block, now_ms)
                return
            self.facts.shape = block.shape
            if not self.facts.protocol:
                self._steps.add("ATDPN")
        # After a restart the bitmaps are known; a bitmap that was not answered ends the row.
        self._bitmap = None if self.ecus.complete else next_bitmap(base, self.ecus.supported or ())
        self.ecus.complete = self._bitmap is None

    def _enter_live(self, now_ms: int) -> None:
        self.phase = Phase.LIVE
        self._tries = self._misses = self._hangs = 0
        self._trials.new_session()
        self.codes.again()
        self.plan = self._make_plan(self.facts, self.ecus.supported)
        if not self._up:
            self._up, self._down_reason = True, ""
            self._events.append(Link(now_ms, True, ""))

    def _poller(self, facts: AdapterFacts, supported: frozenset[int] | None) -> Plan:
        poller = Poller(
            facts.can,
            supported,
            max_per_s=self.settings.max_requests_per_s,
            batch_faster=self.settings.batch_faster,
        )
        if facts.batches is Trial.PROVEN:
            poller.use_batches(True)
        return poller

    def _no_vehicle(self, block: Block, now_ms: int) -> None:
        """The adapter is there, the vehicle is not: try again, less and less often."""
        why = why_no_vehicle(block, self._coolant_c)
        self._go_down(now_ms, why.reason)
        pause_ms = pause_after(why, self._tries, self.facts.protocol)
        self._tries += 1
        if self._tries % TRIES_TO_RESET == 0:
            self._begin_start("ATWS")
        else:
            if why.said is not None or self._tries % 2 == 0:
                self._steps.replace(("ATPC", self._protocol_command()))
                self.facts.shape = None
            self._bitmap = 0x00
        self._after_pause = Phase.START if self._tries % TRIES_TO_RESET == 0 else Phase.CONNECT
        self.phase = Phase.PAUSE
        self._not_before_ms = now_ms + pause_ms

    def _go_down(self, now_ms: int, reason: str) -> None:
        """Tell that the link is down, once for each reason."""
        self._trials.interrupted()
        if self._up or reason != self._down_reason:
            self._events.append(Link(now_ms, False, reason))
        self._up = False
        self._down_reason = reason
