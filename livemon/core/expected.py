"""What the last minutes should have done: the estimator's hypotheses moved on by heat and air alone, readings unheard.

A copy of the bank is set aside each half minute and moved without readings for five; where the reading then stands far
from all that any credible hypothesis expects, work and air do not explain it.  What the drive has not shown yet (the
first hard climb of an unknown vehicle) is expected wrongly: a rise is judged by `unheard`.  Where nothing tells heat or
road speed, nothing is expected.  It judges nothing: that is done in `trust_cooling`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from livemon.core import estimator, hypotheses
from livemon.core.demand import Flow
from livemon.core.hypotheses import READING_SD_C, TEMP, Bank
from livemon.core.outcome import Status
from livemon.core.signals import Inputs

STEP_MS: Final = 2_000
LOOK_MS: Final = 10_000
BEGIN_MS: Final = 30_000
LIVE_MS: Final = 300_000
"""A copy is begun each half minute and lives five, so at most ten are moved at once."""
YOUNGEST_S: Final = 30
"""Before that the copy and the reading have had no time to part."""
CREDIBLE: Final = 0.03
"""A hypothesis with less weight than this explains nothing."""


@dataclass(frozen=True, slots=True)
class Parting:
    """One copy against the reading of now."""

    age_s: int
    """The copy has heard no reading for so long."""
    over_c: float
    """Reading less what is expected [K]."""
    spreads: float
    """The same in spreads of the credible hypothesis that comes nearest."""
    heat_share: float
    """Least heat made while the copy ran, over that at its start."""
    air_share: float
    """Road speed now over that at its start."""
    expected_c: float


class Copy(NamedTuple):
    """What is remembered of one copy: when it began, heat and air then, and the least heat since."""

    begin_ms: int
    heat_kw: float
    least_kw: float
    ram: float


@dataclass(frozen=True, slots=True)
class Expecting:
    """State: the copies, oldest first, with their banks side by side along the leading axis."""

    bank: Bank | None = None
    copies: tuple[Copy, ...] = ()
    moved_ms: int = 0
    looked_ms: int = 0


def start() -> Expecting:
    """Nothing set aside yet."""
    return Expecting()


def advance(
    state: Expecting, now: estimator.State, inputs: Inputs, reading_c: float | None, broke_ms: int = 0
) -> tuple[Expecting, tuple[Parting, ...]]:
    """One tick on; each ten seconds, how far copies and reading part.

    `now`: the estimator before it hears this tick.  `reading_c`: the last reading that was believed; nothing from
    before `broke_ms`, when it became another one, is compared with it.
    """
    t = inputs.t_ms
    if state.copies and state.copies[0].begin_ms < broke_ms:
        state = replace(state, bank=None, copies=())
    flow = now.flow
    untold = now.source == "nothing" or (inputs.speed_kmh is None and inputs.gps_speed_kmh is None)
    if inputs.gap or inputs.status is not Status.LIVE or now.bank is None or flow is None or now.stopped or untold:
        return replace(state, bank=None, copies=()), ()
    if state.bank is not None and t - state.moved_ms >= STEP_MS:
        passed_s = min(t - state.moved_ms, 2 * STEP_MS) / 1000.0
        heat = float(flow.heat_kw)
        copies = tuple(c if c.least_kw <= heat else c._replace(least_kw=heat) for c in state.copies)
        state = replace(state, bank=hypotheses.moved(state.bank, flow, passed_s), copies=copies, moved_ms=t)
    if t - state.looked_ms < LOOK_MS:
        return state, ()
    state = replace(state, looked_ms=t)
    partings = _look(state, t, reading_c, flow)
    if not state.copies or t - state.copies[-1].begin_ms >= BEGIN_MS:
        state = _set_aside(state, now.bank, flow, t)
    return state, partings


def _set_aside(state: Expecting, bank: Bank, flow: Flow, t: int) -> Expecting:
    keep = [i for i, c in enumerate(state.copies) if t - c.begin_ms < LIVE_MS]
    heat, ram = float(flow.heat_kw), float(flow.ram2) ** 0.5
    copies = (*(state.copies[i] for i in keep), Copy(t, heat, heat, ram))
    mean, cov, weight = bank.mean[:, None], bank.cov[:, :, None], bank.log_weight[None]
    if state.bank is not None and keep:
        old = state.bank
        mean = np.concatenate([old.mean[:, keep], mean], axis=1)
        cov = np.concatenate([old.cov[:, :, keep], cov], axis=2)
        weight = np.concatenate([old.log_weight[keep], weight], axis=0)
    return replace(state, bank=Bank(mean, cov, weight, bank.prior), copies=copies, moved_ms=t)


def _look(state: Expecting, t: int, reading_c: float | None, flow: Flow) -> tuple[Parting, ...]:
    if state.bank is None or reading_c is None:
        return ()
    middle = reading_c + hypotheses.READ_AT_C
    share = hypotheses.shares(state.bank)
    off = middle - state.bank.mean[TEMP]
    spreads = off / np.sqrt(state.bank.cov[TEMP, TEMP] + READING_SD_C**2)
    out = []
    for i, copy in enumerate(state.copies):
        age_s = (t - copy.begin_ms) // 1000
        if age_s < YOUNGEST_S:
            continue
        credible = spreads[i][share[i] >= CREDIBLE]
        over = float((share[i] * off[i]).sum())
        out.append(
            Parting(
                age_s=age_s,
                over_c=over,
                spreads=float(credible[np.argmin(np.abs(credible))]),
                heat_share=copy.least_kw / max(copy.heat_kw, 1.0),
                air_share=float(flow.ram2) ** 0.5 / max(copy.ram, 0.05),
                expected_c=middle - over,
            )
        )
    return tuple(out)
