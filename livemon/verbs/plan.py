"""`livemon plan ROUTE`: the climb before the trip, what would keep it under the limit, and what a part would buy."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from livemon.core.alert import default_stop_c
from livemon.core.figures import Figure
from livemon.core.outcome import Band
from livemon.core.units import LENGTH, SPEED, TEMPERATURE, Display, parse, to_unit
from livemon.core.vehicle import PARTS, VehicleProfile
from livemon.errors import SetupError
from livemon.readers.route_file import read_route
from livemon.study.plan import Plan, Way, Weather, gain_c, plan, remedies
from livemon.verbs import common


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument("route", metavar="ROUTE", type=Path, help="GPX, or CSV of distance and height")
    common.add_common(parser, route=False, quiet=False)
    parser.add_argument("--outside-top", metavar="TEMP", help="outside air at the highest point; else 6.5 C per km")
    parser.add_argument("--speed", metavar="SPEED", default="80 km/h", help="wished speed (default: %(default)s)")
    parser.add_argument("--gear", type=int, metavar="N", help="no gear above N")
    parser.add_argument(
        "--ac", metavar="WORDS", default="off", help="on, off, or 'off from 12 km' (default: %(default)s)"
    )
    parser.add_argument(
        "--with", dest="fitted", metavar="PART", action="append", default=[], help=f"what a part would buy: {_fitted()}"
    )
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw the plan as PNG or SVG (extra: plots)")


def _fitted() -> str:
    return ", ".join(name for name, part in PARTS.items() if part.fitted)


def run(args: argparse.Namespace) -> int:
    """Read, plan, print."""
    force = common.settle(args)
    core = force.settings.core()
    outside = core.outside_c
    if outside is None:
        raise SetupError("--outside", "the air temperature at the foot, such as --outside '36 C'", "none", "Type it.")
    profile = _with_mass(force.profile, core.mass_kg)
    route = read_route(args.route)
    weather = Weather(outside, None if args.outside_top is None else _quantity(args.outside_top, "--outside-top"))
    way = _way(args, len(profile.body().gear_ratios))
    for part in args.fitted:
        if part not in PARTS or not PARTS[part].fitted:
            raise SetupError("--with", f"one of {_fitted()}", repr(part))
    first = plan(route, profile, weather, [way])[0]
    others = plan(route, profile, weather, remedies(way, first))
    bought = [(part, plan(route, profile.with_parts(part), weather, [way])[0]) for part in args.fitted]
    boil = float(min(first.boil_c))
    stop = core.stop_c if core.stop_c is not None else default_stop_c(core.limit_c, boil)
    report = _report(route.name, first, others, bought, core.limit_c, stop, boil)
    if args.json:
        print(json.dumps(report))
    else:
        _print(report, first, force.display, route.spikes)
    if args.picture is not None:
        from livemon.outputs.charts import draw_plan

        draw_plan(args.picture, route.name, first, core.limit_c, stop)
    return 0


def _with_mass(profile: VehicleProfile, mass_kg: float | None) -> VehicleProfile:
    """The profile with the mass of today in place of the usual one."""
    if mass_kg is None:
        return profile
    figures = {**profile.typed, "mass_kg": Figure(mass_kg, 0.02 * mass_kg, "mass in force")}
    return replace(profile, typed=figures)


def _quantity(text: str, option: str) -> float:
    try:
        return parse(text, TEMPERATURE)
    except ValueError as wrong:
        raise SetupError(option, str(wrong), repr(text)) from None


def _way(args: argparse.Namespace, gears: int) -> Way:
    try:
        speed = parse(args.speed, SPEED)
    except ValueError as wrong:
        raise SetupError("--speed", str(wrong), repr(args.speed)) from None
    if not 10.0 <= speed <= 200.0:
        raise SetupError("--speed", "10 to 200 km/h", args.speed)
    if args.gear is not None and not 1 <= args.gear <= gears:
        raise SetupError("--gear", f"1 to {gears}, the gears of this vehicle", str(args.gear))
    off_from = None
    words = args.ac.strip().lower()
    if match := re.fullmatch(r"off from (.+)", words):
        try:
            off_from = parse(match.group(1), LENGTH)
        except ValueError as wrong:
            raise SetupError("--ac", str(wrong), repr(args.ac)) from None
    elif words not in ("on", "off"):
        raise SetupError("--ac", "on, off, or 'off from 12 km'", repr(args.ac))
    return Way("as wished", speed, args.gear, words != "off", off_from)


def _band(band: Band) -> dict[str, float | None]:
    return {name: None if v is None else round(v, 1) for name, v in _sides(band)}


def _sides(band: Band) -> tuple[tuple[str, float | None], ...]:
    return ("low", band.low), ("likely", band.likely), ("high", band.high)


def _report(
    name: str,
    first: Plan,
    others: Sequence[Plan],
    bought: Sequence[tuple[str, Plan]],
    limit_c: float,
    stop_c: float,
    boil_c: float,
) -> dict[str, Any]:
    """Everything the verb says, SI units; printed as JSON or as tables."""
    held = [bool(h) for h in first.holds]
    slow = [k for k, h in enumerate(held) if not h]
    return {
        "route": name,
        "length_km": round(float(first.distance_m[-1]) / 1000.0, 2),
        "rise_m": round(float(first.height_m.max() - first.height_m[0]), 0),
        "steepest_pct": round(float(first.grade_pct.max()), 1),
        "minutes": round(float(first.time_s[-1]) / 60.0, 1),
        "limit_c": limit_c,
        "stop_c": round(stop_c, 1),
        "boils_at_summit_c": round(boil_c, 1),
        "peak_c": _band(first.peak_c),
        "peak_at_km": round(first.peak_at_m / 1000.0, 2),
        "margin_c": _band(first.margin_c(limit_c)),
        "boil_margin_c": round(first.boil_margin_c(), 1),
        "cannot_hold_speed_km": [round(float(first.distance_m[k]) / 1000.0, 2) for k in (slow[0], slow[-1])]
        if slow
        else None,
        "least_speed_kmh": round(float(first.speed_kmh.min()), 0),
        "ways": [_way_report(first, other, limit_c) for other in others],
        "parts": [
            {"part": part, "words": PARTS[part].words, "cooler_c": _band(gain_c(first, p)), "peak_c": _band(p.peak_c)}
            for part, p in bought
        ],
    }


def _way_report(first: Plan, other: Plan, limit_c: float) -> dict[str, Any]:
    high, likely = other.peak_c.high or 0.0, other.peak_c.likely or 0.0
    return {
        "way": other.way.name,
        "peak_c": _band(other.peak_c),
        "cooler_c": _band(gain_c(first, other)),
        "minutes_longer": round(float(other.time_s[-1] - first.time_s[-1]) / 60.0, 1),
        "keeps_under_limit": "surely" if high < limit_c else "likely" if likely < limit_c else "no",
        "holds_speed": bool(other.holds.all()),
    }


def _print(report: dict[str, Any], first: Plan, display: Display, spikes: int) -> None:
    from rich.console import Console
    from rich.table import Table

    def temp(band: dict[str, float], step: bool = False) -> str:
        turn = display.step if step else display.temp
        return f"{turn(band['likely']):.0f} ({turn(band['low']):.0f} to {turn(band['high']):.0f})"

    def far(km: float) -> str:
        return f"{to_unit(1000.0 * km, LENGTH, display.distance):.1f} {display.distance}"

    console, unit = Console(), display.temperature
    console.print(
        f"[bold]{report['route']}[/bold]: {far(report['length_km'])}, rise "
        f"{to_unit(report['rise_m'], LENGTH, display.length):.0f} {display.length}, "
        f"steepest {report['steepest_pct']} %, {report['minutes']:.0f} min"
    )
    if spikes:
        console.print(f"{spikes} points of the route could not be true and were bridged")
    margin, limit = report["margin_c"], display.temp(report["limit_c"])
    console.print(
        f"peak {temp(report['peak_c'])} {unit} at {far(report['peak_at_km'])}; margin to the limit of {limit:.0f} "
        f"{unit}: {temp(margin, step=True)}"
    )
    console.print(
        f"stop {display.temp(report['stop_c']):.0f} {unit}; boils at the summit at "
        f"{display.temp(report['boils_at_summit_c']):.0f} {unit} "
        f"(up to {display.step(2.5):.1f} lower with real coolant)"
    )
    if report["stop_c"] > report["boils_at_summit_c"]:
        console.print("[bold]stop lies above boiling at the summit: type a lower stop[/bold]")
    if report["cannot_hold_speed_km"]:
        begin, end = report["cannot_hold_speed_km"]
        least = to_unit(report["least_speed_kmh"], SPEED, display.speed)
        console.print(
            f"cannot hold the wished speed between {far(begin)} and {far(end)}: down to {least:.0f} {display.speed}"
        )
    helping = [way for way in report["ways"] if way["cooler_c"]["likely"] > 0.2]
    table = Table(title="what would help, the gentlest first", title_justify="left", box=None, pad_edge=False)
    for head in ("way", f"peak {unit}", f"cooler {unit}", "min", "under the limit"):
        table.add_column(head, no_wrap=head != "way")
    for way in helping:
        slow = "" if way["holds_speed"] else ", speed falls"
        longer = f"{way['minutes_longer']:+.0f}"
        table.add_row(
            way["way"], temp(way["peak_c"]), temp(way["cooler_c"], True), longer, way["keeps_under_limit"] + slow
        )
    console.print(table)
    rest = [way["way"] for way in report["ways"] if way not in helping]
    if rest:
        console.print(f"no help on this climb: {'; '.join(rest)}")
    for part in report["parts"]:
        console.print(
            f"{part['words']}: cooler by {temp(part['cooler_c'], True)} {unit}, peak {temp(part['peak_c'])} {unit}"
        )
    console.print(
        "Estimates with 80 % bands. The worse of gauge and tool counts; a warning lamp always wins.", style="dim"
    )
