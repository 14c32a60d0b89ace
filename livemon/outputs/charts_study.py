"""Pictures of what was learned from drives, by matplotlib (the `plots` extra); legible in greyscale.

Takes plain arrays, so it knows nothing of how they were made.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from livemon.outputs.charts import INK, pyplot, save

MOST_NAMED: Final = 30


def draw_errors(path: Path, names: Sequence[str], drive: Any, residual_c: Any) -> None:
    """Errors of the free runs: by the minute run free, and drive by drive; `residual_c` (runs, minutes), nan = none."""
    plt = pyplot()
    figure, (left, right) = plt.subplots(
        1,
        2,
        figsize=(11, max(4.0, 1.5 + 0.22 * min(len(names), MOST_NAMED))),
        width_ratios=(2, 3),
        layout="constrained",
    )
    minutes = np.arange(1, residual_c.shape[1] + 1)
    columns = [column[np.isfinite(column)] for column in residual_c.T]
    shown = [(m, c) for m, c in zip(minutes.tolist(), columns, strict=True) if c.size]
    left.boxplot([c for _, c in shown], positions=[m for m, _ in shown], whis=(5, 95), showfliers=False,
                 medianprops={"color": INK, "linewidth": 2}, widths=0.6)  # fmt: skip
    left.axhline(0.0, color=INK, linewidth=0.8)
    left.set_xlabel("minutes run free")
    left.set_ylabel("measured less predicted coolant [K]")
    left.set_title("box: half of all; whiskers: 5 to 95 %", fontsize=9)
    which = np.unique(drive)
    errors = [residual_c[drive == k][np.isfinite(residual_c[drive == k])] for k in which]
    rms = np.array([np.sqrt(np.mean(e * e)) if e.size else 0.0 for e in errors])
    bias = np.array([np.mean(e) if e.size else 0.0 for e in errors])
    worst = np.argsort(-rms, kind="stable")[:MOST_NAMED][::-1]
    at = np.arange(len(worst))
    right.barh(at, rms[worst], color="#BBBBBB", edgecolor=INK, label="root mean square")
    right.plot(bias[worst], at, "D", color=INK, markersize=5, label="mean")
    right.axvline(0.0, color=INK, linewidth=0.8)
    right.set_yticks(at, [names[int(which[k])][-40:] for k in worst], fontsize=8)
    right.set_xlabel("error of a drive's free runs [K]")
    right.legend(fontsize=8)
    save(figure, path)
