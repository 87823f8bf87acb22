"""The picture of a series: conversions with their intervals, the curves, and what is left open."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from xrdfilm.estimate import Estimate
from xrdfilm.kinetics.outcome import SeriesOutcome
from xrdfilm.kinetics.ratelaw import LITERATURE, WORDS, RateLaw
from xrdfilm.kinetics.series import Series, Side

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, MUTED, GRID, ACCENT = "#1c1f26", "#575c68", "#e6e2d8", "#00558f"
SIDE_STYLE: dict[Side, tuple[str, str, str]] = {
    "fluoride": ("#a34700", "s", "by the fluoride left"),
    "film": ("#00558f", "o", "by the film grown"),
    "both": ("#1c1f26", "", "both"),
}
_DASHES = ("-", (0, (6, 2)), (0, (2, 1.5)), (0, (6, 2, 1, 2)))


def time_unit(longest_s: float) -> tuple[float, str]:
    """Seconds, minutes or hours, by the longest time shown: the unit in s, and its name."""
    for size, name in ((3600.0, "h"), (60.0, "min")):
        if longest_s >= 6.0 * size:
            return size, name
    return 1.0, "s"


def new_figure(width_in: float = 8.4, height_in: float = 4.9) -> tuple[Figure, Axes]:
    """An empty figure in the report's style."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained", facecolor="white")
    axes = figure.subplots()
    style_axes(axes)
    return figure, axes


def style_axes(axes: Axes) -> None:
    """Thin axes, quiet grid, the report's ink."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(MUTED)
    axes.tick_params(colors=MUTED, labelsize=9)
    axes.grid(True, color=GRID, linewidth=0.8)
    axes.set_axisbelow(True)


def draw_series(outcome: SeriesOutcome) -> Figure:
    """Conversion against time: points by side, the possible curves, the best one's band."""
    figure, axes = new_figure()
    longest = max(float(s.time_s.max()) for s in outcome.sides.values())
    earliest = min(float(s.time_s.min()) for s in outcome.sides.values())
    unit, name = time_unit(longest)
    grid = np.linspace(min(0.0, earliest), 1.06 * longest, 500)
    shown: tuple[Side, ...] = (
        (outcome.headline,) if outcome.headline is not None else tuple(outcome.comparisons)
    )
    for side in shown:
        comparison = outcome.comparisons[side]
        colour = INK if outcome.headline is not None else SIDE_STYLE[side][0]
        best = comparison.best
        low, high = best.band(grid)
        axes.fill_between(grid / unit, low, high, color=colour, alpha=0.13, linewidth=0)
        for item, dash in zip(comparison.possible, _DASHES, strict=False):
            label = item.fit.model.label
            if outcome.headline is None:
                label += f", {SIDE_STYLE[side][2]}"
            axes.plot(
                grid / unit,
                item.fit.conversion(grid),
                color=colour,
                linestyle=dash,
                linewidth=1.6,
                label=label,
            )
        if outcome.headline is not None:
            _mark(axes, comparison.incubation_s, unit, 0.0)
            _mark(axes, comparison.end_s, unit, 1.0)
    for side, series in outcome.sides.items():
        _points(axes, series, side, unit)
    axes.set_xlabel(f"time / {name}", color=INK)
    axes.set_ylabel("conversion", color=INK)
    axes.set_xlim(grid[0] / unit, grid[-1] / unit)
    lowest = min(
        -0.06, *(float((s.conversion - 2 * s.sigma).min()) for s in outcome.sides.values())
    )
    top = max(1.08, *(float((s.conversion + 2 * s.sigma).max()) for s in outcome.sides.values()))
    axes.set_ylim(max(lowest - 0.03, -0.5), min(top + 0.03, 1.6))
    axes.legend(frameon=False, fontsize=8.5, loc="best", labelcolor=INK)
    return figure


def _points(axes: Axes, series: Series, side: Side, unit: float) -> None:
    colour, mark, label = SIDE_STYLE[side]
    for censored in (False, True):
        chosen = [p for p in series.points if (p.censor != "none") == censored]
        if not chosen:
            continue
        at = np.array([p.time_s for p in chosen]) / unit
        value = np.array([p.conversion for p in chosen])
        low, high = np.array([p.interval() for p in chosen]).T
        axes.errorbar(
            at,
            value,
            yerr=[np.maximum(value - low, 0.0), np.maximum(high - value, 0.0)],
            fmt=("^" if censored else mark) or "o",
            color=colour,
            markerfacecolor="white" if censored else colour,
            markersize=5.5,
            elinewidth=1.2,
            capsize=2.5,
            label=f"{label}, limit only" if censored else label,
            zorder=3,
        )


def _mark(axes: Axes, estimate: Estimate, unit: float, level: float) -> None:
    """An interval on the time axis at conversion 0 or 1."""
    if estimate.low is None or estimate.high is None:
        return
    axes.plot(
        [estimate.low / unit, estimate.high / unit],
        [level, level],
        color=ACCENT,
        linewidth=3.5,
        solid_capstyle="butt",
        alpha=0.75,
        zorder=2.5,
    )


def draw_rate_law(law: RateLaw, gas: str) -> Figure:
    """Growth rate against one pressure, doubly logarithmic, with the literature's line."""
    figure, axes = new_figure(7.2, 4.6)
    x = np.array([p.gas[gas] for p in law.used])
    others = [g for g in law.exponents if g != gas]
    middle = {g: float(np.exp(np.mean([np.log(p.gas[g]) for p in law.used]))) for g in others}
    # other pressures are taken off by the law, so that one line holds for all points
    shift = np.array(
        [
            np.prod([(middle[g] / p.gas[g]) ** (law.exponents[g].estimate or 0.0) for g in others])
            for p in law.used
        ]
    )
    rate = np.array([p.rate_nm_s for p in law.used]) * shift
    low = np.array([p.low_nm_s for p in law.used]) * shift
    high = np.array([p.high_nm_s for p in law.used]) * shift
    axes.errorbar(
        x, rate, yerr=[rate - low, high - rate], fmt="o", color=ACCENT, markersize=5.5,
        elinewidth=1.2, capsize=2.5, label="series", zorder=3,
    )  # fmt: skip
    grid = np.geomspace(x.min() / 1.15, x.max() * 1.15, 60)
    fitted = np.array([law.rate_nm_s({**middle, gas: p}) for p in grid])
    exponent = law.exponents[gas]
    axes.plot(grid, fitted, color=INK, linewidth=1.6, label=f"exponent {exponent.estimate:.2f}")
    expected = LITERATURE.get(gas)
    if expected is not None:
        centre = float(np.exp(np.mean(np.log(x))))
        anchor = law.rate_nm_s({**middle, gas: centre})
        axes.plot(
            grid, anchor * (grid / centre) ** expected, color="#a34700", linewidth=1.3,
            linestyle=(0, (6, 2)), label=f"literature, exponent {expected:g}",
        )  # fmt: skip
    axes.set_xscale("log")
    axes.set_yscale("log")
    for axis in (axes.xaxis, axes.yaxis):
        _plain_ticks(axis)
    axes.set_xlabel(f"{WORDS.get(gas, gas)} / mbar", color=INK)
    axes.set_ylabel("growth rate / nm s⁻¹", color=INK)
    axes.legend(frameon=False, fontsize=8.5, labelcolor=INK)
    return figure


def _plain_ticks(axis: object) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator

    plain = FuncFormatter(lambda value, _: f"{value:g}")
    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))  # type: ignore[attr-defined]
    axis.set_major_formatter(plain)  # type: ignore[attr-defined]
    axis.set_minor_formatter(FuncFormatter(lambda value, _: ""))  # type: ignore[attr-defined]


def save(figure: Figure, folder: Path, stem: str) -> None:
    """Write the figure as SVG, for pages, and as PNG, for slides; byte for byte the same again."""
    import matplotlib as mpl

    with mpl.rc_context({"svg.hashsalt": "xrdfilm"}):
        figure.savefig(folder / f"{stem}.svg", metadata={"Date": None}, transparent=True)
    figure.savefig(folder / f"{stem}.png", dpi=160)
