"""Picture of a comparison: every drive of every state as one mark with its spread; legible in greyscale."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from livemon.outputs.charts import INK, pyplot, save

MARKS: Final = "osD^vP"


def draw_compare(path: Path, states: Sequence[str], rows: Sequence[tuple[str, int, float, float]]) -> None:
    """`rows`: (drive, number of its state, heat shed per degree against the common model [%], one spread [%])."""
    plt = pyplot()
    figure, axis = plt.subplots(figsize=(9, 1.5 + 0.3 * max(len(rows), 4)), layout="constrained")
    order = sorted(range(len(rows)), key=lambda k: rows[k][1])[::-1]
    for state, name in enumerate(states):
        mine = [(at, rows[k]) for at, k in enumerate(order) if rows[k][1] == state]
        if mine:
            axis.errorbar(
                [row[2] for _, row in mine], [at for at, _ in mine], xerr=[row[3] for _, row in mine],
                fmt=MARKS[state % len(MARKS)], color=INK, mfc="white" if state % 2 == 0 else INK, capsize=3,
                label=name,
            )  # fmt: skip
    axis.axvline(0.0, color=INK, linewidth=0.8)
    axis.set_yticks(range(len(order)), [rows[k][0][-40:] for k in order], fontsize=8)
    axis.set_xlabel("heat shed per degree against the common model [%]; bars: what drives usually differ by")
    axis.legend(fontsize=8)
    save(figure, path)
