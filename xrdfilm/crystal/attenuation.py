"""How X-rays fade in a phase, and how little they are bent at its surface."""

from __future__ import annotations

from functools import lru_cache

import gemmi
import numpy as np
from scipy import constants

from xrdfilm.crystal.elements import mass_attenuation_cm2_g
from xrdfilm.crystal.structure import Phase

_AVOGADRO_BY_ANGSTROM = 0.602214076  # mol⁻¹ Å³ -> 10²⁴ mol⁻¹ cm³


@lru_cache(maxsize=1024)
def linear_attenuation_per_cm(phase: Phase, wavelength_A: float) -> float:
    """Linear attenuation coefficient µ in cm⁻¹ of the dense phase.

    Sum over the cell's atoms of their mass attenuation (W. T. Elam, B. D. Ravel, J. R. Sieber,
    Radiat. Phys. Chem. 63 (2002) 121). A porous layer fades less: scale by its density.
    """
    cross_section = sum(
        n * gemmi.Element(element).weight * mass_attenuation_cm2_g(element, wavelength_A)
        for element, n in phase.composition_per_cell.items()
    )
    return cross_section / (phase.cell.volume_A3 * _AVOGADRO_BY_ANGSTROM)


_CLASSICAL_ELECTRON_RADIUS_A = constants.physical_constants["classical electron radius"][0] * 1e10


@lru_cache(maxsize=1024)
def refractive_decrement(phase: Phase, wavelength_A: float) -> float:
    """δ of the refractive index n = 1 − δ of the dense phase, far from an absorption edge.

    δ = r_e λ² ρ_e / 2π with the electron density ρ_e of the cell (R. W. James, The Optical
    Principles of the Diffraction of X-rays, Bell 1948, from memory). About 2·10⁻⁵ for an oxide
    film and Cu K-alpha, which moves its (005) up by 0.007° of 2θ.
    """
    electrons = sum(
        n * gemmi.Element(element).atomic_number
        for element, n in phase.composition_per_cell.items()
    )
    density = electrons / phase.cell.volume_A3
    return float(_CLASSICAL_ELECTRON_RADIUS_A * wavelength_A**2 * density / (2.0 * np.pi))
