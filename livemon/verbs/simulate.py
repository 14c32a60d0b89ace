"""`livemon simulate`: a made-up vehicle on a made-up road, written as a log, behind an adapter or on a CAN bus.

A named scenario, or a random rig of a family; the seed moves everything random, so the same command writes the same
bytes.
"""

from __future__ import annotations

import argparse
import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from livemon.core import units
from livemon.core.events import Link
from livemon.errors import SetupError
from livemon.sim import rigs
from livemon.sim.drive import Drives, Rig
from livemon.sim.drive import run as drive
from livemon.sim.scenarios import SCENARIOS
from livemon.sim.sensors import POLLINGS
from livemon.verbs import simulate_adapter, simulate_bus
from livemon.verbs.common import add_common, settle
from livemon.wire.log_text import LogWriter, settled

LONGEST_S = 12 * 3600
FAMILY_SECONDS = 2400


def add_arguments(parser: argparse.ArgumentParser) -> None:
    what = parser.add_argument_group("the drive")
    what.add_argument("--list", action="store_true", help="print the scenarios and families, and stop")
    what.add_argument("--scenario", metavar="NAME", help="a named drive; see --list")
    what.add_argument("--family", choices=rigs.FAMILIES, help="a random vehicle, road and driver instead")
    what.add_argument("--number", type=int, default=0, metavar="N", help="which random rig of the family")
    what.add_argument("--seed", type=int, default=1, metavar="N", help="moves everything random; default 1")
    what.add_argument("--length", metavar="TIME", help='such as "30 min"; each scenario has its own')
    how = parser.add_argument_group("what is told")
    how.add_argument(
        "--signals",
        choices=tuple(POLLINGS),
        default="full",
        help="full, gps (adds position), old (no air flow or outside air), slow (four in 3 s), coolant alone",
    )
    how.add_argument("--undeclared", action="store_true", help="leave out what a switch would declare (A/C)")
    where = parser.add_argument_group("where to")
    where.add_argument("--log", type=Path, metavar="FILE", help="write a log; - is standard output")
    where.add_argument("--truth", type=Path, metavar="FILE", help="write what was true, second by second, as CSV")
    simulate_adapter.add_arguments(parser)
    where.add_argument("--force", action="store_true", help="write over files that are there")
    simulate_bus.add_arguments(parser)
    add_common(parser, route=False, json=False)


def run(args: argparse.Namespace) -> int:
    if args.list:
        sys.stdout.write(_listing())
        return 0
    if args.log is None and args.truth is None and args.pty is None and args.can is None:
        raise SetupError("the drive", "where to write or stand: --log FILE, --pty NAME or --can CHANNEL", "nothing")
    if args.pty is not None and args.can is not None:
        raise SetupError("the drive", "either --pty or --can", "both", "Start it twice.")
    for path in (args.log, args.truth):
        if path is not None and str(path) != "-" and path.exists() and not args.force:
            raise SetupError(str(path), "a file that is not there yet", "one", "Give --force to write over it.")
    in_force = settle(args)
    rig, seconds = _rig_and_length(args)
    if args.vehicle is not None:
        profile = in_force.profile
        own = rigs.sensors_of(profile.name)  # so that several drives are those of one vehicle, as `learn` takes them
        rig = replace(rig, body=profile.body(), engine=profile.engine(), cooling=profile.cooling(), sensor=own)
    driven = drive([rig], seconds)
    if args.log is not None:
        header = {**in_force.header(), "simulated": f"{rig.name}, seed {args.seed}, {seconds} s"}
        _write(args.log, _log_text(driven, header, args.signals, not args.undeclared))
    if args.truth is not None:
        _write(args.truth, _truth_text(driven))
    if not args.quiet:
        peak = driven.truth["coolant_c"][:, 0]
        words = f"{rig.name}: {seconds} s, coolant at most {peak.max():.1f} C at {int(peak.argmax())} s"
        print(words, file=sys.stderr)
    with suppress(KeyboardInterrupt):  # the usual end of standing somewhere
        if args.pty is not None:
            simulate_adapter.stand(args, driven)
        if args.can is not None:
            simulate_bus.serve(args, driven)
    return 0


def _listing() -> str:
    lines = [f"  {name:<20} {s.words} ({s.seconds} s)" for name, s in SCENARIOS.items()]
    return "scenarios (--scenario):\n" + "\n".join(lines) + f"\n\nfamilies (--family): {', '.join(rigs.FAMILIES)}\n"


def _rig_and_length(args: argparse.Namespace) -> tuple[Rig, int]:
    if (args.scenario is None) == (args.family is None):
        found = "neither" if args.scenario is None else "both"
        raise SetupError("the drive", "either --scenario or --family", found, "--list tells them.")
    if args.seed < 0 or args.number < 0:
        raise SetupError("the drive", "--seed and --number from 0 up", f"{args.seed} and {args.number}")
    seconds = FAMILY_SECONDS
    if args.scenario is not None:
        scenario = SCENARIOS.get(args.scenario)
        if scenario is None:
            raise SetupError("--scenario", f"one of {', '.join(SCENARIOS)}", repr(args.scenario))
        rig, seconds = scenario.build(args.seed), scenario.seconds
    else:
        rig = rigs.draw(args.seed, 1, args.family, first=args.number)[0]
    if args.length is not None:
        try:
            seconds = round(units.parse(args.length, units.DURATION))
        except ValueError as error:
            raise SetupError("--length", str(error), repr(args.length)) from error
        if not 1 <= seconds <= LONGEST_S:
            raise SetupError("--length", f"1 s to {LONGEST_S} s", repr(args.length))
    return rig, seconds


def _log_text(driven: Drives, header: dict[str, str], signals: str, declare: bool) -> str:
    writer = LogWriter()
    rows = [writer.header(header)]
    rows += [writer.row(settled(e, e.t_ms)) for e in driven.events(0, POLLINGS[signals], declare)]
    rows.append(writer.row(Link(driven.seconds * 1000, False, "end of the drive")))
    return "".join(rows)


def _truth_text(driven: Drives) -> str:
    truth = driven.truth_of(0)
    rows = [",".join(["time_s", *truth])]
    rows += [",".join([str(k), *(f"{values[k]:.4f}" for values in truth.values())]) for k in range(driven.seconds)]
    return "\n".join(rows) + "\n"


def _write(path: Path, text: str) -> None:
    if str(path) == "-":
        sys.stdout.write(text)
        return
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise SetupError(str(path), "a file that can be written", error.strerror or "an error") from error
