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
    curves = area[strong, None] * doublet(
        np.asarray(axis_deg, dtype=float),
        place[strong, None],
        fwhm[strong, None],
        mixing[strong, None],
        np.full((strong.size, 1), ratio),
        np.array([[share if spec.doublet else 0.0] for spec in specs]),
    )
    return tuple(
        np.array(
            [
                curves[_away(plan.windows[w], specs, place[strong])][:, points].sum(axis=0)
                for w, points in zip(group.windows.tolist(), group.points, strict=True)
            ]
        )
        for group in plan.groups
    )


def _away(window: WindowSpec, specs: Sequence[LineSpec], place_deg: FloatArray) -> list[int]:
    """Which of the lines, at their fitted places, the window does not hold itself."""
    return [
        k
        for k, (spec, at) in enumerate(zip(specs, place_deg.tolist(), strict=True))
        if not any(
            line.fitted
            and abs(line.two_theta_deg - at) < SAME_DEG
            and not set(line.members).isdisjoint(spec.members)
            for line in window.lines
        )
    ]
