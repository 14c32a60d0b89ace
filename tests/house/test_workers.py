"""Worker processes: deaf to Ctrl-C, ended at once with the first process, and one that is killed is no traceback."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest

from livemon.errors import LivemonError
from livemon.verbs.workers import usual, workers


def asleep() -> None:
    time.sleep(300)


def interrupted_itself() -> int:
    os.kill(os.getpid(), signal.SIGINT)
    return os.getpid()


def killed_itself() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.mark.parametrize("fresh", [False, True])
def test_nobody_waits_for_workers_after_ctrl_c(fresh: bool) -> None:
    before = set(multiprocessing.active_children())
    begun: set[BaseProcess] = set()

    def work() -> None:
        with workers(2, fresh=fresh) as pool:
            for _ in range(5):
                pool.submit(asleep)
            begun.update(set(multiprocessing.active_children()) - before)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        work()
    assert len(begun) == 2
    end_s = time.monotonic() + 10.0  # the pool's own thread may see them end, and note it a moment later
    while any(worker.is_alive() for worker in begun):
        assert time.monotonic() < end_s
        time.sleep(0.01)


def long_words() -> bytes:
    return bytes(30_000_000)


INTERRUPTED = """
import time
from livemon.verbs.workers import workers
from tests.house.test_workers import long_words
with workers(3) as pool:
    for _ in range(60):
        pool.submit(long_words)
    time.sleep(0.7)
    raise KeyboardInterrupt
"""


def test_a_worker_ended_in_the_middle_of_its_result_holds_nobody_up() -> None:
    """Workers that do little but hand over: the program ends all the same, its own end included."""
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", INTERRUPTED], cwd=root, capture_output=True, timeout=60, check=False)
    assert b"KeyboardInterrupt" in done.stderr


def test_a_worker_does_not_hear_ctrl_c() -> None:
    with workers(1) as pool:
        assert pool.submit(interrupted_itself).result(60) != os.getpid()


def test_a_worker_that_is_killed_is_told_of() -> None:
    with pytest.raises(LivemonError, match="ended from outside"), workers(1) as pool:
        pool.submit(killed_itself).result(60)


def test_no_more_workers_than_tasks() -> None:
    assert usual(0) == usual(1) == 1
    assert usual(1000) == (os.cpu_count() or 1)
