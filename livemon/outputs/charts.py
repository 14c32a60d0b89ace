"""Pictures of a plan as PNG or SVG, by matplotlib (the `plots` extra).

Legible in greyscale: every line has its own dash, width and label at its end; the Okabe-Ito hues only add to it.  Takes
plain arrays by attribute, so it knows nothing of how they were made.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any, Final, Protocol

from livemon.core.units import LENGTH, METRIC, SPEED, Display, to_unit
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


def needs_plots(option: str = "--picture") -> None:
    """SetupError where the extra is not installed; asked before the work whose picture is wanted."""
    try:
        import matplotlib  # noqa: F401  # only whether it is there
    except ImportError:
        todo = f"In livemon's folder: pip install -e '.[plots]'; or leave {option} away: the words need no picture"
        raise SetupError(option, "the plots extra", "matplotlib not installed", todo) from None


def known_picture(path: Path) -> None:
    """SetupError where the file at `path` is no picture, and so nothing that a picture may be written over."""
    try:
        with path.open("rb") as file:
            start = file.read(1_000)
    except OSError as broken:
        raise SetupError(str(path), "a file that can be read", broken.strerror or str(broken)) from None
    if not start.startswith(b"\x89PNG") and b"<svg" not in start:
        raise SetupError(str(path), "a picture", "another file")


def pyplot() -> Any:
    """matplotlib without a screen; SetupError where the extra is not installed."""
    needs_plots()
    import matplotlib

    matplotlib.use("Agg")
    matplotlib.rcParams["text.parse_math"] = False  # names of routes and files are told as they are, `$` and all
    import matplotlib.pyplot as plt

    return plt


def draw_plan(path: Path, title: str, plan: Drawn, limit_c: float, stop_c: float, units: Display = METRIC) -> None:
    """Temperature band with limit, stop and boiling line over height, grade and speed, along the road."""
    plt = pyplot()
    far = to_unit(1.0, LENGTH, units.distance) * plan.distance_m
    figure, (heat, road, pull, pace) = plt.subplots(
        4, 1, figsize=(9, 8.5), sharex=True, height_ratios=(3.6, 1.3, 0.9, 0.9), layout="constrained"
    )
    figure.suptitle(title, x=0.02, ha="left", fontsize=12, weight="bold")
    degree = f"°{units.temperature}"
    _draw_heat(heat, far, plan, limit_c, stop_c, units)
    heat.set_ylabel(f"coolant [{degree}]")
    high = to_unit(1.0, LENGTH, units.length) * plan.height_m
    road.fill_between(far, high.min(), high, color=ROAD, alpha=0.4)
    road.plot(far, high, color=INK, lw=1.4)
    road.set_ylabel(f"height [{units.length}]")
    top = int(plan.height_m.argmax())
    foot_c, top_c = units.temp(plan.air_c[0]), units.temp(plan.air_c[top])
    air = f"outside air: {foot_c:.0f} {degree} at the foot, {top_c:.0f} {degree} at the top"
    road.set_title(air, fontsize=9, loc="left", pad=3)
    pull.step(far, plan.grade_pct, color=INK, lw=1.2, where="pre")
    pull.axhline(0.0, color=ROAD, lw=0.8)
    pull.set_ylabel("grade [%]")
    pace.plot(far, to_unit(1.0, SPEED, units.speed) * plan.speed_kmh, color=INK, lw=1.4)
    pace.set_ylabel(f"speed [{units.speed}]")
    pace.set_ylim(0.0, to_unit(1.15, SPEED, units.speed) * float(plan.speed_kmh.max()))
    pace.set_xlabel(f"distance [{units.distance}]")
    for axis in (heat, road, pull, pace):
        axis.grid(True, color="#dddddd", lw=0.6)
        axis.set_xlim(0.0, float(far[-1]))
    figure.align_ylabels()
    save(figure, path)


def _draw_heat(axis: Any, far: Any, plan: Drawn, limit_c: float, stop_c: float, units: Display) -> None:
    """The upper panel: every line told apart by dash and width, and named at its right end."""
    low: Any
    likely: Any
    high: Any
    boil: Any
    low, likely, high, boil = (units.temp(each) for each in (plan.low_c, plan.likely_c, plan.high_c, plan.boil_c))
    limit, stop = units.temp(limit_c), units.temp(stop_c)
    axis.fill_between(far, low, high, color=BAND, alpha=0.30, lw=0)
    for edge in (low, high):
        axis.plot(far, edge, color=INK, lw=0.7)
    axis.plot(far, likely, color=INK, lw=2.6)
    axis.plot(far, boil, color=HOT, lw=1.8, ls=(0, (1, 1.5)))
    axis.axhline(stop, color=HOT, lw=1.8, ls=(0, (7, 2, 1.5, 2)))
    axis.axhline(limit, color=WARN, lw=2.0, ls=(0, (6, 3)))
    peak = int(likely.argmax())
    axis.plot(far[peak], likely[peak], "o", color=INK, ms=7)
    words = f"peak {likely[peak]:.0f} at {far[peak]:.1f} {units.distance}"
    axis.annotate(
        words,
        (far[peak], likely[peak]),
        xytext=(0, 12),
        textcoords="offset points",
        ha="center",
        fontsize=10,
        weight="bold",
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1},
    )
    ends = {
        "likely": float(likely[-1]),
        "80 % band": float(high[-1]),
        "boiling here": float(boil[-1]),
        f"stop {stop:.0f}": stop,
        f"limit {limit:.0f}": limit,
    }
    bottom, top = axis.get_ylim()
    for name, at in apart(ends, (top - bottom) / 22.0).items():
        axis.annotate(
            name,
            (far[-1], ends[name]),
            xytext=(1.015, at),
            textcoords=axis.get_yaxis_transform(),
            va="center",
            fontsize=9,
            annotation_clip=False,
        )


def apart(wanted: dict[str, float], gap: float) -> dict[str, float]:
    """Places of labels at least `gap` apart, in the order of their values, each near its own."""
    placed: dict[str, float] = {}
    before: float | None = None
    for name, value in sorted(wanted.items(), key=lambda item: item[1]):
        before = value if before is None else max(value, before + gap)
        placed[name] = before
    return placed


def save(figure: Any, path: Path) -> None:
    """Write one picture and let go of it; SetupError where the file cannot be written."""
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Glyph ")  # a name in a script the font lacks: boxes are drawn
            figure.savefig(path, dpi=110)
    except (OSError, ValueError) as broken:
        words = getattr(broken, "strerror", None) or str(broken)
        raise SetupError(str(path), "a file that can be written, .png or .svg", words, "Check --picture.") from broken
    finally:
        pyplot().close(figure)
