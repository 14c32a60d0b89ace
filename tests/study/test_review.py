"""The looking back: what was said is kept as it was said, and held against what came."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from livemon.core.events import Event, Mark
from livemon.core.grid import on_grid
from livemon.core.needle import Needle
from livemon.core.outcome import Acted, Action, Advice, Band, Level, Outcome, Status
from livemon.core.pipeline import CoreSettings
from livemon.core.vehicle import VehicleProfile
from livemon.outputs.summary import Tally
from livemon.readers.log_file import LogFile
from livemon.run import run
from livemon.study.recording import from_events
from livemon.study.review import Keeper, Review, judged
from livemon.verbs.review import _through
from tests.replays import FOLDER
from tests.study.made_drive import drive, outcome


def kept(said: list[Outcome], minutes: float = 10.0, **columns: Any) -> Review:
    keeper = Keeper()
    for one in said:
        keeper.outcome(one)
    return keeper.review(drive(minutes, **columns), Needle())


class Said:
    """A sink that keeps every outcome."""

    def __init__(self) -> None:
        self.all: list[Outcome] = []

    def event(self, event: object) -> None:
        """Not needed."""

    def outcome(self, said: Outcome) -> None:
        self.all.append(said)


def climb_with_ac_switched_off() -> Iterator[Event]:
    """A made-up climb over the limit, in which the A/C is declared off half a minute after the caution."""
    said = False
    for event in LogFile(FOLDER / "pass-crosses-limit" / "log.csv").events():
        if event.t_ms > 330_000 and not said:
            said = True
            yield Mark(event.t_ms, (("ac_on", False),))
        yield event


def test_levels_and_actions_are_those_of_the_live_pipeline_second_by_second() -> None:
    """Laid out again, against `run` over the same events, which is what replay and watch use."""
    live = Said()
    run(on_grid(climb_with_ac_switched_off()), CoreSettings(), [live])
    keeper = Keeper()
    through = _through(on_grid(climb_with_ac_switched_off()), CoreSettings(), keeper, Tally())
    found = keeper.review(from_events("x", through, VehicleProfile()), Needle())
    again = {}
    for spell in found.levels:
        again.update(dict.fromkeys(range(round(spell.from_s), round(spell.to_s)), spell.word))
    assert again == {round(said.t_ms / 1000): said.level.word for said in live.all}
    assert max(said.level for said in live.all) >= Level.CAUTION, "the drive is one with a caution"
    margins = [said.margin_c.likely for said in live.all if said.margin_c is not None]
    assert found.least_margin_c is not None
    assert found.least_margin_c.likely == min(m for m in margins if m is not None)
    newest = {(a.action, a.at_s): a for said in live.all for a in said.acted}
    assert {(a.action, a.at_s): a for a in found.acted} == newest
    assert Action.AC_OFF in {action for action, _ in newest}


def test_spells_advice_and_actions() -> None:
    said = [outcome(t) for t in range(10)]
    advised = (Advice(Action.AC_OFF, "A/C off", "it heats"),)
    said += [outcome(t, level=Level.CAUTION, reason="limit coming", advice=advised) for t in range(10, 40)]
    said += [
        outcome(t, acted=(Acted(Action.AC_OFF, 12.0, 2.0, None if t < 70 else 3.5),)) for t in range(40, 100)
    ]  # fmt: skip
    found = kept(said)
    assert [(s.word, s.from_s, s.to_s, s.why) for s in found.levels] == [
        ("normal", 0.0, 10.0, ""),
        ("caution", 10.0, 40.0, "limit coming"),
        ("normal", 40.0, 100.0, ""),
    ]
    assert [(s.word, s.from_s, s.to_s) for s in found.advice] == [("A/C off", 10.0, 40.0)]
    assert found.acted == (Acted(Action.AC_OFF, 12.0, 2.0, 3.5),), "the newest word on each action"


def test_forecast_against_what_came_by_hand() -> None:
    """Ten minutes of 90 C, then ten of 100; foretold all along for five minutes later: 88 to 92, likely 90.

    Those made in the first five minutes hold, those of minutes 5 to 15 do not, the last five end after the drive.
    """
    coolant = np.where(np.arange(240) < 120, 90.0, 100.0)
    said = [outcome(t, ahead_c=((300, Band(88.0, 90.0, 92.0)),)) for t in range(0, 1200)]
    found = kept(said, 20.0, coolant_c=coolant)
    five = next(row for row in found.judged if row.horizon_s == 300)
    assert five.count == 240 - 60
    assert five.held_share == pytest.approx(60 / 180)
    assert five.miss_c == pytest.approx((120 / 180 * 100) ** 0.5)
    assert five.stay_miss_c == pytest.approx((60 / 180 * 100) ** 0.5), "wrong only for those made before the step"
    assert next(row for row in found.judged if row.horizon_s == 120).count == 0
    near = judged(drive(20.0, coolant_c=coolant), found.said, 300, 98.0)
    assert near.count == 60
    assert near.held_share == 0.0


def test_gaps_ages_doubts_and_states() -> None:
    said = [outcome(t, age_s=0.5) for t in range(100)]
    said += [
        outcome(t, age_s=t - 99.5, coolant_c=None, estimate_c=None, margin_c=None, status=Status.STALE)
        for t in range(100, 160)
    ]
    said += [outcome(t, age_s=0.5, doubts=("sensor sticks",)) for t in range(160, 200)]
    found = kept(said).quality
    assert found.gaps == ((99.5, 159.0),)
    assert found.gap_total_s == 59.5
    assert found.age_s == (0.5, 20.0)
    assert found.status_s == {"live": 140.0, "stale": 60.0}
    assert found.doubts == (("sensor sticks", 160.0, 40.0),)


def test_margins_take_the_worst_second() -> None:
    said = [
        outcome(t, margin_c=Band(m - 1.0, m, m + 1.0), stop_c=118.0 - t / 100) for t, m in enumerate([5.0, 2.0, 4.0])
    ]
    found = kept(said)
    assert (found.least_margin_c, found.least_margin_at_s) == (Band(1.0, 2.0, 3.0), 1.0)
    assert found.stop_c == pytest.approx(117.98)


def test_nothing_said_and_nothing_read() -> None:
    found = Keeper().review(drive(0.0), Needle())
    assert (found.levels, found.climbs, found.least_margin_c, found.quality.age_s) == ((), (), None, None)
    assert all(row.count == 0 for row in found.judged)


def test_bounded_through_a_flood_of_changes() -> None:
    keeper = Keeper()
    for t in range(5000):
        keeper.outcome(outcome(t, level=Level(1 + t % 2), doubts=(f"doubt {t}",)))
    found = keeper.review(drive(1.0), Needle())
    assert len(found.levels) <= 1000
    assert len(found.quality.doubts) <= 500
