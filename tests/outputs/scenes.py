"""Made-up moments of a drive, for the tests of the screens.  All figures are invented."""

from __future__ import annotations

import math
from dataclasses import replace

from livemon.core.outcome import (
    Acted,
    Action,
    Advice,
    Band,
    Climb,
    Crossing,
    Level,
    Outcome,
    Status,
    Withheld,
)
from livemon.outputs.view import Health, Trend

_AC = Advice(
    Action.AC_OFF,
    "A/C off",
    "The condenser warms the air ahead of the radiator and the compressor loads the engine.",
    Band(0.4, 1.2, 2.0),
    100.0,
)
_SLOW = Advice(
    Action.SLOW_DOWN,
    "Slow down gently",
    "Less climbing power is less heat; keep with what traffic allows.",
    Band(1.4, 2.2, 3.0),
    170.0,
)
_HEATER = Advice(
    Action.HEATER_ON,
    "Heater hot, blower full",
    "The heater is a second radiator; it will get very hot for the people inside: open the windows.",
)
_PULL_OVER = Advice(Action.PULL_OVER, "Pull over when safe", "The engine is near the line past which it is at risk.")
_GAUGE = Advice(Action.WATCH_GAUGE, "Watch the dash gauge", "This tool cannot tell the temperature now.")

CAUTION = Outcome(
    t_ms=1_200_000,
    status=Status.LIVE,
    level=Level.CAUTION,
    coolant_c=104.0,
    age_s=0.6,
    trusted=True,
    estimate_c=Band(103.6, 104.2, 104.9),
    rate_c_per_min=Band(0.8, 1.2, 1.5),
    limit_c=108.0,
    stop_c=118.0,
    margin_c=Band(3.1, 3.8, 4.4),
    ahead_c=((120, Band(105.0, 106.2, 107.3)), (300, Band(105.5, 108.4, 110.5)), (600, Band(105.0, 110.5, 114.0))),
    settles_c=Band(107.0, 112.0, 117.0),
    crossing=Crossing.KNOWN,
    time_to_limit_s=Band(180.0, 260.0, 420.0),
    chance=((120, 0.05), (300, 0.55), (600, 0.83)),
    chance_stop=((120, 0.0), (300, 0.0), (600, 0.05)),
    grade_pct=Band(5.0, 6.0, 7.0),
    climb=Climb(True, 312.0, 8.0, average_grade_pct=4.6),
    boil_margin_c=Band(19.0, 20.4, 22.0),
    advice=(_SLOW, _AC, _HEATER),
    acted=(Acted(Action.AC_OFF, 900.0, 1.2, 0.9),),
    reason="limit coming",
    speed_kmh=72.0,
    withheld=(Withheld(Action.DOWNSHIFT, "the lower gear would take the engine to its speed limit"),),
)
NORMAL = replace(
    CAUTION,
    level=Level.NORMAL,
    coolant_c=90.0,
    estimate_c=Band(89.1, 89.8, 90.4),
    rate_c_per_min=Band(-0.1, 0.1, 0.3),
    margin_c=Band(17.6, 18.2, 18.9),
    ahead_c=((120, Band(89.0, 90.0, 91.0)), (300, Band(88.5, 90.2, 92.0)), (600, Band(88.0, 90.3, 94.0))),
    settles_c=Band(88.0, 90.4, 94.0),
    crossing=Crossing.NONE_FORESEEN,
    time_to_limit_s=Band(900.0, None, None),
    chance=((120, 0.0), (300, 0.0), (600, 0.01)),
    climb=Climb(False, None, None),
    advice=(),
    acted=(),
    withheld=(),
    reason="",
)
ADVISORY = replace(
    CAUTION,
    level=Level.ADVISORY,
    margin_c=Band(5.6, 6.3, 7.0),
    estimate_c=Band(101.0, 101.7, 102.4),
    time_to_limit_s=Band(420.0, 560.0, None),
    chance=((120, 0.0), (300, 0.12), (600, 0.45)),
    advice=(_AC, _SLOW),
    acted=(),
    reason="limit possible",
)
WARNING = replace(
    CAUTION,
    level=Level.WARNING,
    coolant_c=117.0,
    estimate_c=Band(116.5, 117.1, 117.8),
    margin_c=Band(-9.8, -9.1, -8.5),
    ahead_c=((120, Band(118.0, 119.0, 120.0)), (300, Band(118.0, 121.0, 124.0)), (600, Band(117.0, 122.0, 128.0))),
    crossing=Crossing.UNKNOWN,
    time_to_limit_s=None,
    chance=((120, 1.0), (300, 1.0), (600, 1.0)),
    boil_margin_c=Band(6.0, 7.5, 9.0),
    advice=(_PULL_OVER, _AC),
    reason="stop line coming",
)
_BLIND = Outcome(
    t_ms=1_200_000,
    status=Status.NO_LINK,
    level=Level.CAUTION,
    age_s=45.0,
    limit_c=108.0,
    stop_c=118.0,
    advice=(_GAUGE,),
    reason="data lost while hot",
)
LOST_HOT = _BLIND
LOST_COOL = replace(_BLIND, level=Level.ADVISORY, status=Status.STALE, age_s=14.0, reason="data lost")
STARTING = Outcome(t_ms=2000, status=Status.STARTING, level=Level.UNKNOWN, limit_c=108.0, stop_c=118.0)
ENGINE_OFF = replace(NORMAL, status=Status.ENGINE_OFF, crossing=Crossing.UNKNOWN, time_to_limit_s=None)
DOUBTED = replace(
    CAUTION,
    trusted=False,
    doubts=("coolant reading has stood at 104 for 180 s while load changed",),
    advice=(_GAUGE, _AC),
    reason="fault: see doubts",
)
SILENCED = replace(CAUTION, silenced=True, time_to_limit_s=Band(20.0, 40.0, 60.0), margin_c=Band(0.1, 0.4, 0.8))

SCENES: dict[str, Outcome] = {
    "starting": STARTING,
    "normal": NORMAL,
    "advisory": ADVISORY,
    "caution": CAUTION,
    "silenced": SILENCED,
    "warning": WARNING,
    "lost_hot": LOST_HOT,
    "lost_cool": LOST_COOL,
    "doubted": DOUBTED,
    "engine_off": ENGINE_OFF,
}

HEALTH = Health(
    source="/dev/rfcomm0",
    link="up",
    rates_hz=(("coolant", 1.0), ("rpm", 2.0), ("speed", 2.0)),
    mil=False,
    codes="",
    recorder="writing, 1.2 MB",
    recorder_ok=True,
    inputs=(("ac_on", False),),
    voltage_v=13.9,
)


def trend_to(outcome: Outcome) -> Trend:
    """Ten minutes that rise to the estimate of `outcome`, or to 104 degC."""
    end_c = outcome.estimate_c.likely if outcome.estimate_c and outcome.estimate_c.likely else 104.0
    return Trend(
        tuple(
            (outcome.t_ms - 1000 * back, end_c - 8 * (back / 600) ** 0.8 + 0.3 * math.sin(back / 30))
            for back in range(600, -1, -5)
        )
    )
