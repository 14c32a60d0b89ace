"""The stated spreads of the peers: normal, chosen once on the tuning seed by `--calibrate`, the same on every drive."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Spread:
    """Spread of the peak within 300 s against the limit, of `ahead_c` at 120, 300, 600 s [K], and what urgency is."""

    chance_c: float
    ahead_c: tuple[float, float, float]
    by_time: bool = False  # urgency: True = shortest time to the limit, False = highest peak within 300 s


SPREADS: dict[str, Spread] = {
    "fixed threshold": Spread(4.0, (3.0, 5.0, 7.0)),
    "line 30 s": Spread(8.0, (4.0, 8.0, 14.0), True),
    "line 60 s": Spread(6.0, (4.0, 8.0, 14.0), True),
    "line 120 s": Spread(5.0, (4.0, 7.0, 12.0), True),
    "Holt": Spread(5.0, (4.0, 7.0, 12.0)),
    "Kalman": Spread(5.0, (4.0, 7.0, 12.0)),
    "exponential": Spread(5.0, (4.0, 7.0, 12.0)),
    "frozen oracle": Spread(2.0, (1.5, 3.0, 5.0)),
}
