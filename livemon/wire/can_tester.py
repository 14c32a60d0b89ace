"""The tester on a CAN bus as a state table without I/O: frames and time in, frames to send and events out.

Strategy: listen first and judge the bus; only then begin a `Talk`.  Silence, error frames and a controller that goes
off the bus each lead back to listening by one written path, and every pause is bounded.  It knows no bus library and
no clock: `feed` takes a frame, `step` says what to do now, `next_ms` when to come back.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from livemon.core.events import Link, Sample
from livemon.wire import frames, pids
from livemon.wire.can_replies import Ecu, Readings, Replies, Reply
from livemon.wire.can_talk import CanSettings, Stage, Stats, Talk
from livemon.wire.elm_facts import Pace
from livemon.wire.frames import Addressing, BusFault, Frame

NOBODY_ASKS_MS: Final = 10_000
"""Listening in: without a reply for so long, the other tester is gone."""
LISTEN_AGAIN_MS: Final = 300
RETRY_MS: Final = (500, 1_000, 2_000)
CLOSED_MS: Final = (1_000, 2_000, 3_000)
"""Pauses with the bus closed after an error; with the listening that follows they stay under the 5 s cap."""
BUS_OFF_MS: Final = 1_500
"""A controller that has not restarted by itself for so long is closed and opened again."""
ERRORS_AT_ONCE: Final = 5
FRAMES_AN_ERROR: Final = 10
"""Listening: the bit rate looks wrong from so many error frames on, with fewer than so many good frames for each."""
ERRORS_READING: Final = 50
"""Reading: error frames since the last reply."""


SELDOM_MS: Final = 60_000
QUIET_MS: Final = 10_000
"""Resting: the first frame after so long a silence says that somebody woke the vehicle."""
RPM_PID: Final = 0x0C


class State(Enum):
    """Where the tester stands; only TALKING sends, and RESTING at the pace SELDOM."""

    LISTENING = "listening before the first request"
    LISTENING_IN = "decoding what another tester asks for"
    BUS_OFF = "the controller is off the bus"
    CLOSED = "the bus is closed for a while"
    TALKING = "asking and reading"
    RESTING = "engine off: listening, or asking once a minute"


@dataclass(frozen=True, slots=True)
class Step:
    """What to do now: frames to put on the bus, events to hand on, or close the bus for a while [ms]."""

    send: tuple[Frame, ...] = ()
    events: tuple[Sample | Link, ...] = ()
    close_ms: int | None = None


class CanTester:
    """One tester on one bus; call `feed` for each frame, then `step`, then wait until `next_ms`."""

    def __init__(self, t_ms: int, settings: CanSettings) -> None:
        self.settings = settings
        self.stats = Stats()
        self.addressing = settings.addressing or Addressing.BITS_11
        self.frames = self.error_frames = 0
        self._addressing_known = settings.addressing is not None
        self._replies, self._readings = Replies(), Readings()
        self._events: list[Sample | Link] = []
        self._send: list[Frame] = []
        self._close_ms: int | None = None
        self._said: str | None = None
        self._failures = self._closings = 0
        self.state = State.LISTENING
        self.talk: Talk | None = None
        self._since_ms = self._last_reply_ms = t_ms
        self._listen_for_ms = settings.listen_ms
        self._heard = self._errors = 0
        self.pace = Pace.FULL
        """How the vehicle may be asked; may be set at any time, the next `step` follows."""
        self._heard_ms = t_ms
        self._seldom_ms = t_ms

    def opened(self, t_ms: int) -> None:
        """The bus was opened (again): start by listening."""
        self._close_ms = None
        self._listen(t_ms, self.settings.listen_ms)

    def failed(self, t_ms: int, reason: str) -> Step:
        """The bus cannot be opened, read or written: how long to leave it closed."""
        self._down(t_ms, reason)
        self._close(t_ms)
        return self._out()

    @property
    def hears_all(self) -> bool:
        """True while unrelated traffic matters too; otherwise reply identifiers are enough."""
        return self.talk is None or self.talk.stage is not Stage.READING

    @property
    def units(self) -> dict[Ecu, frozenset[int]]:
        """Control units found, with their PIDs."""
        return {} if self.talk is None else self.talk.units

    @property
    def damage(self) -> dict[str, int]:
        """Replies and frames that could not be used, by reason."""
        return self._replies.counts

    @property
    def next_ms(self) -> int:
        """When `step` has something to do, unless a frame comes before."""
        if self.state is State.TALKING and self.talk is not None:
            return self.talk.next_ms
        if self.state is State.LISTENING:
            return self._since_ms + self._listen_for_ms
        if self.state is State.BUS_OFF:
            return self._since_ms + BUS_OFF_MS
        if self.state is State.RESTING and self.pace is Pace.SELDOM:
            return self._seldom_ms
        return self._last_reply_ms + NOBODY_ASKS_MS

    def feed(self, t_ms: int, frame: Frame) -> None:
        """A frame, or a fault in its place, came from the bus."""
        if frame.fault is not None:
            self._fault(t_ms, frame.fault)
            return
        self.frames += 1
        self._heard += 1
        silent_ms, self._heard_ms = t_ms - self._heard_ms, t_ms
        if self.state is State.RESTING and silent_ms >= QUIET_MS:
            self._up(t_ms, "traffic heard after silence")
        if self.state is State.BUS_OFF:
            self._listen(t_ms, LISTEN_AGAIN_MS)
        if not self._addressing_known and _is_obd(frame):
            self.addressing = frames.addressing_of(frame)
        reply = self._replies.feed(t_ms, frame)
        began = self._replies.began
        if self.talk is None:
            if reply is not None and self.state in (State.LISTENING_IN, State.RESTING):
                self._overheard(t_ms, reply)
            return
        if began is not None:
            control = self.talk.flow_control(t_ms, began)
            self._send += [control] if control is not None else []
        if reply is not None:
            self._errors = 0
            if reply.ecu.extended != (self.talk.addressing is Addressing.BITS_29) and not self.talk.units:
                # A late answer to what was asked in the other form: that is the one this vehicle speaks.
                self.addressing = frames.addressing_of(frame)
                self.talk = Talk(t_ms, self.settings, self.addressing, self.stats)
            sample = self.talk.reply(t_ms, reply)
            if sample is not None and self.talk.poller is not None:
                self._reading(t_ms, self.talk)
                self._events.append(sample)

    def _overheard(self, t_ms: int, reply: Reply) -> None:
        """A reply outside a talk: somebody else asked, or it is the one question of a minute."""
        self._last_reply_ms = t_ms
        self.stats.replies += 1
        sample = self._readings.sample(reply)
        if sample is None:
            return
        self.stats.readings += len(sample.readings)
        if self.state is State.LISTENING_IN:
            self._up(t_ms, f"listening in on CAN, {self._rate}")
        self._events.append(sample)

    def step(self, t_ms: int) -> Step:
        """What to do now."""
        self._replies.expire(t_ms)
        self._follow_pace(t_ms)
        if self.state is State.LISTENING:
            self._judge(t_ms)
        elif self.state is State.BUS_OFF and t_ms - self._since_ms >= BUS_OFF_MS:
            self._close(t_ms)
        elif self.state is State.LISTENING_IN and t_ms - self._last_reply_ms >= NOBODY_ASKS_MS:
            self._down(t_ms, "nobody asks: no reply of a control unit heard for 10 s (listen only)")
            self._last_reply_ms = t_ms
        if self.state is State.TALKING and self.talk is not None:
            self._talk_on(t_ms, self.talk)
        return self._out()

    def _out(self) -> Step:
        step = Step(tuple(self._send), tuple(self._events), self._close_ms)
        self._send, self._events, self._close_ms = [], [], None
        return step

    # ---- listening ------------------------------------------------------------------------------------------------

    @property
    def _rate(self) -> str:
        return f"{self.settings.bitrate // 1000} kbit/s"

    def _listen(self, t_ms: int, for_ms: int) -> None:
        self.state = State.LISTENING
        self.talk = None
        self._send.clear()
        self._since_ms, self._listen_for_ms = t_ms, for_ms
        self._heard = self._errors = 0
        self._last_reply_ms = t_ms

    def _judge(self, t_ms: int) -> None:
        """Is this a bus that may be asked?"""
        if self._errors >= ERRORS_AT_ONCE and self._heard < FRAMES_AN_ERROR * self._errors:
            self._refuse_rate(t_ms)
        elif t_ms - self._since_ms < self._listen_for_ms:
            return
        elif self._heard == 0 and not self.settings.ask_silent_bus:
            self._down(t_ms, "bus silent, nothing was sent. Ignition on? Bit rate right? Wiring?")
            self._listen(t_ms, self.settings.listen_ms)
        elif self.settings.listen_only:
            self.state = State.LISTENING_IN
            self._last_reply_ms = t_ms
        else:
            self.state = State.TALKING
            self.talk = Talk(t_ms, self.settings, self.addressing, self.stats)

    def _talk_on(self, t_ms: int, talk: Talk) -> None:
        before = talk.stage
        frame = talk.step(t_ms)
        self._send += [frame] if frame is not None else []
        if talk.stage is Stage.READING and before is Stage.FINDING:
            self._reading(t_ms, talk)
        elif talk.stage is Stage.NOBODY:
            self._nobody(t_ms)
        elif talk.stage is Stage.SILENT:
            self._again(t_ms, "no reply: the control units have gone silent. Ignition on?")

    def _reading(self, t_ms: int, talk: Talk) -> None:
        self._addressing_known = True
        self._up(t_ms, f"CAN {self.addressing.value} bit {self._rate}, {len(talk.units)} control unit(s)")

    def _nobody(self, t_ms: int) -> None:
        if not self._addressing_known:
            first = self.settings.addressing is None and self._failures % 2 == 0
            other = {Addressing.BITS_11: Addressing.BITS_29, Addressing.BITS_29: Addressing.BITS_11}
            self.addressing = other[self.addressing]
            if first:
                self._failures += 1
                self.talk = Talk(t_ms + self.settings.gap_ms, self.settings, self.addressing, self.stats)
                return
        self._again(t_ms, "no reply to OBD requests. Ignition on? Does this vehicle speak OBD on CAN?")

    def _again(self, t_ms: int, reason: str) -> None:
        refusal = self.talk.refusal if self.talk is not None else None
        self._down(t_ms, refusal or reason)
        pause_ms = RETRY_MS[min(self._failures, len(RETRY_MS) - 1)]
        self._failures += 1
        self._listen(t_ms, pause_ms)

    def _follow_pace(self, t_ms: int) -> None:
        """Rest, or wake, as `pace` says; without any request of ours there is nothing to rest from."""
        resting = self.state is State.RESTING
        if self.pace is Pace.FULL and resting:
            self._listen(t_ms, LISTEN_AGAIN_MS)
        elif self.pace is not Pace.FULL and self.state in (State.LISTENING, State.TALKING):
            if not self.settings.listen_only:
                self._listen(t_ms, 0)
                self.state = State.RESTING
                self._seldom_ms = t_ms + SELDOM_MS
                self._down(t_ms, "engine off: not asking")
        elif resting and self.pace is Pace.SELDOM and t_ms >= self._seldom_ms:
            self._seldom_ms = t_ms + SELDOM_MS
            payload = bytes((pids.SHOW_CURRENT, RPM_PID))
            extended = self.addressing is Addressing.BITS_29
            self._send.append(frames.request(self.addressing.functional_id, extended, payload))
            self.stats.requests += 1

    # ---- faults ---------------------------------------------------------------------------------------------------

    def _fault(self, t_ms: int, fault: BusFault) -> None:
        if fault is BusFault.RESTARTED and self.state is State.BUS_OFF:
            self._listen(t_ms, LISTEN_AGAIN_MS)
        elif fault is BusFault.BUS_OFF:
            self._down(t_ms, "controller off the bus (too many errors): wiring, bit rate, termination?")
            self._listen(t_ms, LISTEN_AGAIN_MS)
            self.state = State.BUS_OFF
        elif fault is BusFault.ERROR_FRAME:
            self.error_frames += 1
            self._errors += 1
            if self.talk is not None and self.talk.stage is Stage.FINDING:
                self._refuse_rate(t_ms)  # ISO 15765-4: stop at once when the first request is disturbed
            elif self.talk is not None and self._errors >= ERRORS_READING:
                self._down(t_ms, f"bus disturbed: {self._errors} error frames since the last reply", kind="disturbed")
                self._close(t_ms)

    def _refuse_rate(self, t_ms: int) -> None:
        self._down(
            t_ms,
            f"bit rate looks wrong: {self._errors} error frames, {self._heard} good ones at {self._rate}; "
            "not asking. Try the other of 500 and 250 kbit/s",
            kind="bit rate",
        )
        self._close(t_ms)

    def _close(self, t_ms: int) -> None:
        self._listen(t_ms, self.settings.listen_ms)
        self.state = State.CLOSED
        self._close_ms = CLOSED_MS[min(self._closings, len(CLOSED_MS) - 1)]
        self._closings += 1

    def _down(self, t_ms: int, reason: str, kind: str | None = None) -> None:
        """Tell that the link is down; the same kind of reason (figures inside may differ) only once."""
        if self._said != (kind or reason):
            self._said = kind or reason
            self._events.append(Link(t_ms, False, reason))

    def _up(self, t_ms: int, words: str) -> None:
        self._failures = self._closings = 0
        if self._said != "up":
            self._said = "up"
            self._events.append(Link(t_ms, True, words))


def _is_obd(frame: Frame) -> bool:
    return frames.is_reply_id(frame.can_id, frame.extended) or frames.is_request_id(frame.can_id, frame.extended)
