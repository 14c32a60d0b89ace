"""One drive looked back on: what the live core said of it second by second, beside what came.

`Keeper` is fed with every outcome of the very pipeline that ran live, so the levels are those of the live run; series
are kept each fifth second, levels and advice whenever they change.  `review` joins them with the columns of the
drive.  It knows nothing of files, pages or words for people.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core.needle import Needle
from livemon.core.outcome import HORIZONS_S, Acted, Band, Level, Outcome
from livemon.study import climbs, needle
from livemon.study.climbs import ClimbFinder, Stretch
from livemon.study.needle import NeedleLook
from livemon.study.recording import STEP_S, Drive

Floats = NDArray[np.float64]

KEEP_MS: Final = int(STEP_S * 1000)
GAP_S: Final = 20.0
"""A hole in the coolant readings longer than this is listed; the live core ends its rates there."""
MOST_LISTED: Final = 500
MOST_SERIES: Final = 200_000
NEAR_K: Final = 10.0
"""Forecasts are also judged apart while the coolant is this near the limit: far below it nothing is at stake."""


@dataclass(frozen=True, slots=True)
class Spell:
    """A level or an advice that stood from .. to [s], and why."""

    word: str
    from_s: float
    to_s: float
    why: str


@dataclass(frozen=True, slots=True)
class Series:
    """What was said, each fifth second; nan = nothing said.  `ahead_c` by horizon: (low, likely, high) as made then."""

    t_s: Floats
    level: NDArray[np.int8]
    estimate_c: tuple[Floats, Floats, Floats]
    grade_pct: Floats
    ahead_c: Mapping[int, tuple[Floats, Floats, Floats]]


@dataclass(frozen=True, slots=True)
class Judged:
    """Forecasts of one horizon against what came; None where there were none."""

    horizon_s: int
    count: int
    held_share: float | None
    """Share of what came that lay inside the 80 % band."""
    miss_c: float | None
    """Root-mean-square of what came less the likely value [K]."""
    stay_miss_c: float | None
    """The same for saying that the temperature stays as it is."""


@dataclass(frozen=True, slots=True)
class Quality:
    """How good the data were."""

    seconds: float
    age_s: tuple[float, float] | None
    """Age of the coolant reading: median and 95 %."""
    gaps: tuple[tuple[float, float], ...]
    gap_total_s: float
    """Of all gaps, also those beyond the list."""
    status_s: Mapping[str, float]
    doubts: tuple[tuple[str, float, float], ...]
    """Text, when it first stood [s], for how long [s]."""
    untrusted_s: float
    """So long a reading came that was not believed."""


@dataclass(frozen=True, slots=True)
class Review:
    """Everything that is told of one drive; what is worked out of the coolant leaves out readings nobody believed."""

    drive: Drive
    said: Series
    limit_c: float
    stop_c: float
    """The lowest that was in force: boiling, and with it the stop, moves with height."""
    levels: tuple[Spell, ...]
    advice: tuple[Spell, ...]
    acted: tuple[Acted, ...]
    climbs: tuple[Stretch, ...]
    jams: tuple[Stretch, ...]
    whole: Stretch
    """The drive as one stretch: peak, margin, time over the lines."""
    least_margin_c: Band | None
    """Limit less estimate at its least, with its band then."""
    least_margin_at_s: float | None
    boil_margin_c: float | None
    judged: tuple[Judged, ...]
    judged_near: tuple[Judged, ...]
    quality: Quality
    needle: NeedleLook


class Keeper:
    """A sink of outcomes, bounded; `review` may be asked for once the log is over."""

    def __init__(self) -> None:
        self._first_ms: int | None = None
        self._last_ms = 0
        self._t = array("d")
        self._level = array("b")
        self._columns = tuple(array("d") for _ in range(4 + 3 * len(HORIZONS_S)))
        self._spells: list[Spell] = []
        self._advice: list[Spell] = []
        self._acted: dict[tuple[str, float], Acted] = {}
        self._climbs = ClimbFinder()
        self._least: tuple[Band, float] | None = None
        self._boil: float | None = None
        self._lines: tuple[float, float] | None = None
        self._ages: dict[int, int] = {}
        self._stale: tuple[float, float] | None = None
        self._gaps: list[tuple[float, float]] = []
        self._gap_total_s = 0.0
        self._status: dict[str, int] = {}
        self._doubts: dict[str, tuple[float, float]] = {}
        self._untrusted = 0
        self._distrust: list[tuple[float, float]] = []

    def outcome(self, said: Outcome) -> None:
        """One second of what the live core said."""
        t_s = said.t_ms / 1000.0
        if self._first_ms is None:
            self._first_ms = said.t_ms
        self._last_ms = said.t_ms
        self._status[said.status.value] = self._status.get(said.status.value, 0) + 1
        self._spell(self._spells, said.level.word, said.reason, t_s)
        first = said.advice[0] if said.advice else None
        self._spell(self._advice, "" if first is None else first.words, "" if first is None else first.why, t_s)
        for act in said.acted:
            if (act.action.value, act.at_s) in self._acted or len(self._acted) < MOST_LISTED:
                self._acted[act.action.value, act.at_s] = act
        self._climbs.hear(t_s, said.climb)
        self._margins(said, t_s)
        self._age(said, t_s)
        if said.trusted is False:
            self._distrusted(t_s)
        for words in said.doubts:
            if words in self._doubts or len(self._doubts) < MOST_LISTED:
                since, long = self._doubts.get(words, (t_s, 0.0))
                self._doubts[words] = (since, long + 1.0)
        if said.t_ms % KEEP_MS == 0 and len(self._t) < MOST_SERIES:
            self._keep(said, t_s)

    def _distrusted(self, t_s: float) -> None:
        """One more second whose reading was not believed."""
        self._untrusted += 1
        if self._distrust and t_s - self._distrust[-1][1] <= STEP_S:
            self._distrust[-1] = self._distrust[-1][0], t_s
        elif len(self._distrust) < MOST_SERIES:
            self._distrust.append((t_s, t_s))

    def _believed(self, drive: Drive) -> Drive:
        """The drive without the coolant of cells in which the reading was not believed."""
        coolant_c = drive.coolant_c.copy()
        for since_s, until_s in self._distrust:
            coolant_c[(drive.t_s > since_s - STEP_S) & (drive.t_s <= until_s)] = np.nan
        return replace(drive, coolant_c=coolant_c)

    @staticmethod
    def _spell(spells: list[Spell], word: str, why: str, t_s: float) -> None:
        """Carries the newest spell on, or opens another; its reason is the one it began with."""
        if spells and spells[-1].word == word:
            spells[-1] = replace(spells[-1], to_s=t_s + 1.0)
        elif len(spells) < 2 * MOST_LISTED:
            spells.append(Spell(word, t_s, t_s + 1.0, why))

    def _margins(self, said: Outcome, t_s: float) -> None:
        if said.limit_c is not None and said.stop_c is not None:
            stop_c = said.stop_c if self._lines is None else min(self._lines[1], said.stop_c)
            self._lines = (said.limit_c, stop_c)
        margin = said.margin_c
        if margin is not None and margin.likely is not None:
            least = None if self._least is None else self._least[0].likely
            if least is None or margin.likely < least:
                self._least = (margin, t_s)
        boil = said.boil_margin_c
        if boil is not None and boil.low is not None and (self._boil is None or boil.low < self._boil):
            self._boil = boil.low

    def _age(self, said: Outcome, t_s: float) -> None:
        if said.age_s is None:
            return
        tenths = min(round(10.0 * said.age_s), 10 * int(GAP_S))
        self._ages[tenths] = self._ages.get(tenths, 0) + 1
        if said.age_s > GAP_S:
            since = t_s - said.age_s if self._stale is None else self._stale[0]
            self._stale = (since, t_s)
        elif self._stale is not None:
            self._end_gap()

    def _end_gap(self) -> None:
        if self._stale is not None:
            self._gap_total_s += self._stale[1] - self._stale[0]
            if len(self._gaps) < MOST_LISTED:
                self._gaps.append(self._stale)
            self._stale = None

    def _keep(self, said: Outcome, t_s: float) -> None:
        self._t.append(t_s)
        self._level.append(int(said.level))
        values = [*_sides(said.estimate_c), None if said.grade_pct is None else said.grade_pct.likely]
        ahead = dict(said.ahead_c or ())
        for horizon in HORIZONS_S:
            values += _sides(ahead.get(horizon))
        for column, value in zip(self._columns, values, strict=True):
            column.append(np.nan if value is None else value)

    def review(self, drive: Drive, dial: Needle) -> Review:
        """What it came to, joined with the readings of the same drive."""
        self._end_gap()
        said = self._series()
        limit_c, stop_c = self._lines or (np.nan, np.nan)
        spans, believed = self._climbs.spans(), self._believed(drive)
        start_s = float(drive.t_s[0]) if len(drive.t_s) else 0.0
        end_s = float(drive.t_s[-1]) + STEP_S if len(drive.t_s) else 0.0
        return Review(
            drive=drive,
            said=said,
            limit_c=limit_c,
            stop_c=stop_c,
            levels=tuple(self._spells),
            advice=tuple(s for s in self._advice if s.word),
            acted=tuple(self._acted.values()),
            climbs=tuple(climbs.measured(believed, s.foot_s, s.top_s, limit_c, stop_c, s.gain_m) for s in spans),
            jams=tuple(climbs.measured(believed, a, b, limit_c, stop_c) for a, b in climbs.jams(drive)),
            whole=climbs.measured(believed, start_s, end_s, limit_c, stop_c),
            least_margin_c=None if self._least is None else self._least[0],
            least_margin_at_s=None if self._least is None else self._least[1],
            boil_margin_c=self._boil,
            judged=tuple(judged(believed, said, h) for h in HORIZONS_S),
            judged_near=tuple(judged(believed, said, h, limit_c - NEAR_K) for h in HORIZONS_S),
            quality=self._quality(),
            needle=needle.look(drive.t_s, believed.coolant_c, limit_c, dial, STEP_S),
        )

    def _series(self) -> Series:
        columns = [np.array(column, dtype=np.float64) for column in self._columns]
        ahead = {h: (columns[4 + 3 * i], columns[5 + 3 * i], columns[6 + 3 * i]) for i, h in enumerate(HORIZONS_S)}
        levels = np.array(self._level, dtype=np.int8)
        estimate = (columns[0], columns[1], columns[2])
        return Series(np.array(self._t, dtype=np.float64), levels, estimate, columns[3], ahead)

    def _quality(self) -> Quality:
        count = sum(self._ages.values())
        return Quality(
            seconds=(self._last_ms - (self._first_ms or 0)) / 1000.0,
            age_s=None if count == 0 else (self._share_of_ages(0.5 * count), self._share_of_ages(0.95 * count)),
            gaps=tuple(self._gaps),
            gap_total_s=self._gap_total_s,
            status_s={word: float(n) for word, n in self._status.items()},
            doubts=tuple((words, since, long) for words, (since, long) in self._doubts.items()),
            untrusted_s=float(self._untrusted),
        )

    def _share_of_ages(self, wanted: float) -> float:
        seen = 0
        for tenths, number in sorted(self._ages.items()):
            seen += number
            if seen >= wanted:
                return tenths / 10.0
        raise AssertionError("more was wanted than there is")


def _sides(band: Band | None) -> tuple[float | None, float | None, float | None]:
    return (None, None, None) if band is None else (band.low, band.likely, band.high)


def judged(drive: Drive, said: Series, horizon_s: int, from_c: float = -np.inf) -> Judged:
    """Every forecast made while the coolant stood at `from_c` or over, against the reading that came.

    The reading is that of the 5 s cell in which the horizon ends; where none came, or none stood when the forecast was
    made, it is not judged.  Whole degrees are taken as they are: up to half a degree of the miss is their rounding.
    """
    low, likely, high = said.ahead_c[horizon_s]
    cells = len(drive.t_s)
    if cells == 0 or len(said.t_s) == 0:
        return Judged(horizon_s, 0, None, None, None)
    then = np.round((said.t_s - drive.t_s[0]) // STEP_S).astype(np.intp)
    come = then + int(horizon_s / STEP_S)
    inside = (then >= 0) & (come < cells)
    was = np.where(inside, drive.coolant_c[np.clip(then, 0, cells - 1)], np.nan)
    came = np.where(inside, drive.coolant_c[np.clip(come, 0, cells - 1)], np.nan)
    use = np.isfinite(likely) & np.isfinite(was) & np.isfinite(came)
    use &= np.where(np.isfinite(was), was, -np.inf) >= from_c
    count = int(use.sum())
    if count == 0:
        return Judged(horizon_s, 0, None, None, None)
    held = (came[use] >= low[use]) & (came[use] <= high[use])
    return Judged(
        horizon_s=horizon_s,
        count=count,
        held_share=float(held.mean()),
        miss_c=float(np.sqrt(((came[use] - likely[use]) ** 2).mean())),
        stay_miss_c=float(np.sqrt(((came[use] - was[use]) ** 2).mean())),
    )


def over_s(spells: tuple[Spell, ...], level: Level) -> float:
    """So long a level at or over `level` stood [s]."""
    words = {one.word for one in Level if one >= level}
    return sum(spell.to_s - spell.from_s for spell in spells if spell.word in words)
