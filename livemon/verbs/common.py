"""The options that verbs share, and how they become settings; what a log's header holds is one of the layers."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from livemon import __version__, settings
from livemon.core.pipeline import CoreSettings
from livemon.core.planned import PlanSettings
from livemon.core.route import Route
from livemon.core.units import DISPLAYS, Display
from livemon.core.vehicle import VehicleProfile
from livemon.errors import SetupError
from livemon.files import route_header, vehicle_file
from livemon.outputs.charts import known_picture, needs_plots
from livemon.outputs.files import write_whole
from livemon.readers.route_file import read_route
from livemon.setting_keys import ScreenSettings
from livemon.settings import Layer, Settings

if TYPE_CHECKING:
    from rich.console import Console

PICTURES = (".png", ".svg")
QUANTITIES = {
    "--limit": ("TEMP", 'your own line, such as "108 C" or "226 F"'),
    "--stop": ("TEMP", "the line past which the engine is at risk"),
    "--outside": ("TEMP", "outside air, for a vehicle that does not report it"),
    "--mass": ("MASS", 'vehicle with people, load and trailer, such as "2150 kg"'),
}


PLAN_OPTIONS = {
    "--plan-speed": ("SPEED", "speed the route is meant to be driven at, for the comparison with the plan"),
    "--plan-ac": ("WORD", "on or off: the air conditioning in that plan"),
}


def add_common(
    parser: argparse.ArgumentParser,
    *,
    route: bool = True,
    view: bool = False,
    json: bool = True,
) -> None:
    """The common options; a verb leaves out those that mean nothing to it."""
    parser.add_argument(
        "--settings", type=Path, metavar="FILE", help="settings file; config/livemon.yaml shows every key"
    )
    parser.add_argument("--vehicle", type=Path, metavar="FILE", help="vehicle profile, typed and learned")
    parser.set_defaults(route_option=route)
    if route:
        parser.add_argument(
            "--route", type=Path, metavar="FILE", help="route ahead: GPX, or a table of distance and height"
        )
        for option, (kind, words) in PLAN_OPTIONS.items():
            parser.add_argument(option, metavar=kind, help=words)
        parser.add_argument(
            "--from-start", action="store_true", help="the drive begins at the first point of the route (no GPS needed)"
        )
    for option, (kind, words) in QUANTITIES.items():
        parser.add_argument(option, metavar=kind, help=words)
    parser.add_argument("--units", metavar="WORD", help="us or metric on the screens; JSON is always SI")
    if json:
        parser.add_argument("--json", action="store_true", help="one JSON object a line; docs/output.md")
    if view:
        parser.add_argument("--view", choices=("driver", "passenger"), default="driver", help="which view to show")
    parser.add_argument("--quiet", action="store_true", help="no progress and no remarks, only the result")


def room_for(option: str, path: Path, read: Callable[[Path], object], kind: str) -> None:
    """Refuses, before the work, to write a result over anything that `read` does not know as the same `kind` of file.

    A name mistyped must not cost a recording: recordings stand where results are written.
    """
    where = f"{option} {path}"
    if not path.parent.is_dir():
        raise SetupError(where, "a file in a folder that is there", f"no folder {path.parent}")
    if not path.exists() or (path.is_file() and path.stat().st_size == 0):
        return
    try:
        if not path.is_file():
            raise SetupError(where, "a file", "something else")
        read(path)
    except SetupError:
        raise SetupError(where, f"a new file, or {kind} to write over", "one of another kind", "Name another") from None


def picture_room(path: Path | None) -> None:
    """Refuses, before the work, a picture that cannot be drawn, has no name of one, or would cost another file."""
    if path is None:
        return
    needs_plots()
    if path.suffix.lower() not in PICTURES:
        raise SetupError(
            f"--picture {path}", f"a name that ends in {' or '.join(PICTURES)}", path.suffix or "no ending"
        )
    room_for("--picture", path, known_picture, "a picture")


def write_result(option: str, path: Path, text: str) -> None:
    """Puts `text` at `path` whole, or says why not."""
    try:
        write_whole(path, text)
    except OSError as failure:
        found = failure.strerror or str(failure)
        raise SetupError(f"{option} {path}", "a file that can be written", found) from None


def sheet(*, soft_wrap: bool = False, width: int | None = None) -> Console:
    """Standard output for people; names of files, routes and vehicles come out as they are, brackets and all."""
    from rich.console import Console  # costs time that `watch --json` need not pay

    return Console(highlight=False, markup=False, emoji=False, soft_wrap=soft_wrap, width=width)


@dataclass(frozen=True, slots=True)
class InForce:
    """Everything that is in force for one run, and the remarks that came up while settling it."""

    settings: Settings
    profile: VehicleProfile
    profile_source: str
    route: Route | None = None
    remarks: tuple[str, ...] = ()

    def core(self) -> CoreSettings:
        """Everything the core is told; with a route and an outside temperature, the plan made from them."""
        core = self.settings.core(self.profile, self.route)
        if self.route is None or core.outside_c is None:
            return core
        from livemon.study.planned import planned_road  # costs time that a drive without a route need not pay

        planned = planned_road(self.route, core.profile, core.outside_c, self.settings.of(PlanSettings))
        return replace(core, planned=planned)

    @property
    def display(self) -> Display:
        return DISPLAYS[self.settings.of(ScreenSettings).units]

    def offset_words(self) -> tuple[str, ...]:
        """Says that coolant readings are corrected, where they are: nobody should take them for the sensor's own."""
        offset_c = self.settings.of(CoreSettings).sensor_offset_c
        if not offset_c:
            return ()
        shown = f"{-self.display.step(offset_c):+z.1f} {self.display.temperature}"
        return (f"coolant readings corrected by {shown} (drive.sensor_offset)",)

    def header(self) -> dict[str, str]:
        """Metadata of a recording made under these settings."""
        lines = {
            "livemon": __version__,
            "settings": self.settings.for_log(),
            "vehicle": vehicle_file.to_header(self.profile),
        }
        return lines if self.route is None else {**lines, "route": route_header.to_header(self.route)}


def settle(args: argparse.Namespace, header: Mapping[str, str] | None = None, log: str = "log") -> InForce:
    """What is in force: defaults, `header` of the replayed log, settings file, vehicle file, command line."""
    layers: list[Layer] = []
    remarks: list[str] = []
    profile, source = VehicleProfile(), "default"
    route = None
    if header and "settings" in header:
        layer, unknown = settings.from_header(header["settings"], log)
        layers.append(layer)
        if unknown:
            remarks.append(f"{log}: settings of another version are left out: {', '.join(unknown)}")
    if header and "vehicle" in header:
        profile, source = vehicle_file.from_header(header["vehicle"], log), f"{log}, header"
    if header and "route" in header:
        route = route_header.from_header(header["route"], log)
    if args.settings is not None:
        layers.append(settings.from_file(args.settings))
    if args.vehicle is not None:
        profile, lines = vehicle_file.load(args.vehicle)
        source = str(args.vehicle)
        layers.append(lines)
    if args.route_option and args.route is not None:
        route = route_header.settled(read_route(args.route))
    names = (*QUANTITIES, *PLAN_OPTIONS, "--units")
    given = {option: getattr(args, option[2:].replace("-", "_"), None) for option in names}
    if getattr(args, "from_start", False):
        if route is None:
            raise SetupError("--from-start", "a route", "none", "Give one with --route")
        given["--from-start"] = "yes"
    layers.append(settings.options(given))
    force = InForce(settings.settle(*layers), profile, source, route)
    return replace(force, remarks=(*remarks, *force.offset_words()))
