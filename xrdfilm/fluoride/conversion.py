"""Stoichiometry of the growth reaction: from volumes to moles, conversion and bound HF.

    2 BaF2 + ½ Y2O3 + 3 CuO + 2 H2O  ->  YBa2Cu3O6.5 + 4 HF

(Cook, Wong-Ng and Feenstra, J. Res. Natl. Inst. Stand. Technol. 110 (2005), doi
10.6028/jres.110.011, write it from the metals; with the oxides already formed it is four HF a
formula unit either way.) The degree of conversion x is the share of the barium that has become
film. All of it follows from two volumes: that of the film's formula unit and that of BaF2.

Volumes are in Å³, thickness in nm, fractions 0..1. Nothing here knows a scan.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.constants import N_A
from scipy.optimize import brentq

from xrdfilm._typing import FloatArray
from xrdfilm.estimate import Estimate, adding_up, from_draws, from_normal
from xrdfilm.safety import MOLAR_MASS_HF_G

REACTANTS: tuple[tuple[float, str], ...] = (
    (2.0, "BaF2"),
    (0.5, "Y2O3"),
    (3.0, "CuO"),
    (2.0, "H2O"),
)
PRODUCTS: tuple[tuple[float, str], ...] = ((1.0, "YBa2Cu3O6.5"), (4.0, "HF"))

BARIUM_PER_FILM_UNIT = 2.0
HF_PER_FILM_UNIT = 4.0
FLUORIDE_UNITS_PER_CELL = 4.0  # BaF2 in the fluorite cell

BAF2_EDGE_A = 6.2001  # Swanson and Tatge, NBS Circular 539 vol. 1 (1953) 70
YBCO_CELL_A3 = 173.43  # Williams et al., Phys. Rev. B 37 (1988) 7960: 3.8203 × 3.88548 × 11.68349

# Ba(1-x)Y(x)F(2+x): an estimate from ionic radii, not a measurement; the fluorite cell is known
# to persist to about x = 0.25 (Mater. Res. Bull. 34 (1999) 1535).
YTTRIUM_SHIFT_A = -0.69
YTTRIUM_LAW_SIGMA_A = 0.02
YTTRIUM_LIMIT = 0.25


def volume_ratio(film_unit_A3: float = YBCO_CELL_A3, edge_A: float = BAF2_EDGE_A) -> float:
    """Volume of 2 BaF2 over that of the film's formula unit they become (0.687 for YBCO)."""
    return BARIUM_PER_FILM_UNIT * edge_A**3 / FLUORIDE_UNITS_PER_CELL / film_unit_A3


def conversion_of_volume_fraction(volume_fraction: FloatArray, ratio: float) -> FloatArray:
    """Conversion x from the fluoride's volume fraction φ = V(fluoride)/(V(fluoride)+V(film)).

    x = (1-φ)/((1-φ) + φ/ratio), shape as given. Fractions below 0 (a noisy unbounded estimate)
    give x above 1; the curve is continued there by its tangent, so that it stays monotone.
    """
    phi = np.asarray(volume_fraction, dtype=float)
    inside = np.clip(phi, 0.0, 1.0)
    x = (1.0 - inside) / ((1.0 - inside) + inside / ratio)
    return np.asarray(x - np.minimum(phi, 0.0) / ratio - np.maximum(phi - 1.0, 0.0) * ratio)


def volume_fraction_of_conversion(conversion: FloatArray, ratio: float) -> FloatArray:
    """The inverse of `conversion_of_volume_fraction`, same shape, same continuation."""
    x = np.asarray(conversion, dtype=float)
    inside = np.clip(x, 0.0, 1.0)
    phi = (1.0 - inside) * ratio / (inside + (1.0 - inside) * ratio)
    return np.asarray(phi - np.maximum(x - 1.0, 0.0) * ratio - np.minimum(x, 0.0) / ratio)


def film_units_mol_m2(thickness_nm: float, film_unit_A3: float = YBCO_CELL_A3) -> float:
    """Formula units of a dense film in mol/m² (1 µm of YBCO: 9.57 mmol/m²)."""
    return thickness_nm * 1e-9 / (film_unit_A3 * 1e-30) / N_A


def growth_hf_g_m2(thickness_nm: float, film_unit_A3: float = YBCO_CELL_A3) -> float:
    """HF in g/m² that growing this thickness of dense film sets free (0.766 for 1 µm of YBCO)."""
    return HF_PER_FILM_UNIT * film_units_mol_m2(thickness_nm, film_unit_A3) * MOLAR_MASS_HF_G


def bound_hf_ug_cm2(
    conversion: FloatArray, thickness_nm: float, film_unit_A3: float = YBCO_CELL_A3
) -> FloatArray:
    """HF in µg/cm² that the rest of the conversion would set free, shape as ``conversion``.

    ``thickness_nm`` is that of the finished dense film, which fixes the barium per area; so the
    figure does not depend on how porous the unconverted part is.
    """
    whole = growth_hf_g_m2(thickness_nm, film_unit_A3) * 1e2  # g/m² -> µg/cm²
    return np.asarray((1.0 - np.asarray(conversion, dtype=float)) * whole)


def hf_g_per_100_m(hf_ug_cm2: float, width_mm: float) -> float:
    """HF in g on 100 m of tape of this width, coated on one side."""
    return hf_ug_cm2 * 1e-6 * (width_mm / 10.0) * 1e4


def mapped(
    estimate: Estimate,
    function: Callable[[FloatArray], FloatArray],
    *,
    bounds: tuple[float | None, float | None],
    derivative_step: float = 1e-4,
) -> Estimate:
    """An estimate carried through a monotone function, by its draws where it has them.

    Without draws the function must be close to linear over the interval. Sources are carried by
    the slope at the estimate. Raises ValueError where the estimate has no distribution.
    """
    if estimate.estimate is None or estimate.sigma is None:
        raise ValueError("only an estimate with its standard uncertainty can be carried on")
    centre = float(function(np.array([estimate.estimate]))[0])
    step = max(derivative_step * estimate.sigma, 1e-12)
    ends = function(np.array([estimate.estimate - step, estimate.estimate + step]))
    slope = abs(float(ends[1] - ends[0])) / (2.0 * step)
    sources = {cause: slope * sigma for cause, sigma in estimate.sources.items()}
    if estimate.draws is None:
        return from_normal(
            centre, slope * estimate.sigma, level=estimate.level, bounds=bounds, sources=sources
        )
    return adding_up(
        from_draws(
            centre, function(estimate.draws), level=estimate.level, bounds=bounds, sources=sources
        )
    )


def yttrium_share(edge_A: float, edge_sigma_A: float = 0.0) -> Estimate:
    """Y share x of a Ba(1-x)Y(x)F(2+x) fluoride with this cell edge: a hint, not an analysis.

    From an estimated law, a = 6.2001 - 0.69 x with a standard uncertainty of 0.02 Å. Oxygen on
    fluorine's place, strain and temperature shift the cell too.
    """
    share = (edge_A - BAF2_EDGE_A) / YTTRIUM_SHIFT_A
    return from_normal(
        share,
        float(np.hypot(edge_sigma_A, YTTRIUM_LAW_SIGMA_A)) / abs(YTTRIUM_SHIFT_A),
        bounds=(0.0, 1.0),
        sources={
            "cell": edge_sigma_A / abs(YTTRIUM_SHIFT_A),
            "law": YTTRIUM_LAW_SIGMA_A / abs(YTTRIUM_SHIFT_A),
        },
    )


def cell_hint(edge_A: float, edge_sigma_A: float = 0.0) -> str:
    """One sentence on what a fluoride cell of this edge may be."""
    shift = edge_A - BAF2_EDGE_A
    if abs(shift) <= 2.0 * max(edge_sigma_A, 0.005):
        return f"The cell, {edge_A:.3f} Å, is that of BaF2 within its uncertainty."
    if shift > 0:
        return (
            f"The cell, {edge_A:.3f} Å, is {shift:.3f} Å larger than that of BaF2: strain, "
            "misalignment of the scan, or another phase."
        )
    share = yttrium_share(edge_A, edge_sigma_A)
    centre, sigma = share.estimate or 0.0, share.sigma or 0.0
    text = (
        f"The cell, {edge_A:.3f} Å, is {-shift:.3f} Å smaller than that of BaF2: a solid solution "
        f"with yttrium (about {100 * centre:.0f} ± {100 * sigma:.0f} % of the cations, by an "
        "estimated law) or oxygen in the fluoride; the cell alone cannot tell which."
    )
    if centre - 2.0 * sigma > YTTRIUM_LIMIT:
        text += " That is more yttrium than the fluorite cell is known to take."
    return text


@dataclass(frozen=True, slots=True)
class RelativeArea:
    """A line area made comparable between films: over a substrate line's area or a monitor.

    ``value`` and ``sigma`` are area over normaliser; ``absorption`` is the absorption factor of
    the layer the line comes from, any scale common to both films.
    """

    value: float
    sigma: float
    absorption: float = 1.0

    @classmethod
    def of(
        cls,
        area: float,
        area_sigma: float,
        normaliser: float,
        normaliser_sigma: float = 0.0,
        absorption: float = 1.0,
    ) -> RelativeArea:
        """From an area and what it is divided by, with their standard uncertainties.

        Raises ValueError where the normaliser is not clearly above zero.
        """
        if not normaliser > 3.0 * normaliser_sigma or not normaliser > 0.0:
            raise ValueError(
                f"the normalising area {normaliser:g} ± {normaliser_sigma:g} is too weak; "
                "choose a stronger substrate line or a monitor"
            )
        value = area / normaliser
        sigma = float(np.hypot(area_sigma, value * normaliser_sigma) / normaliser)
        return cls(value, sigma, absorption)


def fluoride_side(
    film: RelativeArea, unconverted: RelativeArea, *, texture_sigma: float = 0.0
) -> Estimate:
    """Conversion 1 - (I/A)/(I0/A0) of a fluoride line against the unconverted film.

    ``texture_sigma`` is a relative standard uncertainty for a change of the fluoride's texture.
    The estimate may be negative: fluoride is known to sharpen its texture while it is consumed
    (Wu et al., IEEE Trans. Appl. Supercond. 26(3) (2016) 7200505); it is kept, not clipped.
    """
    left, sources = _ratio(film, unconverted)
    sources["texture"] = abs(left) * texture_sigma
    sigma = float(np.sqrt(sum(s * s for s in sources.values())))
    return from_normal(1.0 - left, sigma, bounds=(0.0, 1.0), sources=sources)


def film_side(film: RelativeArea, finished: RelativeArea) -> Estimate:
    """Conversion (I/A)/(I_end/A_end) of a film line against a finished film of the same stack.

    For a film that grows from below under precursor, use `film_side_by_depth` instead of a
    common absorption factor.
    """
    grown, sources = _ratio(film, finished)
    sigma = float(np.sqrt(sum(s * s for s in sources.values())))
    return from_normal(grown, sigma, bounds=(0.0, 1.0), sources=sources)


def _ratio(film: RelativeArea, reference: RelativeArea) -> tuple[float, dict[str, float]]:
    if not reference.value > 0.0:
        raise ValueError("the reference film shows no area in this line; choose another line")
    scale = reference.absorption / film.absorption / reference.value
    ratio = film.value * scale
    return ratio, {
        "counting": film.sigma * scale,
        "reference": abs(ratio) * reference.sigma / reference.value,
    }


def film_side_by_depth(
    area_ratio: float,
    *,
    two_theta_deg: float,
    thickness_nm: float,
    film_mu_per_cm: float,
    precursor_thickness_nm: float,
    precursor_mu_per_cm: float,
) -> float:
    """Conversion from a film line's area over that of the finished film, growth from below.

    The grown part, x times the thickness, lies under (1-x) of the precursor, which weakens its
    line: under 1 µm of precursor of 800 cm⁻¹ the (005) line keeps exp(-0.485) = 0.62 of its area.
    Ratios outside 0..1 come back as they are.
    """
    if not 0.0 < area_ratio < 1.0:
        return area_ratio
    path = 2.0 / np.sin(np.radians(two_theta_deg / 2.0)) * 1e-7  # cm of beam a nm of depth
    film, precursor = film_mu_per_cm * path, precursor_mu_per_cm * path
    whole = -np.expm1(-film * thickness_nm)

    def excess(x: float) -> float:
        own = -np.expm1(-film * x * thickness_nm)
        cover = np.exp(-precursor * (1.0 - x) * precursor_thickness_nm)
        return float(own * cover / whole - area_ratio)

    return float(brentq(excess, 0.0, 1.0, xtol=1e-9))


@dataclass(frozen=True, slots=True)
class SidesCompared:
    """Whether fluoride side and film side tell the same conversion, and if not, what may be."""

    difference: float
    sigma: float
    agree: bool
    reasons: tuple[str, ...]


def compare_sides(from_fluoride: Estimate, from_film: Estimate) -> SidesCompared:
    """Compare the conversion told by the fluoride with that told by the film.

    Agreement is a difference within its two-sided 95 % interval. Raises ValueError where either
    has no distribution.
    """
    if None in (from_fluoride.estimate, from_fluoride.sigma, from_film.estimate, from_film.sigma):
        raise ValueError("both sides need an estimate with its standard uncertainty")
    difference = float(from_fluoride.estimate) - float(from_film.estimate)  # type: ignore[arg-type]
    sigma = float(np.hypot(from_fluoride.sigma, from_film.sigma))  # type: ignore[arg-type]
    if abs(difference) <= 1.96 * sigma:
        return SidesCompared(difference, sigma, True, ())
    reasons: Sequence[str]
    if difference > 0:
        reasons = (
            "texture: the fluoride turned away from the measured direction, or the film's grains "
            "are less aligned than in the finished reference, so each looks smaller than it is",
            "amorphous part: fluoride or film that does not diffract is seen by neither",
            "loss: barium left the film for other phases (carbonate, cerate, cuprate) or flaked "
            "off",
            "cover: precursor above the grown part weakens the film's lines",
        )
    else:
        reasons = (
            "texture: the fluoride sharpened its texture while it was consumed, so its line grew "
            "though its volume fell",
            "texture: the film is better aligned than the finished reference",
            "amorphous part: fluoride that was amorphous in the unconverted reference has "
            "crystallised since",
            "normalisation: the substrate line or monitor changed for another cause",
        )
    return SidesCompared(difference, sigma, False, tuple(reasons))
