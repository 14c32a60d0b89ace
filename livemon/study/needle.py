"""What the dash needle showed on a drive, and what it hid: for how long the coolant was over the limit with the needle
where it always stands.

The dial and its arithmetic are those of `core/needle`; this file only looks back along a drive.  It knows nothing of
the real needle, which may be damped in time as well: what it says the needle hid, the real one hid at least.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.core.needle import Needle, hidden_c, place

Floats = NDArray[np.float64]

WARM_C: Final = 70.0
"""Below it the needle is on its way up, and no usual place can be told."""


@dataclass(frozen=True, slots=True)
class NeedleLook:
    """Places are 0 = cold end to 1 = hot end."""

    hidden_c: tuple[float, float]
    """The widest span of temperatures over which the needle moves less than the eye notices."""
    usual: float | None
    """Where it stood half of the warm time or less; None when it never got warm."""
    at_peak: float | None
    at_limit: float
    moved_at_s: float | None
    """When it first stood visibly over its usual place after the engine was warm."""
    crossed_at_s: float | None
    hidden_s: float
    """So long the coolant was at or over the limit while the needle stood where it always stands."""


def look(t_s: Floats, coolant_c: Floats, limit_c: float, needle: Needle, step_s: float) -> NeedleLook:
    """Back along a drive on an even grid of `step_s`; nan = not known."""
    known = np.isfinite(coolant_c)
    at = np.array([place(float(c), needle) if ok else np.nan for c, ok in zip(coolant_c, known, strict=True)])
    warm = known & (coolant_c >= WARM_C)
    over = known & (coolant_c >= limit_c)
    crossed_at = float(t_s[over][0]) if over.any() else None
    peak = float(np.nanmax(at)) if known.any() else None
    if not warm.any():
        return NeedleLook(hidden_c(needle), None, peak, place(limit_c, needle), None, crossed_at, 0.0)
    usual = float(np.median(at[warm]))
    moved = warm & (at > usual + needle.seen)
    return NeedleLook(
        hidden_c=hidden_c(needle),
        usual=usual,
        at_peak=peak,
        at_limit=place(limit_c, needle),
        moved_at_s=float(t_s[moved][0]) if moved.any() else None,
        crossed_at_s=crossed_at,
        hidden_s=step_s * int((over & ~moved).sum()),
    )
