"""Files that survive a pulled plug: whole replacement in one step, and names that reach the disk.

After common practice for power loss: temporary file, fsync, rename, fsync of the folder.
"""

from __future__ import annotations

import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Bring created, renamed and removed names of `folder` to the disk."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_whole(path: Path, text: str) -> None:
    """Replace `path` by `text` so that at any moment either the old or the new content is there, whole."""
    beside = path.with_name(f".{path.name}.new")
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    try:
        with open(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(handle)
        os.replace(beside, path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)
