"""A review as one HTML page that needs nothing else: no script, no outside request, pictures inside, made for a phone.

Every text that came out of a log or a file name goes through `escape` in `_cell` or `_text`; a content policy in the
page itself forbids everything but its own style and pictures.  Knows the tree of figures, not how it was made.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

from livemon.core.units import LENGTH, SPEED, Display, in_words, to_unit
from livemon.outputs.summary_text import clock
from livemon.outputs.view_words import CAUTION_WHOLE

UNKNOWN: Final = "--"
MOST_ROWS: Final = 60
"""A longer table is cut, and says so; `--json` has every row."""
SIGNS: Final = {"advisory": "< >", "caution": "/!\\", "warning": "[!!]"}
_CAUTION: Final = " ".join(CAUTION_WHOLE)
_POLICY: Final = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
_STYLE: Final = """
:root{color-scheme:light}
*{box-sizing:border-box}
body{margin:0 auto;padding:12px;max-width:1000px;font:16px/1.45 system-ui,sans-serif;color:#1a1a1a;background:#fff;
overflow-wrap:anywhere}
h1{font-size:1.35rem;margin:.2rem 0 .4rem}
h2{font-size:1.1rem;margin:1.6rem 0 .4rem;border-bottom:2px solid #1a1a1a}
p{margin:.4rem 0}
.small{font-size:.85rem;color:#444}
.cards{display:grid;grid-template-columns:repeat(auto-fit,minmax(140px,1fr));gap:8px;margin:.8rem 0}
.card{border:1px solid #777;border-radius:6px;padding:8px}
.card b{display:block;font-size:1.5rem;line-height:1.2}
.bad{border:3px double #1a1a1a}
figure{margin:.6rem 0}
img{width:100%;max-width:760px;height:auto;display:block}
figcaption{font-size:.85rem;color:#333}
.wide{overflow-x:auto;background:linear-gradient(to right,#fff 30%,#fff0),
linear-gradient(to left,#fff 30%,#fff0) 100% 0,
linear-gradient(to right,#0006,#0000),linear-gradient(to left,#0006,#0000) 100% 0;
background-size:36px 100%,36px 100%,12px 100%,12px 100%;background-repeat:no-repeat;
background-attachment:local,local,scroll,scroll} /* a shadow where a table goes on out of sight */
table{border-collapse:collapse;font-size:.9rem;font-variant-numeric:tabular-nums}
th,td{border-bottom:1px solid #bbb;padding:4px 8px;text-align:left;vertical-align:top}
td.n,th.n{text-align:right}
td.n{white-space:nowrap}
th{vertical-align:bottom;overflow-wrap:normal}
td.t{min-width:5rem}
@media(max-width:500px){table{font-size:.8rem}th,td{padding:3px 4px}}
"""


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG with what it shows: `title` over it, `words` for who cannot see it and under it."""

    name: str
    title: str
    words: str
    png: bytes


@dataclass(frozen=True, slots=True)
class Column:
    """Head of a column, and whether its cells are figures."""

    head: str
    figure: bool = True


def page(
    report: Mapping[str, Any], pictures: Sequence[Picture], display: Display, findings: Sequence[tuple[str, str]] = ()
) -> str:
    """The whole page; `findings` are further sections as (heading, plain text)."""
    unit = Units(display)
    whole = report["whole"]
    parts = [
        f"<p class=small>{_text(_CAUTION)}</p>",
        f"<p>{_text(_opening(report, unit))}</p>",
        _cards(report, unit),
        *(_picture(picture) for picture in pictures),
        _section("Levels", levels(report)) if whole else "",
        _section("Actions, and what they did", actions(report, unit)) if whole else "",
        f"<p class=small>{_text(ACTED_REMARK)}</p>" if report["acted"] else "",
        _section("Notes", notes(report)),
        _section("Climbs", climbs(report, unit)),
        _section("Jams and idling", jams(report, unit)),
        _section("Forecasts against what came", forecasts(report, unit)) if whole else "",
        f"<h2>Dash needle</h2><p>{_text(needle_words(report, unit))}</p>",
        *(f"<h2>{_text(head)}</h2>" + _paragraphs(text) for head, text in findings),
        _section("Data", quality(report, unit)),
        f"<p class=small>{_text(left_out(report))}</p>",
    ]
    title = f"Review of {report['log']}"
    return (
        "<!doctype html>\n<html lang=en><head><meta charset=utf-8>"
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name=viewport content="width=device-width,initial-scale=1">'
        f"<title>{_text(title)}</title><style>{_STYLE}</style></head>\n<body>\n<h1>{_text(title)}</h1>\n"
        + "\n".join(part for part in parts if part)
        + "\n</body></html>\n"
    )


ROUGH_HEIGHT: Final = "not recorded: climbs are worked out from air pressure or engine load, and are rough"
ACTED_REMARK: Final = (
    "Seen is the coolant against the course that was foreseen without the action; a summit, a slower stretch or a "
    "cooler wind that came meanwhile is in it too."
)
_SERIES: Final = (
    "Series are kept each 5 s, so a shorter spike of a reading is averaged in the pictures and in the tables of climbs "
    "and jams; "
)


def left_out(report: Mapping[str, Any]) -> str:
    """How the review was made, and what it lacks."""
    if report["whole"]:
        return (
            f"Made by running the recorded drive through the same pipeline as live, every second of it. {_SERIES}"
            "peak, levels, crossings and margins are those of every second."
        )
    return (
        "Made of readings and road alone, as asked: no levels, no forecasts, no actions, and no reading was doubted, "
        f"so that a faulty sensor's values count. {_SERIES}peak and crossings are those of every second."
    )


class Units:
    """SI figures as text in the units of the reader; unknown is two dashes, never zero."""

    def __init__(self, display: Display) -> None:
        self.display = display

    def temp(self, value_c: float | None, unit: bool = False) -> str:
        if value_c is None:
            return UNKNOWN
        return f"{self.display.temp(value_c):.0f}" + (f" {self.display.temperature}" if unit else "")

    def step(self, value_c: float | None, sign: bool = False, unit: bool = False) -> str:
        if value_c is None:
            return UNKNOWN
        return f"{self.display.step(value_c):{'+' if sign else ''}z.1f}" + (
            f" {self.display.temperature}" if unit else ""
        )

    def speed(self, value_kmh: float | None) -> str:
        return UNKNOWN if value_kmh is None else f"{to_unit(value_kmh, SPEED, self.display.speed):.0f}"

    def length(self, value_m: float | None) -> str:
        return UNKNOWN if value_m is None else f"{to_unit(value_m, LENGTH, self.display.length):.0f}"

    def distance(self, value_km: float | None) -> str:
        return UNKNOWN if value_km is None else f"{to_unit(1000.0 * value_km, LENGTH, self.display.distance):.1f}"


Table = tuple[Sequence[Column], Sequence[Sequence[str]], str]
"""Columns, rows of cells, and what stands where there is no row."""


def levels(report: Mapping[str, Any]) -> Table:
    """Every advisory, caution and warning."""
    rows = [
        (clock(s["from_s"]), long_words(s["to_s"] - s["from_s"]), f"{SIGNS[s['level']]} {s['level']}", s["why"])
        for s in report["levels"] or ()
        if s["level"] in SIGNS
    ]
    return (Column("at"), Column("for"), Column("level", False), Column("why", False)), rows, "No level above normal."


def actions(report: Mapping[str, Any], unit: Units) -> Table:
    """What was done, expected and seen."""
    rows = [
        (str(number), clock(a["at_s"]), a["words"], unit.step(a["expected_c"]), unit.step(a["seen_c"]))
        for number, a in enumerate(report["acted"] or (), 1)
    ]
    deg = unit.display.temperature
    columns = (
        Column("no."), Column("at"), Column("action", False), Column(f"expected {deg} cooler"),
        Column(f"seen {deg} cooler"),
    )  # fmt: skip
    return columns, rows, "No action was recognised."


def notes(report: Mapping[str, Any]) -> Table:
    """The passenger's notes."""
    rows = [(str(number), clock(n["at_s"]), n["text"]) for number, n in enumerate(report["notes"], 1)]
    return (Column("no."), Column("at"), Column("note", False)), rows, "No notes."


def climbs(report: Mapping[str, Any], unit: Units) -> Table:
    """Each climb with its load, peak and margin."""
    show = unit.display
    rows = [
        (
            clock(c["from_s"]), unit.length(c["gain_m"]), f"{c['minutes']:.0f}", unit.distance(c["km"]),
            _plain(c["grade_pct"], 1), unit.speed(c["speed_kmh"]), _plain(c["fuel_kw"]), unit.temp(c["air_c"]),
            _share(c["ac_share"]), unit.temp(c["start_c"]), unit.temp(c["peak_c"]), unit.step(c["margin_c"]),
            long_words(c["over_limit_s"]),
        )
        for c in report["climbs"]
    ]  # fmt: skip
    columns = (
        Column("at"), Column(f"gain {show.length}"), Column("min"), Column(show.distance), Column("grade %"),
        Column(show.speed), Column("fuel kW"), Column(f"air {show.temperature}"), Column("A/C"),
        Column(f"from {show.temperature}"), Column(f"peak {show.temperature}"),
        Column(f"margin {show.temperature}"), Column("over limit"),
    )  # fmt: skip
    least = f"{unit.length(40.0)} {show.length}"
    return columns, rows, f"No climb of {least} or more was seen (without height or engine load none can be)."


def jams(report: Mapping[str, Any], unit: Units) -> Table:
    """Each jam or long idling."""
    deg = unit.display.temperature
    rows = [
        (
            clock(j["from_s"]), f"{j['minutes']:.0f}", _share(j["standing_share"]), unit.temp(j["air_c"]),
            _share(j["ac_share"]), unit.temp(j["start_c"]), unit.temp(j["peak_c"]), unit.step(j["margin_c"]),
            long_words(j["over_limit_s"]),
        )
        for j in report["jams"]
    ]  # fmt: skip
    columns = (
        Column("at"), Column("min"), Column("standing"), Column(f"air {deg}"), Column("A/C"), Column(f"from {deg}"),
        Column(f"peak {deg}"), Column(f"margin {deg}"), Column("over limit"),
    )  # fmt: skip
    slow = f"{unit.speed(12.0)} {unit.display.speed}"
    return columns, rows, f"No spell of three minutes under {slow} with the engine running."


def forecasts(report: Mapping[str, Any], unit: Units) -> Table:
    """Bands and misses by horizon, for the whole drive and near the limit."""
    rows = []
    for where, words in (("all", "whole drive"), ("near_limit", f"within {unit.step(10.0, unit=True)} of the limit")):
        for horizon, j in report["forecast"][where].items():
            if j["count"]:
                rows.append(
                    (
                        f"{int(horizon) // 60} min",
                        words,
                        str(j["count"]),
                        f"{100 * j['held_share']:.0f} %",
                        unit.step(j["miss_c"]),
                        unit.step(j["stay_miss_c"]),
                    )
                )
    deg = unit.display.temperature
    columns = (
        Column("ahead"), Column("when", False), Column("forecasts"), Column("came inside the 80 % band"),
        Column(f"typical miss {deg}"), Column(f"miss of 'stays as it is' {deg}"),
    )  # fmt: skip
    return columns, rows, "No forecast could be held against a reading."


def needle_words(report: Mapping[str, Any], unit: Units) -> str:
    """What the dash needle showed and hid, in a few sentences."""
    look = report["needle"]
    low, high = unit.temp(look["hides_c"]["low"]), unit.temp(look["hides_c"]["high"], unit=True)
    words = [f"By the points in the settings the needle hardly moves from {low} to {high}."]
    if look["usual"] is None:
        return " ".join([*words, "The engine never got warm on this drive."])
    words.append(
        f"It usually stood at {_percent(look['usual'])} of its sweep, and would stand at {_percent(look['at_limit'])} "
        f"at the limit; highest on this drive: {_percent(look['at_peak'])}."
    )
    crossed, moved = look["crossed_at_s"], look["moved_at_s"]
    if crossed is not None and moved is None:
        words.append(f"The limit was crossed at {clock(crossed)}; the needle showed nothing of it.")
    elif crossed is not None and moved > crossed:
        words.append(f"It visibly rose at {clock(moved)}, {long_words(moved - crossed)} after the limit was crossed.")
    elif crossed is not None:
        words.append(f"It visibly rose at {clock(moved)}, {long_words(crossed - moved)} before the limit was crossed.")
    elif moved is not None:
        words.append(f"It visibly rose at {clock(moved)}, and the limit was not crossed.")
    if look["hidden_s"]:
        words.append(f"Over the limit with the needle where it always stands: {long_words(look['hidden_s'])}.")
    return " ".join(words)


def quality(report: Mapping[str, Any], unit: Units) -> Table:
    """Rows, ages, gaps, what was left out, doubts."""
    data = report["data"]
    age = data["age_s"]
    gaps = ", ".join(f"{clock(g['from_s'])} ({long_words(g['to_s'] - g['from_s'])})" for g in data["gaps"][:8])
    more = f" and {len(data['gaps']) - 8} more" if len(data["gaps"]) > 8 else ""
    skipped = ", ".join(f"{reason} {count}" for reason, count in data["skipped"].items())
    status = ", ".join(f"{word.replace('_', ' ')} {long_words(long)}" for word, long in data["status_s"].items())
    rows = [
        ("rows", f"{data['rows']} over {clock(report['seconds'])}"),
        ("age of the coolant reading", UNKNOWN if age is None else f"{age['median']:.1f} s half of the time, "
         f"{age['p95']:.1f} s or less 95 % of it (20 s and more count as 20)"),
        ("gaps over 20 s", f"{gaps}{more}; together {long_words(data['gap_s'])}" if gaps else "none"),
        ("left out, by reason", skipped or "nothing"),
        ("unknown columns", ", ".join(data["unknown_columns"]) or "none"),
        ("state of the data", status),
        ("heat made is taken from", data["heat_from"]),
        ("outside air", "measured or typed" if data["air_measured"] else "guessed from the intake air"),
        ("height", "recorded" if data["height_recorded"] else ROUGH_HEIGHT),
        ("trouble codes", ", ".join(data["codes"]) or "none read"),
    ]  # fmt: skip
    rows += [("remark", remark) for remark in data["remarks"]]
    rows += [
        (
            "doubt",
            f"{in_words(d['text'], unit.display)}: first at {clock(d['first_s'])}, {long_words(d['seconds'])} in all",
        )
        for d in data["doubts"]
    ]
    return (Column("", False), Column("", False)), rows, ""


def _opening(report: Mapping[str, Any], unit: Units) -> str:
    name = "" if report["vehicle"] == "unnamed" else f"{report['vehicle']}. "
    limit, stop = unit.temp(report["limit_c"], unit=True), unit.temp(report["stop_c"], unit=True)
    told = f"{name}{clock(report['seconds'])} long. Limit {limit}, stop {stop} where it was lowest."
    blind = blind_words(report)
    return told if blind is None else f"{told} {blind[0].upper()}{blind[1:]}."


BLIND_S: Final = 30.0
"""Shorter, a peak can hardly have come and gone."""


def blind_words(report: Mapping[str, Any]) -> str | None:
    """What peak and time over the limit leave out, where readings were missing or not believed for a while."""
    data = report["data"]
    named = ((data["untrusted_s"], "not believed"), (data["gap_s"], "missing"))
    times = [f"{words} for {long_words(seconds)}" for seconds, words in named if seconds >= BLIND_S]
    if not times:
        return None
    return f"the coolant reading was {' and '.join(times)}: the true peak may be higher than told here"


def _least(report: Mapping[str, Any]) -> float | None:
    """Least margin by the estimate, else by the highest reading."""
    margin, peak = report["least_margin_c"], report["peak_c"]
    if margin is not None:
        return float(margin["likely"])
    return None if peak is None else float(report["limit_c"] - peak)


def _cards(report: Mapping[str, Any], unit: Units) -> str:
    margin = report["least_margin_c"]
    lead = next((lead for lead in report["leads_s"] or () if lead is not None), None)
    crossed = len(report["crossings"])
    cards = [
        (
            unit.temp(report["peak_c"], unit=True),
            "peak" if report["peak_at_s"] is None else f"peak, at {clock(report['peak_at_s'])}",
            crossed > 0,
        ),
        (
            unit.step(_least(report), sign=True, unit=True),
            "least margin to the limit, by the " + ("reading" if margin is None else "estimate"),
            (_least(report) or 0.0) < 0,
        ),
        (long_words(report["over_limit_s"]), "at or over the limit", report["over_limit_s"] > 0),
        (long_words(report["over_stop_s"]), "at or over the stop", report["over_stop_s"] > 0),
        (
            f"{len(report['cautions'])} / {len(report['warnings'])}" if report["whole"] else UNKNOWN,
            "cautions / warnings" if report["whole"] else "cautions / warnings: not asked",
            bool(report["warnings"]),
        ),
        (
            UNKNOWN if lead is None else long_words(lead),
            "from the caution to the first crossing" if crossed and report["whole"] else "no lead to tell",
            False,
        ),
    ]
    return (
        "<div class=cards>"
        + "".join(
            f'<div class="card{" bad" if bad else ""}"><b>{_text(figure)}</b>{_text(words)}</div>'
            for figure, words, bad in cards
        )
        + "</div>"
    )


def _picture(picture: Picture) -> str:
    data = base64.b64encode(picture.png).decode("ascii")
    return (
        f'<figure><h2>{_text(picture.title)}</h2><img alt="{_text(picture.words)}" src="data:image/png;base64,{data}">'
        f"<figcaption>{_text(picture.words)}</figcaption></figure>"
    )


def _section(heading: str, table: Table) -> str:
    columns, rows, empty = table
    if not rows:
        return f"<h2>{_text(heading)}</h2><p>{_text(empty)}</p>"
    head = "".join(f"<th{_class(c)}>{_text(c.head)}</th>" for c in columns) if any(c.head for c in columns) else ""
    body = "".join(
        "<tr>" + "".join(_cell(cell, column) for cell, column in zip(row, columns, strict=True)) + "</tr>"
        for row in rows[:MOST_ROWS]
    )
    more = f"<p class=small>{len(rows) - MOST_ROWS} further rows are left out.</p>" if len(rows) > MOST_ROWS else ""
    top = f"<thead><tr>{head}</tr></thead>" if head else ""
    return f"<h2>{_text(heading)}</h2><div class=wide><table>{top}<tbody>{body}</tbody></table></div>{more}"


def _class(column: Column) -> str:
    return " class=n" if column.figure else ""


def _cell(text: str, column: Column) -> str:
    return f"<td{' class=n' if column.figure else ' class=t'}>{_text(text)}</td>"


def _paragraphs(text: str) -> str:
    lines: Iterable[str] = (line for line in text.splitlines() if line.strip())
    return "".join(f"<p>{_text(line)}</p>" for line in lines)


def _text(text: str) -> str:
    """`text` as content or quoted attribute; what no page may hold becomes the sign for it."""
    held = "".join(c if c.isprintable() or c in "\n\t" else "\ufffd" for c in text)
    return escape(held, quote=True)


def _plain(value: float | None, decimals: int = 0) -> str:
    return UNKNOWN if value is None else f"{value:.{decimals}f}"


def _share(value: float | None) -> str:
    return UNKNOWN if value is None else f"{100 * value:.0f} %"


def _percent(value: float) -> str:
    return f"{100 * value:.0f} %"


def long_words(seconds: float) -> str:
    """How long, for people: 45 s, 12 min, 1:05 h."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{int(seconds) // 3600}:{int(seconds) % 3600 // 60:02d} h"
