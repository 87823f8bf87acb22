"""Cells of layers below the film by the peaks that only they can own, before a line is fitted."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import two_theta_of
from xrdfilm.lattice.peaks import SIGNIFICANCE, Peaks
from xrdfilm.lattice.shift_search import TOLERANCE_DEG, ExpectedLines, within

SCALE_STEPS = (18, 18, 6)  # cells tried to either side of the stated one, for 1, 2, 3 layers
BESIDE, BESIDE_WORTH = 2.5, 0.3  # tolerances in which a peak may hide a line, and its worth
TAKEN_DEG = 0.15  # how far from where it is expected another layer's line may own a peak
MOVED_COST = 0.2  # in peaks as plain as the plainest, at the end of the freedom
APART_WORTH = 0.25  # in the same: cells move apart only where that explains more


def scales_together(
    places: Callable[[FloatArray], FloatArray],
    peaks: Peaks,
    layers: Sequence[ExpectedLines],
    wavelength_A: float,
    freedom: float,
    taken_deg: FloatArray,
    *,
    tolerance_deg: float = TOLERANCE_DEG,
) -> tuple[float, ...]:
    """Cells of layers of nearly one spacing, found over stated, that own the most peaks together.

    ``places`` turns true angles into those at which lines are to be looked for, same shape.
    ``taken_deg``, (T,), are places as measured whose peaks other lines may own; these say nothing.
    ``freedom`` is how far a cell may be from the stated one, which costs a little. Cells move apart
    only where that explains more: a peak that each layer could own speaks for all of them. Within
    ``tolerance_deg`` of its peak a line may be anywhere. Whose of two peaks each is, the smaller
    moves decide: layers whose spacings have crossed come back exchanged.
    """
    count = len(layers)
    steps = SCALE_STEPS[min(count, len(SCALE_STEPS)) - 1]
    moved = freedom * np.linspace(-1.0, 1.0, 2 * steps + 1)
    gaps = np.array([_gaps(places, peaks, lines, wavelength_A, 1.0 + moved) for lines in layers])
    free = np.abs(peaks.places_deg[:, None] - taken_deg).min(axis=1, initial=np.inf)
    reached = (gaps < 2.0 * tolerance_deg).any(axis=(0, 1)) & (free > TAKEN_DEG)
    if not reached.any():
        return (1.0,) * count
    weight = np.log1p(peaks.significance / SIGNIFICANCE)
    weight = weight[reached] / weight.max()
    gaps = gaps[:, :, reached]
    grids = np.meshgrid(*[np.arange(moved.size)] * count, indexing="ij")
    on, beside = _near(gaps, tolerance_deg), _near(gaps, BESIDE * tolerance_deg)
    owned = np.max([on[k][grid] for k, grid in enumerate(grids)], axis=0)
    shared = np.sum([beside[k][grid] for k, grid in enumerate(grids)], axis=0)
    explained = (owned + BESIDE_WORTH * shared) @ weight
    cells = moved[np.array(grids)] / freedom
    score = explained - MOVED_COST * np.square(cells).mean(axis=0)
    best = np.unravel_index(int(np.argmax(score)), score.shape)
    alike = (np.arange(moved.size),) * count
    together = int(np.argmax(score[alike]))
    if explained[best] - explained[alike][together] < APART_WORTH:
        return (float(1.0 + moved[together]),) * count
    return tuple(float(1.0 + moved[i]) for i in best)


def _near(gap_deg: FloatArray, flat_deg: float) -> FloatArray:
    """1 up to ``flat_deg``, falling to 0 at twice that; same shape."""
    return np.asarray(np.clip(2.0 - gap_deg / flat_deg, 0.0, 1.0))


def _gaps(
    places: Callable[[FloatArray], FloatArray],
    peaks: Peaks,
    lines: ExpectedLines,
    wavelength_A: float,
    scales: FloatArray,
) -> FloatArray:
    """How far the layer's nearest line is from each peak at cells (K,): degrees, (K, P)."""
    d_A = lines.d_A[within(lines, peaks, wavelength_A)]
    true = two_theta_of(d_A * scales[:, None], wavelength_A)
    looked = places(np.where(np.isfinite(true), true, -500.0))
    return np.asarray(np.abs(looked[:, :, None] - peaks.places_deg).min(axis=1, initial=np.inf))
