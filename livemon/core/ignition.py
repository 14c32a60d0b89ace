"""Whether the engine runs, whether the vehicle may be asked at all, and whether the battery asks for a power-off.

Engine-off is found from engine speed, voltage and silence together; after it the asking stops so that the vehicle's
computers can sleep, and begins again when the voltage rises or traffic is heard, not by asking.  Pure over events and
ticks, so a replay decides the same.  Knows nothing of adapters: what "listen" means on a port is the reader's matter.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final, NamedTuple

from livemon.core.events import Link, Mark, Sample

FRESH_MS: Final = 15_000
"""A reading older than this proves nothing about the engine now; slow buses and adapters answer each few seconds."""
DEAF_MS: Final = 60_000
"""Without a voltage for so long there is nothing to listen to any more."""
CREEP_V_PER_S: Final = 0.002
"""The resting voltage follows a slow rise (sun on a solar panel): 0.12 V a minute is no alternator."""
CRANK_V: Final = 11.0
"""Lower readings may be the starter's dip (6 to 10 V for 1 to 2 s, common practice), not the battery at rest."""


class Engine(Enum):
    """What is known of the engine."""

    UNKNOWN = "unknown"
    RUNNING = "running"
    OFF = "off"


class Asking(Enum):
    """How the vehicle may be asked now."""

    FULL = "full"
    """As planned."""
    LISTEN = "listen"
    """No request on the bus: only the adapter's own voltage reading, or frames overheard."""
    SELDOM = "seldom"
    """One request a minute: nothing else could tell that the engine was started."""


@dataclass(frozen=True, slots=True)
class IgnitionSettings:
    """When the engine counts as off, when asking stops and starts again, and when a low battery ends the watch.

    Battery figures are common practice, no source: rest 12.6 to 12.8 V, running 13.5 to 14.8 V, 12.0 V low.
    """

    off_after_s: float = 5.0
    silent_after_s: float = 20.0
    charging_v: float = 13.2
    ask_after_off_s: float = 60.0
    give_up_after_s: float = 300.0
    wake_rise_v: float = 0.6
    wake_try_s: float = 30.0
    power_off: bool = False
    low_v: float = 12.0
    low_for_s: float = 60.0
    empty_v: float = 11.5
    empty_for_s: float = 5.0


class Ignition(NamedTuple):
    """Everything remembered between ticks; times are those of the events [ms], None = never."""

    engine: Engine = Engine.UNKNOWN
    asking: Asking = Asking.FULL
    hears_bus: bool = False
    """The reader can overhear the bus without sending: it will tell of traffic, so nothing needs to be asked."""
    first_ms: int | None = None
    rpm_ms: int | None = None
    rpm: float | None = None
    rpm_zero_since_ms: int | None = None
    speed_kmh: float | None = None
    voltage_ms: int | None = None
    voltage_v: float | None = None
    rest_v: float | None = None
    """Voltage at rest while listening: the lowest lately, creeping up slowly."""
    rises: int = 0
    off_since_ms: int | None = None
    awake_since_ms: int | None = None
    """Asking (again) since, without a word from the engine yet."""
    nudged: bool = False
    low_since_ms: int | None = None
    empty_since_ms: int | None = None
    power_off: bool = False


def hear(state: Ignition, event: Sample | Link | Mark, settings: IgnitionSettings) -> Ignition:
    """Fold one event in.  While not asking, a link that comes up or a person's mark is a reason to ask again.

    A reader that overhears a bus tells the first frame after ten silent seconds as `Link(up=True)`: the vehicle's own
    network chatters on for a while after the key is off, and that is no start.
    """
    t_ms = event.t_ms
    if state.first_ms is None:
        state = state._replace(first_ms=t_ms, awake_since_ms=t_ms)
    if isinstance(event, Link):
        return state._replace(nudged=state.nudged or event.up)
    if isinstance(event, Mark):
        return state._replace(nudged=True)
    rpm, rpm_ms, zero_since_ms, nudged = state.rpm, state.rpm_ms, state.rpm_zero_since_ms, state.nudged
    speed_kmh = state.speed_kmh
    for name, value in event.readings:
        if name == "rpm":
            zero_since_ms = None if value > 0 else (zero_since_ms if rpm == 0 else t_ms)
            rpm, rpm_ms, nudged = value, t_ms, nudged or value > 0
        elif name == "speed_kmh":
            speed_kmh = value
        elif name == "voltage_v":
            state = _hear_voltage(state, t_ms, value, settings)
    return state._replace(rpm=rpm, rpm_ms=rpm_ms, rpm_zero_since_ms=zero_since_ms, nudged=nudged, speed_kmh=speed_kmh)


def _hear_voltage(state: Ignition, t_ms: int, volts: float, settings: IgnitionSettings) -> Ignition:
    rest, rises = state.rest_v, state.rises
    if state.asking is Asking.LISTEN:
        since_s = 0.0 if state.voltage_ms is None else max(t_ms - state.voltage_ms, 0) / 1000.0
        rest = volts if rest is None else rest + CREEP_V_PER_S * since_s
        if volts >= rest + settings.wake_rise_v:
            rises += 1
        else:
            rises = 0
            rest = min(rest, max(volts, CRANK_V))
    low = state.low_since_ms if state.low_since_ms is not None else t_ms
    empty = state.empty_since_ms if state.empty_since_ms is not None else t_ms
    return state._replace(
        voltage_v=volts,
        voltage_ms=t_ms,
        rest_v=rest,
        rises=rises,
        low_since_ms=low if volts < settings.low_v else None,
        empty_since_ms=empty if volts < settings.empty_v else None,
    )


def at_tick(state: Ignition, t_ms: int, settings: IgnitionSettings) -> Ignition:
    """Decide engine, asking and power-off anew at a tick."""
    if state.first_ms is None:
        state = state._replace(first_ms=t_ms, awake_since_ms=t_ms)
    engine = _engine(state, t_ms, settings)
    since = t_ms if state.off_since_ms is None else state.off_since_ms
    off_since_ms = since if engine is Engine.OFF else None
    if engine is not state.engine or off_since_ms != state.off_since_ms:
        state = state._replace(engine=engine, off_since_ms=off_since_ms)
    state = _ask_again(state, t_ms) if state.asking is not Asking.FULL else _ask_on(state, t_ms, settings)
    power_off = state.power_off or _battery_low(state, t_ms, settings)
    return state._replace(nudged=False, power_off=power_off) if state.nudged or power_off else state


def _age_ms(then_ms: int | None, t_ms: int) -> int | None:
    return None if then_ms is None else t_ms - then_ms


def _fresh(then_ms: int | None, t_ms: int) -> bool:
    return then_ms is not None and t_ms - then_ms <= FRESH_MS


def _engine(state: Ignition, t_ms: int, settings: IgnitionSettings) -> Engine:
    if _fresh(state.rpm_ms, t_ms):
        if state.rpm is not None and state.rpm > 0:
            return Engine.RUNNING
        zero_ms = _age_ms(state.rpm_zero_since_ms, t_ms)
        return Engine.OFF if zero_ms is not None and zero_ms >= settings.off_after_s * 1000 else state.engine
    if state.asking is not Asking.FULL:
        return state.engine  # nothing was asked, so silence says nothing new
    silent_ms = _age_ms(state.rpm_ms if state.rpm_ms is not None else state.first_ms, t_ms)
    not_charging = _fresh(state.voltage_ms, t_ms) and (state.voltage_v or 0.0) < settings.charging_v
    # A vehicle stops before it is switched off: silence that began on the move is a fault of the link.
    stood = state.speed_kmh is None or state.speed_kmh == 0
    if silent_ms is not None and silent_ms >= settings.silent_after_s * 1000 and not_charging and stood:
        return Engine.OFF
    return Engine.OFF if state.engine is Engine.OFF else Engine.UNKNOWN


def _ask_on(state: Ignition, t_ms: int, settings: IgnitionSettings) -> Ignition:
    """Asking in full: stop when the engine has been off long enough, or nothing was heard for very long."""
    if state.engine is Engine.RUNNING:
        return state if state.awake_since_ms is None else state._replace(awake_since_ms=None)
    waking_ms = _age_ms(state.awake_since_ms, t_ms)
    if state.engine is Engine.OFF and state.off_since_ms is not None:
        off_long = t_ms - state.off_since_ms >= settings.ask_after_off_s * 1000
        tried = waking_ms is None or waking_ms >= settings.wake_try_s * 1000
        rolling = bool(state.speed_kmh) and _fresh(state.rpm_ms, t_ms)
        return _rest(state, t_ms) if off_long and tried and not rolling else state
    heard_ms = max(x for x in (state.rpm_ms, state.awake_since_ms, state.first_ms, 0) if x is not None)
    return _rest(state, t_ms) if t_ms - heard_ms >= settings.give_up_after_s * 1000 else state


def _rest(state: Ignition, t_ms: int) -> Ignition:
    """Stop asking: listen where voltage or traffic can be had without asking the vehicle, else ask seldom."""
    heard = _fresh(state.voltage_ms, t_ms)
    return state._replace(
        asking=Asking.LISTEN if heard or state.hears_bus else Asking.SELDOM,
        rest_v=state.voltage_v if heard else None,
        rises=0,
        awake_since_ms=None,
    )


def _ask_again(state: Ignition, t_ms: int) -> Ignition:
    if state.nudged or state.rises >= 2:  # one high reading may be a disturbance
        return state._replace(asking=Asking.FULL, rest_v=None, rises=0, awake_since_ms=t_ms)
    voltage_ms = _age_ms(state.voltage_ms, t_ms)
    deaf = not state.hears_bus and (voltage_ms is None or voltage_ms > DEAF_MS)
    if state.asking is Asking.LISTEN and deaf:
        return state._replace(asking=Asking.SELDOM)  # the adapter tells no voltage any more
    return state


def _battery_low(state: Ignition, t_ms: int, settings: IgnitionSettings) -> bool:
    """True when a clean power-off is due: engine off, and the battery low for long or nearly empty for seconds."""
    if not settings.power_off or state.engine is not Engine.OFF or not _fresh(state.voltage_ms, t_ms):
        return False
    low_ms, empty_ms = _age_ms(state.low_since_ms, t_ms), _age_ms(state.empty_since_ms, t_ms)
    return (low_ms is not None and low_ms >= settings.low_for_s * 1000) or (
        empty_ms is not None and empty_ms >= settings.empty_for_s * 1000
    )
