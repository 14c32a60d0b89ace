"""Pictures of a drive looked back on, by matplotlib (the `plots` extra): the whole drive, and close-ups of its worst.

Legible in greyscale and on a phone: few lines, each with its own dash, shade or hatch and a word at its end; the hues
only add to it.  Takes plain arrays by attribute, so it knows nothing of how they were made; text from a log is never
drawn, only its number.
"""

from __future__ import annotations

import io
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import repeat
from typing import Any, Final

import numpy as np

from livemon.core.units import LENGTH, SPEED, Display, to_unit
from livemon.outputs.charts import BAND, HOT, INK, ROAD, WARN, pyplot
from livemon.outputs.summary_text import clock

DPI: Final = 150
WIDTH_IN: Final = 6.4
"""Drawn this narrow, 11 point letters are still read on a phone of 375 px."""
AHEAD_S: Final = 300
FAN_EACH_S: Final = 180.0
MOST_MARKS: Final = 40
HATCHES: Final = {"advisory": "..", "caution": "////", "warning": "xxxx"}
SHADES: Final = {"advisory": "#cfe3f1", "caution": WARN, "warning": HOT}
_STYLE: Final = {"font.size": 11, "axes.titlesize": 11, "hatch.linewidth": 0.7, "text.parse_math": False}
_ROWS: Final = (3.4, 1.0, 1.0, 0.8)


@dataclass(frozen=True, slots=True)
class Stretch:
    """What of a drive is drawn: from .. to [s], and whether single forecasts are fanned out."""

    from_s: float
    to_s: float
    fan: bool


def draw(series: Any, report: Mapping[str, Any], display: Display, stretch: Stretch) -> bytes:
    """One picture as PNG.

    `series` has `drive` (columns on an even grid, `t_s`) and `said` (`t_s`, `estimate_c`, `ahead_c` by horizon);
    `report` the spans and marks.  Panels: coolant against limit, stop and the band foreseen five minutes before;
    speed; height, or grade where no height is known; outside air with the A/C.
    """
    plt = pyplot()
    with plt.rc_context(_STYLE):
        figure, (heat, speed, road, air) = plt.subplots(4, 1, figsize=(WIDTH_IN, 8.0), sharex=True, height_ratios=_ROWS)
        try:
            _heat(heat, series, report, display, stretch)
            _speed(speed, series.drive, display, stretch)
            _road(road, series, display, stretch)
            _air(air, series.drive, display, stretch)
            for axis in (heat, speed, road, air):
                axis.grid(True, color="#dddddd", lw=0.6)
                axis.set_axisbelow(True)
            _time_axis(air, stretch)
            for axis in (heat, speed, road, air):
                axis.yaxis.set_label_coords(-0.095, 0.5)
            figure.subplots_adjust(left=0.12, right=0.96, top=0.89, bottom=0.065, hspace=0.13)
            told = io.BytesIO()
            figure.savefig(told, dpi=DPI, format="png", metadata={"Software": None})
            return told.getvalue()
        finally:
            plt.close(figure)


def draw_each(series: Any, report: Mapping[str, Any], display: Display, stretches: Sequence[Stretch]) -> list[bytes]:
    """The pictures, two at a time where there are several of them and several cores."""
    if len(stretches) < 3 or (os.cpu_count() or 1) < 2:
        return [draw(series, report, display, stretch) for stretch in stretches]
    pyplot()  # loaded once, before there are two processes
    with ProcessPoolExecutor(max_workers=2) as pool:
        same = (repeat(given) for given in (series, report, display))
        return list(pool.map(draw, *same, stretches))


def _temp(values_c: Any, display: Display) -> Any:
    """A column in the units shown; the arithmetic of units takes arrays as it takes numbers."""
    return display.temp(values_c)


def _time_axis(axis: Any, stretch: Stretch) -> None:
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    span = stretch.to_s - stretch.from_s
    step = next((s for s in (60, 120, 300, 600, 900, 1800, 3600, 7200, 14400) if span / s <= 8), 86400)
    axis.xaxis.set_major_locator(MultipleLocator(step))
    axis.xaxis.set_major_formatter(FuncFormatter(lambda s, _: clock(s)))
    axis.set_xlim(stretch.from_s, stretch.to_s)
    axis.set_xlabel("time of the drive [min:s]" if stretch.to_s < 3600.0 else "time of the drive [h:min:s]")


def _inside(t_s: Any, stretch: Stretch, before_s: float = 0.0) -> Any:
    return (t_s >= stretch.from_s - before_s) & (t_s <= stretch.to_s)


def _heat(axis: Any, series: Any, report: Mapping[str, Any], display: Display, stretch: Stretch) -> None:
    drive, said = series.drive, series.said
    here = _inside(drive.t_s, stretch)
    coolant = _temp(drive.coolant_c, display)
    limit, stop = display.temp(report["limit_c"]), display.temp(report["stop_c"])
    unit = display.temperature
    earlier = _inside(said.t_s, stretch, AHEAD_S)
    low, _, high = said.ahead_c[AHEAD_S]
    if np.isfinite(low[earlier]).any():
        axis.fill_between(
            said.t_s[earlier] + AHEAD_S, _temp(low[earlier], display), _temp(high[earlier], display),
            color=BAND, alpha=0.45, lw=0.0, label="foreseen 5 min before (80 %)",
        )  # fmt: skip
    axis.plot(drive.t_s[here], coolant[here], color=INK, lw=1.9, label="coolant as read")
    axis.axhline(stop, color=HOT, lw=1.6, ls="-.", label=f"stop {stop:.0f} {unit}")
    axis.axhline(limit, color="#b36b00", lw=1.6, ls="--", label=f"limit {limit:.0f} {unit}")
    if stretch.fan:
        _fans(axis, said, display, stretch)
    known = coolant[here][np.isfinite(coolant[here])]
    bottom, top = _range(known, limit, stop, display)
    axis.set_ylim(bottom, top)
    _levels(axis, report["levels"] or (), bottom, top, stretch)
    _marks(axis, report, stretch)
    axis.set_ylabel(f"coolant [{unit}]")
    figure = axis.get_figure()
    figure.legend(*axis.get_legend_handles_labels(), loc="upper center", ncols=2, fontsize=9, frameon=False)


def _range(known: Any, limit: float, stop: float, display: Display) -> tuple[float, float]:
    """Cold starts may leave the picture at the bottom: the degrees near the lines are what is looked for."""
    lowest = float(np.percentile(known, 5)) if known.size else limit
    bottom = max(min(lowest, limit) - display.step(6.0), limit - display.step(45.0))
    highest = float(known.max()) if known.size else limit
    return bottom, max(stop + display.step(3.0), highest + display.step(4.0))


def _fans(axis: Any, said: Any, display: Display, stretch: Stretch) -> None:
    """Forecasts as they stood each three minutes: from the estimate of then over 2, 5 and 10 minutes."""
    _, now, _ = said.estimate_c
    label: str | None = "likely course as foreseen then"
    due = stretch.from_s
    for k in range(len(said.t_s)):
        t = float(said.t_s[k])
        if t < due or t > stretch.to_s or not np.isfinite(now[k]):
            continue
        due = t + FAN_EACH_S
        times = [t, *(t + h for h in said.ahead_c)]
        values = [now[k], *(likely[k] for _, likely, _ in said.ahead_c.values())]
        shown = _temp(np.array(values), display)
        axis.plot(times, shown, color="#0072B2", lw=1.0, ls=(0, (2, 1)), marker="o", ms=2.6, label=label, clip_on=True)
        label = None


def _levels(axis: Any, spells: Sequence[Mapping[str, Any]], bottom: float, top: float, stretch: Stretch) -> None:
    """A strip at the foot of the picture: where an advisory, a caution, a warning stood; hatched, so grey will do."""
    high = bottom + 0.06 * (top - bottom)
    told: set[str] = set()
    for spell in spells:
        word = spell["level"]
        if word not in HATCHES or spell["to_s"] < stretch.from_s or spell["from_s"] > stretch.to_s:
            continue
        axis.fill_between(
            [spell["from_s"], spell["to_s"]], bottom, high, facecolor=SHADES[word], edgecolor=INK, lw=0.4,
            hatch=HATCHES[word], label=None if word in told else word, zorder=3,
        )  # fmt: skip
        told.add(word)


def _marks(axis: Any, report: Mapping[str, Any], stretch: Stretch) -> None:
    """Numbers at the top: actions in triangles, notes in squares; the tables say what each is."""
    for rows, marker, height in ((report["acted"] or (), "^", 0.965), (report["notes"], "s", 0.885)):
        for number, row in enumerate(rows[:MOST_MARKS], 1):
            if not stretch.from_s <= row["at_s"] <= stretch.to_s:
                continue
            axis.plot(
                [row["at_s"]], [height], marker=marker, ms=11, mfc="white", mec=INK, mew=0.9, ls="none",
                transform=axis.get_xaxis_transform(), clip_on=False, zorder=4,
            )  # fmt: skip
            axis.text(
                row["at_s"], height, str(number), ha="center", va="center", fontsize=7, zorder=5,
                transform=axis.get_xaxis_transform(),
            )  # fmt: skip


def _speed(axis: Any, drive: Any, display: Display, stretch: Stretch) -> None:
    here = _inside(drive.t_s, stretch)
    shown = to_unit(drive.speed_kmh[here], SPEED, display.speed)
    axis.plot(drive.t_s[here], shown, color=INK, lw=1.0)
    axis.set_ylim(0.0, None)
    axis.set_ylabel(display.speed)


def _road(axis: Any, series: Any, display: Display, stretch: Stretch) -> None:
    drive, said = series.drive, series.said
    here, there = _inside(drive.t_s, stretch), _inside(said.t_s, stretch)
    if np.isfinite(drive.height_m[here]).any():
        shown = to_unit(drive.height_m[here], LENGTH, display.length)
        axis.fill_between(drive.t_s[here], np.nanmin(shown), shown, color=ROAD, alpha=0.45, lw=0.0)
        axis.plot(drive.t_s[here], shown, color=INK, lw=1.0)
        axis.set_ylabel(f"height [{display.length}]")
        return
    grade = said.grade_pct[there]
    known = grade[np.isfinite(grade)]
    axis.plot(said.t_s[there], grade, color=INK, lw=0.8)
    axis.set_ylim(min(-3.0, known.min(initial=0.0) - 1.0), max(3.0, known.max(initial=0.0) + 1.0))
    if not known.size:
        words = "neither height nor grade is known"
        axis.text(0.5, 0.75, words, transform=axis.transAxes, fontsize=9, ha="center", va="center")
    axis.axhline(0.0, color=ROAD, lw=0.8)
    axis.set_ylabel("grade [%]")


def _air(axis: Any, drive: Any, display: Display, stretch: Stretch) -> None:
    from matplotlib.ticker import MaxNLocator

    here = _inside(drive.t_s, stretch)
    air = _temp(drive.air_c[here], display)
    axis.plot(drive.t_s[here], air, color=INK, lw=1.1, ls="-" if drive.air_measured else ":")
    axis.set_ylabel(f"air [{display.temperature}]")
    axis.yaxis.set_major_locator(MaxNLocator(3, integer=True))
    known = air[np.isfinite(air)]
    if known.size:  # room for the strip below and the words above
        middle, half = 0.5 * (known.min() + known.max()), max(0.5 * np.ptp(known), display.step(2.5))
        axis.set_ylim(middle - 2.0 * half, middle + 1.8 * half)
    on = drive.ac_on[here] == 1.0
    if on.any():
        axis.fill_between(
            drive.t_s[here], 0.0, 0.16, where=on, transform=axis.get_xaxis_transform(), facecolor="white",
            edgecolor=INK, hatch="\\\\\\", lw=0.4, step="post",
        )  # fmt: skip
    words = ["hatched: A/C on"] if on.any() else []
    words += [] if drive.air_measured else ["air guessed from the intake"]
    axis.text(0.99, 0.95, ", ".join(words), transform=axis.transAxes, fontsize=8, ha="right", va="top")


def close_ups(
    report: Mapping[str, Any], end_s: float, most: int = 4, around_s: float = 720.0
) -> list[tuple[str, Stretch]]:
    """Windows around what is worth a closer look, worst first, each apart from the others: a title and the stretch."""
    wanted = [(f"warning at {clock(t)}", t) for t in report["warnings"] or ()]
    wanted += [(f"caution at {clock(t)}", t) for t in report["cautions"] or ()]
    if report["peak_at_s"] is not None:
        wanted.append((f"peak at {clock(report['peak_at_s'])}", report["peak_at_s"]))
    wanted += [
        (f"hottest of the climb from {clock(c['from_s'])}", c["peak_at_s"])
        for c in sorted(report["climbs"], key=lambda c: -(c["peak_c"] or 0.0))
        if c["peak_at_s"] is not None
    ]
    chosen: list[tuple[str, float]] = []
    for title, at_s in wanted:
        if len(chosen) < most and all(abs(at_s - other) > around_s for _, other in chosen):
            chosen.append((title, at_s))
    return [(title, Stretch(max(at_s - around_s, 0.0), min(at_s + around_s, end_s), True)) for title, at_s in chosen]
