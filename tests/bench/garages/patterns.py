"""What a weak part costs on the second plant, beside what the live physics makes of it:

python -m tests.bench.garages patterns

Per regime, at the conditions of the pieces themselves: the median over garages of the plant's own log change of the
heat shed at the part's usual weakness, and of the pattern that the diagnosis used.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from livemon.core.vehicle import PARTS
from livemon.study.change_fit import linearised
from livemon.study.form import widened
from livemon.study.part_pieces import look
from livemon.study.road_fuel import told_by_road
from livemon.study.segments import Regime
from livemon.study.shed_lanes import PART_WIDER, part_unknowns
from tests.bench.garages import plant_two
from tests.bench.garages.garages import SIDE, Garage, world
from tests.bench.garages.reference import Reference

Medians = dict[tuple[str, Regime, bool], tuple[float, float, int]]
"""By part, regime and A/C: log heat shed less by the live physics, on the plant, number of garages."""


def patterns(garages: Sequence[Garage], seed: int) -> Medians:
    """Garages of the second plant."""
    seen: dict[tuple[str, Regime, bool], list[tuple[float, float]]] = defaultdict(list)
    for garage in garages:
        wide = widened(garage.profile, PART_WIDER)
        sides = [0] * SIDE + [1] * SIDE
        drives = told_by_road([*garage.before, *garage.after], garage.profile)
        known = linearised(drives, sides, wide, part_unknowns(wide), 2)
        found = None if known is None else look(drives[:SIDE], drives[SIDE:], known)
        if found is None:
            continue
        sound = world(garage.plant, garage.kind, garage.number, seed)[1].sound
        asked = np.flatnonzero(found.asked)
        pieces = [found.pieces[k] for k in asked]
        coolant, air, speed, rpm, ac = (
            np.array([float(getattr(p, name) or 0.0) for p in pieces])
            for name in ("coolant_c", "air_c", "speed_kmh", "rpm", "ac_on")
        )
        at = Reference("", speed, rpm, ac)  # type: ignore[arg-type]  # one number a lane: each piece is a lane here
        whole = plant_two.shed_kw([sound] * len(pieces), at, coolant, air)  # type: ignore[arg-type]
        for part in plant_two.states_of(sound):
            weak = plant_two.changed(sound, part, PARTS[part].factor)
            true = np.log(whole / plant_two.shed_kw([weak] * len(pieces), at, coolant, air))  # type: ignore[arg-type]
            live = found.patterns[part, 1.0][asked]
            for regime in Regime:
                for on in (False, True):
                    rows = [k for k, p in enumerate(pieces) if p.regime is regime and p.ac_on is on]
                    if rows:
                        seen[part, regime, on].append((float(live[rows].mean()), float(true[rows].mean())))
    return {
        key: (float(np.median([v[0] for v in values])), float(np.median([v[1] for v in values])), len(values))
        for key, values in seen.items()
    }
