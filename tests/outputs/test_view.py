"""The screens as text: stored pictures at the fixed sizes, and rules that hold at every size and for every outcome."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livemon.core.events import Link, Mark, Sample
from livemon.core.outcome import Acted, Action, Advice, Band, Crossing, Level, Outcome, Status, Withheld
from livemon.core.units import METRIC, US, Display
from livemon.outputs import figures, view, view_health, view_needle, view_trend, view_words
from livemon.outputs.console_colours import HUES
from livemon.outputs.view import Health, Needle, Trend, View
from livemon.outputs.view_canvas import Look, Tone, ascii_only, cut, wrap
from tests.outputs.scenes import CAUTION, DOUBTED, HEALTH, LOST_HOT, NORMAL, SCENES, SILENCED, WARNING, trend_to
from tests.outputs.screens_rebuild import SCREENS, SIZES, pages

# Debian's console fonts (Lat15 and Uni2, Fixed, Terminus and VGA, package console-setup-linux 1.221) were read for what
# they can draw; each of these is in all of them, and in code page 437.  Half blocks and braille are not.
IN_CONSOLE_FONTS = set("█░■─│═°")
TREND = trend_to(CAUTION)
PAGES = pages()


@pytest.mark.parametrize("name", PAGES)
def test_stored_screen(name: str) -> None:
    """Moved on purpose?  Rebuild with `python -m tests.outputs.screens_rebuild` and look at the difference."""
    assert (SCREENS / name).read_text(encoding="utf-8") == PAGES[name]


def test_no_stored_screen_is_left_over() -> None:
    assert {path.name for path in SCREENS.iterdir()} == set(PAGES)


def text_of(outcome: Outcome, columns: int = 80, rows: int = 24, who: View = View.DRIVER, **more: object) -> str:
    return view.render(who, outcome, columns, rows, **more).text()  # type: ignore[arg-type]  # keyword pass-through


numbers = st.one_of(st.none(), st.floats(-60, 260))
bands = st.one_of(st.none(), st.builds(Band, numbers, numbers, numbers))
words = st.text(max_size=120)
advices = st.builds(
    Advice, st.sampled_from(Action), st.sampled_from(["A/C off", "Park safely, engine off"]), words, bands, numbers
)
outcomes = st.builds(
    Outcome,
    t_ms=st.integers(0, 10**9),
    status=st.sampled_from(Status),
    level=st.sampled_from(Level),
    coolant_c=numbers,
    age_s=st.one_of(st.none(), st.floats(0, 1e6)),
    trusted=st.sampled_from([True, False, None]),
    doubts=st.lists(words, max_size=3).map(tuple),
    estimate_c=bands,
    rate_c_per_min=bands,
    limit_c=numbers,
    stop_c=numbers,
    margin_c=bands,
    ahead_c=st.one_of(
        st.none(),
        st.tuples(bands, bands, bands).map(
            lambda b: tuple((s, x or Band(None, None, None)) for s, x in zip((120, 300, 600), b, strict=True))
        ),
    ),
    settles_c=bands,
    crossing=st.sampled_from(Crossing),
    time_to_limit_s=st.one_of(
        st.none(), st.builds(Band, st.floats(0, 900), st.floats(0, 9e5), st.none() | st.floats(0, 9e5))
    ),
    chance=st.one_of(st.none(), st.just(((120, 0.1), (300, 0.2), (600, 0.3)))),
    boil_margin_c=bands,
    advice=st.lists(advices, max_size=4).map(tuple),
    acted=st.lists(st.builds(Acted, st.sampled_from(Action), st.floats(0, 1e6), numbers, numbers), max_size=3).map(
        tuple
    ),
    silenced=st.booleans(),
    reason=words,
    withheld=st.lists(st.builds(Withheld, st.sampled_from(Action), words), max_size=3).map(tuple),
)
healths = st.builds(
    Health,
    source=words,
    link=words,
    rates_hz=st.just((("coolant", 1.0),)),
    mil=st.sampled_from([True, False, None]),
    codes=st.none() | words,
    recorder=words,
    recorder_ok=st.sampled_from([True, False, None]),
    voltage_v=numbers,
)


sizes = st.tuples(st.integers(1, 130), st.integers(1, 45))


@settings(deadline=None, max_examples=80)
@given(outcomes, healths, st.sampled_from(View), sizes, st.sampled_from([METRIC, US]), st.none() | words)
def test_any_outcome_fits_any_size_and_uses_only_characters_of_console_fonts(
    outcome: Outcome, health: Health, who: View, size: tuple[int, int], units: Display, note: str | None
) -> None:
    columns, rows = size
    screen = view.render(who, outcome, columns, rows, units, health, TREND, Needle(), note)
    given_words = "".join(map(str, (outcome.doubts, outcome.reason, health, note, outcome.advice, outcome.withheld)))
    assert len(screen.lines) == rows
    for line in screen.lines:
        row = "".join(span.text for span in line)
        assert len(row) == columns
        own = set(row) - set(given_words)
        assert all(c.isascii() or c in IN_CONSOLE_FONTS for c in own), own
        assert ascii_only(row).isascii()
        assert len(ascii_only(row)) == columns


def test_the_characters_are_those_of_code_page_437() -> None:
    for character in IN_CONSOLE_FONTS:
        character.encode("cp437")


@settings(deadline=None, max_examples=60)
@given(st.sampled_from(list(SCENES.values())), st.sampled_from(View), st.integers(20, 130), st.integers(6, 45))
def test_word_and_caution_stay_at_every_size(outcome: Outcome, who: View, columns: int, rows: int) -> None:
    text = text_of(outcome, columns, rows, who)
    assert view_words.word_of(outcome) in text.splitlines()[0]
    assert figures.SIGNS[outcome.level] in text.splitlines()[0]
    assert text.splitlines()[-1].strip() in (view_words.CAUTION_SHORT, view_words.CAUTION_TINY)


@pytest.mark.parametrize("columns", range(20, 101, 5))
@pytest.mark.parametrize("scene", SCENES)
def test_the_action_is_whole_on_the_drivers_view(scene: str, columns: int) -> None:
    outcome = SCENES[scene]
    flat = " ".join(text_of(outcome, columns, 12).split())
    for advice in outcome.advice[:1]:
        assert advice.words.upper() in flat
    for advice in outcome.advice[1:]:
        assert advice.words.upper() not in flat, "one action at a time"


@pytest.mark.parametrize("who", View)
@pytest.mark.parametrize("status", [Status.STALE, Status.NO_LINK, Status.NO_COOLANT, Status.STARTING])
def test_an_old_number_is_never_shown_as_a_new_one(who: View, status: Status) -> None:
    """Even if the figures were still in the outcome, no temperature, margin or time is shown."""
    for columns, rows in SIZES:
        text = text_of(replace(CAUTION, status=status, advice=(), acted=()), columns, rows, who)
        body = "\n".join(text.splitlines()[:-1])
        for figure in ("104", "105", "3.8", "4 min", "109"):
            assert figure not in body, f"{figure} at {columns}x{rows}"
        assert "--" in body or "██  ██" in body or "█" in body


def test_degrees_in_a_doubt_are_those_of_the_screen() -> None:
    told = replace(DOUBTED, doubts=("reading fell 10 K in a minute while heat and air would hold it near 105 C",))
    assert "fell 18 F in" in text_of(told, who=View.PASSENGER, units=US)
    assert "near 221 F" in " ".join(text_of(told, who=View.PASSENGER, units=US).split())
    assert "near 105 C" in " ".join(text_of(told, who=View.PASSENGER, units=METRIC).split())


def test_a_doubted_sensor_has_no_figure() -> None:
    text = text_of(DOUBTED)
    assert "sensor doubted" in text
    assert view_words.margin_number(DOUBTED, METRIC) == ("--", False)
    assert view_words.minutes_number(DOUBTED) is None


@pytest.mark.parametrize(
    ("margin_c", "metric", "us"),
    [
        (3.8, ("3", False), ("6", False)),
        (0.0, ("0", False), ("0", False)),
        (-0.1, ("1", True), ("1", True)),
        (-9.1, ("10", True), ("17", True)),
    ],
)
def test_margin_is_rounded_to_the_worse_side(margin_c: float, metric: tuple[str, bool], us: tuple[str, bool]) -> None:
    """1 K = 1.8 F by definition (NIST SP 811): 3.8 K is 6.84 F."""
    outcome = replace(CAUTION, margin_c=Band(margin_c, margin_c, margin_c))
    assert view_words.margin_number(outcome, METRIC) == metric
    assert view_words.margin_number(outcome, US) == us


@pytest.mark.parametrize(("seconds", "shown"), [(0, "<1"), (59, "<1"), (60, "1"), (119, "1"), (120, "2"), (899, "14")])
def test_minutes_are_rounded_down(seconds: float, shown: str) -> None:
    assert view_words.minutes_number(replace(CAUTION, time_to_limit_s=Band(0, seconds, None))) == shown


def test_no_minutes_where_no_crossing_is_foreseen_or_the_limit_is_past() -> None:
    assert view_words.minutes_number(NORMAL) is None
    assert view_words.minutes_number(replace(WARNING, crossing=Crossing.KNOWN, time_to_limit_s=Band(0, 0, 0))) is None
    assert "OVER" in text_of(WARNING)


def test_age_is_on_every_view() -> None:
    for who in View:
        assert "data 1 s old" in text_of(CAUTION, who=who)
        assert "data 45 s old" in text_of(LOST_HOT, who=who)


def test_silence_is_told_and_never_hides() -> None:
    text = text_of(SILENCED)
    assert "CAUTION (silenced)" in text


def test_passenger_sees_gain_what_would_not_help_what_was_done_and_the_state_of_the_data() -> None:
    text = text_of(CAUTION, 100, 30, View.PASSENGER, health=HEALTH, trend=trend_to(CAUTION))
    for words_ in (
        "2.2°C cooler (1.4..3.0), 3 min later",
        "x not one gear down: the lower gear would take the engine to its speed limit",
        "A/C off 5 min ago: expected 1.2, seen 0.9°C cooler",
        "dash needle about here",
        "coolant 1.0/s",
        "codes none",
        "engine lamp off",
        "recorder writing",
        "n note",
        "10 min 83%",
    ):
        assert words_ in text


def test_the_reading_stands_in_where_there_is_no_estimate_yet() -> None:
    early = replace(NORMAL, estimate_c=None, margin_c=None)
    assert "reads 90°C" in text_of(early, who=View.PASSENGER)
    assert "reads" not in text_of(replace(early, status=Status.STALE), who=View.PASSENGER)


def test_failing_recorder_stands_first() -> None:
    sick = replace(HEALTH, recorder="disk full", recorder_ok=False)
    for columns, rows in SIZES:
        assert "! recorder: disk" in text_of(CAUTION, columns, rows, View.PASSENGER, health=sick)


def test_worse_gain_is_named_so() -> None:
    hot = replace(CAUTION, advice=(replace(CAUTION.advice[0], gain_c=Band(-2.0, -1.0, -0.5), gain_s=-60.0),))
    assert "1.0°C HOTTER (-2.0..-0.5), 60 s SOONER" in text_of(hot, who=View.PASSENGER)


def test_start_screen_shows_every_caution_whole() -> None:
    for columns, rows in SIZES:
        seconds = view.start_seconds(columns, rows)
        text = " ".join(
            " ".join(line for line in view.start_screen(columns, rows, s).text().splitlines()[1:-1])
            for s in range(0, seconds, view.PAGE_S)
        )
        flat = " ".join(text.replace("- ", " ").split())
        for caution in view_words.CAUTION_WHOLE:
            assert caution in flat, f"{columns}x{rows}"


@pytest.mark.parametrize(("columns", "rows"), [(40, 12), (60, 20), (80, 24)])
def test_start_screen_shows_first_what_is_wrong_with_the_settings(columns: int, rows: int) -> None:
    wrong = ["drive.stop (--stop): expected below 128 C, where the coolant may boil, found 132 C"]
    first = " ".join(view.start_screen(columns, rows, 0, "", wrong).text().split())
    assert f"! {wrong[0]} - Estimates only." in first
    more = view.start_seconds(columns, rows, wrong)
    assert more >= view.start_seconds(columns, rows)
    told = " ".join(view.start_screen(columns, rows, s, "", wrong).text() for s in range(more))
    assert "Local law" in " ".join(told.split())


def test_a_link_that_is_down_says_why_and_the_port_once() -> None:
    down = Health(source="/dev/ttyUSB0", link="down: port /dev/ttyUSB0: the device vanished")
    shown = view.render(View.PASSENGER, LOST_HOT, 60, 20, METRIC, down).text()
    assert " down: port /dev/ttyUSB0: the device vanished" in shown
    assert shown.count("ttyUSB0") == 1


def test_frozen_takes_every_figure_back() -> None:
    held = view.frozen(CAUTION, 10.0)
    assert held.level is Level.CAUTION
    assert held.status is Status.STALE
    assert held.age_s == pytest.approx(10.6)
    assert (held.coolant_c, held.estimate_c, held.margin_c, held.time_to_limit_s) == (None, None, None, None)


def test_a_level_whose_reason_is_over_says_so() -> None:
    """Past the summit "limit reached" stood over 15 degrees below it, falling."""
    passed = replace(CAUTION, reason="limit reached", easing=True)
    for told in (view.plain_line(passed, METRIC), text_of(passed, 80, 24, View.PASSENGER)):
        assert "limit reached, easing" in told
    assert "easing" not in view.plain_line(replace(passed, easing=False), METRIC)


def test_plain_line() -> None:
    assert view.plain_line(CAUTION, METRIC) == (
        "0:20:00 CAUTION; limit coming; 3°C below limit; 4 min to limit; Slow down gently; data 1 s old"
    )
    assert "margin --" in view.plain_line(LOST_HOT, METRIC)
    down = Health(link="down: port /dev/x: no such device: is the adapter plugged in?")
    assert view.plain_line(LOST_HOT, METRIC, down).endswith(f"; link {down.link}")
    assert "link" not in view.plain_line(CAUTION, METRIC, Health(link="up"))


# -- shapes, digits, colours ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", range(5, 21))
def test_digits_are_all_different_and_of_the_proportion_of_iso_15008(rows: int) -> None:
    """ISO 15008, as quoted by a font checker: width over height 0.65 to 0.80; a cell is twice as high as wide."""
    masks = {c: figures.number(c, rows) for c in "0123456789-<°"}
    assert len(set(masks.values())) == len(masks)
    assert all(len(mask) == rows for mask in masks.values())
    assert 0.65 <= figures.digit_width(rows) / (2 * rows) <= 0.80


def test_number_is_as_wide_as_it_says() -> None:
    for rows in range(3, 15):
        for text in ("8", "12°", "<1", "--", "108"):
            assert {len(line) for line in figures.number(text, rows)} == {figures.number_width(text, rows)}


@pytest.mark.parametrize("rows", [7, 9, 11, 13])
def test_each_level_has_its_own_shape(rows: int) -> None:
    """Told apart without colour: at least a fifth of the cells differ between any two."""
    width = figures.shape_width(rows)
    masks = {level: "".join(line.ljust(width) for line in figures.shape(level, rows)) for level in Level}
    for one, other in combinations(masks.values(), 2):
        assert sum(a != b for a, b in zip(one, other, strict=True)) >= 0.2 * rows * width
    assert len(set(figures.SIGNS.values())) == len(Level)


@pytest.mark.parametrize("wrong", ["x", "1a", "½"])
def test_other_characters_are_refused(wrong: str) -> None:
    with pytest.raises(ValueError, match="found"):
        figures.number(wrong, 5)
    with pytest.raises(ValueError, match="at least 3 rows"):
        figures.number("1", 2)


def luminance(hue: str) -> float:
    """Relative luminance of WCAG 2.1."""
    parts = [int(hue[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("tone", Tone)
def test_contrast_on_the_dark_ground(tone: Tone) -> None:
    """WCAG 2.1: graphics 3:1, text 4.5:1; ISO 15008 at night 5:1 (from memory)."""
    contrast = (luminance(HUES[tone]) + 0.05) / 0.05
    needed = 3.0 if tone is Tone.FORECAST else 5.0
    assert contrast >= needed


def test_level_colours_are_those_of_okabe_and_ito_and_differ_in_grey() -> None:
    palette = {"#D55E00", "#E69F00", "#F0E442", "#009E73", "#56B4E9", "#0072B2", "#CC79A7"}
    assert {HUES[t] for t in (Tone.ADVISORY, Tone.CAUTION, Tone.WARNING, Tone.UNKNOWN, Tone.FORECAST)} <= palette
    assert luminance(HUES[Tone.CAUTION]) / luminance(HUES[Tone.WARNING]) > 1.5


def test_caution_and_warning_fill_the_first_row_and_others_do_not() -> None:
    for outcome in SCENES.values():
        looks = {span.look for span in view.render(View.DRIVER, outcome, 40, 12).lines[0]}
        assert (Look.BAR in looks) == (outcome.level >= Level.CAUTION)


# -- trend, needle, health ------------------------------------------------------------------------------------------


def test_trend_keeps_ten_minutes_and_no_disbelieved_reading() -> None:
    trend = Trend()
    for second in range(3000):
        outcome = replace(CAUTION if second % 100 < 90 else LOST_HOT, t_ms=1000 * second)
        trend = view.remember(trend, outcome)
    assert len(trend.points) <= 1 + view_trend.PAST_S // 5
    assert all(trend.points[-1][0] - t <= 600_000 for t, _ in trend.points)
    assert not any(t // 1000 % 100 >= 90 for t, _ in trend.points)


def test_trend_marks_lie_where_the_scale_says() -> None:
    text = text_of(CAUTION, 100, 30, View.PASSENGER, health=HEALTH, trend=trend_to(CAUTION)).splitlines()
    limit_row = next(i for i, line in enumerate(text) if "─ limit ─" in line)
    newest = max(i for i, line in enumerate(text) if "■│" in line)
    assert newest > limit_row, "the estimate of 104 is drawn under the limit of 108"
    assert "█" in text[limit_row - 1] + text[limit_row], "the likely course ends above 108"


def test_needle_says_what_it_hides() -> None:
    assert view_needle.remark(Needle(), METRIC) == "needle hardly moves from 79 to 112°C"
    assert view_needle.remark(Needle(((50.0, 0.0), (130.0, 1.0))), METRIC) == "", "3 K in 80 K are not worth a line"
    assert view_needle.bar(None, Needle(), 20).count("█") == 0
    assert view_needle.bar(126.0, Needle(), 20) == "C " + "─" * 15 + "█ H"


def test_health_counts_rates_and_follows_link_lamp_codes_and_inputs() -> None:
    heard = view_health.Heard()
    for ms in range(0, 20_000, 500):
        names = (("rpm", 900.0),) if ms % 1000 else (("rpm", 900.0), ("coolant_c", 90.0))
        heard = view_health.hear(heard, Sample(ms, names))
    heard = view_health.hear(heard, Sample(19_900, (("mil", 1.0), ("voltage_v", 13.9)), codes="P0217"))
    heard = view_health.hear(heard, Mark(19_950, (("ac_on", True), ("nonsense", True)), "x"))
    now = view_health.health(heard, 19_999, "log", ("writing", True))
    assert dict(now.rates_hz) == {"coolant": pytest.approx(1.0, abs=0.11), "rpm": pytest.approx(2.0, abs=0.11)}
    assert (now.link, now.mil, now.codes, now.voltage_v, now.recorder_ok) == ("up", True, "P0217", 13.9, True)
    assert now.inputs == (("ac_on", True),)
    heard = view_health.hear(heard, Link(20_000, False, "unplugged"))
    later = view_health.health(heard, 40_000)
    assert later.link == "down: unplugged"
    assert {rate for _, rate in later.rates_hz} == {0.0}


def test_cut_and_wrap() -> None:
    assert cut("pull over when safe", 12) == "pull over.."
    assert cut("short", 5) == "short"
    assert wrap("one two three", 7) == ["one two", "three"]
    assert all(len(line) <= 5 for line in wrap("unbreakable", 5))
    assert math.isclose(len(cut("x" * 50, 10)), 10)
