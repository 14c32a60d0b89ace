"""What `tune` tells: tables for people, one JSON object, a settings file with its grounds, and the picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Final

from livemon.core.alert import AlertSettings
from livemon.core.units import Display, in_words
from livemon.setting_keys import KEYS, Key
from livemon.study import tune
from livemon.study.sweep import SWEPT
from livemon.study.tune import Aim, Choice, Judged, Row
from livemon.verbs.common import sheet
from livemon.verbs.recordings import Unread

if TYPE_CHECKING:
    from rich.table import Table

ROWS_SHOWN: Final = 12
SWEEPABLE: Final[dict[str, Key]] = {
    key.name: key for key in KEYS.values() if key.section == "alert" and key.field in SWEPT
}
"""Keys of the settings file that `tune` may move, by name."""


@dataclass(frozen=True, slots=True)
class Told:
    """Everything there is to say, as JSON, as a table and as a settings file."""

    aim: Aim
    sweep: Mapping[str, tuple[float, ...]]
    settings: tuple[AlertSettings, ...]
    judged: list[Judged]
    at_limits: list[tuple[Judged, ...]]
    without: Sequence[Unread]
    choice: Choice
    table: list[Row]

    @property
    def trips(self) -> int:
        return len({j.trip for j in self.judged})

    def _values(self, candidate: int) -> dict[str, str]:
        """The swept keys of one candidate as they stand in a settings file."""
        chosen = self.settings[candidate]
        return {
            key.name: key.write(getattr(chosen, key.field)) for key in SWEEPABLE.values() if key.field in self.sweep
        }

    def verdict(self) -> str:
        """The recommendation in a sentence."""
        if self.choice.advised:
            return "recommended: " + ", ".join(f"{k} {v}" for k, v in self._values(self.choice.advised).items())
        return "recommended: no change; " + "; ".join(self.choice.reasons)

    def strength(self) -> list[str]:
        """How much the trips can say."""
        lines = []
        n, of_stand_ins = self.choice.crossings, self.choice.of_stand_ins
        counted = f"{_count(self.trips, 'trip')}, {_count(n, 'crossing')} that count{'s' * (n == 1)}"
        lines.append(
            f"{counted}, {of_stand_ins} of them at stand-in limits: a lower limit "
            "laid 2 K under the trip's own peak, after the fact, and nearer to the thermostat than a true one"
            if of_stand_ins
            else counted
        )
        for k, words in ((0, "in force"), (self.choice.best, "least cost")):
            if not n or (k == 0 and words != "in force"):
                continue
            row = self.table[k]
            low, high = tune.lower_bound(row.warned, n), tune.upper_bound(row.warned, n)
            lines.append(
                f"{words}: {row.warned} of {n} warned {self.aim.ahead_s:g} s ahead; the true share may lie between "
                f"{100 * low:.0f} and {100 * high:.0f} % (90 % interval)"
            )
        if not n:
            lines.append("no crossing: these trips cannot tell how early a caution would come")
        return lines

    def _limit_rows(self) -> list[tuple[float, int, int, Row]]:
        """(limit, trips that crossed it, trips, pooled row) of each limit asked for, settings in force."""
        found = []
        for column in zip(*(f for f in self.at_limits if f), strict=True):
            pooled = tune.rows(column, self.aim)[0]
            crossed = sum(bool(j.scores[0].leads_s) for j in column)
            found.append((column[0].limit_c, crossed, len(column), pooled))
        return found

    def report(self) -> dict[str, Any]:
        """The object of `--json`; SI units."""
        choice = self.choice
        return {
            "verdict": self.verdict(),
            "strength": self.strength(),
            "in_force": self._values(0),
            "least_cost": self._values(choice.best),
            "recommended": self._values(choice.advised),
            "changed": bool(choice.advised),
            "reasons": list(choice.reasons),
            "crossings": choice.crossings,
            "of_stand_ins": choice.of_stand_ins,
            "held_out": {"better": choice.better, "worse": choice.worse, "p": choice.p},
            "lost": choice.lost,
            "lost_at_most": choice.lost_at_most,
            "candidates": [{**self._values(r.candidate), **_row_report(r)} for r in self.table],
            "trips": [
                {
                    "trip": j.trip,
                    "limit_c": round(j.limit_c, 2),
                    "stand_in": j.stand_in,
                    "peak_c": j.peak_c,
                    **_row_report(tune.row(0, j.scores[0], self.aim)),
                }
                for j in self.judged
            ],
            "limits": [
                {"limit_c": line, "trips_crossed": crossed, "trips": trips, **_row_report(r)}
                for line, crossed, trips, r in self._limit_rows()
            ],
            "left_out": {one.name: one.reason for one in self.without},
        }

    def fragment(self) -> str:
        """A settings file with the recommended values, and where they come from."""
        row = self.table[self.choice.advised]
        lead = "-" if row.median_lead_s is None else f"{row.median_lead_s:.0f} s"
        names = sorted({Path(j.trip).name for j in self.judged})
        of = f"{', '.join(names[:20])}{' ...' * (len(names) > 20)}"
        lines = [
            f"Written by livemon tune from {_count(self.trips, 'trip')}: {of}",
            self.verdict(),
            *self.strength(),
            f"scored: {row.warned} of {row.crossings} crossings warned {self.aim.ahead_s:g} s ahead, {row.missed} "
            f"missed, median lead {lead}, {row.score.false} false cautions in {row.score.scored_s / 3600:.1f} h",
        ]
        grounds = [line for words in lines for line in wrap(words, 118)]
        values = [f"  {name}: {value}" for name, value in self._values(self.choice.advised).items()]
        return "\n".join([*(f"# {line}" for line in grounds), "alert:", *values]) + "\n"

    def print(self, display: Display) -> None:
        """Tables and sentences for the bench at home."""
        console = sheet()
        for one in self.without:
            console.print(f"Left out: {one}", soft_wrap=True)
        for line in self.strength():
            console.print(in_words(line, display))
        console.print(self._candidate_table(), self._trip_table(display), sep="\n\n")
        if any(self.at_limits):
            console.print(self._limit_table(display))
        console.print(_HEADS_WORDS, style="dim")
        sums = self.table[0].score
        console.print(
            f"in force: floods (over 10 alarms in 10 min) {sums.floods}, chattering (the same 3 times in a minute) "
            f"{sums.chattering}, fleeting (cause gone before the hold was over) {sums.fleeting}"
        )
        console.print(self.verdict(), style="bold")
        console.print("The limit is the owner's choice. Of gauge and tool the worse one counts.", style="dim")

    def _candidate_table(self) -> Table:
        """In force, least cost, and the candidates that no other beats."""
        shown = {0: "in force", self.choice.best: "least cost" if self.choice.best else "in force, least cost"}
        for each in tune.trade_off(self.table):
            if len(shown) < ROWS_SHOWN:
                shown.setdefault(each.candidate, "")
        title = f"settings ({', '.join(self._values(0))}); {len(self.table)} tried, those shown that none beats"
        table = _table(title, "", "settings", *_HEADS)
        for k in sorted(shown, key=lambda k: (self.table[k].score.false, self.table[k].warned, k)):
            table.add_row(shown[k], "  ".join(self._values(k).values()), *_cells(self.table[k]))
        return table

    def _trip_table(self, display: Display) -> Table:
        """Each trip under the settings in force; a stand-in is marked by a star."""
        unit = display.temperature
        title = "trips, settings in force; * = at a stand-in limit"
        table = _table(title, "trip", f"limit {unit}", "peak", *_HEADS[:-1])
        names = _short({j.trip for j in self.judged})
        before = ""
        for j in self.judged:
            line = f"{display.temp(j.limit_c):.0f}{'*' if j.stand_in else ' '}"
            peak = "-" if j.peak_c is None else f"{display.temp(j.peak_c):.0f}"
            name = "" if j.trip == before else names[j.trip]
            table.add_row(name, line, peak, *_cells(tune.row(0, j.scores[0], self.aim))[:-1])
            before = j.trip
        return table

    def _limit_table(self, display: Display) -> Table:
        """What other limits would have meant, settings in force."""
        table = _table("limits asked for, settings in force", f"limit {display.temperature}", "trips over it", *_HEADS)
        for line, crossed, trips, each in self._limit_rows():
            table.add_row(f"{display.temp(line):.0f}", f"{crossed} of {trips}", *_cells(each))
        return table


_HEADS: Final = ("warned", "missed", "lead", "false", "per h", "all/h", "on %", "cost")
_HEADS_WORDS: Final = (
    "warned = crossings warned in time; missed = no caution stood; lead = median in s; false = false cautions, and per "
    "hour; all/h = cautions of any kind an hour; on = time in caution or worse; cost = false + worth of the late ones"
)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _short(paths: set[str]) -> dict[str, str]:
    """Names of trips: the file's own, with its folder where two are alike; the last 30 letters."""
    alone = len({Path(p).name for p in paths}) == len(paths)
    names = {p: Path(p).name if alone else "/".join(Path(p).parts[-2:]) for p in paths}
    return {p: name if len(name) <= 30 else f"…{name[-29:]}" for p, name in names.items()}


def _table(title: str, *heads: str) -> Table:
    from rich.table import Table

    table = Table(title=title, title_justify="left", box=None, padding=(0, 1, 0, 0))
    for place, head in enumerate(heads):
        left = place == 0 or head == "settings"
        table.add_column(head, justify="left" if left else "right", no_wrap=place > 0, overflow="fold")
    return table


def _cells(row: Row) -> list[str]:
    def shown(value: float | None, form: str, times: float = 1.0) -> str:
        return "-" if value is None else format(value * times, form)

    return [
        f"{row.warned}/{row.crossings}",
        str(row.missed),
        shown(row.median_lead_s, ".0f"),
        str(row.score.false),
        shown(row.false_per_h, ".2f"),
        shown(row.cautions_per_h, ".2f"),
        shown(row.alarm_share, ".1f", 100.0),
        f"{row.cost:g}",
    ]


def _row_report(row: Row) -> dict[str, Any]:
    """One row as JSON."""
    score = row.score
    return {
        "crossings": row.crossings,
        "warned": row.warned,
        "missed": row.missed,
        "leads_s": list(score.leads_s),
        "median_lead_s": row.median_lead_s,
        "false": score.false,
        "hours": round(score.scored_s / 3600.0, 4),
        "false_per_h": row.false_per_h,
        "cautions": score.cautions,
        "cautions_per_h": row.cautions_per_h,
        "warnings": score.warnings,
        "alarm_share": row.alarm_share,
        "early_share": row.early_share,
        "floods": score.floods,
        "chattering": score.chattering,
        "fleeting": score.fleeting,
        "cost": row.cost,
    }


def draw(path: Path, told: Told) -> None:
    """The trade-off as a picture (extra: plots)."""
    from livemon.outputs.charts_tune import Dot, draw_trade_off

    def dot(row: Row) -> Dot:
        share = row.warned / row.crossings if row.crossings else None
        return Dot(row.false_per_h, share, row.median_lead_s, row.alarm_share)

    front = [row.candidate for row in tune.trade_off(told.table)]
    title = f"{told.trips} trips, {told.choice.crossings} crossings ({told.choice.of_stand_ins} at stand-in limits)"
    draw_trade_off(path, title, [dot(r) for r in told.table], front, told.choice.best, told.aim.ahead_s)
