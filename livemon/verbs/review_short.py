"""What is short, as far as drives can tell: the diagnosis of `study/short_part` as a tree and as plain lines.

The study is looked for when it is needed: a review without it is whole in everything else, and says nothing here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib import import_module
from importlib.util import find_spec
from typing import Any, Final

from livemon.core.vehicle import VehicleProfile
from livemon.study.recording import Drive

STUDY: Final = "livemon.study.short_part"
HEADING: Final = "What is short"
MOST_ODDS: Final = 4


def short_tree(drives: Sequence[Drive], profile: VehicleProfile, sound: Sequence[Drive] = ()) -> dict[str, Any] | None:
    """The diagnosis of these drives of one vehicle; None where that study is not part of this installation.

    `sound` are drives of the same vehicle when nothing was wrong with it.
    """
    if find_spec(STUDY) is None:
        return None
    found = import_module(STUDY).diagnose(drives, profile, sound)
    return {
        "drives": len(drives),
        "sound_drives": len(sound),
        "state": found.state,
        "words": found.words,
        "strength": found.strength,
        "odds": [{"state": o.state, "words": o.words, "probability": round(o.probability, 3)} for o in found.odds],
        "evidence": [
            {
                "regime": str(getattr(e.regime, "value", e.regime)),
                "ac_on": e.ac_on,
                "minutes": round(e.minutes, 1),
                "shed_pct": round(e.shed_pct, 1),
                "low_pct": round(e.low_pct, 1),
                "high_pct": round(e.high_pct, 1),
            }
            for e in found.evidence
        ],
        "next_test": found.next_test,
        "missing": list(found.missing),
    }


def short_lines(tree: Mapping[str, Any]) -> list[str]:
    """The verdict, what speaks for it, what else it could be, and the next test."""
    of = "this drive alone" if tree["drives"] == 1 else f"{tree['drives']} drives"
    if tree["sound_drives"]:
        of += f" against {tree['sound_drives']} when it was sound"
    lines = [f"{tree['words']} (evidence of {of}: {tree['strength']})"]
    for e in tree["evidence"]:
        ac = {None: "A/C on or off", True: "A/C on", False: "A/C off"}[e["ac_on"]]
        lines.append(
            f"{e['regime']}, {ac}, {e['minutes']:.0f} min: heat shed per degree {e['shed_pct']:+z.0f} % of what the "
            f"profile should have (90 % interval {e['low_pct']:+z.0f} to {e['high_pct']:+z.0f} %)"
        )
    odds = [f"{o['words']} {100 * o['probability']:.0f} %" for o in tree["odds"][:MOST_ODDS]]
    if odds:
        lines.append(f"Could be: {', '.join(odds)}.")
    if tree["next_test"]:
        lines.append(f"Next test: {tree['next_test']}.")
    if tree["missing"]:
        lines.append(f"Not seen: {', '.join(tree['missing'])}.")
    lines.append("A pointer, not a finding: parts are checked by a qualified mechanic.")
    return lines
