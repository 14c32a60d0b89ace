"""A review as one plain tree of figures (SI units, `null` = unknown): what `--json` prints and the page is made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from livemon.core.outcome import Band, Level
from livemon.core.vehicle import VehicleProfile
from livemon.outputs.summary import Summary
from livemon.outputs.view_words import ACTION_NAMES
from livemon.study.climbs import Stretch
from livemon.study.needle import NeedleLook
from livemon.study.review import Judged, Quality, Review, Spell, over_s


@dataclass(frozen=True, slots=True)
class Reviewed:
    """One log, looked back on: what a worker process hands over."""

    name: str
    review: Review
    summary: Summary
    profile: VehicleProfile
    remarks: tuple[str, ...]
    unknown_columns: tuple[str, ...]
    short: Mapping[str, Any] | None
    """What is short, where that was asked."""
    whole: bool
    """Through the whole pipeline; else readings and road alone."""


def report(one: Reviewed) -> dict[str, Any]:
    """The whole tree of one drive; what only the whole pipeline tells is null where it was not asked."""
    tree = _told(one)
    return tree if one.whole else {**tree, **dict.fromkeys(NEEDS_PIPELINE)}


NEEDS_PIPELINE: Final = ("leads_s", "cautions", "warnings", "level_s", "levels", "advice", "acted", "forecast")


def _told(one: Reviewed) -> dict[str, Any]:
    review, summary = one.review, one.summary
    return {
        "log": one.name,
        "vehicle": one.profile.name,
        "whole": one.whole,
        "seconds": summary.seconds,
        "limit_c": _round(review.limit_c),
        "stop_c": _round(review.stop_c),
        "peak_c": summary.peak_c,
        "peak_at_s": summary.peak_at_s,
        "least_margin_c": _band(review.least_margin_c),
        "least_margin_at_s": review.least_margin_at_s,
        "boil_margin_c": _round(review.boil_margin_c),
        "over_limit_s": review.whole.over_limit_s,
        "over_stop_s": review.whole.over_stop_s,
        "crossings": list(summary.crossings),
        "leads_s": list(summary.leads_s),
        "cautions": list(summary.cautions),
        "warnings": list(summary.warnings),
        "level_s": {
            level.word: over_s(review.levels, level) for level in (Level.ADVISORY, Level.CAUTION, Level.WARNING)
        },
        "levels": [_spell(spell, "level") for spell in review.levels],
        "advice": [_spell(spell, "words") for spell in review.advice],
        "acted": [
            {
                "action": a.action.value,
                "words": ACTION_NAMES[a.action],
                "at_s": a.at_s,
                "expected_c": _round(a.expected_c),
                "seen_c": _round(a.seen_c),
            }
            for a in review.acted
        ],
        "climbs": [_stretch(stretch) for stretch in review.climbs],
        "jams": [_stretch(stretch) for stretch in review.jams],
        "forecast": {"all": _judged(review.judged), "near_limit": _judged(review.judged_near)},
        "needle": _needle(review.needle),
        "short": one.short,
        "notes": [{"at_s": at_s, "text": text} for at_s, text in review.drive.notes],
        "data": _quality(one, review.quality),
    }


def _round(value: float | None, decimals: int = 1) -> float | None:
    return None if value is None or value != value else round(value, decimals)


def _band(band: Band | None) -> dict[str, float | None] | None:
    if band is None:
        return None
    return {"low": _round(band.low), "likely": _round(band.likely), "high": _round(band.high)}


def _spell(spell: Spell, name: str) -> dict[str, Any]:
    return {name: spell.word, "from_s": spell.from_s, "to_s": spell.to_s, "why": spell.why}


def _stretch(one: Stretch) -> dict[str, Any]:
    return {
        "from_s": round(one.start_s, 1),
        "to_s": round(one.end_s, 1),
        "minutes": round(one.minutes, 1),
        "gain_m": _round(one.gain_m, 0),
        "km": _round(one.distance_km, 2),
        "grade_pct": _round(one.grade_pct),
        "speed_kmh": _round(one.speed_kmh),
        "standing_share": _round(one.standing_share, 2),
        "fuel_kw": _round(one.fuel_kw, 0),
        "air_c": _round(one.air_c),
        "ac_share": _round(one.ac_share, 2),
        "start_c": _round(one.start_c),
        "peak_c": _round(one.peak_c),
        "peak_at_s": one.peak_at_s,
        "margin_c": _round(one.margin_c),
        "over_limit_s": one.over_limit_s,
        "over_stop_s": one.over_stop_s,
    }


def _judged(rows: Sequence[Judged]) -> dict[str, Any]:
    return {
        str(row.horizon_s): {
            "count": row.count,
            "held_share": _round(row.held_share, 3),
            "miss_c": _round(row.miss_c, 2),
            "stay_miss_c": _round(row.stay_miss_c, 2),
        }
        for row in rows
    }


def _needle(look: NeedleLook) -> dict[str, Any]:
    return {
        "hides_c": {"low": _round(look.hidden_c[0]), "high": _round(look.hidden_c[1])},
        "usual": _round(look.usual, 3),
        "at_peak": _round(look.at_peak, 3),
        "at_limit": _round(look.at_limit, 3),
        "moved_at_s": look.moved_at_s,
        "crossed_at_s": look.crossed_at_s,
        "hidden_s": look.hidden_s,
    }


def _quality(one: Reviewed, quality: Quality) -> dict[str, Any]:
    drive = one.review.drive
    status: Mapping[str, float] = quality.status_s
    return {
        "rows": one.summary.rows,
        "skipped": dict(one.summary.skipped),
        "unknown_columns": list(one.unknown_columns),
        "age_s": None if quality.age_s is None else {"median": quality.age_s[0], "p95": quality.age_s[1]},
        "gaps": [{"from_s": round(a, 1), "to_s": round(b, 1)} for a, b in quality.gaps],
        "gap_s": round(quality.gap_total_s, 1),
        "untrusted_s": quality.untrusted_s,
        "status_s": dict(status),
        "doubts": [{"text": text, "first_s": since, "seconds": long} for text, since, long in quality.doubts],
        "heat_from": drive.source,
        "air_measured": drive.air_measured,
        "height_recorded": bool(np.isfinite(drive.height_m).any()),
        "codes": list(drive.codes),
        "remarks": list(one.remarks),
    }
