"""Peak, crossings and leads are counted from the readings and levels, each case worked by hand."""

from __future__ import annotations

from livemon.core.events import Sample, Tick
from livemon.core.outcome import Level, Outcome, Status
from livemon.outputs.summary import Summary, Tally

U, N, A, C, W = Level


def tally(readings: list[float | None], levels: list[Level], trusted: bool | None = True) -> Summary:
    """One outcome a second at limit 100 C."""
    counted = Tally()
    for second, (reading, level) in enumerate(zip(readings, levels, strict=True)):
        said = Outcome(second * 1000, Status.LIVE, level, coolant_c=reading, limit_c=100.0, trusted=trusted)
        counted.outcome(said)
    return counted.summary(0, {})


def test_lead_runs_from_the_caution_that_still_stood_at_the_crossing() -> None:
    summary = tally([95, 96, 98, 99, 100, 103, 101], [N, N, C, C, C, W, W])
    assert (summary.peak_c, summary.peak_at_s) == (103, 5)
    assert summary.crossings == (4,)
    assert summary.cautions == (2,)
    assert summary.warnings == (5,)
    assert summary.leads_s == (2,)


def test_crossing_without_a_caution_before_it_has_no_lead() -> None:
    assert tally([99, 100, 101], [N, N, C]).leads_s == (None,)
    assert tally([99, 100, 101], [N, C, C]).leads_s == (None,), "a caution at the crossing itself came too late"
    assert tally([98, 99, 100], [C, N, N]).leads_s == (None,), "the caution had ended"


def test_flicker_of_one_degree_is_one_crossing_and_a_fall_of_two_rearms() -> None:
    assert tally([99, 100, 99, 100, 98, 100], [N] * 6).crossings == (1, 5)


def test_readings_that_are_missing_or_not_believed_make_no_peak() -> None:
    assert tally([None, 90, None], [N] * 3).peak_c == 90
    assert tally([90, 215], [N] * 2, trusted=False).peak_c is None


def test_warning_straight_from_normal_is_a_caution_too() -> None:
    summary = tally([99, 99], [N, W])
    assert (summary.cautions, summary.warnings) == ((1,), (1,))


def test_span_is_that_of_the_rows() -> None:
    counted = Tally()
    for event in (Sample(1140), Tick(2000), Sample(4500), Sample(4000), Tick(5000)):
        counted.event(event)
    assert counted.summary(3, {"x": 1}).seconds == 3.36
