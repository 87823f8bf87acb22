"""What a curve of shape (N,) shows before anything is fitted: noise, tops, width, a flat top."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from xrdfilm._typing import FloatArray
from xrdfilm.texture.peakshape import FWHM_PER_SIGMA


def noise_sigma(y: ArrayLike) -> float:
    """Standard deviation of the noise of a smooth curve, from its second differences.

    Robust (median absolute deviation), for columns that are not counts.
    """
    second = np.diff(np.asarray(y, dtype=float), n=2)
    return float(1.4826 * np.median(np.abs(second - np.median(second))) / np.sqrt(6.0))


def smoothed(y: FloatArray, width_points: float) -> FloatArray:
    """Gaussian-smoothed curve, FWHM in points, mirrored at the ends; (N,)."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(y, max(width_points, 1.0) / FWHM_PER_SIGMA, mode="nearest"))


def local_maxima(
    y: FloatArray, sigma: FloatArray, width_points: float, *, significance: float = 6.0
) -> list[int]:
    """Indices of maxima that stand out of their surroundings by ``significance`` sigma."""
    from scipy.signal import find_peaks

    smooth = smoothed(y, width_points)
    # noise left after smoothing with a Gaussian of that width
    averaged = max(1.0, 2.0 * np.sqrt(np.pi) * width_points / FWHM_PER_SIGMA)
    noise = sigma / np.sqrt(averaged)
    found, _ = find_peaks(smooth, prominence=0.0)
    from scipy.signal import peak_prominences

    prominence = peak_prominences(smooth, found)[0]
    return [int(i) for i, p in zip(found, prominence, strict=True) if p > significance * noise[i]]


def half_height_width(x: FloatArray, y: FloatArray, background: FloatArray) -> float | None:
    """Distance of the outermost crossings of half the height, degrees; None if one is missing."""
    net = y - background
    top = float(net.max())
    over = np.flatnonzero(net >= 0.5 * top)
    first, last = int(over[0]), int(over[-1])
    if first == 0 or last == x.size - 1:
        return None

    def crossing(inside: int, outside: int) -> float:
        part = (0.5 * top - net[outside]) / (net[inside] - net[outside])
        return float(x[outside] + part * (x[inside] - x[outside]))

    return crossing(last, last + 1) - crossing(first, first - 1)


def saturated_top(counts: Sequence[float] | FloatArray, *, at_least: float = 200.0) -> bool:
    """True where three neighbouring points share the highest value.

    Counting noise makes that next to impossible at ``at_least`` counts and more.
    """
    y = np.asarray(counts, dtype=float)
    top = float(y.max())
    if top < at_least:
        return False
    run = longest = 0
    for equal in y == top:
        run = run + 1 if equal else 0
        longest = max(longest, run)
    return longest >= 3
