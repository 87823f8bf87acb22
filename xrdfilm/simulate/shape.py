"""Line profiles of unit area, drawn into an array of expected counts.

Written apart from the profiles that the fit uses, so that a slip in one shows against the other.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy.special import voigt_profile

from xrdfilm._typing import FloatArray

_GAUSS = 2.0 * np.sqrt(np.log(2.0) / np.pi)  # height of a Gaussian of unit area and FWHM
_LORENTZ = 2.0 / np.pi
_SIGMA = 1.0 / (2.0 * np.sqrt(2.0 * np.log(2.0)))


def thompson_cox_hastings(
    gauss_deg: FloatArray, lorentz_deg: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """FWHM and Lorentzian share of the pseudo-Voigt for these two parts, shapes (N,).

    P. Thompson, D. E. Cox, J. B. Hastings, J. Appl. Cryst. 20 (1987) 79, equations from memory.
    """
    g, l = gauss_deg, lorentz_deg  # noqa: E741
    fifth = g**5 + 2.69269 * g**4 * l + 2.42843 * g**3 * l**2
    fifth = fifth + 4.47163 * g**2 * l**3 + 0.07842 * g * l**4 + l**5
    fwhm = fifth**0.2
    ratio = l / fwhm
    return fwhm, 1.36603 * ratio - 0.47719 * ratio**2 + 0.11116 * ratio**3


def draw_lines(
    two_theta_deg: FloatArray,
    centres_deg: FloatArray,
    areas: FloatArray,
    gauss_deg: FloatArray,
    lorentz_deg: FloatArray,
    shape: Literal["pseudo_voigt", "voigt"],
    negligible: float,
) -> FloatArray:
    """Sum of the lines on an ascending grid, shape (N,); the other arrays have shape (M,).

    A line's tails are drawn as far out as they exceed ``negligible`` (counts a point).
    """
    total = np.zeros_like(two_theta_deg)
    fwhm, lorentz_share = thompson_cox_hastings(gauss_deg, lorentz_deg)
    # a Lorentzian tail falls under the limit at sqrt(A w/(2π limit)); a Gaussian one by 4 widths
    reach = np.sqrt(areas * lorentz_share * fwhm / (2.0 * np.pi * negligible)) + 4.0 * fwhm
    height = areas * (lorentz_share * _LORENTZ + (1.0 - lorentz_share) * _GAUSS) / fwhm
    first = np.searchsorted(two_theta_deg, centres_deg - reach)
    last = np.searchsorted(two_theta_deg, centres_deg + reach)
    drawn = np.flatnonzero((height > negligible) & (last > first))
    for i in drawn:
        part = slice(first[i], last[i])
        x = two_theta_deg[part] - centres_deg[i]
        if shape == "voigt":
            total[part] += areas[i] * voigt_profile(x, gauss_deg[i] * _SIGMA, lorentz_deg[i] / 2.0)
            continue
        square = np.square(x / fwhm[i])
        lorentz = (areas[i] * lorentz_share[i] * _LORENTZ / fwhm[i]) / (1.0 + 4.0 * square)
        # beyond 3 widths the Gaussian is under 1e-10 of its top
        near = slice(*np.searchsorted(x, (-3.0 * fwhm[i], 3.0 * fwhm[i])))
        gauss_height = areas[i] * (1.0 - lorentz_share[i]) * _GAUSS / fwhm[i]
        lorentz[near] += gauss_height * np.exp(-4.0 * np.log(2.0) * square[near])
        total[part] += lorentz
    return total
