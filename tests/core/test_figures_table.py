"""The table of figures in docs/model.md is the one in code.  Run as a module, it writes that table anew."""

from __future__ import annotations

from pathlib import Path

from livemon.core.figures import BODY, COOLING, ENGINE, FigureKey

DOCUMENT = Path(__file__).parents[2] / "docs" / "model.md"
START = "| figure | default | spread | range | meaning | source |\n"


def row(key: FigureKey) -> str:
    ways = "ratio" if key.log else "plain"
    numbers = f"{key.likely:g} | {key.spread:g} ({ways}) | {key.low:g} to {key.high:g}"
    return f"| `{key.name}` | {numbers} | {key.meaning} | {key.source} |\n"


def table() -> str:
    rows = (row(key) for part in (BODY, ENGINE, COOLING) for key in part.values())
    return START + "|---|---|---|---|---|---|\n" + "".join(rows)


def test_document_and_code_agree() -> None:
    assert DOCUMENT.read_text(encoding="utf-8").endswith(table()), "run: python -m tests.core.test_figures_table"


if __name__ == "__main__":
    text = DOCUMENT.read_text(encoding="utf-8")
    DOCUMENT.write_text(text.split(START)[0] + table(), encoding="utf-8")
