"""The broad background of a scan: air scatter, glass, the foot of everything, but no lines.

For pictures, for finding lines nobody expected, and as a start. The areas of lines do not rest on
it: every window has its own polynomial, fitted together with its lines (`xrdfilm.fitting.engine`).

Method: counts averaged over some 0.16° and their square root taken, which makes the noise the
same everywhere; then the statistics-sensitive non-linear iterative peak clipping of Ryan et al.,
Nucl. Instrum. Methods B 34 (1988) 396, as pybaselines has it, with a clipping window wider than
the broadest line that must survive. Against stiff asymmetric smoothers on simulated scans it
follows a steep low-angle foot to 0.4 standard deviations of a point (they miss it by 6 to 25) and
leaves lines of 1.5° FWHM standing (`benchmarks/background.py`), at a fifth of their cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.fitting.noise import noise_scale

BIN_DEG = 0.16
WIDEST_LINE_DEG = 1.5
# What the method misses on simulated scans (benchmarks/background.py): half the standard deviation
# of a point, and a hundredth of the background where counts are high
_SYSTEMATIC, _RELATIVE = 0.5, 0.01


@dataclass(frozen=True, slots=True)
class Background:
    """Background in counts a point, its standard uncertainty (both (N,)), and how it was made."""

    values: FloatArray
    sigma: FloatArray
    method: str


def broad_background(
    two_theta_deg: FloatArray, counts: FloatArray, *, widest_line_deg: float = WIDEST_LINE_DEG
) -> Background:
    """Estimate the background of one scan.

    ``two_theta_deg`` and ``counts`` (N,), the axis ascending; points that are not finite are
    bridged. Lines up to ``widest_line_deg`` FWHM are not taken for background. Raises
    CannotTellError for scans of fewer than 10 points.
    """
    from pybaselines import Baseline

    x = np.asarray(two_theta_deg, dtype=float)
    y = np.asarray(counts, dtype=float)
    good = np.isfinite(y)
    if good.sum() < 10:
        raise CannotTellError(
            f"a background needs at least 10 points, the scan has {int(good.sum())}"
        )
    if not good.all():
        y = np.interp(x, x[good], y[good])
    step = max(float(x[-1] - x[0]) / (x.size - 1), 1e-9)
    size = int(np.clip(round(BIN_DEG / step), 1, max(1, x.size // 10)))
    places, means = _binned(x, size), _binned(y, size)
    lift = min(float(means.min()), 0.0)  # net curves reach below zero
    root = np.sqrt(means - lift)
    half_window = round(4.0 / 3.0 * widest_line_deg / (step * size))
    half_window = max(1, min(half_window, (places.size - 1) // 2))
    smooth = min(2, half_window)
    clipped, _ = Baseline(places).snip(
        root, max_half_window=half_window, decreasing=True, smooth_half_window=smooth
    )
    values = np.interp(x, places, np.square(np.maximum(clipped, 0.0)) + lift)
    # The noise of a point from the scatter itself: the intensities need not be counts
    scale, flat = noise_scale(y[None])
    spread = np.sqrt(scale[0] * np.maximum(values, 1e-3 * np.abs(values).max() + 1e-300))
    if flat is not None:
        spread = np.sqrt(flat[0])
    return Background(
        values,
        np.hypot(_SYSTEMATIC * spread, _RELATIVE * np.abs(values)),
        f"peak clipping of root counts, window ±{half_window * step * size:.1f}°",
    )


def _binned(values: FloatArray, size: int) -> FloatArray:
    """Means of ``size`` points, the last bin taking the rest."""
    if size == 1:
        return values.copy()
    whole = values.size // size
    out = values[: whole * size].reshape(whole, size).mean(axis=1)
    rest = values[whole * size :]
    if rest.size:
        out[-1] = (out[-1] * size + rest.sum()) / (size + rest.size)
    return np.asarray(out)
