"""Every figure a vehicle is described by: default, spread, range that can be true, unit, what it does, and the source.

One row a figure; the profile, the settings, the estimator's priors and the documents all read this table. `spread` is
one standard deviation of what an unknown vehicle may have; figures with `log` are spread by ratio (they cannot be
negative).  The defaults are those of a heavy four-wheel-drive wagon, 4 to 5 L petrol, automatic.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from livemon.core import units
from livemon.core.units import Kind

_ROUGH: Final = "order of magnitude, from memory"
_PART: Final = Kind("share", "", {"%": (0.01, 0.0)})
_UNTIL: Final = "stands still until learned"
_COMMON: Final = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Figure:
    """One value with its standard deviation and where it came from ("default", "typed", "learned from 3 logs")."""

    likely: float
    spread: float
    source: str = "default"


@dataclass(frozen=True, slots=True)
class FigureKey:
    """One row of the table.  `kind` is `None` for plain numbers whose unit is in the name."""

    name: str
    likely: float
    spread: float
    low: float
    high: float
    kind: Kind | None
    log: bool
    meaning: str
    source: str

    @property
    def default(self) -> Figure:
        return Figure(self.likely, self.spread)


def _rows(*rows: FigureKey) -> dict[str, FigureKey]:
    return {row.name: row for row in rows}


_K = FigureKey
# fmt: off
# name, likely, spread, low, high, unit, spread by ratio; meaning, source
BODY: Final = _rows(
    _K("mass_kg", 2300, 250, 600, 8000, units.MASS, True,
       "vehicle with people and load", "typed by the owner"),
    _K("drag_area_m2", 1.35, 0.2, 0.4, 6.0, units.AREA, True,
       "drag coefficient times frontal area, CdA", "boxy wagons 1.1 to 1.7, " + _ROUGH),
    _K("rolling_resistance", 0.013, 0.0025, 0.006, 0.3, None, True,
       "rolling resistance coefficient, Crr", "US TRB tyre study, second-hand: 0.007 to 0.017 paved"),
    _K("tyre_radius_m", 0.37, 0.02, 0.2, 0.7, units.LENGTH, True,
       "loaded rolling radius", "typed by the owner"),
    _K("axle_ratio", 3.9, 0.35, 2.0, 8.0, None, True,
       "axle ratio, with transfer case where it is in use", "typed by the owner"),
    _K("driveline_efficiency", 0.86, 0.03, 0.6, 0.98, _PART, True,
       "gears, axles, transfer case; converter slip apart",
       "OTA 1995: gearbox 92 to 94 % highway; overall 0.75 to 0.88 from memory"),
    _K("converter_nm_krpm2", 52, 12, 10, 200, None, True,
       "converter capacity at stall [Nm per (1000 rpm)^2]", _ROUGH),
    _K("lockup_kmh", 75, 12, 20, 300, units.SPEED, True,
       "speed above which the converter locks in the top two gears; 300 = never", _COMMON),
)
ENGINE: Final = _rows(
    _K("displacement_l", 4.5, 0.4, 0.5, 15, units.VOLUME, True,
       "engine size", "typed by the owner"),
    _K("idle_rpm", 700, 50, 400, 1500, units.ANGULAR_SPEED, True,
       "idle speed", _COMMON),
    _K("rpm_limit", 5200, 300, 2000, 12000, units.ANGULAR_SPEED, True,
       "highest engine speed to advise", "typed by the owner"),
    _K("indicated_efficiency", 0.36, 0.02, 0.25, 0.5, None, True,
       "work on the pistons per fuel energy", "Willans line of petrol engines, " + _ROUGH),
    _K("friction_bar", 1.15, 0.2, 0.3, 3.0, None, True,
       "friction and pumping mean pressure at no speed", _ROUGH),
    _K("friction_bar_krpm", 0.25, 0.06, 0.0, 1.0, None, True,
       "its rise per 1000 rpm", _ROUGH),
    _K("volumetric_efficiency", 0.82, 0.05, 0.5, 1.15, None, True,
       "cylinder filling at manifold density", "typical 0.75 to 0.95, " + _ROUGH),
    _K("coolant_share", 0.27, 0.03, 0.15, 0.4, None, True,
       "share of fuel heat that reaches the coolant at 40 kW of fuel per litre",
       "textbook 0.25 to 0.35; Heywood 0.17 to 0.26 (diesel and petrol, full load)"),
    _K("coolant_share_slope", 0.2, 0.05, 0.0, 0.4, None, True,
       "how the share falls with fuel power (exponent)",
       "gas-side film ~ Re^0.75 (Taylor & Toong), " + _ROUGH),
    _K("accessory_kw", 1.5, 0.5, 0.0, 10, units.POWER, True,
       "pump, alternator, steering at 2000 rpm", _ROUGH),
)
COOLING: Final = _rows(
    _K("face_area_m2", 0.35, 0.04, 0.1, 1.2, units.AREA, True,
       "radiator face", _ROUGH),
    _K("radiator_kw_k", 1.8, 0.4, 0.4, 6.0, None, True,
       "radiator UA at 5.5 kg/m2s of air and 1.5 L/s of coolant",
       "NTU 0.7 to 1.5 at speed; worked: effectiveness 0.6 at 1.94 kW/K of air"),
    _K("air_share", 0.8, 0.04, 0.5, 0.95, None, True,
       "share of the radiator's resistance on the air side", "Webb & Trauger 1991: 0.8 or more"),
    _K("air_exponent", 0.55, 0.05, 0.4, 0.8, None, False,
       "air-side film ~ (mass velocity)^n", "Chang & Wang 1997: 0.51 louvred; 0.6 to 0.8 other fins"),
    _K("ram_share", 0.14, 0.03, 0.05, 0.3, None, True,
       "face air speed per road speed with fans idle", _ROUGH + ": 0.10 to 0.25"),
    _K("fan_m_s_krpm", 1.1, 0.25, 0.0, 3.0, None, True,
       "face air speed per 1000 rpm of the engine-driven fan; 0 = none", _ROUGH),
    _K("fan_ratio", 1.1, 0.1, 0.5, 2.0, None, True,
       "fan shaft speed per engine speed", _COMMON),
    _K("fan_limit_rpm", 3100, 300, 1500, 6000, units.ANGULAR_SPEED, True,
       "speed the clutch does not let the fan exceed", "one service manual: 3100 rpm"),
    _K("clutch_on_share", 0.65, 0.12, 0.2, 1.0, None, True,
       "fan speed per shaft speed, engaged", "clutch maker: 0.5 to 0.6 standard, 0.8 to 0.9 heavy duty"),
    _K("clutch_off_share", 0.25, 0.04, 0.05, 1.0, None, True,
       "fan speed per shaft speed, disengaged", "clutch maker: 0.2 to 0.3; 1 = seized"),
    _K("clutch_on_c", 72, 6, 40, 110, units.TEMPERATURE, False,
       "air behind the radiator at which the clutch is half engaged",
       "parts trade: 70 to 80; service manuals 55 to 105"),
    _K("clutch_span_c", 12, 3, 2, 40, units.TEMPERATURE_STEP, True,
       "air temperature from free to full", _COMMON),
    _K("clutch_lag_s", 30, 10, 0.1, 180, units.DURATION, True,
       "lag of the clutch", _COMMON),
    _K("electric_m_s", 1.0, 0.4, 0.0, 5.0, None, True,
       "face air speed of the electric fan alone; 0 = none", _ROUGH),
    _K("electric_on_c", 98, 3, 70, 120, units.TEMPERATURE, False,
       "coolant at which the electric fan starts", _COMMON),
    _K("electric_span_c", 5, 1.5, 1, 20, units.TEMPERATURE_STEP, True,
       "it stops so far below", _COMMON),
    _K("recirculation", 0.08, 0.04, 0.0, 0.45, None, True,
       "share of hot air drawn in again at standstill", _ROUGH),
    _K("condenser_kw", 7.0, 1.5, 0.0, 20, units.POWER, True,
       "A/C heat into the air ahead of the radiator on a 35 C day", "5 to 10, " + _ROUGH),
    _K("compressor_kw", 3.0, 0.8, 0.0, 10, units.POWER, True,
       "A/C shaft power on a 35 C day", "2 to 5, " + _ROUGH),
    _K("heater_kw_k", 0.08, 0.02, 0.0, 0.4, None, True,
       "cabin heater, full, per kelvin over cabin air", "5 to 6 kW at 70 K, " + _ROUGH),
    _K("loss_kw_k", 0.025, 0.01, 0.0, 0.3, None, True,
       "engine block to the air around it", _ROUGH),
    _K("pump_l_s_krpm", 0.55, 0.1, 0.05, 2.0, None, True,
       "coolant through the radiator per 1000 rpm, thermostat open", _ROUGH),
    _K("open_c", 82, 2.5, 60, 110, units.TEMPERATURE, False,
       "thermostat starts to open", "service manuals: 74 to 93"),
    _K("full_span_c", 13, 2, 4, 25, units.TEMPERATURE_STEP, True,
       "from there to full opening", "service manuals: 82 to 95, 93 to 104"),
    _K("hysteresis_c", 3, 1, 0, 10, units.TEMPERATURE_STEP, True,
       "it closes so far below the opening curve", _COMMON),
    _K("thermostat_lag_s", 12, 5, 0.1, 90, units.DURATION, True,
       "lag of the wax", _COMMON),
    _K("thermostat_floor", 0.01, 0.005, 0.001, 1.0, None, True,
       "opening when shut: bleed hole and leak; 1 = stuck open", _COMMON),
    _K("thermostat_ceiling", 1.0, 0.02, 0.05, 1.0, None, False,
       "opening when full; less = stuck part-open", _COMMON),
    _K("metal_kj_k", 70, 15, 15, 300, None, True,
       "heat capacity of the metal that follows the coolant", "with coolant 60 to 150 kJ/K, " + _ROUGH),
    _K("metal_kw_k", 3.0, 0.6, 0.5, 12, None, True,
       "metal to coolant", _ROUGH),
    _K("coolant_l", 12, 1.5, 2, 60, units.VOLUME, True,
       "coolant fill", "9 to 15 for 4 to 5 L trucks, " + _ROUGH),
    _K("radiator_kj_k", 18, 4, 4, 90, None, True,
       "radiator core and the coolant in it and its hoses", _ROUGH),
    _K("cap_kpa", 110, 8, 0, 250, units.PRESSURE, False,
       "cap pressure over the air; 0 = leaking or none", "16 psi caps are common; printed on the cap"),
    _K("glycol_share", 0.5, 0.05, 0.0, 0.7, _PART, False,
       "glycol by volume", _COMMON),
    _K("radiator_open", 1.0, 0.05, 0.1, 1.5, None, False,
       "share of the radiator's fins and tubes that works", "part state"),
    _K("stack_flow", 1.0, 0.05, 0.2, 1.5, None, False,
       "face air speed against a clean condenser and grille", "part state"),
    _K("electric_health", 1.0, 0.1, 0.0, 3.0, None, False,
       "electric fan's air speed against a sound one", "part state"),
    _K("clutch_health", 1.0, 0.08, 0.0, 1.5, None, False,
       "share of the clutch's engaged speed", "part state"),
    _K("pump_health", 1.0, 0.05, 0.05, 1.5, None, False,
       "share of the pump's flow", "part state"),
    _K("sensor_lag_s", 7, 3, 0.5, 60, units.DURATION, True,
       "lag of the coolant sensor behind the coolant", _COMMON),
    _K("fan_and_ram", 0.0, 0.0, -0.5, 1.0, None, False,
       "how fans add to ram air: 0 as pressures, 1 as speeds", _UNTIL),
    _K("ac_fan", 1.0, 0.0, 0.0, 1.2, None, False,
       "speed at which A/C runs the electric fan, over that by coolant", _UNTIL),
    _K("speed_curve", 0.0, 0.0, -1.5, 1.5, None, False,
       "radiator UA goes as road speed to this power, beyond the rest", _UNTIL),
    _K("rpm_curve", 0.0, 0.0, -1.5, 1.5, None, False,
       "the same with engine speed", _UNTIL),
)
# fmt: on
FIGURES: Final[dict[str, FigureKey]] = {**BODY, **ENGINE, **COOLING}
