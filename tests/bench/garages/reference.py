"""Reference points at which the truth of a change is stated: one a regime, A/C off and on."""

from __future__ import annotations

from dataclasses import dataclass

COOLANT_C = 106.0
AIR_C = 32.0
AIR_KPA = 95.0


@dataclass(frozen=True)
class Reference:
    """Steady running at COOLANT_C in air of AIR_C and AIR_KPA; `rpm` None = idle."""

    regime: str
    speed_kmh: float
    rpm: float | None
    ac_on: float = 0.0


POINTS = tuple(
    Reference(regime, speed, rpm, ac)
    for ac in (0.0, 1.0)
    for regime, speed, rpm in (
        ("idle", 0.0, None),
        ("held rpm", 0.0, 2000.0),
        ("level", 80.0, 2200.0),
        ("grade", 60.0, 3000.0),
    )
)
