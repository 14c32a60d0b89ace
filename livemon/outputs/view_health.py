"""State of the data, gathered from the events as they pass: rates, link, lamp, codes, declared inputs.

Pure; arrivals are bounded to the last ten seconds, what was told to one time a quantity.  Knows nothing of the
recorder: its state is handed in by whoever runs it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from livemon.core.events import INPUTS, Event, Link, Mark, Sample
from livemon.outputs import lacks
from livemon.outputs.view_passenger import Health

WINDOW_MS: Final = 10_000
LISTEN_MS: Final = 60_000
"""What is missing is told after so long, and taken as missing after `FORGET_MS`: outside air comes each 10 s or so."""
FORGET_MS: Final = 180_000
SILENT_MS: Final = 15_000
"""After a silence of the vehicle of so long, or a link that was down, rates and what is missing are counted anew."""
_MOST_ARRIVALS: Final = 1000
RATED: Final[tuple[tuple[str, str], ...]] = (
    ("coolant_c", "coolant"),
    ("rpm", "rpm"),
    ("speed_kmh", "speed"),
    ("load_pct", "load"),
)
"""Quantities whose rate is worth a place on the screen, and how they are called there."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What the events told so far."""

    since_ms: int | None = None
    """Since when the vehicle has been heard without a long silence; None where it is to be heard anew."""
    arrivals: tuple[tuple[int, str], ...] = ()
    told_ms: Mapping[str, int] = field(default_factory=dict)
    """When each quantity that may be missed last came."""
    link: str = ""
    mil: bool | None = None
    codes: str | None = None
    voltage_v: float | None = None
    declared: Mapping[str, bool] = field(default_factory=dict)


def hear(heard: Heard, event: Event) -> Heard:
    """Fold one event in."""
    if isinstance(event, Link):
        link = "up" if event.up else f"down: {event.reason}".rstrip(": ")
        return replace(heard, link=link, since_ms=heard.since_ms if event.up else None)
    if isinstance(event, Mark):
        told = {name: on for name, on in event.inputs if name in INPUTS}
        return replace(heard, declared={**heard.declared, **told}) if told else heard
    if not isinstance(event, Sample):
        return heard
    readings = dict(event.readings)
    rated = [(event.t_ms, name) for name, _ in RATED if name in readings]
    kept = tuple(a for a in heard.arrivals if a[0] > event.t_ms - WINDOW_MS)[-_MOST_ARRIVALS:]
    silent = event.t_ms - max(heard.told_ms.values(), default=event.t_ms) > SILENT_MS
    return replace(
        heard,
        since_ms=event.t_ms if heard.since_ms is None or silent else heard.since_ms,
        arrivals=(*kept, *rated),
        told_ms={**heard.told_ms, **{name: event.t_ms for name in readings if name in lacks.NAMES}},
        link="up" if not heard.link else heard.link,
        mil=readings["mil"] != 0 if "mil" in readings else heard.mil,
        codes=heard.codes if event.codes is None else event.codes,
        voltage_v=readings.get("voltage_v", heard.voltage_v),
    )


def health(
    heard: Heard,
    t_ms: int,
    source: str = "",
    recorder: tuple[str, bool] | None = None,
    gps: str = "",
    *,
    outside_typed: bool = False,
) -> Health:
    """The state at `t_ms`; a quantity that has not come for ten seconds has the rate zero."""
    names = [name for t, name in heard.arrivals if t > t_ms - WINDOW_MS]
    known = {name for _, name in heard.arrivals}
    heard_ms = min(max(t_ms - (t_ms if heard.since_ms is None else heard.since_ms), 1000), WINDOW_MS)
    rates = tuple((words, names.count(name) * 1000.0 / heard_ms) for name, words in RATED if name in known)
    words, ok = recorder if recorder is not None else ("", None)
    return Health(
        source=source,
        link=heard.link,
        rates_hz=rates,
        mil=heard.mil,
        codes=heard.codes,
        recorder=words,
        recorder_ok=ok,
        inputs=tuple(heard.declared.items()),
        voltage_v=heard.voltage_v,
        gps=gps,
        lacks=_lacks(heard, t_ms, names.count("coolant_c"), outside_typed),
    )


def _lacks(heard: Heard, t_ms: int, coolants: int, outside_typed: bool) -> tuple[str, ...]:
    """What a passenger should know is missing while coolant comes; `coolants` came in the last ten seconds."""
    if heard.since_ms is None or t_ms - heard.since_ms < LISTEN_MS or not coolants:
        return ()
    told = {name for name, at_ms in heard.told_ms.items() if t_ms - at_ms <= FORGET_MS}
    found = lacks.lacks(told, outside_typed=outside_typed, coolant_each_s=WINDOW_MS / 1000.0 / coolants)
    return tuple(lack.words for lack in found if lack.costly)
