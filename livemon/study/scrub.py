"""A recording without what tells who drove where and when, so that it can be given to others.

Each event is rewritten by itself and none is dropped, so that the copy replays as the original does.  What stays is
what the core needs: temperatures, speeds, loads, height, trouble codes.  It knows nothing of files or headers.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final

from livemon.core.events import Event, Link, Mark, Sample
from livemon.core.figures import Figure
from livemon.core.vehicle import VehicleProfile

POSITION: Final = frozenset({"latitude_deg", "longitude_deg"})
HEIGHT: Final = frozenset({"altitude_m"})
NOTE: Final = "note"
"""Stands where a note stood: a passenger's key is an event for the core, whatever it said."""
VEHICLE: Final = "a vehicle"
UNIT: Final = "unit"
UNREADABLE: Final = "unreadable"
_REASONS: Final = frozenset({"", "starting", "stopped"})
_ECU: Final = re.compile(r"[0-9A-Fa-f]{2,8}")
_CODE: Final = re.compile(r"[PCBU][0-3][0-9A-F]{3}")


@dataclass(frozen=True, slots=True)
class Keep:
    """What may stay although it can tell something of the driver."""

    notes: bool = False
    height: bool = True
    """A height profile can be matched to a road by who looks for it; without it boiling point and grade are guesses."""


def scrubbed(event: Event, keep: Keep) -> Event:
    """`event` without position, and without free text that was not asked to stay.

    Names of control units stay where they are plain bus addresses, trouble codes where they have the form of ISO
    15031-6; a reason for a lost link may name a device with its serial number, and goes.
    """
    if isinstance(event, Sample):
        gone = POSITION if keep.height else POSITION | HEIGHT
        readings = tuple((name, value) for name, value in event.readings if name not in gone)
        return Sample(event.t_ms, readings, _codes(event.codes), _unit(event.ecu))
    if isinstance(event, Link):
        reason = event.reason if event.reason in _REASONS else ("" if event.up else "lost")
        return Link(event.t_ms, event.up, reason)
    if isinstance(event, Mark) and event.note and not keep.notes:
        return Mark(event.t_ms, event.inputs, NOTE)
    return event


def _codes(text: str | None) -> str | None:
    if not text:
        return text
    known = [word for word in text.split() if _CODE.fullmatch(word)]
    return " ".join(known) or UNREADABLE


def _unit(name: str | None) -> str | None:
    return name if name is None or _ECU.fullmatch(name) else UNIT


def anonymous(profile: VehicleProfile) -> VehicleProfile:
    """`profile` without its name and without the words that say where each figure came from."""
    return replace(
        profile,
        name=VEHICLE,
        typed={name: Figure(f.likely, f.spread, "typed") for name, f in profile.typed.items()},
        learned={name: Figure(f.likely, f.spread, "learned") for name, f in profile.learned.items()},
    )
