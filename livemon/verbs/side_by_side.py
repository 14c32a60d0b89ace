"""A recording through the core in two processes: this one reads, a second one perceives, this one follows.

What is said is that of `pipeline.rerun` to the last bit.  Where two cores are free it takes two thirds of the time and
a quarter more work.  A recording of one piece, or a machine of one core, stays in this process.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import queue
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import fields
from itertools import chain
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from multiprocessing.queues import Queue
from multiprocessing.reduction import ForkingPickler
from operator import attrgetter
from typing import Any, Final, NamedTuple

from livemon.core import estimator, hypotheses, pipeline
from livemon.core.events import Event
from livemon.core.hypotheses import Bank
from livemon.core.moment import Moment, Seen
from livemon.core.outcome import Band, Climb
from livemon.core.pipeline import CoreSettings, Told
from livemon.core.road import RoadView
from livemon.core.signals import Inputs
from livemon.core.trust import Trust

AHEAD: Final = 2
"""So many pieces the second process may be ahead."""
LOOK_S: Final = 5.0
"""Asked nothing for so long, the second process looks whether the first still lives."""
_SENT: Final = (Inputs, RoadView, Climb, Band, Trust)
"""Frozen values that cross in numbers: sent as their figures, which takes a third of the usual time."""


def _as_figures(kind: type[Any]) -> Callable[[Any], tuple[type[Any], tuple[Any, ...]]]:
    names = [item.name for item in fields(kind)]
    figures = attrgetter(*names)
    return lambda value: (kind, figures(value) if len(names) > 1 else (figures(value),))


for _kind in _SENT:
    ForkingPickler.register(_kind, _as_figures(_kind))


def rerun(events: Iterable[Event], settings: CoreSettings) -> Iterator[tuple[Event, Told | None]]:
    """A recording from its start: each event, and what is said where it is a tick."""
    pieces = pipeline.pieces(events)
    first = next(pieces)
    if len(first) < pipeline.PIECE or (os.cpu_count() or 1) < 2:
        yield from pipeline.rerun(chain(first, chain.from_iterable(pieces)), settings)
        return
    context = multiprocessing.get_context()
    asked: Queue[list[Seen]] = context.Queue()
    answers, theirs = context.Pipe(duplex=False)
    other = context.Process(target=_perceiving, args=(settings, asked, theirs, os.getpid()), daemon=True)
    other.start()
    theirs.close()  # so that the end of the other process is the end of its answers, in the middle of one too
    state = pipeline.start(settings)

    def followed(piece: list[Event], read: list[Seen]) -> Iterator[tuple[Event, Told | None]]:
        nonlocal state
        if not read:
            return pipeline.beside(piece, ())
        sent = _answer(answers, other)
        state, told = pipeline.followed(state, _unpacked(read, sent), settings)
        return pipeline.beside(piece, told)

    waiting: deque[tuple[list[Event], list[Seen]]] = deque()
    failure: Exception | None = None
    pieces = chain([first], pieces)
    try:
        while failure is None:
            try:
                piece = next(pieces, None)
            except Exception as broken:  # what came before is told first
                failure = broken
                break
            if piece is None:
                break
            state, read = pipeline.seen(state, piece, settings)
            if read:
                asked.put(read)
            waiting.append((piece, read))
            if len(waiting) > AHEAD:
                yield from followed(*waiting.popleft())
        while waiting:
            yield from followed(*waiting.popleft())
    finally:
        asked.cancel_join_thread()  # nobody reads it any more
        other.terminate()
        other.join()
        answers.close()
    if failure is not None:
        raise failure


_Known = tuple[Any, ...]
_STATE: Final = tuple(item.name for item in fields(estimator.State))
_figures_of: Final = attrgetter(*_STATE)
_BANK: Final = _STATE.index("bank")
_ESTIMATOR: Final = Moment._fields.index("estimator")


class _Sent(NamedTuple):
    """Moments on their way back: without what was seen, which the first process has, and their banks side by side."""

    known: list[_Known]
    """Fields of each moment; of its estimator the figures, with the number of its bank for the bank, or None."""
    banks: Bank | None


def _packed(moments: Sequence[Moment]) -> _Sent:
    """Three arrays for a piece cross in a tenth of the time that three a tick take."""
    banks: list[Bank] = []
    known: list[_Known] = []
    for moment in moments:
        figures = list(_figures_of(moment.estimator))
        bank = moment.estimator.bank
        if bank is not None:
            figures[_BANK] = len(banks)
            banks.append(bank)
        known.append((*moment[len(Seen._fields) : _ESTIMATOR], figures, *moment[_ESTIMATOR + 1 :]))
    return _Sent(known, hypotheses.side_by_side(banks) if banks else None)


def _unpacked(read: Sequence[Seen], sent: _Sent) -> list[Moment]:
    moments: list[Moment] = []
    place, banks = _ESTIMATOR - len(Seen._fields), sent.banks
    for seen, known in zip(read, sent.known, strict=True):
        figures, at = known[place], known[place][_BANK]
        if at is not None:
            assert banks is not None
            figures[_BANK] = Bank(banks.mean[:, at], banks.cov[:, :, at], banks.log_weight[at], banks.prior)
        moments.append(Moment._make((*seen, *known[:place], estimator.State(*figures), *known[place + 1 :])))
    return moments


def _answer(answers: Connection, other: BaseProcess) -> _Sent:
    try:
        found: _Sent | Exception = answers.recv()
    except (EOFError, OSError):
        other.join()
        raise RuntimeError(f"the second process ended with status {other.exitcode} and no answer") from None
    if isinstance(found, Exception):
        raise found
    return found


def _perceiving(settings: CoreSettings, asked: Queue[list[Seen]], answers: Connection, first: int) -> None:
    """The second process: what was seen in, what is known out, until it is ended or the `first` is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process decides when it is over
    gc.disable()  # what goes through here is in no cycle, and the process ends with the recording
    ready: queue.SimpleQueue[_Sent | Exception] = queue.SimpleQueue()
    sending = threading.Thread(target=_sending, args=(ready, answers), daemon=True)
    sending.start()  # so that the next piece is begun while the first process still follows the last
    state = pipeline.start(settings)
    try:
        while True:
            try:
                read = asked.get(timeout=LOOK_S)
            except queue.Empty:
                if os.getppid() != first:
                    return
                continue
            state, moments = pipeline.perceived(state, read, settings)
            ready.put(_packed(moments))
    except Exception as failure:
        ready.put(failure)
        sending.join()


def _sending(ready: queue.SimpleQueue[_Sent | Exception], answers: Connection) -> None:
    """Sends what is ready; nothing comes after a failure."""
    while True:
        found = ready.get()
        answers.send(found)
        if isinstance(found, Exception):
            return
