"""`livemon tune LOG...`: many alert settings over recorded trips, lead time against false cautions.

One worker process a trip: the pipeline runs once a limit, the level table once a candidate (`study/sweep`); the choice
and whether the trips support it are `study/tune`.  Trips are taken in the order of their names, so that neither their
order nor the number of workers moves a byte.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import as_completed
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from livemon.core.alert import AlertSettings
from livemon.core.pipeline import CoreSettings
from livemon.core.units import DURATION, TEMPERATURE, parse
from livemon.errors import LivemonError, NoDataError, SetupError
from livemon.files.yaml_lines import Word
from livemon.readers.log_file import LogFile
from livemon.settings import from_file
from livemon.study import tune
from livemon.study.sweep import USUAL, Trip, candidates, score
from livemon.study.sweep import run as run_trip
from livemon.study.tune import Aim, Judged
from livemon.verbs.common import add_common, picture_room, room_for, settle, write_result
from livemon.verbs.recordings import Unread, no_coolant, none_left, once, unread
from livemon.verbs.replay import open_recording
from livemon.verbs.tune_report import SWEEPABLE, Told, draw
from livemon.verbs.workers import usual, workers

MOST_LIMITS: Final = 12
MOST_WORKERS: Final = 32


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument("logs", nargs="+", type=Path, metavar="LOG", help="a drive in the log form, or a bus capture")
    parser.add_argument(
        "--sweep",
        action="append",
        default=[],
        metavar="KEY=V,V",
        help="values of an alert key to try, such as hold='30 s,60 s'; again for further keys, all combinations are "
        f"tried; default: {', '.join(_name(field) for field in USUAL)}",
    )
    parser.add_argument("--limits", metavar="TEMP,TEMP", help="also tell what these limits would have meant")
    parser.add_argument(
        "--ahead", default="60 s", metavar="TIME", help="a crossing counts as warned so far ahead (default: 60 s)"
    )
    parser.add_argument(
        "--late-worth",
        type=float,
        default=5.0,
        metavar="N",
        help="one late warning weighs N false cautions (default 5)",
    )
    parser.add_argument("--workers", type=int, metavar="N", help="processes; default: one a processor core")
    parser.add_argument("--write", type=Path, metavar="FILE", help="write the recommended settings, for --settings")
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw the trade-off as PNG or SVG (extra: plots)")
    add_common(parser)


def _name(field: str) -> str:
    return next(key.name for key in SWEEPABLE.values() if key.field == field)


@dataclass(frozen=True, slots=True)
class Task:
    """One trip for one worker."""

    path: str
    core: CoreSettings
    settings: tuple[AlertSettings, ...]
    limits: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """What a worker hands back; `without` says why the trip was left out."""

    path: str
    judged: tuple[Judged, ...] = ()
    at_limits: tuple[Judged, ...] = ()
    without: Unread | None = None


def run(args: argparse.Namespace) -> int:
    """Settle, sweep, choose, tell."""
    picture_room(args.picture)
    if args.write is not None:
        room_for("--write", args.write, _only_alert, "a file of alert settings alone")
    aim = _aim(args)
    force = settle(args)
    base = force.settings.of(AlertSettings)
    sweep = _sweep(args.sweep)
    try:
        settings = candidates(base, sweep)
    except ValueError as wrong:
        raise SetupError("--sweep", "fewer values", str(wrong)) from None
    limits = _limits(args.limits)
    tasks: list[Task] = []
    found: list[Found] = []
    for path in once(sorted(args.logs, key=str)):
        try:
            tasks.append(_task(path, args, base, settings, limits))
        except LivemonError as failure:
            found.append(Found(str(path), without=unread(str(path), path, failure)))
    found += _work(tasks, _workers(args.workers, len(tasks)), not args.quiet and sys.stderr.isatty())
    judged = [j for f in found for j in f.judged]
    without = [f.without for f in found if f.without is not None]
    if not judged:
        raise none_left("LOG", "a trip with coolant readings", len(found), without)
    choice = tune.choose(judged, settings, aim)
    table = tune.rows(judged, aim)
    told = Told(aim, sweep, settings, judged, [f.at_limits for f in found], without, choice, table)
    if args.write is not None:
        write_result("--write", args.write, told.fragment())
    if args.picture is not None:
        draw(args.picture, told)
    if args.json:
        print(json.dumps(told.report()))
    else:
        told.print(force.display)
    return 0


def _only_alert(path: Path) -> None:
    """Refuses a file that would lose more than what is written in its place."""
    for key, word in from_file(path).items():
        if not key.startswith("alert."):
            raise SetupError(word.where, "a key under alert", key)


def _aim(args: argparse.Namespace) -> Aim:
    try:
        ahead_s = parse(args.ahead, DURATION)
    except ValueError as wrong:
        raise SetupError("--ahead", str(wrong), repr(args.ahead)) from None
    if not 1.0 <= ahead_s <= 900.0:
        raise SetupError("--ahead", "1 s to 15 min", repr(args.ahead))
    if not 0.0 <= args.late_worth <= 1000.0:
        raise SetupError("--late-worth", "0 to 1000", f"{args.late_worth:g}")
    return Aim(ahead_s, args.late_worth)


def _sweep(texts: Sequence[str]) -> dict[str, tuple[float, ...]]:
    """Field -> values, each read and held in its range by the key's own form."""
    if not texts:
        return dict(USUAL)
    found: dict[str, tuple[float, ...]] = {}
    for text in texts:
        name, _, values = text.partition("=")
        key = SWEEPABLE.get(name.strip().removeprefix("alert."))
        if key is None or not values.strip():
            raise SetupError("--sweep", f"KEY=VALUE,VALUE with a key of {', '.join(SWEEPABLE)}", repr(text[:60]))
        found[key.field] = tuple(key.read(Word(value.strip(), "--sweep")) for value in values.split(","))
    return found


def _limits(text: str | None) -> tuple[float, ...]:
    if text is None:
        return ()
    try:
        found = sorted({parse(word.strip(), TEMPERATURE) for word in text.split(",")})
    except ValueError as wrong:
        raise SetupError("--limits", f"{wrong}, with commas between", repr(text[:60])) from None
    if len(found) > MOST_LIMITS or not all(60.0 <= line <= 140.0 for line in found):
        raise SetupError("--limits", f"at most {MOST_LIMITS} of 60 C to 140 C", repr(text[:60]))
    return tuple(found)


def _task(
    path: Path,
    args: argparse.Namespace,
    base: AlertSettings,
    settings: tuple[AlertSettings, ...],
    limits: tuple[float, ...],
) -> Task:
    """Limit and vehicle as a replay would take them, alert settings those in force now."""
    source = open_recording(path)
    header = source.metadata if isinstance(source, LogFile) else None
    if isinstance(source, LogFile):
        source.close()
    core = replace(settle(args, header, str(path)).core(), alert=base)
    return Task(str(path), core, settings, limits)


def _workers(wanted: int | None, tasks: int) -> int:
    if wanted is not None and not 1 <= wanted <= MOST_WORKERS:
        raise SetupError("--workers", f"1 to {MOST_WORKERS}", str(wanted))
    return min(usual(tasks) if wanted is None else max(1, min(wanted, tasks)), MOST_WORKERS)


def _work(tasks: Sequence[Task], count: int, with_bar: bool) -> list[Found]:
    """Every task done, in the order of `tasks`."""
    with _bar(len(tasks), with_bar) as moved:
        if count <= 1:
            done = {}
            for task in tasks:
                done[task.path] = study(task)
                moved(task.path)
            return [done[task.path] for task in tasks]
        with workers(count, fresh=True) as pool:
            futures = {pool.submit(study, task): task.path for task in tasks}
            results = {}
            for future in as_completed(futures):
                results[futures[future]] = future.result()
                moved(futures[future])
        return [results[task.path] for task in tasks]


@contextmanager
def _bar(total: int, shown: bool) -> Iterator[Any]:
    """A bar on standard error that moves with every trip."""
    if not shown:
        yield lambda path: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("trips"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(
        *columns, TextColumn("{task.fields[last]}", markup=False), console=Console(stderr=True), transient=True
    ) as bar:
        task = bar.add_task("trips", total=total, last="")
        yield lambda path: bar.update(task, advance=1, last=Path(path).name)


def study(task: Task) -> Found:
    """One trip in one process: at the limit in force, at its stand-ins, and at the limits asked for."""
    try:
        first = _pass(task, task.core, task.settings)
    except LivemonError as failure:
        return Found(task.path, without=unread(task.path, Path(task.path), failure))
    if first.peak_c is None:
        return Found(
            task.path, without=Unread(task.path, no_coolant(first.reading_c.size, "seconds"), NoDataError.exit_status)
        )
    judged = [_judge(task, first, task.settings, False)]
    for limit_c in tune.stand_ins(first.reading_c, first.limit_c):
        lower = _pass(task, replace(task.core, limit_c=limit_c), task.settings)
        judged.append(_judge(task, lower, task.settings, True))
    base = task.settings[:1]
    asked = []
    for limit_c in task.limits:
        stop_c = task.core.stop_c
        core = replace(task.core, limit_c=limit_c, stop_c=None if stop_c is None else max(stop_c, limit_c))
        asked.append(_judge(task, _pass(task, core, base), base, True))
    return Found(task.path, tuple(judged), tuple(asked))


def _pass(task: Task, core: CoreSettings, settings: Sequence[AlertSettings]) -> Trip:
    return run_trip(open_recording(Path(task.path)).events(), core, settings)


def _judge(task: Task, trip: Trip, settings: Sequence[AlertSettings], stand_in: bool) -> Judged:
    scores = tuple(score(trip, k, s) for k, s in enumerate(settings))
    return Judged(task.path, trip.limit_c, stand_in, trip.peak_c, scores)
