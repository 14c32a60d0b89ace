"""Readings of a made-up drive through the door a log goes through."""

from __future__ import annotations

from collections.abc import Iterator

from livemon.core.events import SIGNALS, Event, Mark, Sample
from livemon.core.vehicle import VehicleProfile
from livemon.study.recording import Drive, from_events
from tests.bench.garages.trips import Array

TURN_S = 2
"""An adapter of middling speed asks for a dozen quantities in about so long."""
_LEFT_OUT = frozenset({"latitude_deg", "longitude_deg", "gps_speed_kmh"})


def drive(
    name: str,
    readings: dict[str, Array],
    ac: Array,
    profile: VehicleProfile,
    receiver: bool,
    declared: bool,
    typed_c: float | None,
) -> Drive:
    """The recorded drive: with a satellite receiver, a declared A/C and typed outside air, or without."""
    leave = _LEFT_OUT if receiver else _LEFT_OUT | {"altitude_m"}
    told = {n: v.tolist() for n, v in readings.items() if n in SIGNALS and n not in leave}
    return from_events(name, _events(told, ac.tolist() if declared else []), profile, outside_c=typed_c)


def _events(told: dict[str, list[float]], ac: list[float]) -> Iterator[Event]:
    seconds = len(told["coolant_c"])
    for k in range(0, seconds, TURN_S):
        if ac and (k == 0 or ac[k] != ac[k - TURN_S]):
            yield Mark(1000 * k, (("ac_on", ac[k] > 0.5),))
        yield Sample(1000 * k, tuple((name, values[k]) for name, values in told.items()))
