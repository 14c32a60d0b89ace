"""Text -> the small frozen settings of each room, through one key table.

Every key has a form (kind of unit, range), a default taken from the room's own dataclass, and its effect in words; the
file `config/livemon.yaml`, the check of a user's file, the header of a log and `livemon check` all read this table.
Layers, later over earlier: defaults, header of the replayed log, settings file, vehicle file, command line; each value
keeps where it came from.  No environment variables.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final, TypeVar

from livemon.core.advice import AdviceSettings
from livemon.core.alert import AlertSettings
from livemon.core.figures import FIGURES, Figure
from livemon.core.ignition import IgnitionSettings
from livemon.core.needle import Needle
from livemon.core.pipeline import CoreSettings
from livemon.core.planned import PlanSettings
from livemon.core.route import Route
from livemon.core.units import DISPLAYS, MASS, SPEED, TEMPERATURE, TEMPERATURE_STEP
from livemon.core.vehicle import VehicleProfile
from livemon.errors import SetupError
from livemon.files import vehicle_file, yaml_lines
from livemon.files.forms import Choice, Dial, Flag, Form, Number, Quantity, Text, form_of_unit
from livemon.files.vehicle_file import TYPED_SHARE
from livemon.files.yaml_lines import Word
from livemon.outputs.feed import FeedSettings
from livemon.outputs.lamp import LampSettings
from livemon.outputs.page import PageSettings
from livemon.outputs.recorder import RecorderSettings
from livemon.outputs.sound import WAYS, SoundSettings
from livemon.readers.base import LinkSettings


@dataclass(frozen=True, slots=True)
class ScreenSettings:
    """How figures are shown to people; JSON and logs are SI always."""

    units: str = "metric"


AUTO: Final = "auto"
"""Word for a key that is left to the program; its effect says what that means."""


@dataclass(frozen=True, slots=True)
class Key:
    """One setting: where it stands in a file, which field it fills, what it may be and what it does."""

    section: str
    name: str
    field: str
    form: Form
    default: Any
    effect: str
    auto: bool = False

    @property
    def path(self) -> str:
        return f"{self.section}.{self.name}"

    def read(self, word: Word) -> Any:
        """Value of `word`, or SetupError with file, line, key, expected, found, what to do."""
        if self.auto and word.text == AUTO:
            return None
        try:
            return self.form.read(word.text)
        except ValueError as expected:
            wanted = f"{expected} or {AUTO}" if self.auto else str(expected)
            raise SetupError(f"{word.where}, {self.path}", wanted, repr(word.text[:60]), self._example(word)) from None

    def _example(self, word: Word) -> str:
        """What to write, as it is written where `word` came from; nothing where the default is the program's choice."""
        if self.default is None:
            return ""
        value = self.write(self.default)
        written = f'{word.where} "{value}"' if word.where.startswith("--") else f"{self.name}: {value}"
        return f"Write for example `{written}`"

    def write(self, value: Any) -> str:
        return AUTO if value is None else self.form.write(value)


@dataclass(frozen=True, slots=True)
class Section:
    """A group of keys that fill one dataclass; only sections `in_log` can change what the core says."""

    name: str
    cls: type[Any]
    meaning: str
    in_log: bool
    keys: tuple[Key, ...]


_SUFFIXES: Final = ("_c", "_s", "_m", "_v", "_k", "_kg", "_kmh", "_mb", "_pct")


def _key_name(field: str) -> str:
    """The field without its unit: in a file the value carries it."""
    for suffix in _SUFFIXES:
        if field.endswith(suffix):
            return field[: -len(suffix)]
    return field


def _section(
    name: str, cls: type[Any], meaning: str, *, in_log: bool, rows: Mapping[str, tuple[Form, str]] | None = None
) -> Section:
    """Keys of the named fields, or (`rows` left out) of every field by the metadata it carries."""
    keys = []
    for field in fields(cls):
        if rows is None:
            about = field.metadata
            form, effect = form_of_unit(about["unit"], about["low"], about["high"]), about["effect"]
        elif field.name in rows:
            form, effect = rows[field.name]
        else:
            continue
        default = field.default if field.default is not MISSING else None
        keys.append(Key(name, _key_name(field.name), field.name, form, default, effect, auto=default is None))
    return Section(name, cls, meaning, in_log, tuple(keys))


_MASS: Final = FIGURES["mass_kg"]
_GPIO: Final = Number(0, 27, whole=True)
SECTIONS: Final[tuple[Section, ...]] = (
    _section(
        "drive",
        CoreSettings,
        "the two lines and what the vehicle does not report itself",
        in_log=True,
        rows={
            "limit_c": (
                Quantity(TEMPERATURE, 60, 140),
                "your own line; forecasts, margins and cautions refer to it; often 8 to 12 C under danger",
            ),
            "stop_c": (
                Quantity(TEMPERATURE, 60, 150),
                "the line past which the engine is at risk; auto = lesser of limit + 10 C and boiling here less 6 C",
            ),
            "outside_c": (
                Quantity(TEMPERATURE, -50, 60),
                "outside air, for a vehicle that does not report it; auto = guessed from the intake air",
            ),
            "mass_kg": (
                Quantity(MASS, _MASS.low, _MASS.high),
                "vehicle with people, load and trailer; auto = the vehicle file's, else a broad guess",
            ),
            "route_from_start": (
                Flag(),
                "yes = the drive begins at the first point of the route, for a vehicle without GPS; needs a route",
            ),
            "sensor_offset_c": (
                Quantity(TEMPERATURE_STEP, -15, 15),
                "so much the coolant sensor reads too high, as `livemon review --sensor-check` found it; taken off",
            ),
        },
    ),
    _section(
        "plan",
        PlanSettings,
        "how a route is meant to be driven, for `plan` and for the comparison in `watch --route`; docs/plan.md",
        in_log=True,
        rows={
            "speed_kmh": (Quantity(SPEED, 10, 200), "wished speed; where the engine cannot hold it, what it can"),
            "gear": (Number(0, 12, whole=True), "no gear above this one; 0 = any"),
            "ac": (Flag(), "with the air conditioning on"),
            "outside_top_c": (
                Quantity(TEMPERATURE, -50, 60),
                "outside air at the highest point; auto = 6.5 C less each km of height",
            ),
        },
    ),
    _section(
        "link",
        LinkSettings,
        "where the vehicle is; `livemon watch` options count more",
        in_log=False,
        rows={
            "port": (Text(200, may_be_empty=True), "ELM-style adapter: serial device or socket://HOST:PORT; none = no"),
            "baud": (Number(0, 1_000_000, whole=True), "speed of that port; 0 = find it"),
            "follow_device": (Flag(), "find the same adapter again when it comes back under another name"),
            "can": (Text(40, may_be_empty=True), "CAN channel, such as can0; none = no"),
            "interface": (Text(40), "python-can interface of that channel"),
            "bitrate": (Number(0, 1_000_000, whole=True), "CAN bit rate to set, where the interface can; 0 = as it is"),
            "listen_only": (Flag(), "never send on the bus; decode what others ask for"),
            "ask_silent_bus": (Flag(), "ask although nothing is heard: a gateway may keep the plug silent until then"),
            "gps": (Text(200, may_be_empty=True), "GPS receiver on a serial device (NMEA 0183); none = no"),
            "gps_baud": (Number(1200, 460_800, whole=True), "speed of that device"),
        },
    ),
    _section(
        "screen",
        ScreenSettings,
        "how figures are shown",
        in_log=False,
        rows={"units": (Choice(tuple(DISPLAYS)), "units on the screens; JSON and logs are SI always")},
    ),
    _section(
        "needle",
        Needle,
        "the dash needle, as read off your own dash; shown to the passenger and in a review",
        in_log=False,
        rows={
            "points": (Dial(), "where the needle stands at which true temperature, coldest first"),
            "seen": (Number(0.01, 0.2), "share of the needle's sweep that the eye notices"),
        },
    ),
    _section("alert", AlertSettings, "when a level begins and ends; docs/alerts.md", in_log=True),
    _section("advice", AdviceSettings, "what is worth saying, and in which situation", in_log=True),
    _section(
        "recorder",
        RecorderSettings,
        "what is kept of each drive",
        in_log=False,
        rows={
            "on": (Flag(), "record every drive of `watch`"),
            "folder": (Text(300), "where the drives go; a relative one starts at the working folder"),
            "total_mb": (
                Number(1, 1_000_000, unit="MB"),
                "the oldest drives are dropped beyond this; the current one never is",
            ),
            "sync_s": (form_of_unit("s", 1, 5), "at most so much of a drive is lost when the power is cut"),
        },
    ),
    _section(
        "sound",
        SoundSettings,
        "what is heard; docs/alerts.md",
        in_log=False,
        rows={
            "way": (Choice(WAYS), "auto = by ALSA where aplay is installed, else the terminal's bell"),
            "device": (Text(80, may_be_empty=True), "a name of `aplay -L`; none = the default one"),
            "volume_pct": (Number(5, 100, unit="%"), "share of full scale"),
            "advisory": (Flag(), "one soft tone at an advisory too"),
            "speak": (Flag(), "say level and advice after the tune, where espeak-ng is installed"),
            "caution_every_s": (form_of_unit("s", 5, 300), "a standing caution sounds again after so long"),
            "warning_every_s": (form_of_unit("s", 4, 60), "a standing warning sounds again after so long"),
        },
    ),
    _section(
        "lamp",
        LampSettings,
        "GPIO numbers of what is wired to the header, 0 = not wired; docs/wiring.md",
        in_log=False,
        rows={
            "lamp": (_GPIO, "flashes at caution and warning, silenced or not"),
            "buzzer": (_GPIO, "sounds at caution and warning unless silenced"),
            "silence_button": (_GPIO, "button to ground: silences the level that stands"),
            "ac_switch": (_GPIO, "closed to ground while the A/C is on"),
            "heater_switch": (_GPIO, "closed to ground while the heater is on"),
            "fan_switch": (_GPIO, "closed to ground while an extra fan is on"),
        },
    ),
    _section(
        "feed",
        FeedSettings,
        "where `livemon show` attaches",
        in_log=False,
        rows={
            "socket": (Text(100, may_be_empty=True), "path of the local socket; none = no viewers, no phone page"),
            "marks": (Flag(), "viewers may declare silence, A/C, heater, fan and notes by their keys"),
        },
    ),
    _section(
        "page",
        PageSettings,
        "the passenger's phone page, read-only; docs/phone-page.md",
        in_log=False,
        rows={
            "enabled": (Flag(), "serve the page (needs the web extra and, as a service, the page drop-in)"),
            "host": (Text(45), "the address to listen on: this computer's own on its own network"),
            "port": (Number(1024, 65535, whole=True), "the port to listen on"),
            "token": (Text(64, may_be_empty=True), "none, or 12 and more letters and digits to be let in with"),
            "names": (Text(200, may_be_empty=True), "further names the page is called by, with spaces between"),
        },
    ),
    _section(
        "ignition",
        IgnitionSettings,
        "engine off, when asking stops and begins again, battery; docs/power.md",
        in_log=True,
        rows={
            "off_after_s": (form_of_unit("s", 3, 60), "rpm zero for so long is engine off"),
            "silent_after_s": (
                form_of_unit("s", 10, 300),
                "silence for so long, standing and not charging, is engine off",
            ),
            "charging_v": (form_of_unit("V", 12.5, 14), "from this voltage on the alternator is taken to charge"),
            "ask_after_off_s": (form_of_unit("s", 10, 600), "so long after engine off the vehicle is still asked"),
            "give_up_after_s": (
                form_of_unit("s", 60, 3600),
                "after such a silence the vehicle is only asked once a minute",
            ),
            "wake_rise_v": (form_of_unit("V", 0.3, 2), "a quick rise of so much over rest begins the asking again"),
            "wake_try_s": (form_of_unit("s", 10, 300), "a try that hears no engine for so long ends"),
            "power_off": (Flag(), "ask for a clean power-off when the battery is low and the engine off"),
            "low_v": (form_of_unit("V", 10.5, 13), "low battery: power-off after low_for"),
            "low_for_s": (form_of_unit("s", 10, 3600), "how long the battery must be low"),
            "empty_v": (form_of_unit("V", 10, 12.5), "nearly empty battery: power-off after empty_for"),
            "empty_for_s": (form_of_unit("s", 3, 60), "how long, so that cranking does not count"),
        },
    ),
)
KEYS: Final[dict[str, Key]] = {key.path: key for section in SECTIONS for key in section.keys}
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
            raise SetupError(section.name, "values that go together", str(failure)) from None

    def core(self, profile: VehicleProfile | None = None, route: Route | None = None) -> CoreSettings:
        """Everything the core is told; a mass that was typed for this drive goes before the profile's."""
        profile = profile or VehicleProfile()
        basic = self.of(CoreSettings)
        if basic.mass_kg is not None:
            typed = {**profile.typed, "mass_kg": Figure(basic.mass_kg, _MASS.spread * TYPED_SHARE, "typed")}
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


def template() -> str:
    """Text of config/livemon.yaml: every key with default, range and effect."""
    lines = list(_TEMPLATE_HEAD)
    for section in SECTIONS:
        lines += ["", f"# {section.meaning}", f"{section.name}:"]
        for key in section.keys:
            lines += [f"  # {key.effect}", f"  # {key.form.range_text()}{f', or {AUTO}' if key.auto else ''}"]
            lines.append(f"  {key.name}: {key.write(key.default)}")
    return "\n".join([*lines, ""])


_TEMPLATE_HEAD: Final[Sequence[str]] = (
    "# Every setting of livemon with its default, its range and what it does.",
    "# Values carry their unit (C, F, K, s, min, h, kg, lb ...).  Leave out what should stay at its default.",
    "# `livemon check --settings FILE` tells what is in force and where each value came from.",
    "# Later over earlier: defaults, this file, vehicle file, command line.",
)
