"""Runs the pipeline once over a trip and decides the levels again under many alert settings side by side.

What a level rests on (`alert.Evidence`) does not depend on alert settings, only on the limit; so one pass of estimator
and forecast serves any number of candidates, and each decides exactly as a replay under its settings would.  Only the
changes of level are kept, so memory does not grow with the candidates' seconds.  It does not read files.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core import alert, pipeline
from livemon.core.alert import AlertSettings, AlertState, Evidence
from livemon.core.events import Event
from livemon.core.grid import on_grid
from livemon.core.outcome import Level, Status
from livemon.core.pipeline import CoreSettings
from livemon.study.alarms import EARLY_S, alarms, chattering, floods, stretches

MOST_CANDIDATES: Final = 1000
SWEPT: Final = tuple(f.name for f in fields(AlertSettings) if not f.name.endswith("repeat_s"))
"""Keys that can move a level; the repeats of a silenced sound cannot."""
USUAL: Final[Mapping[str, tuple[float, ...]]] = {
    "caution_chance": (0.08, 0.15, 0.2, 0.28, 0.4),
    "regulating_chance": (0.25, 0.4, 0.7),
    "foreseen_on_s": (5.0, 15.0, 30.0),
}
"""What is swept where nothing is said: how likely and how lasting a foreseen crossing must be."""


def candidates(base: AlertSettings, sweep: Mapping[str, Sequence[float]]) -> tuple[AlertSettings, ...]:
    """`base` first, then every combination of the swept values; ValueError outside a key's range or beyond 1,000."""
    count = 1
    for values in sweep.values():
        count *= max(len(values), 1)
    if count > MOST_CANDIDATES:
        raise ValueError(f"at most {MOST_CANDIDATES} combinations, found {count}")
    every = (replace(base, **dict(zip(sweep, values, strict=True))) for values in product(*sweep.values()))
    return tuple(dict.fromkeys((base, *every)))


def most_sensitive(settings: Sequence[AlertSettings]) -> AlertSettings:
    """Settings under which every row stays that stays under any of `settings`."""
    low = ("caution_chance", "regulating_chance", "warming_chance", "warning_chance", "advisory_chance", "exit_share")
    high = ("short_time_s", "closing_margin_c", "near_margin_c", "deadband_c", "hot_margin_c")
    worst = {name: min(getattr(s, name) for s in settings) for name in low}
    return replace(settings[0], **worst, **{name: max(getattr(s, name) for s in settings) for name in high})


@dataclass(frozen=True, slots=True)
class Change:
    """The level from this second [s] of the trip on, and why."""

    second: int
    level: Level
    reason: str


class Rerun:
    """The level table under many settings, fed one tick after the other; `changes` has one list a candidate."""

    def __init__(self, settings: Sequence[AlertSettings]) -> None:
        self.settings = tuple(settings)
        self.changes: list[list[Change]] = [[] for _ in settings]
        self.seconds = 0
        self._states: list[AlertState] = [alert.start() for _ in settings]
        self._sensitive = most_sensitive(self.settings)
        self._resting = [False] * len(self.settings)

    def feed(self, evidence: Evidence) -> None:
        """One tick.  A state at rest is left alone while the evidence is calm: it would come out as it went in."""
        calm = alert.calm(evidence, self._sensitive)
        for k, settings in enumerate(self.settings):
            if calm and self._resting[k]:
                continue
            before = self._states[k]
            after, level = alert.decide(before, evidence, settings)
            self._states[k] = after
            self._resting[k] = calm and alert.at_rest(after) and after == before
            known = self.changes[k]
            if not known or known[-1].level is not level:
                known.append(Change(self.seconds, level, after.reason))
        self.seconds += 1


@dataclass(frozen=True, slots=True)
class Trip:
    """One trip at one limit: believed reading of each second [C] (NaN = none), live seconds, and level changes."""

    limit_c: float
    reading_c: NDArray[np.float64]
    live_s: int
    changes: tuple[tuple[Change, ...], ...]

    @property
    def peak_c(self) -> float | None:
        """Highest believed reading; None without any."""
        return float(np.nanmax(self.reading_c)) if np.isfinite(self.reading_c).any() else None


def run(events: Iterable[Event], core: CoreSettings, settings: Sequence[AlertSettings]) -> Trip:
    """The pipeline over one trip's `events`, and the level table under each of `settings`."""
    table = Rerun(settings)
    reading, live = array("d"), 0
    for _, told in pipeline.rerun(on_grid(events), core):
        if told is None:
            continue
        table.feed(told.evidence)
        believed = told.evidence.coolant_c
        reading.append(np.nan if believed is None else believed)
        live += told.evidence.status is Status.LIVE
    return Trip(core.limit_c, np.array(reading), live, tuple(tuple(c) for c in table.changes))


@dataclass(frozen=True, slots=True)
class Score:
    """What one candidate did on one trip, or on many (scores add up)."""

    leads_s: tuple[float, ...] = ()
    """One a crossing that counts; 0 = no caution stood."""
    false: int = 0
    scored_s: int = 0
    """Seconds before crossings, toss-ups left out: what `false` is counted over."""
    early_s: int = 0
    """Of these, seconds in caution over ten minutes before a crossing, or without one."""
    cautions: int = 0
    warnings: int = 0
    fleeting: int = 0
    """Cautions over as soon as the hold let them end: their cause had gone before."""
    floods: int = 0
    chattering: int = 0
    alarm_s: int = 0
    live_s: int = 0

    def __add__(self, other: Score) -> Score:
        return Score(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    def warned(self, ahead_s: float) -> int:
        """Crossings warned at least `ahead_s` ahead."""
        return sum(lead >= ahead_s for lead in self.leads_s)


def levels(changes: Sequence[Change], seconds: int) -> NDArray[np.int8]:
    """Level of each second."""
    starts = [c.second for c in changes]
    spans = np.diff([*starts, seconds])
    return np.repeat(np.array([int(c.level) for c in changes], dtype=np.int8), spans)


def score(trip: Trip, candidate: int, settings: AlertSettings) -> Score:
    """Scores one candidate on one trip by the rules of `alarms`."""
    changes, seconds = trip.changes[candidate], len(trip.reading_c)
    level = levels(changes, seconds)
    raised = level >= int(Level.CAUTION)
    leads: list[float] = []
    false = scored = early = 0
    for place in stretches(trip.reading_c, trip.limit_c):
        flags = raised[place.start : place.end]
        at = None if place.crossing is None else place.crossing - place.start
        found = alarms(flags, place.over_c, at, place.start > 0)
        if found.lead_s is not None:
            leads.append(found.lead_s)
            flags = flags[: max((at or 0) - EARLY_S, 0)]
        false += found.false
        scored += round(found.hours * 3600.0)
        early += int(flags.sum()) if found.hours else 0
    began = [(c.second, c.level, c.reason) for c in _risen(changes)]
    ends = [e - s for s, e in _runs(raised)]
    return Score(
        leads_s=tuple(leads),
        false=false,
        scored_s=scored,
        early_s=early,
        cautions=len(ends),
        warnings=sum(new is Level.WARNING for _, new, _ in began),
        fleeting=sum(length <= settings.hold_s + 1 for length in ends),
        floods=floods([at for at, _, _ in began]),
        chattering=chattering([(at, f"{new.word}: {why}") for at, new, why in began]),
        alarm_s=int(raised.sum()),
        live_s=trip.live_s,
    )


def _risen(changes: Sequence[Change]) -> list[Change]:
    """Changes that sound: to caution or worse, from better."""
    before = Level.UNKNOWN
    found = []
    for change in changes:
        if change.level >= Level.CAUTION and change.level > before:
            found.append(change)
        before = change.level
    return found


def _runs(raised: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], raised.astype(np.int8), [0]]))).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))
