"""A vehicle of which everything is known."""

from __future__ import annotations

from dataclasses import replace

from livemon.core.figures import FIGURES
from livemon.core.vehicle import Figure, VehicleProfile


def sure(profile: VehicleProfile) -> VehicleProfile:
    """The profile with every figure typed at its likely value, without spread."""
    typed = {name: Figure(profile.state(name).likely, 0.0, "typed") for name in FIGURES}
    return replace(profile, typed=typed, learned={}, parts=())
