"""The words of every action, at most five, and why; and the few advices that say more than their action's own words.

Who may hear which, and when, is `core/advice`; sources and their conflict: docs/safety.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from livemon.core.outcome import Action, Advice

WORDS: Final[Mapping[Action, tuple[str, str]]] = MappingProxyType(
    {
        Action.AC_OFF: (
            "A/C off",
            "The condenser warms the air ahead of the radiator and the compressor loads the engine.",
        ),
        Action.SLOW_DOWN: (
            "Slow down gently",
            "Less climbing power is less heat; keep with what traffic allows.",
        ),
        Action.DOWNSHIFT: (
            "One gear down",
            "The pump and an engine-driven fan turn faster; never force it, and follow the vehicle's manual.",
        ),
        Action.UPSHIFT: (
            "One gear up",
            "Here the engine makes less heat in the higher gear; follow the vehicle's manual.",
        ),
        Action.SPEED_UP: (
            "A little faster, if safe",
            "More air would reach the radiator; never beyond what road, traffic and law allow.",
        ),
        Action.FAN_ON: ("Electric fan on", "It moves air through the radiator that road speed does not."),
        Action.HEATER_ON: (
            "Heater hot, blower full",
            "The heater is a second radiator; it will get very hot for the people inside: open the windows.",
        ),
        Action.IDLE_NEUTRAL: (
            "Neutral, foot on brake",
            "Out of gear the engine no longer works against the gearbox; hold the vehicle with the brake.",
        ),
        Action.RAISE_IDLE: (
            "Hold a raised idle",
            "In neutral, a faster idle turns the pump and an engine-driven fan faster.",
        ),
        Action.PULL_OVER: (
            "Pull over when safe",
            "The engine is near the line past which it is at risk; stop where it is safe and follow the manual.",
        ),
        Action.STOP_ENGINE: (
            "Park safely, engine off",
            "It is past the line and not cooling; park, switch off, leave the bonnet and the cap shut until cold.",
        ),
        Action.WATCH_GAUGE: (
            "Watch the dash gauge",
            "This tool cannot tell the temperature now; the dash gauge and the warning lamps count.",
        ),
        Action.KEEP_IDLING: (
            "Keep idling a while",
            "After a hard climb, coolant that stops moving soaks up the engine's heat; idle some minutes first.",
        ),
    }
)

STOP_FOR_COOLANT: Final = Advice(
    Action.PULL_OVER,
    "Stop where it is safe",
    "The coolant seems to be lost: stop where it is safe, then engine off; a reading without coolant means nothing.",
)
OFF_FOR_COOLANT: Final = Advice(
    Action.STOP_ENGINE,
    "Park safely, engine off",
    "The coolant seems to be lost and the engine is at risk at once; keep away from steam, cap shut until cold.",
)
OFF_FOR_FAN: Final = Advice(
    Action.STOP_ENGINE,
    "Park safely, engine off",
    "The fan seems not to run: at a standstill nothing else moves air through the radiator.",
)
STOP_FOR_FAN: Final = Advice(
    Action.PULL_OVER,
    "Stop where it is safe",
    "The fan seems not to run: at this speed next to no air reaches the radiator; stopped, switch the engine off.",
)
