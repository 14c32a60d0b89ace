"""Records what the core consumed, for a place where power just stops.

The rows of a second are handed over as one batch at its tick: written then, brought to the disk at least each
`sync_s` and at every change of level.  A thread of its own does the writing, so that a slow card never delays the
monitor.  A failing disk is a `problem` to be shown; the recorder goes on trying, in a new file where it must.
Time is that of the events: it needs no clock.
"""

from __future__ import annotations

import errno
import os
import queue
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from livemon.core.events import Event, Sample
from livemon.core.outcome import Level, Outcome
from livemon.outputs.drive_files import DriveFile, prune
from livemon.wire.log_text import LogWriter

RETRY_MS: Final = 10_000
"""After a failure the disk is tried again this often."""
MAX_WAITING: Final = 120
"""Seconds of the drive that wait for a slow card; beyond it they are lost, and said to be."""
PRUNE_EACH_BYTES: Final = 1_000_000
_CLOCK_IS_TRUE: Final = Path("/run/systemd/timesync/synchronized")


@dataclass(frozen=True, slots=True)
class RecorderSettings:
    """Where and how much: `total_mb` of 10^6 bytes over all drives."""

    on: bool = True
    folder: str = "drives"
    total_mb: float = 2000.0
    sync_s: float = 5.0


@dataclass(frozen=True, slots=True)
class _Batch:
    """The rows of one second of the drive."""

    t_ms: int
    rows: str
    sync: bool
    warning: bool
    samples: bool


def system_utc() -> str:
    """Wall time as text, "" until the system says that its clock was set from a true source."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ") if _CLOCK_IS_TRUE.exists() else ""


class Recorder:
    """A sink for one drive.  `problem` is None while all is well, else one line for people."""

    def __init__(
        self,
        settings: RecorderSettings,
        metadata: Mapping[str, str],
        *,
        utc: Callable[[], str] = system_utc,
        background: bool = True,
        write: Callable[[int, bytes], int] = os.write,
        sync: Callable[[int], None] = os.fsync,
    ) -> None:
        self._settings = settings
        self._text = LogWriter()
        self._header = self._text.header(metadata)
        self._utc = utc
        self._rows: list[str] = []
        self._samples = False
        self._level = Level.UNKNOWN
        self._level_changed = False
        self._warned = False
        self._synced_ms: int | None = None
        self._t_ms = 0
        self._disk = _Disk(settings, self._header, write, sync)
        self._waiting: queue.Queue[_Batch | None] = queue.Queue(MAX_WAITING)
        self._lost_s = 0
        self._disk_problem: str | None = None
        self._thread: threading.Thread | None = None
        if background and settings.on:
            self._thread = threading.Thread(target=self._work, name="recorder", daemon=True)
            self._thread.start()

    @property
    def problem(self) -> str | None:
        slow = f"recording: the disk is too slow, {self._lost_s} s lost" if self._lost_s else None
        return self._disk_problem or slow

    @property
    def path(self) -> Path | None:
        """The file being written, once there is one."""
        return self._disk.path

    def event(self, event: Event) -> None:
        """An event about to be consumed; each second's first row carries the wall time where that is known."""
        self._t_ms = event.t_ms
        self._rows.append(self._text.row(event, "" if self._rows else self._utc()))
        self._samples = self._samples or (isinstance(event, Sample) and bool(event.readings))

    def outcome(self, outcome: Outcome) -> None:
        """A tick: the second is over."""
        self._level_changed = self._level_changed or outcome.level != self._level
        self._warned = self._warned or outcome.level == Level.WARNING
        self._level = outcome.level
        self._hand_over(outcome.t_ms)

    def close(self, patience_s: float = 3.0) -> None:
        """Write and sync what is left, wait at most `patience_s` for the disk."""
        self._level_changed = True  # the end of a drive is worth a sync
        self._hand_over(self._t_ms)
        if self._thread is None:
            self._disk.close()
            return
        try:
            self._waiting.put(None, timeout=patience_s)
        except queue.Full:
            return  # the disk hangs; the thread is a daemon and dies with the process
        self._thread.join(patience_s)

    def _hand_over(self, t_ms: int) -> None:
        if not self._settings.on:
            self._rows.clear()
            return
        since = t_ms if self._synced_ms is None else t_ms - self._synced_ms
        # One second early: the disk takes its time, and `sync_s` is a promise.
        due = self._level_changed or since + 1000 >= self._settings.sync_s * 1000
        batch = _Batch(t_ms, "".join(self._rows), due, self._warned, self._samples)
        self._rows.clear()
        if due:
            self._synced_ms, self._level_changed = t_ms, False
        if self._thread is None:
            self._disk_problem = self._disk.take(batch)
            return
        try:
            self._waiting.put_nowait(batch)
        except queue.Full:
            self._lost_s += 1

    def _work(self) -> None:
        while (batch := self._waiting.get()) is not None:
            try:
                self._disk_problem = self._disk.take(batch)
            except Exception as failure:  # our own fault; a thread that dies unheard would look like recording
                self._disk_problem = f"recording: {type(failure).__name__}: {failure}"
        self._disk.close()


class _Disk:
    """The side of the recorder that touches the disk; used by one thread only."""

    def __init__(
        self,
        settings: RecorderSettings,
        header: str,
        write: Callable[[int, bytes], int],
        sync: Callable[[int], None],
    ) -> None:
        self._folder = Path(settings.folder)
        self._total = int(settings.total_mb * 1e6)
        self._header = header.encode("utf-8", "replace")
        self._write, self._sync = write, sync
        self._file: DriveFile | None = None
        self._to_write: list[_Batch] = []
        self._to_sync: list[_Batch] = []
        self._lost_s = 0
        self._retry_ms: int | None = None
        self._problem: str | None = None
        self._samples = False
        self._pruned_at = 0

    @property
    def path(self) -> Path | None:
        return None if self._file is None else self._file.path

    def take(self, batch: _Batch) -> str | None:
        """Write one second; a failure keeps it for the next try.  Returns the problem, if any."""
        self._to_write.append(batch)
        if len(self._to_write) > MAX_WAITING:
            self._to_write.pop(0)
            self._lost_s += 1
        if self._retry_ms is None or batch.t_ms >= self._retry_ms:
            self._try(batch.t_ms)
        lost = f"{self._lost_s} s of this drive are not recorded" if self._lost_s else ""
        return "; ".join(filter(None, (self._problem, lost))) or None

    def close(self) -> None:
        """Close the drive; one without a single reading leaves no file."""
        if self._file is not None:
            self._file.close(keep=self._samples)
            self._file = None

    def _try(self, t_ms: int) -> None:
        try:
            self._put()
        except FileNotFoundError as failure:  # the recording or its folder was removed: begin again at the next second
            self._problem = f"recording: {failure.strerror} ({self._folder})"
            self._to_write = self._to_sync + self._to_write
            self._to_sync = []
            if self._file is not None:
                self._file.close()
                self._file = None
        except OSError as failure:
            self._problem = f"recording: {failure.strerror or failure} ({self.path or self._folder})"
            self._retry_ms = t_ms + RETRY_MS
        else:
            self._problem, self._retry_ms = None, None

    def _put(self) -> None:
        if self._file is None:
            self._file = DriveFile(self._folder, self._header, write=self._write, sync=self._sync)
            self._prune(self._file)
        file = self._file
        if file.size > self._total:
            raise OSError(errno.EFBIG, "this drive alone fills recorder.total")
        sync = False
        while self._to_write:
            batch = self._to_write[0]
            file.append(batch.rows.encode("utf-8", "replace"))
            self._to_sync.append(self._to_write.pop(0))
            self._samples = self._samples or batch.samples
            sync = sync or batch.sync
        if sync or len(self._to_sync) > MAX_WAITING:
            file.sync()
            warning = any(batch.warning for batch in self._to_sync)
            self._to_sync.clear()
            if warning:
                file.mark_warning()
            if file.size - self._pruned_at > PRUNE_EACH_BYTES:
                self._prune(file)

    def _prune(self, file: DriveFile) -> None:
        prune(self._folder, self._total, file.path)
        self._pruned_at = file.size
