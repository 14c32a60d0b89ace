"""What comes in: the four events the core consumes, and the one table of signal names.

Every name in `SIGNALS` carries its unit and is at the same time the column of the log form, so a reading keeps one
name from the wire to the page.  Times are whole milliseconds since the drive began; values were rounded once, at the
door, to `Signal.decimals`.  This file knows nothing of ports, files or clocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Signal:
    """One measured or declared quantity: name with unit, range that can be true, decimals kept at the door."""

    name: str
    low: float
    high: float
    decimals: int
    meaning: str


def _table(*signals: Signal) -> dict[str, Signal]:
    return {s.name: s for s in signals}


# Ranges of one-byte and two-byte signals are those of SAE J1979 (docs/names.md names the source of each).
SIGNALS: Final[dict[str, Signal]] = _table(
    Signal("coolant_c", -40, 215, 1, "engine coolant temperature, PID 05 (or 67 sensor 1)"),
    Signal("coolant2_c", -40, 215, 1, "second coolant sensor, PID 67 sensor 2, or a second ECU's PID 05"),
    Signal("speed_kmh", 0, 255, 2, "vehicle speed, PID 0D"),
    Signal("rpm", 0, 16383.75, 2, "engine speed, PID 0C [1/min]"),
    Signal("load_pct", 0, 100, 1, "calculated load, PID 04"),
    Signal("absolute_load_pct", 0, 25700, 1, "absolute load, PID 43"),
    Signal("throttle_pct", 0, 100, 1, "absolute throttle position, PID 11"),
    Signal("pedal_pct", 0, 100, 1, "accelerator pedal position D, PID 49"),
    Signal("map_kpa", 0, 255, 1, "intake manifold absolute pressure, PID 0B"),
    Signal("maf_g_s", 0, 655.35, 2, "mass air flow, PID 10"),
    Signal("intake_air_c", -40, 215, 1, "intake air temperature, PID 0F"),
    Signal("ambient_air_c", -40, 215, 1, "ambient air temperature, PID 46"),
    Signal("baro_kpa", 0, 255, 1, "absolute barometric pressure, PID 33"),
    Signal("oil_c", -40, 215, 1, "engine oil temperature, PID 5C"),
    Signal("voltage_v", 0, 65.535, 3, "module voltage, PID 42, or voltage at the plug"),
    Signal("fuel_level_pct", 0, 100, 1, "fuel tank level, PID 2F"),
    Signal(
        "fuel_status",
        0,
        255,
        0,
        "fuel system status 1, PID 03: 1 open cold, 2 closed, 4 open by load, 8 open fault, 16 closed fault",
    ),
    Signal("run_time_s", 0, 65535, 0, "run time since engine start, PID 1F"),
    Signal("mil", 0, 1, 0, "malfunction indicator lamp commanded on, PID 01"),
    Signal("latitude_deg", -90, 90, 6, "position, north positive"),
    Signal("longitude_deg", -180, 180, 6, "position, east positive"),
    Signal("altitude_m", -500, 9000, 1, "height above mean sea level"),
    Signal("gps_speed_kmh", 0, 1000, 2, "speed over ground"),
)

INPUTS: Final[tuple[str, ...]] = ("ac_on", "heater_on", "fan_on", "silenced")
"""Declared by a switch or by the passenger's key; 0 or 1."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One reply, or one log row: one or more readings taken at `t_ms`.

    `readings` are (name, value) pairs with names from `SIGNALS`; `codes` is the list of stored and pending trouble
    codes as one text ("P0118 P0217", "" = none stored), `None` = not read; `ecu` names who answered.
    """

    t_ms: int
    readings: tuple[tuple[str, float], ...] = ()
    codes: str | None = None
    ecu: str | None = None


@dataclass(frozen=True, slots=True)
class Tick:
    """A whole second of the drive has passed: `t_ms` is a multiple of 1000."""

    t_ms: int


@dataclass(frozen=True, slots=True)
class Link:
    """The adapter or bus came up, or went down with a reason."""

    t_ms: int
    up: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """What a person or a switch declared: inputs from `INPUTS` as (name, on) pairs, and a free note."""

    t_ms: int
    inputs: tuple[tuple[str, bool], ...] = ()
    note: str | None = None


Event = Sample | Tick | Link | Mark


def corrected(sample: Sample, sensor_offset_c: float) -> Sample:
    """`sample` with a coolant sensor that reads `sensor_offset_c` too high put right, to the decimals of the table.

    The recording keeps the reading as it came; the offset stands in its header, so that a replay corrects it alike.
    """
    if not sensor_offset_c or not any(name == "coolant_c" for name, _ in sample.readings):
        return sample
    decimals = SIGNALS["coolant_c"].decimals
    readings = tuple(
        (name, round(value - sensor_offset_c, decimals) + 0.0 if name == "coolant_c" else value)
        for name, value in sample.readings
    )
    return Sample(sample.t_ms, readings, sample.codes, sample.ecu)
