"""How late the monitor's seconds come while the page and the socket are attacked, beside how late they come in peace.

    python -m tests.bench.attack [--seconds 40]

A live loop with ten samples a second, recorder, feed and phone page runs in real time; attackers in processes of their
own open 200 idle connections to each, flood requests, send oversized and nonsense ones, ask by wrong hosts and paths,
and read slowly or never.  Prints the lateness of the ticks, the time the loop spent in its outputs, and what came of
the attacks.  Lateness in peace is what this machine's other work costs: compare the two.
"""

from __future__ import annotations

import argparse
import http.client
import os
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from contextlib import suppress
from pathlib import Path

from livemon.core.events import Event, Link, Mark, Sample
from livemon.core.outcome import Outcome
from livemon.core.pipeline import CoreSettings
from livemon.outputs.cabin import Cabin, CabinSettings
from livemon.outputs.feed import FeedSettings
from livemon.outputs.page import PageSettings
from livemon.outputs.recorder import Recorder, RecorderSettings
from livemon.outputs.sound import SoundSettings
from livemon.readers.clock import MonotonicClock
from livemon.run import Live, run

IDLE = 200
ATTACKERS = 4
MOST_LATE_MS = 100.0


class Measure:
    """A pair of sinks around the others: how late each tick is, and how long the others took."""

    def __init__(self, clock: MonotonicClock) -> None:
        self._clock = clock
        self._began = 0.0
        self.late_ms: list[float] = []
        self.spent_ms: list[float] = []

    def event(self, event: Event) -> None:
        """Not needed here."""

    def outcome(self, outcome: Outcome) -> None:
        """First of the sinks: the tick is here."""
        self._began = time.perf_counter()
        self.late_ms.append(float(self._clock.now_ms() - outcome.t_ms))

    def last(self) -> Last:
        """The other end of the pair."""
        return Last(self)


class Last:
    """Last of the sinks: what the ones between have taken."""

    def __init__(self, first: Measure) -> None:
        self._first = first

    def event(self, event: Event) -> None:
        """Not needed here."""

    def outcome(self, outcome: Outcome) -> None:
        """The second is done."""
        self._first.spent_ms.append((time.perf_counter() - self._first._began) * 1000)


def attacker(port: int, path: str, seconds: float, seed: int) -> None:
    """One hostile process; prints what came of it."""
    os.nice(10)
    dice = random.Random(seed)
    seen: Counter[str] = Counter()
    held: list[socket.socket] = []
    until = time.monotonic() + seconds
    host = f"127.0.0.1:{port}"
    while time.monotonic() < until:
        what = dice.choice(("flood", "flood", "idle", "stream", "big", "wrong", "socket", "socket_idle", "socket_big"))
        with suppress(OSError, http.client.HTTPException):
            if what in ("flood", "wrong"):
                link = http.client.HTTPConnection("127.0.0.1", port, timeout=2)
                target = dice.choice(
                    ("/", "/page.js", "/../../etc/passwd", "/%2e%2e/x", "/events/..", "/?" + "x" * 5000)
                )
                link.request("GET", target, headers={"Host": host if what == "flood" else "evil.example"})
                seen[str(link.getresponse().status)] += 1
                link.close()
            elif what in ("idle", "stream", "big"):
                link2 = socket.create_connection(("127.0.0.1", port), 2)
                if what == "stream":
                    link2.sendall(f"GET /events HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
                elif what == "big":
                    link2.sendall(b"GET / HTTP/1.1\r\nX: " + b"y" * 200_000)
                held.append(link2)
            else:
                link2 = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
                link2.setblocking(False)
                link2.connect(path)
                if what == "socket_big":
                    link2.send(b"x" * 100_000)
                elif what == "socket":
                    link2.send(b'{"note": "flood"}\n' * 100)
                held.append(link2)
            seen[what] += 1
        while len(held) > IDLE // ATTACKERS:
            held.pop(dice.randrange(len(held))).close()
        time.sleep(0.001)
    print(dict(seen))


def watch(folder: Path, seconds: float, attacked: bool) -> Measure:
    """Run the monitor for so long."""
    clock = MonotonicClock()
    live = Live(clock.now_ms)
    path, port = str(folder / "feed.sock"), 8466
    recorder = Recorder(RecorderSettings(folder=str(folder / "drives")), {})
    settings = CabinSettings(
        feed=FeedSettings(path), page=PageSettings(True, port=port), sound=SoundSettings(way="none")
    )
    cabin = Cabin(settings, live.put, clock.now_ms, {}, "made up", lambda: ("", recorder.problem is None))
    measure = Measure(clock)

    def read() -> None:
        live.put(Link(clock.now_ms(), True))
        for k in range(int(seconds * 10)):
            live.put(Sample(clock.now_ms(), (("coolant_c", 90.0 + k % 3), ("rpm", 2500.0), ("speed_kmh", 80.0))))
            time.sleep(0.1)
        live.stop()

    marks = Counted(measure)
    attackers = []
    if attacked:
        command = [sys.executable, "-m", "tests.bench.attack", "--attack", str(port), path, str(seconds - 4)]
        attackers = [subprocess.Popen([*command, str(k)], stdout=subprocess.PIPE, text=True) for k in range(ATTACKERS)]
    threading.Thread(target=read, daemon=True).start()
    run(live.events(), CoreSettings(), [measure, recorder, cabin, marks, measure.last()])
    feed, page = cabin.feed, cabin.page
    assert feed is not None
    assert page is not None
    print(f"  viewers now {feed.viewers}, let go {feed.let_go}, refused {feed.refused}; marks taken {marks.count}")
    print(f"  page: {page.note or 'up'}")
    for each in attackers:
        print("  attacker saw", each.communicate()[0].strip())
    cabin.close()
    recorder.close()
    return measure


class Counted:
    """Counts the marks that got through."""

    def __init__(self, _measure: Measure) -> None:
        self.count = 0

    def event(self, event: Event) -> None:
        """Count."""
        self.count += isinstance(event, Mark)

    def outcome(self, outcome: Outcome) -> None:
        """Not needed here."""


def told(name: str, values: list[float]) -> str:
    """Median, 99th percentile and worst."""
    ordered = sorted(values)
    high = ordered[int(0.99 * (len(ordered) - 1))]
    return f"{name}: median {statistics.median(ordered):.1f}, 99 % {high:.1f}, worst {ordered[-1]:.1f} ms"


def main() -> int:
    """Measure in peace and under attack; 1 if a tick came later than 100 ms under attack."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=40.0)
    parser.add_argument("--attack", nargs=4, metavar=("PORT", "PATH", "SECONDS", "SEED"))
    args = parser.parse_args()
    if args.attack:
        port, path, seconds, seed = args.attack
        attacker(int(port), path, float(seconds), int(seed))
        return 0
    worst = 0.0
    for attacked in (False, True):
        print("under attack" if attacked else "in peace", f"({args.seconds:.0f} s)")
        with tempfile.TemporaryDirectory() as folder:
            measure = watch(Path(folder), args.seconds, attacked)
        print(" ", told("lateness of ticks", measure.late_ms[2:]))
        print(" ", told("spent in outputs", measure.spent_ms[2:]))
        worst = max(measure.late_ms[2:])
    return 1 if worst > MOST_LATE_MS else 0


if __name__ == "__main__":
    raise SystemExit(main())
