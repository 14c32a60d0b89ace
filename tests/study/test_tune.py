"""`tune`: the levels decided again are those of a replay, the rules of scoring, and what the trips can support."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from livemon import settings as settings_table
from livemon.cli import main
from livemon.core import alert
from livemon.core.alert import AlertSettings
from livemon.core.events import Event
from livemon.core.grid import on_grid
from livemon.core.outcome import Level, Outcome
from livemon.core.pipeline import CoreSettings, step
from livemon.core.pipeline import start as begin
from livemon.readers.log_file import LogFile
from livemon.study import sweep, tune
from livemon.study.alarms import alarms, chattering, floods, stretches
from livemon.study.sweep import Change, Score, Trip
from livemon.study.tune import Aim, Judged

ROOT = Path(__file__).resolve().parents[2]
BASE = AlertSettings()
OTHERS = (
    replace(BASE, caution_chance=0.1, coming_on_s=2.0),
    replace(BASE, caution_chance=0.8, short_time_s=10.0, hold_s=120.0),
    replace(BASE, near_margin_c=6.0, deadband_c=4.0, advisory_chance=0.05, lost_advisory_s=2.0),
)


def first(path: Path, seconds: int) -> list[Event]:
    return [e for e in LogFile(path).events() if e.t_ms < 1000 * seconds]


def said(events: list[Event], core: CoreSettings) -> list[Outcome]:
    state, found = begin(core), []
    for event in on_grid(events):
        state, outcome = step(state, event, core)
        if outcome is not None:
            found.append(outcome)
    return found


@pytest.mark.parametrize("name", ["pass-crosses-limit", "sensor-jumps"])
def test_levels_decided_again_are_those_of_a_replay_under_the_same_settings(name: str) -> None:
    core = CoreSettings(limit_c=103.0)
    events = first(ROOT / "replay" / name / "log.csv", 600)
    trip = sweep.run(events, core, (BASE, *OTHERS))
    for k, each in enumerate((BASE, *OTHERS)):
        replayed = said(events, replace(core, alert=each))
        assert {Level.NORMAL, Level.CAUTION} <= {o.level for o in replayed}
        assert sweep.levels(trip.changes[k], len(trip.reading_c)).tolist() == [int(o.level) for o in replayed]
        reasons = [o.reason for a, o in pairwise(replayed) if a.level is not o.level]
        assert [c.reason for c in trip.changes[k][1:]] == reasons


def test_a_state_at_rest_comes_out_of_calm_evidence_as_it_went_in() -> None:
    core, rested = CoreSettings(limit_c=124.0), 0  # far enough that its chance is no reason to stay
    state, table = begin(core), alert.start()
    for event in on_grid(first(ROOT / "replay/traffic-jam/log.csv", 300)):
        state, outcome = step(state, event, core)
        if outcome is None or state.evidence is None:
            continue
        after, _ = alert.decide(table, state.evidence, BASE)
        if alert.calm(state.evidence, BASE) and alert.at_rest(table):
            rested += 1
            assert after == table
        table = after
    assert rested > 30


def flags(length: int, *raised: tuple[int, int]) -> NDArray[np.bool_]:
    out = np.zeros(length, dtype=bool)
    for first, end in raised:
        out[first:end] = True
    return out


def test_a_trip_is_cut_at_its_crossings() -> None:
    up, down = np.linspace(90.0, 112.0, 221), np.linspace(112.0, 90.0, 221)
    reading = np.concatenate([up, down, up[:150]])
    first, second = stretches(reading, 108.0)
    crossing = int(np.argmax(reading >= 108.0))
    assert (first.start, first.end, first.crossing, first.over_c) == (0, crossing + 1, crossing, 4.0)
    assert reading[second.start] <= 105.0 < reading[second.start - 1], "over 3 K under the limit"
    assert (second.end, second.crossing) == (len(reading), None)
    assert second.over_c == pytest.approx(104.9 - 108.0, abs=0.2)
    assert stretches(np.full(10, np.nan), 108.0) == []


def test_a_caution_that_stands_from_the_crossing_before_is_not_false() -> None:
    assert alarms(flags(900, (0, 60), (300, 400)), -10.0, None).false == 2
    assert alarms(flags(900, (0, 60), (300, 400)), -10.0, None, standing_before=True).false == 1


# More than 10 alarms in 10 minutes is a flood, the same alarm 3 times in a minute chatters: ISA-18.2 / IEC 62682 as
# quoted in published articles on alarm management (the standards were not read in the original).
def test_floods_and_chatter_after_the_alarm_standard() -> None:
    assert floods([60 * k for k in range(11)]) == 1
    assert floods([60 * k for k in range(10)]) == 0
    assert floods([61 * k for k in range(40)]) == 0
    assert floods([*range(12), *range(5000, 5012)]) == 2
    assert chattering([(0, "a"), (30, "a"), (60, "a")]) == 1
    assert chattering([(0, "a"), (30, "b"), (60, "a")]) == 0
    assert chattering([(0, "a"), (31, "a"), (62, "a")]) == 0


def trip(reading: list[float], *changes: tuple[int, Level]) -> Trip:
    told = tuple(Change(second, level, level.word) for second, level in changes)
    return Trip(108.0, np.array(reading), len(reading), (told,))


def test_a_score_has_lead_false_fleeting_and_time_in_alarm() -> None:
    reading = [95.0] * 2000 + [110.0] * 100
    made = trip(
        reading,
        (0, Level.UNKNOWN),
        (5, Level.NORMAL),
        (300, Level.CAUTION),
        (331, Level.NORMAL),
        (1890, Level.CAUTION),
        (1990, Level.WARNING),
    )
    found = sweep.score(made, 0, BASE)
    assert found == Score(
        leads_s=(110.0,),
        false=1,
        scored_s=2000,
        early_s=31,
        cautions=2,
        warnings=1,
        fleeting=1,
        alarm_s=31 + 210,
        live_s=2100,
    )
    assert (found + found).leads_s == (110.0, 110.0)
    assert (found + found).false == 2
    assert sweep.score(trip([95.0] * 100 + [108.0] * 50, (0, Level.NORMAL)), 0, BASE).leads_s == (), "a toss-up"


def test_stand_ins_lie_under_and_over_the_peak_and_only_where_the_trip_was_short_of_the_limit() -> None:
    usual = np.full(1000, 92.0)
    hot = np.concatenate([usual, np.linspace(92.0, 103.0, 200)])
    assert tune.stand_ins(hot, 108.0) == (101.0, 106.0)
    assert tune.stand_ins(hot, 101.5) == (), "crossed clearly"
    assert tune.stand_ins(np.append(usual, 94.0), 108.0) == (97.0,), "2 K under its peak is the thermostat's own play"
    assert tune.stand_ins(np.full(5, np.nan), 108.0) == ()
    assert tune.stand_ins(np.linspace(20.0, 64.0, 500), 108.0) == (), "still warming up"


@pytest.mark.parametrize(("seen", "trials"), [(0, 1), (0, 14), (1, 14), (7, 20), (19, 20), (20, 20), (3, 300)])
def test_bounds_are_those_of_clopper_and_pearson(seen: int, trials: int) -> None:
    # scipy.stats.binomtest, exact interval: 90 % two-sided = 95 % on each side
    known = stats.binomtest(seen, trials).proportion_ci(confidence_level=0.9, method="exact")
    assert tune.upper_bound(seen, trials) == pytest.approx(known.high, abs=1e-9)
    assert tune.lower_bound(seen, trials) == pytest.approx(known.low, abs=1e-9)


def test_sign_test_and_the_crossings_it_takes() -> None:
    for better, worse in ((5, 0), (9, 2), (0, 3)):
        known = stats.binomtest(better, better + worse, 0.5, alternative="greater").pvalue
        assert tune.binomial_tail(better, better + worse, 0.5) == pytest.approx(known, abs=1e-12)
    assert tune.crossings_needed(0) == 14
    assert (
        stats.binomtest(0, 14).proportion_ci(0.9, "exact").high
        < 0.2
        < stats.binomtest(0, 13).proportion_ci(0.9, "exact").high
    )


SETTINGS = (BASE, replace(BASE, caution_chance=0.4), replace(BASE, caution_chance=0.12))


def judged(number: int, *scores: Score) -> Judged:
    return Judged(f"trip-{number:02d}", 108.0, False, 112.0, scores)


def scored(lead: float, false: int, early: int = 0) -> Score:
    return Score(leads_s=(lead,), false=false, scored_s=3600, early_s=early, live_s=4000)


def test_a_change_that_helps_on_every_trip_is_recommended() -> None:
    trips = [judged(k, scored(100, 2), scored(90, 0), scored(200, 4)) for k in range(15)]
    choice = tune.choose(trips, SETTINGS, Aim())
    assert (choice.best, choice.advised, choice.reasons) == (1, 1, ())
    assert (choice.better, choice.worse, choice.lost) == (15, 0, 0)


def test_too_few_crossings_or_trips_recommend_nothing_and_say_what_it_takes() -> None:
    few = [judged(k, scored(100, 2), scored(90, 0), scored(200, 4)) for k in range(4)]
    choice = tune.choose(few, SETTINGS, Aim())
    assert (choice.best, choice.advised) == (1, 0)
    assert any("chance does as well 6 %" in r for r in choice.reasons)  # 1/16
    assert any("14 crossings" in r for r in choice.reasons)


def test_a_change_that_loses_crossings_is_refused_however_many_false_cautions_it_saves() -> None:
    trips = [judged(k, scored(100, 2), scored(10 if k % 5 == 0 else 90, 0), scored(200, 4)) for k in range(20)]
    choice = tune.choose(trips, SETTINGS, Aim(late_worth=1.0))
    assert (choice.best, choice.advised, choice.lost) == (1, 0, 4)


def test_an_alarm_that_is_always_on_is_not_chosen_and_the_least_change_wins_among_equals() -> None:
    trips = [judged(k, scored(30, 0), scored(30, 0), scored(900, 0, early=3000)) for k in range(20)]
    assert tune.choose(trips, SETTINGS, Aim()).best == 0


def test_a_gain_that_one_trip_alone_makes_does_not_outlive_leaving_it_out() -> None:
    trips = [judged(k, scored(100, 0), scored(100, 0), scored(100, 0)) for k in range(19)]
    trips.append(judged(19, scored(100, 9), scored(100, 0), scored(100, 9)))
    choice = tune.choose(trips, SETTINGS, Aim())
    assert (choice.best, choice.advised, choice.better) == (1, 0, 0)


def test_candidates_stay_in_the_ranges_of_the_keys_and_are_bounded() -> None:
    found = sweep.candidates(BASE, {"hold_s": (30.0, 60.0), "coming_on_s": (5.0, 10.0)})
    assert found[0] == BASE
    assert len(found) == 4
    with pytest.raises(ValueError, match="hold_s"):
        sweep.candidates(BASE, {"hold_s": (5.0,)})
    with pytest.raises(ValueError, match="at most 1000"):
        sweep.candidates(BASE, {"hold_s": tuple(range(30, 300)), "coming_on_s": (2.0, 3.0, 4.0, 5.0)})
    for name, values in sweep.USUAL.items():
        assert len(sweep.candidates(BASE, {name: values})) == len(values) + (getattr(BASE, name) not in values)


# --- The command ---


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The hot part of a made-up pass, and a made-up jam: short, so that the command is quick."""
    folder = tmp_path_factory.mktemp("trips")
    made = []
    for name, rows in (("pass-crosses-limit", 420), ("traffic-jam", 150)):
        lines = (ROOT / "replay" / name / "log.csv").read_text(encoding="utf-8").splitlines(keepends=True)
        made.append(folder / f"{name}.csv")
        made[-1].write_text("".join(lines[:rows]), encoding="utf-8")
    return made


SWEEP = ["--sweep", "caution_chance=0.2,0.5", "--sweep", "hold=60 s", "--limit", "101 C"]


def test_the_same_logs_in_any_order_and_by_any_number_of_workers_give_the_same_bytes(
    logs: list[Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    told, written = [], []
    for order, workers in ((logs, "2"), (list(reversed(logs)), "1")):
        out = tmp_path / f"{workers}.yaml"
        words = [
            "tune",
            *map(str, order),
            *SWEEP,
            "--limits",
            "100 C",
            "--json",
            "--quiet",
            "--workers",
            workers,
            "--write",
            str(out),
        ]
        assert main(words) == 0
        told.append(capsys.readouterr().out)
        written.append(out.read_bytes())
    assert told[0] == told[1]
    assert written[0] == written[1]
    report = json.loads(told[0])
    assert [c["caution_chance"] for c in report["candidates"]] == [f"{BASE.caution_chance:g}", "0.2", "0.5"]
    assert len(report["limits"]) == 1
    assert report["recommended"] == report["in_force"], "two trips support no change"
    in_force = settings_table.settle(settings_table.from_file(tmp_path / "1.yaml")).of(AlertSettings)
    assert in_force == BASE
    assert "# recommended: no change" in written[0].decode()


def test_table_and_picture(logs: list[Path], capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    pytest.importorskip("matplotlib", reason="the plots extra")
    picture = tmp_path / "trade-off.png"
    assert main(["tune", str(logs[0]), *SWEEP, "--workers", "1", "--picture", str(picture)]) == 0
    text = capsys.readouterr().out
    assert "pass-crosses-limit.csv" in text
    assert "in force" in text
    assert picture.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("words", "status", "told"),
    [
        (["--sweep", "caution_chance=0.01"], 2, "0.05 to 0.95"),
        (["--sweep", "caution_repeat=60 s"], 2, "a key of"),
        (["--sweep", "hold"], 2, "KEY=VALUE"),
        (["--limits", "20 C"], 2, "60 C to 140 C"),
        (["--limits", "hot"], 2, "--limits"),
        (["--ahead", "2 h"], 2, "15 min"),
        (["--late-worth", "-1"], 2, "0 to 1000"),
        (["--workers", "0"], 2, "1 to 32"),
    ],
)
def test_bad_usage_says_what_was_expected(
    logs: list[Path], capsys: pytest.CaptureFixture[str], words: list[str], status: int, told: str
) -> None:
    assert main(["tune", str(logs[0]), *words]) == status
    assert told in capsys.readouterr().err


def test_a_log_without_coolant_is_left_out_by_name_and_alone_it_ends_badly(
    logs: list[Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    empty = tmp_path / "no-coolant.csv"
    empty.write_text("time_s,rpm\n" + "".join(f"{k}.000,900\n" for k in range(20)), encoding="utf-8")
    assert main(["tune", str(empty), "--workers", "1"]) == 1
    assert "no-coolant.csv" in capsys.readouterr().err
    assert main(["tune", str(empty), str(logs[1]), *SWEEP, "--workers", "1", "--json"]) == 0
    assert list(json.loads(capsys.readouterr().out)["left_out"]) == [str(empty)]
    assert main(["tune", str(tmp_path / "not-there.csv")]) == 2
