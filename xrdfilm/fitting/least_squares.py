"""Ordinary least squares with the engine of the line fits, to the last digit it carries.

The hook by which the engine is held against certified data sets
(`tests/fitting/test_levenberg.py`), and for one-off curves of known derivatives.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray, IntArray
from xrdfilm.fitting.levenberg import Observations, minimise


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """An unweighted fit: parameters and standard errors, (P,), covariance, (P, P)."""

    theta: FloatArray
    standard_error: FloatArray
    covariance: FloatArray
    residual_sum_of_squares: float
    converged: bool


@dataclass(frozen=True, slots=True)
class _OneModel:
    function: Callable[[FloatArray], tuple[FloatArray, FloatArray]]

    def evaluate(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        value, jacobian = self.function(theta[0])
        return value[None], jacobian[None]

    def take(self, rows: IntArray) -> _OneModel:
        del rows
        return self


def least_squares(
    function: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    start: FloatArray,
    values: FloatArray,
) -> LeastSquares:
    """Fit one ordinary function with the same engine, to the last digit it carries.

    ``function`` takes the parameters (P,) and returns the model (N,) and its derivatives (P, N).
    The noise is taken from the residuals: standard errors are those of a fit of unknown variance.
    """
    y = np.asarray(values, dtype=float)
    seen = Observations(y[None], np.ones((1, y.size)), np.ones((1, y.size)))
    best = minimise(
        _OneModel(function),
        np.asarray(start, dtype=float)[None],
        seen,
        tolerance=0.0,
        relative_tolerance=1e-22,
        first_damping=1e-2,
        max_rounds=2000,
    )
    theta = best.theta[0]
    value, jacobian = function(theta)
    rss = float(np.sum(np.square(y - value)))
    # Triangular factor of the scaled derivatives: no squaring of their condition number
    scale = np.linalg.norm(jacobian, axis=1)
    factor = np.linalg.qr((jacobian / scale[:, None]).T, mode="r")
    half = np.linalg.inv(factor)
    covariance = half @ half.T / np.outer(scale, scale) * rss / (y.size - theta.size)
    return LeastSquares(
        theta, np.sqrt(np.diag(covariance)), covariance, rss, bool(best.converged[0])
    )
