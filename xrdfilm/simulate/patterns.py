"""Lines of one component at one wavelength: places, areas for a full share at K = 1, widths.

Everything here depends on the stack and the optics but on no fraction, so a series of films on
one stack computes it once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from xrdfilm._typing import FloatArray, IntArray
from xrdfilm.crystal import LineList, Phase, f_squared, line_list
from xrdfilm.crystal.radiation import Radiation, two_theta_of
from xrdfilm.intensity.model import Orientation, grain_window, unoriented_strengths
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.simulate.instrument import Breadth
from xrdfilm.simulate.shape import thompson_cox_hastings

GhostName = Literal["k_beta", "tungsten", "half_wavelength"]


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """Lines with their unit areas; arrays have shape (M,), ``hkl`` (M, 3).

    ``heights`` are the tops of single lines of these areas. ``partner_deg`` are the places of
    K-alpha2, or of its half wavelength, None where the line is single.
    """

    hkl: IntArray
    two_theta_deg: FloatArray
    partner_deg: FloatArray | None
    areas: FloatArray
    heights: FloatArray
    gauss_deg: FloatArray
    lorentz_deg: FloatArray
    fwhm_deg: FloatArray


@lru_cache(maxsize=128)
def lines_of(structure: Phase, radiation: Radiation, two_theta_max_deg: float) -> LineList:
    """The line list, cached under the simulation's own key."""
    return line_list(structure, radiation, two_theta_max_deg=two_theta_max_deg)


@lru_cache(maxsize=256)
def orders_of(
    structure: Phase, orientation: Orientation, mean_A: float, wavelength_A: float
) -> tuple[IntArray, FloatArray]:
    """Orders of the planes along an aligned component's normals, with |F|²; none for random."""
    rows: list[IntArray] = []
    for normal, share in orientation.normals:
        first = float(structure.cell.d_spacing([normal])[0])
        highest = int(2.0 * first / wavelength_A)
        if share > 0.0 and highest > 0:
            rows.append(np.outer(np.arange(1, highest + 1), np.array(normal, dtype=np.int64)))
    if not rows:
        return np.zeros((0, 3), dtype=np.int64), np.zeros(0)
    orders = np.concatenate(rows)
    return orders, f_squared(structure, orders, mean_A)


@lru_cache(maxsize=2048)
def pattern(
    phase: Phase,
    structure: Phase,
    layer_index: int,
    size_nm: float | None,
    microstrain: float,
    orientation: Orientation,
    ghost: GhostName | None,
    wavelength_A: float,
    stack: Stack,
    optics: Optics,
    breadth: Breadth,
    high_deg: float,
) -> Pattern | None:
    """The component's lines below ``high_deg`` and a little beyond; None where it has none.

    ``phase`` gives the cell, ``structure`` symmetry and |F|². ``ghost`` None is K-alpha itself.
    """
    radiation = optics.radiation
    if ghost == "half_wavelength":
        hkl, squared = orders_of(structure, orientation, radiation.mean_A, wavelength_A)
        multiplicity = np.ones(len(hkl), dtype=np.int64)
    else:
        # a little beyond the scan: a shifted cell moves lines in
        lines = lines_of(structure, radiation, min(high_deg + 10.0, 170.0))
        hkl, multiplicity, squared = lines.hkl, lines.multiplicity, lines.f_squared
    if not len(hkl):
        return None
    d_A = phase.cell.d_spacing(hkl)
    places = two_theta_of(d_A, wavelength_A)
    there = np.isfinite(places) & (places < min(high_deg + 3.0, 175.0))
    hkl, multiplicity, squared = hkl[there], multiplicity[there], squared[there]
    d_A, places = d_A[there], places[there]
    window = grain_window(
        structure, hkl, multiplicity, places, orientation, optics, stack.sample_length_mm
    )
    seen = window > 0.0
    if not np.any(seen):
        return None
    hkl, d_A, places = hkl[seen], d_A[seen], places[seen]
    areas = window[seen] * unoriented_strengths(
        phase, squared[seen], places, optics, stack, layer_index
    )
    gauss, lorentz = breadth.gauss_lorentz_deg(places, wavelength_A, size_nm, microstrain)
    fwhm, share = thompson_cox_hastings(gauss, lorentz)
    top = share * 2.0 / np.pi + (1.0 - share) * 2.0 * np.sqrt(np.log(2.0) / np.pi)
    partner = None
    if ghost in (None, "half_wavelength") and radiation.k_alpha2_A is not None:
        partner = two_theta_of(d_A, wavelength_A * radiation.k_alpha2_A / radiation.k_alpha1_A)
    return Pattern(hkl, places, partner, areas, areas * top / fwhm, gauss, lorentz, fwhm)
