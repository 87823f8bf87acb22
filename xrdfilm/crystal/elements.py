"""Scattering and absorption of the elements at a wavelength, kept in memory once looked up.

Form factors: D. Waasmaier, A. Kirfel, Acta Cryst. A 51 (1995) 416 (neutral atoms). Dispersion
terms f', f'': C. T. Chantler, J. Phys. Chem. Ref. Data 29 (2000) 597. Attenuation: W. T. Elam,
B. D. Ravel, J. R. Sieber, Radiat. Phys. Chem. 63 (2002) 121. All through the xraydb library,
whose database is asked once for an element and a wavelength.
"""

from __future__ import annotations

import json
from functools import lru_cache

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import HC_EV_A
from xrdfilm.errors import PhaseError


@lru_cache(maxsize=256)
def _form_factor_coefficients(element: str) -> tuple[float, FloatArray, FloatArray]:
    from xraydb import get_xraydb

    rows = [row for row in get_xraydb().get_cache("Waasmaier") if row.ion == element]
    if not rows:
        raise PhaseError(f"no form factor for element {element!r} (Waasmaier & Kirfel, Z <= 98)")
    row = rows[0]
    return (
        float(row.offset),
        np.array(json.loads(row.scale), dtype=float),
        np.array(json.loads(row.exponents), dtype=float),
    )


def form_factor(element: str, sin_theta_over_lambda_per_A: FloatArray) -> FloatArray:
    """Form factor f0 in electrons of the neutral atom, shape of the argument (N,).

    Good up to sinθ/λ = 6 Å⁻¹. Raises PhaseError for an element without one.
    """
    offset, scale, exponents = _form_factor_coefficients(element)
    s_squared = np.square(np.asarray(sin_theta_over_lambda_per_A, dtype=float))
    terms = scale[:, None] * np.exp(-exponents[:, None] * s_squared[None, :])
    return np.asarray(offset + terms.sum(axis=0), dtype=float)


@lru_cache(maxsize=1024)
def dispersion(element: str, wavelength_A: float) -> complex:
    """f' + i f'' in electrons at the wavelength."""
    from xraydb import f1_chantler, f2_chantler

    energy_eV = HC_EV_A / wavelength_A
    return complex(float(f1_chantler(element, energy_eV)), float(f2_chantler(element, energy_eV)))


@lru_cache(maxsize=1024)
def mass_attenuation_cm2_g(element: str, wavelength_A: float) -> float:
    """Total mass attenuation coefficient µ/ρ (photoelectric and both kinds of scattering)."""
    from xraydb import mu_elam

    return float(mu_elam(element, HC_EV_A / wavelength_A, kind="total"))
