"""The orientation window: the share of grains that the optics let reflect.

A grain takes part in a coupled scan when the normal of the reflecting planes lies close enough to
the bisector of incident and diffracted beam. In the scattering plane "close enough" is a box as
wide as the divergence that falls on the sample; across it, the two axial apertures make a
triangle (their overlap, not a box). For random grains the window's share is the powder Lorentz
factor's 1/sinθ; for a film sharper than the window it is 1, the single crystal's.

Both closed forms here are checked by numerical integration over the sphere and by tracing rays
through the goniometer without any small-angle formula (benchmarks/raytrace.py).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erf

from xrdfilm._typing import FloatArray
from xrdfilm.intensity.optics import Axial, Optics, axial_half_base_rad, divergence_on_sample_rad

FWHM_PER_SIGMA = 2.0 * np.sqrt(2.0 * np.log(2.0))

# Area under the axial window over that of two apertures, each window 1 at its middle: B-splines
# of order 2, 3 and 4 (box with box, box with triangle, triangle with triangle of FWHM D).
_AXIAL_AREA: dict[Axial, float] = {"apertures": 1.0, "one_stack": 4.0 / 3.0, "two_stacks": 1.5}

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(32)
_FAR = 9.0  # standard deviations beyond which a Gaussian no longer counts in double precision


def axial_window(tilt_over_a: ArrayLike, axial: Axial = "apertures") -> FloatArray:
    """Transmission for a plane normal tilted out of the scattering plane, 1 at tilt 0.

    ``tilt_over_a`` is the tilt in units of a = D/(2 sinθ), any shape. Two apertures of full
    width D give a triangle; a stack of blades with a triangular transmission of FWHM D in place
    of one aperture, or of both, gives the box folded with the triangle, or the triangle with
    itself.
    """
    x = np.abs(np.asarray(tilt_over_a, dtype=float))
    if axial == "apertures":
        return np.asarray(np.maximum(0.0, 1.0 - x))
    if axial == "one_stack":  # quadratic B-spline, 3/4 at the middle
        inner = 0.75 - x**2
        outer = 0.5 * np.maximum(0.0, 1.5 - x) ** 2
        return np.asarray(np.where(x < 0.5, inner, outer) / 0.75)
    inner = 2.0 / 3.0 - x**2 + 0.5 * x**3  # cubic B-spline, 2/3 at the middle
    outer = np.maximum(0.0, 2.0 - x) ** 3 / 6.0
    return np.asarray(np.where(x < 1.0, inner, outer) / (2.0 / 3.0))


def window_random(
    two_theta_deg: ArrayLike,
    multiplicity: ArrayLike,
    optics: Optics,
    sample_length_mm: float,
) -> FloatArray:
    """Share of randomly oriented grains that reflect: m·δ'·a/(4π), dimensionless.

    ``multiplicity`` is m of the family; both arguments broadcast. m poles are spread over 4π,
    and the window has the solid angle δ' × (area of the axial window). Where nothing spills
    over, P/sin2θ times this is proportional to the powder factor P/(sin2θ sinθ).
    """
    box = divergence_on_sample_rad(two_theta_deg, optics, sample_length_mm)
    axial = axial_half_base_rad(two_theta_deg, optics) * _AXIAL_AREA[optics.axial]
    return np.asarray(np.asarray(multiplicity, dtype=float) * box * axial / (4.0 * np.pi))


def window_aligned(
    two_theta_deg: ArrayLike,
    mosaic_fwhm_deg: ArrayLike,
    optics: Optics,
    sample_length_mm: float,
    *,
    offset_deg: ArrayLike = 0.0,
) -> FloatArray:
    """Share of grains that reflect when this plane lies along the film normal, 0..1.

    ``mosaic_fwhm_deg`` is the full width at half maximum of the grains' tilts, Gaussian and the
    same in all directions (not of a measured rocking curve, which the divergence has widened);
    0 is a perfect crystal. ``offset_deg`` turns the sample about the goniometer axis out of the
    bisecting position, as a rocking scan does. All arguments broadcast.

    For two apertures, with u = a/(√2 σ):

        W = erf(δ'/(2√2 σ)) · [erf u − (1 − exp(−u²))/(√π u)]

    Broad mosaics tend to δ'a/(2πσ²), the random window times a pole density; narrow ones to 1.
    Multiply by the share of variants that put this plane along the normal. Raises ValueError
    for a negative mosaic.
    """
    fwhm = np.asarray(mosaic_fwhm_deg, dtype=float)
    if np.any(fwhm < 0.0):
        raise ValueError("the mosaic's full width must not be negative")
    sigma = np.radians(fwhm) / FWHM_PER_SIGMA
    box = divergence_on_sample_rad(two_theta_deg, optics, sample_length_mm)
    half_base = axial_half_base_rad(two_theta_deg, optics)
    offset = np.radians(np.asarray(offset_deg, dtype=float))
    return np.asarray(_box_share(box, sigma, offset) * _axial_share(half_base, sigma, optics.axial))


def _box_share(width: FloatArray, sigma: FloatArray, offset: FloatArray) -> FloatArray:
    """Share of a Gaussian centred at ``offset`` within ±width/2; sigma may be 0."""
    spread = np.maximum(sigma, 1e-12) * np.sqrt(2.0)
    return np.asarray(
        0.5 * (erf((0.5 * width - offset) / spread) + erf((0.5 * width + offset) / spread))
    )


def _axial_share(half_base: FloatArray, sigma: FloatArray, axial: Axial) -> FloatArray:
    """Mean of the axial window over a Gaussian of spread sigma about 0."""
    spread = np.maximum(sigma, 1e-12)
    if axial == "apertures":
        u = half_base / (np.sqrt(2.0) * spread)
        # for small u the bracket is u/√π: 2u − u, no loss of digits beyond a factor 2
        return np.asarray(erf(u) + np.expm1(-(u**2)) / (np.sqrt(np.pi) * u))
    # The B-splines are smooth enough for Gauss–Legendre on each span between their knots.
    half_base, spread = np.broadcast_arrays(half_base, spread)
    knots = (0.0, 0.5, 1.5) if axial == "one_stack" else (0.0, 1.0, 2.0)
    share = np.zeros(half_base.shape)
    far = _FAR * spread / half_base
    for low, high in pairwise(knots):
        top = np.minimum(high, np.maximum(far, low))
        half = 0.5 * (top - low)
        x = low + half[..., None] * (1.0 + _NODES)
        density = np.exp(-0.5 * (x * (half_base / spread)[..., None]) ** 2)
        share += half * np.sum(_WEIGHTS * axial_window(x, axial) * density, axis=-1)
    return np.asarray(share * 2.0 * half_base / (spread * np.sqrt(2.0 * np.pi)))


def rocking_fwhm_deg(
    two_theta_deg: float, mosaic_fwhm_deg: float, optics: Optics, sample_length_mm: float
) -> float:
    """Full width at half maximum that a rocking scan shows for a mosaic of this width.

    The divergence on the sample is a box folded into the Gaussian: 0.3° of mosaic shows as
    0.52° at δ' = 0.5°. Solved by bisection to 1e-6 of the width; the detector takes in the whole
    line.
    """
    from scipy.optimize import brentq

    box = float(divergence_on_sample_rad(two_theta_deg, optics, sample_length_mm))
    sigma = np.radians(mosaic_fwhm_deg) / FWHM_PER_SIGMA
    if sigma < 1e-6 * box:
        return float(np.degrees(box))
    middle = float(_box_share(np.array(box), np.array(sigma), np.array(0.0)))

    def above_half(offset: float) -> float:
        return float(_box_share(np.array(box), np.array(sigma), np.array(offset))) - middle / 2

    edge = brentq(above_half, 0.0, box + 6.0 * sigma, rtol=1e-8)
    return float(2.0 * np.degrees(edge))


def mosaic_from_rocking_fwhm_deg(
    two_theta_deg: float, rocking_fwhm_deg_: float, optics: Optics, sample_length_mm: float
) -> float:
    """Mosaic FWHM behind a measured rocking width; 0 where the divergence alone explains it."""
    from scipy.optimize import brentq

    box = np.degrees(float(divergence_on_sample_rad(two_theta_deg, optics, sample_length_mm)))
    if rocking_fwhm_deg_ <= box:
        return 0.0

    def too_wide(mosaic: float) -> float:
        shown = rocking_fwhm_deg(two_theta_deg, mosaic, optics, sample_length_mm)
        return shown - rocking_fwhm_deg_

    return float(brentq(too_wide, 0.0, rocking_fwhm_deg_, rtol=1e-8))
