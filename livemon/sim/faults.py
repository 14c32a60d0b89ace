"""Made-up faults: what breaks, when, and what it does to the cooling or to the sensor.

A fault begins at a time and works as a factor on figures of the cooling, or on what the sensor says.  Loss of coolant
is the treacherous one: less mass, less flow, and in the end a sensor that hangs in steam and reads lower while the
metal gets hotter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from typing import Any, Final

import numpy as np

from livemon.core.air import Array, held
from livemon.core.vehicle import Cooling


class Fault(Enum):
    """What is broken."""

    NONE = "none"
    ELECTRIC_FAN_DEAD = "electric_fan_dead"
    FAN_CLUTCH_SLIPS = "fan_clutch_slips"
    RADIATOR_BLOCKED = "radiator_blocked"
    PUMP_SLIPS = "pump_slips"
    COOLANT_LOSS = "coolant_loss"
    THERMOSTAT_STUCK_OPEN = "thermostat_stuck_open"
    THERMOSTAT_STUCK_SHUT = "thermostat_stuck_shut"
    SENSOR_STUCK = "sensor_stuck"
    SENSOR_JUMPS = "sensor_jumps"
    SENSOR_OPEN = "sensor_open"
    SENSOR_SHORT = "sensor_short"
    SECOND_ECU_DIFFERS = "second_ecu_differs"


COOLING_FAULTS: Final = frozenset(
    {
        Fault.ELECTRIC_FAN_DEAD,
        Fault.FAN_CLUTCH_SLIPS,
        Fault.RADIATOR_BLOCKED,
        Fault.PUMP_SLIPS,
        Fault.COOLANT_LOSS,
        Fault.THERMOSTAT_STUCK_OPEN,
        Fault.THERMOSTAT_STUCK_SHUT,
    }
)

DRY_SHARE: Final = 0.62
"""Share of the coolant left at which the sensor begins to hang dry (it sits at the outlet, high up)."""


@dataclass(frozen=True, slots=True)
class Break:
    """One fault of one rig: when it begins, how long it takes to be complete, how bad it gets (0 to 1)."""

    fault: Fault = Fault.NONE
    at_s: float = float("inf")
    over_s: float = 1.0
    severity: float = 1.0


@dataclass(frozen=True, slots=True)
class Progress:
    """The same for a whole batch, as arrays: begin, length and severity of the one fault each rig has."""

    kind: tuple[Fault, ...]
    at_s: Array
    over_s: Array
    severity: Array

    @staticmethod
    def of(breaks: list[Break]) -> Progress:
        """Batch of the breaks of each rig."""
        return Progress(
            tuple(b.fault for b in breaks),
            np.array([b.at_s for b in breaks]),
            np.array([b.over_s for b in breaks]),
            np.array([b.severity for b in breaks]),
        )

    def mask(self, fault: Fault) -> Array:
        """1 where a rig has this fault, else 0."""
        return np.array([1.0 if kind is fault else 0.0 for kind in self.kind])

    def gone(self, time_s: float) -> Array:
        """How far each rig's fault has gone, 0 to its severity."""
        return np.asarray(self.severity * held((time_s - self.at_s) / self.over_s, 0.0, 1.0))


class BrokenCooling:
    """The cooling figures of a batch as the faults go on; the healthy figures where no fault works."""

    def __init__(self, cooling: Cooling, progress: Progress) -> None:
        self._healthy = cooling
        self._progress = progress
        self._masks = {f: progress.mask(f) for f in COOLING_FAULTS if f in progress.kind}

    def coolant_share(self, time_s: float) -> Array:
        """Share of the coolant still in the system."""
        mask = self._masks.get(Fault.COOLANT_LOSS)
        gone = self._progress.gone(time_s)
        return 1.0 - gone * mask if mask is not None else np.ones_like(gone)

    def at(self, time_s: float) -> Cooling:
        """Figures at `time_s`."""
        if not self._masks:
            return self._healthy
        gone = self._progress.gone(time_s)
        now = self._healthy
        changed: dict[str, Any] = {}

        def left(fault: Fault) -> Array:
            return 1.0 - gone * self._masks[fault]

        if Fault.ELECTRIC_FAN_DEAD in self._masks:
            changed["electric_health"] = now.electric_health * left(Fault.ELECTRIC_FAN_DEAD)
        if Fault.FAN_CLUTCH_SLIPS in self._masks:
            changed["clutch_health"] = now.clutch_health * left(Fault.FAN_CLUTCH_SLIPS)
        if Fault.RADIATOR_BLOCKED in self._masks:
            changed["radiator_open"] = now.radiator_open * np.maximum(left(Fault.RADIATOR_BLOCKED), 0.1)
        if Fault.THERMOSTAT_STUCK_OPEN in self._masks:
            stuck = gone * self._masks[Fault.THERMOSTAT_STUCK_OPEN]
            changed["thermostat_floor"] = np.maximum(now.thermostat_floor, stuck)
        if Fault.THERMOSTAT_STUCK_SHUT in self._masks:
            changed["thermostat_ceiling"] = now.thermostat_ceiling * np.maximum(left(Fault.THERMOSTAT_STUCK_SHUT), 0.05)
        pump = now.pump_health
        if Fault.PUMP_SLIPS in self._masks:
            pump = pump * np.maximum(left(Fault.PUMP_SLIPS), 0.05)
        if Fault.COOLANT_LOSS in self._masks:
            share = self.coolant_share(time_s)
            changed["coolant_l"] = now.coolant_l * np.maximum(share, 0.25)
            # Air in the pump: flow holds until about 70 % of the fill, then breaks down (from memory).
            pump = pump * held((share - 0.35) / 0.35, 0.05, 1.0)
        changed["pump_health"] = pump
        return replace(now, **changed)
