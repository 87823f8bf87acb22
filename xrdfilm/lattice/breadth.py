"""Breadths of lines: the instrument's share, size and microstrain.

All breadths are in degrees of 2θ in public names. A line is a Voigt function (or the pseudo-Voigt
that stands for it); its Lorentzian parts add linearly, its Gaussian parts in squares, so the
instrument is taken off part by part. What is left is the sample's integral breadth β (area/height):

    Scherrer          size = K λ / (β cosθ)      K = 1 for β, 0.886 for the FWHM
    Williamson-Hall   β cosθ = K λ / size + 4 ε sinθ

Sizes are volume-weighted mean lengths along the plane normal, ε is the upper-limit strain. On the
(00l) orders of a film the size saturates at the film's thickness: it is then no grain size.

Sources: G. Caglioti, A. Paoletti, F. P. Ricci, Nucl. Instrum. 3 (1958) 223; P. Scherrer, Göttinger
Nachr. 26 (1918) 98; G. K. Williamson, W. H. Hall, Acta Metall. 1 (1953) 22; T. H. de Keijser,
J. I. Langford, E. J. Mittemeijer, A. B. P. Vogels, J. Appl. Cryst. 15 (1982) 308; P. Thompson,
D. E. Cox, J. B. Hastings, J. Appl. Cryst. 20 (1987) 79 (all from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import chdtrc, ndtri, voigt_profile

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_normal

BreadthDefinition = Literal["integral", "fwhm"]
# K of the Scherrer formula for a stack of planes of even thickness: β exactly 1, FWHM 0.8859
SCHERRER_K: dict[BreadthDefinition, float] = {"integral": 1.0, "fwhm": 0.8859}
# Scatter of K over crystallite shapes (sphere 1.07, cube 1.0-1.15 on the integral breadth, from
# memory: J. I. Langford, A. J. C. Wilson, J. Appl. Cryst. 11 (1978) 102), for the model's share
SCHERRER_K_SIGMA = 0.05
# Standard uncertainty of a fitted Lorentz fraction where none is given (strong lines, simulation)
LORENTZ_FRACTION_SIGMA = 0.03
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
    lorentz_fraction_sigma: float = LORENTZ_FRACTION_SIGMA,
) -> SampleBreadth:
    """The sample's breadth of a line: the instrument taken off part by part.

    Lorentzian FWHM are subtracted, Gaussian FWHM in squares; a part that comes out negative is
    kept signed, so that breadths near zero average to zero. The uncertainty carries the line's
    width, its Lorentz fraction and the instrument curve.
    """
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
    variance = 0.0
    for i, sigma in enumerate(sigmas):
        if sigma > 0.0:
            up, down = inputs.copy(), inputs.copy()
            up[i] += sigma
            down[i] -= sigma
            variance += ((breadth(up)[0] - breadth(down)[0]) / 2.0) ** 2
    sigma_total = float(np.sqrt(variance))
    return SampleBreadth(
        float(two_theta_deg), value, sigma_total, gauss, lorentz, value > 2.0 * sigma_total
    )


@dataclass(frozen=True, slots=True)
class SizeEstimate:
    """A crystallite size in nm with the K and the definition of breadth it rests on."""

    size_nm: Estimate
    k: float
    definition: BreadthDefinition
    notes: tuple[str, ...] = ()


def scherrer(
    breadth_deg: float,
    sigma_deg: float,
    two_theta_deg: float,
    wavelength_A: float,
    *,
    k: float | None = None,
    k_sigma: float = SCHERRER_K_SIGMA,
    definition: BreadthDefinition = "integral",
    thickness_nm: float | None = None,
    level: float = DEFAULT_LEVEL,
) -> SizeEstimate:
    """Size K λ/(β cosθ) in nm from a breadth that is the sample's alone.

    ``definition`` says whether ``breadth_deg`` is an integral breadth or a FWHM; K defaults to the
    value of a stack of planes for that definition. A breadth that is not clearly above zero gives
    a lower limit of the size only. ``thickness_nm``: of the film, for (00l) lines.
    """
    factor = SCHERRER_K[definition] if k is None else k
    scale = wavelength_A / (10.0 * np.cos(np.radians(two_theta_deg) / 2.0))
    inverse = np.radians(breadth_deg) / (factor * scale)
    inverse_sigma = np.radians(sigma_deg) / (factor * scale)
    size = _size_from_inverse(float(inverse), float(inverse_sigma), k_sigma / factor, level)
    notes = [f"K = {factor:g} on the {'integral breadth' if definition == 'integral' else 'FWHM'}"]
    notes.extend(thickness_notes(size, thickness_nm))
    return SizeEstimate(size, factor, definition, tuple(notes))


def _size_from_inverse(
    inverse: float, sigma: float, relative_k_sigma: float, level: float
) -> Estimate:
    """Size in nm from 1/size and its uncertainty: the interval is the inverse's, turned over."""
    total = float(np.hypot(sigma, inverse * relative_k_sigma))
    z_two, z_one = float(ndtri(0.5 + level / 2.0)), float(ndtri(level))
    if inverse - z_two * total <= 0.0:
        low = 1.0 / (max(inverse, 0.0) + z_one * total)
        return Estimate(None, low, None, level, None, None, {}, (0.0, None))
    size = 1.0 / inverse
    return Estimate(
        size,
        1.0 / (inverse + z_two * total),
        1.0 / (inverse - z_two * total),
        level,
        size,
        size**2 * total,
        {"fit": size**2 * sigma, "shape factor K": size * relative_k_sigma},
        (0.0, None),
    )


def thickness_notes(size: Estimate, thickness_nm: float | None) -> list[str]:
    """What to say of a (00l) size beside the film's thickness."""
    if thickness_nm is None or size.low is None:
        return []
    high = size.high if size.high is not None else np.inf
    if size.low <= thickness_nm <= high:
        return [
            f"the (00l) size agrees with the film's thickness of {thickness_nm:g} nm: it is the "
            "thickness, no grain size"
        ]
    if size.low > thickness_nm:
        return [
            f"the (00l) size exceeds the film's thickness of {thickness_nm:g} nm, which it cannot: "
            "check the instrument curve and the stated thickness"
        ]
    return [
        f"the (00l) size is below the film's thickness of {thickness_nm:g} nm: stacking faults, a "
        "spread of c or layers limit it, not the grains alone"
    ]


@dataclass(frozen=True, slots=True)
class WilliamsonHall:
    """Size in nm and microstrain from several lines, with their covariance and the plot's points.

    ``abscissa`` is 4 sinθ and ``ordinate`` β cosθ in radians, shape (N,), with its uncertainty.
    ``covariance``: of intercept K λ/size (rad) and slope ε, shape (2, 2).
    """

    size_nm: Estimate
    microstrain: Estimate
    k: float
    combination: Literal["linear", "squares"]
    abscissa: FloatArray
    ordinate: FloatArray
    ordinate_sigma: FloatArray
    covariance: FloatArray
    chi_square: float
    degrees_of_freedom: int
    notes: tuple[str, ...]


def williamson_hall(
    breadths: Sequence[SampleBreadth],
    wavelength_A: float,
    *,
    combination: Literal["linear", "squares"] = "linear",
    k: float = 1.0,
    k_sigma: float = SCHERRER_K_SIGMA,
    thickness_nm: float | None = None,
    level: float = DEFAULT_LEVEL,
) -> WilliamsonHall:
    """Weighted straight line of β cosθ against 4 sinθ.

    ``combination`` "linear" adds the two breadths (both Lorentzian), "squares" adds their squares
    (both Gaussian): the truth lies between, so the difference is worth a look. Needs two lines
    (CannotTellError), three to test the straightness; scatter beyond chance widens the intervals.
    """
    if len(breadths) < 2:
        raise CannotTellError(
            f"size and strain need at least two lines at different angles; found {len(breadths)}"
        )
    theta = np.radians([b.two_theta_deg for b in breadths]) / 2.0
    x = 4.0 * np.sin(theta)
    y = np.radians([b.integral_deg for b in breadths]) * np.cos(theta)
    y_sigma = np.radians([b.sigma_deg for b in breadths]) * np.cos(theta)
    power = 1 if combination == "linear" else 2
    target = np.sign(y) * np.abs(y) ** power
    target_sigma = y_sigma if power == 1 else np.maximum(2.0 * np.abs(y) * y_sigma, y_sigma**2)
    design = np.column_stack([np.ones_like(x), x**power]) / target_sigma[:, None]
    normal = design.T @ design
    if np.linalg.cond(normal / np.sqrt(np.outer(np.diag(normal), np.diag(normal)))) > 1e8:
        raise CannotTellError(
            "the lines lie too near each other in angle to tell size from strain; add an order"
        )
    covariance = np.linalg.inv(normal)
    solution = covariance @ (design.T @ (target / target_sigma))
    chi_square = float(np.sum((target / target_sigma - design @ solution) ** 2))
    freedom = len(breadths) - 2
    notes = [f"K = {k:g} on the integral breadth; strain is the upper limit ε = β/(4 tanθ)"]
    if freedom > 0 and chdtrc(freedom, chi_square) < 0.01:
        covariance = covariance * chi_square / freedom
        notes.append(
            "the lines do not lie on one straight line: size or strain depends on direction, or "
            "faults broaden some orders; the intervals are widened by the scatter"
        )
    intercept, slope = solution
    sigma_i, sigma_s = np.sqrt(np.diag(covariance))
    if power == 2:  # back from squares, to first order
        sigma_i, intercept = _root(float(intercept), float(sigma_i))
        sigma_s, slope = _root(float(slope), float(sigma_s))
    scale = k * wavelength_A / 10.0
    size = _size_from_inverse(float(intercept) / scale, float(sigma_i) / scale, k_sigma / k, level)
    strain = from_normal(
        float(slope), float(sigma_s), level=level, bounds=(0.0, None), sources={"fit": sigma_s}
    )
    notes.extend(thickness_notes(size, thickness_nm))
    return WilliamsonHall(
        size,
        strain,
        k,
        combination,
        x,
        y,
        y_sigma,
        covariance,
        chi_square,
        freedom,
        tuple(notes),
    )


def _root(value: float, sigma: float) -> tuple[float, float]:
    """Standard uncertainty and value of a signed square root."""
    root = float(np.sign(value) * np.sqrt(abs(value)))
    # near zero the first order diverges; the root's own spread there is about √sigma
    return min(sigma / max(2.0 * abs(root), 1e-300), float(np.sqrt(sigma))), root
