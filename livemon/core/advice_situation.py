"""What advice may depend on at one tick, its settings, and what it remembers from tick to tick.

Knows no rule of what to say; those stand in `advice_eases`, `advice_helps` and `advice`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Final, NamedTuple

from livemon.core.keys import check_ranges, key
from livemon.core.outcome import Action, Advice, Band, Level, Status, Withheld

Gains = Mapping[Action, tuple[Band, float | None]]
"""What the forecast expects of each action: cooler by [K] at its best within 600 s, and later by [s]."""


@dataclass(frozen=True, slots=True)
class AdviceSettings:
    """Bounds of the situations and of what is worth saying; common practice, no source, unless marked."""

    still_s: float = key(3.0, 1.0, 30.0, "s", "speed must have stood at zero so long to count as a standstill")
    traffic_kmh: float = key(25.0, 5.0, 60.0, "km/h", "mean speed under which it is traffic; 10 km/h more to leave it")
    slow_floor_kmh: float = key(
        45.0, 20.0, 90.0, "km/h", "no advice to slow down below this; a maker's manual names about 70 on grades"
    )
    faster_ceiling_kmh: float = key(60.0, 20.0, 80.0, "km/h", "no advice to go faster above this")
    rpm_reserve: float = key(0.05, 0.0, 0.3, "", "share of the rpm limit the lower gear must stay below it")
    least_rpm: float = key(1200.0, 600.0, 2500.0, "rpm", "a higher gear must not pull the engine below this")
    least_gain_c: float = key(0.3, 0.0, 3.0, "K", "an action expected to buy less is not shown")
    ask_s: float = key(45.0, 10.0, 300.0, "s", "an action shown first for so long makes room for the next one")
    steady_s: float = key(8.0, 0.0, 60.0, "s", "another gear must have been open to the driver so long to be said")
    hard_climb_m: float = key(150.0, 50.0, 1000.0, "m", "so much height gained counts as a hard climb")
    after_climb_s: float = key(
        600.0, 60.0, 1800.0, "s", "so long after a hard climb, idling before switching off is advised"
    )
    keep_idling_s: float = key(180.0, 60.0, 300.0, "s", "idle so long; makers' manuals say 3 minutes, some models 5")
    soak_margin_c: float = key(
        12.0, 3.0, 30.0, "K", "only this close under the limit is heat soak after switching off a matter"
    )

    def __post_init__(self) -> None:
        check_ranges(self, "advice")


@dataclass(frozen=True, slots=True)
class Situation:
    """All that advice may depend on at one tick; `None` = not known."""

    t_ms: int
    status: Status
    level: Level
    limit_c: float
    stop_c: float
    estimate_c: float | None = None
    rate_c_per_min: float | None = None
    settles_c: float | None = None
    """Where it heads if the demand of the last minute holds."""
    trusted: bool | None = None
    heat: bool = True
    """The level stands for heat, here or coming; an advisory for lost data or a cold engine asks nothing of anybody."""
    coolant_lost: bool = False
    fan_failed: bool = False
    """Trust holds the fan for not running."""
    speed_kmh: float | None = None
    gps_speed_kmh: float | None = None
    rpm: float | None = None
    lower_gear_rpm: float | None = None
    """Engine speed one gear down at this road speed."""
    higher_gear_rpm: float | None = None
    rpm_limit: float | None = None
    grade_pct: float | None = None
    climb_gained_m: float | None = None
    ac_on: bool | None = None
    heater_on: bool | None = None
    fan_on: bool | None = None
    fan_switch: bool = False
    """The vehicle has an electric fan people can switch on."""
    fan_engine_driven: bool | None = None
    limit_chance: float | None = None
    """Chance to cross the limit within 300 s."""
    stop_chance: float | None = None
    """Chance to cross the stop line within 120 s."""
    road_chance: float | None = None
    """Chance to cross the limit along the road of a route within 15 min; only with a route."""
    fault: bool = False
    """A named doubt or fault asks for a level of its own."""
    gains: Gains = field(default_factory=dict)
    """An action that is not in it: nothing known about what it buys."""


class Regime(Enum):
    """How the vehicle is moving, as far as advice cares."""

    AT_SPEED = "at_speed"
    TRAFFIC = "traffic"
    STANDING = "standing"


class AdviceState(NamedTuple):
    """What keeps advice from flickering: mean speed, since when it stands still, and what has been asked."""

    t_ms: int | None = None
    mean_kmh: float | None = None
    slow: bool = False
    still_since_ms: int | None = None
    hard_ms: int | None = None
    first: Action | None = None
    first_since_ms: int = 0
    asked: tuple[Action, ...] = ()
    gears_since: tuple[tuple[Action, int], ...] = ()
    """Since when another gear has been open without a break [ms]."""
    easing_ms: int | None = None
    """Since when it cools by itself with the limit not near [ms]; None = it does not."""
    falling_ms: int | None = None
    """Since when it falls fast [ms]; None = it does not."""
    usual_c: float | None = None
    """Mean of the estimate over some minutes."""
    steady_ms: int | None = None
    """Since when it does not rise, far under the limit, nor is likely to [ms]; None = it does."""
    engine_off_said: bool = False
    """At this standstill past the stop line: from engine off there is no way back to idling."""
    level: Level = Level.UNKNOWN


@dataclass(frozen=True, slots=True)
class Advised:
    """What to say, the one to show first; and what is not said, with the reason."""

    advice: tuple[Advice, ...] = ()
    withheld: tuple[Withheld, ...] = ()


_GPS_STILL_KMH: Final = 3.0


def is_standing(state: AdviceState, now: Situation, settings: AdviceSettings) -> bool:
    """True only when zero speed is known, has stood for a while, and nothing else says the vehicle moves."""
    return (
        now.speed_kmh == 0
        and (now.gps_speed_kmh is None or now.gps_speed_kmh < _GPS_STILL_KMH)
        and stood(state.still_since_ms, now, settings.still_s)
    )


def stood(since_ms: int | None, now: Situation, seconds: float) -> bool:
    """Whether what began at `since_ms` has stood for so long; None = it does not stand."""
    return since_ms is not None and now.t_ms - since_ms >= seconds * 1000


def past(now: Situation, line_c: float) -> bool:
    """Whether the estimate is at or over a line; what is not known counts as over it."""
    return now.estimate_c is None or now.estimate_c >= line_c
