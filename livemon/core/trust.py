"""Can the coolant reading be believed, and does the cooling itself behave: doubts in plain words with their evidence.

Readings are judged one by one (range, jumps, a second sensor); slower faults are judged on ten-second means of reading,
work and speed over the last quarter of an hour, so that one reading alone never changes a level.  It compares the drive
with itself and needs no profile; it does not know how hot is too hot, and whether a fault can be repaired.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

from livemon.core.events import SIGNALS
from livemon.core.outcome import Band, Level, Status
from livemon.core.signals import Inputs
from livemon.core.trust_history import Bucket, Filling, Stretch, longest_same, stretch

OPEN_C: Final = -38.0
SHORT_C: Final = 200.0
"""An open circuit reads the bottom of the range of PID 05 (-40), a short one its top (215)."""
JUMP_C: Final = 2.5
JUMP_C_S: Final = 0.5
"""A reading may move JUMP_C (whole-degree steps, noise) and JUMP_C_S a second; engines heat under 0.3 K/s."""
CONFIRM: Final = 4
"""So many readings in a row that agree make a jump believed."""
AGREE_C: Final = 3.0
WILD_C: Final = 12.0
CALM_MS: Final = 60_000
"""A sensor that jumped wildly, or three times, is believed again after so long without a jump."""
APART_C: Final = 6.0
APART_MS: Final = 30_000
AFTER_GAP_MS: Final = 5_000
"""A poller may repeat its last value once before it has a new one (seen in real recordings)."""
WARM_C: Final = 70.0
REGULATED_C: Final = 90.0
"""Where a thermostat regulates, until this engine's own plateau has been seen (OEM manuals: 82 to 95)."""
HOLD_MS: Final = 60_000
LOST_HOLD_MS: Final = 600_000


@dataclass(frozen=True, slots=True)
class Trust:
    """The verdict of one tick.  `danger`: the level that these doubts alone ask for."""

    trusted: bool | None
    doubts: tuple[str, ...] = ()
    coolant_lost: bool = False
    danger: Level = Level.NORMAL


@dataclass(frozen=True, slots=True)
class Doubt:
    """A doubt that stands until `until_ms`."""

    name: str
    words: str
    until_ms: int
    danger: Level
    believed: bool
    """True where the sensor itself is fine and the cooling is not."""


@dataclass(frozen=True, slots=True)
class TrustState:
    """What is remembered; every tuple is bounded."""

    believed_c: float | None = None
    believed_ms: int = 0
    resumed_ms: int | None = None
    """When the data came back after a hole: for AFTER_GAP_MS any reading is taken as it comes."""
    candidates: tuple[tuple[int, float], ...] = ()
    jumps: tuple[tuple[int, float], ...] = ()
    extreme_since_ms: int | None = None
    apart_since_ms: int | None = None
    agreed: bool = False
    filling: Filling = field(default_factory=Filling)
    buckets: tuple[Bucket, ...] = ()
    plateau_c: float | None = None
    worked_s: float = 0.0
    """Seconds of real work since the engine started, for an engine that never warms."""
    was_warm: bool = False
    doubts: tuple[Doubt, ...] = ()

    @property
    def regulated_c(self) -> float:
        return REGULATED_C if self.plateau_c is None else self.plateau_c


def start() -> TrustState:
    """Nothing known."""
    return TrustState()


def judge(state: TrustState, inputs: Inputs, estimate_c: Band | None = None) -> tuple[TrustState, Trust]:
    """Fold one tick in and say what is doubted; `estimate_c` is the model's own band, where there is one."""
    t = inputs.t_ms
    if state.doubts:
        state = replace(state, doubts=tuple(d for d in state.doubts if d.until_ms > t))
    if inputs.gap:  # nothing may be compared across a hole in the data
        state = replace(state, believed_c=None, resumed_ms=t, candidates=(), buckets=(), filling=Filling())
    for t_ms, value in inputs.coolant_news:
        state = _reading(state, t_ms, value)
    state = _second_sensor(state, inputs)
    if inputs.status is Status.ENGINE_OFF:
        state = replace(state, buckets=(), filling=Filling(), worked_s=0.0, was_warm=False)
    elif inputs.status is Status.LIVE:
        filling, full = state.filling.add(inputs, state.believed_c)
        state = replace(state, filling=filling)
        if full is not None:
            state = _slow_rules(replace(state, buckets=(*state.buckets, full)[-90:]), full, estimate_c)
    return state, _verdict(state, inputs)


def _doubt(state: TrustState, doubt: Doubt) -> TrustState:
    """`doubt` stands; one of the same name is replaced, its first words kept while it goes on."""
    old = next((d for d in state.doubts if d.name == doubt.name), None)
    kept = doubt if old is None else replace(doubt, words=old.words, danger=max(old.danger, doubt.danger))
    return replace(state, doubts=(*(d for d in state.doubts if d.name != doubt.name), kept))


# --- One reading ---


def _reading(state: TrustState, t_ms: int, value: float) -> TrustState:
    signal = SIGNALS["coolant_c"]
    if value <= OPEN_C or value >= SHORT_C:
        since = t_ms if state.extreme_since_ms is None else state.extreme_since_ms
        state = replace(state, extreme_since_ms=since)
        kind = "open circuit" if value <= OPEN_C else "short circuit"
        end = signal.low if value <= OPEN_C else signal.high
        words = f"coolant sensor reads {value:.0f} C, the end of its range ({end:.0f} C): {kind}"
        return _doubt(state, Doubt("range", words, t_ms + 10_000, _sensor_danger(state), False))
    if state.extreme_since_ms is not None:
        state = replace(state, extreme_since_ms=None)
    resumed = state.resumed_ms is not None and t_ms - state.resumed_ms < AFTER_GAP_MS
    if state.believed_c is None or resumed:
        return replace(state, believed_c=value, believed_ms=t_ms)
    passed_s = max(t_ms - state.believed_ms, 0) / 1000.0
    step = value - state.believed_c
    if abs(step) <= JUMP_C + JUMP_C_S * passed_s and not state.candidates:
        return replace(state, believed_c=value, believed_ms=t_ms)
    near = tuple(c for c in state.candidates if abs(c[1] - value) <= AGREE_C)
    if abs(step) <= JUMP_C + JUMP_C_S * min(passed_s, 5.0):  # back where it was: the jump was false
        state = replace(state, believed_c=value, believed_ms=t_ms, candidates=())
        return _jumping(state, t_ms)
    candidates = (*near, (t_ms, value))
    if len(candidates) < CONFIRM:
        first = not state.candidates
        moved = f"{state.believed_c:.0f} to {value:.0f} C in {passed_s:.0f} s"
        words = f"coolant reading went from {moved}, faster than heat can"
        jumps = (*state.jumps, (t_ms, step))[-8:] if first else state.jumps
        state = replace(state, candidates=candidates, jumps=jumps)
        return _doubt(state, Doubt("jump", words, t_ms + 5_000, Level.NORMAL, False))
    state = replace(state, believed_c=value, believed_ms=t_ms, candidates=(), buckets=())
    if abs(step) < WILD_C:
        return _jumping(state, t_ms)
    words = f"coolant reading jumped by {step:+.0f} C and stayed: the sensor or its wiring, or coolant has left it"
    return _doubt(state, Doubt("wild jump", words, t_ms + CALM_MS, _sensor_danger(state), False))


def _jumping(state: TrustState, t_ms: int) -> TrustState:
    """Three jumps within a minute make a sensor that is not believed."""
    recent = tuple(j for j in state.jumps if t_ms - j[0] < CALM_MS)
    state = replace(state, jumps=recent)
    if len(recent) < 3:
        return state
    widest = max(abs(j[1]) for j in recent)
    words = f"coolant reading jumps: {len(recent)} times in a minute, by up to {widest:.0f} C"
    return _doubt(state, Doubt("jumping", words, t_ms + CALM_MS, _sensor_danger(state), False))


def _sensor_danger(state: TrustState) -> Level:
    """Blind while hot is worse than blind while regulated."""
    hot = state.believed_c is not None and state.believed_c >= state.regulated_c + 8.0
    return Level.CAUTION if hot else Level.ADVISORY


def _second_sensor(state: TrustState, inputs: Inputs) -> TrustState:
    """Two sensors that agreed and then part; two that never agreed sit in different places and say nothing."""
    first, second = inputs.coolant_c, inputs.coolant2_c
    if first is None or second is None:
        return state if state.apart_since_ms is None else replace(state, apart_since_ms=None)
    apart = abs(first - second)
    if apart <= AGREE_C:
        return replace(state, agreed=True, apart_since_ms=None)
    if apart < APART_C or not state.agreed:
        return replace(state, apart_since_ms=None)
    since = inputs.t_ms if state.apart_since_ms is None else state.apart_since_ms
    state = replace(state, apart_since_ms=since)
    if inputs.t_ms - since < APART_MS:
        return state
    words = f"two coolant sensors that agreed now differ: {first:.0f} and {second:.0f} C"
    worse = max(first, second) >= state.regulated_c + 8.0
    danger = Level.CAUTION if worse else Level.ADVISORY
    return _doubt(state, Doubt("apart", words, inputs.t_ms + 5_000, danger, False))


# --- Ten seconds at a time ---


def _slow_rules(state: TrustState, now: Bucket, estimate_c: Band | None) -> TrustState:
    if now.coolant_c is None:
        return state
    calm = stretch(state.buckets, 120, 0)
    if calm is not None and calm.span_c <= 2.0 and 75.0 <= calm.coolant_c <= 97.0:
        lowest = calm.coolant_c if state.plateau_c is None else min(state.plateau_c, calm.coolant_c)
        state = replace(state, plateau_c=lowest)
    warm = state.was_warm or now.coolant_c >= WARM_C + 5.0
    busy = (now.speed_kmh or 0.0) > 40.0 or (now.speed_kmh is None and now.work is not None)
    state = replace(state, was_warm=warm, worked_s=state.worked_s + (10.0 if busy else 0.0))
    for rule in (_stuck, _never_warm, _rise, _left_sensor):
        found = rule(state, now)
        if found is not None:
            state = _doubt(state, found)
    return _against_model(state, now, estimate_c)


def _stuck(state: TrustState, now: Bucket) -> Doubt | None:
    """No step for long although the work changed: long where a thermostat regulates, sooner elsewhere."""
    same = longest_same(state.buckets)
    if same is None or now.coolant_c is None:
        return None
    seconds, spread = same
    regulating = -6.0 <= now.coolant_c - state.regulated_c <= 4.0
    if spread is None:
        enough = seconds >= (3_600 if regulating else 600)
        change = ""
    else:
        enough = (seconds >= 840 and spread >= 3.5) if regulating else (seconds >= 300 and spread >= 1.6)
        change = f" although the work changed {spread:.1f} times"
    if not enough:
        return None
    words = f"coolant reading stands at {now.coolant_c:.0f} C for {seconds // 60} min{change}: the sensor may be stuck"
    return Doubt("stuck", words, now.t_ms + 15_000, _sensor_danger(state), False)


def _never_warm(state: TrustState, now: Bucket) -> Doubt | None:
    """Long real work and still cool, or warm once and cooled on the road: a thermostat that stays open."""
    late = stretch(state.buckets, 180, 0)
    if late is None or now.coolant_c is None or now.coolant_c >= WARM_C or late.span_c > 4.0 or not late.busy:
        return None
    if not state.was_warm and state.worked_s < 720.0:
        return None
    words = f"engine stays at {now.coolant_c:.0f} C after {state.worked_s / 60:.0f} min of driving"
    return Doubt("never warm", f"{words}: the thermostat may be stuck open", now.t_ms + HOLD_MS, Level.ADVISORY, True)


def _alike(late: Stretch, before: Stretch, least: float, most: float) -> bool:
    """No twenty seconds of `late` outside `least` to `most` times the work of `before`, at the same speed and rpm."""
    if late.work_low is None or late.work_high is None or before.work is None:
        return False
    if late.work_low < least * before.work or late.work_high > most * before.work:
        return False
    if late.speed_kmh is None or before.speed_kmh is None:
        return False
    same_speed = 0.88 * before.speed_kmh - 2.0 <= late.speed_kmh <= 1.15 * before.speed_kmh + 3.0
    same_rpm = late.rpm is None or before.rpm is None or 0.85 * before.rpm <= late.rpm <= 1.2 * before.rpm
    return same_speed and same_rpm


def _even(some: Stretch, share: float) -> bool:
    """The work hardly changed."""
    if some.work is None or some.work_low is None or some.work_high is None:
        return False
    return some.work_high - some.work_low <= share * some.work


def _rise(state: TrustState, now: Bucket) -> Doubt | None:
    """A new high above a level that had settled, at the same work and speed: cooling is being lost.

    Looked at over two windows: slow (settled for 3 min, then 3 min of rise) and fast (2 min, then 1 min).
    """
    if now.coolant_c is None or now.coolant_c < state.regulated_c + 4.0:
        return None
    for length, settled, rise_c in ((180, 180, 5.0), (70, 120, 4.0)):
        late, before = stretch(state.buckets, length, 0), stretch(state.buckets, settled, length)
        if late is None or before is None or before.span_c > 3.0 or before.coolant_c < state.regulated_c - 4.0:
            continue
        rise = now.coolant_c - before.high_c
        moving = before.speed_kmh is not None and before.speed_kmh > 25.0
        same = (
            _even(before, 0.3) and _alike(late, before, 0.7, 1.15) and (late.work or 0.0) <= 1.03 * (before.work or 0.0)
        )
        if rise < rise_c or not moving or not same or late.falling or late.ac > before.ac + 0.1:
            continue
        words = f"reading rose {rise:.0f} C in {length // 60 or 1} min at the same load and speed"
        danger = Level.CAUTION if now.coolant_c >= state.regulated_c + 8.0 else Level.ADVISORY
        return Doubt("rise", f"{words}: fan, pump or coolant may be failing", now.t_ms + HOLD_MS, danger, True)
    return None


def _left_sensor(state: TrustState, now: Bucket) -> Doubt | None:
    """A fast fall from hot while the engine works as before and no more air comes: the sensor hangs in steam.

    A fan that cuts in does the same at a crawl, so below 40 km/h only a fall right below the thermostat counts.
    """
    late, before = stretch(state.buckets, 50, 0), stretch(state.buckets, 120, 50)
    if late is None or before is None or now.coolant_c is None or not _alike(late, before, 0.75, 1.8):
        return None
    fall = max(late.high_c, before.high_c) - now.coolant_c
    under = state.plateau_c is not None and now.coolant_c < state.plateau_c - 5.0
    fast = late.speed_kmh is not None and late.speed_kmh > 40.0
    hot_before = before.high_c >= state.regulated_c + 6.0
    risen = before.high_c - before.low_c >= 3.0 or any(d.name == "rise" for d in state.doubts)
    steep = late.high_c - now.coolant_c >= 5.0
    if not hot_before or not steep or fall < 7.0 or not (under or (fast and risen)):
        return None
    words = f"reading fell {fall:.0f} C in a minute while the engine works as before: coolant may have left the sensor"
    return Doubt("left sensor", words, now.t_ms + LOST_HOLD_MS, Level.WARNING, False)


def _against_model(state: TrustState, now: Bucket, estimate_c: Band | None) -> TrustState:
    """The model and the sensor part by far more than the model's own band."""
    if estimate_c is None or estimate_c.low is None or estimate_c.high is None or now.coolant_c is None:
        return state
    over = max(estimate_c.low - now.coolant_c, now.coolant_c - estimate_c.high)
    if over < 8.0:
        return state
    words = f"sensor reads {now.coolant_c:.0f} C, the model expects {estimate_c.low:.0f} to {estimate_c.high:.0f} C"
    return _doubt(state, Doubt("model", words, now.t_ms + 15_000, _sensor_danger(state), False))


def _verdict(state: TrustState, inputs: Inputs) -> Trust:
    doubts = state.doubts
    lost = any(d.name == "left sensor" for d in doubts)
    danger = max((d.danger for d in doubts), default=Level.NORMAL)
    if inputs.status not in (Status.LIVE, Status.ENGINE_OFF):
        trusted: bool | None = None
    elif state.extreme_since_ms is None and state.believed_c is None:
        trusted = None
    else:
        trusted = all(d.believed for d in doubts)
    return Trust(trusted, tuple(d.words for d in doubts), lost, danger)
