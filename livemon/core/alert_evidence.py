"""What the level table is judged on: its settings, the evidence of one moment, and what is worked out of it.

Looks at one moment; what has stood for how long is the business of `alert`, and which row asks what of `alert_table`.
"""

from __future__ import annotations

from dataclasses import dataclass
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
RESTING: Final = (12.0, 0.5)
RESTING_EXIT_SHARE: Final = 0.5
"""Resting after a climb: so far under the limit [K], rising no faster [K/min], no hotter than the ten-minute mean.  A
chance then counts as while the thermostat regulates, and ends a caution below this share.  Judgement, no source."""
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
    def of(cls, e: Evidence) -> Now:
        """`e` with what is worked out of it, once for all rows; nothing lost, nothing stood before."""
        likely = e.estimate_c.likely if e.estimate_c else None
        reading = None if e.trusted is False else e.coolant_c
        known = [value for value in (likely, reading) if value is not None]
        return cls(e, None, False, Level.UNKNOWN, max(known) if known else None)

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

    def resting(self) -> bool:
        """Far under the limit, not rising, and no hotter than it has been."""
        rate, usual = self.e.rate_c_per_min, self.e.usual_c
        if self.hottest_c is None or rate is None or rate.likely is None or usual is None:
            return False
        far, most = RESTING
        return self.hottest_c <= min(self.e.limit_c - far, usual) and rate.likely <= most

    def chance(self, seconds: int, of_stop: bool = False) -> float:
        table = self.e.chance_stop if of_stop else self.e.chance
        return next((chance for horizon_s, chance in table or () if horizon_s == seconds), 0.0)

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
