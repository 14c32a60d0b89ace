"""One setting of a room with its range: the metadata feed the settings table and the documents."""

from __future__ import annotations

from dataclasses import field, fields
from typing import Any


def key(default: float, low: float, high: float, unit: str, effect: str) -> Any:
    """A dataclass field with `default`, allowed range, unit and effect in words."""
    return field(default=default, metadata={"low": low, "high": high, "unit": unit, "effect": effect})


def check_ranges(settings: Any, section: str) -> None:
    """ValueError naming section and key when a value of a dataclass of `key` fields lies outside its range."""
    for item in fields(settings):
        value, low, high = getattr(settings, item.name), item.metadata["low"], item.metadata["high"]
        if not low <= value <= high:
            raise ValueError(f"{section}.{item.name}: expected {low:g} to {high:g}, found {value!r}")
