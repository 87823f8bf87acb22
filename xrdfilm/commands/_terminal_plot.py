"""A small plot for a terminal, in braille dots (Unicode 2800–28FF): two dots wide, four high."""

from __future__ import annotations

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray

_DOTS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])


def envelope(x: FloatArray, y: FloatArray, columns: int) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest y in each of ``columns`` equal stretches of x, each of shape (columns,).

    nan where a stretch holds no point, so that a gap of the axis stays a gap. A line of one
    point is never lost, as it would be by taking every n-th.
    """
    low = np.full(columns, np.inf)
    high = np.full(columns, -np.inf)
    span = float(x[-1] - x[0]) or 1.0
    at = np.minimum(((x - x[0]) / span * columns).astype(np.int64), columns - 1)
    np.minimum.at(low, at, y)
    np.maximum.at(high, at, y)
    empty = ~np.isfinite(low)
    low[empty] = high[empty] = np.nan
    return low, high


def braille_plot(x: FloatArray, y: FloatArray, width: int = 64, height: int = 10) -> list[str]:
    """Lines of text that show y over ascending x, both of shape (N,), N ≥ 2.

    Fewer points than dots are joined by straight lines; y spans the whole height.
    """
    columns, rows = 2 * width, 4 * height
    bottom, top = float(y.min()), float(y.max())
    span = (top - bottom) or 1.0
    if x.size < 2 * columns:
        dense = np.linspace(x[0], x[-1], 4 * columns)
        gaps = _in_gap(x, dense)
        x, y = dense[~gaps], np.interp(dense, x, y)[~gaps]
    low, high = envelope(x, y, columns)
    dots: BoolArray = np.zeros((rows, columns), dtype=np.bool_)
    last_low = last_high = np.nan
    for column in range(columns):
        if np.isnan(low[column]):
            last_low = last_high = np.nan
            continue
        # Reach to the neighbour's stretch, so that steep flanks stay joined.
        start, stop = low[column], high[column]
        if not np.isnan(last_low):
            start, stop = min(start, last_high), max(stop, last_low)
        first = round((start - bottom) / span * (rows - 1))
        last = round((stop - bottom) / span * (rows - 1))
        dots[rows - 1 - last : rows - first, column] = True
        last_low, last_high = low[column], high[column]
    cells = dots.reshape(height, 4, width, 2)
    codes = 0x2800 + (cells * _DOTS[None, :, None, :]).sum(axis=(1, 3))
    return ["".join(chr(code) for code in row) for row in codes]


def _in_gap(x: FloatArray, places: FloatArray) -> BoolArray:
    """Which places lie in a step of x that is over five usual steps wide."""
    steps = np.diff(x)
    at = np.clip(np.searchsorted(x, places) - 1, 0, steps.size - 1)
    return np.asarray(steps[at] > 5.0 * float(np.median(steps)))
