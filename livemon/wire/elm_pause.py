"""Why an adapter that answers finds no vehicle, in words, and how long to wait before it is asked again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from livemon.wire.elm_replies import ACTIONS, KLINE_PROTOCOLS, Act, Block, Message

PAUSE_FIRST_MS: Final = 500
PAUSE_IN_TOUCH_MS: Final = 1_000
PAUSE_HOT_MS: Final = 5_000
PAUSE_COLD_MS: Final = 15_000
PAUSE_KLINE_MS: Final = 3_000
HOT_C: Final = 60.0
"""Above this last coolant reading retries are never further apart than PAUSE_HOT_MS."""


@dataclass(frozen=True, slots=True)
class NoVehicle:
    """What the adapter said of the bus, None = nothing of it; the reason for people; the longest pause."""

    said: Message | None
    reason: str
    most_ms: int


def why_no_vehicle(block: Block, coolant_c: float | None) -> NoVehicle:
    """Read off the adapter's own words; `coolant_c` is the last reading, None = there was none."""
    said = next((message for message in block.messages if ACTIONS[message] in (Act.CLOSE, Act.SEARCH)), None)
    if said is None:
        return NoVehicle(None, "no data from the vehicle", PAUSE_IN_TOUCH_MS)
    if ACTIONS[said] is Act.CLOSE:
        return NoVehicle(said, f"bus fault ({said.value}): check the wiring", PAUSE_IN_TOUCH_MS)
    hot = coolant_c is not None and coolant_c >= HOT_C
    return NoVehicle(said, f"no vehicle ({said.value}): ignition on?", PAUSE_HOT_MS if hot else PAUSE_COLD_MS)


def pause_after(why: NoVehicle, tries: int, protocol: int) -> int:
    """Pause [ms] after `tries` in vain: twice as long each time, up to the longest; a K-line needs three seconds."""
    pause_ms = min(PAUSE_FIRST_MS << min(tries, 6), why.most_ms)
    if why.said is not None and (why.said is Message.BUS_INIT_ERROR or protocol in KLINE_PROTOCOLS):
        return max(pause_ms, PAUSE_KLINE_MS)
    return pause_ms
