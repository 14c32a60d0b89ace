"""Can the coolant reading be believed, and does the cooling itself behave: doubts in plain words with their evidence.

Readings are judged one by one here (range, jumps, a second sensor); slower faults of sensor and cooling are judged in
`trust_cooling` on ten-second means over the last quarter of an hour and on what heat and air explain, so that one
reading alone never changes a level.  It does not know how hot is too hot, and whether a fault can be repaired.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from livemon.core import trust_cooling
from livemon.core.events import SIGNALS
from livemon.core.expected import Parting
from livemon.core.outcome import Level, Status
from livemon.core.signals import Inputs
from livemon.core.trust_cooling import Doubt, Slow
from livemon.core.unheard import Departure

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


@dataclass(frozen=True, slots=True)
class Trust:
    """The verdict of one tick.  `danger`: the level that these doubts alone ask for."""

    trusted: bool | None
    doubts: tuple[str, ...] = ()
    coolant_lost: bool = False
    fan_failed: bool = False
    danger: Level = Level.NORMAL


class TrustState(NamedTuple):
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
    slow: Slow = Slow()
    broke_ms: int = 0
    """When the reading last became another one (a jump that stayed): nothing before it may be compared."""
    doubts: tuple[Doubt, ...] = ()


def start() -> TrustState:
    """Nothing known."""
    return TrustState()


def judge(
    state: TrustState,
    inputs: Inputs,
    partings: tuple[Parting, ...] = (),
    departures: tuple[Departure, ...] = (),
) -> tuple[TrustState, Trust]:
    """Fold one tick in and say what is doubted.

    `partings`, `departures`: the reading against what hypotheses and possible vehicles were expected to do, where
    looked at.
    """
    t = inputs.t_ms
    if state.doubts:
        standing = (d for d in state.doubts if _stands(state, d, t))
        state = state._replace(doubts=tuple(trust_cooling.cooled(state.slow, d, state.believed_c) for d in standing))
    if inputs.gap:  # nothing may be compared across a hole in the data
        slow = trust_cooling.forgotten(state.slow)
        state = state._replace(believed_c=None, resumed_ms=t, candidates=(), slow=slow)
    for t_ms, value in inputs.coolant_news:
        state = _reading(state, t_ms, value)
    state = _second_sensor(state, inputs)
    if inputs.status is Status.ENGINE_OFF:
        state = state._replace(slow=trust_cooling.stopped(state.slow))
    elif inputs.status is Status.LIVE:
        slow, found = trust_cooling.second(state.slow, inputs, state.believed_c, partings, departures)
        state = state._replace(slow=slow)
        for doubt in found:  # what a doubted reading tells of anything else is worth nothing
            speaks = doubt.name == trust_cooling.LEFT_SENSOR or not any(
                d.name == trust_cooling.LEFT_SENSOR or (doubt.believed and not d.believed) for d in state.doubts
            )
            if speaks:
                state = _doubt(state, doubt)
    return state, _verdict(state, inputs)


def _stands(state: TrustState, doubt: Doubt, t_ms: int) -> bool:
    return doubt.until_ms > t_ms and not trust_cooling.ended(state.slow, doubt, state.believed_c)


def _doubt(state: TrustState, doubt: Doubt) -> TrustState:
    """`doubt` stands; one of the same name is replaced, its first words kept while it goes on."""
    old = next((d for d in state.doubts if d.name == doubt.name), None)
    kept = doubt if old is None else replace(doubt, words=old.words, danger=max(old.danger, doubt.danger))
    return state._replace(doubts=(*(d for d in state.doubts if d.name != doubt.name), kept))


# --- One reading ---


def _reading(state: TrustState, t_ms: int, value: float) -> TrustState:
    signal = SIGNALS["coolant_c"]
    if value <= OPEN_C or value >= SHORT_C:
        since = t_ms if state.extreme_since_ms is None else state.extreme_since_ms
        state = state._replace(extreme_since_ms=since)
        kind = "open circuit" if value <= OPEN_C else "short circuit"
        end = signal.low if value <= OPEN_C else signal.high
        words = f"coolant sensor reads {value:.0f} C, the end of its range ({end:.0f} C): {kind}"
        return _doubt(state, Doubt("range", words, t_ms + 10_000, _sensor_danger(state), False))
    if state.extreme_since_ms is not None:
        state = state._replace(extreme_since_ms=None)
    resumed = state.resumed_ms is not None and t_ms - state.resumed_ms < AFTER_GAP_MS
    if state.believed_c is None or resumed:
        return state._replace(believed_c=value, believed_ms=t_ms)
    passed_s = max(t_ms - state.believed_ms, 0) / 1000.0
    step = value - state.believed_c
    if abs(step) <= JUMP_C + JUMP_C_S * passed_s and not state.candidates:
        return state._replace(believed_c=value, believed_ms=t_ms)
    near = tuple(c for c in state.candidates if abs(c[1] - value) <= AGREE_C)
    if abs(step) <= JUMP_C + JUMP_C_S * min(passed_s, 5.0):  # back where it was: the jump was false
        state = state._replace(believed_c=value, believed_ms=t_ms, candidates=())
        return _jumping(state, t_ms)
    candidates = (*near, (t_ms, value))
    if len(candidates) < CONFIRM:
        first = not state.candidates
        moved = f"{state.believed_c:.0f} C to {value:.0f} C in {passed_s:.0f} s"
        words = f"coolant reading went from {moved}, faster than heat can"
        jumps = (*state.jumps, (t_ms, step))[-8:] if first else state.jumps
        state = state._replace(candidates=candidates, jumps=jumps)
        return _doubt(state, Doubt("jump", words, t_ms + 5_000, Level.NORMAL, False))
    state = state._replace(believed_c=value, believed_ms=t_ms, candidates=(), broke_ms=t_ms)
    state = state._replace(slow=trust_cooling.forgotten(state.slow))
    if abs(step) < WILD_C:
        return _jumping(state, t_ms)
    words = f"coolant reading jumped by {step:+.0f} K and stayed: the sensor or its wiring, or coolant has left it"
    return _doubt(state, Doubt("wild jump", words, t_ms + CALM_MS, _sensor_danger(state), False))


def _jumping(state: TrustState, t_ms: int) -> TrustState:
    """Three jumps within a minute make a sensor that is not believed."""
    recent = tuple(j for j in state.jumps if t_ms - j[0] < CALM_MS)
    state = state._replace(jumps=recent)
    if len(recent) < 3:
        return state
    widest = max(abs(j[1]) for j in recent)
    words = f"coolant reading jumps: {len(recent)} times in a minute, by up to {widest:.0f} K"
    return _doubt(state, Doubt("jumping", words, t_ms + CALM_MS, _sensor_danger(state), False))


def _sensor_danger(state: TrustState) -> Level:
    """Blind while hot is worse than blind while regulated."""
    return trust_cooling.danger_c(state.slow, state.believed_c)


def _second_sensor(state: TrustState, inputs: Inputs) -> TrustState:
    """Two sensors that agreed and then part; two that never agreed sit in different places and say nothing."""
    first, second = inputs.coolant_c, inputs.coolant2_c
    if first is None or second is None:
        return state if state.apart_since_ms is None else state._replace(apart_since_ms=None)
    apart = abs(first - second)
    if apart <= AGREE_C:
        return state._replace(agreed=True, apart_since_ms=None)
    if apart < APART_C or not state.agreed:
        return state._replace(apart_since_ms=None)
    since = inputs.t_ms if state.apart_since_ms is None else state.apart_since_ms
    state = state._replace(apart_since_ms=since)
    if inputs.t_ms - since < APART_MS:
        return state
    words = f"two coolant sensors that agreed now differ: {first:.0f} C and {second:.0f} C"
    danger = trust_cooling.danger_c(state.slow, max(first, second))
    return _doubt(state, Doubt("apart", words, inputs.t_ms + 5_000, danger, False))


def _verdict(state: TrustState, inputs: Inputs) -> Trust:
    doubts = state.doubts
    lost = any(d.name == trust_cooling.LEFT_SENSOR for d in doubts)
    fan_failed = any(d.name == "fan" for d in doubts)
    dangers = [d.danger for d in doubts]
    if state.believed_c is not None and any(d.name in trust_cooling.LOSING for d in doubts):
        dangers.append(trust_cooling.losing_danger(state.slow, state.believed_c))
    danger = max(dangers, default=Level.NORMAL)
    if inputs.status not in (Status.LIVE, Status.ENGINE_OFF):
        trusted: bool | None = None
    elif state.extreme_since_ms is None and state.believed_c is None:
        trusted = None
    else:
        trusted = all(d.believed for d in doubts)
    return Trust(trusted, tuple(d.words for d in doubts), lost, fan_failed, danger)
