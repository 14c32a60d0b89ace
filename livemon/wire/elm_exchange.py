"""One request and its answer: what has been sent, what came back, when to stop waiting.

Strategy: one request is outstanding; text is collected up to the prompt and sorted by `elm_replies`.  A block that does
not answer this request (an empty one, the previous reply arriving now) is held for a moment, because the right one may
follow.  A request to the vehicle leaves only after a prompt.  What an answer means for the link is not known here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from livemon.wire import allow
from livemon.wire.elm_facts import AdapterFacts, Counts, Trial
from livemon.wire.elm_replies import (
    SHAPES_OF_PROTOCOL,
    Block,
    Message,
    Request,
    Shape,
    clean,
    looks_like_frame,
    sort_block,
)
from livemon.wire.polling import Ask

MAX_BUFFER: Final = 4096
"""More than this without a prompt is no reply: dropped and counted."""

SEARCH_TIMEOUT_MS: Final = 12_000
"""Search through all protocols and slow K-line init: 10 s or more must be allowed (common practice)."""

MOST_WAIT_MS: Final = 5_000
DRIP_MS: Final = 1_200
"""While bytes keep coming a reply is waited for this much longer, up to MOST_WAIT_MS in all; some adapters print their
prompt up to a second after the text (seen in public reports)."""

GRACE_MS: Final = 300
"""After a prompt without an answer to this request, the answer may still be on its way."""

SURE_MS: Final = 1_200
"""After the reply to another request, or `STOPPED`, something more is surely on its way: our own reply, or what the
adapter makes of the rest of a command that interrupted it."""


class Ending(Enum):
    """How an exchange ended."""

    ANSWERED = "prompt"
    TIMED_OUT = "no prompt in time"
    UNASKED = "text while nothing was asked"


@dataclass(frozen=True, slots=True)
class Ended:
    """One exchange that is over; `request` is empty for text that nobody asked for."""

    ending: Ending
    request: Request
    block: Block
    sent_ms: int
    at_ms: int
    """When its first byte came: the time of its readings."""
    ask: Ask | None = None


@dataclass(slots=True)
class _Pending:
    request: Request
    ask: Ask | None
    sent_ms: int
    deadline_ms: int
    latest_ms: int
    first_byte_ms: int | None = None
    held: Block | None = None
    grace_ms: int | None = None


class Exchange:
    """The line to one adapter.  Every method takes the time in milliseconds."""

    def __init__(self, facts: AdapterFacts, counts: Counts) -> None:
        self._prompt = False
        self._facts = facts
        self._counts = counts
        self._buffer = bytearray()
        self._pending: _Pending | None = None
        self._unasked: Ended | None = None

    @property
    def prompt(self) -> bool:
        """True if the adapter has said that it is ready, and since then nothing was sent and nothing came."""
        return self._prompt and not self._buffer.strip(b"\x00\r\n ")

    @property
    def waiting(self) -> bool:
        """True while a request is outstanding."""
        return self._pending is not None

    def clear(self) -> None:
        """Forget everything: the port was opened or closed."""
        self._buffer.clear()
        self._prompt = False
        self._pending = self._unasked = None

    def drop(self) -> None:
        """Stop waiting for the outstanding request."""
        self._pending = None

    def send(self, request: Request, now_ms: int, timeout_ms: int, ask: Ask | None = None) -> bytes:
        """The only way out; the caller has seen to it that a request to the vehicle follows a prompt."""
        lead_in = request.service is not None and self._facts.lead_in in (Trial.RUNNING, Trial.PROVEN)
        text = (allow.LEAD_IN if lead_in else "") + request.text
        raw = allow.checked_text(text.encode("ascii") + allow.END)
        self._counts.stray_bytes += len(self._buffer)
        self._counts.requests += request.service is not None
        self._buffer.clear()
        self._prompt = False
        latest_ms = now_ms + max(timeout_ms, MOST_WAIT_MS)
        self._pending = _Pending(request, ask, now_ms, now_ms + timeout_ms, latest_ms)
        return raw

    def receive(self, data: bytes, now_ms: int) -> list[Ended]:
        """Bytes came; what ended with them, in order."""
        nuls = data.count(0)
        self._counts.nul_bytes += nuls
        self._facts.nul_bytes = self._facts.nul_bytes or bool(nuls)
        if self._pending is not None and self._pending.first_byte_ms is None:
            self._pending.first_byte_ms = now_ms
        self._buffer += data
        ended: list[Ended] = []
        while (end := self._buffer.find(b">")) >= 0:
            text = clean(bytes(self._buffer[:end]))
            del self._buffer[: end + 1]
            self._prompt = True
            if (over := self._block(text, now_ms)) is not None:
                ended.append(over)
        if len(self._buffer) > MAX_BUFFER:
            self._buffer.clear()
            self._counts.overflows += 1
        if (pending := self._pending) is not None:
            pending.deadline_ms = max(pending.deadline_ms, min(now_ms + DRIP_MS, pending.latest_ms))
            if b"SEARCHING" in self._buffer or b"BUS INIT" in self._buffer:
                pending.deadline_ms = max(pending.deadline_ms, pending.sent_ms + SEARCH_TIMEOUT_MS)
        return ended

    def due_ms(self) -> int | None:
        """When waiting ends, if nothing comes before."""
        if (pending := self._pending) is None:
            return None
        return min(pending.deadline_ms, pending.grace_ms or pending.deadline_ms)

    def expire(self, now_ms: int) -> Ended | None:
        """The exchange that is over because its time is up."""
        pending = self._pending
        if pending is None or now_ms < min(pending.deadline_ms, pending.grace_ms or pending.deadline_ms):
            return None
        self._pending = None
        if pending.held is not None:
            return self._ended(Ending.ANSWERED, pending, pending.held, now_ms)
        return self._ended(Ending.TIMED_OUT, pending, Block(), now_ms)

    @staticmethod
    def _ended(ending: Ending, pending: _Pending, block: Block, now_ms: int) -> Ended:
        return Ended(ending, pending.request, block, pending.sent_ms, pending.first_byte_ms or now_ms, pending.ask)

    def _shapes(self) -> tuple[Shape, ...]:
        facts = self._facts
        return SHAPES_OF_PROTOCOL[facts.protocol] if facts.shape is None else (facts.shape,)

    def _block(self, text: str, now_ms: int) -> Ended | None:
        """A prompt came: does what stands before it belong to the request that is out?"""
        pending = self._pending
        if pending is None:
            self._counts.stray_bytes += len(text)
            request = Request("")
            return Ended(Ending.UNASKED, request, sort_block(text, request, ()), now_ms, now_ms)
        block = sort_block(text, pending.request, self._shapes())
        self._counts.block(block)
        stopped = Message.STOPPED in block.messages
        if _belongs(block, pending.request) and not stopped:
            self._pending = None
            return self._ended(Ending.ANSWERED, pending, block, now_ms)
        pending.held = block
        until_ms = min(pending.deadline_ms, now_ms + (SURE_MS if block.strangers or stopped else GRACE_MS))
        pending.grace_ms = min(pending.grace_ms or until_ms, until_ms)
        return None


def _belongs(block: Block, request: Request) -> bool:
    """True if the block can be the answer: a matching reply or a message; for a command, anything in words."""
    if request.service is not None:
        return bool(block.replies or block.negatives or set(block.messages) - {Message.SEARCHING, Message.OK})
    return any(not looks_like_frame(line) for line in block.lines)
