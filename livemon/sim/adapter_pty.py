"""Puts an emulated adapter behind a pseudo-terminal, in real time: a device that the serial reader can open.

Strategy: one thread moves characters between the terminal's master side and `sim/adapter`.  A symbolic link gives the
device a name that outlives it, so that unplugging, plugging in again and coming back under another name can be played.
"""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from contextlib import suppress
from pathlib import Path

from livemon.sim.adapter import Adapter
from livemon.sim.link_faults import LinkFault

MOST_WAIT_S = 0.05
PORT_FAULTS = frozenset({LinkFault.UNPLUGGED, LinkFault.RENAMED})


class PtyAdapter:
    """`adapter` behind a pseudo-terminal; `link` is the name under which the device is found (None = its own name)."""

    def __init__(self, adapter: Adapter, link: Path | None = None) -> None:
        self.adapter = adapter
        self._link = link
        self._start_s = time.monotonic()
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._master: int | None = None
        self._slave: int | None = None
        self._thread: threading.Thread | None = None
        self.device = ""

    @property
    def now_ms(self) -> float:
        """Milliseconds since this emulation was made."""
        return (time.monotonic() - self._start_s) * 1000.0

    @property
    def path(self) -> str:
        """What to open."""
        return str(self._link) if self._link is not None else self.device

    def start(self) -> None:
        """Make the device and serve it from a thread of its own."""
        self.plug()
        self._thread = threading.Thread(target=self._run, name="pty adapter", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread and take the device away."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout=2.0)
        self.unplug()

    def __enter__(self) -> PtyAdapter:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def plug(self, link: Path | None = None) -> None:
        """Make the device appear (under the name `link` if given): a new one, as after plugging in."""
        with self._lock:
            if self._master is not None:
                return
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            self.device = os.ttyname(self._slave)
            self._link = link or self._link
            if self._link is not None:
                with suppress(FileNotFoundError):
                    self._link.unlink()
                self._link.symlink_to(self.device)

    def unplug(self) -> None:
        """Take the device away; whoever has it open gets an error."""
        with self._lock:
            if self._master is None or self._slave is None:
                return
            os.close(self._master)
            os.close(self._slave)
            self._master = self._slave = None
            if self._link is not None:
                with suppress(OSError):  # gone already, or never made
                    self._link.unlink()

    def set_faults(self, faults: frozenset[LinkFault], other_name: Path | None = None) -> None:
        """Change the active faults now; the port itself follows UNPLUGGED and RENAMED."""
        with self._lock:
            self.adapter.set_faults(faults - PORT_FAULTS, self.now_ms)
        if LinkFault.UNPLUGGED in faults:
            self.unplug()
        elif LinkFault.RENAMED in faults:
            self.unplug()
            self.plug(other_name)
        else:
            self.plug()

    def _run(self) -> None:
        while not self._stopping.is_set():
            with self._lock:
                master = self._master
                due = self.adapter.next_ms()
            if master is None:
                self._stopping.wait(0.02)
                continue
            wait_s = MOST_WAIT_S if due is None else min(max(due - self.now_ms, 0.0) / 1000.0, MOST_WAIT_S)
            with suppress(OSError, ValueError):  # the device is taken away under our hands
                readable, _, _ = select.select([master], [], [], wait_s)
                with self._lock:
                    if self._master != master:
                        continue
                    if readable:
                        self.adapter.feed(os.read(master, 4096), self.now_ms)
                    if out := self.adapter.output(self.now_ms):
                        os.write(master, out)
