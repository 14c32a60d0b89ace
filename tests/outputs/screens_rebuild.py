"""The stored screens: `python -m tests.outputs.screens_rebuild` writes them anew; look at what moved before committing.

One file for each view and size; each holds every scene, framed, exactly as a terminal of that size shows it.
"""

from __future__ import annotations

from pathlib import Path

from livemon.core.units import METRIC, US
from livemon.outputs import view
from livemon.outputs.view import View
from tests.outputs.scenes import HEALTH, SCENES, trend_to

SCREENS = Path(__file__).parent / "screens"
SIZES = ((20, 6), (40, 12), (60, 20), (80, 24), (100, 30))


def framed(screen: view.Screen, title: str) -> str:
    edge = "+" + "-" * screen.columns + "+"
    rows = ["|" + "".join(span.text for span in line) + "|" for line in screen.lines]
    return "\n".join([title, edge, *rows, edge, ""])


def pages() -> dict[str, str]:
    """File name -> text of every stored file."""
    out = {}
    for columns, rows in SIZES:
        for who in View:
            frames = []
            for name, outcome in SCENES.items():
                units = US if name in ("advisory", "warning") else METRIC
                screen = view.render(who, outcome, columns, rows, units, HEALTH, trend_to(outcome))
                frames.append(framed(screen, f"{name} ({units.name})"))
            out[f"{who.value}-{columns}x{rows}.txt"] = "\n".join(frames)
        count = view.start_seconds(columns, rows) // view.PAGE_S
        starts = [view.start_screen(columns, rows, page * view.PAGE_S, "starting") for page in range(count)]
        out[f"start-{columns}x{rows}.txt"] = "\n".join(
            framed(screen, f"page {page + 1}") for page, screen in enumerate(starts)
        )
    return out


def main() -> None:
    SCREENS.mkdir(exist_ok=True)
    for name, text in pages().items():
        (SCREENS / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
