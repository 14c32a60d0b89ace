"""The drives on the disk: names that sort without a clock, appending that never breaks an earlier row, a bounded total.

One file a drive, `drive-000042.csv`, numbered by counting on from the greatest one there; a drive that saw a warning is
renamed to `drive-000042-warning.csv` and dropped last.  Every failure of the disk comes out as OSError; after a write
that failed half way the file is cut back to its last whole row.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Final

from livemon.outputs.files import sync_folder

_NAME: Final = re.compile(r"drive-(\d{6,})(-warning)?\.csv")
_MAX_TRIES: Final = 100
WARNING_MARK: Final = "-warning"


def drives(folder: Path) -> list[Path]:
    """The drives in `folder`, oldest first."""
    found = [(int(match[1]), path) for path in folder.iterdir() if (match := _NAME.fullmatch(path.name))]
    return [path for _, path in sorted(found)]


def prune(folder: Path, total_bytes: int, current: Path) -> list[Path]:
    """Drop the oldest drives until all together hold at most `total_bytes`; those with a warning go last.

    The current drive is never dropped.  Returns what was dropped.
    """
    sizes = {}
    for path in drives(folder):
        try:
            sizes[path] = path.stat().st_size
        except FileNotFoundError:  # removed by someone else in between
            continue
    excess = sum(sizes.values()) - total_bytes
    plain_first = sorted((p for p in sizes if p != current), key=lambda p: p.stem.endswith(WARNING_MARK))
    dropped = []
    for path in plain_first:
        if excess <= 0:
            break
        path.unlink(missing_ok=True)
        excess -= sizes[path]
        dropped.append(path)
    if dropped:
        sync_folder(folder)
    return dropped


class DriveFile:
    """One drive's file, open for appending, begun with `header`.  `write` and `sync` stand for the system calls."""

    def __init__(
        self,
        folder: Path,
        header: bytes,
        *,
        write: Callable[[int, bytes], int] = os.write,
        sync: Callable[[int], None] = os.fsync,
    ) -> None:
        self._write, self._sync = write, sync
        folder.mkdir(parents=True, exist_ok=True)
        self.size = 0
        self.path, self._handle = _create(folder)
        try:
            self.append(header)
            sync_folder(folder)
        except OSError:
            self.close(keep=False)
            raise

    def append(self, rows: bytes) -> None:
        """Append whole rows, or nothing: what a failure left behind is cut off again."""
        at = 0
        try:
            while at < len(rows):
                at += self._write(self._handle, rows[at:])
        except OSError:
            os.ftruncate(self._handle, self.size)
            raise
        self.size += len(rows)

    def sync(self) -> None:
        """Bring everything appended to the disk; OSError also when the file is no longer where it was."""
        self._sync(self._handle)
        here = os.fstat(self._handle)
        there = self.path.stat()
        if (here.st_ino, here.st_dev) != (there.st_ino, there.st_dev):
            raise FileNotFoundError(errno.ENOENT, "the recording was removed", str(self.path))

    def mark_warning(self) -> None:
        """Give the file the name of a drive that saw a warning."""
        if self.path.stem.endswith(WARNING_MARK):
            return
        marked = self.path.with_stem(self.path.stem + WARNING_MARK)
        os.rename(self.path, marked)
        self.path = marked
        sync_folder(self.path.parent)

    def close(self, *, keep: bool = True) -> None:
        """Close the file; one that holds nothing of use goes away (`keep` false)."""
        os.close(self._handle)
        if not keep:
            self.path.unlink(missing_ok=True)


def _create(folder: Path) -> tuple[Path, int]:
    numbers = [int(match[1]) for path in folder.iterdir() if (match := _NAME.fullmatch(path.name))]
    number = max(numbers, default=0)
    for _ in range(_MAX_TRIES):
        number += 1
        path = folder / f"drive-{number:06d}.csv"
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC
            return path, os.open(path, flags, 0o644)
        except FileExistsError:
            continue
    raise FileExistsError(errno.EEXIST, "no free name for a drive", str(folder))
