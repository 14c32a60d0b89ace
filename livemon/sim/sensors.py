"""Made-up sensors and bus: what a scan tool would be told, from the true state of the drive.

The coolant sensor lags and is given in whole degrees, floored or rounded; the rest is quantised as SAE J1979 says,
with noise and a constant error of each sensor.  `Polling` says which signals the vehicle offers and how slow its bus
is.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from livemon.core.air import Array
from livemon.core.events import Sample


@dataclass(frozen=True, slots=True)
class SensorFigures:
    """Errors of one vehicle's sensors: lag [s], rounding, constant error and noise (as shares where a share makes
    sense).
    """

    coolant_lag_s: float = 6.0
    coolant_floor: bool = False
    coolant_noise_c: float = 0.05
    maf_error: float = 0.0
    maf_noise: float = 0.015
    map_noise_kpa: float = 0.8
    load_error: float = 0.0
    load_noise_pct: float = 1.0
    rpm_noise: float = 4.0
    speed_error: float = 0.0
    intake_soak_c: float = 12.0
    ambient_error_c: float = 0.0
    baro_error_kpa: float = 0.0


@dataclass(frozen=True, slots=True)
class Polling:
    """Signals in the order of asking, and the length of a turn; `together` = one sample a turn, else one a signal."""

    signals: tuple[str, ...]
    turn_s: float = 1.0
    together: bool = True


FULL: Final = Polling(
    (
        "coolant_c",
        "coolant2_c",
        "speed_kmh",
        "rpm",
        "load_pct",
        "absolute_load_pct",
        "throttle_pct",
        "map_kpa",
        "maf_g_s",
        "intake_air_c",
        "ambient_air_c",
        "baro_kpa",
    )
)
OLD: Final = Polling(("coolant_c", "speed_kmh", "rpm", "load_pct", "map_kpa", "intake_air_c"))
"""No ambient, no barometric pressure, no air flow: the years before 2004."""
SLOW: Final = Polling(("coolant_c", "rpm", "speed_kmh", "load_pct"), 3.0, together=False)
"""A slow bus: one signal after the other, three seconds a turn."""
COOLANT_ONLY: Final = Polling(("coolant_c",))
GPS: Final = Polling((*FULL.signals, "latitude_deg", "longitude_deg", "altitude_m", "gps_speed_kmh"))
POLLINGS: Final = {"full": FULL, "gps": GPS, "old": OLD, "slow": SLOW, "coolant": COOLANT_ONLY}


def _byte_pct(value: Array) -> Array:
    return np.asarray(np.floor(np.clip(value, 0.0, 100.0) * 2.55 + 0.5) / 2.55)


def quantised(name: str, value: Array) -> Array:
    """As the reply of SAE J1979 would carry it; the coolant reading comes already quantised."""
    if name in ("load_pct", "throttle_pct"):
        return _byte_pct(value)
    if name == "absolute_load_pct":
        return np.asarray(np.floor(np.maximum(value, 0.0) * 2.55 + 0.5) / 2.55)
    if name == "rpm":
        return np.asarray(np.floor(np.maximum(value, 0.0) * 4.0 + 0.5) / 4.0)
    if name == "maf_g_s":
        return np.asarray(np.floor(np.clip(value, 0.0, 655.35) * 100.0 + 0.5) / 100.0)
    if name == "speed_kmh":
        return np.asarray(np.floor(np.clip(value, 0.0, 255.0)))
    if name in ("map_kpa", "baro_kpa"):
        return np.asarray(np.floor(np.clip(value, 0.0, 255.0) + 0.5))
    return np.asarray(np.floor(np.clip(value, -40.0, 215.0) + 0.5))


def samples(readings: dict[str, Array], polling: Polling, first_ms: int = 0) -> Iterator[Sample]:
    """The drive as the adapter would give it: readings[name][k] was true at second k."""
    # A batch may hold a signal that this rig does not have: it is NaN from beginning to end.
    names = [n for n in polling.signals if n in readings and not np.isnan(readings[n]).all()]
    if not names:
        return
    seconds = len(readings[names[0]])
    turn_ms = round(polling.turn_s * 1000)
    if polling.together:
        for t_ms in range(0, seconds * 1000, turn_ms):
            k = t_ms // 1000
            yield Sample(first_ms + t_ms, tuple((n, float(readings[n][k])) for n in names))
        return
    gap_ms = turn_ms // len(names)
    for turn in range(seconds * 1000 // turn_ms):
        for place, name in enumerate(names):
            t_ms = turn * turn_ms + place * gap_ms
            yield Sample(first_ms + t_ms, ((name, float(readings[name][t_ms // 1000])),))
