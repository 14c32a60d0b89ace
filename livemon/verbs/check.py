"""`livemon check`: what is in force and where each value came from, with what is wrong about it.

A value that cannot be read, or a limit above the stop, is refused with file and line before anything is printed; a
stop above the boiling point is shown beside the rest and makes the exit status 2.
"""

from __future__ import annotations

import argparse
import json
import sys

from livemon import setting_keys
from livemon.core.air import standard_pressure_kpa
from livemon.core.alert import STOP_UNDER_BOILING_C, default_stop_c
from livemon.core.coolant import BOILING_BAND_C, boiling_c
from livemon.core.units import LENGTH, TEMPERATURE, Display, to_unit
from livemon.files.vehicle_file import NAME_OF, figure_text
from livemon.outputs.lacks import MEASURED, NO_OUTSIDE
from livemon.verbs.common import InForce, add_common, settle

SEA_LEVEL_M = 0.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--template", action="store_true", help="print a settings file with every key at its default")
    add_common(parser)


def run(args: argparse.Namespace) -> int:
    if args.template:
        sys.stdout.write(setting_keys.template())
        return 0
    in_force = settle(args)
    summit_m = SEA_LEVEL_M
    if in_force.route is not None:
        summit_m = max(summit_m, float(in_force.route.height_m.max()))
    findings = boiling_findings(in_force, summit_m)
    if args.json:
        print(json.dumps(_as_json(in_force, findings)))
    elif args.quiet:
        sys.stdout.write("".join(f"wrong: {finding}\n" for finding in findings))
    else:
        sys.stdout.write(_as_text(in_force, findings))
    return 2 if findings else 0


def boiling_findings(in_force: InForce, summit_m: float) -> list[str]:
    """What is wrong with the two lines at `summit_m`: the mixture boils before they are reached."""
    cooling = in_force.profile.cooling()
    boils = float(boiling_c(standard_pressure_kpa(summit_m), cooling.cap_kpa, cooling.glycol_share))
    sure = boils + BOILING_BAND_C[0]
    display = in_force.display
    where = f"at {_shown(summit_m, display.length, display)}"
    found = []
    for path in ("drive.limit", "drive.stop"):
        entry = in_force.settings.entries[path]
        if entry.value is not None and entry.value > sure:
            found.append(
                f"{path} ({entry.source}): expected below {_shown_c(sure, display)}, where the coolant may boil "
                f"{where} under this cap, found {_shown_c(entry.value, display)}. "
                "Lower it, or check the cap in the vehicle file"
            )
    limit, stop = (in_force.settings.entries[path] for path in ("drive.limit", "drive.stop"))
    auto_c = default_stop_c(limit.value, boils)
    if stop.value is None and limit.value > auto_c and not found:
        found.append(
            f"drive.limit ({limit.source}): expected at most the stop, which is {_shown_c(auto_c, display)} {where} "
            f"(auto: {STOP_UNDER_BOILING_C:.0f} K under boiling), found {_shown_c(limit.value, display)}. Lower it"
        )
    return found


def low_limit(in_force: InForce) -> str:
    """A remark where the limit lies so low that a sound engine reaches it by regulating; empty where it does not."""
    cooling, limit, display = in_force.profile.cooling(), in_force.settings.entries["drive.limit"], in_force.display
    opens, full = float(cooling.open_c), float(cooling.full_c)
    if limit.value > full:
        return ""
    return (
        f"drive.limit ({limit.source}): {_shown_c(limit.value, display)} is reached while the thermostat still "
        f"regulates ({_shown_c(opens, display)} to {_shown_c(full, display)}): cautions on every hard drive"
    )


def _shown(value_m: float, unit: str, display: Display) -> str:
    return f"{to_unit(value_m, LENGTH, unit):.0f} {unit}"


def _shown_c(value_c: float, display: Display) -> str:
    return f"{to_unit(value_c, TEMPERATURE, display.temperature):.0f} {display.temperature}"


def _as_text(in_force: InForce, findings: list[str]) -> str:
    entries = in_force.settings.entries
    wide = max(map(len, entries))
    value_wide = max(len(entry.text) for entry in entries.values())
    lines = [f"{path:<{wide}}  {e.text:<{value_wide}}  {e.source}".rstrip() for path, e in entries.items()]
    profile = in_force.profile
    lines += ["", f"vehicle: {profile.name} ({in_force.profile_source})"]
    lines += [f"  part: {part}" for part in profile.parts]
    for name in NAME_OF:
        figure = profile.state(name)
        if figure.source != "default":
            lines.append(f"  {NAME_OF[name]:<{wide - 2}}  {figure_text(name, figure)}  {figure.source}")
    lines.append("  every other figure: default of a heavy four-wheel-drive wagon, with its spread")
    if entries["drive.outside"].value is None:
        lines += ["", f"drive.outside is not typed; with {NO_OUTSIDE.words} ({MEASURED})"]
    low = low_limit(in_force)
    lines += ["", low] if low else []
    lines += ["", *(f"wrong: {finding}" for finding in findings)] if findings else ["", "nothing wrong found"]
    return "\n".join([*lines, ""])


def _as_json(in_force: InForce, findings: list[str]) -> dict[str, object]:
    profile = in_force.profile
    return {
        "settings": {p: {"value": e.text, "source": e.source} for p, e in in_force.settings.entries.items()},
        "vehicle": {
            "name": profile.name,
            "source": in_force.profile_source,
            "parts": list(profile.parts),
            "figures": {
                NAME_OF[name]: {"value": figure_text(name, profile.state(name)), "source": profile.state(name).source}
                for name in NAME_OF
            },
        },
        "wrong": findings,
    }
