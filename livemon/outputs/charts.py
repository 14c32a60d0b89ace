"""Pictures of a plan as PNG or SVG, by matplotlib (the `plots` extra).

Legible in greyscale: every line has its own dash, width and label at its end; the Okabe-Ito hues only add to it.  Takes
plain arrays by attribute, so it knows nothing of how they were made.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final, Protocol

from livemon.errors import SetupError

INK: Final = "#222222"
BAND: Final = "#56B4E9"
HOT: Final = "#D55E00"
WARN: Final = "#E69F00"
ROAD: Final = "#999999"


class Drawn(Protocol):
    """What `draw_plan` needs of a plan: arrays along the road."""

    @property
    def distance_m(self) -> Any: ...

    @property
    def height_m(self) -> Any: ...

    @property
    def grade_pct(self) -> Any: ...

    @property
    def speed_kmh(self) -> Any: ...

    @property
    def low_c(self) -> Any: ...

    @property
    def likely_c(self) -> Any: ...

    @property
    def high_c(self) -> Any: ...

    @property
    def air_c(self) -> Any: ...

    @property
    def boil_c(self) -> Any: ...


def pyplot() -> Any:
    """matplotlib without a screen; SetupError where the extra is not installed."""
    try:
        import matplotlib
    except ImportError:
        raise SetupError(
            "--picture", "the plots extra", "matplotlib not installed", "pip install 'livemon[plots]'"
        ) from None
    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    return plt


def draw_plan(path: Path, title: str, plan: Drawn, limit_c: float, stop_c: float) -> None:
    """Temperature band with limit, stop and boiling line over height and grade, along the road."""
    plt = pyplot()
    km = plan.distance_m / 1000.0
    figure, (heat, road, pull) = plt.subplots(
        3, 1, figsize=(9, 8), sharex=True, height_ratios=(3, 1.3, 1), layout="constrained"
    )
    heat.fill_between(km, plan.low_c, plan.high_c, color=BAND, alpha=0.35, label="80 % band")
    heat.plot(km, plan.likely_c, color=INK, lw=2.2, label="coolant, likely")
    heat.plot(km, plan.boil_c, color=HOT, lw=1.4, ls=(0, (1, 1.5)), label="boiling here")
    heat.axhline(stop_c, color=HOT, lw=1.6, ls="-.", label=f"stop {stop_c:.0f} C")
    heat.axhline(limit_c, color=WARN, lw=1.8, ls="--", label=f"limit {limit_c:.0f} C")
    heat.plot(km, plan.air_c, color=ROAD, lw=1.2, label="outside air")
    heat.set_ylabel("temperature [C]")
    heat.set_title(title)
    heat.legend(loc="upper left", ncols=3, fontsize=8, framealpha=0.9)
    heat.set_ylim(None, max(float(plan.boil_c.max()), float(plan.high_c.max())) + 14.0)
    road.fill_between(km, plan.height_m.min(), plan.height_m, color=ROAD, alpha=0.4)
    road.plot(km, plan.height_m, color=INK, lw=1.2)
    road.set_ylabel("height [m]")
    pull.step(km, plan.grade_pct, color=INK, lw=1.0, where="pre")
    pull.axhline(0.0, color=ROAD, lw=0.8)
    pull.set_ylabel("grade [%]")
    speed = pull.twinx()
    speed.plot(km, plan.speed_kmh, color=HOT, lw=1.2, ls="--")
    speed.set_ylabel("speed [km/h], dashed")
    speed.set_ylim(0.0, float(plan.speed_kmh.max()) * 1.15)
    pull.set_xlabel("distance [km]")
    for axis in (heat, road, pull):
        axis.grid(True, color="#dddddd", lw=0.6)
    save(figure, path)


def save(figure: Any, path: Path) -> None:
    """Write one picture and let go of it; SetupError where the file cannot be written."""
    try:
        figure.savefig(path, dpi=110)
    except (OSError, ValueError) as broken:
        raise SetupError(
            str(path), "a file that can be written, .png or .svg", str(broken), "Check --picture."
        ) from broken
    finally:
        pyplot().close(figure)
