"""What the vehicles of the profile would have done in the last minutes, their readings unheard.

The possible vehicles are driven beside the real one (`fleet`) and learn from its readings.  Each half minute a copy of
them is set aside and moved on for seven minutes without hearing any.  Unlike the hypotheses of `expected` they know
fans, thermostat and metal as parts, so a climb or a jam that the drive has not shown yet is foreseen within its spread:
small for a vehicle that was learned, wide for one nobody knows.  How far off a sound vehicle usually reads is learned
(`healthy`).  While nobody asks, the copies are only noted and catch
up later: most of a drive is not hot.  It judges nothing: that is done in `trust_cooling`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from livemon.core import fleet, healthy
from livemon.core.air import Array
from livemon.core.deeds import Many
from livemon.core.fleet import HEAT, TEMP, Asked, Fleet
from livemon.core.healthy import Known, Sums
from livemon.core.heat import Nodes
from livemon.core.hypotheses import READ_AT_C
from livemon.core.vehicle import take

BEGIN_MS: Final = 30_000
LIVE_MS: Final = 420_000
"""A copy is begun each half minute and lives seven, so at most fifteen are moved at once."""
LOOK_MS: Final = 10_000
YOUNGEST_S: Final = 30
"""Before that the copy and the reading have had no time to part."""
HEAT_SD: Final = 0.08
"""Fuel as told errs otherwise at other work: so much of the heat made (ln, one standard deviation) is not known to a
copy, whatever the drive has shown until then.  Chosen on made-up drives (docs/benchmark.md)."""
NEAR_SD_C: Final = 1.0
"""Rounding, scatter and what the nodes do not follow, between the reading and one vehicle."""
CREDIBLE: Final = 0.01
"""A vehicle with less weight than this explains nothing."""
BEFORE: Final = 10
"""The work of a copy is compared with that of the five minutes before it, so many copies earlier ..."""
REMEMBERED: Final = LIVE_MS // BEGIN_MS + 2 + BEFORE
"""... so what was known when they began is kept for so many."""


class Departure(NamedTuple):
    """One copy against the reading of now."""

    age_s: int
    """The copy has heard no reading for so long."""
    over_c: float
    """Reading less what was expected [K]."""
    spread_c: float
    """Standard deviation of what was expected, over all that profile and drive leave open [K]."""
    nearest: float
    """Reading over the credible vehicle that comes nearest to it from below, in spreads of that vehicle."""
    opening: float
    """Thermostat opening that was expected: below 1 it, not the balance, sets what was expected."""
    usual_c: float | None = None
    """Reading less what was expected, of a sound vehicle [K]; of copies near `healthy.AGES_S` only."""
    usual_sd_c: float = 1.0
    """Spread of it [K]."""

    @property
    def excess_c(self) -> float:
        """Reading over that of a sound vehicle [K]."""
        return self.over_c - (self.usual_c or 0.0)

    @property
    def surprise(self) -> float | None:
        """The same in its spreads."""
        return None if self.usual_c is None else self.excess_c / self.usual_sd_c

    def expected_c(self, reading_c: float) -> float:
        """What was expected where `reading_c` is read [C]."""
        return reading_c - self.over_c


class _PutOff(NamedTuple):
    """Something that nobody has asked for yet: vehicles to be set aside at `t_ms`, or a step of all."""

    t_ms: int
    aside: Fleet | None = None
    step: tuple[Asked, float] | None = None


class Unheard(NamedTuple):
    """State: when each copy began, oldest first, and their vehicles in one fleet along its axis (copies, vehicles)."""

    lanes: Fleet | None = None
    many: Many | None = None
    """The vehicles of every copy and, last, of the fleet itself: all are stepped at once."""
    begin_ms: tuple[int, ...] = ()
    put_off: tuple[_PutOff, ...] = ()
    """What is still to be done with the lanes, oldest first; of no more than the life of two copies."""
    looked_ms: int = 0
    sums: Sums = Sums()
    """What was asked so far."""
    known: tuple[Known, ...] = ()
    """What was known when the last REMEMBERED copies began, set aside or put off, oldest first."""


def start() -> Unheard:
    """Nothing set aside yet."""
    return Unheard()


def advance(
    state: Unheard,
    followed: Fleet,
    t_ms: int,
    air_kpa: float,
    reading_c: float | None,
    broke_ms: int = 0,
    wanted: bool = True,
) -> tuple[Unheard, tuple[Departure, ...], Fleet | None]:
    """One tick on; each ten seconds, how far copies and reading part; the fleet itself where it was stepped with them.

    `followed`: the fleet with what is asked in this tick (`fleet.gathered`), its reading not heard.  `reading_c`: the
    last reading that was believed; nothing from before `broke_ms`, when it became another one, is compared with it.
    `wanted`: whether anybody will look at a comparison; what is then told does not hang on what was wanted before.
    """
    if followed.nodes is None or (state.known and _oldest_ms(state) < broke_ms):
        return Unheard(looked_ms=state.looked_ms, sums=state.sums), (), None
    if followed.ticks == 1 and (not state.known or t_ms - state.known[-1].begin_ms >= BEGIN_MS):
        state = _kept(state, t_ms)
        known = (*state.known, _known(state.sums, followed, t_ms, reading_c))[-REMEMBERED:]
        state = state._replace(put_off=(*state.put_off, _PutOff(t_ms, aside=followed)), known=known)
    if not state.known or followed.ticks < fleet.STEP_S:
        return state, (), None
    step = fleet.due(followed, t_ms, air_kpa)
    state = state._replace(sums=state.sums.plus(*step))
    look = reading_c is not None and t_ms - state.looked_ms >= LOOK_MS
    if look:
        state = state._replace(looked_ms=t_ms)
    if not wanted:
        return state._replace(put_off=(*state.put_off, _PutOff(t_ms, step=step))), (), None
    state = _caught_up(state)
    assert state.lanes is not None
    assert state.many is not None
    both = fleet.unheard(_joined((state.lanes, followed), state.many), *step)
    lanes, itself = _only(both, slice(0, state.lanes.size)), _only(both, slice(state.lanes.size, both.size))
    state, itself = state._replace(lanes=lanes), itself._replace(many=followed.many)
    if not look or reading_c is None:
        return state, (), itself
    return state, _look(state, lanes, t_ms, reading_c), itself


def _oldest_ms(state: Unheard) -> int:
    return state.begin_ms[0] if state.begin_ms else state.put_off[0].t_ms


def _kept(state: Unheard, t: int) -> Unheard:
    """Without what can only concern copies that are over at `t`."""
    if state.begin_ms and t - state.begin_ms[-1] >= LIVE_MS:
        state = state._replace(lanes=None, many=None, begin_ms=())
    if state.lanes is not None:
        return state
    young = (i for i, one in enumerate(state.put_off) if one.aside is not None and t - one.t_ms < LIVE_MS)
    return state._replace(put_off=state.put_off[next(young, len(state.put_off)) :])


def _caught_up(state: Unheard) -> Unheard:
    """With all done that was put off, in its order: the same as if it had been done at once."""
    if not state.put_off:
        return state
    of_lanes = None
    for one in state.put_off:
        if one.aside is not None:
            state, of_lanes = _set_aside(state, one.aside, one.t_ms), None
        elif one.step is not None and state.lanes is not None:
            of_lanes = _of_lanes(state) if of_lanes is None else of_lanes
            state = state._replace(lanes=fleet.unheard(state.lanes._replace(many=of_lanes), *one.step))
    return state._replace(put_off=())


def _of_lanes(state: Unheard) -> Many:
    """The vehicles of the copies, without those of the fleet itself."""
    assert state.lanes is not None
    assert state.many is not None
    lanes = np.arange(state.lanes.size)
    return Many(state.many.body, take(state.many.engine, lanes), take(state.many.cooling, lanes))


def _set_aside(state: Unheard, followed: Fleet, t: int) -> Unheard:
    keep = [i for i, begin in enumerate(state.begin_ms) if t - begin < LIVE_MS]
    cov = followed.cov.copy()
    cov[HEAT, HEAT] += HEAT_SD**2
    new = followed._replace(cov=cov)
    begin_ms = (*(state.begin_ms[i] for i in keep), t)
    old = () if state.lanes is None else (_only(state.lanes, _places(keep, followed.size)),)
    lane = np.tile(np.arange(followed.size), len(begin_ms) + 1)
    many = followed.many
    many = Many(many.body, take(many.engine, lane), take(many.cooling, lane))
    return state._replace(lanes=_joined((*old, new), many), many=many, begin_ms=begin_ms)


def _places(copies: Sequence[int], size: int) -> NDArray[np.intp]:
    places: NDArray[np.intp] = (np.asarray(copies, dtype=np.intp)[:, None] * size + np.arange(size)).ravel()
    return places


def _rows(one: Fleet) -> tuple[Array, ...]:
    """What the nodes are at, of a fleet that was begun: one figure a vehicle."""
    assert one.nodes is not None
    return cast(tuple[Array, ...], one.nodes.figures())  # of many vehicles: arrays all


def _only(lanes: Fleet, at: NDArray[np.intp] | slice) -> Fleet:
    """Some of the lanes; their vehicles' figures are not sorted out, `_joined` gives them anew."""
    weight = lanes.log_weight[at]
    return lanes._replace(
        size=weight.size,
        unknown=lanes.unknown[:, at],
        cov=lanes.cov[:, :, at],
        log_weight=weight,
        nodes=Nodes(*(each[at] for each in _rows(lanes))),
        sensed_c=np.asarray(lanes.sensed_c)[at],
    )


def _joined(some: tuple[Fleet, ...], many: Many) -> Fleet:
    """Fleets of one moment side by side."""
    return some[-1]._replace(
        many=many,
        size=sum(one.size for one in some),
        unknown=np.concatenate([one.unknown for one in some], axis=-1),
        cov=np.concatenate([one.cov for one in some], axis=-1),
        log_weight=np.concatenate([one.log_weight for one in some]),
        nodes=Nodes(*(np.concatenate(same) for same in zip(*map(_rows, some), strict=True))),
        sensed_c=np.concatenate([np.asarray(one.sensed_c) for one in some]),
    )


def _known(sums: Sums, followed: Fleet, t: int, reading_c: float | None) -> Known:
    share = fleet.shares(followed)
    assert followed.nodes is not None
    opening = float((share * np.asarray(followed.nodes.opening)).sum())
    read_c = reading_c
    if read_c is None:
        read_c = float((share * np.asarray(followed.sensed_c)).sum()) - READ_AT_C
    return Known(t, sums, opening, read_c, followed.misses.rms_c, followed.followed_s)


def _look(state: Unheard, lanes: Fleet, t: int, reading_c: float) -> tuple[Departure, ...]:
    shape = (len(state.begin_ms), lanes.size // len(state.begin_ms))
    weight = np.exp(lanes.log_weight).reshape(shape)
    weight /= weight.sum(axis=-1, keepdims=True)
    sensed = np.asarray(lanes.sensed_c).reshape(shape)
    variance = lanes.cov[TEMP, TEMP].reshape(shape)
    expected = (weight * sensed).sum(axis=-1, keepdims=True)
    spread = np.sqrt((weight * (variance + (sensed - expected) ** 2)).sum(axis=-1))
    off = reading_c + READ_AT_C - sensed
    near = np.where(weight > CREDIBLE, off / np.sqrt(variance + NEAR_SD_C**2), np.inf).min(axis=-1)
    over = reading_c + READ_AT_C - expected[:, 0]
    assert lanes.nodes is not None
    opening = (weight * np.asarray(lanes.nodes.opening).reshape(shape)).sum(axis=-1)
    ages = [(t - begin) // 1000 for begin in state.begin_ms]
    found = [
        Departure(age_s, float(over[i]), float(spread[i]), float(near[i]), float(opening[i]))
        for i, age_s in enumerate(ages)
        if age_s >= YOUNGEST_S
    ]
    judged = [i for i, one in enumerate(found) if healthy.judged(one.age_s)]
    if judged:
        usual_c, usual_sd_c = healthy.usual([signs(state, found[i], t, reading_c) for i in judged])
        for k, i in enumerate(judged):
            found[i] = found[i]._replace(usual_c=float(usual_c[k]), usual_sd_c=float(usual_sd_c[k]))
    return tuple(found)


def signs(state: Unheard, one: Departure, t: int, reading_c: float) -> list[float]:
    """What `healthy` is told of a copy, looked at now."""
    place = next(i for i, known in enumerate(state.known) if (t - known.begin_ms) // 1000 == one.age_s)
    known, before = state.known[place], state.known[max(place - BEFORE, 0)]
    return healthy.signs(
        known, before.sums, state.sums, one.age_s, one.expected_c(reading_c), one.spread_c, one.opening
    )
