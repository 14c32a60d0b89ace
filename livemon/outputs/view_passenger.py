"""The passenger's view: everything the driver's view leaves out, in the order in which it is missed.

Numbers with their bands, the trend with the forecast, what each action would buy and which would not help, what was
done and what it did, where the dash needle would stand, health of the data, keys.  Rows are given out by need; the
trend takes what is left.  Pure: knows nothing of terminals and time.
"""

from __future__ import annotations

from dataclasses import dataclass

from livemon.core.needle import Needle
from livemon.core.outcome import Acted, Action, Advice, Crossing, Level, Outcome
from livemon.core.units import Display, in_words
from livemon.outputs import view_driver, view_needle, view_plan, view_trend, view_words
from livemon.outputs.view_canvas import Canvas, Look, Screen, Tone, cut, wrap
from livemon.outputs.view_trend import Trend
from livemon.outputs.view_words import band, believed, step, temp

_TREND_LEAST_ROWS = 6
_NO_GAIN = frozenset({Action.PULL_OVER, Action.STOP_ENGINE, Action.WATCH_GAUGE, Action.KEEP_IDLING})
"""Not done for degrees: no gain is missed when none is told."""


@dataclass(frozen=True, slots=True)
class Health:
    """State of the data and of the recorder, told by whoever runs the readers; `None` = not known."""

    source: str = ""
    link: str = ""
    rates_hz: tuple[tuple[str, float], ...] = ()
    """Readings a second of the quantities that matter."""
    mil: bool | None = None
    codes: str | None = None
    recorder: str = ""
    recorder_ok: bool | None = None
    inputs: tuple[tuple[str, bool], ...] = ()
    """What people declared so far, (name, on)."""
    voltage_v: float | None = None
    gps: str = ""
    """How the position receiver stands; empty where there is none."""
    lacks: tuple[str, ...] = ()
    """What the vehicle does not tell, and what that costs the forecast."""
    recorded: bool = False
    """A recording is played: what was declared is shown, but no key changes it."""


Text = tuple[str, Tone, Look]


@dataclass(slots=True)
class _Block:
    """Some rows of text that can be shortened from the end."""

    lines: list[Text]
    given: int = 0

    def wants(self) -> bool:
        return self.given < len(self.lines)


def render(
    outcome: Outcome,
    health: Health,
    trend: Trend,
    columns: int,
    rows: int,
    units: Display,
    needle: Needle,
    note: str | None = None,
) -> Screen:
    """The whole screen at this size; `note` is the text being typed, if any."""
    sheet = Canvas(columns, rows)
    view_driver.head(sheet, outcome)
    _reason(sheet, outcome)
    view_driver.foot(sheet)
    _keys(sheet, rows - 2, outcome, health, note)
    width = columns - 2
    numbers = _Block(_flow(_numbers(outcome, units, width), width))
    doubts = _Block(_doubts(outcome, health, units, width))
    off_plan = _Block([(line, Tone.PLAIN, Look.BOLD) for line in view_plan.passenger(outcome, units, width)])
    advice = _Block(_advice(outcome.advice, units, width))
    state = _Block(_flow(_health(health), width))
    dial = _Block(_needle(outcome, units, needle, width))
    acted = _Block(_acted(outcome.acted, outcome.t_ms, units, width))
    withheld = _Block(_withheld(outcome, width))
    picture = _share_out(rows - 3, numbers, doubts, off_plan, advice, state, dial, acted, withheld)
    row = 1
    for block in (doubts, numbers, off_plan):
        row = _write(sheet, row, block)
    if picture:
        view_trend.draw(sheet, row, picture, outcome, trend, units)
        row += picture
    for block in (dial, advice, withheld, acted, state):
        row = _write(sheet, row, block)
    return sheet.screen()


def _share_out(
    rows: int,
    numbers: _Block,
    doubts: _Block,
    off_plan: _Block,
    advice: _Block,
    state: _Block,
    dial: _Block,
    acted: _Block,
    withheld: _Block,
) -> int:
    """Give each block its rows in order of need; returns the rows of the trend."""

    def give(block: _Block, most: int) -> None:
        nonlocal rows
        while rows > 0 and block.wants() and block.given < most:
            block.given += 1
            rows -= 1

    give(doubts, 1)
    give(numbers, 1)
    give(advice, 1)
    give(off_plan, 1)
    give(numbers, 2)
    give(state, 1)
    picture = 0
    if rows >= _TREND_LEAST_ROWS - 1:
        picture = min(rows, _TREND_LEAST_ROWS)
        rows -= picture
    for block, most in ((advice, 3), (dial, 1), (acted, 1), (withheld, 1), (doubts, 2), (numbers, 4), (state, 3)):
        give(block, most)
    if picture and rows > 0:  # a taller picture before the last lines of text
        taller = min(rows, 6)
        picture += taller
        rows -= taller
    for block in (advice, withheld, acted, dial, doubts):
        give(block, 7)
    return picture + (rows if picture else 0)


def _write(sheet: Canvas, row: int, block: _Block) -> int:
    for text, tone, look in block.lines[: block.given]:
        sheet.put(row, 1, cut(text, sheet.columns - 2), tone, look)
        row += 1
    return row


def _flow(items: list[str], width: int) -> list[Text]:
    """Items side by side, as many in a row as fit whole."""
    lines: list[str] = []
    for item in items:
        if lines and len(lines[-1]) + 3 + len(item) <= width:
            lines[-1] += "   " + item
        else:
            lines.append(item)
    return [(line, Tone.PLAIN, Look.TEXT) for line in lines]


def _reason(sheet: Canvas, outcome: Outcome) -> None:
    """Why the level stands, between word and age if there is room."""
    start = len(view_words.word_of(outcome)) + 8 + (11 if outcome.silenced and sheet.columns >= 40 else 0)
    room = sheet.columns - start - len(view_words.age_words(outcome)) - 3
    words = view_words.reason_words(outcome)
    if len(words) > room:
        words = outcome.reason
    if not words or len(words) > room:
        return
    bar = outcome.level >= Level.CAUTION
    tone = view_words.tone_of(outcome.level) if bar else Tone.DIM
    sheet.put(0, start, words, tone, Look.BAR if bar else Look.TEXT)


def _numbers(outcome: Outcome, units: Display, width: int) -> list[str]:
    o, degree = outcome, f"°{units.temperature}"
    if not believed(o):
        return [f"now {view_words.UNKNOWN}", f"limit {temp(o.limit_c, units)}", f"stop {temp(o.stop_c, units)}"]
    ahead = dict(o.ahead_c or ())
    likely = o.estimate_c.likely if o.estimate_c else None
    if likely is None and o.coolant_c is not None:
        items = [f"reads {temp(o.coolant_c, units)}"]
    else:
        items = [f"now {temp(likely, units) if width < 26 else band(o.estimate_c, units)}"]
    if o.margin_c is not None:
        items.append(f"left {step(o.margin_c.likely, units)}{degree}")
    minutes = view_words.minutes_number(o)
    if o.margin_c is not None and (o.margin_c.likely or 0.0) < 0:
        items.append("PAST THE LIMIT")
    elif minutes is not None:
        items.append(f"limit in {minutes} min ({view_words.minutes_band(o)})")
    elif o.crossing is Crossing.NONE_FORESEEN:
        items.append(f"limit {view_words.not_foreseen(o)} in 15 min")
    else:
        items.append("time to limit --")
    items.append(f"in 5 min {band(ahead.get(300), units)}")
    rate = o.rate_c_per_min.likely if o.rate_c_per_min else None
    items.append(f"rate {step(rate, units, sign=True)}{degree}/min")
    items.append(f"held so, settles {band(o.settles_c, units)}")
    items.append(f"limit {temp(o.limit_c, units)}")
    items.append(f"stop {temp(o.stop_c, units)}")
    chances = [f"{seconds // 60} min {100 * chance:.0f}%" for seconds, chance in o.chance or ()]
    if chances:
        items.append("chance of limit: " + ", ".join(chances))
    if o.boil_margin_c is not None:
        items.append(f"boils {step(o.boil_margin_c.likely, units)}{degree} higher")
    items += view_words.road_items(o, units)
    return items + view_words.climb_items(o, units)


def _doubts(outcome: Outcome, health: Health, units: Display, width: int) -> list[Text]:
    lines = [(f"! {in_words(doubt, units)}", Tone.CAUTION, Look.BOLD) for doubt in outcome.doubts]
    if health.recorder_ok is False:
        lines.insert(0, (f"! recorder: {health.recorder}", Tone.CAUTION, Look.BOLD))
    return [(line, tone, look) for text, tone, look in lines for line in wrap(text, width)[:2]]


def _gains(advice: Advice, units: Display) -> list[str]:
    """What it buys, from the fullest wording to the shortest."""
    if advice.action in _NO_GAIN:
        return [""]
    if advice.gain_c is None or advice.gain_c.likely is None:
        return ["gain not known", "gain --"]
    likely, degree = advice.gain_c.likely, f"°{units.temperature}"
    least = f"{step(abs(likely), units)}{degree}"
    short = f"{least} {'cooler' if likely >= 0 else 'HOTTER'}"
    middle = f"{short} ({step(advice.gain_c.low, units)}..{step(advice.gain_c.high, units)})"
    if advice.gain_s is None or abs(advice.gain_s) < 30:
        return [middle, short, least]
    when = f"{view_words.clock(abs(advice.gain_s))} {'later' if advice.gain_s > 0 else 'SOONER'}"
    return [f"{middle}, {when}", f"{short}, {when}", middle, short, least]


def _advice(advice: tuple[Advice, ...], units: Display, width: int) -> list[Text]:
    column = max((len(a.words) for a in advice), default=0)
    lines: list[Text] = []
    for index, a in enumerate(advice):
        head = f"{'-' if index else '>'} {a.words}"
        tries = [line for gain in _gains(a, units) for line in (f"{head.ljust(column + 2)}  {gain}", f"{head}  {gain}")]
        text = next((line for line in tries if len(line) <= width), head)
        lines.append((text, Tone.PLAIN, Look.TEXT if index else Look.BOLD))
    if advice:
        lines += [("  " + line, Tone.DIM, Look.TEXT) for line in wrap(advice[0].why, width - 2)]
    return lines


def _withheld(outcome: Outcome, width: int) -> list[Text]:
    return [
        (line, Tone.DIM, Look.TEXT)
        for held in outcome.withheld
        for line in wrap(f"x not {view_words.ACTION_NAMES[held.action]}: {held.why}", width)[:2]
    ]


def _acted(acted: tuple[Acted, ...], t_ms: int, units: Display, width: int) -> list[Text]:
    lines: list[Text] = []
    for a in reversed(acted):
        ago = view_words.clock(max(0.0, t_ms / 1000.0 - a.at_s))
        seen = "effect not seen yet" if a.seen_c is None else f"seen {step(a.seen_c, units)}°{units.temperature} cooler"
        expected = "" if a.expected_c is None else f"expected {step(a.expected_c, units)}, "
        text = f"+ {view_words.ACTION_NAMES[a.action]} {ago} ago: {expected}{seen}"
        lines.append((cut(text, width), Tone.PLAIN, Look.TEXT))
    return lines


def _needle(outcome: Outcome, units: Display, needle: Needle, width: int) -> list[Text]:
    likely = outcome.estimate_c.likely if outcome.estimate_c is not None and believed(outcome) else None
    title = "dash needle about here "
    size = min(34, width - len(title))
    lines = [(title + view_needle.bar(likely, needle, size), Tone.PLAIN, Look.TEXT)]
    remark = view_needle.remark(needle, units)
    if remark:
        lines.append((remark, Tone.DIM, Look.TEXT))
    return lines


def _health(health: Health) -> list[str]:
    items = []
    where = "" if health.source and health.source in health.link else health.source  # why it is down names the port
    if health.link or where:
        items.append(" ".join(part for part in (where, health.link) if part))
    rates = [f"{name} {rate:.1f}/s" for name, rate in health.rates_hz]
    if rates:
        items.append(", ".join(rates))
    items += health.lacks
    lamp = {None: "lamp --", True: "ENGINE LAMP ON", False: "engine lamp off"}[health.mil]
    items.append(lamp)
    items.append("codes --" if health.codes is None else f"codes {health.codes or 'none'}")
    items.append(f"recorder {health.recorder or view_words.UNKNOWN}")
    if health.gps:
        items.append(health.gps if health.gps.startswith("GPS") else f"GPS {health.gps}")
    if health.voltage_v is not None:
        items.append(f"{health.voltage_v:.1f} V")
    return items


def _keys(sheet: Canvas, row: int, outcome: Outcome, health: Health, note: str | None) -> None:
    if note is not None:
        sheet.put(row, 1, f"note: {note}"[-(sheet.columns - 3) :] + "_", Tone.PLAIN, Look.BOLD)
        return
    declared = dict(health.inputs)

    def state(name: str) -> str:
        return {None: "?", True: "on", False: "off"}[declared.get(name)]

    if health.recorded:
        words = f"A/C {state('ac_on')}, heater {state('heater_on')}, fan {state('fan_on')}: as recorded"
        sheet.put(row, 1, cut(words, sheet.columns - 2), Tone.DIM)
        return
    words = (
        f"s {'sound' if outcome.silenced else 'silence'}  a A/C:{state('ac_on')}  h heater:{state('heater_on')}"
        f"  f fan:{state('fan_on')}  n note"
    )
    if len(words) + 2 > sheet.columns:
        words = f"s:mute a:{state('ac_on')} h:{state('heater_on')} f:{state('fan_on')} n:note"
    sheet.put(row, 1, cut(words, sheet.columns - 2), Tone.DIM)
