"""Ten seconds at a time: a sensor that sticks, and a cooling system that loses ground, told by what the drive showed.

Three witnesses.  The drive against itself: stretches of equal work and speed, one hotter than the other.  The reading
against what heat and air explain (`expected`): a fall that no hypothesis can make.  And against the vehicles that the
profile allows (`unheard`): a rise that none of them makes.  Limits were set on made-up drives of one seed and reported
on others (docs/benchmark.md).  It does not know how hot is too hot, nor which part broke where several would look the
same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot
from typing import Final, NamedTuple

from livemon.core.expected import Parting
from livemon.core.outcome import Level
from livemon.core.signals import Inputs
from livemon.core.trust_history import Bucket, Filling, Stretch, longest_same, mean, plus, stretch
from livemon.core.unheard import Departure

WARM_C: Final = 70.0
REGULATED_C: Final = 90.0
"""Where a thermostat regulates, until this engine's own plateau has been seen (OEM manuals: 82 to 95)."""
HOT_OVER_C: Final = 8.0
"""So far over the regulated temperature an engine is hot: what goes wrong now asks for a caution."""
HOLD_MS: Final = 60_000
LOST_HOLD_MS: Final = 600_000
LOSING_HOLD_MS: Final = 1_200_000
"""Cooling that was lost stays lost: the hypotheses soon take it for the vehicle's own, the driver should not."""
COOL_OVER_C: Final = 4.0
"""... unless the reading is back so near the regulated temperature: driving away from a jam needs no fan.  So far
under hot the doubt is an advisory again."""
PARTINGS_MS: Final = 15_000
"""How long a comparison with what was expected is still of now."""
CRAWL_KMH: Final = 20.0
"""Below this only the fan moves air worth the name."""
SLOW_KMH: Final = 40.0
"""Below this a fan that cuts in can bring a hot engine down as fast as coolant that leaves the sensor."""

RISE_C: Final = 3.0
RISE_SURPRISE: Final = 5.25
"""So far over a sound vehicle of this profile, in its spreads, by two copies of other ages ..."""
RISE_SPREADS: Final = 2.0
RISE_NEAREST_CRAWLING: Final = 3.5
"""... or at a crawl, where every possible vehicle is asked for its fan: over what was expected of all, and of each, in
its own spreads.  All chosen on vehicles left out of the fit, at two false doubts in a hundred hours of hot drives
(docs/benchmark.md)."""
RISE_TIMES: Final = 2
ROUNDED_SD_C: Final = 0.5
FALL_SPREADS: Final = 4.5
FALL_C: Final = 6.0
FALL_YOUNG_S: Final = 180
FALL_NEAR_S: Final = 240
FALL_FAST_C: Final = 5.0
"""The reading itself must have fallen so far within a minute."""
STUCK_EXPECTED_C: Final = 3.0
"""A reading that stands at a crawl, or where a thermostat regulates, is stuck only if work had moved it so far."""
STUCK_MOVED_C: Final = 4.0
STUCK_SPREADS: Final = 3.0
STUCK_HEAT_SHARE: Final = 0.7
STUCK_BELOW_C: Final = 118.0
"""Past this a reading that stands may be coolant that boils (under its cap at 120 to 130 C), and is believed."""
STUCK_LEAST_S: Final = 100
"""Where no thermostat regulates: standing so long while all hypotheses have moved so far."""
DESCENT_SHARE: Final = 0.6
"""With less than this share of the drive's mean work an engine may cool on the road, its thermostat shut."""
FAN_FALL_C: Final = 3.0
FAN_SAME_C: Final = 2.0
FAN_APART_MS: Final = 60_000
FAN_TURNS: Final = 8
FAN_PAST_C: Final = 3.0
FAN_PAST_NEAREST: Final = 1.0
"""A possible vehicle that comes nearer than this explains such a rise; taken, not fitted."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A doubt that stands until `until_ms`; in `words` a temperature is written `95 C`, a difference `7 K`."""

    name: str
    words: str
    until_ms: int
    danger: Level
    believed: bool
    """True where the sensor itself is fine and the cooling is not."""


LOSING: Final = frozenset({"rise", "fan"})
STUCK: Final = "stuck"
LEFT_SENSOR: Final = "left sensor"


class Slow(NamedTuple):
    """What is remembered of the last quarter of an hour; every tuple is bounded."""

    filling: Filling = Filling()
    buckets: tuple[Bucket, ...] = ()
    plateau_c: float | None = None
    worked_s: float = 0.0
    """Seconds of real work since the engine started, for an engine that never warms."""
    was_warm: bool = False
    work: tuple[float, int] = (0.0, 0)
    """Sum and number of the ten-second means of work of the drive: a long descent is no thermostat that stays open."""
    partings: tuple[Parting, ...] = ()
    partings_ms: int = 0
    departures: tuple[Departure, ...] = ()
    departures_ms: int = 0
    risen: int = 0
    """So many times in a row the reading has stood over what heat and air explain."""
    fan_turns: tuple[tuple[int, float], ...] = ()
    """When and at what reading it last turned and fell while creeping: a fan's switch turns it at one reading."""

    @property
    def regulated_c(self) -> float:
        return REGULATED_C if self.plateau_c is None else self.plateau_c

    @property
    def hot_c(self) -> float:
        """Hotter than any fan lets a sound engine get on a usual day."""
        return max(self.regulated_c, REGULATED_C) + HOT_OVER_C


def compares(slow: Slow, reading_c: float | None) -> bool:
    """Whether a reading is near where the possible vehicles are asked: not while the thermostat holds the engine."""
    return reading_c is not None and reading_c >= min(slow.regulated_c, REGULATED_C) + COOL_OVER_C


def losing_danger(slow: Slow, reading_c: float) -> Level:
    """Cooling that is being lost: a caution once the engine is hot."""
    return Level.CAUTION if reading_c >= slow.hot_c else Level.ADVISORY


def cooled(slow: Slow, doubt: Doubt, reading_c: float | None) -> Doubt:
    """The doubt where the engine has come down from hot: still to be looked after, no longer at risk."""
    if doubt.name not in LOSING or reading_c is None or reading_c > slow.hot_c - COOL_OVER_C:
        return doubt
    return replace(doubt, danger=min(doubt.danger, Level.ADVISORY))


def ended(slow: Slow, doubt: Doubt, reading_c: float | None) -> bool:
    """Whether a doubt of the cooling has been answered by the reading before its time."""
    return doubt.name in LOSING and reading_c is not None and reading_c <= slow.regulated_c + COOL_OVER_C


def danger_c(slow: Slow, reading_c: float | None) -> Level:
    """Hot is worse than regulated, for whatever is wrong."""
    hot = reading_c is not None and reading_c >= slow.regulated_c + HOT_OVER_C
    return Level.CAUTION if hot else Level.ADVISORY


def forgotten(slow: Slow) -> Slow:
    """Across a hole in the data or a change of the reading nothing may be compared."""
    return slow._replace(buckets=(), filling=Filling(), partings=(), departures=(), risen=0)


def stopped(slow: Slow) -> Slow:
    """The engine is off: a new warm-up comes."""
    return forgotten(slow)._replace(worked_s=0.0, was_warm=False)


def second(
    slow: Slow,
    inputs: Inputs,
    believed_c: float | None,
    partings: tuple[Parting, ...],
    departures: tuple[Departure, ...] = (),
) -> tuple[Slow, tuple[Doubt, ...]]:
    """One tick of a running engine; doubts when ten seconds are full."""
    if partings:
        slow = slow._replace(partings=partings, partings_ms=inputs.t_ms)
    if departures:
        slow = slow._replace(departures=departures, departures_ms=inputs.t_ms)
    filling, full = slow.filling.add(inputs, believed_c)
    slow = slow._replace(filling=filling)
    if full is None:
        return slow, ()
    slow = slow._replace(buckets=(*slow.buckets, full)[-90:])
    if inputs.t_ms - slow.partings_ms > PARTINGS_MS:
        slow = slow._replace(partings=())
    if inputs.t_ms - slow.departures_ms > PARTINGS_MS:
        slow = slow._replace(departures=())
    return _rules(slow, full)


def _rules(slow: Slow, now: Bucket) -> tuple[Slow, tuple[Doubt, ...]]:
    if now.coolant_c is None:
        return slow, ()
    calm = stretch(slow.buckets, 120, 0)
    if calm is not None and calm.span_c <= 2.0 and 75.0 <= calm.coolant_c <= 97.0:
        lowest = calm.coolant_c if slow.plateau_c is None else min(slow.plateau_c, calm.coolant_c)
        slow = slow._replace(plateau_c=lowest)
    warm = slow.was_warm or now.coolant_c >= WARM_C + 5.0
    busy = (now.speed_kmh or 0.0) > 40.0 or (now.speed_kmh is None and now.work is not None)
    over = _over_expected(slow, now)
    slow = slow._replace(
        was_warm=warm,
        work=plus(slow.work, now.work),
        worked_s=slow.worked_s + (10.0 if busy else 0.0),
        risen=0 if over is None else slow.risen + 1,
        fan_turns=_fan_turns(slow),
    )
    found = (_stuck(slow, now), _never_warm(slow, now), _rise(slow, now, over), _left_sensor(slow, now))
    return slow, tuple(doubt for doubt in found if doubt is not None)


def _stuck(slow: Slow, now: Bucket) -> Doubt | None:
    """No step for long although heat and air moved the engine: long where a thermostat regulates, sooner elsewhere."""
    same = longest_same(slow.buckets)
    if same is None or now.coolant_c is None or now.coolant_c >= STUCK_BELOW_C:
        return None
    seconds, spread = same
    from_regulated_c = now.coolant_c - slow.regulated_c
    regulating = -6.0 <= from_regulated_c <= 4.0
    moved = _moved_while_it_stood(slow, seconds)
    if moved is not None and seconds >= STUCK_LEAST_S and from_regulated_c > 4.0 and not _as_a_vehicle(slow):
        at = f"coolant reading stands at {now.coolant_c:.0f} C for {seconds} s"
        words = f"{at} while heat and air would bring it to {moved.expected_c:.0f} C: the sensor may be stuck"
        return Doubt(STUCK, words, now.t_ms + 15_000, danger_c(slow, now.coolant_c), False)
    change = ""
    if spread is None:
        enough = seconds >= 600 and not regulating  # a thermostat holds one degree for longer than is remembered
    else:
        enough = (seconds >= 840 and spread >= 3.5) if regulating else (seconds >= 300 and spread >= 1.6)
        change = f" although the work changed {spread:.1f} times"
    if not enough or ((regulating or _creeping(slow)) and _explained(slow)):
        return None
    words = f"coolant reading stands at {now.coolant_c:.0f} C for {seconds // 60} min{change}: the sensor may be stuck"
    return Doubt(STUCK, words, now.t_ms + 15_000, danger_c(slow, now.coolant_c), False)


def _creeping(slow: Slow) -> bool:
    late = stretch(slow.buckets, 300, 0)
    return late is not None and (late.speed_kmh is None or late.speed_kmh < SLOW_KMH)


def _explained(slow: Slow) -> bool:
    """By all hypotheses what work there was moved nothing: fan or thermostat hold one degree for long."""
    old = [p for p in slow.partings if p.age_s >= 150]
    return bool(old) and not any(_told_to_move(p, STUCK_EXPECTED_C) for p in old)


def _told_to_move(one: Parting, by_c: float) -> bool:
    """More heat than the reading shows, or heat that went away and left the reading hot.

    A reading that stands hotter than expected at the heat of before is no stuck sensor: cooling was lost, and settled.
    """
    return one.over_c <= -by_c or (one.over_c >= by_c and one.heat_share <= STUCK_HEAT_SHARE)


def _as_a_vehicle(slow: Slow) -> bool:
    """The possible vehicles were asked, and each copy of them reads about the same: a thermostat may hold it.

    The hypotheses know one node, and take the lowest plateau of the drive for where its thermostat regulates.
    """
    return bool(slow.departures) and all(abs(one.over_c) < STUCK_EXPECTED_C for one in slow.departures)


def _moved_while_it_stood(slow: Slow, seconds: int) -> Parting | None:
    """The comparison, begun since the reading stands, in which every hypothesis moved on the furthest."""
    within = [p for p in slow.partings if p.age_s < seconds and abs(p.spreads) >= STUCK_SPREADS]
    within = [p for p in within if _told_to_move(p, STUCK_MOVED_C)]
    return max(within, key=lambda p: abs(p.over_c), default=None)


def _never_warm(slow: Slow, now: Bucket) -> Doubt | None:
    """Long real work and still cool, or warm once and cooled on the road: a thermostat that stays open."""
    if now.coolant_c is None or now.coolant_c >= WARM_C or (not slow.was_warm and slow.worked_s < 720.0):
        return None
    late = stretch(slow.buckets, 180, 0)
    if late is None or late.span_c > 4.0 or not late.busy:
        return None
    usual = mean(slow.work)
    if late.work is not None and usual is not None and late.work < DESCENT_SHARE * usual:
        return None
    words = f"engine stays at {now.coolant_c:.0f} C after {slow.worked_s / 60:.0f} min of driving"
    return Doubt("never warm", f"{words}: the thermostat may be stuck open", now.t_ms + HOLD_MS, Level.ADVISORY, True)


def _alike(late: Stretch, before: Stretch, least: float, most: float) -> bool:
    """No twenty seconds of `late` outside `least` to `most` times the work of `before`, at the same speed and rpm."""
    if late.work_low is None or late.work_high is None or before.work is None:
        return False
    if late.work_low < least * before.work or late.work_high > most * before.work:
        return False
    if late.speed_kmh is None or before.speed_kmh is None:
        return False
    same_speed = 0.88 * before.speed_kmh - 2.0 <= late.speed_kmh <= 1.15 * before.speed_kmh + 3.0
    same_rpm = late.rpm is None or before.rpm is None or 0.85 * before.rpm <= late.rpm <= 1.2 * before.rpm
    return same_speed and same_rpm


def _even(some: Stretch, share: float) -> bool:
    """The work hardly changed."""
    if some.work is None or some.work_low is None or some.work_high is None:
        return False
    return some.work_high - some.work_low <= share * some.work


def _over_expected(slow: Slow, now: Bucket) -> str | None:
    """A reading past what a sound vehicle of this profile would show under this heat and air, in words.

    A hot engine only: below, thermostat and the fan's own switching set the temperature.
    """
    if now.coolant_c is None or now.coolant_c < slow.hot_c or stretch(slow.buckets, 60, 0) is None:
        return None
    told = [one for one in slow.departures if (one.surprise or 0.0) >= RISE_SURPRISE and one.excess_c >= RISE_C]
    over = [(one.excess_c, one.age_s) for one in told] if len(told) >= 2 else _over_every_vehicle(slow, now)
    if not over:
        return None
    over_c, age_s = max(over)
    at = f"reading is {over_c:.0f} K over the {now.coolant_c - over_c:.0f} C"
    return f"{at} that heat and air of the last {max(round(age_s / 60), 1)} min should make"


def _over_every_vehicle(slow: Slow, now: Bucket) -> list[tuple[float, int]]:
    """At a crawl, not falling: the copies of which no vehicle comes near, by how far over [K] and of what age [s]."""
    if now.speed_kmh is None or now.speed_kmh >= CRAWL_KMH or now.coolant_c is None:
        return []
    late = stretch(slow.buckets, 180, 0) or stretch(slow.buckets, 60, 0)
    if late is None or now.coolant_c < late.high_c - 1.0:
        return []
    return [
        (one.over_c, one.age_s)
        for one in slow.departures
        if one.over_c >= max(RISE_C, RISE_SPREADS * hypot(one.spread_c, ROUNDED_SD_C))
        and one.nearest >= RISE_NEAREST_CRAWLING
    ]


def _rise(slow: Slow, now: Bucket, over: str | None) -> Doubt | None:
    """Cooling is being lost: hotter than as much heat made it before, or a new high at the same work and speed."""
    if now.coolant_c is None:
        return None
    if over is not None and slow.risen >= RISE_TIMES:
        return _losing(slow, now, over)
    alike = _rise_alike(slow, now)
    fan = _past_fan(slow, now)
    return fan if alike is None else _losing(slow, now, alike)


def _losing(slow: Slow, now: Bucket, words: str) -> Doubt:
    late = stretch(slow.buckets, 60, 0)
    crawling = late is not None and late.speed_kmh is not None and late.speed_kmh < CRAWL_KMH
    name, part = ("fan", "the fan may not run") if crawling else ("rise", "fan, pump or coolant may be failing")
    return Doubt(name, f"{words}: {part}", now.t_ms + LOSING_HOLD_MS, losing_danger(slow, now.coolant_c or 0.0), True)


def _rise_alike(slow: Slow, now: Bucket) -> str | None:
    """A new high above a level that had settled, at the same work and speed, and not by what heat and air explain.

    Looked at over two windows: slow (settled for 3 min, then 3 min of rise) and fast (2 min, then 1 min).
    """
    if now.coolant_c is None or now.coolant_c < slow.regulated_c + 4.0:
        return None
    explained = bool(slow.partings) and not any(p.spreads >= 2.0 and p.over_c >= 3.0 for p in slow.partings)
    if explained:
        return None
    for length, settled, rise_c in ((180, 180, 5.0), (70, 120, 4.0)):
        late, before = stretch(slow.buckets, length, 0), stretch(slow.buckets, settled, length)
        if late is None or before is None or before.span_c > 3.0 or before.coolant_c < slow.regulated_c - 4.0:
            continue
        rise = now.coolant_c - before.high_c
        moving = before.speed_kmh is not None and before.speed_kmh > 25.0
        same = (
            _even(before, 0.3) and _alike(late, before, 0.7, 1.15) and (late.work or 0.0) <= 1.03 * (before.work or 0.0)
        )
        if rise < rise_c or not moving or not same or late.falling or late.ac > before.ac + 0.1:
            continue
        return f"reading rose {rise:.0f} K in {length // 60 or 1} min at the same load and speed"
    return None


def _fan_turns(slow: Slow) -> tuple[tuple[int, float], ...]:
    """With the reading that turned and fell in the last three minutes at a crawl without less work, if one did."""
    late = stretch(slow.buckets, 180, 0)
    if late is None or late.speed_kmh is None or late.speed_kmh >= CRAWL_KMH or late.work is None:
        return slow.fan_turns
    some = [(b.t_ms, b.coolant_c) for b in slow.buckets[-18:] if b.coolant_c is not None]
    top = max(some, key=lambda one: one[1])
    turned = top[1] >= slow.regulated_c + 3.0 and some[0][1] < top[1] and some[-1][1] <= top[1] - FAN_FALL_C
    held = (late.work_low or 0.0) >= 0.6 * late.work
    known = bool(slow.fan_turns) and top[0] - slow.fan_turns[-1][0] < FAN_APART_MS
    return slow.fan_turns if known or not turned or not held else (*slow.fan_turns, top)[-FAN_TURNS:]


def _fan_turns_c(slow: Slow) -> float | None:
    """Where the fan is known to win: the highest reading it turned at, if it did so twice; one peak tells nothing."""
    two = sorted(c for _, c in slow.fan_turns)[-2:]
    return two[1] if len(two) == 2 and two[1] - two[0] <= FAN_SAME_C else None


def _past_fan(slow: Slow, now: Bucket) -> Doubt | None:
    """Creeping or standing, past where the fan used to win, still rising, and not as a possible vehicle would."""
    turns_c = _fan_turns_c(slow)
    if now.coolant_c is None or turns_c is None:
        return None
    late = stretch(slow.buckets, 120, 0)
    if late is None or late.speed_kmh is None or late.speed_kmh >= CRAWL_KMH or late.falling:
        return None
    past = now.coolant_c - turns_c
    if past < FAN_PAST_C or now.coolant_c - late.low_c < 2.0:
        return None
    if slow.departures and not any(one.nearest >= FAN_PAST_NEAREST for one in slow.departures):
        return None
    words = f"reading rose {past:.0f} K past {turns_c:.0f} C, where it turned before at this speed"
    danger = losing_danger(slow, now.coolant_c)
    return Doubt("fan", f"{words}: the fan may not run", now.t_ms + LOSING_HOLD_MS, danger, True)


def _left_sensor(slow: Slow, now: Bucket) -> Doubt | None:
    """A fast fall, work held, that no hypothesis explains: the sensor hangs in steam or air.

    Less heat explains a fall, so the heat must have held over every comparison of the last four minutes; so does more
    air.  A fan that cuts in does the same at a crawl, so below SLOW_KMH only a fall right below the thermostat counts.
    """
    near = [p for p in slow.partings if p.age_s <= FALL_NEAR_S]
    if now.coolant_c is None or not near or slow.regulated_c - now.coolant_c > 30.0:
        return None
    if not all(p.heat_share >= 0.65 and p.air_share <= 1.5 for p in near):
        return None
    far = [p for p in near if p.age_s <= FALL_YOUNG_S and p.spreads <= -FALL_SPREADS and p.over_c <= -FALL_C]
    late = stretch(slow.buckets, 70, 0) if far else None
    if late is None or late.high_c - now.coolant_c < FALL_FAST_C:
        return None
    if now.speed_kmh is None or now.speed_kmh < SLOW_KMH:
        under = slow.plateau_c is not None and now.coolant_c < slow.plateau_c - 3.0
        if not under:
            return None
    fall = late.high_c - now.coolant_c
    expected = far[-1].expected_c
    words = f"reading fell {fall:.0f} K in a minute while heat and air would hold it near {expected:.0f} C"
    words += ": coolant may have left the sensor"
    return Doubt(LEFT_SENSOR, words, now.t_ms + LOST_HOLD_MS, Level.WARNING, False)
