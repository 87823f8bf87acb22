"""Is a line there, and how small a line could have been seen: forced fits and Currie's limits.

At a given place with a given shape only the area is open, so the fit is linear in areas and
background and the area may come out negative. The limits are those of Currie, Anal. Chem. 40
(1968) 586 (thinking of ISO 11929), carried from two counting channels to the linear estimator
a = Σ c_i y_i of the fit: its variance and third cumulant follow from the counts expected with and
without the line,

    Var(a | A) = Σ c_i² (b_i + A p_i)      κ₃(a | A) = Σ c_i³ (b_i + A p_i),

with the real local background b under the line and its fitted uncertainty inside c. With the
third cumulant zero the limits are Currie's; with it (Pearson type III quantiles) false alarms
keep their rate down to a few counts under the line.

Public entry points:

    fit_at_places(two_theta_deg (N,), counts (N,) or (S, N), places_deg (L,), fwhm_deg (L,) or
        float, lorentz_fraction (L,) or float, radiation, low_deg, high_deg,
        background_degree=1, sigma=None, *, known=None, doublets=None, excluded=(), skew=None)
        -> ForcedFit
    decision_area(fit, alpha=0.05)            -> (..., L)
    detection_area(fit, alpha=0.05, beta=0.05) -> (..., L)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammaincinv, ndtri

from xrdfilm._typing import BoolArray, FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.fitting.linear_fit import BlankMoments, blank_moments, linear_fit, misfit_scale
from xrdfilm.fitting.profile import doublet

if TYPE_CHECKING:
    from xrdfilm.crystal.radiation import Radiation


@dataclass(frozen=True, slots=True)
class ForcedFit:
    """Areas fitted at given places; the leading shape is that of the counts without their axis.

    ``areas`` (..., L) in counts·deg, signed. ``covariance`` (..., L, L) belongs to them;
    ``covariance_blank`` (..., L, L) is what it would be if none of the lines that are not known
    were there. Both are widened where ``misfit`` says that the window holds something else.
    ``background`` (..., L) is the local background under each place in counts a point, and
    ``background_sum`` (..., L) the background counts within one FWHM of it.
    """

    places_deg: FloatArray
    areas: FloatArray
    covariance: FloatArray
    covariance_blank: FloatArray
    background: FloatArray
    background_sum: FloatArray
    chi_square: FloatArray
    dof: int
    misfit: BoolArray
    moments: BlankMoments

    @property
    def sigma(self) -> FloatArray:
        """Standard uncertainty of the areas, shape (..., L)."""
        return np.sqrt(np.diagonal(self.covariance, axis1=-2, axis2=-1))

    @property
    def sigma_blank(self) -> FloatArray:
        """Standard uncertainty of the areas of absent lines, shape (..., L)."""
        return np.sqrt(self.moments.variance)

    @property
    def significance(self) -> FloatArray:
        """Area over its standard uncertainty under the hypothesis of no line, shape (..., L)."""
        return self.areas / self.sigma_blank


def fit_at_places(
    two_theta_deg: FloatArray,
    counts: FloatArray,
    places_deg: FloatArray | Sequence[float],
    fwhm_deg: FloatArray | float,
    lorentz_fraction: FloatArray | float,
    radiation: Radiation,
    low_deg: float,
    high_deg: float,
    background_degree: int = 1,
    sigma: FloatArray | None = None,
    *,
    known: Sequence[bool] | None = None,
    doublets: Sequence[bool] | None = None,
    excluded: Sequence[tuple[float, float]] = (),
    skew: FloatArray | None = None,
) -> ForcedFit:
    """Fit signed areas at given places, with a local polynomial background, in one window.

    ``two_theta_deg`` (N,) ascending; ``counts`` (N,) or (S, N), of S scans at once; ``sigma`` of
    the shape of the counts, or None for Poisson counts. ``places_deg`` (L,) are K-alpha1 places
    as measured, ``fwhm_deg`` and ``lorentz_fraction`` (L,) or one number. ``known`` marks lines
    that are certainly there (a strong neighbour): the blank hypothesis keeps them. ``doublets``
    is False for a line of one wavelength only (K-beta). ``excluded`` are stretches left out.

    Poisson counts are fitted by maximum likelihood (weights 1/model, iterated), a line entering
    the weights only where it stands out, which keeps the estimate of an absent line linear in the
    counts and so unbiased. Raises CannotTellError when the window holds too few points.
    """
    x_all = np.asarray(two_theta_deg, dtype=float)
    keep = (x_all >= low_deg) & (x_all <= high_deg)
    for low, high in excluded:
        keep &= ~((x_all >= low) & (x_all <= high))
    x = x_all[keep]
    places = np.atleast_1d(np.asarray(places_deg, dtype=float))
    n_lines = places.size
    dof = x.size - n_lines - background_degree - 1
    if dof < 1:
        raise CannotTellError(
            f"the window {low_deg:.3f} to {high_deg:.3f}° holds {x.size} usable points, too few "
            f"for {n_lines} lines and a background of degree {background_degree}; widen it"
        )
    width = np.broadcast_to(np.asarray(fwhm_deg, dtype=float), places.shape)
    eta = np.broadcast_to(np.asarray(lorentz_fraction, dtype=float), places.shape)
    ratio, share = doublet_constants(radiation)
    pair = np.ones(n_lines, bool) if doublets is None else np.asarray(doublets, bool)
    shares = np.where(pair, share, 0.0)
    profiles = doublet(
        x,
        places[:, None],
        width[:, None],
        eta[:, None],
        np.full((n_lines, 1), ratio),
        shares[:, None],
        None if skew is None else np.broadcast_to(skew, places.shape)[:, None],
    )
    middle, half = (x[0] + x[-1]) / 2.0, max((x[-1] - x[0]) / 2.0, 1e-9)
    powers = np.arange(background_degree + 1)[:, None]
    basis = np.vstack([profiles, ((x - middle) / half) ** powers])
    under = ((places - middle) / half)[:, None] ** powers.T

    y_all = np.asarray(counts, dtype=float)
    y = np.atleast_2d(y_all)[:, keep]
    variance = None if sigma is None else np.square(np.atleast_2d(np.asarray(sigma))[:, keep])
    held = np.zeros(n_lines, bool) if known is None else np.asarray(known, bool)
    fit = linear_fit(basis[None], y, n_lines, variance, held)

    scale, misfit = misfit_scale(fit.chi_square, dof, fit.inverse_sum)
    background = fit.theta[:, n_lines:] @ under.T
    blank = blank_moments(
        basis[None], fit.theta, fit.covariance, n_lines, variance, held, fit.floor
    )
    moments = blank.moments
    factor = scale[:, None]
    moments = BlankMoments(
        moments.variance * factor,
        moments.variance_slope * factor,
        moments.third * factor**1.5,
        moments.third_slope * factor**1.5,
    )
    lead = y_all.shape[:-1]

    def shaped(values: FloatArray) -> FloatArray:
        return values.reshape(lead + values.shape[1:])

    step = float(np.median(np.diff(x)))
    return ForcedFit(
        places_deg=places,
        areas=shaped(fit.theta[:, :n_lines]),
        covariance=shaped(fit.covariance[:, :n_lines, :n_lines] * factor[..., None]),
        covariance_blank=shaped(blank.covariance * factor[..., None]),
        background=shaped(background),
        background_sum=shaped(background * width / step),
        chi_square=shaped(fit.chi_square),
        dof=dof,
        misfit=misfit.reshape(lead),
        moments=BlankMoments(
            shaped(moments.variance),
            shaped(moments.variance_slope),
            shaped(moments.third),
            shaped(moments.third_slope),
        ),
    )


def decision_area(fit: ForcedFit | BlankMoments, alpha: float = 0.05) -> FloatArray:
    """Currie's L_C, the area above which a line counts as seen, in counts·deg; shape (..., L).

    A blank exceeds it with probability ``alpha``.
    """
    moments = fit.moments if isinstance(fit, ForcedFit) else fit
    sigma = np.sqrt(moments.variance)
    return sigma * _quantile(1.0 - alpha, moments.third / sigma**3)


def detection_area(
    fit: ForcedFit | BlankMoments, alpha: float = 0.05, beta: float = 0.05
) -> FloatArray:
    """Currie's L_D, the true area that is missed with probability ``beta``, in counts·deg.

    A figure for planning and for upper claims ("no more than could have been there unseen");
    the decision line is L_C. Shape (..., L).
    """
    moments = fit.moments if isinstance(fit, ForcedFit) else fit
    decision = decision_area(moments, alpha)
    area = 2.0 * decision
    for _ in range(40):
        variance = moments.variance + area * moments.variance_slope
        sigma = np.sqrt(np.maximum(variance, 0.25 * moments.variance))
        skewness = (moments.third + area * moments.third_slope) / sigma**3
        following = decision - sigma * _quantile(beta, skewness)
        if np.allclose(following, area, rtol=1e-7, atol=0.0, equal_nan=True):
            return np.asarray(following)
        area = following
    return area


def doublet_constants(radiation: Radiation) -> tuple[float, float]:
    """Wavelength ratio K-alpha2 : K-alpha1 and their area ratio; (1, 0) for a single line."""
    if radiation.k_alpha2_A is None:
        return 1.0, 0.0
    return radiation.k_alpha2_A / radiation.k_alpha1_A, radiation.k_alpha2_share


def _quantile(probability: float, skewness: FloatArray) -> FloatArray:
    """Quantile of a Pearson type III law of mean 0 and variance 1, by its skewness."""
    z = float(ndtri(probability))
    skew = np.asarray(skewness, dtype=float)
    # Cornish and Fisher's expansion of the same law: off by some skew³/20
    out = z + skew * (z * z - 1.0) / 6.0 + np.square(skew) * (z**3 - 7.0 * z) / 144.0
    large = np.abs(skew) > 0.1
    if large.any():
        size = skew[large]
        shape = 4.0 / np.square(size)
        tail = np.where(size > 0, probability, 1.0 - probability)
        gamma = (gammaincinv(shape, tail) - shape) / np.sqrt(shape)
        out[large] = np.where(size > 0, gamma, -gamma)
    return np.asarray(out)
