"""What the vehicle is telling right now: latest value, age and rhythm of every quantity, and what people declared.

Samples are folded in as they come; at each tick `at_tick` says which values are still usable.  A value is usable for
three of its own usual periods, within bounds, so a slow bus is not called stale and a dead link is not called slow.
Knows nothing of physics: whether a fresh value can be believed is asked in `trust`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, NamedTuple

from livemon.core.events import Link, Mark, Sample
from livemon.core.outcome import Status

MISSED_PERIODS: Final = 3
PATIENCE_MS: Final = (3_000, 15_000)
"""Bounds of three usual periods [ms]; common practice, no source: coolant moves at most some 0.2 K/s."""
SLOW_PATIENCE_MS: Final = 180_000
SLOW: Final = frozenset({"ambient_air_c", "baro_kpa", "fuel_level_pct", "oil_c", "run_time_s", "fuel_status", "mil"})
"""Quantities that change over minutes and are asked for seldom (each 5 to 30 s, common practice)."""
START_GRACE_MS: Final = 30_000
"""So long without a coolant reading is still `starting`; after it `no_coolant`."""
ENGINE_OFF_MS: Final = 5_000
"""rpm must have stood at zero so long before the engine counts as off: a misread zero is shorter."""
GAP_MS: Final = 20_000
"""A hole in the coolant readings longer than this ends the continuity that rates are taken over."""
_MAX_NEWS: Final = 64
RHYTHM: Final = 7
"""So many gaps between readings are remembered; their lower median is the usual period.  A mean stretched to 4.6 s on
a failing link and let an old reading pass as live; the median ignores holes while over half of the gaps are whole."""


class Reading(NamedTuple):
    """Latest value of one signal, when it came, and the last gaps before it [ms], oldest first."""

    value: float
    t_ms: int
    gaps_ms: tuple[int, ...] = ()

    @property
    def period_ms(self) -> float | None:
        """The usual time between readings [ms]; None until two have come."""
        gaps = self.gaps_ms
        return float(sorted(gaps)[(len(gaps) - 1) // 2]) if gaps else None


class Signals(NamedTuple):
    """Everything heard so far, boiled down; a value, never changed in place."""

    first_ms: int | None = None
    latest: Mapping[str, Reading] = MappingProxyType({})
    news: tuple[tuple[int, float], ...] = ()
    declared: Mapping[str, bool] = MappingProxyType({})
    codes: str | None = None
    silenced_ms: int | None = None
    notes: tuple[str, ...] = ()
    link_up: bool | None = None
    link_reason: str = ""
    last_ms: int = 0
    late: int = 0
    rpm_zero_since_ms: int | None = None
    previous_coolant_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Inputs:
    """What is usable at one tick; `None` = not offered, not yet heard, or too old."""

    t_ms: int
    status: Status
    coolant_c: float | None = None
    coolant_age_s: float | None = None
    coolant_news: tuple[tuple[int, float], ...] = ()
    gap: bool = False
    """True at the first tick with coolant news after a hole of more than 20 s: nothing may be differenced across it."""
    coolant2_c: float | None = None
    speed_kmh: float | None = None
    rpm: float | None = None
    load_pct: float | None = None
    absolute_load_pct: float | None = None
    throttle_pct: float | None = None
    pedal_pct: float | None = None
    map_kpa: float | None = None
    maf_g_s: float | None = None
    intake_air_c: float | None = None
    ambient_air_c: float | None = None
    baro_kpa: float | None = None
    oil_c: float | None = None
    voltage_v: float | None = None
    fuel_status: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    altitude_m: float | None = None
    gps_speed_kmh: float | None = None
    mil: bool | None = None
    codes: str | None = None
    outside_c: float | None = None
    """Measured outside air, else the declared one, else None (then intake air is a guess for the estimator to make)."""
    mass_kg: float | None = None
    ac_on: bool | None = None
    heater_on: bool | None = None
    fan_on: bool | None = None
    silenced: bool = False
    silenced_ms: int | None = None
    """When silence was last asked for; asked again, it counts anew.  None = not asked for, or taken back."""
    link_up: bool | None = None
    link_reason: str = ""
    late: int = 0
    notes: tuple[str, ...] = ()


_PASSED_ON: Final = (
    "coolant2_c", "speed_kmh", "rpm", "load_pct", "absolute_load_pct", "throttle_pct", "pedal_pct",
    "map_kpa", "maf_g_s", "intake_air_c", "ambient_air_c", "baro_kpa", "oil_c", "voltage_v", "fuel_status",
    "latitude_deg", "longitude_deg", "altitude_m", "gps_speed_kmh",
)  # fmt: skip


def _aged(old: Reading | None, value: float, t_ms: int) -> Reading:
    if old is None:
        return Reading(value, t_ms)
    gap = t_ms - old.t_ms
    if gap < 0:  # backward time: what is known is newer
        return old
    if gap == 0:
        return Reading(value, old.t_ms, old.gaps_ms)
    if gap > GAP_MS:
        return Reading(value, t_ms, old.gaps_ms)
    return Reading(value, t_ms, (*old.gaps_ms, gap)[-RHYTHM:])


def hear(state: Signals, event: Sample | Link | Mark) -> Signals:
    """Fold one event in; events with a time before the last one are counted, and never move time back."""
    first = event.t_ms if state.first_ms is None else state.first_ms
    late = state.late + (event.t_ms < state.last_ms)
    last = max(state.last_ms, event.t_ms)
    if isinstance(event, Link):
        return state._replace(
            first_ms=first,
            last_ms=last,
            late=late,
            link_up=event.up,
            link_reason="" if event.up else event.reason,
        )
    if isinstance(event, Mark):
        declared = MappingProxyType({**state.declared, **dict(event.inputs)})
        notes = (*state.notes, event.note)[-_MAX_NEWS:] if event.note else state.notes
        silenced_ms = state.silenced_ms
        for name, on in event.inputs:
            if name == "silenced":
                silenced_ms = event.t_ms if on else None
        return state._replace(
            first_ms=first,
            last_ms=last,
            late=late,
            declared=declared,
            silenced_ms=silenced_ms,
            notes=notes,
        )
    latest = dict(state.latest)
    news, previous, zero_since = state.news, state.previous_coolant_ms, state.rpm_zero_since_ms
    for name, value in event.readings:
        old = latest.get(name)
        latest[name] = _aged(old, value, event.t_ms)
        if name == "coolant_c" and (old is None or event.t_ms > old.t_ms):
            if not news:
                previous = None if old is None else old.t_ms
            news = (*news, (event.t_ms, value))[-_MAX_NEWS:]
        elif name == "rpm":
            if value > 0:
                zero_since = None
            elif zero_since is None:
                zero_since = event.t_ms
    return state._replace(
        first_ms=first,
        last_ms=last,
        late=late,
        latest=MappingProxyType(latest),
        news=news,
        previous_coolant_ms=previous,
        codes=state.codes if event.codes is None else event.codes,
        rpm_zero_since_ms=zero_since,
        # a reply is proof that the link works, unless the link itself was told to be down at this moment
        link_up=True if event.readings and state.link_up is None else state.link_up,
    )


def patience_ms(name: str, reading: Reading) -> float:
    """How old `reading` may be and still be shown as live [ms]."""
    if name in SLOW:
        return SLOW_PATIENCE_MS
    low, high = PATIENCE_MS
    period_ms = reading.period_ms
    if period_ms is None:
        return high
    return min(max(MISSED_PERIODS * period_ms, low), high)


def _usable(name: str, reading: Reading, t_ms: int) -> bool:
    age_ms = t_ms - reading.t_ms
    return age_ms <= PATIENCE_MS[0] or age_ms <= patience_ms(name, reading)  # the first is the least of the second


def _status(state: Signals, coolant: Reading | None, t_ms: int) -> Status:
    waited = t_ms - (state.first_ms if state.first_ms is not None else t_ms)
    if coolant is None and waited <= START_GRACE_MS:
        return Status.STARTING
    if state.link_up is False:
        return Status.NO_LINK
    if coolant is None:
        return Status.NO_COOLANT
    if not _usable("coolant_c", coolant, t_ms):
        others = max((r.t_ms for n, r in state.latest.items() if n not in ("coolant_c", *SLOW)), default=coolant.t_ms)
        others_live = t_ms - others <= PATIENCE_MS[0] and t_ms - coolant.t_ms > START_GRACE_MS
        return Status.NO_COOLANT if others_live else Status.STALE
    rpm = state.latest.get("rpm")
    if (
        rpm is not None
        and rpm.value == 0
        and state.rpm_zero_since_ms is not None
        and t_ms - state.rpm_zero_since_ms >= ENGINE_OFF_MS
    ):
        return Status.ENGINE_OFF
    return Status.LIVE


def at_tick(state: Signals, t_ms: int, outside_c: float | None, mass_kg: float | None) -> tuple[Signals, Inputs]:
    """What is usable at the tick; the coolant news and notes are handed over once and then forgotten.

    `outside_c`, `mass_kg`: declared in the settings, for vehicles that report neither.
    """
    coolant = state.latest.get("coolant_c")
    usable: dict[str, float | None] = {}
    for name in _PASSED_ON:
        reading = state.latest.get(name)
        if reading is not None and _usable(name, reading, t_ms):
            usable[name] = reading.value
    ambient = usable.get("ambient_air_c")
    mil = state.latest.get("mil")
    previous = state.previous_coolant_ms
    status = _status(state, coolant, t_ms)
    fresh = coolant is not None and status in (Status.LIVE, Status.ENGINE_OFF)
    inputs = Inputs(
        t_ms=t_ms,
        status=status,
        coolant_c=coolant.value if fresh and coolant is not None else None,
        coolant_age_s=None if coolant is None else (t_ms - coolant.t_ms) / 1000.0,
        coolant_news=state.news,
        gap=bool(state.news) and previous is not None and state.news[0][0] - previous > GAP_MS,
        mil=None if mil is None else mil.value != 0,
        codes=state.codes,
        outside_c=outside_c if ambient is None else ambient,
        mass_kg=mass_kg,
        ac_on=state.declared.get("ac_on"),
        heater_on=state.declared.get("heater_on"),
        fan_on=state.declared.get("fan_on"),
        silenced=state.declared.get("silenced", False),
        silenced_ms=state.silenced_ms,
        link_up=state.link_up,
        link_reason=state.link_reason,
        late=state.late,
        notes=state.notes,
        **usable,
    )
    return state._replace(news=(), notes=()), inputs
