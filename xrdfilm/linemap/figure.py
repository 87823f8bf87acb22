"""The picture of a line map: a row for each phase, a stick for each line, its fate by mark."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from xrdfilm.linemap.line_map import GRAIN_WORDS, LineMap, MapLine

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Okabe & Ito's palette, told apart by the colour-blind; the mark repeats what the colour says
_STYLE: dict[str, tuple[str, str]] = {
    "clear": ("#0072B2", "o"),
    "shared": ("#E69F00", "D"),
    "hidden": ("#999999", "x"),
}
_WORDS = {
    "clear": "clear",
    "shared": "shared: stray grains or another phase may lie there",
    "hidden": "hidden by a line that is surely there",
}
_ROLES = ("film", "fluoride", "product", "buffer", "substrate")
_DECADES = 6.0
_WEAKEST_GHOST = 1e-5


def rows_of(line_map: LineMap) -> list[tuple[str, list[MapLine]]]:
    """The map's lines by phase and kind of grains, film first: a title and its lines."""
    groups: dict[tuple[int, str, str], list[MapLine]] = {}
    for line in line_map.lines:
        key = (_ROLES.index(line.role), line.reflection.phase, line.component)
        groups.setdefault(key, []).append(line)
    order = list(GRAIN_WORDS)
    ranked = sorted(groups, key=lambda k: (k[0], k[1], order.index(k[2]) if k[2] in order else 9))
    return [
        (
            f"{phase}  {GRAIN_WORDS.get(component, component)}".strip(),
            groups[role, phase, component],
        )
        for role, phase, component in ranked
    ]


def draw_line_map(line_map: LineMap, title: str = "", figure: Figure | None = None) -> Figure:
    """Draw the map; returns the figure (a new one unless one is given).

    Stick heights are logarithms of the expected area against the film's strongest line. The
    lowest row shows what is surely there besides: substrate lines and ghosts.
    """
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    rows = rows_of(line_map)
    if figure is None:
        figure = Figure(figsize=(11.0, 2.8 + 0.62 * len(rows)), layout="constrained")
    heights = [1.0] * len(rows) + [2.2]
    grid = figure.subplots(
        len(rows) + 1, 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights}
    )
    axes: Any = grid[:, 0]
    for ax, (name, lines) in zip(axes[:-1], rows, strict=True):
        _draw_row(ax, name, lines)
    _draw_hiding(axes[-1], line_map)
    axes[-1].set_xlabel("2θ / °")
    axes[-1].set_xlim(line_map.two_theta_low_deg - 1.0, line_map.two_theta_high_deg + 1.0)
    marks = [
        Line2D([], [], color=colour, marker=mark, markersize=5, label=_WORDS[status])
        for status, (colour, mark) in _STYLE.items()
    ]
    figure.legend(handles=marks, loc="outside lower center", ncols=3, frameon=False, fontsize=9)
    if title:
        figure.suptitle(title.replace("$", r"\$"), fontsize=11, x=0.01, ha="left")
    return figure


def _height(strength: float) -> float:
    return float(np.clip(1.0 + np.log10(max(strength, 1e-30)) / _DECADES, 0.06, 1.1))


def _draw_row(ax: Axes, name: str, lines: list[MapLine]) -> None:
    for status, (colour, mark) in _STYLE.items():
        places = [line.two_theta_deg for line in lines if line.status == status]
        heights = [_height(line.strength) for line in lines if line.status == status]
        ax.vlines(places, 0.0, heights, color=colour, linewidth=1.4)
        ax.plot(places, heights, mark, color=colour, markersize=4.5, linestyle="none")
    _label(ax, [(line.two_theta_deg, _height(line.strength), line) for line in lines])
    _frame(ax, name)


def _label(ax: Axes, places: list[tuple[float, float, MapLine]]) -> None:
    """Miller indices over the lines, usable and strong ones first, with room between them."""
    taken: list[float] = []
    for angle, height, line in sorted(places, key=lambda p: (not p[2].usable, -p[2].strength)):
        if any(abs(angle - other) < 2.2 for other in taken):
            continue
        taken.append(angle)
        text = str(line.reflection).split("(")[1].rstrip(")")
        ax.annotate(
            text,
            (angle, height),
            xytext=(0, 4),
            textcoords="offset points",
            ha="center",
            fontsize=7,
            color="#333333",
        )


def _draw_hiding(ax: Axes, line_map: LineMap) -> None:
    """Substrate lines and ghosts, the strongest of them named."""
    low, high = line_map.two_theta_low_deg, line_map.two_theta_high_deg
    shown = [
        line
        for line in line_map.background
        if low <= line.two_theta_deg <= high and line.strength > _WEAKEST_GHOST
    ]
    for ghost, colour in ((False, "#333333"), (True, "#CC79A7")):
        chosen = [line for line in shown if (line.ghost is not None) is ghost]
        ax.vlines(
            [line.two_theta_deg for line in chosen],
            0.0,
            [_height(line.strength) for line in chosen],
            color=colour,
            linewidth=1.2,
            linestyle=":" if ghost else "-",
        )
    taken: list[float] = []
    for line in sorted(shown, key=lambda one: -one.strength):
        if any(abs(line.two_theta_deg - other) < 6.0 for other in taken):
            continue
        taken.append(line.two_theta_deg)
        plain = f"{line.reflection.phase} {str(line.reflection).split(' ', 1)[1]}"
        short = {"K-beta": "Kβ", "half wavelength": "λ/2", "W L-alpha1": "W", "W L-alpha2": "W"}
        text = plain if line.ghost is None else f"{short[line.ghost]} {plain}"
        ax.annotate(
            text,
            (line.two_theta_deg, _height(line.strength)),
            xytext=(0, 3),
            textcoords="offset points",
            ha="center",
            fontsize=7,
            color="#333333" if line.ghost is None else "#8a4d6f",
        )
    _frame(ax, "substrate, ghosts")


def _frame(ax: Axes, name: str) -> None:
    ax.set_ylim(0.0, 1.45)
    ax.set_yticks([])
    ax.set_ylabel(name, rotation=0, ha="right", va="center", fontsize=8.5)
    for side in ("top", "left", "right"):
        ax.spines[side].set_visible(False)
    ax.tick_params(axis="x", labelsize=8.5)
