"""How makes differ in form: figures that stand still by default, and what is believed of them where drives can tell.

How fans add to ram air, how hard the A/C drives the electric fan, and how the radiator's UA goes with road and engine
speed beyond all other figures.  A profile that nobody has learned keeps the core's own form, and the spread of all heat
covers what that misses; a fit to drives begins from these.  It does not know the drives.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from livemon.core.figures import Figure
from livemon.core.vehicle import VehicleProfile

_SOURCE: Final = "as makes differ"
FORM: Final = {
    "fan_and_ram": Figure(0.2, 0.25, _SOURCE),
    "ac_fan": Figure(0.8, 0.25, _SOURCE),
    "speed_curve": Figure(0.0, 0.30, _SOURCE),
    "rpm_curve": Figure(0.0, 0.56, _SOURCE),
}
"""Likely value and spread.  Common practice, no source, that of `ac_fan`: full on simple vehicles, less where a control
unit doses the fan.  That of `fan_and_ram` was chosen on made-up garages by the likelihood of their drives, the curves
(of which `learn` alone makes unknowns) by how well drives of made-up vehicles foretold the next (docs/learn.md)."""


def has(profile: VehicleProfile, name: str) -> bool:
    """Whether the vehicle has what a figure of the form speaks of."""
    electric = profile.state("electric_m_s").likely > 0.0 and profile.state("electric_health").likely > 0.0
    if name == "ac_fan":
        return electric and profile.has_ac
    return name != "fan_and_ram" or electric or profile.state("fan_m_s_krpm").likely > 0.0


def widened(profile: VehicleProfile, by: Mapping[str, float]) -> VehicleProfile:
    """The profile with its form open and its defaults spread wider; what was typed or learned keeps its own spread."""
    usual = {name: profile.figure(name) for name in by} | {n: f for n, f in FORM.items() if has(profile, n)}
    known = {**profile.typed, **profile.learned}
    wide = {n: replace(f, spread=f.spread * by.get(n, 1.0)) for n, f in usual.items() if n not in known}
    return replace(profile, typed={**profile.typed, **wide})
