"""Ten-second means of what trust compares, and stretches of them.

Bounded and cheap: one bucket in ten ticks, sums over a few dozen.  Work is only ever compared with itself, so any
quantity that grows with heat made will do: air flow, else manifold pressure or load times rpm.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from livemon.core.signals import Inputs

BUCKET_MS = 10_000


@dataclass(frozen=True, slots=True)
class Bucket:
    """Means over ten seconds; coolant is the last believed reading of them [C]."""

    t_ms: int
    coolant_c: float | None
    work: float | None
    speed_kmh: float | None
    rpm: float | None
    ac: float


def work_of(inputs: Inputs) -> float | None:
    """Something that grows with heat made, in no unit; the best that this vehicle offers."""
    if inputs.maf_g_s is not None:
        return inputs.maf_g_s
    if inputs.rpm is None:
        return None
    if inputs.map_kpa is not None:
        return max(inputs.map_kpa - 15.0, 1.0) * inputs.rpm / 1e4
    if inputs.load_pct is not None:
        return (5.0 + inputs.load_pct) * inputs.rpm / 1e4
    return None


@dataclass(frozen=True, slots=True)
class Filling:
    """The bucket that is being filled: sums and counts."""

    begin_ms: int | None = None
    work: tuple[float, int] = (0.0, 0)
    speed: tuple[float, int] = (0.0, 0)
    rpm: tuple[float, int] = (0.0, 0)
    ac: tuple[float, int] = (0.0, 0)

    def add(self, inputs: Inputs, believed_c: float | None) -> tuple[Filling, Bucket | None]:
        """One tick more; a bucket when ten seconds are full."""
        begin = inputs.t_ms if self.begin_ms is None else self.begin_ms
        more = Filling(
            begin,
            plus(self.work, work_of(inputs)),
            plus(self.speed, inputs.speed_kmh),
            plus(self.rpm, inputs.rpm),
            plus(self.ac, None if inputs.ac_on is None else float(inputs.ac_on)),
        )
        if inputs.t_ms - begin < BUCKET_MS - 1_000:
            return more, None
        full = Bucket(inputs.t_ms, believed_c, mean(more.work), mean(more.speed), mean(more.rpm), mean(more.ac) or 0.0)
        return Filling(), full


def plus(so_far: tuple[float, int], value: float | None) -> tuple[float, int]:
    """Sum and count with one value more; an unknown one changes nothing."""
    return so_far if value is None else (so_far[0] + value, so_far[1] + 1)


def mean(so_far: tuple[float, int]) -> float | None:
    """Of a sum and a count; None of nothing."""
    return so_far[0] / so_far[1] if so_far[1] else None


@dataclass(frozen=True, slots=True)
class Stretch:
    """Means and extremes over several buckets."""

    coolant_c: float
    low_c: float
    high_c: float
    work: float | None
    speed_kmh: float | None
    rpm: float | None
    ac: float
    busy: bool
    falling: bool
    work_low: float | None = None
    work_high: float | None = None
    """Extremes of twenty-second means."""

    @property
    def span_c(self) -> float:
        return self.high_c - self.low_c


def stretch(buckets: tuple[Bucket, ...], seconds: int, ago_s: int) -> Stretch | None:
    """The `seconds` that ended `ago_s` before the last bucket; None where the history has a hole or is too short."""
    count, skip = seconds // 10, ago_s // 10
    end = len(buckets) - skip
    if end < count or count == 0:
        return None
    some = buckets[end - count : end]
    if some[-1].t_ms - some[0].t_ms > (count + 2) * BUCKET_MS:
        return None
    temps = [b.coolant_c for b in some if b.coolant_c is not None]
    if len(temps) < count:
        return None
    works = [b.work for b in some if b.work is not None]
    speeds = [b.speed_kmh for b in some if b.speed_kmh is not None]
    rpms = [b.rpm for b in some if b.rpm is not None]
    speed = sum(speeds) / count if len(speeds) == count else None
    twenty = [0.5 * (a + b) for a, b in pairwise(works)] if len(works) == count else []
    return Stretch(
        coolant_c=sum(temps) / count,
        low_c=min(temps),
        high_c=max(temps),
        work=sum(works) / count if len(works) == count else None,
        speed_kmh=speed,
        rpm=sum(rpms) / count if len(rpms) == count else None,
        ac=sum(b.ac for b in some) / count,
        busy=speed is None or speed > 30.0,
        falling=temps[-1] < max(temps),
        work_low=min(twenty) if twenty else None,
        work_high=max(twenty) if twenty else None,
    )


def longest_same(buckets: tuple[Bucket, ...]) -> tuple[int, float | None] | None:
    """(seconds the reading has not moved, highest over lowest one-minute work in them); None without a reading."""
    if not buckets or buckets[-1].coolant_c is None:
        return None
    count = 0
    for b in reversed(buckets):
        if b.coolant_c != buckets[-1].coolant_c:
            break
        count += 1
    works = [b.work for b in buckets[len(buckets) - count :]]
    if any(w is None for w in works) or count < 6:
        return count * 10, None
    known = [w for w in works if w is not None]
    minutes = [sum(known[i : i + 6]) / 6.0 for i in range(0, count - 5)]
    return count * 10, max(minutes) / max(min(minutes), 1e-6)
