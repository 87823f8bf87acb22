"""Curves as paper shows them: as many points as the eye can part, on a grid of 0.3 points.

Whole numbers on a coarse grid make a short file: a page has some thousand of them.
"""

from __future__ import annotations

import numpy as np

from xrdfilm._typing import FloatArray, IntArray

GRID_PT = 0.3
"""Points of type (1/72 inch) between neighbouring places: 0.1 mm, less than a curve is wide."""
BIN_PT = 1.5
"""Width of paper on which a noisy curve has at most two points, its lowest and its highest."""
WIDE_BIN_PT = 2.0
"""The same in small panels: residuals, which are noise alone, and scans of one broad line."""
BEND = 0.6
"""How far, in steps of the grid, a smooth curve may pass by the points that it is drawn without."""


def thinned(axis: FloatArray, values: FloatArray, bins: int) -> list[FloatArray]:
    """Runs of finite values with at most two points a bin, its lowest and highest; (M, 2) each.

    What the eye would see of a dense curve is its envelope, so no line top is lost. Both points
    stand in the middle of the bin; runs that are not that dense keep their own places.
    """
    finite = np.isfinite(values)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], finite, [False]]).astype(np.int8)))
    start, span = float(axis[0]), float(axis[-1] - axis[0]) or 1.0
    runs = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        here, there = axis[first:last], values[first:last]
        bin_of = np.clip((here - start) / span * bins, 0, bins - 1).astype(np.int64)
        begins = np.flatnonzero(np.diff(bin_of, prepend=bin_of[0] - 1))
        if here.size > 2 * begins.size:
            bounds = zip(begins, [*begins[1:], here.size], strict=True)
            keep = [
                i
                for a, b in bounds
                for i in sorted({a + there[a:b].argmin(), a + there[a:b].argmax()})
            ]
            here, there = start + (bin_of[keep] + 0.5) / bins * span, there[keep]
        runs.append(np.column_stack([here, there]))
    return runs


def on_grid(places_pt: FloatArray, *, smooth: bool) -> IntArray:
    """Places (M, 2) in points as whole steps of the grid, (K, 2); a smooth curve needs few of them.

    A smooth curve keeps only the places that it bends at.
    """
    steps = places_pt / GRID_PT
    if smooth and len(steps) > 2:
        from matplotlib.path import Path

        path = Path(steps)
        path.should_simplify, path.simplify_threshold = True, BEND
        steps = np.asarray(path.cleaned(simplify=True).vertices)[:-1]  # the last one is a stop
    whole: IntArray = np.round(steps).astype(np.int64)
    return whole
