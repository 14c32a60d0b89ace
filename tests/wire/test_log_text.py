"""The log form both ways: the written row is the consumed event; bad input is counted by name, never guessed."""

from __future__ import annotations

import csv
import io
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livemon.core.events import INPUTS, SIGNALS, Event, Link, Mark, Sample, Tick
from livemon.errors import LivemonError, NoDataError, SetupError
from livemon.wire.csv_cells import split_cells
from livemon.wire.log_text import COLUMNS, MAX_LINE_BYTES, LogParser, LogWriter, settled

HEADER = b"time_s,coolant_c,rpm\n"

times = st.integers(0, 40_000_000)
texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=40)
values = st.floats(allow_nan=True, allow_infinity=True) | st.floats(-50, 300)
readings = st.lists(st.tuples(st.sampled_from([*SIGNALS, "not_a_signal"]), values), max_size=8).map(tuple)
samples = st.builds(Sample, times, readings, st.none() | st.just("") | texts, st.none() | texts)
links = st.builds(Link, times, st.booleans(), texts)
marks = st.builds(
    Mark, times, st.lists(st.tuples(st.sampled_from(INPUTS), st.booleans())).map(tuple), st.none() | texts
)
door_events = st.one_of(samples, links, marks).map(lambda e: settled(e, e.t_ms))


def parse(data: bytes, piece: int = 0) -> tuple[LogParser, list[Event]]:
    """The whole log at once, or in pieces of `piece` bytes."""
    parser, events = LogParser("drive.csv"), []
    for at in range(0, len(data), piece or max(len(data), 1)):
        events += parser.feed(data[at : at + (piece or len(data))])
    events += parser.close()
    return parser, events


def written(events: list[Event]) -> bytes:
    writer = LogWriter()
    return (writer.header({}) + "".join(map(writer.row, events))).encode()


def says_something(event: Event) -> bool:
    return not (isinstance(event, Mark) and not event.inputs and not event.note)


def test_columns_hold_every_signal_and_input() -> None:
    assert set(COLUMNS) == {*SIGNALS, *INPUTS, "time_s", "utc", "codes", "ecu", "link", "note"}


@settings(max_examples=300, deadline=None)
@given(st.lists(door_events, max_size=6))
def test_written_row_reads_back_as_the_same_event(events: list[Event]) -> None:
    ordered = sorted(events, key=lambda e: e.t_ms)
    parser, back = parse(written(ordered))
    assert back == [e for e in ordered if says_something(e)]
    assert parser.skipped == {}


@settings(max_examples=100, deadline=None)
@given(st.lists(door_events, max_size=4), st.integers(1, 40))
def test_pieces_change_nothing(events: list[Event], piece: int) -> None:
    data = written(sorted(events, key=lambda e: e.t_ms))
    assert parse(data, piece)[1] == parse(data)[1]


@settings(max_examples=200, deadline=None)
@given(samples)
def test_settling_twice_is_settling_once(event: Sample) -> None:
    once = settled(event, event.t_ms)
    assert settled(once, once.t_ms) == once


@settings(max_examples=300, deadline=None)
@given(st.lists(st.lists(texts.filter(bool), min_size=2, max_size=4), min_size=1, max_size=3))
def test_cells_as_the_csv_module_writes_them(rows: list[list[str]]) -> None:
    """Outside check: Python's csv module, dialect as RFC 4180 with line feeds."""
    for row in rows:
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerow(row)
        assert split_cells(out.getvalue()[:-1]) == row


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300), st.integers(1, 50))
def test_any_bytes_after_the_header_are_counted_not_fatal(junk: bytes, piece: int) -> None:
    _, events = parse(HEADER + junk + b"\n9.000,95,2000\n", piece)
    assert all(isinstance(e, Sample | Link | Mark) for e in events)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_at_all_end_in_events_or_in_our_own_error(junk: bytes) -> None:
    message = "drive.csv"
    try:
        parse(junk, 7)
    except LivemonError as error:
        message = str(error)
    assert "drive.csv" in message


def test_one_row_gives_link_then_sample_then_mark() -> None:
    _, events = parse(b"time_s,coolant_c,ac_on,link,note\n1.5,90,1,up,hello\n")
    assert events == [
        Link(1500, True),
        Sample(1500, (("coolant_c", 90.0),)),
        Mark(1500, (("ac_on", True),), "hello"),
    ]


@pytest.mark.parametrize(
    ("row", "event"),
    [
        (b"2.000,,,,,\n", Sample(2000)),
        (b"2.000,,none,,,\n", Sample(2000, (), "")),
        (b"2.000,,P0118 P0217,7E8,,\n", Sample(2000, (), "P0118 P0217", "7E8")),
        (b"2.000,,,,down: no reply,\n", Link(2000, False, "no reply")),
        (b"2.000,,,,down,\n", Link(2000, False)),
        (b'2.000,,,,,"a ""big"" hill, hot\nday"\n', Mark(2000, (), 'a "big" hill, hot\nday')),
        (b"2.000,94.96,,,,\n", Sample(2000, (("coolant_c", 95.0),))),
        (b"2.0004,95,,,,\r\n", Sample(2000, (("coolant_c", 95.0),))),
        (b"2.000,-0.04,,,,\n", Sample(2000, (("coolant_c", 0.0),))),
    ],
)
def test_row(row: bytes, event: Event) -> None:
    parser, events = parse(b"time_s,coolant_c,codes,ecu,link,note\n" + row)
    assert events == [event]
    assert repr(events[0]) == repr(event)  # 0.0 and -0.0 compare equal but print differently
    assert parser.skipped == {}


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        (b"1.0,nan,900\n", "coolant_c: out of range"),
        (b"1.0,inf,900\n", "coolant_c: out of range"),
        (b"1.0,-41,900\n", "coolant_c: out of range"),
        (b"1.0,216,900\n", "coolant_c: out of range"),
        (b"1.0,hot,900\n", "coolant_c: no number"),
        (b"1.0,9_5,900\n", "coolant_c: no number"),
        (b"1.0,9", "torn last line"),
        (b"1.0,9\n", "row: wrong number of cells"),
        (b"1.0,9,900,5\n", "row: wrong number of cells"),
        (b"x,95,900\n", "row: time_s is no number"),
        (b",95,900\n", "row: time_s is no number"),
        (b"nan,95,900\n", "row: time_s out of range"),
        (b"-1,95,900\n", "row: time_s out of range"),
        (b"1e300,95,900\n", "row: time_s out of range"),
        (b"1.0,\xff\xfe,900\n", "row: not UTF-8"),
        (b'1.0,"95"x,900\n', "row: text after a closing quote"),
        (b'1.0,"95,900\n', "row: quote never closed"),
        (b"1.0,95,\0\0\0\0\n", "row: damaged by NUL bytes"),
        (b'1.0,"95\0",900\n', "row: damaged by NUL bytes"),
        (b"1.0,95," + b"9" * MAX_LINE_BYTES + b"\n", "line too long"),
    ],
)
def test_unusable_is_counted_by_name_and_the_next_row_is_read(row: bytes, reason: str) -> None:
    tail = b"" if reason == "torn last line" else b"2.000,96,900\n"
    for piece in (0, 1000, 1):
        if piece == 1 and len(row) > 1000:
            continue
        parser, events = parse(HEADER + b"0.5,94,900\n" + row + tail, piece)
        assert parser.skipped == {reason: 1}
        assert events[0] == Sample(500, (("coolant_c", 94.0), ("rpm", 900.0)))
        if tail:
            assert events[-1] == Sample(2000, (("coolant_c", 96.0), ("rpm", 900.0)))


def test_link_and_inputs_that_say_nothing_known_are_counted() -> None:
    parser, _ = parse(b"time_s,coolant_c,ac_on,link\n1,90,yes,sideways\n2,90,2,up:\n")
    assert parser.skipped == {"link: neither up nor down": 2, "ac_on: neither 0 nor 1": 2}


def test_backward_and_repeated_times_stay_as_they_came() -> None:
    _, events = parse(HEADER + b"5,90,1\n4,91,1\n4,92,1\n6,93,1\n")
    assert [e.t_ms for e in events] == [5000, 4000, 4000, 6000]


def test_time_torn_far_ahead_is_skipped_so_that_the_gap_stays_bounded() -> None:
    parser, events = parse(HEADER + b"1,90,1\n999999999,91,1\n2,92,1\n86402,92,1\n")
    assert [e.t_ms for e in events] == [1000, 2000, 86_402_000]
    assert parser.skipped == {"row: time_s jumps ahead more than a day": 1}


def test_quote_left_open_costs_one_row_not_the_rest() -> None:
    rows = b"".join(b"%d,90,1\n" % s for s in range(2, 60))
    parser, events = parse(HEADER + b'1,"90,1\n' + rows)
    assert len(events) == 58
    assert parser.skipped == {"row: quote never closed": 1}


def test_ten_megabyte_line_in_bounded_memory() -> None:
    parser = LogParser("drive.csv")
    parser.feed(HEADER + b"1,90,1\n")
    piece = b"7" * 65_536
    tracemalloc.start()
    for _ in range(160):
        assert parser.feed(piece) == []
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert parser.feed(b"\n2,91,1\n") == [Sample(2000, (("coolant_c", 91.0), ("rpm", 1.0)))]
    assert parser.skipped == {"line too long": 1}
    assert peak < 2_000_000


def test_metadata_unknown_columns_and_byte_order_mark() -> None:
    text = '\ufeff# format: 1\n# settings: {"a": "b: c"}\n# loose words\n\ntime_s,coolant_c,boost,cabin\n1,90,3,4\n'
    parser, events = parse(text.encode())
    assert parser.metadata == {"format": "1", "settings": '{"a": "b: c"}'}
    assert parser.unknown == ("boost", "cabin")
    assert events == [Sample(1000, (("coolant_c", 90.0),))]


def test_first_true_wall_time_is_kept_beside_the_events() -> None:
    parser, _ = parse(b"time_s,utc,coolant_c\n1,,90\n2,2026-07-01T10:00:02Z,90\n3,2026-07-01T10:00:03Z,91\n")
    assert parser.first_utc == (2000, "2026-07-01T10:00:02Z")


@pytest.mark.parametrize(
    ("data", "kind", "words"),
    [
        (b"", NoDataError, "empty file"),
        (b"# format: 1\n", NoDataError, "no whole row"),
        (b"time_s,cool", NoDataError, "no whole row"),
        (b"time_s,rpm,speed_kmh\n1,2,3\n", NoDataError, "found time_s, rpm, speed_kmh"),
        (b"\x7fELF\0\0\0\n\0", SetupError, "binary"),
        (b"\x89PNG\r\n\x1a\n", SetupError, "not UTF-8"),
        (b"z" * (MAX_LINE_BYTES + 1), SetupError, "256 KiB"),
        (b"a,b\n1,2\n", SetupError, "'a,b'"),
        (b"time_s,coolant_c,coolant_c\n1,2,3\n", SetupError, "coolant_c twice"),
        (b"# format: 9\ntime_s,coolant_c\n", SetupError, "format 9"),
        (b"# format: " + b"9" * 5000 + b"\ntime_s,coolant_c\n", SetupError, "format 999"),
        (b"# format: new\ntime_s,coolant_c\n", SetupError, "format new"),
    ],
)
def test_what_is_no_log_is_refused_with_name_and_reason(data: bytes, kind: type[LivemonError], words: str) -> None:
    with pytest.raises(kind) as caught:
        parse(data)
    assert words in str(caught.value)
    assert "drive.csv" in str(caught.value)


def test_ticks_and_empty_marks_are_not_rows() -> None:
    assert LogWriter().row(Tick(1000)) == ""
    assert LogWriter().row(Mark(1000)) == ""


def test_header_carries_metadata_on_single_lines() -> None:
    text = LogWriter().header({"livemon": "0.1.0", "note": "two\nlines"})
    assert text.splitlines()[:3] == ["# format: 1", "# livemon: 0.1.0", "# note: two lines"]
    assert text.endswith(",".join(COLUMNS) + "\n")


def test_settled_drops_what_cannot_be_true_and_orders_the_rest() -> None:
    came = Sample(0, (("rpm", 1500.126), ("coolant_c", 300.0), ("boost", 1.0), ("speed_kmh", float("nan"))))
    assert settled(came, 7) == Sample(7, (("rpm", 1500.13),))
