"""Picture of the trade-off that `tune` found: warnings in time against false cautions, lead against time in caution.

By matplotlib (the `plots` extra).  Legible in greyscale: what is in force, what is best and the rest differ in shape
and label, not only in hue.  Knows nothing of settings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from livemon.outputs.charts import BAND, HOT, INK, ROAD, pyplot, save


@dataclass(frozen=True, slots=True)
class Dot:
    """One candidate; None where the logs say nothing of it."""

    false_per_h: float | None
    warned_share: float | None
    median_lead_s: float | None
    alarm_share: float | None


def draw_trade_off(
    path: Path, title: str, dots: Sequence[Dot], front: Sequence[int], best: int, ahead_s: float
) -> None:
    """Two panels; `dots[0]` is what is in force, `front` are the candidates no other beats, in order."""
    plt = pyplot()
    figure, (warned, standing) = plt.subplots(1, 2, figsize=(10, 4.8), layout="constrained")
    sides = (
        (warned, 10.0, lambda d: (d.false_per_h, None if d.warned_share is None else 100.0 * d.warned_share)),
        (standing, 60.0, lambda d: (None if d.alarm_share is None else 100.0 * d.alarm_share, d.median_lead_s)),
    )
    for axis, least_top, place in sides:
        known = [(k, place(d)) for k, d in enumerate(dots) if None not in place(d)]
        axis.plot([p[0] for _, p in known], [p[1] for _, p in known], "o", ms=4, mfc="none", mec=ROAD, label="tried")
        if axis is warned:
            line = [p for k in front for j, p in known if j == k]
            axis.plot(
                [p[0] for p in line], [p[1] for p in line], "-", color=INK, lw=1.0, label="none is better in both"
            )
        marks = [(0, "s", BAND, "in force"), *([(best, "D", HOT, "least cost")] if best else [])]
        for k, shape, colour, words in marks:
            at = dict(known).get(k)
            if at is not None:
                axis.plot(*at, shape, ms=11, mfc=colour, mec=INK, mew=1.5, label=words)
        axis.grid(True, color="#dddddd", lw=0.6)
        axis.legend(fontsize=9, framealpha=0.9)
        axis.margins(0.12)
        top = max(axis.get_ylim()[1], least_top)
        axis.set_ylim(-0.04 * top, top)
    warned.set_xlabel("false cautions an hour")
    warned.set_ylabel(f"crossings warned {ahead_s:g} s ahead [%]")
    standing.set_xlabel("time in caution or warning [%]")
    standing.set_ylabel("median lead [s]")
    figure.suptitle(title, fontsize=11)
    save(figure, path)
