"""Shape of a peak on ω, φ and χ scans: a pseudo-Voigt folded with the box of the divergence."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erf

from xrdfilm._typing import FloatArray

FWHM_PER_SIGMA = float(2.0 * np.sqrt(2.0 * np.log(2.0)))
_GAUSS_BREADTH = float(0.5 * np.sqrt(np.pi / np.log(2.0)))  # integral breadth over FWHM
_LORENTZ_BREADTH = float(np.pi / 2.0)


def integral_breadth(fwhm: float, lorentz_fraction: float) -> float:
    """Area over height of a pseudo-Voigt of this FWHM, in the unit of ``fwhm``.

    ``lorentz_fraction`` is the Lorentzian's share of the area, 0 to 1.
    """
    height = (1.0 - lorentz_fraction) / _GAUSS_BREADTH + lorentz_fraction / _LORENTZ_BREADTH
    return float(fwhm / height)


def _cumulative(z: FloatArray, lorentz_fraction: float) -> FloatArray:
    """Integral from 0 to z of a unit-area pseudo-Voigt of FWHM 1 about 0 (odd in z)."""
    gauss = 0.5 * erf(z * FWHM_PER_SIGMA / np.sqrt(2.0))
    lorentz = np.arctan(2.0 * z) / np.pi
    return np.asarray((1.0 - lorentz_fraction) * gauss + lorentz_fraction * lorentz)


def _density(z: FloatArray, lorentz_fraction: float) -> FloatArray:
    gauss = np.exp(-4.0 * np.log(2.0) * z**2) / _GAUSS_BREADTH
    lorentz = 1.0 / (1.0 + 4.0 * z**2) / _LORENTZ_BREADTH
    return np.asarray((1.0 - lorentz_fraction) * gauss + lorentz_fraction * lorentz)


def folded_peak(
    x_deg: ArrayLike,
    centre_deg: float,
    fwhm_deg: float,
    lorentz_fraction: float,
    *,
    box_deg: float = 0.0,
    asymmetry: float = 0.0,
) -> FloatArray:
    """Unit-area peak at ``x_deg`` (N,): pseudo-Voigt of ``fwhm_deg`` folded with a box; (N,).

    ``box_deg`` is the full width of the box, ``asymmetry`` (w_right − w_left)/(w_right + w_left)
    of the half widths, −1 to 1 exclusive.
    """
    x = np.asarray(x_deg, dtype=float) - centre_deg
    wide = {False: fwhm_deg * (1.0 - asymmetry), True: fwhm_deg * (1.0 + asymmetry)}

    def scaled(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        width = np.where(at > 0.0, wide[True], wide[False])
        return at / width, width / fwhm_deg

    if box_deg < 1e-3 * fwhm_deg:
        return _density(scaled(x)[0], lorentz_fraction) / fwhm_deg
    z_up, share_up = scaled(x + 0.5 * box_deg)
    z_down, share_down = scaled(x - 0.5 * box_deg)
    above = share_up * _cumulative(z_up, lorentz_fraction)
    below = share_down * _cumulative(z_down, lorentz_fraction)
    return np.asarray((above - below) / box_deg)
