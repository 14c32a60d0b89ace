"""What is known of one adapter and its link: settings told beforehand, facts shown by behaviour, counts of trouble."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import Final

from livemon.wire.elm_replies import CAN_PROTOCOLS, PROTOCOL_NAMES, Block, Message, Shape, looks_like_frame

MAX_REFUSED: Final = 16
MAX_BANNER: Final = 40


class Phase(Enum):
    """Where the link stands."""

    CLOSED = "port closed"
    START = "start order"
    CONNECT = "looking for the vehicle"
    LIVE = "live"
    RESYNC = "looking for the prompt"
    PAUSE = "waiting before the next try"


class Pace(Enum):
    """How the vehicle may be asked."""

    FULL = "full"
    """As planned."""
    LISTEN = "listen"
    """Not at all: only the adapter's own reading of the voltage, so that the vehicle's computers can sleep."""
    SELDOM = "seldom"
    """One request a minute: nothing else could tell that the engine was started."""


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


@dataclass(frozen=True, slots=True)
class ElmSettings:
    """What a link may be told beforehand; the defaults find everything out."""

    protocol: int = 0
    """Adapter's protocol number 1-9, or 0 = search."""
    max_requests_per_s: float | None = None
    """Below the polite limits; None = those."""
    try_batches: bool = True
    batch_faster: float = 2.0
    """How much more often coolant, speed and load are asked where one request carries several PIDs."""


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

    def block(self, block: Block) -> None:
        """Count what one block held beside its replies."""
        self.dropped_lines += block.dropped
        self.strangers += block.strangers
        self.negatives += len(block.negatives)
        for message in block.messages:
            self.messages[message] = self.messages.get(message, 0) + 1


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
    lead_in: Trial = Trial.UNTRIED

    @property
    def can(self) -> bool:
        return self.protocol in CAN_PROTOCOLS or self.shape in (Shape.CAN11, Shape.CAN29)

    @property
    def protocol_name(self) -> str:
        return PROTOCOL_NAMES[self.protocol]

    def refuses(self, command: str) -> None:
        """The adapter does not know this command, or hangs on it."""
        if command not in self.refused and len(self.refused) < MAX_REFUSED:
            self.refused.append(command)

    def note_banner(self, block: Block) -> None:
        """The version text: the last line in words that holds a digit."""
        for line in block.lines:
            if any(c.isdigit() for c in line) and not looks_like_frame(line):
                self.banner = line[:MAX_BANNER]

    def note_protocol(self, block: Block) -> None:
        """ATDPN: one digit, `A` before it if found by search; some adapters print more lines before it."""
        for line in reversed(block.lines):
            word = line.strip().upper()
            digit = word[1:] if len(word) == 2 and word[0] == "A" else word
            if len(digit) == 1 and digit in "123456789":
                self.protocol, self.found_by_search = int(digit), len(word) == 2
                return
