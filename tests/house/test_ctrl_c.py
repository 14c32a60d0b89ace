"""Ctrl-C while the program is still loading: no word, and the status of an interrupted command, 130 in a shell."""

from __future__ import annotations

import signal
import subprocess
import sys

import pytest

PROGRAM = """
import os, signal, sys
WANTED = sys.argv[1]

class Interrupts:
    def find_spec(self, name, path, target=None):
        if name == WANTED:
            os.kill(os.getpid(), signal.SIGINT)

{before}
sys.meta_path.insert(0, Interrupts())
from livemon.__main__ import main
sys.argv[1:] = ["plan"]
raise SystemExit(main())
"""


def interrupted_at(module: str, before: str = "") -> subprocess.CompletedProcess[str]:
    """The command `livemon plan`, ctrl-C coming with the import of `module`."""
    program = PROGRAM.format(before=before)
    return subprocess.run([sys.executable, "-c", program, module], capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("module", "status"),
    [("livemon.cli", 130), ("livemon.errors", 130), ("livemon.verbs.plan", -signal.SIGINT), ("numpy", -signal.SIGINT)],
)
def test_it_ends_quietly_and_a_shell_says_130(module: str, status: int) -> None:
    done = interrupted_at(module)
    assert done.returncode == status
    assert done.stdout == done.stderr == ""


def test_where_the_signal_is_ignored_it_stays_ignored() -> None:
    done = interrupted_at("livemon.verbs.plan", "signal.signal(signal.SIGINT, signal.SIG_IGN)")
    assert done.returncode == 2, "a plan needs a route"
    assert "KeyboardInterrupt" not in done.stderr
