"""What goes out: everything the core says once a second, as frozen values.

The fields are the public contract of `--json` (docs/output.md).  Unknown is `None`, never zero and never an old value.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum


class Status(Enum):
    """State of the data, not of the engine's health."""

    STARTING = "starting"
    LIVE = "live"
    STALE = "stale"
    NO_LINK = "no_link"
    NO_COOLANT = "no_coolant"
    ENGINE_OFF = "engine_off"


LOST_DATA = frozenset({Status.STALE, Status.NO_LINK, Status.NO_COOLANT})
"""There were readings to be had and they do not come; `starting` and `engine_off` are no loss."""


class Level(IntEnum):
    """Alert level; ordered so that the worse one is the greater one."""

    UNKNOWN = 0
    NORMAL = 1
    ADVISORY = 2
    CAUTION = 3
    WARNING = 4

    @property
    def word(self) -> str:
        return self.name.lower()


class Crossing(Enum):
    """Whether the limit is foreseen to be crossed; none_foreseen = likely not within 900 s."""

    KNOWN = "known"
    NONE_FORESEEN = "none_foreseen"
    UNKNOWN = "unknown"


class Action(Enum):
    """Everything the advice may ask for."""

    AC_OFF = "ac_off"
    DOWNSHIFT = "downshift"
    UPSHIFT = "upshift"
    SLOW_DOWN = "slow_down"
    SPEED_UP = "speed_up"
    HEATER_ON = "heater_on"
    FAN_ON = "fan_on"
    IDLE_NEUTRAL = "idle_neutral"
    RAISE_IDLE = "raise_idle"
    PULL_OVER = "pull_over"
    STOP_ENGINE = "stop_engine"
    WATCH_GAUGE = "watch_gauge"
    KEEP_IDLING = "keep_idling"


STANDSTILL_ONLY = frozenset({Action.STOP_ENGINE, Action.IDLE_NEUTRAL, Action.RAISE_IDLE, Action.KEEP_IDLING})
"""Never said while speed is above zero or unknown: an engine shut off on the move takes steering help with it."""

HORIZONS_S = (120, 300, 600)
Z80 = 1.2815515655446004  # standard deviations to either side of an 80 % band of a normal distribution
FORESEE_S = 900
"""`crossing` looks this far ahead [s]."""


@dataclass(frozen=True, slots=True)
class Band:
    """An 80 % band.  A bound is `None` where the band has no end or the value is not known."""

    low: float | None
    likely: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to do: at most five words to say, why, and what it buys.

    gain_c > 0: cooler at its best within 600 s [K]; gain_s > 0: the crossing comes that much later [s].
    """

    action: Action
    words: str
    why: str
    gain_c: Band | None = None
    gain_s: float | None = None


@dataclass(frozen=True, slots=True)
class Acted:
    """An action that was taken, and what it did against what was expected [K]."""

    action: Action
    at_s: float
    expected_c: float | None
    seen_c: float | None


@dataclass(frozen=True, slots=True)
class Withheld:
    """An action that is not advised now although people might think of it, and why."""

    action: Action
    why: str


@dataclass(frozen=True, slots=True)
class Climb:
    """The climb under way: metres gained and minutes since its foot; to_go only with a route.

    `average_grade_pct` and `passed` (the last climb ended at a summit behind us) are for the screens.
    """

    on: bool
    gained_m: float | None
    minutes: float | None
    to_go_m: float | None = None
    to_go_km: float | None = None
    average_grade_pct: float | None = None
    passed: bool = False


@dataclass(frozen=True, slots=True)
class OffPlan:
    """How far the drive has left the plan made before the trip; told only while it is outside the plan's 80 % band."""

    over_c: float
    """Estimate less the planned likely temperature at this place [K]; negative = cooler than planned."""
    past_band_c: float
    """How far outside the band [K]."""
    since_km: float
    for_s: float
    peak_c: float
    """Highest planned temperature still ahead, carried by the excess of now [C]."""
    faster_kmh: float = 0.0
    """Driven so much faster than planned, over the last minutes; negative = slower."""
    hotter_air_c: float | None = None
    """Outside air less the planned one [K]; None where no air temperature is known."""


@dataclass(frozen=True, slots=True)
class RoadAhead:
    """What the route says of the road ahead; only with a route.  Distances [km] and times [s] from here."""

    on_route: bool
    words: str
    """Where the vehicle is on the route, or why the road ahead is not known."""
    along_km: float | None = None
    drift_km: float | None = None
    """How far the place may be off, one standard deviation."""
    peak_c: Band | None = None
    """Highest temperature expected up to the summit, at most half an hour ahead."""
    peak_in_km: float | None = None
    peak_in_s: float | None = None
    chance: float | None = None
    """Chance to cross the limit before the summit, at most half an hour ahead."""
    summit_in_km: float | None = None
    summit_in_s: Band | None = None
    summit_boil_margin_c: Band | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the core says at one tick.  SI units; `ahead_c`, `chance`, `chance_stop` are keyed by seconds ahead."""

    t_ms: int
    status: Status
    level: Level
    coolant_c: float | None = None
    age_s: float | None = None
    trusted: bool | None = None
    doubts: tuple[str, ...] = ()
    estimate_c: Band | None = None
    rate_c_per_min: Band | None = None
    limit_c: float | None = None
    stop_c: float | None = None
    margin_c: Band | None = None
    ahead_c: tuple[tuple[int, Band], ...] | None = None
    settles_c: Band | None = None
    crossing: Crossing = Crossing.UNKNOWN
    time_to_limit_s: Band | None = None
    chance: tuple[tuple[int, float], ...] | None = None
    chance_stop: tuple[tuple[int, float], ...] | None = None
    grade_pct: Band | None = None
    climb: Climb | None = None
    boil_margin_c: Band | None = None
    advice: tuple[Advice, ...] = ()
    acted: tuple[Acted, ...] = ()
    # For the screens, not part of the JSON contract:
    silenced: bool = False
    speed_kmh: float | None = None
    notes: tuple[str, ...] = ()
    reason: str = ""
    """Why the level stands, in a few words."""
    easing: bool = False
    """That is over; the level stands out its time."""
    withheld: tuple[Withheld, ...] = ()
    off_plan: OffPlan | None = None
    # Part of the JSON contract again, where there is a route:
    road: RoadAhead | None = None
