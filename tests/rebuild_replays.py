"""Rebuilds what is expected of the drives under replay/, and with --logs the made-up drives themselves.

    python -m tests.rebuild_replays [--logs] [NAME ...]

Prints how many lines moved.  The commit that brings a rebuilt output says why it moved.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from livemon.cli import main as livemon
from tests.replays import FOLDER, MADE, Made, names, say, thinned

_SETTINGS = """\
# Settings under which expected.jsonl was made; what is not named here is at its default.
drive:
  limit: 108 C
"""


def make_log(name: str, made: Made) -> None:
    """Simulates the drive, and leaves out the settings of its header, so that settings.yaml alone counts."""
    folder = FOLDER / name
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        raw = Path(scratch) / "log.csv"
        status = livemon(["simulate", *made.simulate, "--log", str(raw), "--quiet"])
        assert status == 0, f"simulate ended with status {status}"
        lines = raw.read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith(("# settings:", "# vehicle:"))]
    (folder / "log.csv").write_text("".join(kept), encoding="utf-8", newline="\n")
    settings = folder / "settings.yaml"
    if not settings.exists():
        settings.write_text(_SETTINGS, encoding="utf-8")
    command = " ".join(f'"{word}"' if " " in word else word for word in made.simulate)
    (folder / "NOTES.md").write_text(
        f"# {name}\n\n{made.shows}\n\n"
        "Made up, nobody drove it: an invented wagon on an invented road (`livemon/sim/scenarios.py`).\n\n"
        f"    livemon simulate {command} --log log.csv\n\n"
        "and the settings taken out of its header, so that `settings.yaml` alone counts. `expected.jsonl` holds each\n"
        "tenth second, every change of status, level, first advice or doubts, and the summary. Both are rebuilt by\n"
        f"`python -m tests.rebuild_replays --logs {name}`.\n",
        encoding="utf-8",
    )


def rebuild(name: str) -> None:
    folder = FOLDER / name
    path = folder / "expected.jsonl"
    before = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    lines = thinned(say(folder / "log.csv", folder / "settings.yaml"))
    path.write_text("".join(lines), encoding="utf-8", newline="\n")
    moved = len(set(before) ^ {line.rstrip("\n") for line in lines})
    print(f"{name}: {len(lines)} lines, {moved} moved")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="python -m tests.rebuild_replays", description="Rebuild replay/")
    parser.add_argument("--logs", action="store_true", help="simulate the drives again, too")
    parser.add_argument("names", nargs="*", metavar="NAME")
    asked = parser.parse_args()
    if asked.logs:
        for made_name, how in MADE.items():
            if not asked.names or made_name in asked.names:
                make_log(made_name, how)
    for replay_name in asked.names or names():
        rebuild(replay_name)
