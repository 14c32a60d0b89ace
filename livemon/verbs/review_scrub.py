"""`livemon review LOG --scrub FILE`: writes a copy of one log without position, identity and times of day.

The header is built anew from what it is known to hold; whatever else stood there is left behind.  Nothing that exists
is written over, so least of all the log itself.
"""

from __future__ import annotations

import gzip
import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from livemon import __version__, settings
from livemon.core.events import Sample
from livemon.errors import SetupError
from livemon.files import vehicle_file
from livemon.readers.log_file import LogFile
from livemon.study.scrub import POSITION, Keep, anonymous, scrubbed
from livemon.wire.log_text import LogWriter


@dataclass(frozen=True, slots=True)
class Scrubbed:
    """What was written, and whether the original used what is gone."""

    rows: int
    positions: int
    route: bool

    @property
    def words(self) -> str:
        """What the copy may lack."""
        if self.route and self.positions:
            return "the original had a route: levels that the road ahead raised may differ in the copy"
        return "replays to the same levels as the original, except where its position told that its height was frozen"


def scrub(source: Path, target: Path, keep: Keep) -> Scrubbed:
    """Copy `source`; SetupError where `target` exists or cannot be written."""
    log = LogFile(source)
    rows = positions = 0
    writer = LogWriter()
    try:
        header = _header(log)
        with _new(target) as file:
            file.write(writer.header(header))
            for event in log.events():
                if isinstance(event, Sample):
                    positions += any(name in POSITION for name, _ in event.readings)
                text = writer.row(scrubbed(event, keep))
                file.write(text)
                rows += bool(text)
    finally:
        log.close()
    return Scrubbed(rows, positions, "route" in log.metadata)


def _header(log: LogFile) -> dict[str, str]:
    """Settings and vehicle as far as they are known, in their own words; name, route and everything else is gone."""
    lines = {"livemon": __version__}
    if "settings" in log.metadata:
        layer, _ = settings.from_header(log.metadata["settings"], str(log.path))
        lines["settings"] = settings.settle(layer).for_log()
    if "vehicle" in log.metadata:
        profile = vehicle_file.from_header(log.metadata["vehicle"], str(log.path))
        lines["vehicle"] = vehicle_file.to_header(anonymous(profile))
    return lines


@contextmanager
def _new(target: Path) -> Iterator[IO[str]]:
    """A new text file, packed where its name says so, without name or time of day inside; removed if it fails."""
    try:
        raw = target.open("xb")
    except FileExistsError:
        raise SetupError(f"--scrub {target}", "a file that is not there yet", "one that exists") from None
    except OSError as failure:
        raise SetupError(f"--scrub {target}", "a file that can be written", failure.strerror or str(failure)) from None
    packed = gzip.GzipFile("", "wb", fileobj=raw, mtime=0) if target.suffix == ".gz" else None
    try:
        with raw, packed or raw as into, io.TextIOWrapper(into, encoding="utf-8", newline="\n") as text:
            yield text
    except BaseException as failure:
        target.unlink(missing_ok=True)
        if isinstance(failure, OSError):
            words = failure.strerror or str(failure)
            raise SetupError(f"--scrub {target}", "room to write the copy", words) from None
        raise
