"""`livemon compare --before LOG... --after LOG...`: did the change help, like for like, with an interval."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from typing import Any, Final

import numpy as np
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from livemon.core.planned import PlanSettings
from livemon.core.units import SPEED, in_words, to_unit
from livemon.errors import SetupError
from livemon.readers.route_file import read_route
from livemon.study.compare import LEAST_DRIVES, WORTH_SEEING, Change, Comparison, compare
from livemon.study.recording import Drive
from livemon.study.worth import Climb, Worth, hardest_climb, worth
from livemon.verbs import common
from livemon.verbs.recordings import Unread, none_left, read_drives, short_names

MOST_STATES: Final = 6


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    logs = {"nargs": "+", "type": Path, "metavar": "LOG"}
    parser.add_argument("--before", required=True, help="drives before the change", **logs)  # type: ignore[arg-type]  # one table for both options
    parser.add_argument(
        "--after",
        required=True,
        action="append",
        help="drives after it; again for a further change: every state is set against the one before and the first",
        **logs,  # type: ignore[arg-type]  # one table for both options
    )
    common.add_common(parser)
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw every drive as PNG or SVG (extra: plots)")


def run(args: argparse.Namespace) -> int:
    """Read, compare, tell."""
    common.picture_room(args.picture)
    groups: list[list[Path]] = [args.before, *args.after]
    if len(groups) > MOST_STATES:
        raise SetupError("--after", f"at most {MOST_STATES - 1} states after the first", str(len(groups) - 1))
    paths = [path for group in groups for path in group]
    files = [path.resolve() for path in paths]
    twice = sorted({str(path) for path, file in zip(paths, files, strict=True) if files.count(file) > 1})
    if twice:
        raise SetupError("--before, --after", "every log on one side only", twice[0])
    force = common.settle(args)
    states = ["before", "after"] if len(groups) == 2 else ["before", *(f"after {k}" for k in range(1, len(groups)))]
    names = iter(short_names(paths))
    drives: list[Drive] = []
    sides: list[int] = []
    failed: list[Unread] = []
    for state, group in enumerate(groups):
        found, lost = read_drives(group, args, force.profile, list(islice(names, len(group))))
        if not found:
            option = "--before" if state == 0 else "--after"
            raise none_left(option, "at least one drive to compare", len(group), lost)
        drives += found
        sides += [state] * len(found)
        failed += lost
    result = compare(drives, sides, force.profile, states)
    if result is None:
        raise none_left(
            "--before, --after", "drives hot enough to open the thermostat well", len(paths), failed,
            "Drive the same climb on a warm day, with the A/C declared and outside air read or typed.",
        )  # fmt: skip
    climb = _climb(args, drives, force)
    gains = _worths(result, climb, force.core().profile, force.core().limit_c)
    report = _report(result, drives, gains, failed)
    if args.json:
        print(json.dumps(report))
    else:
        _tell(result, drives, gains, failed, force)
    if args.picture is not None:
        from livemon.outputs.charts_compare import draw_compare

        rows = [(drives[f.drive].name, f.state, 100.0 * float(np.expm1(f.value)), 100.0 * f.variance**0.5)
                for f in result.figures if f.regime is None]  # fmt: skip
        draw_compare(args.picture, states, rows)
    return 0


def _climb(args: argparse.Namespace, drives: Sequence[Drive], force: common.InForce) -> Climb | None:
    """The road on which a change is worth something: the route as it is meant to be driven, or the hardest climb seen.

    What was not typed of the route is as it was driven: speed and air of that climb, else the middle air of the drives.
    """
    seen = hardest_climb(drives)
    if args.route is None:
        return seen
    plan = force.settings.of(PlanSettings)
    as_driven = seen is not None and force.settings.entries["plan.speed"].source == "default"
    air_c = force.core().outside_c
    if air_c is None:
        air_c = float(np.nanmedian(np.concatenate([d.air_c for d in drives]))) if seen is None else seen.air_c
    return Climb(read_route(args.route), air_c, seen.speed_kmh if seen and as_driven else plan.speed_kmh, plan.ac)


def _worths(result: Comparison, climb: Climb | None, profile: Any, limit_c: float) -> list[Worth | None]:
    return [
        None if climb is None or change.found is None else worth(climb, profile, change.found, limit_c, change.level)
        for change in result.overall
    ]


def _pct(change: Change) -> tuple[float, float, float] | None:
    """Likely, low, high [%]."""
    if change.found is None:
        return None
    low, high = change.found.interval(change.level)
    likely, bottom, top = (100.0 * float(np.expm1(v)) for v in (change.found.value, low, high))
    return likely, bottom, top


def _one(result: Comparison, change: Change) -> dict[str, Any]:
    pct = _pct(change)
    return {
        "from": result.states[change.before],
        "to": result.states[change.after],
        "regime": None if change.regime is None else change.regime.value,
        "ac_on": change.ac_on,
        "drives": list(change.drives),
        "minutes": [round(m, 1) for m in change.minutes],
        "shed_pct": None
        if pct is None
        else {k: round(v, 1) for k, v in zip(("likely", "low", "high"), pct, strict=True)},
        "level": round(change.level, 4),
        "shares": {regime.value: round(part, 3) for regime, part in change.shares},
        "verdict": change.verdict.value,
        "more_drives": change.more_drives,
    }


def _report(
    result: Comparison, drives: Sequence[Drive], gains: Sequence[Worth | None], failed: Sequence[Unread]
) -> dict[str, Any]:
    """Everything the verb says, SI units."""
    return {
        "overall": [
            _one(result, change) | {"worth": _worth(gain)} for change, gain in zip(result.overall, gains, strict=True)
        ],
        "regimes": [_one(result, change) for change in result.regimes],
        "drives": [
            {
                "name": drives[f.drive].name,
                "state": result.states[f.state],
                "regime": None if f.regime is None else f.regime.value,
                "shed_pct": round(100.0 * float(np.expm1(f.value)), 1),
                "spread_pct": round(100.0 * f.variance**0.5, 1),
                "minutes": round(f.minutes, 1),
                "peak_c": _peak(drives[f.drive]),
            }
            for f in result.figures
        ],
        "not_read": [{"name": one.name, "reason": one.reason} for one in failed],
    }


def _peak(drive: Drive) -> float | None:
    known = drive.coolant_c[np.isfinite(drive.coolant_c)]
    return round(float(known.max()), 1) if known.size else None


def _worth(gain: Worth | None) -> dict[str, Any] | None:
    if gain is None:
        return None
    cooler = gain.cooler_c
    return {
        "climb": gain.climb.route.name,
        "air_c": round(gain.climb.air_c, 1),
        "speed_kmh": round(gain.climb.speed_kmh, 0),
        "ac_on": gain.climb.ac_on,
        "peak_before_c": round(gain.before_c, 1),
        "peak_after_c": round(gain.after_c, 1),
        "cooler_c": {"low": _round(cooler.low), "likely": _round(cooler.likely), "high": _round(cooler.high)},
        "minutes_over_limit": [round(gain.minutes_over_before, 1), round(gain.minutes_over_after, 1)],
    }


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def _tell(
    result: Comparison,
    drives: Sequence[Drive],
    gains: Sequence[Worth | None],
    failed: Sequence[Unread],
    force: common.InForce,
) -> None:
    display = force.display
    air_from = " (as driven)" if force.core().outside_c is None else ""
    console = common.sheet()
    tables = _tables(result, console.width)
    for change, gain in zip(result.overall, gains, strict=True):
        named = Text(f"{result.states[change.before]} -> {result.states[change.after]}", style="bold")
        console.print(named, f": {_words(change)}", sep="")
        if change.found is not None and len(change.shares) > 1:
            shares = ", ".join(f"{regime.value} {100.0 * part:.0f} %" for regime, part in change.shares)
            console.print(_within(f"of which {shares}: by minutes, and by how well each is told"))
        if gain is not None:
            cool = gain.cooler_c
            low, likely, high = (display.step(v or 0.0) for v in (cool.low, cool.likely, cool.high))
            air, speed = display.temp(gain.climb.air_c), to_unit(gain.climb.speed_kmh, SPEED, display.speed)
            minutes = (f"{m:.0f}" if m >= 1.0 or m == 0.0 else f"{m:.1f}" for m in
                       (gain.minutes_over_before, gain.minutes_over_after))  # fmt: skip
            words = (
                f"worth on {gain.climb.route.name}, planned at {air:.0f} {display.temperature}{air_from}, "
                f"{speed:.0f} {display.speed}, A/C {'on' if gain.climb.ac_on else 'off'}: "
                f"peak {display.temp(gain.before_c):.0f} -> {display.temp(gain.after_c):.0f} {display.temperature}, "
                f"cooler by {likely:.1f} ({low:.1f} to {high:.1f}); minutes over the limit {' -> '.join(minutes)}"
            )
            console.print(_within(words))
        if table := tables.get((change.before, change.after)):
            console.print(_within(table))
    if any(gain is not None for gain in gains):
        console.print(
            "The first of each two peaks is that of the vehicle as its profile stands. To have it as it was driven: "
            "livemon learn with the drives before, then --vehicle with what that writes.",
            style="dim",
        )
    if len(result.overall) > 1:
        console.print(
            f"{len(result.overall)} comparisons: each interval holds with {100.0 * result.overall[0].level:.1f} % "
            "(Bonferroni), all of them together with 90 %."
        )
    used = {f.drive for f in result.figures}
    cool_ones = [drive.name for k, drive in enumerate(drives) if k not in used]
    if cool_ones:
        console.print(f"Never hot enough to tell (thermostat hardly open): {', '.join(cool_ones)}")
    for one in failed:
        console.print(f"Left out: {one.name}: {in_words(one.reason, display)}", soft_wrap=True)
    console.print(
        "Estimates. Work on a cooling system belongs with a qualified mechanic; the vehicle's manual comes first.",
        style="dim",
    )


INDENT: Final = 2
GAP: Final = 2
LEAST_REGIME: Final = 10


def _within(what: str | Table) -> Padding:
    """Under the heading of its change, wrapped lines too."""
    return Padding(what, (0, 0, 0, INDENT), expand=False)


def _tables(result: Comparison, width: int) -> dict[tuple[int, int], Table]:
    """The regimes of each change, all in columns of one width; where the room is short the interval is the verdict."""
    held = f"heat shed ({100.0 * result.overall[0].level:.3g} %)"  # one level for all
    heads = ("regime", "A/C", "drives", "minutes", held, "")
    rows: dict[tuple[int, int], list[tuple[str, ...]]] = {}
    for change in result.regimes:
        pct = _pct(change)
        row: tuple[str, ...] = (
            change.regime.value if change.regime else "all",
            {None: "any", True: "on", False: "off"}[change.ac_on],
            f"{change.drives[0]} / {change.drives[1]}",
            f"{change.minutes[0]:.0f} / {change.minutes[1]:.0f}",
            "too few" if pct is None else f"{pct[0]:+z.0f} % ({pct[1]:+z.0f} to {pct[2]:+z.0f})",
            "" if pct is None else change.verdict.value,
        )
        rows.setdefault((change.before, change.after), []).append(row)
    together = [heads, *(row for some in rows.values() for row in some)]
    wide = [max(map(len, column)) for column in zip(*together, strict=True)]
    shown = len(wide) if INDENT + sum(wide) + GAP * (len(wide) - 1) <= width else len(wide) - 1
    room = width - INDENT - sum(wide[1:shown]) - GAP * (shown - 1)
    tables = {}
    for pair, some in rows.items():
        tables[pair] = Table(box=None, pad_edge=False, padding=(0, GAP, 0, 0))
        for head, least in zip(heads[:shown], (min(wide[0], room), *wide[1:shown]), strict=True):
            # the regime alone may break, so that the columns of all tables stand under each other
            tables[pair].add_column(head, width=least if room >= LEAST_REGIME else None)
        for row in some:
            tables[pair].add_row(*row[:shown])
    return tables


def _words(change: Change) -> str:
    pct = _pct(change)
    if pct is None and min(change.drives) >= LEAST_DRIVES:
        return f"cannot tell yet: no regime was driven hot by at least {LEAST_DRIVES} drives on each side"
    if pct is None:
        return (
            f"cannot tell yet: {change.drives[0]} and {change.drives[1]} drives were hot enough, "
            f"at least {LEAST_DRIVES} on each side are needed"
        )
    likely, low, high = pct
    head = f"heat shed per degree {likely:+z.0f} % ({low:+z.0f} to {high:+z.0f} %)"
    if change.verdict.value != "cannot tell yet":
        return f"{change.verdict.value}: {head}"
    if change.more_drives == 0:
        return f"cannot tell yet: {head}; with these drives a change of {100.0 * WORTH_SEEING:.0f} % would have shown"
    more = "" if change.more_drives is None else f"; about {change.more_drives} more like these on each side would tell"
    return f"cannot tell yet: {head}{more}"
