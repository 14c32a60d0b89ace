"""The one table of settings: every key with its form (kind of unit, range), its default and its effect in words.

Defaults come from the rooms' own dataclasses.  `config/livemon.yaml`, the check of a user's file, the header of a log
and `livemon check` all read this table.  How values come together is `settings`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, fields
from typing import Any, Final

from livemon.core.advice import AdviceSettings
from livemon.core.alert import AlertSettings
from livemon.core.figures import FIGURES
from livemon.core.ignition import IgnitionSettings
from livemon.core.needle import Needle
from livemon.core.pipeline import CoreSettings
from livemon.core.planned import PlanSettings
from livemon.core.units import DISPLAYS, MASS, SPEED, TEMPERATURE, TEMPERATURE_STEP
from livemon.errors import SetupError
from livemon.files.forms import Choice, Dial, Flag, Form, Number, Quantity, Text, form_of_unit
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
        own_option = word.where in (f"--{self.name}", f"--{self.section}-{self.name}")
        written = f'{word.where} "{value}"' if own_option else f"{self.name}: {value}"
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
