"""How fast X-rays fade in a phase."""

from __future__ import annotations

from functools import lru_cache

import gemmi

from xrdfilm.elements import mass_attenuation_cm2_g
from xrdfilm.structure import Phase

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
