"""The table of levels: what begins each, how long it must stand, and what ends it.

After 14 CFR 25.1322 (warning = act now, caution = act soon, advisory = be aware) and ISA-18.2 (deadband, on and off
delay, no chattering).  Rows look at one moment, `Now`; what has stood for how long is the business of `alert`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from enum import Enum
from typing import Final

from livemon.core.alert_evidence import RESTING_EXIT_SHARE, SHUT_OPENING, AlertSettings, Now
from livemon.core.outcome import Level

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
    if now.e.regulating or now.resting():
        wanted = max(wanted, s.regulating_chance)
    return max(wanted, s.warming_chance) if now.e.warming else wanted


def _caution_ends(now: Now, s: AlertSettings) -> float:
    return _caution_chance(now, s) * (RESTING_EXIT_SHARE if now.resting() else s.exit_share)


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
        "chance below `exit_share` of it (resting: half)",
        lambda now, s: now.foreseen(300) >= _caution_ends(now, s),
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
