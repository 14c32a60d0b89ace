"""Every command in README and docs is one the program takes: verb, options and their forms; benches by their own help.

Nothing is run but the reading of the command line.  A command that only sketches (ends in an option without its value,
or holds a placeholder in capitals) need not parse whole; its options must exist all the same.
"""

from __future__ import annotations

import argparse
import re
import shlex
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path

import pytest

from livemon.cli import VERBS

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
PROGRAM = re.compile(r"(?:^|&& |sudo -u livemon )(?:[\w./]*/)?livemon ([a-z]+\b.*)$")
BENCH = re.compile(r"(?:^|&& )(?:[\w./]*/)?python3? -m (tests[\w.]+)(.*)$")


def commands(page: Path) -> list[str]:
    """Lines that stand as code, and code within a sentence even where it runs over the end of a line."""
    text = page.read_text(encoding="utf-8")
    blocks = re.findall(r"^```\w*\n(.*?)^```", text, re.M | re.S)
    rest = re.sub(r"^```\w*\n.*?^```\n", "", text, flags=re.M | re.S)
    lines = [line for block in blocks for line in block.splitlines()]
    lines += [line for line in rest.splitlines() if line.startswith("    ")]
    spans = re.findall(r"`([^`]+)`", "\n".join(line for line in rest.splitlines() if not line.startswith("    ")))
    return [" ".join(words.split("  ")[0].split(" # ")[0].split()) for words in (*map(str.strip, lines), *spans)]


def found(pattern: re.Pattern[str]) -> list[tuple[str, str]]:
    told = {(page.name, match.group(0)) for page in PAGES for line in commands(page) if (match := pattern.search(line))}
    return sorted(told)


def parser_of(verb: str) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(exit_on_error=False, allow_abbrev=False, add_help=False)
    import_module(f"livemon.verbs.{verb}").add_arguments(parser)
    return parser


def test_commands_were_found() -> None:
    """The patterns above still see the pages."""
    assert {"README.md", "install.md", "plan.md", "wiring.md"} <= {page for page, _ in found(PROGRAM)}
    assert len(found(PROGRAM)) > 60
    assert len(found(BENCH)) > 12


@pytest.mark.parametrize(("page", "command"), found(PROGRAM))
def test_the_program_takes_the_command(page: str, command: str) -> None:
    match = PROGRAM.search(command)
    assert match is not None
    verb, *words = shlex.split(match.group(1).replace("...", ""))
    assert verb in VERBS
    if not words:  # the verb's name in a sentence
        return
    options = {option for action in parser_of(verb)._actions for option in action.option_strings}
    for word in words:
        if word.startswith("--"):
            assert word.split("=")[0] in options, f"{page}: {word} of `{command}`"
    if words[-1].startswith("--") or any(re.fullmatch("[A-Z]+", word) for word in words):
        return
    try:
        parser_of(verb).parse_args(words)
    except (SystemExit, argparse.ArgumentError) as wrong:
        pytest.fail(f"{page}: `{command}`: {wrong}")


@pytest.mark.parametrize(("page", "command"), found(BENCH))
def test_the_bench_is_there_and_names_every_option(page: str, command: str) -> None:
    match = BENCH.search(command)
    assert match is not None
    spec = find_spec(match.group(1))
    assert spec is not None, f"{page}: no module {match.group(1)}"
    main = find_spec(f"{match.group(1)}.__main__") if spec.submodule_search_locations else spec
    assert main is not None, f"{page}: {match.group(1)} cannot be run"
    assert main.origin is not None
    text = Path(main.origin).read_text(encoding="utf-8")
    for word in shlex.split(match.group(2).replace("...", "")):
        if word.startswith("--"):
            assert f'"{word.split("=")[0]}"' in text, f"{page}: {word} of `{command}`"
