"""Writes the tables of docs/vehicle.md anew from the tables of the program.

    python -m tests.rebuild_vehicle_docs

What stands outside the marked places is the writer's and stays as it is.
"""

from __future__ import annotations

import re
from pathlib import Path

from livemon.core.figures import BODY, COOLING, ENGINE, FigureKey
from livemon.core.vehicle import PARTS
from livemon.files.vehicle_file import FIGURE_OF, NAME_OF, figure_text

PAGE = Path(__file__).resolve().parents[1] / "docs/vehicle.md"


def _range(key: FigureKey) -> str:
    unit = "" if key.kind is None or key.kind.own in ("", "%") else f" {key.kind.own}"
    return f"{key.low:g} to {key.high:g}{unit}"


def figures(table: dict[str, FigureKey]) -> str:
    """One row a figure: key in the file, default with spread, range, meaning, source of the default."""
    rows = ["| key | default +- spread | may be | what it is | where it comes from |", "|---|---|---|---|---|"]
    for name, key in table.items():
        value = figure_text(name, key.default)
        rows.append(f"| `{NAME_OF[name]}` | {value} | {_range(key)} | {key.meaning} | {key.source} |")
    return "\n".join(rows)


def parts(fitted: bool) -> str:
    """One row a part state."""
    rows = ["| name | what it is | what it does |", "|---|---|---|"]
    if fitted:
        rows = ["| name | what it is | what it does | in place of |", "|---|---|---|---|"]
    for part in PARTS.values():
        if part.fitted is fitted:
            key = NAME_OF[part.figure]
            does = f"`{key}` becomes {part.factor:g}" if part.sets else f"`{key}` times {part.factor:g}"
            spread = f" +- {part.spread:g}" if part.spread else ""
            place = f" {', '.join(f'`{worn}`' for worn in part.replaces)} |" if fitted else ""
            rows.append(f"| `{part.name}` | {part.words} | {does}{spread} |{place}")
    return "\n".join(rows)


def tables() -> dict[str, str]:
    """Every marked place and what belongs there."""
    assert len(FIGURE_OF) == len({**BODY, **ENGINE, **COOLING})
    return {
        "body": figures(BODY),
        "engine": figures(ENGINE),
        "cooling": figures(COOLING),
        "worn": parts(fitted=False),
        "fitted": parts(fitted=True),
    }


def rebuilt(text: str) -> str:
    """`text` with every marked place filled."""
    for mark, table in tables().items():
        place = re.compile(rf"(<!-- {mark} -->\n).*?(\n<!-- end -->)", re.DOTALL)
        text, found = place.subn(lambda match, table=table: match[1] + table + match[2], text)  # type: ignore[misc]
        assert found == 1, mark
    return text


if __name__ == "__main__":
    PAGE.write_text(rebuilt(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
