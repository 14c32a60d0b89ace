"""Two processes say what one says; a source or a second process that fails is told of, and nothing hangs."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from itertools import islice

import pytest

from livemon.core import pipeline
from livemon.core.events import Event, Link, Mark
from livemon.core.grid import on_grid
from livemon.core.pipeline import CoreSettings
from livemon.readers.log_file import LogFile
from livemon.verbs import side_by_side
from tests.replays import FOLDER


@pytest.fixture(autouse=True)
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipeline, "PIECE", 100)
    monkeypatch.setattr(side_by_side, "LOOK_S", 0.2)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)


def events() -> Iterator[Event]:
    yield Mark(0, (("ac_on", True),), "start")
    yield Link(0, True, "")
    yield from on_grid(list(LogFile(FOLDER / "pass-crosses-limit" / "log.csv").events())[2:900])


def test_two_processes_say_what_one_says_to_the_last_bit() -> None:
    assert repr(list(side_by_side.rerun(events(), CoreSettings()))) == repr(
        list(pipeline.rerun(events(), CoreSettings()))
    )


def test_what_came_before_the_source_failed_is_told_first() -> None:
    def failing() -> Iterator[Event]:
        yield from islice(events(), 555)
        raise OSError("unplugged")

    told = side_by_side.rerun(failing(), CoreSettings())
    assert len(list(islice(told, 555))) == 555
    with pytest.raises(OSError, match="unplugged"):
        next(told)


def test_a_failure_in_the_second_process_is_raised_in_the_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first process never perceives, so what is broken there is broken in the second alone."""

    def wrong(*_: object) -> None:
        raise AttributeError("perceived nothing")

    monkeypatch.setattr(side_by_side.pipeline, "perceived", wrong)
    with pytest.raises(AttributeError, match="perceived nothing"):
        list(side_by_side.rerun(events(), CoreSettings()))


def test_a_second_process_that_is_killed_is_noticed() -> None:
    running = side_by_side.rerun(events(), CoreSettings())
    next(running)
    for child in side_by_side.multiprocessing.active_children():
        assert child.pid is not None
        os.kill(child.pid, signal.SIGKILL)
    with pytest.raises(RuntimeError, match="second process ended"):
        list(running)


def test_a_second_process_killed_in_the_middle_of_an_answer_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its answer is more than a pipe holds and nobody has read it yet: the rest of it never comes."""
    monkeypatch.setattr(pipeline, "PIECE", 400)
    running = side_by_side.rerun(events(), CoreSettings())
    next(running)
    (child,) = side_by_side.multiprocessing.active_children()
    assert child.pid is not None
    time.sleep(2.0)  # for the next answers to be begun; were they not, the test above is made once more
    os.kill(child.pid, signal.SIGKILL)
    with pytest.raises(RuntimeError, match="second process ended"):
        list(running)


def test_leaving_early_ends_the_second_process() -> None:
    running = side_by_side.rerun(events(), CoreSettings())
    next(running)
    assert side_by_side.multiprocessing.active_children()
    running.close()
    assert not side_by_side.multiprocessing.active_children()
