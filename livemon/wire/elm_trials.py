"""Finds out by trying what an adapter can do beyond the plain case, and stops using it when it fails.

Three things are tried, once the link runs: blanks before a request (should the adapter swallow its first character, it
swallows a blank), several PIDs in a request (CAN only), and a shorter reply timeout where the adapter waits long.  The
number of expected replies that some adapters take behind a request is not used: a copy of such a request that lost its
first character can be a service that writes (wire/allow).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

from livemon.wire.elm_facts import AdapterFacts, Trial
from livemon.wire.elm_replies import Block, Message
from livemon.wire.polling import Ask, Plan

GOOD_BEFORE_TRIALS: Final = 6
GOOD_TO_PROVE: Final = 8
BATCH_MISSES: Final = 2
SLOW_MS: Final = 150
"""A typical round trip above this means that the adapter sits out its whole reply timeout of 200 ms."""

SHORT_TIMEOUT: Final = "ATST19"
"""100 ms: K-line replies come within 50 ms, J1850's within 100 ms (from memory); 6 to 8 readings a second instead of
3 to 4 were seen with it (public note on sampling rates)."""
USUAL_TIMEOUT: Final = "ATST32"

FIRST_TIMEOUT_MS: Final = 1_500
LEAST_TIMEOUT_MS: Final = 1_000
MOST_TIMEOUT_MS: Final = 5_000


@dataclass(slots=True)
class Trials:
    """Round trips of one session and what was proven in it."""

    facts: AdapterFacts
    allow_batches: bool = True
    timeout_ms: int = FIRST_TIMEOUT_MS
    good: int = 0
    _rtts: deque[int] = field(default_factory=lambda: deque(maxlen=16))
    _batch_misses: int = 0
    _short_good: int = 0

    def new_session(self) -> None:
        """The adapter starts again: settings are gone, what it can do is not."""
        self.good = 0
        self._batch_misses = 0
        if self.facts.short_timeout is not Trial.FAILED:
            self.facts.short_timeout = Trial.UNTRIED

    def timed_out(self) -> None:
        """No prompt in time: wait longer from now on."""
        self.timeout_ms = min(round(self.timeout_ms * 1.5), MOST_TIMEOUT_MS)

    def answered(self, ask: Ask, got: int, rtt_ms: int, plan: Plan) -> str | None:
        """A request was answered for `got` PIDs; an adapter command to send next, if any."""
        self.good += 1
        self._rtts.append(rtt_ms)
        typical_ms = sorted(self._rtts)[len(self._rtts) // 2]
        self.timeout_ms = min(max(LEAST_TIMEOUT_MS, 5 * typical_ms), MOST_TIMEOUT_MS)
        facts = self.facts
        if facts.lead_in in (Trial.UNTRIED, Trial.RUNNING):
            # The request after the second answer is the trial; the one after that stands on its answer.
            if facts.lead_in is Trial.RUNNING:
                facts.lead_in = Trial.PROVEN
            elif self.good >= 2:
                facts.lead_in = Trial.RUNNING
        if len(ask.pids) > 1:
            self._batch_misses = 0
            if facts.batches is Trial.RUNNING:
                if got >= 2:
                    facts.batches = Trial.PROVEN
                else:
                    self.batches_failed(plan)
        elif self.good < GOOD_BEFORE_TRIALS:
            return None
        elif facts.can and self.allow_batches and facts.batches is Trial.UNTRIED:
            facts.batches = Trial.RUNNING
            plan.use_batches(True)
        elif facts.short_timeout is Trial.RUNNING:
            self._short_good += 1
            if self._short_good >= GOOD_TO_PROVE:
                facts.short_timeout = Trial.PROVEN
        elif facts.short_timeout is Trial.UNTRIED and typical_ms > SLOW_MS:
            return SHORT_TIMEOUT
        return None

    def garbled(self, block: Block) -> None:
        """A request was not understood."""
        if Message.UNKNOWN_COMMAND not in block.messages:
            return
        if self.facts.lead_in is Trial.RUNNING:
            self.facts.lead_in = Trial.FAILED
        elif self.facts.lead_in is Trial.PROVEN:
            self.facts.lead_in = Trial.UNTRIED  # noise perhaps: plain for now, and tried again

    def interrupted(self) -> None:
        """The session ended: a trial that was under way has proven nothing."""
        if self.facts.lead_in is Trial.RUNNING:
            self.facts.lead_in = Trial.UNTRIED

    def missed(self, ask: Ask, plan: Plan) -> str | None:
        """A request brought nothing; an adapter command to send next, if any."""
        if self.facts.lead_in is Trial.RUNNING:
            self.facts.lead_in = Trial.FAILED
        if len(ask.pids) > 1:
            self._batch_misses += 1
            if self.facts.batches is Trial.RUNNING or self._batch_misses >= BATCH_MISSES:
                self.batches_failed(plan)
        if self.facts.short_timeout is Trial.RUNNING:
            self.facts.short_timeout = Trial.FAILED
            return USUAL_TIMEOUT
        return None

    def batches_failed(self, plan: Plan) -> None:
        """Long requests or replies are too much for this adapter: one PID a request from now on."""
        if self.facts.batches in (Trial.RUNNING, Trial.PROVEN):
            self.facts.batches = Trial.FAILED
            plan.use_batches(False)

    def short_timeout_set(self, accepted: bool) -> None:
        """The adapter took the shorter timeout, or did not know the command."""
        self.facts.short_timeout = Trial.RUNNING if accepted else Trial.FAILED
        self._short_good = 0
