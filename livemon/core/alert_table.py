"""The table of levels: what begins each, how long it must stand, what ends it, and the settings it is judged by.

After 14 CFR 25.1322 (warning = act now, caution = act soon, advisory = be aware) and ISA-18.2 (deadband, on and off
delay, no chattering).  Rows look at one moment, `Now`; what has stood for how long is the business of `alert`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from enum import Enum
from typing import Final

from livemon.core.keys import check_ranges, key
from livemon.core.outcome import Band, Level, Status


@dataclass(frozen=True, slots=True)
class AlertSettings:
    """Thresholds and times of the level table.  Each key carries range, unit and effect in its metadata."""

    caution_chance: float = key(0.15, 0.05, 0.95, "", "chance to cross the limit within 300 s that begins a caution")
    regulating_chance: float = key(
        0.4, 0.05, 0.99, "", "the same while the thermostat regulates, when a slope is no danger yet"
    )
    warming_chance: float = key(0.9, 0.05, 0.99, "", "the same while the engine warms up, whose end may overshoot")
    warning_chance: float = key(0.5, 0.05, 0.95, "", "chance to cross the stop line within 120 s that begins a warning")
    climb_chance: float = key(
        0.5, 0.05, 0.95, "", "chance to cross the limit on the road of the route within 15 min that begins a caution"
    )
    advisory_chance: float = key(0.25, 0.05, 0.95, "", "chance to cross the limit within 600 s that begins an advisory")
    exit_share: float = key(
        0.3, 0.1, 0.95, "", "a chance ends a caution or warning when it is below this share of the one that began it"
    )
    advisory_exit_share: float = key(
        0.6, 0.1, 0.95, "", "the same of an advisory; an engine held far below the limit keeps a chance of 0.1"
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
SHUT_OPENING: Final = (0.05, 0.02)
"""A thermostat open by less keeps an advisory from beginning, by less than the second figure ends it: the engine makes
less heat than it can carry off.  Judgement, no source."""
FALLING_FAR: Final = (-3.0, 5.0)
"""Falling so fast [K/min], so far under the limit [K]: no forecast of it begins a level until the fall is over.
Judgement, no source."""
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
    opening: float | None = None
    """Of the thermostat, 0 to 1."""
    rate_c_per_min: Band | None = None
    usual_c: float | None = None
    """Mean of the estimate over ten minutes."""
    trusted: bool | None = None
    coolant_lost: bool = False
    danger: Level = Level.NORMAL
    """What the named doubts and faults alone ask for (core/trust)."""
    climb_chance: float | None = None
    """Chance to cross the limit on the road ahead within 15 minutes; only with a route."""
    moving: bool = False
    """Road speed is known and not zero: no engine speed may then be a fault of its sensor."""
    silenced_ms: int | None = None
    """When the sound was last silenced by key or switch; None = not silenced."""


@dataclass(frozen=True, slots=True)
class Now:
    """Evidence with what the state adds to it: how long data have been lost, and what stood before."""

    e: Evidence
    lost_s: float | None
    was_hot: bool
    level_before: Level
    hottest_c: float | None
    """The worse of estimate and latest reading [degC]."""

    @classmethod
    def of(cls, e: Evidence, lost_s: float | None = None, was_hot: bool = False, before: Level = Level.UNKNOWN) -> Now:
        """`e` with what is worked out of it once for all rows."""
        likely = e.estimate_c.likely if e.estimate_c else None
        reading = None if e.trusted is False else e.coolant_c
        known = [value for value in (likely, reading) if value is not None]
        return cls(e, lost_s, was_hot, before, max(known) if known else None)

    def at_least(self, line_c: float) -> bool:
        return self.hottest_c is not None and self.hottest_c >= line_c

    def shut(self, opening: float) -> bool:
        """Whether the thermostat is known to be open by less: there is little heat to carry off."""
        return self.e.opening is not None and self.e.opening < opening

    def still(self) -> bool:
        """The engine is seen to stand: it makes no heat, and what soaks into the coolant is soon over."""
        return self.e.status is Status.ENGINE_OFF and not self.e.moving

    def falling_far(self) -> bool:
        """Falling fast, well under the limit: whatever is foreseen, it is not coming now."""
        rate, most = self.e.rate_c_per_min, FALLING_FAR
        if self.hottest_c is None or rate is None or rate.likely is None:
            return False
        return rate.likely <= most[0] and self.hottest_c <= self.e.limit_c - most[1]

    def chance(self, seconds: int, of_stop: bool = False) -> float:
        table = self.e.chance_stop if of_stop else self.e.chance
        return dict(table or ()).get(seconds, 0.0)

    def foreseen(self, seconds: int, of_stop: bool = False) -> float:
        """The same as far as it counts for a level: nothing is foreseen of an engine that stands."""
        return 0.0 if self.still() else self.chance(seconds, of_stop)

    def closing(self, s: AlertSettings) -> bool:
        """Close under the limit, over what has been usual, and on a line that reaches it soon."""
        hottest, usual, rate = self.hottest_c, self.e.usual_c, self.e.rate_c_per_min
        if hottest is None or usual is None or rate is None or rate.likely is None or rate.likely <= 0.0:
            return False
        if self.still():
            return False
        low, high = CLOSING_OVER_USUAL_C
        margin = self.e.limit_c - hottest
        near = margin <= s.closing_margin_c and margin * 60.0 <= rate.likely * s.closing_time_s
        return near and usual + low <= hottest <= usual + high

    def time_to_limit_s(self) -> float:
        if self.still():
            return float("inf")
        likely = self.e.time_to_limit_s.likely if self.e.time_to_limit_s else None
        return float("inf") if likely is None else likely


Test = Callable[[Now, AlertSettings], bool]


class Ground(Enum):
    """What a level stands for; only for heat, here or coming, is anything asked of the driver."""

    HEAT = "heat"
    FAULT = "fault"
    """A named fault or doubt: for heat unless the engine is still cold."""
    DATA = "data"
    """Data lost while nothing was hot."""


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
    ground: Ground = Ground.HEAT
    of_silence: bool = False
    """Judged while data are lost (and only then begins); the other rows are frozen meanwhile."""


def _caution_chance(now: Now, s: AlertSettings) -> float:
    """Of the states it is in, the one that asks for most."""
    wanted = s.caution_chance
    if now.e.regulating:
        wanted = max(wanted, s.regulating_chance)
    return max(wanted, s.warming_chance) if now.e.warming else wanted


def _danger_row(level: Level, on: str) -> Row:
    def stands(now: Now, _: AlertSettings) -> bool:
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
        ground=Ground.FAULT,
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
        lambda now, s: now.foreseen(120, of_stop=True) >= s.warning_chance,
        "coming_on_s",
        "chance below `exit_share` of it",
        lambda now, s: now.foreseen(120, of_stop=True) >= s.warning_chance * s.exit_share,
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
        "300 s chance of `limit` at or over `caution_chance` (`regulating_chance`, `warming_chance`); not falling far",
        lambda now, s: now.foreseen(300) >= _caution_chance(now, s) and not now.falling_far(),
        "foreseen_on_s",
        "chance below `exit_share` of it",
        lambda now, s: now.foreseen(300) >= _caution_chance(now, s) * s.exit_share,
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
        lambda now, s: now.at_least(now.e.limit_c - s.closing_margin_c - s.deadband_c) and not now.still(),
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
        "600 s chance of `limit` at or over `advisory_chance`, not falling far; thermostat not all but shut",
        lambda now, s: (
            now.foreseen(600) >= s.advisory_chance and not now.shut(SHUT_OPENING[0]) and not now.falling_far()
        ),
        "advisory_on_s",
        "chance below `advisory_exit_share` of it, or the thermostat shut",
        lambda now, s: now.foreseen(600) >= s.advisory_chance * s.advisory_exit_share and not now.shut(SHUT_OPENING[1]),
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
        ground=Ground.DATA,
        of_silence=True,
    ),
)
"""Worst level first; within a level the row that says most comes first, because its reason is shown."""


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
