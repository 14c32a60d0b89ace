"""What is missing, in words: who is told what, and that the figures are those of the table in the docs."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from livemon.cli import main
from livemon.core.events import Link, Sample
from livemon.core.outcome import Level, Outcome, Status
from livemon.outputs import feed_line, view_health
from livemon.outputs.lacks import ALONE, NO_HEAT, NO_OUTSIDE, NO_RPM, lacks
from livemon.verbs.probe_report import ProbeReport, SignalFound, to_json, to_text

TABLE = (Path(__file__).resolve().parents[2] / "docs/benchmark.md").read_text(encoding="utf-8")
FULL = ("coolant_c", "rpm", "speed_kmh", "load_pct", "ambient_air_c")


@pytest.mark.parametrize(
    ("told", "typed", "found"),
    [
        (FULL, False, ()),
        (FULL[:-1], False, (NO_OUTSIDE,)),
        (FULL[:-1], True, ()),
        (("coolant_c",), True, (ALONE,)),
        (("coolant_c", "intake_air_c"), False, (ALONE, NO_OUTSIDE)),
        (("coolant_c", "speed_kmh", "load_pct"), True, (NO_RPM,)),
        (("coolant_c", "rpm", "speed_kmh"), True, (NO_HEAT,)),
        (("coolant_c", "maf_g_s"), True, ()),
        (("rpm",), False, ()),
    ],
)
def test_each_lack_has_its_words(told: tuple[str, ...], typed: bool, found: tuple[object, ...]) -> None:
    assert lacks(told, outside_typed=typed) == found


@pytest.mark.parametrize(
    ("each_s", "words", "costly"),
    [(1.0, "", False), (3.0, "no loss measured", False), (3.4, "no loss", False), (6.0, "not measured", True)],
)
def test_a_slow_bus_is_called_free_only_as_far_as_it_was_measured(each_s: float, words: str, costly: bool) -> None:
    found = lacks(FULL, outside_typed=False, coolant_each_s=each_s)
    assert [lack.costly for lack in found] == ([costly] if words else [])
    assert all(words in lack.words for lack in found)


def test_the_figures_are_those_of_the_table_in_the_docs() -> None:
    brier = {
        words: float(value) for words, value in re.findall(r"^\| ([\w ]+?)(?: \(\w+\))? \| (0\.\d+) \|", TABLE, re.M)
    }
    worse = 100.0 * (brier["coolant alone"] / brier["all"] - 1.0)
    found = re.search(r"on a steady grade \((0\.\d+) against (0\.\d+)\)", TABLE)
    assert found is not None
    on_grades = 100.0 * (float(found.group(1)) / float(found.group(2)) - 1.0)
    assert f"{round(worse, -1):.0f} % worse, {round(on_grades, -1):.0f} % on steady grades" in ALONE.words
    assert all(f"{round(worse, -1):.0f} % worse" in lack.words for lack in (NO_HEAT, NO_RPM))


def heard_for(seconds: int, readings: tuple[tuple[str, float], ...]) -> view_health.Heard:
    heard = view_health.Heard()
    for k in range(seconds):
        heard = view_health.hear(heard, Sample(1000 * k, readings))
    return heard


def test_the_passenger_is_told_what_costs_once_it_was_listened_for() -> None:
    heard = heard_for(70, (("coolant_c", 90.0),))
    assert view_health.health(heard, 50_000).lacks == ()
    assert view_health.health(heard, 69_000).lacks == (ALONE.words,)
    assert view_health.health(heard, 69_000, outside_typed=True).lacks == (ALONE.words,)


def test_nothing_is_called_missing_while_the_link_is_down() -> None:
    heard = view_health.hear(heard_for(70, (("coolant_c", 90.0),)), Link(70_000, False, "unplugged"))
    assert view_health.health(heard, 90_000).lacks == ()


@pytest.mark.parametrize("told", [True, False])
@pytest.mark.parametrize("gap_s", [16, 60, 400])
def test_after_a_gap_it_is_listened_for_anew(gap_s: int, told: bool) -> None:
    """Readings come back one by one after a gap: that is neither a slow bus nor a vehicle that tells less."""
    everything = (("coolant_c", 90.0), ("rpm", 2000.0), ("load_pct", 60.0), ("ambient_air_c", 30.0))
    heard = heard_for(100, everything)
    if told:
        heard = view_health.hear(heard, Link(100_000, False, "unplugged"))
        heard = view_health.hear(heard, Link(1000 * (99 + gap_s), True))
    for k in range(100 + gap_s, 200 + gap_s):
        heard = view_health.hear(heard, Sample(1000 * k, everything[:1] if k < 102 + gap_s else everything))
        health = view_health.health(heard, 1000 * k + 200)
        assert health.lacks == ()
        if k > 104 + gap_s:
            assert dict(health.rates_hz)["coolant"] == pytest.approx(1.0, abs=0.25)


def test_a_quantity_that_stops_coming_is_missed_after_three_minutes() -> None:
    heard = heard_for(100, (("coolant_c", 90.0), ("rpm", 2000.0), ("load_pct", 60.0), ("ambient_air_c", 30.0)))
    for k in range(100, 400):
        heard = view_health.hear(heard, Sample(1000 * k, (("coolant_c", 90.0),)))
    assert view_health.health(heard, 270_000).lacks == ()
    assert view_health.health(heard, 399_000).lacks == (ALONE.words,)


def test_a_screen_on_the_feed_is_told_too() -> None:
    health = view_health.health(heard_for(70, (("coolant_c", 90.0),)), 69_000)
    line = feed_line.feed_line(Outcome(69_000, Status.LIVE, Level.NORMAL), health)
    assert feed_line.health_of(line) == health


def report(*names: str) -> ProbeReport:
    signals = tuple(SignalFound(name, 5, 9, 9, 40.0, 1.0) for name in names)
    return ProbeReport("bench", (), None, None, (), signals, None, None, (), None, None, None, None, ())


def test_probe_says_it_in_words_and_as_json() -> None:
    assert ALONE.words in to_text(report("coolant_c"))
    assert json.loads(to_json(report("coolant_c")))["lacks"] == [ALONE.words, NO_OUTSIDE.words]
    assert "all together" not in to_text(report(*FULL))


def test_check_says_what_an_untyped_outside_air_costs(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check"]) == 0
    assert NO_OUTSIDE.words in capsys.readouterr().out
    assert main(["check", "--outside", "36 C"]) == 0
    assert NO_OUTSIDE.words not in capsys.readouterr().out
