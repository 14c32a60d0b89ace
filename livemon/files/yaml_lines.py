"""A small YAML file as nested words, each with the line it stands on, so that a message can say where.

Only mappings, lists and plain words are taken: no tags, no anchors, no types guessed, so that `no` stays "no" and
`108 C` stays "108 C".  Knows nothing of which keys exist.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import yaml

from livemon.errors import SetupError

MAX_BYTES = 262_144


class _PlainLoader(yaml.SafeLoader):
    """Refuses aliases: a few lines of them can stand for gigabytes."""

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        if self.check_event(yaml.AliasEvent):
            mark = self.peek_event().start_mark  # type: ignore[no-untyped-call]  # the stubs leave it untyped
            raise yaml.MarkedYAMLError(problem="an alias (`*name`)", problem_mark=mark)
        return super().compose_node(parent, index)


@dataclass(frozen=True, slots=True)
class Word:
    """One value as written, and where: `file, line n`."""

    text: str
    where: str


@dataclass(frozen=True, slots=True)
class Words:
    """A list of values."""

    items: tuple[Node, ...]
    where: str


@dataclass(frozen=True, slots=True)
class Block:
    """A mapping; keys are unique."""

    entries: dict[str, Node]
    where: str
    keys_at: dict[str, str]


Node = Word | Words | Block


def read_text(path: Path) -> str:
    """Text of a settings or profile file; SetupError when it cannot be read as such."""
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as failure:
        raise SetupError(str(path), "a readable file", failure.strerror or str(failure), "Check its name") from None
    if len(data) > MAX_BYTES:
        raise SetupError(str(path), f"a file of at most {MAX_BYTES // 1024} KiB", "a longer one")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as failure:
        line = data.count(b"\n", 0, failure.start) + 1
        raise SetupError(f"{path}, line {line}", "UTF-8 text", "other bytes", "Save the file as UTF-8") from None


def load(path: Path) -> Block:
    """The file's top mapping; an empty file is an empty one."""
    return parse(read_text(path), str(path))


def parse(text: str, name: str) -> Block:
    """As `load`, from a text that is called `name` in messages."""
    try:
        node = yaml.compose(text, Loader=_PlainLoader)
        if node is None:
            return Block({}, f"{name}, line 1", {})
        top = _node(node, name)
    except yaml.MarkedYAMLError as failure:
        mark = failure.problem_mark
        where = name if mark is None else f"{name}, line {mark.line + 1}"
        raise SetupError(where, "plain YAML", (failure.problem or "something else").removeprefix("found ")) from None
    except yaml.YAMLError as failure:  # a character that YAML forbids
        line = text.count("\n", 0, getattr(failure, "position", 0)) + 1
        raise SetupError(f"{name}, line {line}", "plain YAML", str(failure).splitlines()[0]) from None
    except RecursionError:
        raise SetupError(name, "keys and values", "a nesting without end") from None
    if not isinstance(top, Block):
        raise SetupError(top.where, "keys and values (`key: value`)", _kind(top))
    return top


def _kind(node: Node) -> str:
    if isinstance(node, Word):
        return f"the single value {node.text[:40]!r}"
    return "a list" if isinstance(node, Words) else "a group of keys"


def _node(node: yaml.Node, name: str) -> Node:
    where = f"{name}, line {node.start_mark.line + 1}"
    if isinstance(node, yaml.ScalarNode):
        return Word(node.value, where)
    if isinstance(node, yaml.SequenceNode):
        return Words(tuple(_node(item, name) for item in node.value), where)
    if not isinstance(node, yaml.MappingNode):
        raise SetupError(where, "a value, a list or keys", node.tag)
    entries: dict[str, Node] = {}
    keys_at: dict[str, str] = {}
    for key, value in node.value:
        at = f"{name}, line {key.start_mark.line + 1}"
        if not isinstance(key, yaml.ScalarNode):
            raise SetupError(at, "a key of one word", "a list or group as key")
        if key.value in entries:
            raise SetupError(at, f"the key {key.value} once", f"it again (first at {keys_at[key.value]})")
        keys_at[key.value] = at
        entries[key.value] = _node(value, name)
    return Block(entries, where, keys_at)


def word(node: Node, expected: str) -> Word:
    """`node` as a single value, or SetupError that says what was expected."""
    if not isinstance(node, Word):
        raise SetupError(node.where, expected, _kind(node))
    return node


def block(node: Node, expected: str) -> Block:
    """`node` as a group of keys; a key left without value is an empty group."""
    if isinstance(node, Word) and node.text in ("", "~", "null"):
        return Block({}, node.where, {})
    if not isinstance(node, Block):
        raise SetupError(node.where, expected, _kind(node))
    return node


def items(node: Node, expected: str) -> Iterator[Word]:
    """The single values of a list."""
    if not isinstance(node, Words):
        raise SetupError(node.where, expected, _kind(node))
    for item in node.items:
        yield word(item, expected)
