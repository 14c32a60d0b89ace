"""The line on the feed: the public JSON line with what the screens need besides, and the way back to an `Outcome`.

The inverse of `json_lines`; numbers come back as rounded there.  Fields of later versions are passed over, so that an
older viewer can watch a newer monitor.
"""

from __future__ import annotations

import json
from dataclasses import asdict, fields
from typing import Any, Final

from livemon.core.outcome import (
    Acted,
    Action,
    Advice,
    Band,
    Climb,
    Crossing,
    Level,
    OffPlan,
    Outcome,
    RoadAhead,
    Status,
    Withheld,
)
from livemon.outputs.json_lines import outcome_line
from livemon.outputs.view_passenger import Health

MAX_NOTES: Final = 4


def _band(value: Any) -> Band | None:
    return None if value is None else Band(value["low"], value["likely"], value["high"])


def _by_seconds(value: Any) -> tuple[tuple[int, float], ...] | None:
    return None if value is None else tuple((int(k), float(v)) for k, v in value.items())


def _road(told: Any) -> RoadAhead | None:
    if told is None:
        return None
    plain = ("along_km", "drift_km", "peak_in_km", "peak_in_s", "chance", "summit_in_km")
    return RoadAhead(
        on_route=bool(told["on_route"]),
        words=str(told["words"]),
        peak_c=_band(told.get("peak_c")),
        summit_in_s=_band(told.get("summit_in_s")),
        summit_boil_margin_c=_band(told.get("summit_boil_margin_c")),
        **{name: told.get(name) for name in plain},
    )


def _climb(told: Any, more: dict[str, Any]) -> Climb | None:
    if told is None:
        return None
    return Climb(
        told["on"],
        told["gained_m"],
        told["minutes"],
        told.get("to_go_m"),
        told.get("to_go_km"),
        more.get("average_grade_pct"),
        bool(more.get("passed")),
    )


def outcome_of(line: bytes) -> Outcome:
    """The outcome a feed line tells; ValueError if it is none.  Fields of later versions are passed over."""
    try:
        told = json.loads(line)
        ahead = told.get("ahead_c")
        return Outcome(
            t_ms=round(told["time_s"] * 1000),
            status=Status(told["status"]),
            level=Level[told["level"].upper()],
            coolant_c=told.get("coolant_c"),
            age_s=told.get("age_s"),
            trusted=told.get("trusted"),
            doubts=tuple(told.get("doubts") or ()),
            estimate_c=_band(told.get("estimate_c")),
            rate_c_per_min=_band(told.get("rate_c_per_min")),
            limit_c=told.get("limit_c"),
            stop_c=told.get("stop_c"),
            margin_c=_band(told.get("margin_c")),
            ahead_c=None if ahead is None else tuple((int(k), b) for k, v in ahead.items() if (b := _band(v))),
            settles_c=_band(told.get("settles_c")),
            crossing=Crossing(told["crossing"]),
            time_to_limit_s=_band(told.get("time_to_limit_s")),
            chance=_by_seconds(told.get("chance")),
            chance_stop=_by_seconds(told.get("chance_stop")),
            grade_pct=_band(told.get("grade_pct")),
            climb=_climb(told.get("climb"), told.get("climb_more") or {}),
            boil_margin_c=_band(told.get("boil_margin_c")),
            advice=tuple(
                Advice(Action(a["action"]), a["words"], a["why"], _band(a.get("gain_c")), a.get("gain_s"))
                for a in told.get("advice") or ()
            ),
            acted=tuple(
                Acted(Action(a["action"]), a["at_s"], a.get("expected_c"), a.get("seen_c"))
                for a in told.get("acted") or ()
            ),
            silenced=bool(told.get("silenced", False)),
            speed_kmh=told.get("speed_kmh"),
            notes=tuple(told.get("notes") or ()),
            reason=told.get("reason") or "",
            easing=bool(told.get("easing", False)),
            withheld=tuple(Withheld(Action(action), why) for action, why in told.get("withheld") or ()),
            off_plan=_off_plan(told.get("off_plan")),
            road=_road(told.get("road")),
        )
    except (KeyError, TypeError, AttributeError, RecursionError) as error:
        raise ValueError(f"feed: expected a line of livemon's output, found {line[:60]!r}") from error


def _off_plan(told: Any) -> OffPlan | None:
    return None if told is None else OffPlan(**{field.name: told[field.name] for field in fields(OffPlan)})


def health_of(line: bytes) -> Health | None:
    """The state of the data that a line of the feed tells, if it does."""
    told = json.loads(line).get("health")
    if not isinstance(told, dict):
        return None
    known = {field.name: told[field.name] for field in fields(Health) if field.name in told}
    for name in ("rates_hz", "inputs"):
        known[name] = tuple((str(key), value) for key, value in known.get(name) or ())
    known["lacks"] = tuple(map(str, known.get("lacks") or ()))
    return Health(**known)


def _rounded(told: dict[str, float | None]) -> dict[str, float | None]:
    return {name: None if value is None else round(value, 2) for name, value in told.items()}


def feed_line(said: Outcome, health: Health | None = None) -> bytes:
    """The public line of `said` with what the screens need besides, and the state of the data."""
    climb = said.climb
    more = {
        "silenced": said.silenced,
        "speed_kmh": said.speed_kmh,
        "notes": said.notes[-MAX_NOTES:],
        "reason": said.reason,
        "easing": said.easing,
        "withheld": [(each.action.value, each.why) for each in said.withheld],
        "climb_more": None
        if climb is None
        else _rounded({"average_grade_pct": climb.average_grade_pct}) | {"passed": climb.passed},
        "off_plan": None if said.off_plan is None else _rounded(asdict(said.off_plan)),
        "health": None if health is None else asdict(health),
    }
    return (outcome_line(said)[:-2] + ", " + json.dumps(more, ensure_ascii=True)[1:] + "\n").encode("ascii")
