"""The README's promises: its two commands run what they say, its links exist, its picture is what the program shows."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


def command_after(mark: str) -> str:
    after = TEXT.split(f"<!-- {mark} -->")[1]
    return next(line.strip() for line in after.splitlines() if line.startswith("    "))


PAGES = [*sorted(Path(ROOT, "docs").glob("*.md")), ROOT / "README.md", ROOT / "DEVELOPERS.md"]


def anchors(page: Path) -> set[str]:
    """The places of a page that a link may name: its headings, in lower case, dashes for blanks, nothing else kept."""
    heads = re.findall(r"^#{1,6} +(.+)$", re.sub(r"^```.*?^```", "", page.read_text("utf-8"), flags=re.M | re.S), re.M)
    return {re.sub(r"[^\w\- ]", "", head.strip().lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_to_a_file_of_the_project_leads_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if "://" in target or target.startswith("mailto:"):
            continue
        name, _, place = target.partition("#")
        there = page.parent / name if name else page
        assert there.exists(), f"{page.name}: {target}"
        assert not place or place in anchors(there), f"{page.name}: {target}: no such heading in {there.name}"


def test_the_first_command_shows_the_main_job_on_a_log_of_the_project() -> None:
    words = command_after("first command").split()
    log = words[words.index("replay") + 1]
    assert (ROOT / log).is_file()
    assert words[:3] == ["python3", "-m", "venv"]


def test_the_check_script_runs_the_readme_s_test_command() -> None:
    script = (ROOT / ".ci/run").read_text(encoding="utf-8")
    assert "<!-- test command -->" in script
    assert "pytest" in command_after("test command")


def test_the_job_comes_first() -> None:
    first = TEXT.split("\n\n")[1]
    assert first.startswith("`livemon` keeps the engine")


def test_verbs_of_the_readme_exist() -> None:
    for verb in set(re.findall(r"livemon (\w+) ", TEXT)):
        assert (ROOT / "livemon/verbs" / f"{verb}.py").is_file(), verb


def test_the_picture_is_what_the_first_command_shows() -> None:
    words = command_after("first command").split()
    log = words[words.index("replay") + 1]
    shown = subprocess.run(
        [sys.executable, "-m", "livemon", "replay", log],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    ).stdout
    picture = TEXT.split("<!-- driver's view -->")[1].split("One figure pair")[0]
    lines = [line.removeprefix("    ").rstrip() for line in picture.strip("\n").splitlines()]
    assert "\n".join(lines) in "\n".join(line.rstrip() for line in shown.splitlines())
