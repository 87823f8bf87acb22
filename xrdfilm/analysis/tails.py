"""Tails of strong lines under windows that do not hold them.

A line falls off as the square of the distance, and under a window some degrees away its tail is
bent more than a low polynomial follows: weak lines there come out too small or too large by more
than their uncertainty. The strong lines of a first fit tell their tails well enough to be laid
beneath the second.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import Radiation
from xrdfilm.fitting.detection import doublet_constants
from xrdfilm.fitting.engine import LineSpec, WindowFits, WindowPlan, WindowSpec
from xrdfilm.fitting.profile import doublet
from xrdfilm.lines import Reflection

SHOWS = 20.0  # significance of a line whose tail may matter
SAME_DEG = 0.6  # a line of the same reflections farther off is a ghost of it
MATTERS = 0.1  # of the noise of a point at one degree from the line: weaker tails are left away


def tails_beyond(
    fits: WindowFits, plan: WindowPlan, axis_deg: FloatArray, radiation: Radiation
) -> tuple[FloatArray, ...] | None:
    """Counts that lines of other windows give in each window of ``plan``: (W, P) for each group.

    ``fits`` is a first fit of the scan, perhaps by another plan: a line belongs to a window that
    fits the same reflections near the same place (a ghost of it elsewhere does not hold it).
    ``axis_deg`` (N,). None where no line is strong enough.
    """
    block, i = fits.block, fits.index
    area, place, fwhm = block.area[i], block.place[i], block.fwhm[i]
    mixing = block.mixing[i]
    with np.errstate(invalid="ignore"):
        at_one_degree = area * fwhm * np.maximum(mixing, 0.1) / (2.0 * np.pi)
        strong = np.flatnonzero(
            (block.significance[i] > SHOWS)
            & (at_one_degree > MATTERS * np.sqrt(np.maximum(block.background[i], 1.0)))
        )
    if not strong.size:
        return None
    ratio, share = doublet_constants(radiation)
    specs = [block.plan.lines[k] for k in strong]
    x = np.asarray(axis_deg, dtype=float)
    needed = np.zeros(x.size, bool)
    for group in plan.groups:
        needed[group.points] = True
    index = np.cumsum(needed) - 1  # of a point of the axis among those that are needed
    curves = area[strong, None] * doublet(
        x[needed],
        place[strong, None],
        fwhm[strong, None],
        mixing[strong, None],
        np.full((strong.size, 1), ratio),
        np.array([[share if spec.doublet else 0.0] for spec in specs]),
    )
    away = _away(plan.windows, specs, place[strong])
    return tuple(
        np.matmul(
            away[group.windows][:, None, :], np.moveaxis(curves[:, index[group.points]], 0, 1)
        )[:, 0]
        for group in plan.groups
    )


def _away(
    windows: Sequence[WindowSpec], specs: Sequence[LineSpec], place_deg: FloatArray
) -> FloatArray:
    """1 for lines, at their fitted places, that a window does not hold itself, else 0; (V, K)."""
    held: dict[Reflection, list[tuple[int, float]]] = {}
    for w, window in enumerate(windows):
        for line in window.lines:
            if line.fitted:
                for member in line.members:
                    held.setdefault(member, []).append((w, line.two_theta_deg))
    away = np.ones((len(windows), len(specs)))
    for k, (spec, place) in enumerate(zip(specs, place_deg.tolist(), strict=True)):
        for member in spec.members:
            for w, at in held.get(member, ()):
                if abs(at - place) < SAME_DEG:
                    away[w, k] = 0.0
    return away
