"""A day and a night at speed with viewers coming and going: does anything grow?

    python -m tests.bench.long_watch [--hours 24] [--seed 1]

Made-up drives are laid end to end through the real loop, core, recorder, feed, sound and watchdog; viewers attach and
leave at random, some never read, some talk nonsense.  The wall clock is set back and forth by years all the while; a
second run with a steady one must record the same bytes but for `utc`.  Prints memory, handles and threads each hour.
"""

from __future__ import annotations

import argparse
import gc
import os
import random
import socket
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from livemon.core.events import Event, Mark
from livemon.core.grid import on_grid
from livemon.core.outcome import Outcome
from livemon.core.pipeline import CoreSettings
from livemon.outputs.attach import Attached
from livemon.outputs.cabin import Cabin, CabinSettings
from livemon.outputs.feed import FeedSettings
from livemon.outputs.recorder import Recorder, RecorderSettings
from livemon.outputs.sound import SoundSettings
from livemon.run import run
from livemon.sim.drive import run as drive
from livemon.sim.scenarios import SCENARIOS

HOUR_MS = 3_600_000
MOST_VIEWERS = 24
GROWTH_KB = 4_096
"""A day may not cost more than this after its second hour; the interpreter's own caches settle in the first."""


def endless(hours: float, seed: int) -> Iterator[Event]:
    """Made-up drives one after the other, times going on."""
    told = []
    for name in ("karga-pass", "orlo-jam", "karga-leak", "cold-morning"):
        scenario = SCENARIOS[name]
        drives = drive([scenario.build(seed)], scenario.seconds)
        told.append((scenario.seconds, list(drives.events(0))))
    base_ms, end_ms, number = 0, int(hours * HOUR_MS), 0
    while True:
        seconds, events = told[number % len(told)]
        for event in events:
            if base_ms + event.t_ms > end_ms:
                return
            yield replace(event, t_ms=base_ms + event.t_ms)
        base_ms += (seconds + 60) * 1000
        number += 1


class Crowd:
    """Viewers at random: some read, some never do, some send nonsense; each kind is counted."""

    def __init__(self, path: str, seed: int) -> None:
        self._path, self._dice = path, random.Random(seed)
        self._readers: list[Attached] = []
        self._deaf: list[socket.socket] = []
        self.attached = self.lines = self.nonsense = self.marks = 0

    def second(self) -> None:
        """One second of coming, looking and going."""
        dice = self._dice
        if dice.random() < 0.05 and len(self._readers) + len(self._deaf) < MOST_VIEWERS:
            self.attached += 1
            if dice.random() < 0.7:
                self._readers.append(Attached(self._path))
            else:
                self._connect()
        for viewer in self._readers:
            self.lines += len(viewer.wait(0))
            if dice.random() < 0.01:
                self.marks += viewer.declare(inputs={"ac_on": dice.random() < 0.5})
        if self._readers and dice.random() < 0.03:
            self._readers.pop(dice.randrange(len(self._readers))).detach()
        if self._deaf and dice.random() < 0.01:
            self._deaf.pop(dice.randrange(len(self._deaf))).close()

    def _connect(self) -> None:
        link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        link.setblocking(False)
        try:
            link.connect(self._path)
            if self._dice.random() < 0.3:
                self.nonsense += 1
                link.send(b"GET / HTTP/1.1\r\n\r\n" * 40)
        except OSError:
            link.close()
            return
        self._deaf.append(link)

    def leave(self) -> None:
        """Everybody goes."""
        for viewer in self._readers:
            viewer.detach()
        for link in self._deaf:
            link.close()
        self._readers, self._deaf = [], []


class Hourly:
    """A sink that lets the crowd act and takes the measure each hour."""

    def __init__(self, crowd: Crowd, said: Callable[[str], None]) -> None:
        self._crowd, self._said = crowd, said
        self.measures: list[tuple[int, int, int]] = []
        self.t_ms = 0
        self.handles_left = 0
        self.levels: set[str] = set()

    def event(self, event: Event) -> None:
        """Not needed here."""

    def outcome(self, outcome: Outcome) -> None:
        """One second."""
        self.t_ms = outcome.t_ms
        self.levels.add(outcome.level.word)
        self._crowd.second()
        if outcome.t_ms % HOUR_MS == 0:
            gc.collect()
            self.measures.append((resident_kb(), len(os.listdir("/proc/self/fd")), threading.active_count()))
            kb, handles, threads = self.measures[-1]
            self._said(f"{outcome.t_ms // HOUR_MS:>5} h  {kb:>7} KB  {handles:>4} handles  {threads:>3} threads")


def resident_kb() -> int:
    """Memory of this process now."""
    with open("/proc/self/statm", encoding="ascii") as told:
        return int(told.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") // 1024


def jumping_clock(seed: int) -> Callable[[], str]:
    """Wall time set back and forth by years, sometimes not known at all."""
    dice = random.Random(seed)
    return lambda: "" if dice.random() < 0.2 else f"{dice.randrange(1970, 2100)}-07-0{dice.randrange(1, 10)}T00:00:00Z"


def watch(
    folder: Path, hours: float, seed: int, utc: Callable[[], str], said: Callable[[str], None]
) -> tuple[Hourly, Crowd, bytes]:
    """Run the day; what was measured, who looked, and the recording without its `utc` column."""
    path = str(folder / "feed.sock")
    crowd = Crowd(path, seed)
    hourly = Hourly(crowd, said)
    recorder = Recorder(
        RecorderSettings(folder=str(folder / "drives")), {}, utc=utc, background=False, sync=lambda _: None
    )
    marks: list[Mark] = []

    def put(mark: Mark) -> None:
        marks.append(mark)
        del marks[:-100]

    settings = CabinSettings(feed=FeedSettings(path), sound=SoundSettings(way="none"))
    cabin = Cabin(settings, put, lambda: hourly.t_ms, {}, "made up", lambda: ("", recorder.problem is None))
    run(on_grid(endless(hours, seed)), CoreSettings(), [recorder, cabin, hourly])
    crowd.leave()
    for _ in range(3):  # the waiting ones come in, then the feed sees that everybody has gone
        cabin.poll()
    hourly.handles_left = len(os.listdir("/proc/self/fd"))
    cabin.close()
    recorder.close()
    assert cabin.notes == (), cabin.notes
    assert recorder.problem is None, recorder.problem
    (recording,) = (folder / "drives").glob("*.csv")
    lines = recording.read_bytes().split(b"\n")
    body = b"\n".join(without_utc(line) for line in lines if not line.startswith(b"#"))
    return hourly, crowd, body


def without_utc(line: bytes) -> bytes:
    """The row without its second cell."""
    cells = line.split(b",", 2)
    return cells[0] + b"," + cells[2] if len(cells) == 3 else line


def main() -> int:
    """Print the measures; 1 if anything grew or the clock moved anything."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as two:
        began_s = time.monotonic()
        hourly, crowd, jumped = watch(Path(one), args.hours, args.seed, jumping_clock(args.seed), print)
        took_s = time.monotonic() - began_s
        hours = min(args.hours, 1.0)
        _, _, steady = watch(Path(two), hours, args.seed, lambda: "2026-07-01T00:00:00Z", lambda _: None)
    first, last = hourly.measures[min(1, len(hourly.measures) - 1)], hourly.measures[-1]
    print(f"{args.hours} h in {took_s:.0f} s ({args.hours * 3600 / took_s:.0f} times real time), seed {args.seed}")
    print(f"{crowd.attached} viewers, {crowd.lines} lines read, {crowd.marks} marks, {crowd.nonsense} talked nonsense")
    print(
        f"from hour 2 on: {last[0] - first[0]:+d} KB, {last[2] - first[2]:+d} threads; "
        f"{hourly.handles_left} handles when all viewers had left, {hourly.measures[0][1]} at the start"
    )
    same = jumped.startswith(steady[: len(steady) - 200])
    print(f"recording but for utc: {'the same' if same else 'DIFFERENT'} under a clock that jumps by years")
    grew = last[0] - first[0] > GROWTH_KB or hourly.handles_left > hourly.measures[0][1] or last[2] > first[2]
    return 1 if grew or not same else 0


if __name__ == "__main__":
    raise SystemExit(main())
