"""`livemon review LOG...`: what happened on a drive, in words, as JSON, and as a page with pictures.

Each log goes through the pipeline that ran live, second by second and in one pass, so levels, advice and forecasts are
those of the live run; several logs are taken side by side in worker processes.  `--scrub` writes a copy to share,
`--sensor-check` holds the coolant sensor against a thermometer.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from livemon.core import pipeline
from livemon.core.events import Event, Sample, Tick, corrected
from livemon.core.grid import on_grid
from livemon.core.needle import Needle
from livemon.core.outcome import Outcome
from livemon.core.pipeline import CoreSettings
from livemon.core.units import Display
from livemon.core.vehicle import VehicleProfile
from livemon.errors import LivemonError, NoDataError, SetupError, printable
from livemon.files import yaml_lines
from livemon.outputs.charts import needs_plots
from livemon.outputs.review_page import Picture, page
from livemon.outputs.summary import Tally
from livemon.readers.log_file import LogFile
from livemon.study.disbelief import LEAST_S
from livemon.study.recording import Drive, from_events
from livemon.study.review import Keeper
from livemon.study.scrub import Keep
from livemon.study.sensor_check import SensorCheck, check, read_pairs
from livemon.verbs import side_by_side
from livemon.verbs.common import add_common, settle
from livemon.verbs.recordings import Unread, no_coolant, none_left, once, read_drives, short_names, unread
from livemon.verbs.replay import open_recording
from livemon.verbs.review_report import Reviewed, report
from livemon.verbs.review_scrub import scrub
from livemon.verbs.review_short import HEADING, short_lines, short_tree
from livemon.verbs.review_text import sensor_text, tell
from livemon.verbs.workers import usual, workers

MOST_PICTURES: Final = 4
MOST_TOGETHER: Final = 100
"""So many drives are kept to be looked at together: less than a megabyte each, for ten hours."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument("logs", nargs="*", type=Path, metavar="LOG", help="a drive in the log form, or a bus capture")
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="write a page (HTML) and its pictures (PNG) there (extra: plots)"
    )
    parser.add_argument(
        "--readings-only", action="store_true", help="much faster: no levels, forecasts, actions, nothing is doubted"
    )
    parser.add_argument(
        "--scrub", type=Path, metavar="FILE", help="write a copy of one log without position, identity and clock time"
    )
    parser.add_argument("--keep-notes", action="store_true", help="the copy keeps the free text of notes")
    parser.add_argument("--drop-height", action="store_true", help="the copy loses its heights, and with it some truth")
    parser.add_argument(
        "--sensor-check", type=Path, metavar="FILE", help="CSV of sensor_c,thermometer_c pairs: is the sensor right?"
    )
    parser.add_argument(
        "--sound",
        nargs="+",
        type=Path,
        metavar="LOG",
        default=[],
        help="drives of the same vehicle when nothing was wrong: what is short is told against them",
    )
    add_common(parser)


def run(args: argparse.Namespace) -> int:
    """Whatever was asked: check, copy, review."""
    if not args.logs and args.sensor_check is None:
        raise SetupError("review", "at least one LOG, or --sensor-check FILE", "neither")
    args.logs = once(args.logs)
    asked = {path.resolve() for path in args.logs}
    twice = next((path for path in args.sound if path.resolve() in asked), None)
    if twice is not None:
        raise SetupError("--sound", "other logs than those to review", str(twice))
    args.sound = once(args.sound)
    if args.sound and args.readings_only:
        raise SetupError("--sound", "a whole review to set beside them", "--readings-only", "Leave one of the two away")
    if args.out is not None:
        needs_plots("--out")
    if args.sensor_check is not None:
        _check_sensor(args)
    if args.scrub is not None:
        return _scrub(args)
    names = short_names(args.logs)
    left_out: list[Unread] = []
    stems: dict[str, int] = {}
    together: list[tuple[Drive, VehicleProfile]] = []
    apart: list[str] = []
    for path, name, found in zip(args.logs, names, _reviewed(args, names), strict=True):
        if isinstance(found, LivemonError):
            if len(args.logs) == 1:
                raise found
            left_out.append(unread(name, path, found))
            continue
        one, display = found
        doubted_s = one.review.quality.untrusted_s
        if one.whole and doubted_s >= LEAST_S:
            apart.append(f"{name}: coolant sensor in doubt for {doubted_s / 60.0:.0f} min")
        elif one.whole and len(together) < MOST_TOGETHER:
            together.append((one.review.drive, one.profile))
        tree = report(one)
        written = () if args.out is None else _write(args.out, _stem(path, stems), one, tree, display)
        if args.json:
            print(json.dumps(tree))
        else:
            tell(tree, display, [str(p) for p in written])
    if args.logs and len(left_out) == len(args.logs):
        raise none_left("LOG", "at least one log to review", len(args.logs), left_out)
    for lost in left_out:
        print(f"livemon review: left out: {printable(str(lost))}", file=sys.stderr)
    for words in apart if len(args.logs) + len(args.sound) > 1 else ():
        print(f"livemon review: not in what drives tell together: {printable(words)}", file=sys.stderr)
    _tell_together(together, args.json, _sound(args, together[0][1]) if args.sound and together else ())
    return 0


def _sound(args: argparse.Namespace, profile: VehicleProfile) -> list[Drive]:
    """The drives of `--sound`; those that cannot be used are named and left out."""
    drives, lost = read_drives(args.sound, args, profile)
    if not drives:
        raise none_left("--sound", "at least one drive with coolant readings", len(args.sound), lost)
    for one in lost:
        print(f"livemon review: left out: {printable(str(one))}", file=sys.stderr)
    return drives


def _tell_together(drives: Sequence[tuple[Drive, VehicleProfile]], as_json: bool, sound: Sequence[Drive] = ()) -> None:
    """What several drives of one vehicle say together, or one beside sound ones; nothing where profiles differ."""
    if len(drives) + len(sound) < 2 or not drives:
        return
    if any(profile != drives[0][1] for _, profile in drives):
        if sound:
            print("livemon review: --sound was not used: the logs carry different vehicles; give one with --vehicle",
                  file=sys.stderr)  # fmt: skip
        return
    tree = short_tree([drive for drive, _ in drives], drives[0][1], sound)
    if tree is None:
        return
    if as_json:
        print(json.dumps({"together": {"vehicle": drives[0][1].name, "short": tree}}))
    else:
        by = f"{len(drives)} drives together" if len(drives) > 1 else "this drive"
        print("\n".join([f"{HEADING}, by {by}", *short_lines(tree)]))


def _check_sensor(args: argparse.Namespace) -> None:
    found: SensorCheck = check(*read_pairs(yaml_lines.read_text(args.sensor_check), str(args.sensor_check)))
    if args.json:
        tree = {
            "pairs": found.pairs,
            "offset_c": round(found.offset_c, 2),
            "low_c": round(found.low_c, 2),
            "high_c": round(found.high_c, 2),
            "spread_c": round(found.spread_c, 2),
            "agrees": found.agrees,
            "bent": found.bent,
        }
        print(json.dumps({"sensor_check": tree}))
    else:
        print(sensor_text(found, settle(args).display), end="")


def _scrub(args: argparse.Namespace) -> int:
    if len(args.logs) != 1:
        raise SetupError("--scrub", "exactly one LOG", f"{len(args.logs)}")
    done = scrub(args.logs[0], args.scrub, Keep(notes=args.keep_notes, height=not args.drop_height))
    if not args.quiet:
        print(f"livemon review: {args.scrub}: {done.rows} rows; {done.words}", file=sys.stderr)
    return 0


Found = tuple[Reviewed, Display] | LivemonError


def _reviewed(args: argparse.Namespace, names: Sequence[str]) -> Iterator[Found]:
    """Each log in the order given; more than one is taken side by side."""
    if len(args.logs) <= 1:
        yield from (review_log(path, args, name) for path, name in zip(args.logs, names, strict=True))
        return
    with workers(usual(len(args.logs))) as pool:
        yield from _shown(pool.map(review_log, args.logs, [args] * len(args.logs), names, chunksize=1), args)


def _shown(found: Iterator[Found], args: argparse.Namespace) -> Iterator[Found]:
    if args.quiet or not sys.stderr.isatty():
        yield from found
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(found, "reviewing", total=len(args.logs), console=Console(stderr=True), transient=True)


def review_log(path: Path, args: argparse.Namespace, name: str) -> Found:
    """One log through pipeline, tally and columns in a single pass; an error is handed back, not raised."""
    try:
        source = open_recording(path)
        header = source.metadata if isinstance(source, LogFile) else None
        in_force = settle(args, header, str(path))
        core = in_force.core()
        keeper, tally = Keeper(), Tally()
        whole = not args.readings_only
        passing = _through(on_grid(source.events()), core, keeper, tally, whole, alone=len(args.logs) == 1)
        drive = from_events(name, passing, in_force.profile, outside_c=core.outside_c, mass_kg=core.mass_kg)
        rows = source.rows if isinstance(source, LogFile) else drive.rows
        summary = tally.summary(rows, source.skipped)
        if summary.peak_c is None:
            raise NoDataError(f"{path}: {no_coolant(rows)}")
        unknown = source.unknown if isinstance(source, LogFile) else ()
        short = short_tree([drive], in_force.profile) if whole else None
        review = keeper.review(drive, in_force.settings.of(Needle))
        one = Reviewed(name, review, summary, in_force.profile, in_force.remarks, unknown, short, whole)
        return one, in_force.display
    except LivemonError as failure:
        return failure


Passing = Iterator[tuple[Event, Outcome | None]]


def _whole(events: Iterator[Event], core: CoreSettings, alone: bool) -> Passing:
    for event, told in (side_by_side if alone else pipeline).rerun(events, core):
        yield event, None if told is None else told.outcome


def _glanced(events: Iterator[Event], core: CoreSettings) -> Passing:
    state = pipeline.start(core)
    for event in events:
        state, said = pipeline.glance(state, event, core)
        yield event, said


def _through(
    events: Iterator[Event],
    core: CoreSettings,
    keeper: Keeper,
    tally: Tally,
    whole: bool = True,
    alone: bool = False,
) -> Iterator[Event]:
    """Keeps what is said while the events pass on to whoever asks for them, as the core saw them, ticks left out.

    A log that is `alone` may have a second process for itself.
    """
    passing = _whole(events, core, alone) if whole else _glanced(events, core)
    for event, said in passing:
        if said is not None:
            tally.outcome(said)
            keeper.outcome(said)
        if not isinstance(event, Tick):
            tally.event(event)
            yield corrected(event, core.sensor_offset_c) if isinstance(event, Sample) else event


def _stem(path: Path, taken: dict[str, int]) -> str:
    """Name of the page: that of the log; a number tells two logs of one name apart."""
    stem = path.name.removesuffix(".gz").removesuffix(".csv")
    stem = path.parent.name or stem if stem == "log" else stem
    taken[stem] = taken.get(stem, 0) + 1
    return stem if taken[stem] == 1 else f"{stem}-{taken[stem]}"


def _words(fan: bool, whole: bool) -> str:
    """What a picture shows, for those who see it and those who do not."""
    words = ["Coolant as read, against limit and stop."]
    if whole:
        words.append(
            "The shaded band is what was foreseen five minutes before each moment: the line should run inside it four "
            "times of five. The hatched strip tells the level; triangles are actions, by their numbers in the table."
        )
    if whole and fan:
        words.append("Dotted, each three minutes: the likely course over ten minutes as it was foreseen then.")
    words.append("Squares are notes, by number. Below: speed, height or grade, outside air.")
    return " ".join(words)


def _write(folder: Path, stem: str, one: Reviewed, tree: Mapping[str, Any], display: Display) -> tuple[Path, ...]:
    """The page and its pictures; a review of the same log replaces the one before."""
    from livemon.outputs.charts_review import Stretch, close_ups, draw_each

    end_s = float(one.review.drive.t_s[-1]) + 5.0
    wanted = [("The whole drive", Stretch(float(one.review.drive.t_s[0]), end_s, False))]
    wanted += [(f"Close-up: {title}", stretch) for title, stretch in close_ups(tree, end_s, MOST_PICTURES)]
    drawn = draw_each(one.review, tree, display, [stretch for _, stretch in wanted])
    pictures = [
        Picture(f"{stem}-{number}.png", title, _words(stretch.fan, one.whole), png)
        for number, ((title, stretch), png) in enumerate(zip(wanted, drawn, strict=True), 1)
    ]
    findings = [] if tree["short"] is None else [(HEADING, "\n".join(short_lines(tree["short"])))]
    target = folder / f"{stem}.html"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for picture in pictures:
            (folder / picture.name).write_bytes(picture.png)
        target.write_text(page(tree, pictures, display, findings), encoding="utf-8")
    except OSError as failure:
        raise SetupError(f"--out {folder}", "a folder that can be written", failure.strerror or str(failure)) from None
    return (target, *(folder / picture.name for picture in pictures))
