"""The noise of intensities that are no counts, from their scatter along the scan."""

from __future__ import annotations

import numpy as np

from xrdfilm._typing import FloatArray

_MEDIAN_SQUARE = 0.4549364  # median of the square of a standard normal variate


def noise_scale(intensity: FloatArray) -> tuple[FloatArray, FloatArray | None]:
    """Scale (S,) that turns intensities (S, N) into quasi-counts, or their variance (S, N).

    Normalised or rate-like intensities keep variance proportional to intensity: dividing by the
    scale makes the variance equal to the value, and the second result is None. Where a curve was
    taken off, so that values reach below zero, the variance is taken as one for the whole scan.
    The measure is the median of squared second differences (variance 6σ² for white noise), which
    neither slopes nor lines disturb.
    """
    y = np.asarray(intensity, dtype=float)
    second = y[:, 2:] - 2.0 * y[:, 1:-1] + y[:, :-2]
    square = np.square(second) / 6.0
    tiny = np.finfo(float).tiny
    if np.nanmin(y) >= 0.0:
        local = (y[:, 2:] + y[:, 1:-1] + y[:, :-2]) / 3.0
        ratio = np.where(local > 0.0, square / np.where(local > 0.0, local, 1.0), np.nan)
        scale = np.nanmedian(ratio, axis=1) / _MEDIAN_SQUARE
        # More than half the differences equal: rounded or interpolated; the mean still tells
        mean = np.nanmean(square, axis=1) / np.maximum(np.nanmean(local, axis=1), tiny)
        return np.where(scale > 0.0, scale, np.maximum(mean, tiny)), None
    variance = np.nanmedian(square, axis=1) / _MEDIAN_SQUARE
    variance = np.where(variance > 0.0, variance, np.maximum(np.nanmean(square, axis=1), tiny))
    return np.ones(y.shape[0]), np.broadcast_to(variance[:, None], y.shape).copy()
