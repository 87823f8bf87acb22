"""Conversion from line areas when film grows from below under unconverted precursor.

Early film lies under precursor, which weakens its lines: under 1 µm of precursor of 800 cm⁻¹ the
(005) keeps exp(-0.485) = 0.62 of its area, so early film would be understated by 38 %. Late
fluoride is a thin layer, whose line falls more slowly than its volume because the whole layer
absorbed part of its own line. Both follow from one picture: x of the film below, 1 - x of the
precursor above, absorption by mass (the metals stay, so porosity does not matter).

Conversions outside 0..1 follow the slope at the bound, so that noise is neither clipped nor bent.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.constants import N_A

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import load_phase
from xrdfilm.crystal.attenuation import linear_attenuation_per_cm
from xrdfilm.fluoride.conversion import FLUORIDE_UNITS_PER_CELL, REACTANTS, film_units_mol_m2
from xrdfilm.intensity.optics import sin_theta
from xrdfilm.intensity.stack import Layer, Stack, optical_depth

Order = Literal["from_below", "mixed", "none"]
ORDER_WORDS = {
    "from_below": "film below, unconverted precursor above it",
    "mixed": "film and precursor mixed through the whole thickness",
    "none": "no correction for absorption",
}
_GRID = 401


def precursor_depth(film: Layer, wavelength_A: float) -> float:
    """µt of the whole unconverted precursor of this film, by mass, dimensionless.

    2 BaF2 + ½ Y2O3 + 3 CuO for each formula unit; a film of another rare earth takes its oxide
    as Y2O3's metal with the same count, which errs by its heavier atom: then the film's own µt
    is scaled by the ratio that holds for YBCO.
    """
    assert film.thickness_nm is not None
    yttrium = load_phase("YBCO")
    per_m2 = film_units_mol_m2(1.0, yttrium.cell.volume_A3 / yttrium.formula_units)  # mol/m² a nm
    depth = 0.0
    for count, key in REACTANTS:
        if key == "H2O":
            continue
        phase = load_phase(key)
        units = FLUORIDE_UNITS_PER_CELL if key == "BaF2" else phase.formula_units
        volume_m3 = phase.cell.volume_A3 / units * 1e-30 * N_A * per_m2 * count  # per m²
        depth += linear_attenuation_per_cm(phase, wavelength_A) * volume_m3 * 1e2
    own = linear_attenuation_per_cm(yttrium, wavelength_A) * 1e-7
    return depth / own * optical_depth(film, wavelength_A)


@dataclass(frozen=True, slots=True)
class LayerOrder:
    """Optical depths µt of the finished film and of the whole precursor, and how they lie."""

    film_depth: float
    precursor_depth: float
    order: Order = "from_below"

    @classmethod
    def of(cls, stack: Stack, wavelength_A: float, order: Order = "from_below") -> LayerOrder:
        """For a stack's film; raises ValueError for a bulk film."""
        if stack.film.thickness_nm is None:
            raise ValueError("the film needs a thickness for its absorption")
        return cls(
            optical_depth(stack.film, wavelength_A),
            precursor_depth(stack.film, wavelength_A),
            order,
        )

    def film_line(self, x: FloatArray, two_theta_deg: float) -> FloatArray:
        """Area of a film line at conversion x over that of the finished film, shape of x."""
        path = 2.0 / float(sin_theta(two_theta_deg))
        film, precursor = self.film_depth * path, self.precursor_depth * path
        if self.order == "none":
            return np.asarray(x, dtype=float)
        if self.order == "mixed":
            return np.asarray(x * _escape(x * film + (1.0 - x) * precursor) / _escape(film))
        own = -np.expm1(-film * x) / -np.expm1(-film)
        return np.asarray(own * np.exp(-precursor * (1.0 - x)))

    def fluoride_line(self, x: FloatArray, two_theta_deg: float) -> FloatArray:
        """Area of a fluoride line at conversion x, any shape, over that of the unconverted film."""
        path = 2.0 / float(sin_theta(two_theta_deg))
        film, precursor = self.film_depth * path, self.precursor_depth * path
        if self.order == "none":
            return np.asarray(1.0 - x, dtype=float)
        if self.order == "mixed":
            mean = x * film + (1.0 - x) * precursor
            return np.asarray((1.0 - x) * _escape(mean) / _escape(precursor))
        return np.asarray(np.expm1(-precursor * (1.0 - x)) / np.expm1(-precursor))

    def cover(self, x: FloatArray, two_theta_deg: float) -> FloatArray:
        """What film and precursor let through of a line from below them, shape of x."""
        if self.order == "none":
            return np.ones_like(np.asarray(x, dtype=float))
        path = 2.0 / float(sin_theta(two_theta_deg))
        return np.asarray(np.exp(-path * (self.film_depth * x + self.precursor_depth * (1.0 - x))))

    def from_film_line(
        self, ratio: FloatArray, two_theta_deg: float, normaliser_deg: float | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Conversion, and its slope by the ratio, from area over that of the finished film.

        Both have the shape of ``ratio``. Both areas are divided by a substrate line at
        ``normaliser_deg``, which the layers weaken too, or by a monitor (None).
        """
        grid = np.linspace(0.0, 1.0, _GRID)
        curve = self.film_line(grid, two_theta_deg)
        if normaliser_deg is not None:
            cover = self.cover(grid, normaliser_deg)
            curve = curve * cover[-1] / cover
        return _inverse(np.asarray(ratio, dtype=float), grid, curve)

    def from_fluoride_line(
        self, ratio: FloatArray, two_theta_deg: float, normaliser_deg: float | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """The same from a fluoride line's area over that of the unconverted film; same shapes."""
        grid = np.linspace(0.0, 1.0, _GRID)
        curve = self.fluoride_line(grid, two_theta_deg)
        if normaliser_deg is not None:
            cover = self.cover(grid, normaliser_deg)
            curve = curve * cover[0] / cover
        x, slope = _inverse(np.asarray(ratio, dtype=float), grid[::-1], curve[::-1])
        return x, slope


def _escape(depth: FloatArray | float) -> FloatArray:
    """(1 - e^-d)/d: mean share of a layer's line that leaves it."""
    d = np.asarray(depth, dtype=float)
    return np.asarray(-np.expm1(-d) / np.maximum(d, 1e-300))


def _inverse(ratio: FloatArray, x: FloatArray, curve: FloatArray) -> tuple[FloatArray, FloatArray]:
    """x and dx/dratio where ``curve`` (ascending) takes ``ratio``; straight beyond its ends."""
    slopes = np.gradient(x, curve)
    inside = np.interp(ratio, curve, x)
    slope = np.interp(ratio, curve, slopes)
    below, above = np.minimum(ratio - curve[0], 0.0), np.maximum(ratio - curve[-1], 0.0)
    return np.asarray(inside + below * slopes[0] + above * slopes[-1]), np.asarray(slope)
