"""One recorded drive as columns on an even grid of five seconds, for everything that looks back over whole drives.

Events go in as they stand in the log; each reading falls into its cell, a cell holds the mean of its readings, and a
quantity is carried over a short silence only.  What nobody told is nan, never zero.  It knows nothing of files, nor
whether the drive is fit to learn from: it hands over what speaks against it.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core import demand
from livemon.core.events import Event, Mark, Sample
from livemon.core.outcome import Status
from livemon.core.signals import SLOW, Inputs
from livemon.core.vehicle import VehicleProfile

Floats = NDArray[np.float64]

STEP_S: Final = 5.0
CARRY_S: Final = 15.0
CARRY_SLOW_S: Final = 180.0
"""A quantity not read for so long is unknown; the same times as the live `signals`."""
MOST_CELLS: Final = 200_000
"""Eleven days; rows beyond are counted in `Drive.beyond`, so that a torn clock cannot ask for endless memory."""
GRADE_SPAN_M: Final = 300.0
GRADE_LEAST_M: Final = 100.0
MOST_NOTES: Final = 200
_TOLD: Final = (
    "coolant_c", "speed_kmh", "rpm", "load_pct", "absolute_load_pct", "map_kpa", "maf_g_s", "intake_air_c",
    "ambient_air_c", "baro_kpa", "altitude_m",
)  # fmt: skip
_DECLARED: Final = ("ac_on", "heater_on", "fan_on")


@dataclass(frozen=True, slots=True)
class Drive:
    """One log; every column has the length of `t_s`, nan where unknown.

    `fuel_kw` is fuel power by the best of what the vehicle offers (`source` says which); `ac_on`, `heater_on`,
    `fan_on` are 1, 0 or nan = never declared; `grade_pct` only where height is recorded.
    """

    name: str
    t_s: Floats
    coolant_c: Floats
    speed_kmh: Floats
    rpm: Floats
    fuel_kw: Floats
    air_c: Floats
    air_kpa: Floats
    ac_on: Floats
    heater_on: Floats
    fan_on: Floats
    height_m: Floats
    grade_pct: Floats
    source: str = "nothing"
    air_measured: bool = False
    """Outside air was measured or declared; else it is a guess from the intake."""
    mass_kg: float | None = None
    notes: tuple[tuple[float, str], ...] = ()
    codes: tuple[str, ...] = ()
    """Every distinct text of trouble codes that was read."""
    jumps: int = 0
    """Coolant readings that differ from the one before by more than water and metal can, within ten seconds."""
    rows: int = 0
    beyond: int = 0

    @property
    def hours(self) -> float:
        return len(self.t_s) * STEP_S / 3600.0


JUMP_C: Final = 8.0
JUMP_S: Final = 10.0


def from_events(
    name: str,
    events: Iterable[Event],
    profile: VehicleProfile,
    *,
    outside_c: float | None = None,
    mass_kg: float | None = None,
) -> Drive:
    """The drive behind `events`; `profile` gives the engine for `fuel_kw`; `outside_c`, `mass_kg` as declared then."""
    heard = _Heard()
    for event in events:
        heard.hear(event)
    return heard.drive(name, profile, outside_c, mass_kg)


class _Heard:
    """Readings and marks of one log in the order they came, boiled down to (cell, value)."""

    def __init__(self) -> None:
        self._cells = {name: array("l") for name in _TOLD}
        self._values = {name: array("d") for name in _TOLD}
        self._declared: dict[str, list[tuple[int, float]]] = {name: [] for name in _DECLARED}
        self._notes: list[tuple[float, str]] = []
        self._codes: dict[str, None] = {}
        self._first: int | None = None
        self._last = 0
        self._before: tuple[int, float] | None = None
        self.jumps = self.rows = self.beyond = 0

    def hear(self, event: Event) -> None:
        if self._first is None:
            self._first = event.t_ms // 1000 // int(STEP_S)
        cell = event.t_ms // 1000 // int(STEP_S) - self._first
        if not 0 <= cell < MOST_CELLS:
            self.beyond += 1
            return
        self._last = max(self._last, cell)
        if isinstance(event, Sample):
            self.rows += 1
            for name, value in event.readings:
                if name in self._cells:
                    self._cells[name].append(cell)
                    self._values[name].append(value)
                    if name == "coolant_c":
                        self._coolant(event.t_ms, value)
            if event.codes:
                self._codes.setdefault(event.codes)
        elif isinstance(event, Mark):
            for name, on in event.inputs:
                if name in self._declared:
                    self._declared[name].append((cell, float(on)))
            if event.note and len(self._notes) < MOST_NOTES:
                self._notes.append((event.t_ms / 1000.0, event.note))

    def _coolant(self, t_ms: int, value: float) -> None:
        if self._before is not None:
            then_ms, then_c = self._before
            if 0 < t_ms - then_ms <= JUMP_S * 1000.0 and abs(value - then_c) > JUMP_C:
                self.jumps += 1
        self._before = (t_ms, value)

    def drive(self, name: str, profile: VehicleProfile, outside_c: float | None, mass_kg: float | None) -> Drive:
        count = 0 if self._first is None else self._last + 1
        first_s = STEP_S * (self._first or 0)
        told = {signal: self._column(signal, count) for signal in _TOLD}
        carried = {
            signal: _carried(column, CARRY_SLOW_S if signal in SLOW else CARRY_S) for signal, column in told.items()
        }
        air_c, air_kpa, fuel_kw, source = _heat(carried, profile, outside_c)
        grade = _grade_pct(carried["altitude_m"], carried["speed_kmh"])
        return Drive(
            name=name,
            t_s=first_s + STEP_S * np.arange(count, dtype=np.float64),
            coolant_c=carried["coolant_c"],
            speed_kmh=carried["speed_kmh"],
            rpm=carried["rpm"],
            fuel_kw=fuel_kw,
            air_c=air_c,
            air_kpa=air_kpa,
            ac_on=self._said("ac_on", count),
            heater_on=self._said("heater_on", count),
            fan_on=self._said("fan_on", count),
            height_m=carried["altitude_m"],
            grade_pct=grade,
            source=source,
            air_measured=outside_c is not None or bool(np.isfinite(carried["ambient_air_c"]).any()),
            mass_kg=mass_kg,
            notes=tuple(self._notes),
            codes=tuple(self._codes),
            jumps=self.jumps,
            rows=self.rows,
            beyond=self.beyond,
        )

    def _column(self, name: str, count: int) -> Floats:
        """Mean of the readings of each cell, nan where none came."""
        cells, values = np.array(self._cells[name], dtype=np.intp), np.array(self._values[name], dtype=np.float64)
        number = np.bincount(cells, minlength=count)
        total = np.bincount(cells, weights=values, minlength=count)
        return np.where(number > 0, total / np.maximum(number, 1), np.nan)

    def _said(self, name: str, count: int) -> Floats:
        """A declared input holds until it is declared anew."""
        column = np.full(count, np.nan)
        for cell, on in self._declared[name]:
            column[cell:] = on
        return column


def _carried(column: Floats, most_s: float) -> Floats:
    """The last known value, for at most `most_s`."""
    known = np.isfinite(column)
    if not known.any():
        return column
    place = np.where(known, np.arange(len(column)), -1)
    latest = np.maximum.accumulate(place)
    young = (latest >= 0) & ((np.arange(len(column)) - latest) * STEP_S <= most_s)
    return np.where(young, column[np.maximum(latest, 0)], np.nan)


def _heat(
    told: Mapping[str, Floats], profile: VehicleProfile, outside_c: float | None
) -> tuple[Floats, Floats, Floats, str]:
    """Outside air [C], its pressure [kPa], fuel power [kW] and where it comes from, cell by cell, by `demand`."""
    engine = profile.engine()
    names = [n for n in _TOLD if n not in ("coolant_c", "ambient_air_c") and np.isfinite(told[n]).any()]
    columns = [told[n].tolist() for n in names]
    ambient = told["ambient_air_c"].tolist()
    count = len(ambient)
    air_c, air_kpa, fuel = np.full(count, np.nan), np.full(count, np.nan), np.full(count, np.nan)
    sources: dict[str, int] = {}
    before: float | None = None
    for k in range(count):
        values = {name: column[k] for name, column in zip(names, columns, strict=True) if column[k] == column[k]}
        here = ambient[k] if ambient[k] == ambient[k] else outside_c
        if not values and here is None:
            continue
        inputs = Inputs(t_ms=0, status=Status.LIVE, outside_c=here, **values)
        for _ in range(int(STEP_S) if here is None else 1):  # the guess from the intake moves once a second
            before = demand.outside_c(inputs, before)
        air_c[k] = before
        air_kpa[k] = demand.air_pressure_kpa(inputs)
        made = demand.fuel_kw(inputs, engine, air_c[k], air_kpa[k])
        if made is not None:
            fuel[k] = made
            word = demand.source(inputs, engine)
            sources[word] = sources.get(word, 0) + 1
    return air_c, air_kpa, fuel, max(sources, key=lambda w: sources[w], default="nothing")


def _grade_pct(height_m: Floats, speed_kmh: Floats) -> Floats:
    """Mean grade over the 300 m around each cell [%]; nan where the vehicle hardly moves or height is unknown."""
    out = np.full(len(height_m), np.nan)
    known = np.isfinite(height_m) & np.isfinite(speed_kmh)
    if known.sum() < 3:
        return out
    along = np.cumsum(np.where(np.isfinite(speed_kmh), speed_kmh, 0.0)) / 3.6 * STEP_S
    low = np.searchsorted(along, along - 0.5 * GRADE_SPAN_M)
    high = np.minimum(np.searchsorted(along, along + 0.5 * GRADE_SPAN_M), len(along) - 1)
    run = along[high] - along[low]
    rise = height_m[high] - height_m[low]
    return np.where(known & (run >= GRADE_LEAST_M), 100.0 * rise / np.maximum(run, 1.0), np.nan)
