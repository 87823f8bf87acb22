"""Line profiles of unit area and their analytic derivatives.

A reflection is a pair of pseudo-Voigt peaks, K-alpha1 and K-alpha2: one lattice spacing, two
wavelengths, so their separation follows from Bragg's law and grows with the angle; their areas
stand in a fixed ratio. A monochromatic beam, a K-beta ghost or a tungsten line has one peak only
(share 0).

The pseudo-Voigt is a sum of a Lorentzian and a Gaussian of one full width at half maximum (FWHM),
``lorentz_fraction`` being the share of the area (not of the height) in the Lorentzian:
Wertheim, Butler, West and Buchanan, Rev. Sci. Instrum. 45 (1974) 1369. At low angles axial
divergence draws a line out to the low side; ``skew`` makes the low half wider by 1 + skew and the
high half narrower by 1 - skew, which leaves area and FWHM as they are (split pseudo-Voigt of
common height: Toraya, J. Appl. Cryst. 23 (1990) 485, from memory).

All angles are degrees of 2θ; profiles are per degree, so that area × profile is counts a point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray

_LN2 = float(np.log(2.0))
_GAUSS = 2.0 * float(np.sqrt(_LN2 / np.pi))  # height × FWHM of a Gaussian of unit area
_LORENTZ = 2.0 / float(np.pi)  # the same of a Lorentzian
_NOTHING = -700.0  # exponent of a Gaussian's far tail: it must not underflow, which is slow


@dataclass(frozen=True, slots=True)
class ProfileTerms:
    """Profiles and derivatives, each of the broadcast shape of x and the parameters.

    ``value`` in 1/deg; ``by_place`` and ``by_fwhm`` in 1/deg²; ``by_lorentz`` in 1/deg;
    ``by_skew`` in 1/deg, None where no skew was given.
    """

    value: FloatArray
    by_place: FloatArray
    by_fwhm: FloatArray
    by_lorentz: FloatArray
    by_skew: FloatArray | None


def second_place(
    place_deg: FloatArray, wavelength_ratio: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Place of K-alpha2 for a K-alpha1 place, any shape, and its derivative by that place.

    ``wavelength_ratio`` is K-alpha2 over K-alpha1. Where no K-alpha2 reflection exists any more
    (sinθ would pass 1) the place is 180°.
    """
    half = np.radians(place_deg) / 2.0
    sine = np.minimum(np.sin(half) * wavelength_ratio, 1.0)
    second = np.degrees(2.0 * np.arcsin(sine))
    cosine = np.sqrt(np.maximum(1.0 - sine * sine, 1e-12))
    return second, wavelength_ratio * np.cos(half) / cosine


def pseudo_voigt(
    two_theta_deg: FloatArray,
    place_deg: FloatArray | float,
    fwhm_deg: FloatArray | float,
    lorentz_fraction: FloatArray | float,
    skew: FloatArray | float = 0.0,
) -> FloatArray:
    """One peak of unit area, in 1/deg; arguments broadcast."""
    x, place, fwhm, eta = (
        np.asarray(v, dtype=float) for v in (two_theta_deg, place_deg, fwhm_deg, lorentz_fraction)
    )
    tilt = np.asarray(skew, dtype=float)
    return np.asarray(
        _peak_value(x, place, 1.0 / fwhm, eta, np.array(1.0), tilt if np.any(tilt) else None)
    )


def doublet(
    two_theta_deg: FloatArray,
    place_deg: FloatArray,
    fwhm_deg: FloatArray,
    lorentz_fraction: FloatArray,
    wavelength_ratio: FloatArray,
    second_share: FloatArray,
    skew: FloatArray | None = None,
) -> FloatArray:
    """K-alpha1 + K-alpha2 of unit total area, in 1/deg; arguments broadcast.

    ``second_share`` is the area ratio K-alpha2 : K-alpha1 (0 for a single line).
    """
    first = 1.0 / (1.0 + second_share)
    inverse = 1.0 / fwhm_deg
    one = _peak_value(two_theta_deg, place_deg, inverse, lorentz_fraction, first, skew)
    if not np.any(second_share):
        return one
    other, _ = second_place(place_deg, wavelength_ratio)
    one += _peak_value(two_theta_deg, other, inverse, lorentz_fraction, first * second_share, skew)
    return one


def doublet_terms(
    two_theta_deg: FloatArray,
    place_deg: FloatArray,
    fwhm_deg: FloatArray,
    lorentz_fraction: FloatArray,
    wavelength_ratio: FloatArray,
    second_share: FloatArray,
    skew: FloatArray | None = None,
) -> ProfileTerms:
    """The doublet of unit area with its derivatives by place, FWHM, Lorentz fraction and skew.

    Arguments broadcast; in the fits x has shape (B, 1, N) and the parameters (B, L, 1). This is
    the innermost kernel of every fit: it works in place on few temporaries.
    """
    first = 1.0 / (1.0 + second_share)
    inverse = 1.0 / fwhm_deg
    lorentz, gauss, slope, stretch, lean = _peak_parts(
        two_theta_deg, place_deg, inverse, lorentz_fraction, first, skew
    )
    if np.any(second_share):
        other, drift = second_place(place_deg, wavelength_ratio)
        lorentz2, gauss2, slope2, stretch2, lean2 = _peak_parts(
            two_theta_deg, other, inverse, lorentz_fraction, first * second_share, skew
        )
        lorentz += lorentz2
        gauss += gauss2
        slope2 *= drift
        slope += slope2
        stretch += stretch2
        if lean is not None and lean2 is not None:
            lean += lean2
    by_lorentz = np.subtract(lorentz, gauss, out=lorentz)
    value = by_lorentz * lorentz_fraction
    value += gauss
    stretch -= value
    stretch *= inverse
    slope *= 2.0 * inverse
    return ProfileTerms(value, slope, stretch, by_lorentz, lean)


def _peak_value(
    x: FloatArray,
    place: FloatArray,
    inverse: FloatArray,
    eta: FloatArray,
    area: FloatArray,
    skew: FloatArray | None,
) -> FloatArray:
    """One peak of area ``area``; ``inverse`` is 1/fwhm."""
    square = x - place
    if skew is not None:
        square = square / np.where(square < 0.0, 1.0 + skew, 1.0 - skew)
    square = square * (2.0 * inverse)
    square *= square
    gauss = np.exp(np.maximum(square * -_LN2, _NOTHING))
    gauss = gauss * ((1.0 - eta) * _GAUSS * area * inverse)
    square = square + 1.0
    gauss += (eta * _LORENTZ * area * inverse) / square
    return np.asarray(gauss)


def _peak_parts(
    x: FloatArray,
    place: FloatArray,
    inverse: FloatArray,
    eta: FloatArray,
    area: FloatArray,
    skew: FloatArray | None,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray | None]:
    """Parts of one peak of area ``area`` with u = 2 (x - place)/(fwhm · side).

    Returns Lorentzian l and Gaussian g of that area, q = -df/du of their mix f = η l + (1-η) g
    (over the side), u·q, and the derivative of f by skew. ``inverse`` is 1/fwhm.
    """
    u = x - place
    if skew is None:
        side = None
        u *= 2.0 * inverse
    else:
        low = u < 0.0
        side = np.where(low, 1.0 + skew, 1.0 - skew)
        u *= 2.0 * inverse
        u /= side
    square = u * u
    gauss = square * -_LN2
    np.maximum(gauss, _NOTHING, out=gauss)
    np.exp(gauss, out=gauss)
    gauss *= (_GAUSS * area) * inverse
    square += 1.0
    lorentz = np.divide((_LORENTZ * area) * inverse, square)
    slope = np.divide(lorentz, square, out=square)
    slope *= 2.0 * eta
    slope += gauss * (2.0 * (1.0 - eta) * _LN2)
    slope *= u
    u *= slope
    if side is None:
        return lorentz, gauss, slope, u, None
    lean = u * np.where(low, 1.0, -1.0) / side
    return lorentz, gauss, slope / side, u, lean
