"""For all tests: programs under test can be interrupted and hung up on, however the tests themselves were started."""

from __future__ import annotations

import signal

for _number in (signal.SIGINT, signal.SIGHUP):
    if signal.getsignal(_number) is signal.SIG_IGN:
        # A job in the background of a shell, or under nohup, ignores these and hands that on to every child; a handler
        # of our own that does nothing is not handed on.
        signal.signal(_number, lambda *_: None)
