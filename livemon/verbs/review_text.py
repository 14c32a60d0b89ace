"""A review and a sensor check as text for a terminal; the tables are those of the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from rich.console import Console
from rich.table import Table as RichTable
from rich.text import Text

from livemon.core.units import Display
from livemon.errors import printable
from livemon.outputs import review_page as tables
from livemon.outputs.summary_text import clock
from livemon.outputs.view_words import CAUTION_SHORT
from livemon.study.sensor_check import SensorCheck
from livemon.verbs.common import sheet
from livemon.verbs.review_short import HEADING, short_lines

MOST_ROWS: Final = 20
ACTIONS: Final = "Actions, and what they did"


def tell(report: Mapping[str, Any], display: Display, written: Sequence[str]) -> None:
    """The summary of one drive."""
    console = sheet()
    unit = tables.Units(display)
    margin = report["least_margin_c"]
    console.print(Text(f"{printable(report['log'])}: {clock(report['seconds'])}", style="bold"))
    peak = f"peak {unit.temp(report['peak_c'], unit=True)} at {clock(report['peak_at_s'])}"
    limit = f"limit {unit.temp(report['limit_c'], unit=True)}, stop {unit.temp(report['stop_c'], unit=True)}"
    console.print(Text(f"{peak}; {limit}; {tables.long_words(report['over_limit_s'])} at or over the limit"))
    blind = tables.blind_words(report)
    if blind is not None:
        console.print(Text(blind, style="bold"))
    if margin is not None:
        console.print(
            Text(
                f"least margin to the limit {unit.step(margin['likely'], sign=True, unit=True)} "
                f"({unit.step(margin['low'], sign=True)} to {unit.step(margin['high'], sign=True)}) "
                f"at {clock(report['least_margin_at_s'])}"
            )
        )
    for number, crossing in enumerate(report["crossings"]):
        told = ""
        if report["whole"]:
            lead = report["leads_s"][number]
            told = ", without a caution before it" if lead is None else f", {lead:.0f} s after the caution"
        console.print(Text(f"limit crossed at {clock(crossing)}{told}"))
    asked: list[tuple[str, tables.Table]] = [
        ("Notes", tables.notes(report)),
        ("Climbs", tables.climbs(report, unit)),
        ("Jams and idling", tables.jams(report, unit)),
    ]
    if report["whole"]:
        asked.insert(0, ("Levels", tables.levels(report)))
        asked.insert(1, (ACTIONS, tables.actions(report, unit)))
        asked.append(("Forecasts against what came", tables.forecasts(report, unit)))
    for heading, table in (*asked, ("Data", tables.quality(report, unit))):
        _table(console, heading, table)
        if heading == ACTIONS and report["acted"]:
            console.print(Text(tables.ACTED_REMARK, style="dim"))
    console.print(Text(f"Dash needle: {tables.needle_words(report, unit)}"))
    if report["short"] is not None:
        console.print(Text(HEADING, style="bold"))
        for line in short_lines(report["short"]):
            console.print(Text(line))
    if not report["whole"]:
        console.print(Text(tables.left_out(report)))
    for path in written:
        console.print(Text(f"written: {path}"))
    console.print(Text(CAUTION_SHORT, style="dim"))


def _table(console: Console, heading: str, table: tables.Table) -> None:
    columns, rows, empty = table
    if not rows:
        if empty:
            console.print(Text(empty))
        return
    named = any(column.head for column in columns)
    shown = RichTable(
        title=Text(heading), title_justify="left", box=None, pad_edge=False, show_header=named, padding=(0, 1, 0, 0)
    )
    for column in columns:
        shown.add_column(Text(column.head), justify="right" if column.figure else "left")
    for row in rows[:MOST_ROWS]:
        shown.add_row(*(Text(printable(cell)) for cell in row))
    console.print(shown)
    if len(rows) > MOST_ROWS:
        console.print(Text(f"and {len(rows) - MOST_ROWS} more; --json has every row"))


def sensor_text(found: SensorCheck, display: Display) -> str:
    """What the pairs say, and what to write into the settings, should the owner want it."""
    unit = tables.Units(display)
    step = display.temperature

    def k(value_c: float) -> str:
        return unit.step(value_c, sign=True)

    low, high = (unit.temp(t) for t in found.span_c)
    lines = [
        f"coolant sensor against thermometer: {found.pairs} pairs from {low} to {high} {step}",
        f"  sensor less thermometer  {k(found.offset_c)} {step}, 90 % interval {k(found.low_c)} to {k(found.high_c)}; "
        f"one reading spreads by {unit.step(found.spread_c)}",
        f"  verdict                  {found.words}",
    ]
    if found.agrees is False and not found.bent:
        lines.append(
            f"  to correct it            settings, section drive: `sensor_offset: {found.offset_c:.1f} K` "
            "(nothing was changed)"
        )
    lines.append("  A bare shiny housing reads low by infrared: matt tape helps. A sensor far off belongs replaced.")
    return "\n".join([*lines, ""])
