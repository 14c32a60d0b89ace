"""What `plan` says, as one JSON object (SI units) and as a table for people, 80 columns wide.

Knows nothing of how a plan is made.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

from livemon.core.outcome import Band
from livemon.core.route import Route
from livemon.core.units import LENGTH, SPEED, Display, to_unit
from livemon.core.vehicle import PARTS
from livemon.study.plan import Plan, gain_c
from livemon.study.remedies import KINDS, burden, on_hot_part
from livemon.verbs.common import sheet

HELPS_FROM_K: Final = 0.5
"""A way that is not so much cooler is named among those that do not help."""
HOLE_M: Final = 3_000.0
"""A track without a point, or without a height, for longer hides a climb of its own (a tunnel, a lost receiver)."""
RPM_BOUND: Final = 0.98
"""A speed that is not held in the gear of the lever, so near the rpm limit, is held back by it."""
WIDTH: Final = 80


def as_json(
    route: Route,
    first: Plan,
    others: Sequence[Plan],
    bought: Sequence[tuple[str, Plan]],
    limit_c: float,
    stop_c: float,
    boils_c: float,
    most_rpm: float,
    wrong: Sequence[str],
) -> dict[str, Any]:
    """Everything the verb says; docs/plan.md tells the fields.  `others` the gentlest first."""
    slow = [k for k, held in enumerate(first.holds) if not held]
    slowest = int(first.speed_kmh.argmin())
    held_down = first.gear[slowest] == first.way.gear and first.rpm[slowest] > RPM_BOUND * most_rpm
    hot_gear, hot_rpm, _ = on_hot_part(first)
    return {
        "route": route.name,
        "length_km": _km(first.distance_m[-1]),
        "rise_m": round(float(first.height_m.max() - first.height_m[0])),
        "steepest_pct": round(float(first.grade_pct.max()), 1),
        "bridged_points": route.spikes,
        "longest_hole_km": _km(route.hole_m),
        "minutes": round(float(first.time_s[-1]) / 60.0, 1),
        "limit_c": limit_c,
        "stop_c": round(stop_c, 1),
        "boils_at_summit_c": round(boils_c, 1),
        "wrong": list(wrong),
        "peak_c": _band(first.peak_c),
        "peak_at_km": _km(first.peak_at_m),
        "hot_gear": hot_gear,
        "hot_rpm": round(hot_rpm),
        "margin_c": _band(first.margin_c(limit_c)),
        "keeps_under_limit": _kept(first, limit_c),
        "keeps_under_stop": _kept(first, stop_c),
        "boil_margin_c": round(first.boil_margin_c(), 1),
        "cannot_hold_speed_km": [_km(first.distance_m[max(slow[0] - 1, 0)]), _km(first.distance_m[slow[-1]])]
        if slow
        else None,
        "cannot_hold_throughout": bool(slow) and slow[-1] - slow[0] + 1 == len(slow),
        "cannot_hold_for": None if not slow else "rpm limit" if held_down else "engine power",
        "least_speed_kmh": round(float(first.speed_kmh.min()), 1),
        "gentlest": {
            kept: next((o.way.name for o in others if _kept(o, limit_c) in words), None)
            for kept, words in (("likely", ("likely", "yes")), ("yes", ("yes",)))
        },
        "ways": [
            {
                "way": other.way.name,
                "kind": KINDS[burden(first, other)[0]],
                "peak_c": _band(other.peak_c),
                "cooler_c": _band(gain_c(first, other)),
                "minutes_longer": round(float(other.time_s[-1] - first.time_s[-1]) / 60.0, 1),
                "keeps_under_limit": _kept(other, limit_c),
                "keeps_under_stop": _kept(other, stop_c),
                "holds_speed": bool(other.holds.all()),
                "least_speed_kmh": round(float(other.speed_kmh.min()), 1),
            }
            for other in others
        ],
        "parts": [
            {
                "part": part,
                "words": PARTS[part].words,
                "cooler_c": _band(gain_c(first, fitted)),
                "peak_c": _band(fitted.peak_c),
                "keeps_under_limit": _kept(fitted, limit_c),
            }
            for part, fitted in bought
        ],
    }


def _km(distance_m: float) -> float:
    return round(float(distance_m) / 1000.0, 2)


def _kept(plan: Plan, limit_c: float) -> str:
    """yes: the whole 80 % band lies under the limit; likely: its middle does; no."""
    assert plan.peak_c.high is not None
    assert plan.peak_c.likely is not None
    return "yes" if plan.peak_c.high < limit_c else "likely" if plan.peak_c.likely < limit_c else "no"


def _band(band: Band) -> dict[str, float | None]:
    sides = (("low", band.low), ("likely", band.likely), ("high", band.high))
    return {name: None if value is None else round(value, 1) for name, value in sides}


def print_report(report: dict[str, Any], driven: str, display: Display, *, remarks: bool = True) -> None:
    """The report on standard output, in the units of `display`; `driven`: the wished way in words."""
    show = _Shown(display)
    _print_plan(report, driven, show)
    _print_ways(report, show)
    if report["parts"]:
        show.console.print("\nwhat a part would buy on this climb")
    for part in report["parts"]:
        show.console.print(
            f"{part['words']}: cooler by {show.step(part['cooler_c'])} {show.unit}, peak {show.temp(part['peak_c'])} "
            f"{show.unit}; limit kept: {part['keeps_under_limit']}"
        )
    if remarks:
        show.console.print(
            "\nEstimates. The worse of gauge and tool counts; a warning lamp always wins;\n"
            "the vehicle's manual comes first.",
            style="dim",
        )


KEPT: Final = {"yes": "kept", "likely": "likely kept", "no": "not kept"}
"""What is said of a line by `_kept`."""


class _Shown:
    """Figures of the report as text, in the units of the reader."""

    def __init__(self, display: Display) -> None:
        self.display = display
        self.unit = f"°{display.temperature}"
        self.console = sheet(soft_wrap=True)

    def temp(self, band: dict[str, float]) -> str:
        return _with_band(self.display.temp, band)

    def step(self, band: dict[str, float]) -> str:
        return _with_band(self.display.step, band)

    def far(self, km: float) -> str:
        return f"{to_unit(1000.0 * km, LENGTH, self.display.distance):.1f} {self.display.distance}"

    def high(self, metres: float) -> str:
        return f"{to_unit(metres, LENGTH, self.display.length):.0f} {self.display.length}"


def _with_band(turn: Callable[[float], float], band: dict[str, float]) -> str:
    likely, low, high = (f"{round(turn(band[side])):d}" for side in ("likely", "low", "high"))
    return f"{likely} ({low} to {high})"


def _print_plan(report: dict[str, Any], driven: str, show: _Shown) -> None:
    """The road, and how the drive as wished would go."""
    from rich.text import Text

    console, display, unit = show.console, show.display, show.unit
    console.print(
        Text(report["route"], style="bold"),
        f": {show.far(report['length_km'])}, rise {show.high(report['rise_m'])}, "
        f"steepest {report['steepest_pct']} %, {report['minutes']:.0f} min",
        sep="",
    )
    if report["bridged_points"]:
        count = report["bridged_points"]
        points, were = ("point", "was") if count == 1 else ("points", "were")
        console.print(f"{count} {points} of the route could not be true and {were} bridged")
    if 1000.0 * report["longest_hole_km"] > HOLE_M:
        console.print(
            f"a stretch of {show.far(report['longest_hole_km'])} of the route has no point with a height: it was taken "
            "as straight, and what is in it is not planned"
        )
    console.print(f"drive   {driven}; up to the peak in gear {report['hot_gear']} at {report['hot_rpm']} rpm")
    console.print(f"peak    {show.temp(report['peak_c'])} {unit} at {show.far(report['peak_at_km'])}")
    limit = display.temp(report["limit_c"])
    console.print(
        f"margin  {show.step(report['margin_c'])} {unit} to your limit of {limit:.0f} {unit}: "
        f"{KEPT[report['keeps_under_limit']]}"
    )
    console.print(
        f"stop    {display.temp(report['stop_c']):.0f} {unit}: {KEPT[report['keeps_under_stop']]}; "
        f"at the summit it may boil from {display.temp(report['boils_at_summit_c']):.0f} {unit} on"
    )
    if report["cannot_hold_speed_km"]:
        begin, end = (show.far(km) for km in report["cannot_hold_speed_km"])
        least = to_unit(report["least_speed_kmh"], SPEED, display.speed)
        where = "" if report["cannot_hold_throughout"] else "in parts "
        why = " (rpm limit in this gear)" if report["cannot_hold_for"] == "rpm limit" else ""
        console.print(
            f"speed   the engine cannot hold it {where}between {begin} and {end}: {least:.0f} {display.speed} left{why}"
        )
    if report["keeps_under_stop"] == "no":
        console.print(Text("do not drive it this way:", style="bold"), " the likely peak is past the stop", sep="")
    for finding in report["wrong"]:
        console.print(Text("wrong", style="bold"), f"   {finding}", sep="")


def _print_ways(report: dict[str, Any], show: _Shown) -> None:
    """What would help as a table, the gentlest that keeps the limit, and by name what would not help."""
    from rich.table import Table

    ways: Sequence[dict[str, Any]] = report["ways"]
    helping, vain, rest = _worth_a_row(ways)
    if helping:
        head = "what would make it cooler still" if report["keeps_under_limit"] == "yes" else "what would help"
        show.console.print(f"\n{head}, the gentlest first; in brackets the 80 % band")
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        for head in ("way", f"peak {show.unit}", f"cooler by {show.unit}", "min", "limit kept"):
            table.add_column(head, justify="right" if head == "min" else "left")
        for way in helping:
            speed = f"{to_unit(way['least_speed_kmh'], SPEED, show.display.speed):.0f} {show.display.speed}"
            kept = way["keeps_under_limit"] + ("" if way["holds_speed"] else f", {speed} left")
            longer = f"{way['minutes_longer']:+z.0f}"
            table.add_row(way["way"], show.temp(way["peak_c"]), show.step(way["cooler_c"]), longer, kept)
        sheet(width=max(show.console.width, WIDTH)).print(table)
    for names, words in ((vain, "no cooler than a gentler one"), (rest, "no help on this climb")):
        if names:
            sheet().print(f"{words}: {'; '.join(names)}")
    if report["keeps_under_limit"] != "yes":
        sheet().print(_gentlest(report))


def _worth_a_row(ways: Sequence[dict[str, Any]]) -> tuple[list[dict[str, Any]], list[str], list[str]]:
    """(ways for the table, names of those that a gentler one of their kind beats, names of those that do not help)."""
    helping: list[dict[str, Any]] = []
    vain, rest = [], []
    for way in ways:
        gentler = [other for other in helping if other["kind"] == way["kind"]]
        if way["cooler_c"]["likely"] < HELPS_FROM_K:
            rest.append(way["way"])
        elif any(_beats(other, way) for other in gentler):
            vain.append(way["way"])
        else:
            helping.append(way)
    return helping, vain, rest


def _beats(gentler: dict[str, Any], way: dict[str, Any]) -> bool:
    """Whether the gentler way is as cool, to a tenth, and keeps the limit as surely."""
    sure = list(KEPT).index  # yes, likely, no
    cool: bool = gentler["cooler_c"]["likely"] > way["cooler_c"]["likely"] - 0.05
    return cool and sure(gentler["keeps_under_limit"]) <= sure(way["keeps_under_limit"])


def _gentlest(report: dict[str, Any]) -> str:
    """What to do about a limit that is not surely kept, in one sentence."""
    likely, surely = report["gentlest"]["likely"], report["gentlest"]["yes"]
    if likely is None:
        coolest = min(report["ways"], key=lambda way: float(way["peak_c"]["likely"]))["way"]
        return (
            f"None of these keeps the limit; the coolest is: {coolest}. Wait for cooler air, carry less, or see what a "
            "part would buy (--with)."
        )
    if surely is not None and (surely == likely or report["keeps_under_limit"] == "likely"):
        return f"Gentlest that keeps the whole band under the limit: {surely}."
    so_far = "" if report["keeps_under_limit"] == "likely" else f"Gentlest that likely keeps the limit: {likely}. "
    sure = "none of these" if surely is None else surely
    return f"{so_far}With its whole band under the limit: {sure}."
