"""A program for the terminal tests: shows invented moments through the console, in the way its argument says."""

from __future__ import annotations

import sys
import time

from livemon.core.events import Mark, Sample
from livemon.outputs.console import Console
from livemon.outputs.view import View
from tests.outputs.scenes import CAUTION


def main() -> None:
    how, who = sys.argv[1], View(sys.argv[2])
    marks: list[Mark] = []
    console = Console(who, source="made up", silent_s=1.0)
    with console:
        console.listen(marks.append, lambda: 7)
        console.event(Sample(1000, (("coolant_c", 104.0),)))
        console.outcome(CAUTION)
        if how == "crash":
            raise RuntimeError("made to fail")
        until = time.monotonic() + 20  # the test ends this by a key or a signal
        while not any(mark.note == "end" for mark in marks) and time.monotonic() < until:
            time.sleep(0.02)
            if how == "lively":
                console.outcome(CAUTION)
    print("marks", [(mark.t_ms, mark.inputs, mark.note) for mark in marks], "failure", console.failure)


if __name__ == "__main__":
    main()
