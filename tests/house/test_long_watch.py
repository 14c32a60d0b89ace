"""The day-long study of tests/bench/long_watch.py in small: nothing is left open, the wall clock moves nothing."""

from __future__ import annotations

from pathlib import Path

from tests.bench.long_watch import jumping_clock, watch

HOURS = 0.08


def test_viewers_leave_nothing_behind_and_the_wall_clock_moves_nothing_but_utc(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    hourly, crowd, jumped = watch(tmp_path / "one", HOURS, 3, jumping_clock(3), lambda _: None)
    _, _, steady = watch(tmp_path / "two", HOURS, 3, lambda: "2026-07-01T00:00:00Z", lambda _: None)
    assert crowd.attached > 5
    assert crowd.lines > 50
    assert hourly.handles_left <= hourly.measures[0][1]
    assert jumped == steady
    assert jumped.count(b"\n") > 200
