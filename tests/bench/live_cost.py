"""What a live drive costs: share of one core, peak memory, and how soon the first reading is shown.

    python -m tests.bench.live_cost [--seconds 60]

`livemon watch` runs with its screen on a pseudo-terminal beside a made-up adapter, as in the vehicle, with recorder and
feed; then as the service runs it, without a screen.  Processor time and peak memory are those the kernel counted for
the process.  Start-up is told apart: interpreter and imports until the loop begins, the adapter's own start, and
from the protocol's being up to the first reading on the feed.
"""

from __future__ import annotations

import argparse
import fcntl
import json
import os
import pty
import resource
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from contextlib import suppress
from pathlib import Path

from livemon.outputs.attach import Attached
from livemon.outputs.feed_line import health_of


def drain(handle: int) -> None:
    """Read what the screen writes, so that it never waits."""
    with suppress(OSError):
        while os.read(handle, 65536):
            pass


def measure(folder: Path, adapter: Path, seconds: float, screen: bool) -> None:
    """Run the monitor once and print its cost."""
    feed = str(folder / f"feed-{screen}.sock")
    words = ["--port", str(adapter), "--feed", feed, "--records", str(folder / "drives")]
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    threading.Thread(target=drain, args=(master,), daemon=True).start()
    notify = str(folder / f"notify-{screen}")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(notify)
        manager.settimeout(60)
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        began_s = time.monotonic()
        monitor = subprocess.Popen(
            [sys.executable, "-m", "livemon", "watch", *words, *([] if screen else ["--quiet"])],
            stdin=slave,
            stdout=slave,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "NOTIFY_SOCKET": notify, "TERM": "linux", "OPENBLAS_NUM_THREADS": "1"},
        )
        while not manager.recv(400).startswith(b"READY=1"):
            pass
        ready_s = time.monotonic() - began_s
    viewer = Attached(feed)
    up_s: float | None = None
    first_s: float | None = None
    while first_s is None and time.monotonic() - began_s < 60:
        for line in viewer.wait(0.05):
            now_s, health = time.monotonic() - began_s, health_of(line)
            if up_s is None and health is not None and health.link == "up":
                up_s = now_s
            if first_s is None and json.loads(line)["coolant_c"] is not None:
                first_s = now_s
    assert up_s is not None
    assert first_s is not None, "no reading came"
    start_cpu = processor_s(monitor.pid)
    from_s = time.monotonic()
    while time.monotonic() - from_s < seconds:
        viewer.wait(1.0)
    share = (processor_s(monitor.pid) - start_cpu) / (time.monotonic() - from_s)
    peak_kb = next(int(line.split()[1]) for line in status(monitor.pid) if line.startswith("VmHWM"))
    threads = next(line.split()[1] for line in status(monitor.pid) if line.startswith("Threads"))
    monitor.send_signal(signal.SIGTERM)
    monitor.wait(10)
    os.close(slave)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    total = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print("with the screen" if screen else "as a service, without a screen")
    print(f"  {100 * share:.1f} % of one core at 1 Hz, peak {peak_kb / 1024:.0f} MB, {threads} threads")
    print(f"  processor time until the first reading {start_cpu:.2f} s, whole run {total:.2f} s")
    print(f"  ready after {ready_s:.1f} s, link up seen at {up_s:.1f} s, first reading on the feed at {first_s:.1f} s")


def processor_s(pid: int) -> float:
    """Processor time of a process so far."""
    cells = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(cells[11]) + int(cells[12])) / os.sysconf("SC_CLK_TCK")


def status(pid: int) -> list[str]:
    """Lines of /proc/PID/status."""
    return Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()


def main() -> int:
    """Measure both ways."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        adapter = folder / "adapter"
        vehicle = subprocess.Popen(
            [sys.executable, "-m", "livemon", "simulate", "--scenario", "karga-pass", "--pty", str(adapter)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        while not adapter.exists():
            time.sleep(0.1)
        for screen in (True, False):
            measure(folder, adapter, args.seconds, screen)
        vehicle.terminate()
        vehicle.wait(10)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
