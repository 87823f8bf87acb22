"""Many windows of scans at once, padded to one length, and the weighted fits of columns to them.

A column that a window has not got is one of zeros.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.fitting.line_window import DEEPEST, STANDS_OUT

DEGREE = 2  # of the background


@dataclass(slots=True)
class Windows:
    """B windows of N points: ``x``, ``y``, ``fixed`` variances and ``on`` (1 counts, 0 does not),
    ``floor`` (B, 1) of the expected counts; ``counting`` False where ``fixed`` holds."""

    x: FloatArray
    y: FloatArray
    fixed: FloatArray
    on: FloatArray
    floor: FloatArray
    counting: bool

    def take(self, rows: IntArray) -> Windows:
        """Some of the windows."""
        return Windows(
            self.x[rows], self.y[rows], self.fixed[rows], self.on[rows], self.floor[rows],
            self.counting,
        )  # fmt: skip

    def expected(self, basis: FloatArray, amplitudes: FloatArray) -> FloatArray:
        """Counts to expect for the variances, (B, N): no dip that noise made goes deep."""
        model = np.matmul(amplitudes[:, None, :], basis)[:, 0]
        deepest = np.maximum(self.floor, DEEPEST * median(model, self.on))
        return np.asarray(np.maximum(model, deepest, out=model))


def ends(x: FloatArray, length: IntArray) -> tuple[FloatArray, FloatArray]:
    """First and last angle of each window, each (B, 1)."""
    return x[:, :1], np.take_along_axis(x, length[:, None] - 1, axis=1)


def powers(x: FloatArray, length: IntArray) -> FloatArray:
    """Legendre polynomials of degree 0, 1, 2 over each window, (B, 3, N)."""
    first = x[:, :1]
    last = np.take_along_axis(x, length[:, None] - 1, axis=1)
    scaled = (2.0 * x - first - last) / (last - first)
    return np.stack([np.ones_like(x), scaled, 1.5 * scaled * scaled - 0.5], axis=1)


def fit_columns(
    basis: FloatArray, windows: Windows, *, without_last: bool = False
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Expected counts (B, N), amplitudes (B, M), their uncertainties; weights 1/expected."""
    y, counting = windows.y, windows.counting
    transposed = np.ascontiguousarray(np.swapaxes(basis, 1, 2))
    weights = windows.on if counting else windows.on / windows.fixed
    if counting:
        amplitudes, _ = _solve(basis, transposed, weights, y)
        weights = windows.on / windows.expected(basis, amplitudes)
    amplitudes, errors = _solve(basis, transposed, weights, y, with_errors=True)
    told = amplitudes
    if without_last:
        told = amplitudes.copy()
        told[:, -1] = 0.0
    model = windows.expected(basis, told)
    if counting:
        # where chance bent the background down, reckon with the columns that stand out alone
        plain = np.abs(amplitudes) > STANDS_OUT * errors
        plain[:, :2] = True
        rest = y
        if without_last:
            rest = y - amplitudes[:, -1:] * basis[:, -1]
            plain[:, -1] = False
        fitted, _ = _solve(basis, transposed, windows.on / model, rest, plain)
        np.maximum(model, np.matmul(fitted[:, None, :], basis)[:, 0], out=model)
    return model, amplitudes, errors


def _solve(
    basis: FloatArray,
    transposed: FloatArray,
    weights: FloatArray,
    y: FloatArray,
    use: BoolArray | None = None,
    *,
    with_errors: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Weighted least squares: amplitudes (B, M), and their uncertainties where asked for.

    Columns not in ``use`` (B, M) stay out and get 0.
    """
    weighted = basis * weights[:, None, :]
    normal = np.matmul(weighted, transposed)
    right = np.matmul(weighted, y[:, :, None])
    if use is not None:
        normal *= use[:, :, None] & use[:, None, :]
        right *= use[:, :, None]
    scale = scaled(normal)
    right *= scale[:, :, None]
    if not with_errors:
        return np.linalg.solve(normal, right)[:, :, 0] * scale, scale
    inverse = np.linalg.inv(normal)
    errors = np.sqrt(np.maximum(np.diagonal(inverse, axis1=1, axis2=2), 1e-300)) * scale
    return np.matmul(inverse, right)[:, :, 0] * scale, errors


def scaled(normal: FloatArray) -> FloatArray:
    """Bring normal matrices (B, M, M) to unit diagonal, in place; the scales (B, M).

    Columns of nothing get a scale of 0. A ridge of 1e-12 keeps columns that are alike in the
    window, such as two feet, from cancelling.
    """
    size = normal.shape[1]
    diagonal = np.diagonal(normal, axis1=1, axis2=2)
    dead = diagonal <= 0.0
    scale = np.where(dead, 0.0, 1.0 / np.sqrt(np.where(dead, 1.0, diagonal)))
    normal *= scale[:, :, None]
    normal *= scale[:, None, :]
    normal[:, np.arange(size), np.arange(size)] += 1e-12 + dead
    return np.asarray(scale)


def median(values: FloatArray, on: FloatArray) -> FloatArray:
    """Median of the points that count, (B, 1)."""
    filled = np.where(on > 0.0, values, np.inf)
    filled.sort(axis=1)
    number = on.sum(axis=1).astype(np.int64)
    rows = np.arange(number.size)
    return np.asarray(0.5 * (filled[rows, (number - 1) // 2] + filled[rows, number // 2]))[:, None]
