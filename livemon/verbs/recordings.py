"""Logs as drives in columns: opened, read and boiled down in worker processes, in the order they were given.

Each log brings its own outside air and mass in its header; the command line wins.  Memory is bounded: a worker keeps
one drive, the parent keeps columns of five seconds.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np

from livemon.core.events import Sample, corrected
from livemon.core.vehicle import VehicleProfile
from livemon.errors import LivemonError, NoDataError, SetupError
from livemon.readers.log_file import LogFile
from livemon.study.disbelief import Watch
from livemon.study.recording import Drive, from_events
from livemon.verbs.common import settle
from livemon.verbs.replay import open_recording
from livemon.verbs.workers import usual, workers

FEW: Final = 3
"""Up to so many logs are read in this process: workers cost more than they save."""
MOST_REASONS: Final = 5


@dataclass(frozen=True, slots=True)
class Unread:
    """A log that was left out; `reason` without the path, which `name` tells."""

    name: str
    reason: str
    exit_status: int

    def __str__(self) -> str:
        return f"{self.name}: {self.reason}"


def unread(name: str, path: Path, failure: LivemonError) -> Unread:
    """`failure` of one log, as it stands in a list of several."""
    return Unread(name, str(failure).removeprefix(str(path)).lstrip(":, "), failure.exit_status)


def no_coolant(count: int, of: str = "rows") -> str:
    """Why a log that can be read is of no use."""
    return (
        f"expected coolant readings that can be believed, found none in {count} {of}. Was the vehicle asked for PID 05?"
    )


def none_left(where: str, expected: str, count: int, left_out: Sequence[Unread], todo: str = "") -> LivemonError:
    """The error of a verb that has no log left; status 2 where one could not be read, 1 where all were of no use."""
    reasons = [str(one) for one in left_out[:MOST_REASONS]]
    if len(left_out) > MOST_REASONS:
        reasons.append(f"and {len(left_out) - MOST_REASONS} more")
    found = f"none in {count} log{'s' if count != 1 else ''}"
    error = SetupError(where, expected, found, " ".join(filter(None, ("; ".join(reasons), todo))))
    return error if any(one.exit_status == error.exit_status for one in left_out) else NoDataError(str(error))


def read_drives(
    paths: Sequence[Path], args: argparse.Namespace, profile: VehicleProfile, names: Sequence[str] = ()
) -> tuple[list[Drive], list[Unread]]:
    """Drives of `paths` in that order, and the logs that cannot be read, hold no coolant or none to be believed.

    `names` are for logs that must be told apart from others than `paths`.
    """
    drives: list[Drive] = []
    failed: list[Unread] = []
    names = names or short_names(paths)
    one = partial(_read, profile=profile, outside=args.outside, mass=args.mass, settings_file=args.settings)
    for found in _progress(_each(one, paths, names), len(paths), args.quiet):
        if isinstance(found, Unread):
            failed.append(found)
        else:
            drives.append(found)
    return drives, failed


def once(paths: Sequence[Path]) -> list[Path]:
    """Each file once, in the order given: a drive that was named twice is not two drives."""
    kept: dict[Path, Path] = {}
    for path in paths:
        kept.setdefault(path.resolve(), path)
    return list(kept.values())


def short_names(paths: Sequence[Path]) -> list[str]:
    """The shortest ends of the paths that tell them apart."""
    depth = 1
    while depth < 8 and len({p.parts[-depth:] for p in paths}) < len({p.parts for p in paths}):
        depth += 1
    return ["/".join(p.parts[-depth:]) for p in paths]


def _each(one: Callable[[Path, str], Drive | Unread], paths: Sequence[Path], names: Sequence[str]) -> Iterator[Any]:
    if len(paths) <= FEW:
        yield from map(one, paths, names)
        return
    with workers(usual(len(paths))) as pool:
        yield from pool.map(one, paths, names, chunksize=1)


def _read(
    path: Path,
    name: str,
    *,
    profile: VehicleProfile,
    outside: str | None,
    mass: str | None,
    settings_file: Path | None,
) -> Drive | Unread:
    """One log as a drive, or why not."""
    try:
        source = open_recording(path)
        given = argparse.Namespace(
            settings=settings_file, vehicle=None, outside=outside, mass=mass, limit=None, stop=None, units=None,
            route_option=False,
        )  # fmt: skip
        header = source.metadata if isinstance(source, LogFile) else None
        core = settle(given, None if header is None else {"settings": header.get("settings", "{}")}, str(path)).core()
        core = replace(core, profile=profile)
        watch = Watch(core)
        passing = (corrected(e, core.sensor_offset_c) if isinstance(e, Sample) else e
                   for e in watch.over(source.events()))  # fmt: skip
        drive = from_events(name, passing, profile, outside_c=core.outside_c, mass_kg=core.mass_kg)
        if not np.isfinite(drive.coolant_c).any():
            raise NoDataError(f"{path}: {no_coolant(drive.rows)}")
        doubt = watch.settled(lambda: open_recording(path).events())
        if doubt is not None:
            raise NoDataError(f"{path}: {doubt}")
        return drive
    except LivemonError as failure:
        return unread(name, path, failure)


def _progress(found: Iterator[Any], count: int, quiet: bool) -> Iterator[Any]:
    if quiet or count <= FEW or not sys.stderr.isatty():
        yield from found
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(found, "reading", total=count, console=Console(stderr=True), transient=True)
