"""The command line: `livemon VERB`.  Knows the verbs by name only, so that help costs no import of their rooms."""

from __future__ import annotations

import argparse
import contextlib
import errno
import gc
import os
import sys
from collections.abc import Sequence
from difflib import get_close_matches
from importlib import import_module
from io import TextIOWrapper
from typing import Any, Final

from livemon.errors import LivemonError, printable

VERBS = {
    "watch": "live: read the vehicle, forecast, show, warn, record",
    "replay": "the same over recorded logs, flat out or at --pace",
    "probe": "talk to the adapter or bus and print what it supports, at what rate, and what is wrong",
    "simulate": "a made-up vehicle on a made-up road: a log, an adapter or a CAN bus",
    "plan": "the climb ahead of time, from a route",
    "learn": "fit the vehicle's cooling to its drives, with uncertainty",
    "compare": "did a change help: heat shed per degree before and after, like for like",
    "tune": "alert settings over recorded trips: lead time against false cautions",
    "review": "what happened on a drive: peaks, climbs, jams, levels, margins, as words and as a page",
    "show": "attach a driver's or passenger's view to a running watch",
    "check": "validate settings and print what is in force",
}


NOT_WRITTEN: Final = (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EFBIG, errno.EROFS)
"""What a full or failing disk, or a terminal that is gone, says where output goes."""


def _overview() -> str:
    width = max(map(len, VERBS))
    lines = [f"  {verb:<{width}}  {words}" for verb, words in VERBS.items()]
    return (
        "usage: livemon VERB [options]\n\n"
        "Watches, forecasts and explains engine cooling on long hot grades.\n\nverbs:\n"
        + "\n".join(lines)
        + "\n\n'livemon VERB --help' tells the options of one verb.\n"
        "Estimates only: the worse of dash gauge and this tool counts, a warning lamp always wins.\n"
    )


def _spare_the_machine() -> None:
    """For libraries yet to be loaded: no threads for matrix products, of which there are none worth one.

    Nearly all values here are frozen and in no cycle: the collector of cycles need not count each thousand of them.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.set_threshold(50_000, 20, 20)


def _write_whatever_comes() -> None:
    """What the terminal's character set does not have is shown as a question mark; it must not end a run.

    Nor must a stream that was closed before the start (`>&-`): what is meant for it goes nowhere.
    """
    sys.stdout = sys.stdout or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115  (open as long as we run)
    sys.stderr = sys.stderr or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="replace")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb; returns 0 done, 1 the run ended badly, 2 bad usage, settings or input."""
    _write_whatever_comes()
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        status = _run(words)
        sys.stdout.flush()  # here, where what fails can still be told
        return status
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except OSError as failure:
        if failure.filename is not None or failure.errno not in NOT_WRITTEN:
            raise
        print(
            f"livemon{' ' * bool(words)}{' '.join(words[:1])}: expected to write the result to standard output, "
            f"found {failure.strerror}. Make room, or send it elsewhere",
            file=sys.stderr,
        )
        with contextlib.suppress(OSError):  # what still waits would fail again when the interpreter ends
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1


def _loaded(name: str) -> Any:
    """The module of a verb; ctrl-C while it loads ends the process at once, by the signal itself (130 in a shell).

    An exception instead would be shown with all the imports it came through.  Where the signal is ignored it stays so.
    """
    import signal  # both cost time that help need not pay
    from threading import current_thread, main_thread

    told = signal.getsignal(signal.SIGINT) is signal.default_int_handler and current_thread() is main_thread()
    if told:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    try:
        return import_module(name)
    finally:
        if told:
            signal.signal(signal.SIGINT, signal.default_int_handler)


def _run(words: list[str]) -> int:
    if not words or words[0] in ("-h", "--help", "help"):
        print(_overview(), end="")
        return 0 if words else 2
    if words[0] == "--version":
        from livemon import __version__

        print(f"livemon {__version__}")
        return 0
    verb = words[0]
    if verb not in VERBS:
        near = get_close_matches(verb, VERBS, 1)
        meant = f". Did you mean {near[0]}?" if near else ""
        print(f"livemon: expected a verb ({', '.join(VERBS)}), found {verb!r}{meant}", file=sys.stderr)
        return 2
    _spare_the_machine()
    module = _loaded(f"livemon.verbs.{verb}")
    parser = argparse.ArgumentParser(prog=f"livemon {verb}", description=VERBS[verb], allow_abbrev=False)
    module.add_arguments(parser)
    try:
        args = parser.parse_args(words[1:])
    except SystemExit as ending:  # argparse has told what is wrong; keep main() a plain function
        return int(ending.code or 0)
    try:
        return int(module.run(args))
    except LivemonError as error:
        print(f"livemon {verb}: {printable(str(error))}", file=sys.stderr)
        return error.exit_status
    except KeyboardInterrupt:  # verbs that end no other way (watch, show, replay --pace) see to it themselves
        print(f"livemon {verb}: interrupted before it was done", file=sys.stderr)
        return 1
    except SystemExit:  # rich's way of saying the same: who read our output has seen enough
        return 0
