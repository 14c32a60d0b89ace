"""Tables and the picture of one run of the benchmark."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.bench.forecast import scoring
from tests.bench.forecast.drives import Drive
from tests.bench.forecast.track import Track

Array = NDArray[np.float64]
RATES = (1.0, 2.0, 4.5, 6.4)
"""False cautions an hour at which the shares warned are compared."""


@dataclass(frozen=True)
class Row:
    """Every figure of one method over one set of drives."""

    method: str
    brier: float
    brier_near: float
    brier_hard: float
    auc: float
    unknown: float
    reliability: list[tuple[float, float, int]]
    ahead: dict[int, scoring.BandScore]
    time: scoring.TimeScore | None
    prognostics: scoring.Prognostics
    points: list[scoring.Point]
    own: scoring.Point | None
    us_per_step: float


NEAR_C = 10.0


def row(method: str, drives: list[Drive], tracks: list[Track], sweep: bool = True) -> Row:
    """Scores one method; a chance that was not given counts as zero, and how often is told."""
    chances, hard, outcomes, near, missing = [], [], [], [], []
    for d, t in zip(drives, tracks, strict=True):
        at, outcome = scoring.scored(d)
        chances.append(np.nan_to_num(t.chance_300[at], nan=0.0))
        hard.append((t.time_s[at] < scoring.WITHIN_S).astype(float))
        missing.append(np.isnan(t.chance_300[at]))
        outcomes.append(outcome)
        near.append(d.truth_c[at] > d.limit_c - NEAR_C)
    chance, outcome, close = np.concatenate(chances), np.concatenate(outcomes), np.concatenate(near)
    own = None
    raised = [t.caution for t in tracks if t.caution is not None]
    if len(raised) == len(tracks):
        own = scoring.point(drives, raised)
    return Row(
        method=method,
        brier=scoring.brier(chance, outcome),
        brier_near=scoring.brier(chance[close], outcome[close]),
        brier_hard=scoring.brier(np.concatenate(hard), outcome),
        auc=scoring.auc(chance, outcome),
        unknown=float(np.concatenate(missing).mean()),
        reliability=scoring.reliability(chance, outcome),
        ahead=scoring.ahead(drives, tracks),
        time=scoring.time_band(drives, tracks),
        prognostics=scoring.prognostics(drives, tracks),
        points=scoring.sweep(drives, tracks) if sweep else [],
        own=own,
        us_per_step=float(np.mean([t.us_per_step for t in tracks])) if tracks else float("nan"),
    )


def summary(drives: list[Drive]) -> str:
    """What the set of drives is."""
    over = np.array([d.peak_c - d.limit_c for d in drives])
    hours = sum(d.truth_c.size for d in drives) / 3600.0
    base = np.concatenate([scoring.scored(d)[1] for d in drives])
    return (
        f"{len(drives)} drives, {hours:.0f} h; {int((over > 1).sum())} cross, {int((over < -2).sum())} stay under, "
        f"{int(((over >= -2) & (over <= 1)).sum())} toss-ups; "
        f"limit crossed within 300 s in {100 * base.mean():.1f} % of seconds"
    )


def table(rows: list[Row]) -> str:
    """The main table in Markdown."""
    head = (
        "| method | Brier | Brier <10 C | hard | AUC | CRPS C 120/300/600 | in 80 % band 120/300/600 | RMSE C "
        "| CRPS time s | in time band | horizon s | alpha-lambda 300/120/60 | us/step |"
    )
    lines = [head, "|" + "---|" * head.count(" | ") + "---|"]
    for r in rows:
        a = [r.ahead.get(h) for h in (120, 300, 600)]
        lines.append(
            f"| {r.method} | {r.brier:.3f} | {r.brier_near:.3f} | {r.brier_hard:.3f} | {r.auc:.3f} "
            f"| {'/'.join('-' if x is None else f'{x.crps:.2f}' for x in a)} "
            f"| {'/'.join('-' if x is None else f'{100 * x.coverage:.0f}' for x in a)} "
            f"| {'/'.join('-' if x is None else f'{x.rmse:.2f}' for x in a)} "
            f"| {'-' if r.time is None else f'{r.time.crps_s:.0f}'} "
            f"| {'-' if r.time is None else f'{100 * r.time.coverage:.0f}'} "
            f"| {r.prognostics.horizon_s:.0f} "
            f"| {'/'.join(f'{100 * r.prognostics.accuracy[k]:.0f}' for k in (300, 120, 60))} "
            f"| {r.us_per_step:.0f} |"
        )
    return "\n".join(lines)


def warnings_table(rows: list[Row]) -> str:
    """Share of crossings warned 60/120/180 s ahead at equal false cautions an hour, and at the method's own level."""
    head = (
        "| method | "
        + " | ".join(f"{rate:g}/h" for rate in RATES)
        + " | lead at 2/h (threshold, time in false) | own level: false/h, 60/120/180, lead, time in false |"
    )
    lines = [head, "|" + "---|" * (len(RATES) + 3)]
    for r in rows:
        cells = []
        for rate in RATES:
            p = scoring.at_rate(r.points, rate)
            cells.append("-" if p is None else "/".join(f"{100 * p.warned[s]:.0f}" for s in scoring.LEADS_S))
        two = scoring.at_rate(r.points, 2.0)
        own = "-"
        if r.own is not None:
            shares = "/".join(f"{100 * r.own.warned[s]:.0f}" for s in scoring.LEADS_S)
            own = f"{r.own.false_per_h:.2f}/h, {shares}, {r.own.median_lead_s:.0f} s, {100 * r.own.standing:.0f} %"
        lead = "-" if two is None else f"{two.median_lead_s:.0f} s (at {two.threshold:.2f}, {100 * two.standing:.0f} %)"
        lines.append(f"| {r.method} | {' | '.join(cells)} | {lead} | {own} |")
    return "\n".join(lines)


def family_table(by_family: dict[str, list[Row]]) -> str:
    """Brier score of each method in each family."""
    families = list(by_family)
    lines = ["| Brier | " + " | ".join(families) + " |", "|" + "---|" * (len(families) + 1)]
    for i, first in enumerate(by_family[families[0]]):
        lines.append(f"| {first.method} | " + " | ".join(f"{by_family[f][i].brier:.3f}" for f in families) + " |")
    return "\n".join(lines)


def picture(rows: list[Row], title: str, path: Path) -> None:
    """Reliability, trade-off of warnings, and Brier scores in one picture."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    styles = ["-", "--", "-.", ":"]
    fig, (left, middle, right) = plt.subplots(1, 3, figsize=(17, 5.5), layout="constrained")
    fig.suptitle(title, fontsize=10)
    left.plot([0, 1], [0, 1], color="0.6", lw=1)
    for i, r in enumerate(rows):
        main = r.method in ("livemon", "frozen oracle", "line 120 s")
        width = 2.4 if r.method == "livemon" else 1.2
        if main:
            x, y, n = zip(*r.reliability, strict=True)
            left.plot(x, y, styles[i % 4], lw=width, marker="o", ms=4, label=f"{r.method} ({sum(n)} s)")
        shown = [p for p in r.points if p.false_per_h <= 8.0]
        middle.plot(
            [p.false_per_h for p in shown], [p.warned[60] for p in shown], styles[i % 4], lw=width, label=r.method
        )
        if r.own is not None:
            middle.plot([r.own.false_per_h], [r.own.warned[60]], "k*", ms=13, label=f"{r.method}, its own caution")
    left.set(
        xlabel="chance said: limit crossed within 300 s", ylabel="share that happened", title="Reliability in ten bins"
    )
    left.legend(fontsize=8)
    middle.set(
        xlabel="false cautions an hour",
        ylabel="share of crossings warned 60 s ahead",
        title="Warnings",
        ylim=(0, 1.02),
        xlim=(0, 8),
    )
    middle.legend(fontsize=7, loc="lower right")
    names = [r.method for r in rows]
    right.barh(
        names[::-1], [r.brier for r in rows][::-1], color=["0.25" if n == "livemon" else "0.65" for n in names[::-1]]
    )
    for i, r in enumerate(rows[::-1]):
        right.text(r.brier, i, f" {r.brier:.3f}", va="center", fontsize=8)
    right.set(xlabel="Brier score, crosses within 300 s (less is better)", title="Skill")
    fig.savefig(path, dpi=110)
    plt.close(fig)
