"""How long a review of a long log takes: whole, from readings alone, and with page and pictures.

    python -m tests.bench.review_speed [--hours H] [LOG]

Without LOG a drive of `--hours` at 1 Hz is laid end to end from replay/pass-crosses-limit (a third of it over the limit
or near it).  Measured in child processes one after the other, in time that passes and in processor time, beside a plain
csv.DictReader pass over the same file and beside `livemon replay` of it.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.replay_speed import as_installed, dict_reader_s, long_log

AIM_S = 10.0
"""Of a log of ten hours."""
MOST_MB = 300.0


def child(*command: str) -> tuple[float, float, float]:
    """Time that passes [s], processor time of it and of its workers [s], and peak memory [MB] of one child."""
    begun, before = time.perf_counter(), os.times()
    with open(os.devnull, "wb") as nowhere:
        process = subprocess.Popen([sys.executable, *command], stdout=nowhere, stderr=nowhere)
        _, status, used = os.wait4(process.pid, 0)
    passed, after = time.perf_counter() - begun, os.times()
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise SystemExit(f"{' '.join(command)} ended with status {process.returncode}")
    spent = after.children_user - before.children_user + after.children_system - before.children_system
    return passed, spent, used.ru_maxrss / 1024


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.review_speed", description="Speed of a review")
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("log", nargs="?", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        path = asked.log or Path(scratch) / "long.csv"
        if asked.log is None:
            long_log(path, asked.hours)
        as_installed(scratch, "review")
        plain = dict_reader_s(path)
        print(f"csv.DictReader pass      {plain:7.2f} s")
        for what, command in (
            ("livemon replay --json", ("replay", str(path), "--json", "--quiet")),
            ("livemon review --json", ("review", str(path), "--json", "--quiet")),
            (
                "  --readings-only --out",
                ("review", str(path), "--readings-only", "--out", f"{scratch}/quick", "--quiet"),
            ),
            ("livemon review --out", ("review", str(path), "--out", f"{scratch}/out", "--quiet")),
        ):
            passed, spent, peak_mb = child("-m", "livemon", *command)
            print(f"{what:<24} {passed:7.2f} s passed, {spent:7.2f} s of processor, {peak_mb:6.0f} MB")
        if passed > AIM_S * max(asked.hours / 10.0, 0.1):
            print(f"not met: {AIM_S:.0f} s for ten hours")
        if peak_mb > MOST_MB:
            print(f"not met: more than {MOST_MB:.0f} MB")


if __name__ == "__main__":
    main()
