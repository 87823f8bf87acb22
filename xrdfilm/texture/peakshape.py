"""Shape of a peak on ω, φ and χ scans: a pseudo-Voigt folded with what the optics let in.

In the scattering plane that is the box of the divergence, swept by ω and φ; across it the window
of the axial apertures, a triangle, swept by χ.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erf

from xrdfilm._typing import FloatArray
from xrdfilm.intensity.optics import Axial

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


def _twice_integrated(z: FloatArray, lorentz_fraction: float) -> FloatArray:
    """Integral of `_cumulative`, up to a constant."""
    sigma = 1.0 / FWHM_PER_SIGMA
    gauss = 0.5 * z * erf(z / (np.sqrt(2.0) * sigma))
    gauss += sigma / np.sqrt(2.0 * np.pi) * np.exp(-0.5 * (z / sigma) ** 2)
    lorentz = (z * np.arctan(2.0 * z) - 0.25 * np.log1p(4.0 * z**2)) / np.pi
    return np.asarray((1.0 - lorentz_fraction) * gauss + lorentz_fraction * lorentz)


def axially_folded_peak(
    x_deg: ArrayLike,
    centre_deg: float,
    fwhm_deg: float,
    lorentz_fraction: float,
    *,
    half_base_deg: float,
    axial: Axial = "apertures",
) -> FloatArray:
    """Unit-area peak at ``x_deg`` (N,): pseudo-Voigt folded with the axial window; (N,).

    ``half_base_deg`` is a = D/(2 sinθ), the half base of the triangle that two apertures make; a
    blade stack in place of one or both widens it (`xrdfilm.intensity.window.axial_window`).
    """
    x = np.asarray(x_deg, dtype=float) - centre_deg
    base = half_base_deg / fwhm_deg
    if base < 1e-3:
        return _density(x / fwhm_deg, lorentz_fraction) / fwhm_deg
    # what the window is beside the triangle: nothing, a box as wide as a, or another triangle
    moves, weights = _BEYOND_TRIANGLE[axial]
    z = x / fwhm_deg
    folded = np.zeros_like(z)
    for move, weight in zip(moves, weights, strict=True):
        at = z - move * base
        second = _twice_integrated(at + base, lorentz_fraction)
        second += _twice_integrated(at - base, lorentz_fraction)
        second -= 2.0 * _twice_integrated(at, lorentz_fraction)
        folded += weight * second
    return np.asarray(folded / (base**2 * fwhm_deg))


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(10)
_HALF = 0.5 * (1.0 + _NODES)
_BEYOND_TRIANGLE: dict[Axial, tuple[FloatArray, FloatArray]] = {
    "apertures": (np.zeros(1), np.ones(1)),
    "one_stack": (0.5 * _NODES, 0.5 * _WEIGHTS),
    "two_stacks": (
        np.concatenate([-_HALF, _HALF]),
        np.tile(0.5 * _WEIGHTS * (1.0 - _HALF), 2),
    ),
}
"""Places, in units of a, and weights of the triangles that make up the axial window."""
