"""One level a second from one table: what begins a level, how long it must stand, what ends it.

After 14 CFR 25.1322 (warning = act now, caution = act soon, advisory = be aware) and ISA-18.2 (deadband, on and off
delay, no chattering).  Pure: the state goes in and comes out, time is an argument.  Knows nothing of why a
temperature is what it is; that is told by the estimator, the forecast and trust, boiled down in `Evidence`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Final, NamedTuple

from livemon.core.keys import check_ranges, key
from livemon.core.outcome import Band, Level, Status


@dataclass(frozen=True, slots=True)
class AlertSettings:
    """Thresholds and times of the level table.  Each key carries range, unit and effect in its metadata."""

    caution_chance: float = key(0.12, 0.05, 0.95, "", "chance to cross the limit within 300 s that begins a caution")
    regulating_chance: float = key(
        0.4, 0.05, 0.99, "", "the same while the thermostat regulates, when a slope is no danger yet"
    )
    warming_chance: float = key(0.9, 0.05, 0.99, "", "the same while the engine warms up, whose end may overshoot")
    warning_chance: float = key(0.5, 0.05, 0.95, "", "chance to cross the stop line within 120 s that begins a warning")
    climb_chance: float = key(
        0.6, 0.05, 0.95, "", "chance to cross the limit on the road of the route within 15 min that begins a caution"
    )
    advisory_chance: float = key(0.25, 0.05, 0.95, "", "chance to cross the limit within 600 s that begins an advisory")
    exit_share: float = key(
        0.3, 0.1, 0.95, "", "a chance ends a level when it is below this share of the one that began it"
    )
    short_time_s: float = key(60.0, 10.0, 300.0, "s", "a likely time to the limit at or under this begins a caution")
    closing_time_s: float = key(
        120.0, 20.0, 300.0, "s", "close under the limit, a rise whose line reaches it so soon begins a caution"
    )
    closing_margin_c: float = key(2.5, 0.5, 6.0, "K", "how close under the limit such a rise must be")
    near_margin_c: float = key(2.0, 0.0, 10.0, "K", "an estimate this close under the limit is an advisory")
    deadband_c: float = key(2.0, 0.5, 5.0, "K", "a reached line is left only this far below it")
    hot_margin_c: float = key(
        2.0, 1.0, 20.0, "K", "data lost with the estimate this close under the limit counts as lost while hot"
    )
    reached_on_s: float = key(3.0, 2.0, 30.0, "s", "a reached line or lost coolant must stand so long")
    coming_on_s: float = key(
        5.0, 2.0, 60.0, "s", "a line that is near, on this road or that of `stop` must stand so long"
    )
    foreseen_on_s: float = key(
        15.0, 2.0, 60.0, "s", "a chance that begins a caution must stand so long: one hard pull is none"
    )
    advisory_on_s: float = key(10.0, 2.0, 120.0, "s", "an advisory must stand so long")
    clear_s: float = key(20.0, 5.0, 120.0, "s", "the end of a condition must stand so long")
    coming_clear_s: float = key(60.0, 5.0, 300.0, "s", "the end of what is foreseen must stand so long")
    hold_s: float = key(
        30.0, 30.0, 300.0, "s", "no level ends sooner than this after it began; keeps any alarm under 3 a minute"
    )
    lost_advisory_s: float = key(10.0, 2.0, 120.0, "s", "data lost so long is an advisory")
    lost_caution_s: float = key(30.0, 5.0, 300.0, "s", "data lost while hot for so long is a caution")
    lost_warning_s: float = key(90.0, 10.0, 600.0, "s", "data lost during a caution for so long is a warning")
    engine_off_s: float = key(
        60.0, 30.0, 600.0, "s", "engine off and nothing to read for so long: the level is unknown again"
    )
    caution_repeat_s: float = key(180.0, 30.0, 1800.0, "s", "a silenced caution sounds again after so long")
    warning_repeat_s: float = key(60.0, 15.0, 600.0, "s", "a silenced warning sounds again after so long")

    def __post_init__(self) -> None:
        check_ranges(self, "alert")


CLOSING_OVER_USUAL_C: Final = (1.0, 15.0)
"""A rise counts as closing in only so far over the mean of ten minutes: less is regulation, more is a warm-up."""
STOP_OVER_LIMIT_C: Final = 10.0
STOP_UNDER_BOILING_C: Final = 6.0


def default_stop_c(limit_c: float, boiling_c: float) -> float:
    """The stop line where none was typed [C]: never past boiling less 6 K, however high the limit stands."""
    return min(limit_c + STOP_OVER_LIMIT_C, boiling_c - STOP_UNDER_BOILING_C)


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that a level may depend on at one tick; `None` = not known."""

    t_ms: int
    status: Status
    limit_c: float
    stop_c: float
    readings: int = 0
    """Coolant readings accepted since the start; a level never changes on one reading alone."""
    coolant_c: float | None = None
    """Latest reading, while it is live and believed."""
    estimate_c: Band | None = None
    chance: tuple[tuple[int, float], ...] | None = None
    chance_stop: tuple[tuple[int, float], ...] | None = None
    time_to_limit_s: Band | None = None
    regulating: bool = False
    """The thermostat regulates: a slope is no danger yet."""
    warming: bool = False
    """The engine is still warming up."""
    rate_c_per_min: Band | None = None
    usual_c: float | None = None
    """Mean of the estimate over ten minutes."""
    trusted: bool | None = None
    coolant_lost: bool = False
    danger: Level = Level.NORMAL
    """What the named doubts and faults alone ask for (core/trust)."""
    climb_chance: float | None = None
    """Chance to cross the limit on the road ahead within 15 minutes; only with a route."""
    silenced_ms: int | None = None
    """When the sound was last silenced by key or switch; None = not silenced."""


@dataclass(frozen=True, slots=True)
class _Now:
    """Evidence with what the state adds to it: how long data have been lost, and what stood before."""

    e: Evidence
    lost_s: float | None
    was_hot: bool
    level_before: Level

    def hottest_c(self) -> float | None:
        """The worse of estimate and latest reading [degC]."""
        likely = self.e.estimate_c.likely if self.e.estimate_c else None
        reading = None if self.e.trusted is False else self.e.coolant_c
        known = [value for value in (likely, reading) if value is not None]
        return max(known) if known else None

    def at_least(self, line_c: float) -> bool:
        hottest = self.hottest_c()
        return hottest is not None and hottest >= line_c

    def chance(self, seconds: int, of_stop: bool = False) -> float:
        table = self.e.chance_stop if of_stop else self.e.chance
        return dict(table or ()).get(seconds, 0.0)

    def closing(self, s: AlertSettings) -> bool:
        """Close under the limit, over what has been usual, and on a line that reaches it soon."""
        hottest, usual, rate = self.hottest_c(), self.e.usual_c, self.e.rate_c_per_min
        if hottest is None or usual is None or rate is None or rate.likely is None or rate.likely <= 0.0:
            return False
        low, high = CLOSING_OVER_USUAL_C
        margin = self.e.limit_c - hottest
        near = margin <= s.closing_margin_c and margin * 60.0 <= rate.likely * s.closing_time_s
        return near and usual + low <= hottest <= usual + high

    def time_to_limit_s(self) -> float:
        likely = self.e.time_to_limit_s.likely if self.e.time_to_limit_s else None
        return float("inf") if likely is None else likely


Test = Callable[[_Now, AlertSettings], bool]


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table: `begins` must stand for the setting `on`, `stays` must be false for the setting `off`."""

    name: str
    level: Level
    begins_words: str
    begins: Test
    on: str
    ends_words: str
    stays: Test
    off: str
    reason: str
    """Why the level stands, in the few words a screen has room for."""
    heat: bool = False
    """Stands for an engine that is hot or heading there: data lost now are lost while hot."""
    of_silence: bool = False
    """Judged while data are lost (and only then begins); the other rows are frozen meanwhile."""


def _caution_chance(now: _Now, s: AlertSettings) -> float:
    """Of the states it is in, the one that asks for most."""
    wanted = s.caution_chance
    if now.e.regulating:
        wanted = max(wanted, s.regulating_chance)
    return max(wanted, s.warming_chance) if now.e.warming else wanted


def _danger_row(level: Level, on: str) -> Row:
    def stands(now: _Now, _: AlertSettings) -> bool:
        return now.e.danger >= level

    return Row(
        name=f"fault_{level.word}",
        level=level,
        begins_words=f"a named fault or doubt asks for {level.word}",
        begins=stands,
        on=on,
        ends_words="it no longer does",
        stays=stands,
        off="clear_s",
        reason="fault: see doubts",
    )


ROWS: Final[tuple[Row, ...]] = (
    Row(
        "coolant_lost",
        Level.WARNING,
        "the coolant has left the sensor",
        lambda now, s: now.e.coolant_lost,
        "reached_on_s",
        "it is back",
        lambda now, s: now.e.coolant_lost,
        "clear_s",
        "coolant lost",
        heat=True,
    ),
    Row(
        "stop_reached",
        Level.WARNING,
        "estimate or reading at or over `stop`",
        lambda now, s: now.at_least(now.e.stop_c),
        "reached_on_s",
        "below `stop` - `deadband`",
        lambda now, s: now.at_least(now.e.stop_c - s.deadband_c),
        "clear_s",
        "stop line reached",
        heat=True,
    ),
    Row(
        "stop_coming",
        Level.WARNING,
        "chance to cross `stop` within 120 s at or over `warning_chance`",
        lambda now, s: now.chance(120, of_stop=True) >= s.warning_chance,
        "coming_on_s",
        "chance below `exit_share` of it",
        lambda now, s: now.chance(120, of_stop=True) >= s.warning_chance * s.exit_share,
        "coming_clear_s",
        "stop line coming",
        heat=True,
    ),
    _danger_row(Level.WARNING, "coming_on_s"),
    Row(
        "lost_in_caution",
        Level.WARNING,
        "data lost for `lost_warning` after a caution stood",
        lambda now, s: now.lost_s is not None and now.lost_s >= s.lost_warning_s and now.level_before >= Level.CAUTION,
        "",
        "data live again",
        lambda now, s: now.lost_s is not None,
        "reached_on_s",
        "data lost while hot",
        of_silence=True,
    ),
    Row(
        "limit_reached",
        Level.CAUTION,
        "estimate or reading at or over `limit`",
        lambda now, s: now.at_least(now.e.limit_c),
        "reached_on_s",
        "below `limit` - `deadband`",
        lambda now, s: now.at_least(now.e.limit_c - s.deadband_c),
        "clear_s",
        "limit reached",
        heat=True,
    ),
    Row(
        "limit_coming",
        Level.CAUTION,
        "chance to cross `limit` within 300 s at or over `caution_chance` (`regulating_chance`, `warming_chance`)",
        lambda now, s: now.chance(300) >= _caution_chance(now, s),
        "foreseen_on_s",
        "chance below `exit_share` of it",
        lambda now, s: now.chance(300) >= _caution_chance(now, s) * s.exit_share,
        "coming_clear_s",
        "limit coming",
        heat=True,
    ),
    Row(
        "limit_on_climb",
        Level.CAUTION,
        "on a route: chance to cross `limit` on its road within 15 min at or over `climb_chance`, regulating or not",
        lambda now, s: (now.e.climb_chance or 0.0) >= s.climb_chance,
        "coming_on_s",
        "chance below `exit_share` of it, or the road not known any more",
        lambda now, s: (now.e.climb_chance or 0.0) >= s.climb_chance * s.exit_share,
        "clear_s",
        "limit ahead on this road",
        heat=True,
    ),
    Row(
        "limit_soon",
        Level.CAUTION,
        "likely time to `limit` at or under `short_time`, neither regulating nor warming up",
        lambda now, s: not (now.e.regulating or now.e.warming) and now.time_to_limit_s() <= s.short_time_s,
        "reached_on_s",
        "time over twice that, or no crossing foreseen",
        lambda now, s: now.time_to_limit_s() <= 2 * s.short_time_s,
        "coming_clear_s",
        "limit very near",
        heat=True,
    ),
    Row(
        "limit_closing",
        Level.CAUTION,
        "within `closing_margin` of `limit`, its line there within `closing_time`, 1 to 15 K over the ten-minute mean",
        lambda now, s: now.closing(s),
        "coming_on_s",
        "`deadband` further below",
        lambda now, s: now.at_least(now.e.limit_c - s.closing_margin_c - s.deadband_c),
        "coming_clear_s",
        "closing on the limit",
        heat=True,
    ),
    _danger_row(Level.CAUTION, "coming_on_s"),
    Row(
        "lost_hot",
        Level.CAUTION,
        "data lost for `lost_caution` while hot (within `hot_margin` of `limit`, or a row on heat stood)",
        lambda now, s: now.lost_s is not None and now.lost_s >= s.lost_caution_s and now.was_hot,
        "",
        "data live again",
        lambda now, s: now.lost_s is not None,
        "reached_on_s",
        "data lost while hot",
        of_silence=True,
    ),
    Row(
        "limit_close",
        Level.ADVISORY,
        "estimate or reading within `near_margin` of `limit`",
        lambda now, s: now.at_least(now.e.limit_c - s.near_margin_c),
        "advisory_on_s",
        "`deadband` further below",
        lambda now, s: now.at_least(now.e.limit_c - s.near_margin_c - s.deadband_c),
        "clear_s",
        "close to the limit",
        heat=True,
    ),
    Row(
        "limit_possible",
        Level.ADVISORY,
        "chance to cross `limit` within 600 s at or over `advisory_chance`",
        lambda now, s: now.chance(600) >= s.advisory_chance,
        "advisory_on_s",
        "chance below `exit_share` of it",
        lambda now, s: now.chance(600) >= s.advisory_chance * s.exit_share,
        "clear_s",
        "limit possible",
        heat=False,
    ),
    _danger_row(Level.ADVISORY, "advisory_on_s"),
    Row(
        "lost",
        Level.ADVISORY,
        "data lost for `lost_advisory`",
        lambda now, s: now.lost_s is not None and now.lost_s >= s.lost_advisory_s,
        "",
        "data live again",
        lambda now, s: now.lost_s is not None,
        "reached_on_s",
        "data lost",
        of_silence=True,
    ),
)
"""Worst level first; within a level the row that says most comes first, because its reason is shown."""


class _RowState(NamedTuple):
    on: bool = False
    since_ms: int | None = None
    """On: since when the row has wanted to end.  Off: since when it has wanted to begin."""
    since_readings: int = 0


class AlertState(NamedTuple):
    """What the levels remember; `level`, `reason` and `silenced` are for the screens."""

    level: Level = Level.UNKNOWN
    level_since_ms: int = 0
    reason: str = ""
    silenced: bool = False
    rows: tuple[_RowState, ...] = (_RowState(),) * len(ROWS)
    live_since_ms: int | None = None
    live_since_readings: int = 0
    lost_since_ms: int | None = None
    off_since_ms: int | None = None
    seen: bool = False
    hot: bool = False
    level_before: Level = Level.UNKNOWN
    silence_ms: int | None = None
    silence_level: Level = Level.UNKNOWN


_LOST: Final = frozenset({Status.STALE, Status.NO_LINK, Status.NO_COOLANT})


def start() -> AlertState:
    """Nothing heard yet: the first level is unknown."""
    return AlertState()


def decide(state: AlertState, evidence: Evidence, settings: AlertSettings) -> tuple[AlertState, Level]:
    """The level at this tick, by the table `ROWS`."""
    state = _follow_data(state, evidence, settings)
    lost = evidence.status in _LOST
    lost_s = None if state.lost_since_ms is None else (evidence.t_ms - state.lost_since_ms) / 1000.0
    now = _Now(evidence, lost_s, state.hot, state.level_before)
    rows = tuple(_move(row, row_state, now, settings, lost) for row, row_state in zip(ROWS, state.rows, strict=True))
    standing = [row for row, row_state in zip(ROWS, rows, strict=True) if row_state.on]
    wanted = standing[0].level if standing else Level.NORMAL if _ready(state, evidence) else state.level
    level, since = state.level, state.level_since_ms
    held = level > Level.NORMAL and evidence.t_ms - since < settings.hold_s * 1000
    if wanted > level or (wanted < level and not held and not lost):
        level, since = wanted, evidence.t_ms
    reason = standing[0].reason if standing and wanted == level else state.reason if level > Level.NORMAL else ""
    state = state._replace(level=level, level_since_ms=since, reason=reason, rows=rows)
    return _follow_silence(state, evidence, settings), level


def _follow_data(state: AlertState, e: Evidence, s: AlertSettings) -> AlertState:
    """Note since when data are live, lost, or the engine is off; what stood at that moment is remembered."""
    now = _Now(e, None, False, Level.UNKNOWN)
    readable = now.hottest_c() is not None
    if e.status in _LOST:
        # Never seen is unknown, not lost; and an engine seen to stand makes no heat that could go unseen.
        if not state.seen or (state.lost_since_ms is None and state.off_since_ms is not None):
            return _reset_when_off(state._replace(live_since_ms=None), e, s)
        if state.lost_since_ms is None:
            hot = state.hot or any(r.on for row, r in zip(ROWS, state.rows, strict=True) if row.heat)
            state = state._replace(lost_since_ms=e.t_ms, hot=hot, level_before=state.level)
        return state._replace(live_since_ms=None)
    if e.status is not Status.ENGINE_OFF:
        state = state._replace(off_since_ms=None)
    elif state.off_since_ms is None:
        state = state._replace(off_since_ms=e.t_ms)
    if not readable:
        return _reset_when_off(state._replace(live_since_ms=None), e, s)
    if state.live_since_ms is None:
        state = state._replace(live_since_ms=e.t_ms, live_since_readings=e.readings)
    return state._replace(lost_since_ms=None, seen=True, hot=now.at_least(e.limit_c - s.hot_margin_c))


def _reset_when_off(state: AlertState, e: Evidence, s: AlertSettings) -> AlertState:
    """Engine off and nothing to read for long: begin anew, unknown."""
    if state.off_since_ms is None or e.t_ms - state.off_since_ms < s.engine_off_s * 1000:
        return state
    return AlertState(off_since_ms=state.off_since_ms, level_since_ms=e.t_ms, silence_ms=state.silence_ms)


def calm(evidence: Evidence, settings: AlertSettings) -> bool:
    """Whether data are live, nobody silenced, and no row stands under these settings, or would stay if it stood."""
    now = _Now(evidence, None, False, Level.UNKNOWN)
    return (
        evidence.status is Status.LIVE
        and evidence.silenced_ms is None
        and now.hottest_c() is not None
        and not now.at_least(evidence.limit_c - settings.hot_margin_c)
        and not any(row.stays(now, settings) for row in ROWS)
    )


def at_rest(state: AlertState) -> bool:
    """Whether the level is normal with no timer running: through calm evidence such a state stays as it is."""
    return (
        state.level is Level.NORMAL
        and state.seen
        and not state.hot
        and state.live_since_ms is not None
        and (state.lost_since_ms, state.off_since_ms, state.silence_ms) == (None, None, None)
        and not any(row.on or row.since_ms is not None for row in state.rows)
    )


def _ready(state: AlertState, e: Evidence) -> bool:
    """Data have been live for more than one reading: nothing standing then means normal."""
    return state.live_since_ms is not None and e.readings > state.live_since_readings


def _move(row: Row, was: _RowState, now: _Now, s: AlertSettings, lost: bool) -> _RowState:
    e = now.e
    if row.of_silence and lost:
        return _RowState(on=True) if was.on or row.begins(now, s) else _RowState()
    settled = was if was.since_ms is None else was._replace(since_ms=None)
    if lost or (e.status is Status.STARTING and not was.on):
        return settled
    moving = not row.stays(now, s) if was.on else row.stays(now, s)
    if not moving or (not was.on and was.since_ms is None and not row.begins(now, s)):
        return settled
    if was.since_ms is None:
        return was._replace(since_ms=e.t_ms, since_readings=e.readings)
    delay = row.off if was.on else row.on
    stood = e.t_ms - was.since_ms >= getattr(s, delay) * 1000 if delay else False
    if stood and e.readings > was.since_readings and (was.on or row.begins(now, s)):
        return _RowState(on=not was.on)
    return was


def _follow_silence(state: AlertState, e: Evidence, s: AlertSettings) -> AlertState:
    """Silence holds for the level it was given at, for a stated time; it never hides, and a worse level sounds anew."""
    if e.silenced_ms is None:
        never = not state.silenced and state.silence_ms is None
        return state if never else state._replace(silenced=False, silence_ms=None)
    if e.silenced_ms != state.silence_ms:
        state = state._replace(silence_ms=e.silenced_ms, silence_level=state.level)
    repeat_s = s.warning_repeat_s if state.level >= Level.WARNING else s.caution_repeat_s
    silenced = (
        state.level >= Level.CAUTION and state.level <= state.silence_level and e.t_ms - e.silenced_ms < repeat_s * 1000
    )
    # Once it has run out, or a better level came between, only a new press silences.
    level = state.silence_level if silenced else Level.UNKNOWN
    return state._replace(silenced=silenced, silence_level=level)


def table(settings: AlertSettings | None = None) -> str:
    """The level table as it stands in docs/alerts.md, with the times in force."""
    s = settings or AlertSettings()
    lines = [
        "| level | row | begins when | after | ends when | after |",
        "|---|---|---|---|---|---|",
    ]
    for row in ROWS:
        on = f"{getattr(s, row.on):g} s" if row.on else "at once"
        lines.append(
            f"| {row.level.word} | {row.name} | {row.begins_words} | {on} "
            f"| {row.ends_words} | {getattr(s, row.off):g} s |"
        )
    return "\n".join(lines) + "\n"


def settings_table() -> str:
    """Every key of `AlertSettings` as it stands in docs/alerts.md."""
    lines = ["| key | default | unit | range | effect |", "|---|---|---|---|---|"]
    for item in fields(AlertSettings):
        meta = item.metadata
        name = item.name.removesuffix("_c").removesuffix("_s")  # in the file the value carries its unit
        lines.append(
            f"| `{name}` | {item.default:g} | {meta['unit'] or '-'} "
            f"| {meta['low']:g} to {meta['high']:g} | {meta['effect']} |"
        )
    return "\n".join(lines) + "\n"
