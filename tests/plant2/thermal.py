"""Thermal side of the second plant: metal, coolant, oil and six radiator cells, one implicit step a second.

Implicit steps keep it stable at any flow.  It knows nothing of roads: it takes fuel power, rpm, speed, air and the
state of the parts, and moves every lane one step on.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from tests.plant2.rig import Array, Rig

CELLS = 6
CP_AIR = 1.006  # kJ/(kg K), dry air near 40 C

# Empirical airflow map: share of ram air that passes at a fan duty, and share of the fan's standstill flow that is
# left at a road speed.  Made up, shaped like wind-tunnel maps: a stopped fan blocks, a fast road makes the fan idle.
_DUTY = np.array([0.0, 0.3, 0.6, 1.0])
_RAM_PASS = np.array([0.88, 0.93, 0.97, 1.0])
_ROAD_KMH = np.array([0.0, 20.0, 40.0, 60.0, 80.0, 100.0, 130.0])
_FAN_LEFT = np.array([1.0, 0.93, 0.80, 0.62, 0.42, 0.25, 0.10])


@dataclass
class State:
    """Temperatures [C] and slow parts, one lane a drive."""

    metal_c: Array
    coolant_c: Array
    oil_c: Array
    cells_c: Array  # (CELLS, lanes)
    stat: Array  # opening of the thermostat, 0..1
    fan: Array  # duty, 0..1
    fill: Array  # coolant left, 1 = full
    sensor_c: Array
    air_out_c: Array

    def take(self, index: NDArray[np.intp]) -> State:
        """The lanes `index`."""
        return State(**{f.name: getattr(self, f.name)[..., index] for f in fields(self)})


@dataclass
class Drive:
    """What acts on the thermal side during one second, one lane a drive."""

    fuel_kw: Array
    load: Array  # brake power over the most at this rpm
    rpm: Array
    speed_kmh: Array
    outside_c: Array
    air_kg_m3: Array
    ac: Array  # share of time the compressor works
    fan_ok: Array  # 1 healthy, 0 dead
    air_ok: Array  # 1 clean, less when the grille is blocked
    pump_ok: Array
    stat_most: Array  # 1 healthy, less when it sticks
    leak_per_s: Array  # share of the fill lost each second

    def take(self, index: NDArray[np.intp]) -> Drive:
        """The lanes `index`."""
        return Drive(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def start(rig: Rig, outside_c: Array, warm: Array) -> State:
    """Warm and regulated where `warm` is 1, else at outside temperature."""
    hot = rig.stat_open_c + 0.25 * rig.stat_span_c
    coolant = np.where(warm > 0.5, hot, outside_c)
    cells = np.where(warm > 0.5, 0.6 * hot + 0.4 * outside_c, outside_c)
    return State(
        metal_c=coolant + np.where(warm > 0.5, 6.0, 0.0),
        coolant_c=coolant.copy(),
        oil_c=coolant.copy(),
        cells_c=np.repeat(cells[None, :], CELLS, axis=0),
        stat=np.where(warm > 0.5, 0.25, rig.stat_leak),
        fan=np.zeros_like(coolant),
        fill=np.ones_like(coolant),
        sensor_c=coolant.copy(),
        air_out_c=outside_c.copy(),
    )


def face_speed(rig: Rig, speed_kmh: Array, fan: Array, fan_ok: Array, rpm: Array) -> Array:
    """Air speed at the radiator's face [m/s], from the airflow map."""
    duty = fan * fan_ok
    driven = np.where(rig.fan_kind > 1.5, np.minimum(rpm / 2500.0, 1.4), 1.0)
    ram = rig.ram * speed_kmh / 3.6 * np.interp(duty, _DUTY, _RAM_PASS)
    return ram + rig.fan_ms * duty * driven * np.interp(speed_kmh, _ROAD_KMH, _FAN_LEFT) + 0.15


def step(rig: Rig, s: State, d: Drive, dt_s: float = 1.0) -> State:
    """Every lane `dt_s` on."""
    fill = np.clip(s.fill - d.leak_per_s * dt_s, 0.25, 1.0)
    primed = np.clip((fill - 0.45) / 0.25, 0.0, 1.0)  # a pump that draws air moves little
    wetted = np.clip((fill - 0.25) / 0.35, 0.15, 1.0)

    # Thermostat: wax element behind the coolant, then the part's own end stop.
    wish = np.clip((s.coolant_c - rig.stat_open_c) / rig.stat_span_c, 0.0, 1.0)
    stat = s.stat + (wish - s.stat) * dt_s / (rig.stat_lag_s + dt_s)
    opened = np.maximum(np.minimum(stat, d.stat_most), rig.stat_leak)
    flow = rig.pump_kw_k * d.rpm / 3000.0 * d.pump_ok * primed * opened / (0.35 + 0.65 * opened) + 1e-4

    # Fan: electric fans look at the coolant, a viscous clutch at the air behind the radiator.
    seen = np.where(rig.fan_kind > 1.5, s.air_out_c, s.coolant_c)
    ramp = np.clip((seen - rig.fan_on_c) / (rig.fan_full_c - rig.fan_on_c), 0.0, 1.0)
    stepped = np.where(seen > rig.fan_full_c, 1.0, np.where(seen > rig.fan_on_c, np.maximum(s.fan, 0.55), 0.0))
    stepped = np.where(
        (rig.fan_kind == 1) & (seen > rig.fan_on_c - 4.0) & (s.fan > 0.3), np.maximum(stepped, 0.55), stepped
    )
    command = np.where(rig.fan_kind == 1, stepped, ramp)
    command = np.where(rig.fan_kind == 0, np.maximum(command, 0.35 * (d.ac > 0.5)), command)
    command = np.where(rig.fan_kind > 1.5, np.maximum(command, 0.22), command)
    running = d.rpm > 200.0
    fan = s.fan + (command * running - s.fan) * dt_s / (rig.fan_lag_s + dt_s)

    # Air side.
    face = face_speed(rig, d.speed_kmh, fan, d.fan_ok, d.rpm) * d.air_ok
    c_air = rig.face_m2 * face * d.air_kg_m3 * CP_AIR
    back = rig.recirculation * np.clip(1.0 - d.speed_kmh / 15.0, 0.0, 1.0)
    inlet = d.outside_c + 0.85 * rig.ac_heat_kw * d.ac / np.maximum(c_air, 0.05) + back * (s.air_out_c - d.outside_c)
    inlet = np.minimum(inlet, d.outside_c + 40.0)
    ua = rig.ua_kw_k * np.power(face * d.air_kg_m3 / 4.4, rig.ua_power)
    shed = c_air * (1.0 - np.exp(-ua / c_air)) / CELLS  # kW/K of one cell

    # Heat made.
    share = rig.heat_share + rig.heat_share_slope * (d.load - 0.5)
    made = d.fuel_kw * share
    oil_made = d.fuel_kw * rig.oil_share

    # Radiator cells, upwind and implicit, hot end first.
    cell_kj_k = rig.radiator_kj_k / CELLS / dt_s
    cells = np.empty_like(s.cells_c)
    before = s.coolant_c
    for i in range(CELLS):
        before = (cell_kj_k * s.cells_c[i] + flow * before + shed * inlet) / (cell_kj_k + flow + shed)
        cells[i] = before
    air_out = inlet + (shed * (cells - inlet)).sum(axis=0) / c_air

    film = rig.metal_film_kw_k * wetted * np.power(np.clip(d.rpm / 2500.0, 0.2, 2.0), 0.5)
    skin = rig.skin_kw_k * (0.5 + d.speed_kmh / 60.0)
    coolant_kj_k = rig.coolant_kj_k * fill / dt_s
    coolant = (coolant_kj_k * s.coolant_c + film * s.metal_c + rig.oil_film_kw_k * s.oil_c + flow * cells[-1]) / (
        coolant_kj_k + film + rig.oil_film_kw_k + flow
    )
    metal_kj_k = rig.metal_kj_k / dt_s
    metal = (metal_kj_k * s.metal_c + made + film * coolant + skin * d.outside_c) / (metal_kj_k + film + skin)
    oil_kj_k = rig.oil_kj_k / dt_s
    oil_skin = 0.25 * skin
    oil = (oil_kj_k * s.oil_c + oil_made + rig.oil_film_kw_k * coolant + oil_skin * d.outside_c) / (
        oil_kj_k + rig.oil_film_kw_k + oil_skin
    )
    # A sensor that stands in steam and air reads low and late.
    dry = np.clip((0.62 - fill) / 0.12, 0.0, 1.0)
    at_sensor = coolant - dry * 0.45 * (coolant - d.outside_c)
    lag = rig.sensor_lag_s * (1.0 + 1.5 * dry)
    sensor = s.sensor_c + (at_sensor - s.sensor_c) * dt_s / (lag + dt_s)
    return replace(
        s,
        metal_c=metal,
        coolant_c=coolant,
        oil_c=oil,
        cells_c=cells,
        stat=stat,
        fan=fan,
        fill=fill,
        sensor_c=sensor,
        air_out_c=air_out,
    )
