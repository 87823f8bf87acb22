"""Two peaks of one shape, a known distance apart, with areas of their own; many pairs at once.

Each pair stands alone in a short window on a straight background; place, width and Lorentz
fraction are those of both. How the two areas divide tells whether they are a K-alpha pair.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray, IntArray
from xrdfilm.fitting.levenberg import Observations, minimise
from xrdfilm.fitting.linear_fit import inverse_normal
from xrdfilm.fitting.profile import doublet_terms

_LEVEL, _SLOPE, _PLACE, _WIDTH, _LORENTZ = range(2, 7)  # the areas stand before them
_LINEAR = 4  # areas and background
_WIDTHS = (0.2, 3.0)  # least and largest width over the expected one
_POINTS_STEP = 32  # windows are padded to multiples of this, whatever others they are fitted with
_CLOSE = 1e-9  # of chi-square: what a last step may still promise


@dataclass(frozen=True, slots=True, eq=False)
class PairWindow:
    """Points of one pair: angles, counts and their uncertainties, each (N,).

    ``top_deg`` is where the first peak's top is seen, the second stands ``apart_deg`` above.
    """

    two_theta_deg: FloatArray
    counts: FloatArray
    sigma: FloatArray
    top_deg: float
    apart_deg: float
    fwhm_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class PairFit:
    """Areas (2,) of the peaks and their covariance (2, 2) at the shape found.

    The covariance is widened where chi-square is too large.
    """

    areas: FloatArray
    covariance: FloatArray


def fit_pairs(windows: Sequence[PairWindow]) -> list[PairFit | None]:
    """Fit each pair in its window; None where the fit does not come to an end."""
    found: list[PairFit | None] = [None] * len(windows)
    by_length: dict[int, list[int]] = {}
    for i, window in enumerate(windows):
        length = -(-window.counts.size // _POINTS_STEP) * _POINTS_STEP
        by_length.setdefault(length, []).append(i)
    for length, members in by_length.items():
        fits = _fit_of_length(length, [windows[i] for i in members])
        for i, fit in zip(members, fits, strict=True):
            found[i] = fit
    return found


def _fit_of_length(length: int, windows: Sequence[PairWindow]) -> list[PairFit | None]:
    """Fit windows of at most ``length`` points, all at once."""
    x, y, sigma, on = (np.zeros((len(windows), length)) for _ in range(4))
    sigma[:] = 1.0
    for row, window in enumerate(windows):
        size = window.counts.size
        x[row], x[row, :size] = window.two_theta_deg[-1], window.two_theta_deg
        y[row, :size], sigma[row, :size], on[row, :size] = window.counts, window.sigma, 1.0
    top, apart, fwhm = (
        np.array([getattr(window, name) for window in windows])
        for name in ("top_deg", "apart_deg", "fwhm_deg")
    )
    number = on.sum(axis=1, keepdims=True)
    mean, span = (x * on).sum(axis=1, keepdims=True) / number, x[:, -1:] - x[:, :1]
    model = _Pairs(x[:, None, :], (x - mean) / span, apart, fwhm)
    variance = np.square(sigma)
    seen = Observations(y, on, variance)
    start = np.zeros((len(windows), _LORENTZ + 1))
    start[:, _PLACE], start[:, _WIDTH], start[:, _LORENTZ] = top, 1.0, 0.5
    weights = on / variance
    basis = model.evaluate(start)[1][:, :_LINEAR]
    right = np.matmul(basis, (weights * y)[:, :, None])
    start[:, :_LINEAR] = np.matmul(inverse_normal(basis, weights), right)[:, :, 0]
    low, high = np.full_like(start, -np.inf), np.full_like(start, np.inf)
    low[:, _PLACE], high[:, _PLACE] = top - fwhm, top + fwhm
    low[:, _WIDTH], high[:, _WIDTH] = _WIDTHS
    low[:, _LORENTZ], high[:, _LORENTZ] = 0.0, 1.0
    best = minimise(
        model, start, seen, low=low, high=high, keep_basis=_LINEAR, tolerance=_CLOSE
    )  # fmt: skip
    freedom = np.maximum(number[:, 0] - start.shape[1], 1.0)
    widened = np.maximum(best.chi_square / freedom, 1.0)
    covariance = inverse_normal(best.basis, weights)[:, :2, :2] * widened[:, None, None]
    return [
        PairFit(areas, doubt) if ended else None
        for areas, doubt, ended in zip(best.theta[:, :2], covariance, best.converged, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class _Pairs:
    """B pairs: ``x`` (B, 1, N), ``slope`` (B, N) the background's second column, the rest (B,)."""

    x: FloatArray
    slope: FloatArray
    apart: FloatArray
    fwhm: FloatArray

    def take(self, rows: IntArray) -> _Pairs:
        return _Pairs(self.x[rows], self.slope[rows], self.apart[rows], self.fwhm[rows])

    def evaluate(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Counts (B, N) and their derivatives (B, 7, N)."""
        first = theta[:, _PLACE]
        nothing = np.zeros((1, 1, 1))
        terms = doublet_terms(
            self.x,
            np.stack([first, first + self.apart], axis=1)[:, :, None],
            (self.fwhm * theta[:, _WIDTH])[:, None, None],
            theta[:, _LORENTZ, None, None],
            nothing,
            nothing,
        )
        slopes = np.empty((theta.shape[0], theta.shape[1], self.x.shape[2]))
        slopes[:, :2] = terms.value
        slopes[:, _LEVEL], slopes[:, _SLOPE] = 1.0, self.slope
        model = np.matmul(theta[:, None, :_LINEAR], slopes[:, :_LINEAR])[:, 0]
        areas = theta[:, None, :2]
        slopes[:, _PLACE] = np.matmul(areas, terms.by_place)[:, 0]
        slopes[:, _WIDTH] = np.matmul(areas, terms.by_fwhm)[:, 0] * self.fwhm[:, None]
        slopes[:, _LORENTZ] = np.matmul(areas, terms.by_lorentz)[:, 0]
        return model, slopes
