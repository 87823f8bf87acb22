"""Size and microstrain from breadths that are the sample's alone (`xrdfilm.lattice.breadth`).

    Scherrer          size = K λ / (β cosθ)      K = 1 for β, 0.886 for the FWHM
    Williamson-Hall   β cosθ = K λ / size + 4 ε sinθ

Sizes are volume-weighted mean lengths along the plane normal, ε is the upper-limit strain. On the
(00l) orders of a film the size saturates at the film's thickness: it is then no grain size.

Sources: P. Scherrer, Göttinger Nachr. 26 (1918) 98; G. K. Williamson, W. H. Hall, Acta Metall. 1
(1953) 22 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import chdtrc, ndtri

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_normal
from xrdfilm.lattice.breadth import SampleBreadth

BreadthDefinition = Literal["integral", "fwhm"]
# K of the Scherrer formula for a stack of planes of even thickness: β exactly 1, FWHM 0.8859
SCHERRER_K: dict[BreadthDefinition, float] = {"integral": 1.0, "fwhm": 0.8859}
# Scatter of K over crystallite shapes (sphere 1.07, cube 1.0-1.15 on the integral breadth, from
# memory: J. I. Langford, A. J. C. Wilson, J. Appl. Cryst. 11 (1978) 102), for the model's share
SCHERRER_K_SIGMA = 0.05


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
