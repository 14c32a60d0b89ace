"""The stated spreads of the peers: normal, chosen once on the tuning seed by `--calibrate`, the same on every drive."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Spread:
    """Spread of the peak within 300 s against the limit, of `ahead_c` at 120, 300, 600 s [K], and what urgency is."""

    chance_c: float
    ahead_c: tuple[float, float, float]
    by_time: bool = False  # urgency: True = shortest time to the limit, False = highest peak within 300 s


# Chosen with `python -m tests.bench.forecast.calibrate 12 plant2,sim` on seed 1; a spread this wide under a straight
# line says how little it knows.  How the bare forecasts do (chance 0 or 1) stands in the table as "hard".
SPREADS: dict[str, Spread] = {
    "fixed threshold": Spread(5.2, (5.2, 9.0, 13.5)),
    "line 30 s": Spread(15.4, (6.0, 15.4, 30.4), True),
    "line 60 s": Spread(13.5, (6.0, 15.4, 30.4), True),
    "line 120 s": Spread(15.4, (6.8, 15.4, 30.4), True),
    "Holt": Spread(6.8, (5.2, 11.8, 17.7)),
    "Kalman": Spread(15.4, (6.0, 15.4, 30.4), True),
    "exponential": Spread(5.2, (6.0, 10.3, 15.4)),
    "frozen oracle": Spread(4.5, (4.0, 9.0, 13.5)),
}
