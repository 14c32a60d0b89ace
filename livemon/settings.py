"""Text -> the small frozen settings of each room, through the key table of `setting_keys`.

Layers, later over earlier: defaults, header of the replayed log, settings file, vehicle file, command line; each value
keeps where it came from.  No environment variables.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final, TypeVar

from livemon.core.advice import AdviceSettings
from livemon.core.alert import AlertSettings
from livemon.core.figures import FIGURES, Figure
from livemon.core.ignition import IgnitionSettings
from livemon.core.pipeline import CoreSettings
from livemon.core.route import Route
from livemon.core.vehicle import VehicleProfile
from livemon.errors import SetupError
from livemon.files import vehicle_file, yaml_lines
from livemon.files.vehicle_file import TYPED_SHARE
from livemon.files.yaml_lines import Word
from livemon.setting_keys import KEYS, SECTIONS

Layer = Mapping[str, Word]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Entry:
    """A value in force, as text with its unit, and where it came from."""

    value: Any
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class Settings:
    """What is in force, by key path."""

    entries: Mapping[str, Entry]

    def of(self, cls: type[T]) -> T:
        """The settings of one room; `cls` is the dataclass of a section."""
        section = next(s for s in SECTIONS if s.cls is cls)
        values = {key.field: self.entries[key.path].value for key in section.keys}
        try:
            return cls(**values)
        except ValueError as failure:  # what a room checks beyond single ranges
            told = (self.entries[key.path].source for key in section.keys)
            typed = dict.fromkeys(source for source in told if source != "default")
            where = f"{', '.join(typed)}, {section.name}" if typed else section.name
            raise SetupError(where, "values that go together", str(failure).removeprefix(f"{section.name}: ")) from None

    def core(self, profile: VehicleProfile | None = None, route: Route | None = None) -> CoreSettings:
        """Everything the core is told; a mass that was typed for this drive goes before the profile's."""
        profile = profile or VehicleProfile()
        basic = self.of(CoreSettings)
        if basic.mass_kg is not None:
            typed = {
                **profile.typed,
                "mass_kg": Figure(basic.mass_kg, FIGURES["mass_kg"].spread * TYPED_SHARE, "typed"),
            }
            learned = {name: figure for name, figure in profile.learned.items() if name != "mass_kg"}
            profile = replace(profile, typed=typed, learned=learned)
        return replace(
            basic,
            alert=self.of(AlertSettings),
            advice=self.of(AdviceSettings),
            ignition=self.of(IgnitionSettings),
            profile=profile,
            route=route,
        )

    def for_log(self) -> str:
        """Every value that can change what the core says, as compact JSON for the header of a recording."""
        paths = (key.path for section in SECTIONS if section.in_log for key in section.keys)
        return json.dumps({path: self.entries[path].text for path in paths}, separators=(",", ":"))


def from_file(path: Path) -> Layer:
    """Layer of a settings file; an unknown key is refused with its line and the nearest known one."""
    return from_block(yaml_lines.load(path))


def from_block(top: yaml_lines.Block) -> Layer:
    """Layer of a parsed settings file."""
    known = {section.name: section for section in SECTIONS}
    layer: dict[str, Word] = {}
    for name, node in top.entries.items():
        if name not in known and vehicle_file.describes_vehicle(top):
            raise SetupError(top.keys_at[name], "settings", "a vehicle file", "Give it with --vehicle")
        if name not in known:
            raise _unknown(top.keys_at[name], name, known)
        group = yaml_lines.block(node, f"keys of {name}")
        keys = {key.name: key for key in known[name].keys}
        for key_name, value in group.entries.items():
            if key_name not in keys:
                raise _unknown(group.keys_at[key_name], f"{name}.{key_name}", [f"{name}.{k}" for k in keys])
            word = yaml_lines.word(value, f"one value for {name}.{key_name}")
            layer[keys[key_name].path] = word
    return layer


def _unknown(where: str, name: str, known: Iterable[str]) -> SetupError:
    near = get_close_matches(name, [*known, *KEYS], n=1, cutoff=0.5)
    todo = f"Did you mean {near[0]}?" if near else "config/livemon.yaml shows every key"
    return SetupError(where, "a known key", repr(name[:80]), todo)


def from_header(text: str, log: str) -> tuple[Layer, tuple[str, ...]]:
    """Layer of a recording's header, and the keys in it that this version does not know."""
    where = f"{log}, header"
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict) or not all(isinstance(value, str) for value in found.values()):
        raise SetupError(where, "settings as JSON texts", repr(text[:60]), "Give the settings with --settings")
    unknown = tuple(str(path) for path in found if path not in KEYS)
    return {path: Word(value, where) for path, value in found.items() if path in KEYS}, unknown


def settle(*layers: Layer) -> Settings:
    """Settings in force under `layers`, later over earlier; refuses values that contradict each other."""
    entries: dict[str, Entry] = {}
    for path, key in KEYS.items():
        words = [layer[path] for layer in layers if path in layer]
        values = [key.read(word) for word in words]  # a bad value is refused even when a later layer hides it
        value, source = (values[-1], words[-1].where) if words else (key.default, "default")
        entries[path] = Entry(value, key.write(value), source)
    settings = Settings(entries)
    _limit_under_stop(entries["drive.limit"], entries["drive.stop"])
    for section in SECTIONS:
        settings.of(section.cls)
    return settings


def _limit_under_stop(limit: Entry, stop: Entry) -> None:
    if stop.value is not None and limit.value > stop.value:
        raise SetupError(
            f"{limit.source}, drive.limit",
            f"at most drive.stop, which is {stop.text} ({stop.source})",
            limit.text,
            "Lower the limit, or raise the stop as far as the vehicle's manual allows",
        )


def options(values: Mapping[str, str | None]) -> Layer:
    """Layer of the command line: option ("--limit") -> its text; None = not given."""
    return {_OPTIONS[option]: Word(text, option) for option, text in values.items() if text is not None}


_OPTIONS: Final = {
    "--limit": "drive.limit",
    "--stop": "drive.stop",
    "--outside": "drive.outside",
    "--mass": "drive.mass",
    "--plan-speed": "plan.speed",
    "--plan-ac": "plan.ac",
    "--from-start": "drive.route_from_start",
    "--units": "screen.units",
}
