"""Logs as drives in columns: opened, read and boiled down in worker processes, in the order they were given.

Each log brings its own outside air and mass in its header; the command line wins.  Memory is bounded: a worker keeps
one drive, the parent keeps columns of five seconds.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, Final

from livemon.core.events import Sample, corrected
from livemon.core.vehicle import VehicleProfile
from livemon.errors import LivemonError
from livemon.readers.log_file import LogFile
from livemon.study.recording import Drive, from_events
from livemon.verbs.common import settle
from livemon.verbs.replay import open_recording

FEW: Final = 3
"""Up to so many logs are read in this process: workers cost more than they save."""


def read_drives(
    paths: Sequence[Path], args: argparse.Namespace, profile: VehicleProfile
) -> tuple[list[Drive], list[tuple[str, str]]]:
    """Drives of `paths` in that order, and (name, reason) of those that cannot be read."""
    drives: list[Drive] = []
    failed: list[tuple[str, str]] = []
    names = short_names(paths)
    one = partial(_read, profile=profile, outside=args.outside, mass=args.mass, settings_file=args.settings)
    for name, found in zip(names, _progress(_each(one, paths, names), len(paths), args.quiet), strict=True):
        if isinstance(found, str):
            failed.append((name, found))
        else:
            drives.append(found)
    return drives, failed


def short_names(paths: Sequence[Path]) -> list[str]:
    """The shortest ends of the paths that tell them apart."""
    depth = 1
    while depth < 8 and len({p.parts[-depth:] for p in paths}) < len({p.parts for p in paths}):
        depth += 1
    return ["/".join(p.parts[-depth:]) for p in paths]


def _each(one: Callable[[Path, str], Drive | str], paths: Sequence[Path], names: Sequence[str]) -> Iterator[Any]:
    if len(paths) <= FEW:
        yield from map(one, paths, names)
        return
    with ProcessPoolExecutor(max_workers=min(os.cpu_count() or 1, len(paths))) as pool:
        yield from pool.map(one, paths, names, chunksize=1)


def _read(
    path: Path,
    name: str,
    *,
    profile: VehicleProfile,
    outside: str | None,
    mass: str | None,
    settings_file: Path | None,
) -> Drive | str:
    """One log as a drive, or the reason why not, in words."""
    try:
        source = open_recording(path)
        given = argparse.Namespace(
            settings=settings_file, vehicle=None, outside=outside, mass=mass, limit=None, stop=None, units=None,
            route_option=False,
        )  # fmt: skip
        header = source.metadata if isinstance(source, LogFile) else None
        core = settle(given, None if header is None else {"settings": header.get("settings", "{}")}, str(path)).core()
        offset_c = core.sensor_offset_c
        events = (corrected(e, offset_c) if isinstance(e, Sample) else e for e in source.events())
        return from_events(name, events, profile, outside_c=core.outside_c, mass_kg=core.mass_kg)
    except LivemonError as failure:
        return str(failure)


def _progress(found: Iterator[Any], count: int, quiet: bool) -> Iterator[Any]:
    if quiet or count <= FEW or not sys.stderr.isatty():
        yield from found
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(found, "reading", total=count, console=Console(stderr=True), transient=True)
