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
    good = np.isfinite(y)
    y = np.where(good, y, np.nan)
    flat = np.nan_to_num(y)
    level = np.abs(flat).sum(axis=1) / np.maximum(good.sum(axis=1), 1)
    # A curve without any scatter still needs a noise: a millionth of its level
    least = np.where(level > 0.0, 1e-6 * level, 1.0)
    square = np.square(y[:, 2:] - 2.0 * y[:, 1:-1] + y[:, :-2]) / 6.0
    if flat.min() >= 0.0:
        local = (y[:, 2:] + y[:, 1:-1] + y[:, :-2]) / 3.0
        ratio = np.where(local > 0.0, square / np.where(local > 0.0, local, 1.0), np.nan)
        scale = _median(ratio) / _MEDIAN_SQUARE
        # More than half the differences equal: rounded or interpolated; the mean still tells
        mean = _mean(square) / np.maximum(_mean(local), least)
        return np.maximum(np.where(scale > 0.0, scale, mean), least), None
    variance = _median(square) / _MEDIAN_SQUARE
    variance = np.where(variance > 0.0, variance, _mean(square))
    variance = np.maximum(variance, np.square(least))
    return np.ones(y.shape[0]), np.broadcast_to(variance[:, None], y.shape).copy()


def _median(values: FloatArray) -> FloatArray:
    """Median of the finite values of each row; 0 where there are none."""
    some = np.isfinite(values).any(axis=1)
    out = np.zeros(values.shape[0])
    if some.any():
        out[some] = np.nanmedian(values[some], axis=1)
    return out


def _mean(values: FloatArray) -> FloatArray:
    """Mean of the finite values of each row; 0 where there are none."""
    number = np.isfinite(values).sum(axis=1)
    return np.asarray(np.nansum(values, axis=1) / np.maximum(number, 1))
