"""Drives in columns and outcomes for tests of the looking back, made by hand."""

from __future__ import annotations

from typing import Any

import numpy as np

from livemon.core.outcome import Band, Climb, Level, Outcome, Status
from livemon.study.recording import STEP_S, Drive

LIMIT_C, STOP_C = 108.0, 118.0


def drive(minutes: float = 10.0, **columns: Any) -> Drive:
    """A warm drive on the level at 80 km/h; any column may be given, as one number or an array."""
    count = round(minutes * 60 / STEP_S)
    usual: dict[str, Any] = {
        "coolant_c": 90.0, "speed_kmh": 80.0, "rpm": 2500.0, "fuel_kw": 60.0, "air_c": 30.0, "air_kpa": 100.0,
        "ac_on": np.nan, "heater_on": np.nan, "fan_on": np.nan, "height_m": np.nan, "grade_pct": np.nan,
    }  # fmt: skip
    extra = {name: value for name, value in columns.items() if name not in usual}
    filled = {
        name: np.broadcast_to(np.asarray(columns.get(name, value), float), count).copy()
        for name, value in usual.items()
    }
    return Drive("made by hand", STEP_S * np.arange(count), **filled, **extra)


def outcome(t_s: float, **fields: Any) -> Outcome:
    """What the core says of a calm second."""
    usual: dict[str, Any] = {
        "coolant_c": 90.0, "age_s": 0.4, "trusted": True, "estimate_c": Band(89.5, 90.0, 90.5), "limit_c": LIMIT_C,
        "stop_c": STOP_C, "margin_c": Band(17.5, 18.0, 18.5), "climb": Climb(False, 0.0, 0.0),
    }  # fmt: skip
    return Outcome(
        round(1000 * t_s), fields.pop("status", Status.LIVE), fields.pop("level", Level.NORMAL), **{**usual, **fields}
    )
