"""Linear Poisson fits of areas and background at given shapes, many windows at once.

The fit of a line at a given place is linear in its area and the background. A line enters the
weights (1/expected counts) only where it stands out: that keeps the estimate of an absent line
linear in the counts, hence unbiased and of known moments however few the counts are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray

PRESENT_ABOVE = 3.0  # a line enters the weights of the fit from this many standard uncertainties
MISFIT_SIGMA = 4.0  # chi-square this far above its expectation counts as misfit


@dataclass(frozen=True, slots=True)
class BlankMoments:
    """Moments of the estimated areas, as functions of the true area A; each shape (..., L).

    Var(a | A) = variance + A·variance_slope and κ₃(a | A) = third + A·third_slope.
    """

    variance: FloatArray
    variance_slope: FloatArray
    third: FloatArray
    third_slope: FloatArray


@dataclass(frozen=True, slots=True)
class LinearFit:
    """Weighted linear fits of B windows: parameters (B, M), covariance (B, M, M)."""

    theta: FloatArray
    covariance: FloatArray
    chi_square: FloatArray
    inverse_sum: FloatArray
    floor: FloatArray


def count_floor(y: FloatArray, mask: FloatArray | None = None) -> FloatArray:
    """Least expected counts a point that the weights reckon with, shape (B, 1).

    A tenth of the window's mean; half a count is added to the sum so that an empty window keeps
    an uncertainty.
    """
    total = np.maximum(y.sum(axis=-1, keepdims=True), 0.0) + 0.5
    number = y.shape[-1] if mask is None else np.maximum(mask.sum(axis=-1, keepdims=True), 1.0)
    return np.asarray(0.1 * total / number)


def linear_fit(
    basis: FloatArray,
    y: FloatArray,
    n_lines: int,
    variance: FloatArray | None,
    known: BoolArray,
    mask: FloatArray | None = None,
    rounds: int = 4,
) -> LinearFit:
    """Poisson (or given-variance) fit of y (B, N) by basis (B or 1, M, N), lines first.

    ``mask`` (B or 1, N) is 1 for the points that count.
    """
    floor = count_floor(y, mask)
    on = 1.0 if mask is None else mask
    weights = on / variance if variance is not None else np.broadcast_to(on / (y * 0 + 1), y.shape)
    for turn in range(rounds if variance is None else 1):
        inverse = inverse_normal(basis, weights)
        theta = np.einsum("bmk,bk->bm", inverse, np.matmul(basis, (weights * y)[..., None])[..., 0])
        if variance is not None:
            break
        model = np.matmul(theta[:, None, :], basis)[:, 0]
        # Spread of the areas at the present weights, to see which lines stand out
        sigma = np.sqrt(_sandwich(basis, weights, inverse, np.maximum(model, floor)))
        area = theta[:, :n_lines]
        seen = known | (area > PRESENT_ABOVE * sigma[:, :n_lines])
        lit = theta.copy()
        lit[:, :n_lines] = np.where(seen, np.maximum(area, 0.0), 0.0)
        expected = np.maximum(np.matmul(lit[:, None, :], basis)[:, 0], floor)
        if turn < rounds - 1:
            weights = on / expected
    model = np.matmul(theta[:, None, :], basis)[:, 0]
    if variance is None:
        positive = theta.copy()
        positive[:, :n_lines] = np.maximum(positive[:, :n_lines], 0.0)
        spread = np.maximum(np.matmul(positive[:, None, :], basis)[:, 0], floor)
        covariance = _covariance(basis, weights, inverse, spread)
    else:
        spread, covariance = variance, inverse
    chi = (on * np.square(y - model) / spread).sum(axis=-1)
    return LinearFit(theta, covariance, chi, (on / spread).sum(axis=-1), floor)


@dataclass(frozen=True, slots=True)
class Blank:
    """What the fit would do were the lines absent: covariance (B, L, L) and moments.

    ``estimator`` (B, L, N) gives the areas as sums over the counts (less what is beneath).
    """

    covariance: FloatArray
    moments: BlankMoments
    estimator: FloatArray


def blank_moments(
    basis: FloatArray,
    theta: FloatArray,
    covariance: FloatArray,
    n_lines: int,
    variance: FloatArray | None,
    known: BoolArray,
    floor: FloatArray,
    mask: FloatArray | None = None,
    beneath: FloatArray | None = None,
) -> Blank:
    """Covariance and moments of the areas if none of the lines not ``known`` were there.

    The background is then the one that a fit without them would have found; fitted beside a line
    that chance made too strong it would be too low, and false alarms too many. A line that is
    really there moves it by no more than its own doubt would.
    """
    on = 1.0 if mask is None else mask
    lines = covariance[:, :n_lines, :n_lines]
    reach = PRESENT_ABOVE * np.sqrt(np.diagonal(lines, axis1=-2, axis2=-1))
    area = theta[:, :n_lines]
    chance = np.where(known, 0.0, np.clip(area, -reach, reach))
    size = np.sqrt(np.diagonal(lines, axis1=-2, axis2=-1))
    size = np.where(size > 0.0, size, 1.0)
    alike = lines / (size[:, :, None] * size[:, None, :])
    alike = alike + 1e-9 * np.eye(n_lines)  # two lines at one place share what chance gave them
    pull = np.linalg.solve(alike, (chance / size)[..., None]) / size[..., None]
    empty = theta - np.matmul(covariance[:, :, :n_lines], pull)[..., 0]
    empty[:, :n_lines] = np.where(known, np.maximum(area, 0.0), 0.0)
    blank = variance
    if blank is None:
        blank = np.matmul(empty[:, None, :], basis)[:, 0]
        if beneath is not None:
            blank += beneath
        blank = np.maximum(blank, floor)
    weights = on / blank
    inverse = inverse_normal(basis, weights)
    estimator = np.matmul(inverse[:, :n_lines], basis * weights[:, None, :])
    spread = inverse.diagonal(axis1=-2, axis2=-1)[:, :n_lines].copy()
    if variance is not None:
        zero = np.zeros_like(spread)
        moments = BlankMoments(spread, zero, zero, zero)
    else:
        square = np.square(estimator)
        cube = square * estimator
        profiles = basis[:, :n_lines]
        moments = BlankMoments(
            spread,
            (square * profiles).sum(axis=-1),
            np.matmul(cube, blank[..., None])[..., 0],
            (cube * profiles).sum(axis=-1),
        )
    return Blank(inverse[:, :n_lines, :n_lines], moments, estimator)


def misfit_scale(
    chi_square: FloatArray, dof: FloatArray | float, inverse_sum: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Factor that widens variances, and where it applies: chi-square clearly too large.

    The variance of Pearson's chi-square of Poisson counts is 2·dof + Σ 1/µ, so low counts alone
    do not count as misfit.
    """
    number = np.maximum(np.asarray(dof, dtype=float), 1.0)
    spread = np.sqrt(2.0 * number + inverse_sum)
    misfit = chi_square > number + MISFIT_SIGMA * spread
    return np.where(misfit, chi_square / number, 1.0), np.asarray(misfit)


def inverse_normal(basis: FloatArray, weights: FloatArray) -> FloatArray:
    """Inverse (B, M, M) of the weighted normal matrix of basis (B or 1, M, N)."""
    normal = np.matmul(basis * weights[:, None, :], np.swapaxes(basis, -1, -2))
    scale = np.sqrt(np.maximum(np.diagonal(normal, axis1=-2, axis2=-1), 1e-60))
    normal /= scale[:, :, None] * scale[:, None, :]
    normal += 1e-13 * np.eye(normal.shape[-1])  # a line outside its window must not stop the rest
    inverse = np.linalg.inv(normal)
    inverse /= scale[:, :, None] * scale[:, None, :]
    return np.asarray(inverse)


def _covariance(
    basis: FloatArray, weights: FloatArray, inverse: FloatArray, spread: FloatArray
) -> FloatArray:
    """Covariance of a linear estimate whose weights are not exactly 1/variance."""
    middle = np.matmul(basis * (np.square(weights) * spread)[:, None, :], np.swapaxes(basis, 1, 2))
    return np.asarray(inverse @ middle @ inverse)


def _sandwich(
    basis: FloatArray, weights: FloatArray, inverse: FloatArray, spread: FloatArray
) -> FloatArray:
    return np.diagonal(_covariance(basis, weights, inverse, spread), axis1=-2, axis2=-1)
