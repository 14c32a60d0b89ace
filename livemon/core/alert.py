"""One level a second from the table in `alert_table`: what stands, since when, what is held, what is silenced.

Pure: the state goes in and comes out, time is an argument.  Knows nothing of why a temperature is what it is; that is
told by the estimator, the forecast and trust, boiled down in `Evidence`.
"""

from __future__ import annotations

from typing import NamedTuple

from livemon.core.alert_evidence import STOP_UNDER_BOILING_C, AlertSettings, Evidence, Now, default_stop_c
from livemon.core.alert_table import ROWS, Ground, Row, settings_table, table
from livemon.core.outcome import LOST_DATA, Level, Status

__all__ = [
    "ROWS",
    "STOP_UNDER_BOILING_C",
    "AlertSettings",
    "AlertState",
    "Evidence",
    "at_rest",
    "calm",
    "decide",
    "default_stop_c",
    "settings_table",
    "start",
    "table",
]


class _RowState(NamedTuple):
    on: bool = False
    since_ms: int | None = None
    """On: since when the row has wanted to end.  Off: since when it has wanted to begin."""
    since_readings: int = 0


class AlertState(NamedTuple):
    """What the levels remember; `level`, `reason`, `easing` and `silenced` are for the screens, `ground` for advice."""

    level: Level = Level.UNKNOWN
    level_since_ms: int = 0
    reason: str = ""
    ground: Ground = Ground.HEAT
    easing: bool = False
    """Nothing of the level's height holds any more; it stands out its time."""
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


def start() -> AlertState:
    """Nothing heard yet: the first level is unknown."""
    return AlertState()


def decide(state: AlertState, evidence: Evidence, settings: AlertSettings) -> tuple[AlertState, Level]:
    """The level at this tick, by the table `ROWS`."""
    seen = Now.of(evidence)
    state = _follow_data(state, seen, settings)
    lost = evidence.status in LOST_DATA
    lost_s = None if state.lost_since_ms is None else (evidence.t_ms - state.lost_since_ms) / 1000.0
    now = Now(evidence, lost_s, state.hot, state.level_before, seen.hottest_c)
    rows = tuple(_move(row, row_state, now, settings, lost) for row, row_state in zip(ROWS, state.rows, strict=True))
    standing = [row for row, row_state in zip(ROWS, rows, strict=True) if row_state.on]
    wanted = standing[0].level if standing else Level.NORMAL if _ready(state, seen) else state.level
    level, since = state.level, state.level_since_ms
    held = level > Level.NORMAL and evidence.t_ms - since < settings.hold_s * 1000
    if wanted > level or (wanted < level and not held and not lost):
        level, since = wanted, evidence.t_ms
    reason, ground = ("", Ground.HEAT) if level <= Level.NORMAL else (state.reason, state.ground)
    if standing and wanted == level:
        reason, ground = standing[0].reason, standing[0].ground
    holding = [r for row, r in zip(ROWS, rows, strict=True) if r.on and row.level is level and r.since_ms is None]
    easing = level > Level.NORMAL and not lost and not holding
    state = state._replace(level=level, level_since_ms=since, reason=reason, ground=ground, easing=easing, rows=rows)
    return _follow_silence(state, evidence, settings), level


def _follow_data(state: AlertState, now: Now, s: AlertSettings) -> AlertState:
    """Note since when data are live, lost, or the engine is off; what stood at that moment is remembered."""
    e = now.e
    if e.status in LOST_DATA:
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
    if now.hottest_c is None:
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
    now = Now.of(evidence)
    return (
        evidence.status is Status.LIVE
        and evidence.silenced_ms is None
        and now.hottest_c is not None
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


def _ready(state: AlertState, now: Now) -> bool:
    """Data have been live for more than one reading: nothing standing then means normal, but not the first over it."""
    if state.level is Level.UNKNOWN and now.at_least(now.e.limit_c):
        return False
    return state.live_since_ms is not None and now.e.readings > state.live_since_readings


def _move(row: Row, was: _RowState, now: Now, s: AlertSettings, lost: bool) -> _RowState:
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
