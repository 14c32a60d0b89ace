"""What to ask next: coolant first, then what the forecast needs, each at its own period, never more than is polite.

Strategy: a table of wants (`WANTS`), each with the PIDs that can serve it, best first.  A want that is due goes into
the next request; coolant goes before all, the rest by how late they are measured in their own periods, so that a slow
link stretches all of them alike and starves none.  A PID that stays silent while others answer is asked ever more
rarely.  The same poller serves adapters and buses; time is an argument and nothing is sent from here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, Protocol

from livemon.wire import allow
from livemon.wire.pids import MAX_PIDS_PER_REQUEST, PIDS

COOLANT: Final = 0x05
COOLANT_TWO: Final = 0x67
MONITOR: Final = 0x01

POLITE_LEGACY_PER_S: Final = 8.0
POLITE_CAN_PER_S: Final = 20.0
"""Most requests a second (common practice; the fastest K-line seen in trade tests is 8.5/s)."""

MISSES_TO_DEMOTE: Final = 3
DEMOTED_PERIOD_MS: Final = 60_000
COOLANT_DEMOTED_PERIOD_MS: Final = 2_000
"""Coolant is what all is for: even silent it is asked again soon."""

OUTAGE_MS: Final = 3_000
"""Nothing answered for so long: the link was out, not the PIDs."""

MOST_EARLY_MS: Final = 500
"""Coolant may go half an exchange early, up to this."""
FIRST_READING_MS: Final = 2_000

ERROR_GAP_MS: Final = 250
"""Pause after a request without answer: back off on errors."""

JUMP_C: Final = 6.0
"""A coolant reading that differs more than this from the last one is asked for again at once: no engine's coolant moves
so far within a polling period, so either the reading is torn or something serious happens; both want a second look."""


@dataclass(frozen=True, slots=True)
class Want:
    """One quantity: PIDs that serve it, best first, and how often it is wanted [ms]."""

    name: str
    pids: tuple[int, ...]
    period_ms: int
    costs: str
    """What the forecast loses without it."""


# Order is the order of importance.  Periods: coolant, speed and engine speed 1 Hz is plenty, slow quantities each
# 5 to 30 s (common practice).  Load is asked as 43, 10/66 or 0B, never as 04 (wire/allow says why).
WANTS: Final[tuple[Want, ...]] = (
    Want("coolant_c", (COOLANT, COOLANT_TWO), 1_000, "everything: no margin, no forecast"),
    Want("rpm", (0x0C,), 1_000, "heat made and pump speed are guessed from speed: wider bands"),
    Want("speed_kmh", (0x0D,), 1_000, "no grade, no air flow, and no advice that needs standstill"),
    Want("absolute_load_pct", (0x43,), 1_000, "heat made comes from air flow or manifold pressure instead"),
    Want("maf_g_s", (0x10, 0x66), 1_000, "heat made comes from load or manifold pressure instead"),
    Want("map_kpa", (0x0B,), 2_000, "heat made comes from load or air flow instead"),
    Want("intake_air_c", (0x0F, 0x68), 5_000, "outside air must be typed: wider bands where it is wrong"),
    Want("fuel_status", (0x03,), 5_000, "rich running under load is not seen: heat at full load less sure"),
    Want("ambient_air_c", (0x46,), 10_000, "outside air is taken from the intake at speed, or typed"),
    Want("oil_c", (0x5C,), 5_000, "nothing in the forecast; oil is shown as unknown"),
    Want("mil", (MONITOR,), 10_000, "the warning lamp and new trouble codes are not seen"),
    Want("voltage_v", (0x42,), 15_000, "read at the plug instead where the adapter can"),
    Want("baro_kpa", (0x33,), 30_000, "air density comes from altitude or a typed height instead"),
    Want("coolant2_c", (COOLANT_TWO,), 5_000, "no second sensor to compare the first with"),
    Want("throttle_pct", (0x11,), 5_000, "little: a closed throttle is seen later"),
    Want("pedal_pct", (0x49,), 5_000, "little: the driver's demand is seen later"),
    Want("run_time_s", (0x1F,), 15_000, "a restart of the engine is seen from engine speed only"),
    Want("fuel_level_pct", (0x2F,), 60_000, "nothing in the forecast"),
)

# What a vehicle of 1996 to 2003 must have where equipped (13 CCR 1968.1), asked where no bitmap could be read.
ASSUMED: Final[frozenset[int]] = frozenset({0x01, 0x03, 0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x10})

CHEAP_ALTERNATIVES: Final[tuple[tuple[int, frozenset[int]], ...]] = (
    (0x0B, frozenset({0x43, 0x10, 0x66})),
    (0x10, frozenset({0x43})),
)
"""On links that carry one PID a request, the first is not asked where one of the others answers."""


@dataclass(slots=True)
class _State:
    """One wanted PID: when it is due, how often it failed in a row."""

    want: Want
    pid: int
    due_ms: int
    misses: int = 0
    asked: bool = False
    answered: bool = False


@dataclass(frozen=True, slots=True)
class Ask:
    """One request of service 01: PIDs in the order in which they are sent (a shield may be among them)."""

    payload: bytes
    wanted: tuple[int, ...]

    @property
    def pids(self) -> tuple[int, ...]:
        return tuple(self.payload[1:])


class Plan(Protocol):
    """What a link asks next; `Poller` for driving, others for measuring."""

    @property
    def wants_plug_voltage(self) -> bool: ...
    def ready_ms(self) -> int: ...
    def next_ask(self, now_ms: int) -> Ask | None: ...
    def answered(self, pids: Iterable[int], ask: Ask, now_ms: int) -> None: ...
    def silent(self, ask: Ask, others_answer: bool, now_ms: int) -> None: ...
    def coolant_seen(self, value_c: float, now_ms: int) -> bool: ...
    def use_batches(self, on: bool) -> None: ...
    def took_turn(self, now_ms: int) -> None: ...


@dataclass(slots=True)
class Poller:
    """Chooses requests for one link.  `supported` None = no bitmap was read."""

    can: bool
    supported: frozenset[int] | None = None
    batch: bool = False
    max_per_s: float | None = None
    faster: float = 1.0
    """Divides all periods of a second or less, where requests of several PIDs leave room for it."""
    batch_faster: float = 2.0
    """What `faster` becomes while one request carries several PIDs."""
    _states: list[_State] = field(default_factory=list)
    _next_ms: int = 0
    _last_coolant_c: float | None = None
    _last_answer_ms: int | None = None
    _last_ask_ms: int | None = None
    _spacing_ms: int = 0

    def __post_init__(self) -> None:
        for want in WANTS:
            pids = [pid for pid in want.pids if self._may_ask(pid)]
            if want.name == "coolant_c" and not pids:
                pids = [COOLANT]  # a bitmap may lie; without coolant there is nothing to do
            if want.name == "coolant2_c" and self._serves(COOLANT_TWO, "coolant_c"):
                continue
            if pids:
                self._states.append(_State(want, pids[0], 0))

    def _serves(self, pid: int, name: str) -> bool:
        return any(state.pid == pid and state.want.name == name for state in self._states)

    def _may_ask(self, pid: int) -> bool:
        known = ASSUMED if self.supported is None else self.supported
        return pid in known and allow.is_askable(pid)

    def _period_ms(self, state: _State) -> int:
        if state.misses >= MISSES_TO_DEMOTE:
            return COOLANT_DEMOTED_PERIOD_MS if state.want.name == "coolant_c" else DEMOTED_PERIOD_MS
        period = state.want.period_ms
        return round(period / self.faster) if period <= 1_000 else period

    def _spared(self, state: _State) -> bool:
        """True if another PID that answers says nearly the same and requests are scarce."""
        if self.batch:
            return False
        live = {s.pid for s in self._states if s.answered and s.misses < MISSES_TO_DEMOTE}
        return any(state.pid == pid and not others.isdisjoint(live) for pid, others in CHEAP_ALTERNATIVES)

    @property
    def gap_ms(self) -> int:
        """Least time from one request to the next [ms]."""
        polite = POLITE_CAN_PER_S if self.can else POLITE_LEGACY_PER_S
        return round(1000 / min(polite, self.max_per_s or polite))

    @property
    def wanted_pids(self) -> tuple[int, ...]:
        return tuple(state.pid for state in self._states)

    def missing(self) -> tuple[Want, ...]:
        """Wants that no PID of this vehicle serves."""
        served = {state.want.name for state in self._states}
        return tuple(want for want in WANTS if want.name not in served)

    @property
    def wants_plug_voltage(self) -> bool:
        """True if no PID tells the voltage: an adapter may measure it at the plug."""
        return not any(state.want.name == "voltage_v" for state in self._states)

    def use_batches(self, on: bool) -> None:
        """Ask several PIDs a request, and the fast ones more often, or not."""
        self.batch, self.faster = on, self.batch_faster if on else 1.0

    def took_turn(self, now_ms: int) -> None:
        """Another request was sent in place of a poll: the polite gap counts from it."""
        self._next_ms = now_ms + self.gap_ms

    def ready_ms(self) -> int:
        """When the next request may leave: politeness and the earliest due want."""
        due = min((s.due_ms for s in self._states if not self._spared(s)), default=self._next_ms + 1_000)
        return max(self._next_ms, due)

    def _is_due(self, state: _State, now_ms: int) -> bool:
        # On a slow link coolant goes half an exchange early rather than half an exchange late.
        early = self._spacing_ms // 2 if state.want.name == "coolant_c" else 0
        return state.due_ms - early <= now_ms

    def _lateness(self, state: _State, now_ms: int) -> float:
        """How late a want is, in its own periods; a first reading is wanted soon whatever its period."""
        period_ms = self._period_ms(state)
        return (now_ms - state.due_ms) / (period_ms if state.asked else min(period_ms, FIRST_READING_MS))

    def next_ask(self, now_ms: int) -> Ask | None:
        """The request to send now; None if nothing is due or it would not be polite yet."""
        if now_ms < self._next_ms:
            return None
        due = [state for state in self._states if self._is_due(state, now_ms) and not self._spared(state)]
        if not due:
            return None
        due.sort(key=lambda s: (s.want.name != "coolant_c", -self._lateness(s, now_ms)))
        chosen = self._batched(due) if self.batch else None
        if chosen is None:
            chosen = Ask(bytes((0x01, due[0].pid)), (due[0].pid,))
        for state in self._states:
            if state.pid in chosen.wanted:
                # From now, not from when it was due: a slow link must not build up a backlog.
                state.due_ms = now_ms + self._period_ms(state)
                state.asked = True
        if self._last_ask_ms is not None:
            self._spacing_ms = min(now_ms - self._last_ask_ms, MOST_EARLY_MS)
        self._last_ask_ms = now_ms
        self._next_ms = now_ms + self.gap_ms
        return chosen

    def _batched(self, due: list[_State]) -> Ask | None:
        """The most of what is due, and of what falls due soon, that fits one allowed request."""
        chosen: list[int] = []
        payload: bytes | None = None
        soon = sorted((s for s in self._states if s not in due), key=lambda s: s.due_ms)
        horizon = due[0].due_ms + self._period_ms(due[0]) // 2
        for state in [*due, *(s for s in soon if s.due_ms <= horizon)]:
            if state.pid in chosen or not PIDS[state.pid].batchable or state.misses >= MISSES_TO_DEMOTE:
                continue
            wider = allow.batch(tuple(sorted([*chosen, state.pid])))
            if wider is not None:
                chosen.append(state.pid)
                payload = wider
            if len(chosen) >= MAX_PIDS_PER_REQUEST:
                break
        if payload is None or due[0].pid not in chosen or len(chosen) < 2:
            return None
        return Ask(payload, tuple(chosen))

    def answered(self, pids: Iterable[int], ask: Ask, now_ms: int) -> None:
        """A request was answered for `pids`; wanted ones that are not among them have missed."""
        got = set(pids)
        if self._last_answer_ms is not None and now_ms - self._last_answer_ms > OUTAGE_MS:
            # The link was out: what was held against single PIDs meanwhile means nothing.
            for state in self._states:
                state.misses = 0
                state.due_ms = min(state.due_ms, now_ms)
        self._last_answer_ms = now_ms
        for state in self._states:
            if state.pid in got:
                if state.misses >= MISSES_TO_DEMOTE:
                    state.due_ms = min(state.due_ms, now_ms + state.want.period_ms)
                state.misses = 0
                state.answered = True
            elif state.pid in ask.wanted:
                self._missed(state, now_ms)

    def silent(self, ask: Ask, others_answer: bool, now_ms: int) -> None:
        """A request brought nothing.  It counts against its PIDs only while other requests are answered."""
        self._next_ms = max(self._next_ms, now_ms + ERROR_GAP_MS)
        if others_answer:
            for state in self._states:
                if state.pid in ask.wanted:
                    self._missed(state, now_ms)

    def _missed(self, state: _State, now_ms: int) -> None:
        state.misses += 1
        if state.misses < MISSES_TO_DEMOTE:
            return
        others = [pid for pid in state.want.pids if pid != state.pid and self._may_ask(pid)]
        if others and not self._serves(others[0], "coolant_c"):
            state.pid, state.misses, state.answered = others[0], 0, False
            state.due_ms = now_ms
        else:
            state.due_ms = now_ms + self._period_ms(state)

    def coolant_seen(self, value_c: float, now_ms: int) -> bool:
        """Take note of a coolant reading; True if it jumped, and then it is asked for again at once."""
        last, self._last_coolant_c = self._last_coolant_c, value_c
        jumped = last is not None and abs(value_c - last) > JUMP_C
        if jumped:
            for state in self._states:
                if state.want.name == "coolant_c":
                    state.due_ms = now_ms
        return jumped
