"""The heart: `step(state, event, settings) -> (state, outcome or None)`, pure, the same live and on replay.

Samples, link changes and marks are folded into the state as they come; only a tick makes an outcome.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from livemon.core import signals
from livemon.core.advice import AdviceSettings
from livemon.core.alert import AlertSettings
from livemon.core.events import Event, Tick
from livemon.core.outcome import Level, Outcome
from livemon.core.route import Route
from livemon.core.signals import Inputs, Signals
from livemon.core.vehicle import VehicleProfile


@dataclass(frozen=True, slots=True)
class CoreSettings:
    """Everything the core is told once, before the drive."""

    limit_c: float = 108.0
    stop_c: float | None = None
    outside_c: float | None = None
    mass_kg: float | None = None
    alert: AlertSettings = field(default_factory=AlertSettings)
    profile: VehicleProfile = field(default_factory=VehicleProfile)
    route: Route | None = None
    advice: AdviceSettings = field(default_factory=AdviceSettings)


@dataclass(frozen=True, slots=True)
class State:
    """All that is remembered between events."""

    signals: Signals = field(default_factory=Signals)


def start(settings: CoreSettings) -> State:
    """The state before the first event."""
    return State()


def step(state: State, event: Event, settings: CoreSettings) -> tuple[State, Outcome | None]:
    """Consume one event; at a tick, say what is known."""
    if not isinstance(event, Tick):
        return replace(state, signals=signals.hear(state.signals, event)), None
    heard, inputs = signals.at_tick(state.signals, event.t_ms, settings.outside_c, settings.mass_kg)
    return replace(state, signals=heard), _say(inputs, settings)


def _say(inputs: Inputs, settings: CoreSettings) -> Outcome:
    return Outcome(
        t_ms=inputs.t_ms,
        status=inputs.status,
        level=Level.UNKNOWN,
        coolant_c=inputs.coolant_c,
        age_s=inputs.coolant_age_s,
        limit_c=settings.limit_c,
        stop_c=settings.stop_c,
        silenced=inputs.silenced,
        speed_kmh=inputs.speed_kmh,
        notes=inputs.notes,
    )
