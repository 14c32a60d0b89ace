"""The talk with the control units of one bus: find out what there is, then read it, one request outstanding.

Strategy: a request ends by its reply, a refusal, or time; a unit is asked for several PIDs at once until it shows that
it cannot, to its own identifier where one unit has all that is asked for, else to all.  Whether the bus may be asked at
all is decided by `wire/can_tester`; no bus and no clock are known here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import Enum
from typing import Final

from livemon.core.events import Sample
from livemon.wire import allow, codes, frames, pids
from livemon.wire.can_replies import Ecu, Readings, Reply
from livemon.wire.frames import Addressing, Frame
from livemon.wire.polling import COOLANT, POLITE_CAN_PER_S, Ask, Poller

P2_MS: Final = 100
"""Wait for a reply: the standard's 50 ms (ISO 15765-3 P2) and as much again for the computers in between."""
LONGEST_P2_MS: Final = 800
P2_STAR_MS: Final = 5_000
"""Wait after "response pending" (same source)."""
MOST_PENDING: Final = 5
LONG_REPLY_MS: Final = 1_000
"""A long reply that began may take this long (ISO 15765-2 N_Cr, for its slowest frame)."""
LOST_MS: Final = 2_000
LOST_ASKS: Final = 3
MOST_SILENT: Final = 6
"""The units are lost when so many requests in a row, over so long, brought nothing."""
CODES_EVERY_MS: Final = 60_000
MISSES_TO_SINGLE: Final = 2
SEVERAL_AGAIN_MS: Final = 300_000
"""A unit that did not take several PIDs in a request is tried again after this time."""
FORGIVE_AGAIN_MS: Final = 30_000
MOST_UNITS: Final = 16
NOT_NOW: Final = (0x21, 0x22)
"""Refusals that pass: busy, conditions not correct."""


@dataclass(frozen=True, slots=True)
class CanSettings:
    """How to behave on this bus; `bitrate` [bit/s], `addressing` None = as heard, else 11 and 29 bit in turn.

    `ask_silent_bus`: ask although nothing was heard (a gateway may keep the plug silent until asked).  `faster` divides
    the periods of a second, since 20 requests a second leave room for it.
    """

    bitrate: int = 500_000
    addressing: Addressing | None = None
    listen_only: bool = False
    ask_silent_bus: bool = False
    listen_ms: int = 1_000
    max_per_s: float | None = None
    several_pids: bool = True
    faster: float = 2.0
    rounds: int = 0
    """Before reading, ask every known PID alone so many times, and read the permanent codes too (`probe`)."""

    @property
    def gap_ms(self) -> int:
        """Least time from one request to the next [ms]."""
        return round(1000 / min(POLITE_CAN_PER_S, self.max_per_s or POLITE_CAN_PER_S))


class Stage(Enum):
    """How far the talk has come."""

    FINDING = "asking which control units and PIDs there are"
    READING = "reading"
    NOBODY = "nobody answered"
    SILENT = "those who answered have gone silent"


@dataclass(slots=True)
class Stats:
    """What was seen, for `probe`; every list is bounded."""

    requests: int = 0
    replies: int = 0
    readings: int = 0
    misses: int = 0
    refusals: dict[tuple[int, int], int] = field(default_factory=dict)
    asked: dict[int, int] = field(default_factory=dict)
    round_trips_ms: dict[int, list[int]] = field(default_factory=dict)
    """By PID."""
    reading_from: tuple[int, int, int] | None = None
    """(ms, requests, readings) when the plan of a drive began to run."""

    def took(self, ms: int, told: Iterable[int]) -> None:
        """A reply came after `ms` and told these PIDs."""
        for pid in told:
            trips = self.round_trips_ms.setdefault(pid, [])
            trips.append(ms)
            del trips[:-100]

    def refused(self, service_and_code: tuple[int, int]) -> None:
        if service_and_code in self.refusals or len(self.refusals) < 100:
            self.refusals[service_and_code] = self.refusals.get(service_and_code, 0) + 1


@dataclass(slots=True)
class _Request:
    """A request; `ecu` None = to all units."""

    payload: bytes
    ecu: Ecu | None
    sent_ms: int
    until_ms: int
    ask: Ask | None = None
    replied: bool = False
    damaged: bool = False
    trial: bool = False
    pending: int = 0
    refused: int | None = None
    got: set[int] = field(default_factory=set)


class Talk:
    """One talk over one addressing; `stage` tells how it goes, a lost one is thrown away and begun anew."""

    def __init__(self, t_ms: int, settings: CanSettings, addressing: Addressing, stats: Stats) -> None:
        self.settings, self.addressing, self.stats = settings, addressing, stats
        self.stage = Stage.FINDING
        self.units: dict[Ecu, frozenset[int]] = {}
        self.poller: Poller | None = None
        self._readings = Readings()
        self._queue = [bytes((pids.SHOW_CURRENT, 0))]
        self._request: _Request | None = None
        self._previous: _Request | None = None
        self._free_ms = t_ms
        self._wait_ms = P2_MS
        self._last_reply_ms = t_ms
        self._silent_asks = self._several_misses = 0
        self._single_until_ms: int | None = None
        self._sweep: list[bytes] = []
        self._trials: list[tuple[Ecu | None, bytes]] = []
        self._physical = self._alone = True
        self._several = settings.several_pids
        self._forgiven_ms = t_ms - FORGIVE_AGAIN_MS
        self._told: set[int] = set()
        self._refused: int | None = None
        self._codes_ms = {codes.STORED: t_ms, codes.PENDING: t_ms}

    def step(self, t_ms: int) -> Frame | None:
        """Close what is overdue; the frame to send now, if one is due."""
        if self._request is not None and t_ms >= self._request.until_ms:
            self._finish(t_ms, self._request)
        if self._request is not None or t_ms < self._free_ms or self.stage in (Stage.NOBODY, Stage.SILENT):
            return None
        if self._queue:
            return self._put(t_ms, None, self._queue.pop(0))
        if self.stage is Stage.FINDING:
            if self.poller is None:
                self._found()
            if self._trials:
                return self._try(t_ms, *self._trials.pop(0))
            if self._sweep and self._silent_asks < MOST_SILENT:
                ask = self._sweep.pop(0)
                return self._put(t_ms, self._target(ask[1:]) if ask[0] == pids.SHOW_CURRENT else None, ask)
            self._begin_reading(t_ms)
        return self._read(t_ms)

    @property
    def next_ms(self) -> int:
        """When `step` has something to do, unless a reply comes before."""
        if self._request is not None:
            return self._request.until_ms
        if self.poller is None or self._queue:
            return self._free_ms
        return max(self._free_ms, min(self.poller.ready_ms(), *self._codes_ms.values()))

    def listed(self, service: int) -> tuple[str, ...] | None:
        """Trouble codes of all units by service 03, 07 or 0A; None = not read."""
        return self._readings.listed(service)

    @property
    def refusal(self) -> str | None:
        """The last refusal in words, if nothing but refusals came since."""
        code = self._refused
        return None if code is None else f"requests refused: {pids.NEGATIVE_CODES.get(code, f'code {code:02X}')}"

    def flow_control(self, t_ms: int, began: Ecu) -> Frame | None:
        """A unit began a long reply: 'go on' if it answers us; somebody else's reply is none of our business."""
        if self._request is None or self._request.ecu not in (None, began):
            return None
        self._extend(t_ms + LONG_REPLY_MS)
        return frames.flow_control(began.can_id, began.extended)

    # ---- asking ---------------------------------------------------------------------------------------------------

    def _read(self, t_ms: int) -> Frame | None:
        if self.poller is None:
            return None
        if self._single_until_ms is not None and t_ms >= self._single_until_ms:
            self.poller.batch, self._single_until_ms, self._several_misses = True, None, 0
        due = [service for service, at_ms in self._codes_ms.items() if at_ms <= t_ms]
        ask = self.poller.next_ask(t_ms)
        if ask is not None:
            return self._put(t_ms, self._target(ask.wanted), ask.payload, ask)
        if due:
            self._codes_ms[due[0]] = t_ms + CODES_EVERY_MS
            return self._put(t_ms, None, bytes((due[0],)))
        return None

    def _put(self, t_ms: int, ecu: Ecu | None, payload: bytes, ask: Ask | None = None) -> Frame:
        self._request = _Request(payload, ecu, t_ms, t_ms + self._wait_ms, ask)
        self._free_ms = t_ms + self.settings.gap_ms
        self.stats.requests += 1
        if payload[0] == pids.SHOW_CURRENT:
            for pid in payload[1:] if ask is None else ask.wanted:
                self.stats.asked[pid] = self.stats.asked.get(pid, 0) + 1
        if ecu is not None:
            return frames.request(frames.physical_id(ecu.can_id, ecu.extended), ecu.extended, payload)
        return frames.request(self.addressing.functional_id, self.addressing is Addressing.BITS_29, payload)

    def _target(self, wanted: Iterable[int]) -> Ecu | None:
        """The one unit that has all that is asked for, engine first; None = ask all of them."""
        if self._physical:
            for ecu in sorted(self.units):
                if self.units[ecu].issuperset(wanted):
                    return ecu
        return None

    def _found(self) -> None:
        """All bitmaps that there are have been asked for: who is the engine, and how does it like to be asked?"""
        if not any(self.units.values()):
            self.stage = Stage.NOBODY
            return
        self.poller = Poller(
            can=True, supported=frozenset().union(*self.units.values()), max_per_s=self.settings.max_per_s
        )
        engine = min(self.units, key=lambda ecu: (COOLANT not in self.units[ecu], ecu))
        pair = [pid for pid in self.poller.wanted_pids if pid in self.units[engine]][:2]
        if len(pair) == 2 and self.settings.several_pids:
            two = allow.batch((pair[0], pair[1]))
            self._trials += [(engine, two), (None, two)] if two is not None else []
        if pair:
            one = bytes((pids.SHOW_CURRENT, pair[0]))
            self._trials += [(engine, one), (None, one)]
        known = sorted(pid for pid in self.poller.supported or () if pid in pids.PIDS and allow.is_askable(pid))
        self._sweep = [bytes((pids.SHOW_CURRENT, pid)) for pid in known if pid not in pids.BITMAPS]
        self._sweep = [*self._sweep * self.settings.rounds, *([bytes((codes.PERMANENT,))] * bool(self.settings.rounds))]

    def _try(self, t_ms: int, ecu: Ecu | None, payload: bytes) -> Frame:
        """Ask in one of four ways, the best first; the one that is answered is kept."""
        frame = self._put(t_ms, ecu, payload)
        if self._request is not None:
            self._request.trial = True
        return frame

    def _begin_reading(self, t_ms: int) -> None:
        if self.poller is None:
            return
        self.stage = Stage.READING
        self._last_reply_ms = t_ms
        self._silent_asks = 0
        self.stats.reading_from = (t_ms, self.stats.requests, self.stats.readings)
        if self.settings.several_pids and not self._several:
            self._single_until_ms = t_ms + SEVERAL_AGAIN_MS
        self.poller.batch = self._several
        self.poller.faster = self.settings.faster

    # ---- replies --------------------------------------------------------------------------------------------------

    def reply(self, t_ms: int, reply: Reply) -> Sample | None:
        """What a whole reply says; also ends the request it answers."""
        self.stats.replies += 1
        if reply.refused is not None:
            self._refusal(t_ms, reply, reply.refused)
            return None
        self._last_reply_ms = t_ms
        self._refused = None
        if self.stage is Stage.FINDING:
            self._note_bitmaps(reply)
        sample = self._readings.sample(reply)
        if sample is not None:
            self.stats.readings += len(sample.readings)
            if self.poller is not None:
                for name, value in sample.readings:
                    if name == "coolant_c":
                        self.poller.coolant_seen(value, t_ms)
        request = self._answers(reply)
        if request is not None:
            self._answered(t_ms, reply, request)
        return sample

    def _answers(self, reply: Reply) -> _Request | None:
        """The request that `reply` answers; a late one may belong to the request before."""
        service = reply.payload[0] & ~pids.REPLY_BIT
        for request in (self._request, self._previous):
            if request is not None and request.payload[0] == service and request.ecu in (None, reply.ecu):
                asked = request.payload[1:]
                if service != pids.SHOW_CURRENT or (len(reply.payload) > 1 and reply.payload[1] in asked):
                    return request
        return None

    def _answered(self, t_ms: int, reply: Reply, request: _Request) -> None:
        took_ms = t_ms - request.sent_ms
        # Twice what a unit took lately, let go slowly: a slow unit is waited for, a quick one not for long.
        self._wait_ms = min(max(P2_MS, 2 * took_ms, self._wait_ms * 7 // 8), LONGEST_P2_MS)
        if self._silent_asks >= LOST_ASKS:
            self._after_outage(t_ms)
        self._silent_asks = 0
        request.replied = True
        if request.payload[0] == pids.SHOW_CURRENT:
            walked = pids.walk(reply.payload[1:], request.payload[1:])
            request.got.update(pid for pid, _ in walked.parts)
            request.damaged |= bool(walked.rest)
        if request.trial:
            self._trials.clear()
            self._physical = self._alone = request.ecu is not None
            self._several = len(request.got) > 1
        self.stats.took(took_ms, request.got)
        if request is not self._request:
            self._settle(t_ms, request)
        elif request.ecu is not None:
            self._finish(t_ms, request)
        else:
            request.until_ms = min(request.until_ms, t_ms + P2_MS)  # others may still answer, but soon

    def _after_outage(self, t_ms: int) -> None:
        """All was silent for a moment: what looked like a habit of the unit was none, unless it happens again soon."""
        if t_ms - self._forgiven_ms >= FORGIVE_AGAIN_MS and self.poller is not None:
            self._forgiven_ms = t_ms
            self._physical = self._alone
            self.poller.batch, self._single_until_ms = self._several, None

    def _refusal(self, t_ms: int, reply: Reply, refused: tuple[int, int]) -> None:
        self.stats.refused(refused)
        request = self._request
        if request is None or request.payload[0] != refused[0] or request.ecu not in (None, reply.ecu):
            return
        if refused[1] == pids.PENDING:
            request.pending += 1
            if request.pending <= MOST_PENDING:
                self._last_reply_ms = t_ms
                self._extend(t_ms + P2_STAR_MS)
            return
        self._refused = refused[1]
        if request.ecu is not None:
            request.refused = refused[1]
            self._finish(t_ms, request)

    def _extend(self, until_ms: int) -> None:
        if self._request is not None:
            self._request.until_ms = max(self._request.until_ms, until_ms)

    def _note_bitmaps(self, reply: Reply) -> None:
        """Remember which PIDs a unit has; the next bitmap is asked of all, like the first."""
        if reply.ecu not in self.units and len(self.units) >= MOST_UNITS:
            return
        for base, data in pids.walk(reply.payload[1:], pids.BITMAPS).parts:
            told = pids.supported(base, data)
            self.units[reply.ecu] = self.units.get(reply.ecu, frozenset()) | told
            following = pids.next_bitmap(base, told)
            if following is not None:
                item = bytes((pids.SHOW_CURRENT, following))
                self._queue += [item] if item not in self._queue else []

    # ---- the end of a request -------------------------------------------------------------------------------------

    def _finish(self, t_ms: int, request: _Request) -> None:
        self._request, self._previous = None, request
        if request.replied:
            self._settle(t_ms, request)
            return
        self.stats.misses += 1
        self._silent_asks += 1
        if request.refused is None:
            self._wait_ms = min(2 * self._wait_ms, LONGEST_P2_MS)
        elif request.refused in NOT_NOW:
            self._free_ms = max(self._free_ms, t_ms + P2_MS)
        if request.ask is not None and self.poller is not None:
            refused_for_good = request.refused is not None and request.refused not in NOT_NOW
            alive = refused_for_good or (request.refused is None and t_ms - self._last_reply_ms < LOST_MS)
            self.poller.silent(request.ask, alive, t_ms)
            if len(request.ask.pids) > 1:
                self._missed_several(t_ms, refused_for_good, request.refused)
        if self._silent_asks >= LOST_ASKS and self.stage is Stage.READING:
            self._physical = False  # some units answer only what is asked of all
            if t_ms - self._last_reply_ms >= LOST_MS:
                self.stage = Stage.SILENT

    def _settle(self, t_ms: int, request: _Request) -> None:
        """Tell the poller what a request brought.

        A reply that was cut, and a PID that is missing among several though it came before, are damage on the way: that
        is not held against the PID, which costs nothing as one of several.
        """
        if request.ask is None or self.poller is None:
            return
        got = set(request.got)
        self._told |= got
        if len(request.ask.pids) > 1:
            got |= self._told.intersection(request.ask.wanted)
        if request.damaged:
            got.update(request.ask.wanted)
        self.poller.answered(got, request.ask, t_ms)
        self._several_misses = 0

    def _missed_several(self, t_ms: int, refused_for_good: bool, refused: int | None) -> None:
        """'Busy' says nothing against several PIDs in a request; any other refusal does, and so does silence."""
        self._several_misses += refused is None
        if (refused_for_good or self._several_misses >= MISSES_TO_SINGLE) and self.poller is not None:
            self.poller.batch = False
            self._single_until_ms = t_ms + SEVERAL_AGAIN_MS
