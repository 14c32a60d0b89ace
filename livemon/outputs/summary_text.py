"""The summary of a replay in words, for people; the figures come from `Summary`, units from the display chosen."""

from __future__ import annotations

from collections.abc import Sequence

from livemon.core.units import Display
from livemon.outputs.summary import Summary

_LISTED = 8


def clock(seconds: float) -> str:
    """Time of the log as minutes and seconds: 4321 -> 1:12:01."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def summary_text(name: str, summary: Summary, limit_c: float, display: Display) -> str:
    """A few lines with their newlines."""
    skipped = ", ".join(f"{reason} {n}" for reason, n in summary.skipped) or "none"
    lines = [
        name,
        f"  rows       {summary.rows} over {clock(summary.seconds)}; skipped: {skipped}",
        f"  peak       {_peak(summary, display)}",
        f"  limit      {_temp(limit_c, display)}; crossed {_times(summary.crossings)}",
        f"  cautions   {_times(summary.cautions)}",
        f"  warnings   {_times(summary.warnings)}",
    ]
    if summary.leads_s:
        leads = ("none" if lead is None else f"{lead:.0f} s" for lead in summary.leads_s[:_LISTED])
        lines.append(f"  lead       {', '.join(leads)} between caution and crossing")
    return "\n".join([*lines, ""])


def _temp(value_c: float, display: Display) -> str:
    return f"{display.temp(value_c):.0f} {display.temperature}"


def _peak(summary: Summary, display: Display) -> str:
    if summary.peak_c is None or summary.peak_at_s is None:
        return "no coolant reading"
    return f"{_temp(summary.peak_c, display)} at {clock(summary.peak_at_s)}"


def _times(times: Sequence[float]) -> str:
    if not times:
        return "never"
    more = f" and {len(times) - _LISTED} more" if len(times) > _LISTED else ""
    return f"{len(times)}: at {', '.join(clock(t) for t in times[:_LISTED])}{more}"
