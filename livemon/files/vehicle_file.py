"""A vehicle profile as a YAML file, and as one line in the header of a log.

The typed part is the owner's, the learned part is written by `learn`; both stand apart in the file.  Keys are the
figures of `core/figures` without their unit, since the value carries it.  Knows nothing of what a figure does.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from livemon.core import units
from livemon.core.figures import FIGURES, Figure, FigureKey
from livemon.core.together import DECIMALS, Together
from livemon.core.vehicle import PARTS, Fuel, VehicleProfile
from livemon.errors import SetupError
from livemon.files import yaml_lines
from livemon.files.forms import Choice, Flag, Form, Number, Quantity, Text, TyreRadius
from livemon.files.yaml_lines import Block, Node, Word

TYPED_SHARE: Final = 0.25
"""A typed figure without a spread is sure to this share of what is unknown of a vehicle nobody described."""
LINES: Final = {"limit": "drive.limit", "stop": "drive.stop"}
"""Keys of the vehicle file that are settings: both lines belong to the vehicle."""
_MAX_GEARS: Final = 12
_MAX_POINTS: Final = 40
_SUFFIXES: Final = ("_m2", "_kpa", "_kmh", "_rpm", "_kg", "_kw", "_m", "_l", "_c", "_s")
_PLUS_MINUS: Final = "+-"


def _key_name(key: FigureKey) -> str:
    if key.kind is not None and key.kind.own not in ("", "%"):
        for suffix in _SUFFIXES:
            if key.name.endswith(suffix):
                return key.name[: -len(suffix)]
    return key.name


FIGURE_OF: Final[dict[str, str]] = {_key_name(key): name for name, key in FIGURES.items()}
"""Key in the file -> name of the figure."""
NAME_OF: Final[dict[str, str]] = {name: key for key, name in FIGURE_OF.items()}
WRITTEN: Final = ("learned", "learned_with", "together")
"""Keys that `learn` writes; all others are the owner's."""
_TOP: Final = ("name", *LINES, "fuel", "boosted", "air_conditioning", "gears", "torque", "parts", "typed", *WRITTEN)

_OF_SETTINGS: Final = {"drive", "plan", "link", "alert"}
"""Sections by which a settings file is known."""


def _form(key: FigureKey) -> Form:
    if key.kind is None or key.kind.own in ("", "%"):
        return Number(key.low, key.high)
    return (TyreRadius if key.name == "tyre_radius_m" else Quantity)(key.kind, key.low, key.high)


def _spread_form(key: FigureKey) -> Form:
    widest = key.high - key.low
    if key.kind is None or key.kind.own in ("", "%"):
        return Number(0, widest)
    return Quantity(units.TEMPERATURE_STEP if key.kind is units.TEMPERATURE else key.kind, 0, widest)


def load(path: Path) -> tuple[VehicleProfile, dict[str, Word]]:
    """The profile in `path`, and the settings it brings (its limit and stop)."""
    return from_block(yaml_lines.load(path))


def from_block(top: Block) -> tuple[VehicleProfile, dict[str, Word]]:
    """As `load`, from a parsed file."""
    if {*top.entries} & _OF_SETTINGS:
        raise SetupError(top.where, "a vehicle file", "settings", "Give them with --settings")
    _only(top, _TOP, "")
    lines = {
        path: yaml_lines.word(top.entries[name], f"one value for {name}")
        for name, path in LINES.items()
        if name in top.entries
    }
    profile = VehicleProfile(
        name=_value(top, "name", Text(80), "unnamed"),
        typed=_figures(top, "typed"),
        learned=_figures(top, "learned"),
        parts=_parts(top.entries.get("parts")),
        gear_ratios=_gears(top.entries.get("gears")),
        torque_points=_torque(top.entries.get("torque")),
        fuel=Fuel(_value(top, "fuel", Choice(tuple(f.value for f in Fuel)), Fuel.PETROL.value)),
        boosted=_value(top, "boosted", Flag(), False),
        has_ac=_value(top, "air_conditioning", Flag(), True),
        together=_together(top.entries.get("together")),
        learned_parts=_parts(top.entries.get("learned_with"), "learned_with"),
    )
    return profile, lines


def describes_vehicle(top: Block) -> bool:
    """Whether a file that is no settings file is one of these."""
    return {*top.entries} <= {*_TOP} and not {*top.entries} <= {*LINES}


def _only(block: Block, known: Iterable[str], of: str) -> None:
    known = tuple(known)
    for name in block.entries:
        if name not in known:
            near = get_close_matches(name, known, n=1, cutoff=0.5)
            todo = f"Did you mean {near[0]}?" if near else f"Known are {', '.join(known)}"
            raise SetupError(block.keys_at[name], f"a known key{of}", repr(name[:60]), todo)


def _read(word: Word, name: str, form: Form) -> Any:
    try:
        return form.read(word.text)
    except ValueError as expected:
        raise SetupError(f"{word.where}, {name}", str(expected), repr(word.text[:60])) from None


def _value(block: Block, name: str, form: Form, default: Any) -> Any:
    if name not in block.entries:
        return default
    return _read(yaml_lines.word(block.entries[name], f"one value for {name}"), name, form)


def _figures(top: Block, part: str) -> dict[str, Figure]:
    if part not in top.entries:
        return {}
    block = yaml_lines.block(top.entries[part], f"figures under {part}")
    _only(block, FIGURE_OF, f" under {part}")
    return {FIGURE_OF[name]: _figure(node, name, part) for name, node in block.entries.items()}


def _figure(node: Node, name: str, part: str) -> Figure:
    """`2300 kg`, `2300 kg +- 60 kg`, or keys value, spread, source."""
    key = FIGURES[FIGURE_OF[name]]
    if isinstance(node, Block):
        _only(node, ("value", "spread", "source"), f" of {name}")
        if "value" not in node.entries:
            raise SetupError(node.where, f"a value for {name}", "none")
        value = _value(node, "value", _form(key), None)
        spread = _value(node, "spread", _spread_form(key), key.spread * TYPED_SHARE)
        return Figure(value, spread, _value(node, "source", Text(120), part))
    word = yaml_lines.word(node, f"one value for {name}")
    text, sign, spread_text = word.text.replace("±", _PLUS_MINUS).replace("+/-", _PLUS_MINUS).partition(_PLUS_MINUS)
    value = _read(Word(text.strip(), word.where), name, _form(key))
    if not sign:
        return Figure(value, key.spread * TYPED_SHARE, part)
    return Figure(value, _read(Word(spread_text.strip(), word.where), f"{name} (spread)", _spread_form(key)), part)


def _together(node: Node | None) -> Together:
    """Rows of the triangle, a figure each: `open: [0.12, -0.3, 0.946]`."""
    if node is None:
        return Together()
    block = yaml_lines.block(node, "figures under together")
    _only(block, FIGURE_OF, " under together")
    found = Together()
    for name, row in block.entries.items():
        words = tuple(yaml_lines.items(row, f"the row of {name}, a list of numbers"))
        numbers = tuple(_read(word, name, Number(-1, 1)) for word in words[: len(FIGURES)])
        if len(words) > len(FIGURES):
            raise SetupError(f"{row.where}, {name}", f"at most {len(FIGURES)} numbers", str(len(words)))
        try:
            found = Together((*found.names, FIGURE_OF[name]), (*found.rows, numbers))
        except ValueError as expected:
            todo = "`livemon learn` writes this part; without it the file still works, with wider forecasts"
            raise SetupError(f"{row.where}, {name}", str(expected), "another", todo) from None
    return found


def _parts(node: Node | None, key: str = "parts") -> tuple[str, ...]:
    if node is None:
        return ()
    names = []
    for word in yaml_lines.items(node, "a list of parts ([clogged_condenser])"):
        if word.text not in PARTS:
            near = get_close_matches(word.text, PARTS, n=1, cutoff=0.5)
            todo = f"Did you mean {near[0]}?" if near else ""
            raise SetupError(f"{word.where}, {key}", f"one of {', '.join(PARTS)}", repr(word.text[:60]), todo)
        names.append(word.text)
    return tuple(names)


def _gears(node: Node | None) -> tuple[float, ...] | None:
    if node is None:
        return None
    words = list(yaml_lines.items(node, "a list of gear ratios, first gear first"))
    ratios = tuple(_read(word, "gears", Number(0.3, 12)) for word in words)
    if not 1 <= len(ratios) <= _MAX_GEARS or any(a <= b for a, b in pairwise(ratios)):
        found = ", ".join(f"{ratio:g}" for ratio in ratios[:20]) or "none"
        raise SetupError(f"{node.where}, gears", f"1 to {_MAX_GEARS} ratios, each below the one before", found)
    return ratios


def _torque(node: Node | None) -> tuple[tuple[float, float], ...] | None:
    if node is None:
        return None
    block = yaml_lines.block(node, "engine speed and torque (`2000 rpm: 300 Nm`)")
    points = []
    for name, value in block.entries.items():
        rpm = _read(Word(name, block.keys_at[name]), "torque", Quantity(units.ANGULAR_SPEED, 300, 12_000))
        word = yaml_lines.word(value, f"the torque at {name}")
        points.append((rpm, _read(word, f"torque at {name}", Quantity(units.TORQUE, 10, 5_000))))
    if not 2 <= len(points) <= _MAX_POINTS or sorted(points) != points:
        raise SetupError(f"{node.where}, torque", f"2 to {_MAX_POINTS} points of rising engine speed", str(len(points)))
    return tuple(points)


def to_yaml(profile: VehicleProfile, lines: Mapping[str, str] | None = None) -> str:
    """The file of `profile`; `lines` are its limit and stop as text with unit."""
    text = [f"name: {_quoted(profile.name)}", *(f"{name}: {value}" for name, value in (lines or {}).items())]
    text += [f"fuel: {profile.fuel.value}", f"boosted: {Flag().write(profile.boosted)}"]
    text += [f"air_conditioning: {Flag().write(profile.has_ac)}"]
    if profile.gear_ratios is not None:
        text.append(f"gears: [{', '.join(repr(ratio) for ratio in profile.gear_ratios)}]")
    if profile.torque_points is not None:
        text += ["torque:", *(f"  {rpm!r} rpm: {nm!r} Nm" for rpm, nm in profile.torque_points)]
    text.append(f"parts: [{', '.join(profile.parts)}]")
    return "\n".join([*text, *_block("typed", profile.typed), *_written(profile), ""])


def _block(part: str, figures: Mapping[str, Figure]) -> list[str]:
    text = [f"{part}:" if figures else f"{part}: {{}}"]
    for name, figure in figures.items():
        key = FIGURES[name]
        value, spread = _form(key).write(figure.likely), _spread_form(key).write(figure.spread)
        text.append(f"  {NAME_OF[name]}: {{value: {value}, spread: {spread}, source: {_quoted(figure.source)}}}")
    return text


def _written(profile: VehicleProfile) -> list[str]:
    """What `learn` writes."""
    text = _block("learned", profile.learned)
    if profile.learned_parts:
        text.append(
            f"learned_with: [{', '.join(profile.learned_parts)}]  # parts that the learned figures have in them"
        )
    if profile.together.names:
        text.append("together:  # how the learned figures hang together; written by learn, not for typing")
    for name, row in zip(profile.together.names, profile.together.rows, strict=True):
        text.append(f"  {NAME_OF[name]}: [{', '.join(map(_share, row))}]")
    return text


def _share(value: float) -> str:
    short = f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return short if float(short) == value else repr(value)


def with_learned(text: str, profile: VehicleProfile) -> str:
    """The text of a vehicle file with what `learn` writes taken from `profile`; the owner's other lines stay."""
    kept: list[str] = []
    inside = False
    for line in text.splitlines():
        starts_key = bool(line) and not line[0].isspace() and not line.startswith("#")
        if starts_key:
            inside = line.startswith(tuple(f"{key}:" for key in WRITTEN))
        if not inside or (kept and not starts_key and line.startswith("#")):
            kept.append(line)
    while kept and not kept[-1]:
        kept.pop()
    return "\n".join([*kept, *_written(profile), ""])


def figure_text(name: str, figure: Figure) -> str:
    """`2300 kg +- 60 kg` for people, four digits."""
    key = FIGURES[name]
    form, spread_form = _form(key), _spread_form(key)
    likely, spread = float(f"{figure.likely:.4g}"), float(f"{figure.spread:.4g}")
    return f"{form.write(likely)} {_PLUS_MINUS} {spread_form.write(spread)}"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # a JSON text is a YAML one


def to_header(profile: VehicleProfile) -> str:
    """`profile` as one line for the header of a log; figures exact to the last bit."""
    together = dict(zip(profile.together.names, profile.together.rows, strict=True))
    return json.dumps(
        {
            "name": profile.name,
            "typed": {name: [f.likely, f.spread, f.source] for name, f in profile.typed.items()},
            "learned": {name: [f.likely, f.spread, f.source] for name, f in profile.learned.items()},
            "parts": profile.parts,
            "gears": profile.gear_ratios,
            "torque": profile.torque_points,
            "fuel": profile.fuel.value,
            "boosted": profile.boosted,
            "air_conditioning": profile.has_ac,
            **({"together": together} if together else {}),
            **({"learned_with": profile.learned_parts} if profile.learned_parts else {}),
        },
        separators=(",", ":"),
    )


def from_header(text: str, log: str) -> VehicleProfile:
    """The profile in a log's header; SetupError when it is damaged."""
    try:
        found = json.loads(text)
        return VehicleProfile(
            name=str(found["name"]),
            typed=_header_figures(found["typed"]),
            learned=_header_figures(found["learned"]),
            parts=tuple(name for name in found["parts"] if PARTS[name]),
            gear_ratios=None if found["gears"] is None else tuple(float(g) for g in found["gears"]),
            torque_points=None if found["torque"] is None else tuple((float(r), float(t)) for r, t in found["torque"]),
            fuel=Fuel(found["fuel"]),
            boosted=bool(found["boosted"]),
            has_ac=bool(found["air_conditioning"]),
            together=_header_together(found.get("together", {})),
            learned_parts=tuple(name for name in found.get("learned_with", ()) if PARTS[name]),
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as failure:
        if isinstance(failure, KeyError):
            what = f"one without a known {failure}"
        elif isinstance(failure, RecursionError):
            what = "a nesting without end"
        else:
            what = f"{failure}"[:100]
        raise SetupError(f"{log}, header, vehicle", "a vehicle profile", what, "Give one with --vehicle") from None


def _header_figures(found: Mapping[str, tuple[float, float, str]]) -> dict[str, Figure]:
    figures = {}
    for name, (likely, spread, source) in found.items():
        key = FIGURES[name]
        if not key.low <= likely <= key.high or not 0 <= spread <= key.high - key.low:
            raise ValueError(f"{name} out of range")
        figures[name] = Figure(float(likely), float(spread), str(source))
    return figures


def _header_together(found: Mapping[str, list[float]]) -> Together:
    return Together(tuple(found), tuple(tuple(float(value) for value in row) for row in found.values()))
