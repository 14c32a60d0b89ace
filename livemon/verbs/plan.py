"""`livemon plan ROUTE`: the climb before the trip, what would keep it under the limit, and what a part would buy."""

from __future__ import annotations

import argparse
import json
import re
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from livemon.core.alert import default_stop_c
from livemon.core.coolant import BOILING_BAND_C
from livemon.core.planned import PlanSettings
from livemon.core.units import LENGTH, SPEED, TEMPERATURE, Display, Kind, parse, to_unit
from livemon.core.vehicle import PARTS, VehicleProfile
from livemon.errors import SetupError
from livemon.readers.route_file import read_route
from livemon.study.plan import Plan, Way, Weather, plan, plan_each
from livemon.study.remedies import burden, remedies
from livemon.verbs import common
from livemon.verbs.check import boiling_findings
from livemon.verbs.plan_report import as_json, print_report

SCOUT_STEPS: Final = 300
"""A first look at where the peak comes, to know which other ways are worth planning."""
SPEEDS_KMH: Final = (10.0, 200.0)
AIR_C: Final = (-50.0, 60.0)
WIND_KMH: Final = (-100.0, 100.0)
LONGEST_STOP_S: Final = 7_200.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument("route", metavar="ROUTE", type=Path, help="GPX, or a table (CSV) of distance and height")
    common.add_common(parser, route=False)
    parser.add_argument("--outside-top", metavar="TEMP", help="outside air at the highest point; else 6.5 C per km")
    parser.add_argument("--headwind", metavar="SPEED", help="wind against the vehicle; with a minus sign from behind")
    parser.add_argument(
        "--speed", metavar="SPEED", help="wished speed (default: 80 km/h, or what the settings say under plan)"
    )
    parser.add_argument("--gear", type=int, metavar="N", help="no gear above N")
    parser.add_argument("--ac", metavar="WORDS", help="on, off, or 'off from 12 km' (default: off, or the settings)")
    parser.add_argument("--stop-at", metavar="WORDS", help="a stop with the engine idling, such as '10 min at 8 km'")
    parser.add_argument(
        "--with", dest="fitted", metavar="PART", action="append", default=[], help=f"what a part would buy: {_fitted()}"
    )
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw the plan as PNG or SVG (extra: plots)")


def _fitted() -> str:
    return ", ".join(name for name, part in PARTS.items() if part.fitted)


def run(args: argparse.Namespace) -> int:
    """Read, plan, print."""
    common.picture_room(args.picture)
    force = common.settle(args)
    core = force.core()
    if core.outside_c is None:
        raise SetupError("--outside", "the air temperature at the foot, such as --outside '36 C'", "none", "Type it.")
    usual = force.settings.of(PlanSettings)
    weather = Weather(
        core.outside_c,
        usual.outside_top_c
        if args.outside_top is None
        else _quantity(args.outside_top, "--outside-top", TEMPERATURE, AIR_C),
        0.0 if args.headwind is None else _quantity(args.headwind, "--headwind", SPEED, WIND_KMH),
    )
    profile = core.profile
    way = _way(args, usual, len(profile.body().gear_ratios))
    fitted = [(part, _with_part(profile, part)) for part in dict.fromkeys(args.fitted)]
    route = read_route(args.route)
    for option, at_m in (("--ac", way.ac_off_from_m), ("--stop-at", way.stop_at_m)):
        if at_m is not None and at_m > route.length_m:
            raise SetupError(option, f"a place on the route of {route.length_m / 1000.0:.1f} km", f"{at_m / 1e3:g} km")
    scout = plan(route, profile, weather, [way], SCOUT_STEPS)[0]
    others = remedies(way, scout, profile, force.display)
    wanted = [(profile, each) for each in (way, *others)] + [(changed, way) for _, changed in fitted]
    first, *rest = plan_each(route, weather, wanted)
    gentlest = sorted(rest[: len(others)], key=lambda other: burden(first, other))
    bought = list(zip((part for part, _ in fitted), rest[len(others) :], strict=True))
    boils = float(min(first.boil_c)) + BOILING_BAND_C[0]
    stop_c = core.stop_c if core.stop_c is not None else default_stop_c(core.limit_c, boils)
    wrong = boiling_findings(force, float(route.height_m.max()))
    most_rpm = float(profile.engine().rpm_limit)
    report = as_json(route, first, gentlest, bought, core.limit_c, stop_c, boils, most_rpm, wrong)
    if args.picture is not None:
        _draw(
            args.picture, f"{route.name}: {way_words(way, force.display)}", first, core.limit_c, stop_c, force.display
        )
    if args.json:
        print(json.dumps(report))
    else:
        print_report(report, way_words(way, force.display), force.display, remarks=not args.quiet)
    return 0


def way_words(way: Way, units: Display) -> str:
    """How it is driven, for the report and for the title of the picture."""
    speed = f"{to_unit(way.speed_kmh, SPEED, units.speed):.0f} {units.speed}"
    gear = "" if way.gear is None else f", gear {way.gear}"
    off = (
        ""
        if way.ac_off_from_m is None
        else f" until {to_unit(way.ac_off_from_m, LENGTH, units.distance):g} {units.distance}"
    )
    return f"{speed}{gear}, A/C {'on' if way.ac_on else 'off'}{off}"


def _draw(path: Path, title: str, first: Plan, limit_c: float, stop_c: float, units: Display) -> None:
    from livemon.outputs.charts import draw_plan  # matplotlib costs a second that a plan in words need not pay

    draw_plan(path, title, first, limit_c, stop_c, units)


def _with_part(profile: VehicleProfile, part: str) -> VehicleProfile:
    if part not in PARTS or not PARTS[part].fitted:
        near = get_close_matches(part, [name for name, p in PARTS.items() if p.fitted], n=1, cutoff=0.5)
        raise SetupError("--with", f"one of {_fitted()}", repr(part[:40]), f"Did you mean {near[0]}?" if near else "")
    return profile.with_parts(part)


def _quantity(text: str, option: str, kind: Kind, bounds: tuple[float, float]) -> float:
    try:
        value = parse(text, kind)
    except ValueError as wrong:
        raise SetupError(option, str(wrong), repr(text[:40])) from None
    low, high = bounds
    if not low <= value <= high:
        raise SetupError(option, f"{low:g} to {high:g} {kind.own}", repr(text[:40]))
    return value


def _way(args: argparse.Namespace, usual: PlanSettings, gears: int) -> Way:
    """The way of driving the options ask for; what they leave out is as the settings say."""
    speed = usual.speed_kmh if args.speed is None else _quantity(args.speed, "--speed", SPEED, SPEEDS_KMH)
    if args.gear is not None and not 1 <= args.gear <= gears:
        raise SetupError("--gear", f"1 to {gears}, the gears of this vehicle", str(args.gear))
    off_from = None
    words = ("on" if usual.ac else "off") if args.ac is None else args.ac.strip().lower()
    if match := re.fullmatch(r"off from (.+)", words):
        off_from = _quantity(match.group(1), "--ac", LENGTH, (0.0, 1e7))
    elif words not in ("on", "off"):
        raise SetupError("--ac", "on, off, or 'off from 12 km'", repr(args.ac[:40]))
    gear = args.gear if args.gear is not None else min(usual.gear, gears) or None
    way = Way("as wished", speed, gear, words != "off", off_from)
    return way if args.stop_at is None else _with_stop(way, args.stop_at)


def _with_stop(way: Way, words: str) -> Way:
    found = re.fullmatch(r"(\d+(?:\.\d+)?) ?min at (.+)", words.strip())
    if found is None:
        raise SetupError("--stop-at", "minutes and place, such as '10 min at 8 km'", repr(words[:40]))
    seconds, at_m = 60.0 * float(found.group(1)), _quantity(found.group(2), "--stop-at", LENGTH, (0.0, 1e7))
    if not 0.0 < seconds <= LONGEST_STOP_S:
        raise SetupError("--stop-at", f"up to {LONGEST_STOP_S / 60.0:.0f} min", repr(words[:40]))
    return replace(way, stop_at_m=at_m, stop_s=seconds)
