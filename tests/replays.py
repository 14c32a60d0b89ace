"""The recorded drives under replay/: how each was made, what it is expected to say, and how outputs are compared.

Rebuild by command, never by hand:

    python -m tests.rebuild_replays [NAME ...]          what the program says now, thinned, into expected.jsonl
    python -m tests.rebuild_replays --logs [NAME ...]   the made-up drive itself as well
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from contextlib import redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from livemon.cli import main

FOLDER = Path(__file__).resolve().parents[1] / "replay"
KEEP_EACH_S = 10


@dataclass(frozen=True, slots=True)
class Made:
    """How `livemon simulate` made the drive, and what it is there to show."""

    shows: str
    simulate: tuple[str, ...]
    route: bool = False
    """The road of the scenario lies beside the log as route.gpx."""
    learned: tuple[tuple[str, ...], ...] = ()
    """Earlier drives, as `livemon simulate` makes them, from which `livemon learn` wrote vehicle.yaml."""


MADE = {
    "pass-crosses-limit": Made(
        "A hot climb at speed with A/C on: the limit of 108 C is crossed on the second ramp.",
        ("--scenario", "karga-pass", "--signals", "gps"),
    ),
    "pass-bends-off": Made(
        "The same pass driven slower, A/C off: the rise bends off below the limit.",
        ("--scenario", "karga-gentle", "--signals", "gps", "--length", "1200 s"),
    ),
    "pass-seen-ahead": Made(
        "The hot pass with its route and a vehicle learned from three other drives: the caution comes on the level, "
        "before the climb begins.",
        ("--scenario", "karga-pass", "--seed", "2", "--signals", "gps", "--length", "760 s"),
        route=True,
        learned=(
            ("--scenario", "karga-gentle", "--seed", "21", "--signals", "gps"),
            ("--scenario", "karga-pass", "--seed", "22", "--signals", "gps"),
            ("--scenario", "cold-morning", "--seed", "23", "--signals", "gps"),
        ),
    ),
    "traffic-jam": Made(
        "A jam on a 43 C day with A/C and a weak electric fan: it heats up at walking pace.",
        ("--scenario", "orlo-jam", "--signals", "old", "--length", "1800 s"),
    ),
    "sensor-jumps": Made(
        "A loose plug at the coolant sensor: readings jump and must not be believed.",
        ("--scenario", "karga-loose-sensor", "--signals", "full", "--length", "900 s"),
    ),
    "sensor-sticks": Made(
        "The coolant sensor sticks on the climb while the engine goes on heating: a steady reading is no good news.",
        ("--scenario", "karga-stuck-sensor", "--signals", "full", "--length", "900 s"),
    ),
}


def names() -> list[str]:
    """Every folder under replay/, also those of recordings that nobody simulated."""
    return sorted(path.name for path in FOLDER.iterdir() if path.is_dir())


def say(log: Path, settings: Path | None = None) -> list[str]:
    """The lines of `livemon replay --json`, each with its newline; a route and a vehicle beside the settings count."""
    options = [] if settings is None else ["--settings", str(settings)]
    for option, name in (("--route", "route.gpx"), ("--vehicle", "vehicle.yaml")):
        if settings is not None and (settings.parent / name).exists():
            options += [option, str(settings.parent / name)]
    said = io.StringIO()
    with redirect_stdout(said):
        status = main(["replay", str(log), "--json", "--quiet", *options])
    assert status == 0, f"replay ended with status {status}"
    return said.getvalue().splitlines(keepends=True)


def thinned(lines: list[str]) -> list[str]:
    """Each tenth second, every line at which status, level, first advice or doubts change, and the summary."""
    kept, before = [], None
    for line in lines:
        said = json.loads(line)
        mark = None if "summary" in said else _mark(said)
        if mark is None or mark != before or said["time_s"] % KEEP_EACH_S == 0:
            kept.append(line)
        before = mark
    return kept


def _mark(said: dict[str, Any]) -> tuple[object, ...]:
    first = said["advice"][0]["action"] if said["advice"] else None
    return said["status"], said["level"], first, tuple(said["doubts"])


TOLERANCE = {
    "time_to_limit_s": (5.0, 0.03),
    "gain_s": (5.0, 0.03),
    "chance": (0.03, 0.0),
    "chance_stop": (0.03, 0.0),
    "gained_m": (3.0, 0.01),
}
"""Absolute and relative, by key; everything else 0.3 absolute (0.3 K is under what any screen shows)."""
USUAL = (0.3, 0.0)
EXACT = ("time_s", "status", "level", "coolant_c", "crossings", "cautions", "warnings", "rows", "skipped", "peak_c")


def differences(expected: Any, got: Any, key: str = "", path: str = "") -> Iterator[str]:
    """What differs by more than another processor may make it: words and levels exactly, figures within tolerance."""
    if isinstance(expected, dict) and isinstance(got, dict) and expected.keys() == got.keys():
        for name in expected:
            inner = key if name in ("low", "likely", "high") or name.isdecimal() else name
            yield from differences(expected[name], got[name], inner, f"{path}.{name}")
    elif isinstance(expected, list) and isinstance(got, list) and len(expected) == len(got):
        for at, (one, other) in enumerate(zip(expected, got, strict=True)):
            yield from differences(one, other, key, f"{path}[{at}]")
    elif _is_number(expected) and _is_number(got) and key not in EXACT:
        absolute, relative = TOLERANCE.get(key, USUAL)
        if abs(expected - got) > absolute + relative * abs(expected):
            yield f"{path.lstrip('.')}: expected {expected}, found {got}"
    elif expected != got:
        yield f"{path.lstrip('.')}: expected {expected!r}, found {got!r}"


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
