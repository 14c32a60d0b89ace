"""What the core says as JSON text: one object a line, SI units, fixed decimals, ASCII, keys in the contract's order.

Written by hand from the fields, so that equal outcomes give equal bytes on every machine; the contract stands in
docs/output.md.  A figure that is not finite is null.  Knows nothing of files or of how the figures came about.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from json.encoder import encode_basestring_ascii as _word
from math import isfinite

from livemon.core.outcome import Acted, Advice, Band, Climb, Outcome, RoadAhead
from livemon.outputs.summary import Summary


def outcome_line(said: Outcome) -> str:
    """One outcome as one line with its newline."""
    fields = (
        ("time_s", _number(said.t_ms / 1000, 3)),
        ("status", _word(said.status.value)),
        ("level", _word(said.level.word)),
        ("coolant_c", _number(said.coolant_c, 1)),
        ("age_s", _number(said.age_s, 1)),
        ("trusted", _flag(said.trusted)),
        ("doubts", _list(map(_word, said.doubts))),
        ("estimate_c", _band(said.estimate_c, 1)),
        ("rate_c_per_min", _band(said.rate_c_per_min, 2)),
        ("limit_c", _number(said.limit_c, 1)),
        ("stop_c", _number(said.stop_c, 1)),
        ("margin_c", _band(said.margin_c, 1)),
        ("ahead_c", _bands_ahead(said.ahead_c)),
        ("settles_c", _band(said.settles_c, 1)),
        ("crossing", _word(said.crossing.value)),
        ("time_to_limit_s", _band(said.time_to_limit_s, 0)),
        ("chance", _chances(said.chance)),
        ("chance_stop", _chances(said.chance_stop)),
        ("grade_pct", _band(said.grade_pct, 1)),
        ("climb", _climb(said.climb)),
        ("boil_margin_c", _band(said.boil_margin_c, 1)),
        ("advice", _list(map(_advice, said.advice))),
        ("acted", _list(map(_acted, said.acted))),
    )
    road = () if said.road is None else (("road", _road(said.road)),)
    return _object((*fields, *road)) + "\n"


def summary_line(summary: Summary, log: str | None = None) -> str:
    """The last line of a replay, with its newline; `log` names it where there are several."""
    fields = [
        ("rows", str(summary.rows)),
        ("skipped", _object((_word(reason)[1:-1], str(n)) for reason, n in summary.skipped)),
        ("seconds", _number(summary.seconds, 3)),
        ("peak_c", _number(summary.peak_c, 1)),
        ("peak_at_s", _number(summary.peak_at_s, 3)),
        ("crossings", _list(_number(t, 3) for t in summary.crossings)),
        ("cautions", _list(_number(t, 3) for t in summary.cautions)),
        ("warnings", _list(_number(t, 3) for t in summary.warnings)),
        ("leads_s", _list(_number(t, 3) for t in summary.leads_s)),
    ]
    if log is not None:
        fields.insert(0, ("log", _word(log)))
    return _object((("summary", _object(fields)),)) + "\n"


def _number(value: float | None, decimals: int) -> str:
    if value is None or not isfinite(value):
        return "null"
    text = "%.*f" % (decimals, value)  # noqa: UP031 - twice as fast as a nested format, and there are 60 a line
    return text[1:] if text[0] == "-" and not text.strip("-0.") else text  # no minus before a zero


def _flag(value: bool | None) -> str:
    return "null" if value is None else "true" if value else "false"


def _list(items: Iterable[str]) -> str:
    return f"[{', '.join(items)}]"


def _object(fields: Iterable[tuple[str, str]]) -> str:
    """Keys are plain ASCII words."""
    return "{" + ", ".join([f'"{key}": {text}' for key, text in fields]) + "}"


def _band(band: Band | None, decimals: int) -> str:
    if band is None:
        return "null"
    low, likely, high = (_number(value, decimals) for value in (band.low, band.likely, band.high))
    return f'{{"low": {low}, "likely": {likely}, "high": {high}}}'


# A forecast and an advice stand for seconds, so their text does too.
@lru_cache(64)
def _bands_ahead(pairs: tuple[tuple[int, Band], ...] | None) -> str:
    return "null" if pairs is None else _object((str(seconds), _band(band, 1)) for seconds, band in pairs)


@lru_cache(64)
def _chances(pairs: tuple[tuple[int, float], ...] | None) -> str:
    return "null" if pairs is None else _object((str(seconds), _number(chance, 3)) for seconds, chance in pairs)


def _climb(climb: Climb | None) -> str:
    if climb is None:
        return "null"
    return _object(
        (
            ("on", _flag(climb.on)),
            ("gained_m", _number(climb.gained_m, 0)),
            ("minutes", _number(climb.minutes, 1)),
            ("to_go_m", _number(climb.to_go_m, 0)),
            ("to_go_km", _number(climb.to_go_km, 1)),
        )
    )


@lru_cache(64)
def _road(road: RoadAhead) -> str:
    return _object(
        (
            ("on_route", _flag(road.on_route)),
            ("words", _word(road.words)),
            ("along_km", _number(road.along_km, 2)),
            ("drift_km", _number(road.drift_km, 2)),
            ("peak_c", _band(road.peak_c, 1)),
            ("peak_in_km", _number(road.peak_in_km, 1)),
            ("peak_in_s", _number(road.peak_in_s, 0)),
            ("chance", _number(road.chance, 3)),
            ("summit_in_km", _number(road.summit_in_km, 2)),
            ("summit_in_s", _band(road.summit_in_s, 0)),
            ("summit_boil_margin_c", _band(road.summit_boil_margin_c, 1)),
        )
    )


@lru_cache(64)
def _advice(advice: Advice) -> str:
    return _object(
        (
            ("action", _word(advice.action.value)),
            ("words", _word(advice.words)),
            ("why", _word(advice.why)),
            ("gain_c", _band(advice.gain_c, 1)),
            ("gain_s", _number(advice.gain_s, 0)),
        )
    )


@lru_cache(64)
def _acted(acted: Acted) -> str:
    return _object(
        (
            ("action", _word(acted.action.value)),
            ("at_s", _number(acted.at_s, 3)),
            ("expected_c", _number(acted.expected_c, 1)),
            ("seen_c", _number(acted.seen_c, 1)),
        )
    )
