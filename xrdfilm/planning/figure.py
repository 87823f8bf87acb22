"""Curves of plans: line speed against thickness, chance of a decision against counting time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from xrdfilm.kinetics.figure import ACCENT, INK, MUTED, new_figure
from xrdfilm.numbers import number
from xrdfilm.planning.assurance import assurance
from xrdfilm.planning.counting import CountingPlan, sigma_of_fraction
from xrdfilm.planning.speed import SpeedPlan, speed_curves

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ZONES = ("#a34700", "#00558f", "#00614a")


def draw_speed(plan: SpeedPlan) -> Figure:
    """Line speed against thickness for half, all and twice the hot zone."""
    curves = speed_curves(plan)
    figure, axes = new_figure(7.6, 4.6)
    for i, zone in enumerate(curves.hot_zones_m):
        colour = _ZONES[i % len(_ZONES)]
        axes.plot(
            curves.thickness_nm, curves.speed_m_h[i], color=colour, linewidth=1.8,
            label=f"{number(float(zone))} m hot zone",
        )  # fmt: skip
        axes.plot(
            curves.thickness_nm, curves.speed_at_best_m_h[i], color=colour, linewidth=1.0,
            linestyle=(0, (4, 2)),
        )  # fmt: skip
    covered = plan.figures.covered_thickness_nm
    if covered is not None:
        left, right = axes.get_xlim()
        if covered[0] == covered[1]:
            axes.axvline(covered[0], color=MUTED, linewidth=1.0, linestyle=":",
                         label="thickness of the series")  # fmt: skip
            covered = (left, right)
        for low, high in ((left, covered[0]), (covered[1], right)):
            axes.axvspan(low, high, color=MUTED, alpha=0.10, linewidth=0)
        axes.set_xlim(left, right)
    axes.plot([plan.thickness_nm], [plan.speed_m_h], "o", color=INK, markersize=7, zorder=4)
    axes.annotate(
        f"{number(plan.speed_m_h, 3)} m/h",
        (plan.thickness_nm, plan.speed_m_h),
        xytext=(-6, -16),
        ha="right",
        textcoords="offset points",
        color=INK,
        fontsize=10,
        fontweight="bold",
        bbox={"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none"},
    )
    axes.plot([], [], color=MUTED, linewidth=1.0, linestyle=(0, (4, 2)),
              label="at the middle of the figures")  # fmt: skip
    axes.set_yscale("log")
    _plain_log(axes.yaxis)
    axes.set_xlabel("film thickness / nm", color=INK)
    axes.set_ylabel("line speed / m h⁻¹", color=INK)
    axes.legend(frameon=False, fontsize=8.5, labelcolor=INK)
    return figure


def draw_assurance(plan: CountingPlan) -> Figure:
    """Probability that the two-line scan decides, against its counting time."""
    figure, axes = new_figure(7.2, 4.2)
    sought, film = plan.lines.best("sought"), plan.lines.best("film")
    times = np.geomspace(2.0, 1e5, 60)
    limit = plan.tolerance.high if plan.tolerance.high is not None else plan.tolerance.low
    place = min(max(plan.belief.centre, limit or 0.0), 0.9)
    ratio = place / (1.0 - place)
    root_u, root_f = np.sqrt(sought.cost_s), ratio * np.sqrt(film.cost_s)
    share = root_u / (root_u + root_f)
    chance = [
        assurance(
            plan.belief,
            sigma_of_fraction(
                sought.cost_s / (share * t),
                film.cost_s / ((1.0 - share) * t),
                model_relative=plan.model_relative,
                model_floor=plan.model_floor,
            ),
            plan.tolerance,
            plan.risk,
        )
        for t in times
    ]
    axes.plot(times, chance, color=ACCENT, linewidth=1.8)
    axes.axhline(plan.wanted, color=INK, linewidth=1.1, linestyle=(0, (5, 3)))
    axes.annotate(
        f"wanted: {number(100 * plan.wanted, 3)} in 100",
        (times[0], plan.wanted),
        xytext=(4, -12),
        textcoords="offset points",
        fontsize=8.5,
        color=INK,
    )
    axes.set_xscale("log")
    axes.set_xticks([10, 60, 600, 3600, 36000], ["10 s", "1 min", "10 min", "1 h", "10 h"])
    axes.minorticks_off()
    axes.set_ylim(0.0, 1.04)
    axes.set_xlim(times[0], times[-1])
    axes.set_xlabel("time on the two lines together", color=INK)
    axes.set_ylabel("chance that the limit is decided", color=INK)
    return figure


def _plain_log(axis: object) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator

    plain = FuncFormatter(lambda value, _: f"{value:g}")
    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))  # type: ignore[attr-defined]
    axis.set_major_formatter(plain)  # type: ignore[attr-defined]
    axis.set_minor_formatter(FuncFormatter(lambda value, _: ""))  # type: ignore[attr-defined]
