"""The loop: ticks stand on one grid, live and on replay alike, and the recording holds the order the core saw."""

from __future__ import annotations

import threading
from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from livemon.core.events import Event, Link, Mark, Sample, Tick
from livemon.core.grid import LONGEST_GAP_MS, on_grid
from livemon.core.outcome import Outcome
from livemon.core.pipeline import CoreSettings
from livemon.run import Live, run


def sample(t_ms: int) -> Sample:
    return Sample(t_ms, (("coolant_c", 90.0),))


def times(events: Sequence[Event]) -> list[tuple[str, int]]:
    return [(type(e).__name__, e.t_ms) for e in events]


def test_a_tick_comes_after_every_event_of_its_second_and_one_closes_the_last() -> None:
    got = times(list(on_grid([sample(1140), sample(2000), sample(2001), sample(4500)])))
    assert got == [
        ("Sample", 1140), ("Sample", 2000), ("Tick", 2000), ("Sample", 2001), ("Tick", 3000), ("Tick", 4000),
        ("Sample", 4500), ("Tick", 5000),
    ]  # fmt: skip


def test_backward_times_pass_as_they_came_and_move_no_tick() -> None:
    assert times(list(on_grid([sample(1500), sample(400), sample(2100)]))) == [
        ("Sample", 1500), ("Sample", 400), ("Tick", 2000), ("Sample", 2100), ("Tick", 3000),
    ]  # fmt: skip


def test_a_hole_of_more_than_twelve_hours_makes_no_flood_of_ticks() -> None:
    assert len(list(on_grid([sample(0), sample(LONGEST_GAP_MS * 50)]))) < 10


class Clock:
    """Told time: each look moves it on a little, as a real one would."""

    def __init__(self) -> None:
        self.t_ms = 0

    def __call__(self) -> int:
        self.t_ms += 7
        return self.t_ms


class Keeps:
    """A sink that keeps what it is handed."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self.outcomes: list[Outcome] = []

    def event(self, event: Event) -> None:
        self.events.append(event)

    def outcome(self, outcome: Outcome) -> None:
        self.outcomes.append(outcome)


@given(st.lists(st.tuples(st.integers(0, 9000), st.integers(20, 110)), max_size=40))
def test_a_live_run_replayed_says_the_same(readings: list[tuple[int, int]]) -> None:
    clock = Clock()
    live = Live(clock)
    for t_ms, coolant_c in readings:  # stamps in any order, as from several threads
        live.put(Sample(t_ms, (("coolant_c", float(coolant_c)),)))
    live.put(Mark(9500, note="end of the readings"))
    kept, again = Keeps(), Keeps()

    class Stops(Keeps):
        def event(self, event: Event) -> None:
            if isinstance(event, Mark):
                live.stop()

    run(live.events(), CoreSettings(), [kept, Stops()])
    run(on_grid(kept.events), CoreSettings(), [again])
    assert [e.t_ms for e in kept.events] == sorted(e.t_ms for e in kept.events)
    assert again.outcomes == kept.outcomes
    assert isinstance(kept.events[-1], Link)


def test_events_of_another_thread_reach_the_loop() -> None:
    live = Live(Clock())
    threading.Thread(target=lambda: live.put(sample(0)), daemon=True).start()
    for event in live.events():
        if isinstance(event, Sample):
            live.stop()


def test_a_full_queue_drops_and_counts_and_never_blocks() -> None:
    live = Live(Clock())
    for _ in range(10_050):
        live.put(sample(0))
    assert live.dropped == 50


def test_a_failing_sink_is_told_of_and_left_out_and_the_rest_goes_on() -> None:
    class Fails(Keeps):
        def outcome(self, outcome: Outcome) -> None:
            raise OSError("screen gone")

    told: list[object] = []
    kept, fails = Keeps(), Fails()
    run(on_grid([sample(0), sample(5000)]), CoreSettings(), [fails, kept], lambda sink, error: told.append(sink))
    assert told == [fails]
    assert [o.t_ms for o in kept.outcomes] == [0, 1000, 2000, 3000, 4000, 5000]


def test_ticks_are_not_handed_out_as_events() -> None:
    kept = Keeps()
    run(on_grid([sample(0), sample(3000)]), CoreSettings(), [kept])
    assert not [e for e in kept.events if isinstance(e, Tick)]
