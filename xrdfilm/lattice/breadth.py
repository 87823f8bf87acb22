"""Breadths of lines: the instrument's share and the sample's.

All breadths are in degrees of 2θ in public names. A line is a Voigt function (or the pseudo-Voigt
that stands for it); its Lorentzian parts add linearly, its Gaussian parts in squares, so the
instrument is taken off part by part. What is left is the sample's integral breadth β (area/height);
`xrdfilm.lattice.size_strain` makes size and strain of it.

Sources: G. Caglioti, A. Paoletti, F. P. Ricci, Nucl. Instrum. 3 (1958) 223; T. H. de Keijser,
J. I. Langford, E. J. Mittemeijer, A. B. P. Vogels, J. Appl. Cryst. 15 (1982) 308; P. Thompson,
D. E. Cox, J. B. Hastings, J. Appl. Cryst. 20 (1987) 79 (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import chdtrc, voigt_profile

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError

# Standard uncertainty of a Lorentz fraction that was held in the fit (common practice, no source)
LORENTZ_FRACTION_SIGMA = 0.03
# Of a fitted one it follows from that of the width: counting leaves a pseudo-Voigt's fraction η
# 2 − 0.8η times as uncertain as its relative width, with a correlation of −0.5 − 0.35η. Straight
# lines through the inverse information matrix of a line with 8 FWHM of room either side, on a
# background of 1 % of its height (0.1 % and 10 % change the first by −20 % and +40 %)
_FRACTION_TO_WIDTH = (2.0, -0.8)
_FRACTION_AGAINST_WIDTH = (-0.5, -0.35)
# A pseudo-Voigt stands for a Voigt function to about so much of its fraction (by simulation)
_FRACTION_MODEL_SIGMA = 0.01
_GAUSS_FWHM = 2.0 * np.sqrt(2.0 * np.log(2.0))  # FWHM / sigma
_GAUSS_INTEGRAL = float(np.sqrt(np.pi / np.log(2.0)) / 2.0)  # integral breadth / FWHM, 1.0645
_LORENTZ_INTEGRAL = float(np.pi / 2.0)  # 1.5708


def voigt_parts(
    fwhm_deg: FloatArray | float, lorentz_fraction: FloatArray | float
) -> tuple[FloatArray, FloatArray]:
    """Gaussian and Lorentzian FWHM of the Voigt function that a pseudo-Voigt stands for.

    Inverse of the series of Thompson, Cox and Hastings (1987); same shapes as the input.
    """
    width = np.asarray(fwhm_deg, dtype=float)
    eta = np.clip(np.asarray(lorentz_fraction, dtype=float), 0.0, 1.0)
    lorentz = 0.72928 * eta + 0.19289 * eta**2 + 0.07783 * eta**3
    gauss = np.sqrt(np.maximum(1.0 - 0.74417 * eta - 0.24781 * eta**2 - 0.00810 * eta**3, 0.0))
    return np.asarray(width * gauss), np.asarray(width * lorentz)


def voigt_fwhm(gauss_fwhm_deg: FloatArray, lorentz_fwhm_deg: FloatArray) -> FloatArray:
    """FWHM of a Voigt function; any shape (Thompson, Cox, Hastings 1987, within 0.02 %)."""
    g, l = np.asarray(gauss_fwhm_deg), np.asarray(lorentz_fwhm_deg)  # noqa: E741
    fifth = g**5 + 2.69269 * g**4 * l + 2.42843 * g**3 * l**2 + 4.47163 * g**2 * l**3
    return np.asarray((fifth + 0.07842 * g * l**4 + l**5) ** 0.2)


def voigt_integral_breadth(
    gauss_fwhm_deg: FloatArray | float, lorentz_fwhm_deg: FloatArray | float
) -> FloatArray:
    """Integral breadth of a Voigt function, any shape: 1 / height at unit area, exact."""
    gauss, lorentz = np.broadcast_arrays(
        np.asarray(gauss_fwhm_deg, dtype=float), np.asarray(lorentz_fwhm_deg, dtype=float)
    )
    total = gauss + lorentz
    safe = np.where(total > 0.0, total, 1.0)
    height = voigt_profile(0.0, gauss / safe / _GAUSS_FWHM, lorentz / safe / 2.0)
    return np.asarray(np.where(total > 0.0, safe / height, 0.0))


@dataclass(frozen=True, slots=True)
class InstrumentCurve:
    """FWHM and Lorentz fraction of the instrument against 2θ, from the lines of a standard.

    ``form``: "caglioti" (FWHM² = U tan²θ + V tanθ + W, ``coefficients`` U, V, W in deg²) or
    "smooth" (FWHM² a parabola in 2θ, where Caglioti's form does not fit or turns negative).
    ``covariance``, shape (3, 3): of the coefficients. ``lorentz``: intercept and slope of the
    Lorentz fraction against 2θ. ``low_deg``, ``high_deg``: range of the standard's lines.
    """

    form: Literal["caglioti", "smooth"]
    coefficients: FloatArray
    covariance: FloatArray
    lorentz: tuple[float, float]
    low_deg: float
    high_deg: float
    chi_square: float
    degrees_of_freedom: int

    def fwhm_deg(self, two_theta_deg: FloatArray | float) -> FloatArray:
        """FWHM in degrees, same shape."""
        angle = np.asarray(two_theta_deg, dtype=float)
        squared = _width_columns(self.form, angle) @ self.coefficients
        return np.asarray(np.sqrt(np.maximum(squared, 1e-12)))

    def fwhm_sigma_deg(self, two_theta_deg: FloatArray | float) -> FloatArray:
        """Standard uncertainty of `fwhm_deg`, same shape."""
        angle = np.asarray(two_theta_deg, dtype=float)
        columns = _width_columns(self.form, angle)
        variance = np.einsum("...i,ij,...j->...", columns, self.covariance, columns)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)) / (2.0 * self.fwhm_deg(angle)))

    def lorentz_fraction(self, two_theta_deg: FloatArray | float) -> FloatArray:
        """Lorentz fraction of the pseudo-Voigt, 0..1, same shape."""
        angle = np.asarray(two_theta_deg, dtype=float)
        return np.asarray(np.clip(self.lorentz[0] + self.lorentz[1] * angle, 0.0, 1.0))

    def covers(self, two_theta_deg: float, margin_deg: float = 5.0) -> bool:
        """Whether the standard had lines on both sides, or nearly so."""
        return self.low_deg - margin_deg <= two_theta_deg <= self.high_deg + margin_deg


def _width_columns(form: str, two_theta_deg: FloatArray) -> FloatArray:
    if form == "caglioti":
        t = np.tan(np.radians(two_theta_deg) / 2.0)
        return np.stack([t**2, t, np.ones_like(t)], axis=-1)
    x = two_theta_deg / 100.0
    return np.stack([x**2, x, np.ones_like(x)], axis=-1)


def fit_instrument_curve(
    two_theta_deg: FloatArray,
    fwhm_deg: FloatArray,
    fwhm_sigma_deg: FloatArray,
    lorentz_fraction: FloatArray | float = 0.5,
) -> InstrumentCurve:
    """The instrument curve from the lines of a standard without size or strain; shapes (N,).

    Caglioti's form where it stays positive over the range and fits; else a smooth curve if that
    fits better. Needs four lines (CannotTellError). The covariance is widened by the scatter.
    """
    angle, width, sigma = (
        np.asarray(v, dtype=float) for v in (two_theta_deg, fwhm_deg, fwhm_sigma_deg)
    )
    if angle.size < 4:
        raise CannotTellError(
            f"{angle.size} lines of the standard do not make an instrument curve; at least 4 over "
            "the range of the film's lines are needed"
        )
    order = np.argsort(angle)
    angle, width, sigma = angle[order], width[order], sigma[order]
    eta = np.broadcast_to(np.asarray(lorentz_fraction, dtype=float), order.shape)[order]
    best: InstrumentCurve | None = None
    for form in ("caglioti", "smooth"):
        columns = _width_columns(form, angle) / (2.0 * width * sigma)[:, None]
        inverse = np.linalg.inv(columns.T @ columns)
        coefficients = inverse @ (columns.T @ (width**2 / (2.0 * width * sigma)))
        grid = _width_columns(form, np.linspace(angle[0], angle[-1], 200)) @ coefficients
        fitted = np.sqrt(np.maximum(_width_columns(form, angle) @ coefficients, 1e-12))
        chi_square = float(np.sum(((width - fitted) / sigma) ** 2))
        freedom = angle.size - 3
        if chdtrc(freedom, chi_square) < 0.01:
            inverse = inverse * chi_square / freedom
        curve = InstrumentCurve(
            "caglioti" if form == "caglioti" else "smooth",
            coefficients,
            inverse,
            _straight_line(angle, eta),
            float(angle[0]),
            float(angle[-1]),
            chi_square,
            freedom,
        )
        if np.min(grid) <= 0.0:
            continue
        # the form of the textbooks unless the data speak clearly for the other
        if best is None or chi_square < 0.5 * best.chi_square:
            best = curve
        if chdtrc(freedom, best.chi_square) > 0.05:
            break
    if best is None:
        raise CannotTellError(
            "no smooth curve goes through the standard's widths; check that the lines are those of "
            "one standard and not blends"
        )
    return best


def _straight_line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    slope, intercept = np.polyfit(x, y, 1)
    return float(intercept), float(slope)


@dataclass(frozen=True, slots=True)
class SampleBreadth:
    """What the sample adds to the breadth of one line, in degrees of 2θ.

    ``integral_deg`` and its standard uncertainty; ``gauss_fwhm_deg``, ``lorentz_fwhm_deg``: its
    parts. ``resolved`` is False where the line is no broader than the instrument allows for.
    """

    two_theta_deg: float
    integral_deg: float
    sigma_deg: float
    gauss_fwhm_deg: float
    lorentz_fwhm_deg: float
    resolved: bool


def sample_breadth(
    two_theta_deg: float,
    fwhm_deg: float,
    fwhm_sigma_deg: float,
    lorentz_fraction: float,
    instrument: InstrumentCurve,
    *,
    lorentz_fraction_sigma: float | None = None,
) -> SampleBreadth:
    """The sample's breadth of a line: the instrument taken off part by part.

    Lorentzian FWHM are subtracted, Gaussian FWHM in squares; a part that comes out negative is
    kept signed, so that breadths near zero average to zero. The uncertainty carries the line's
    width, its Lorentz fraction and the instrument curve. ``lorentz_fraction_sigma`` None: the
    fraction was fitted along with the width; a number: it is known to that, whatever the width.
    """
    against = model = 0.0
    if lorentz_fraction_sigma is None:
        eta = float(np.clip(lorentz_fraction, 0.0, 1.0))
        ratio = _FRACTION_TO_WIDTH[0] + _FRACTION_TO_WIDTH[1] * eta
        lorentz_fraction_sigma = ratio * fwhm_sigma_deg / fwhm_deg
        against = _FRACTION_AGAINST_WIDTH[0] + _FRACTION_AGAINST_WIDTH[1] * eta
        model = _FRACTION_MODEL_SIGMA / max(lorentz_fraction_sigma, 1e-9)
    angle = np.array(two_theta_deg)
    inputs = np.array([fwhm_deg, lorentz_fraction, float(instrument.fwhm_deg(angle))], dtype=float)
    sigmas = np.array(
        [fwhm_sigma_deg, lorentz_fraction_sigma, float(instrument.fwhm_sigma_deg(angle))]
    )
    instrument_eta = float(instrument.lorentz_fraction(angle))

    def breadth(values: FloatArray) -> tuple[float, float, float]:
        g, l = voigt_parts(values[0], values[1])  # noqa: E741
        gi, li = voigt_parts(values[2], instrument_eta)
        squared = float(g**2 - gi**2)
        gauss = float(np.sign(squared) * np.sqrt(abs(squared)))
        lorentz = float(l - li)
        size = float(voigt_integral_breadth(abs(gauss), abs(lorentz)))
        # signed by the part that weighs more
        sign = np.sign(gauss * abs(gauss) + lorentz * abs(lorentz))
        return float(sign) * size, gauss, lorentz

    value, gauss, lorentz = breadth(inputs)
    steps = np.zeros(3)
    for i, sigma in enumerate(sigmas):
        if sigma > 0.0:
            up, down = inputs.copy(), inputs.copy()
            up[i] += sigma
            down[i] -= sigma
            steps[i] = (breadth(up)[0] - breadth(down)[0]) / 2.0
    variance = float(steps @ steps + 2.0 * against * steps[0] * steps[1])
    variance += (model * steps[1]) ** 2
    sigma_total = float(np.sqrt(max(variance, 0.0)))
    return SampleBreadth(
        float(two_theta_deg), value, sigma_total, gauss, lorentz, value > 2.0 * sigma_total
    )
