"""Worker processes for many logs.  Ctrl-C is heard by the first process alone, and ends all of them at once."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager

from livemon.errors import LivemonError


def usual(tasks: int) -> int:
    """One worker a processor core, and no more than there are tasks."""
    return max(1, min(os.cpu_count() or 1, tasks))


@contextmanager
def workers(count: int, *, fresh: bool = False) -> Iterator[ProcessPoolExecutor]:
    """A pool of `count`; `fresh` starts them anew, where a fork might hang (a process with a drawing thread).

    An exception inside (Ctrl-C above all) does not wait for results that nobody will see.
    """
    context = multiprocessing.get_context("spawn" if fresh else None)
    pool = ProcessPoolExecutor(count, mp_context=context, initializer=_deaf)
    try:
        yield pool
    except BrokenProcessPool:
        raise LivemonError(
            "expected every worker process to finish, found one ended from outside, for want of memory perhaps. "
            "Take fewer logs at once"
        ) from None
    except BaseException:
        results = getattr(pool, "_result_queue", None)
        pool.shutdown(wait=False, cancel_futures=True)
        ended = multiprocessing.active_children()
        for child in ended:
            child.terminate()
        for child in ended:
            child.join()
        # A worker ended in the middle of a result leaves the pool's thread waiting for the rest, and the program for
        # that thread at its own end, for ever: with the last writing end closed it reads an end of file instead.
        writer = getattr(results, "_writer", None)
        if writer is not None:
            writer.close()
        raise
    finally:
        pool.shutdown()


def _deaf() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
