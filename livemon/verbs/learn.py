"""`livemon learn LOG...`: fit the cooling of a vehicle to its drives, and write the learned part of its profile."""

from __future__ import annotations

import argparse
import json
import sys
from contextlib import closing
from pathlib import Path
from typing import Any, Final

from rich.table import Table

from livemon.core.figures import FIGURES, Figure
from livemon.core.units import TEMPERATURE, TEMPERATURE_STEP, Display, in_words
from livemon.core.vehicle import VehicleProfile
from livemon.errors import LivemonError, NoDataError, SetupError
from livemon.files import vehicle_file, yaml_lines
from livemon.files.vehicle_file import NAME_OF
from livemon.readers.log_file import LogFile, looks_like_log
from livemon.study.carries import AIR_C, COOLANT_C
from livemon.study.learn import Learned, Left, learn
from livemon.verbs import common
from livemon.verbs.recordings import Unread, none_left, once, read_drives
from livemon.wire.codes import marks_drive

SPOKEN: Final = ("open_c", "full_span_c", "electric_on_c", "clutch_on_c", "metal_kj_k", "sensor_lag_s")
"""Figures that mean something to an owner each by itself."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument("logs", nargs="+", type=Path, metavar="LOG", help="drives in the log form")
    common.add_common(parser, route=False)
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="write the vehicle profile with its learned part (may be --vehicle)"
    )
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw the errors as PNG or SVG (extra: plots)")


STARTS: Final = {"default": "the defaults", "log, header": "the vehicle in the first log's header"}
"""Where the figures were before the drives, for people; else the file."""


def run(args: argparse.Namespace) -> int:
    """Read, fit, tell, write."""
    common.picture_room(args.picture)
    if args.out is not None:
        common.room_for("--out", args.out, vehicle_file.load, "a vehicle file")
    args.logs = once(args.logs)
    in_force = common.settle(args, _header_with_vehicle(args), "log")
    drives, failed = read_drives(args.logs, args, in_force.profile)
    found = learn(drives, in_force.profile, marks_drive)
    unread = tuple(Left(one.name, one.reason) for one in failed)
    if not isinstance(found, Learned):
        unfit = [Unread(one.name, one.reason, NoDataError.exit_status) for one in found]
        raise none_left("LOG", "at least one drive to learn from", len(args.logs), [*failed, *unfit])
    if args.out is not None:
        common.write_result("--out", args.out, _file_text(args.vehicle, found.profile))
    if args.json:
        print(json.dumps(_report(found, unread)))
    else:
        _tell(found, unread, in_force.profile_source, args, in_force.display)
    if args.picture is not None:
        from livemon.outputs.charts_study import draw_errors

        names = [one.name for one in found.drives]
        draw_errors(args.picture, names, found.fit.stretches.drive, found.fit.residual_c)
    return 0


def _header_with_vehicle(args: argparse.Namespace) -> dict[str, str] | None:
    """The vehicle in the first log that carries a usable one, where no file was given."""
    if args.vehicle is not None:
        return None
    for path in filter(looks_like_log, args.logs):
        try:
            with closing(LogFile(path)) as log:
                header = log.metadata
        except LivemonError:
            continue  # told where the drives are read
        if "vehicle" not in header:
            continue
        try:
            vehicle_file.from_header(header["vehicle"], str(path))
        except LivemonError as failure:
            if not args.quiet:
                print(f"livemon learn: the vehicle is not taken from this log: {failure}", file=sys.stderr)
            continue
        return {"vehicle": header["vehicle"]}
    return None


def _file_text(path: Path | None, profile: VehicleProfile) -> str:
    """The vehicle file as its owner wrote it, with the learned block of `profile`."""
    if path is None:
        return vehicle_file.to_yaml(profile)
    text = vehicle_file.with_learned(yaml_lines.read_text(path), profile)
    again, _ = vehicle_file.from_block(yaml_lines.parse(text, str(path)))
    if again.typed.keys() != profile.typed.keys() or again.learned != profile.learned:
        raise SetupError(str(path), "a vehicle file whose `learned` block stands at its end", "another layout")
    return text


def _figure(figure: Figure) -> dict[str, Any]:
    return {"likely": round(figure.likely, 6), "spread": round(figure.spread, 6), "source": figure.source}


def _report(found: Learned, unread: tuple[Left, ...]) -> dict[str, Any]:
    """What was learned, SI units."""
    return {
        "drives": [
            {"name": d.name, "hours": round(d.hours, 3), "rms_c": _round(d.rms_c), "last_rms_c": _round(d.last_rms_c)}
            for d in found.drives
        ],
        "left_out": [{"name": one.name, "reason": one.reason} for one in (*unread, *found.left)],
        "hours": round(found.hours, 3),
        "rms_c": _round(found.rms_c),
        "figures": {
            row.name: {
                "before": _figure(row.before),
                "after": _figure(row.after),
                "low": round(row.low, 6),
                "high": round(row.high, 6),
                "told": row.told,
            }
            for row in found.rows
        },
        "carries_fuel_kw": {
            one.running.name: {
                "before": round(one.before, 2),
                "low": round(one.low, 2),
                "likely": round(one.likely, 2),
                "high": round(one.high, 2),
                "shown": one.shown,
            }
            for one in found.carries
        },
        "not_shown": list(found.not_shown),
        "settled": found.fit.settled,
    }


def _round(value: float) -> float | None:
    return round(value, 2) if value == value else None


def _spoken(name: str, value: float, display: Display, *, step: bool = False) -> str:
    """A figure as its owner reads it; `step`: a difference in it."""
    kind = FIGURES[name].kind
    if kind is TEMPERATURE or kind is TEMPERATURE_STEP:
        turn = display.step if step or kind is TEMPERATURE_STEP else display.temp
        return f"{turn(value):.1f} {display.temperature}"
    return f"{value:.3g}" if kind is None else f"{value:.3g} {kind.own}"


def _with_spread(name: str, figure: Figure, display: Display) -> str:
    return f"{_spoken(name, figure.likely, display)} +- {_spoken(name, figure.spread, display, step=True)}"


def _tell(found: Learned, unread: tuple[Left, ...], source: str, args: argparse.Namespace, display: Display) -> None:
    console = common.sheet()

    def say(words: str) -> None:
        console.print(in_words(words, display))

    count = len(found.drives)
    say(
        f"Learned from {count} drive{'s' if count != 1 else ''}, {found.hours:.1f} h, starting from "
        f"{STARTS.get(source, source)}. Free runs of eight minutes miss the coolant by "
        f"{found.rms_c:.1f} K (root mean square)."
    )
    say(f"Fuel power that the cooling carries with the coolant at {COOLANT_C:.0f} C in air of {AIR_C:.0f} C:")
    carried = Table("", "before", "learned", "90 % band", "", box=None, pad_edge=False)
    for way in found.carries:
        carried.add_row(
            in_words(way.running.words, display),
            *(f"{kw:.0f} kW" for kw in (way.before, way.likely)),
            f"{way.low:.0f} to {way.high:.0f} kW",
            "" if way.shown else "never driven so hot",
        )
    console.print(carried)
    table = Table("figure", "before", "learned", "90 % band", box=None, pad_edge=False)
    for row in found.rows:
        if row.told and row.name in SPOKEN:
            low, high = (_spoken(row.name, v, display) for v in (row.low, row.high))
            before, after = (_with_spread(row.name, figure, display) for figure in (row.before, row.after))
            table.add_row(NAME_OF[row.name], before, after, f"{low} to {high}")
    console.print(table)
    told = sum(row.told for row in found.rows)
    console.print(
        f"{told} of {len(found.rows)} figures were narrowed each by itself. Most say little alone; together they say "
        "what stands above, and together they are written. --out and --json have every one."
    )
    for words in found.not_shown:
        say(f"- {words}")
    for one in (*unread, *found.left):
        console.print(f"Left out: {one.name}: {in_words(one.reason, display)}", soft_wrap=True)
    if not found.fit.settled:
        console.print("The fit had not come to rest after its last round: take the bands as too narrow.")
    if args.out is not None:
        console.print(f"Written: {args.out}. `livemon watch --vehicle {args.out}` starts from it.")
    elif sys.stdout.isatty():
        console.print("Nothing was written; --out FILE writes the profile.")
    console.print("Estimates: a figure far from its default deserves a look by a qualified mechanic, not a conclusion.")
