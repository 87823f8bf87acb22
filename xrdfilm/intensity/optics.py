"""The diffractometer: what falls on the sample and what reaches the detector.

Reflection geometry with a divergent beam (Bragg–Brentano): source and receiving slit on a circle
of radius R about the sample, the sample's surface at θ to the central ray. Two things decide how
many grains can reflect: the divergence that really falls on the sample, in the scattering plane,
and the axial acceptance across it. `xrdfilm.intensity.window` turns both into a share of grains.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import Radiation, radiation
from xrdfilm.errors import StackError

Slit = Literal["fixed", "variable"]
Axial = Literal["apertures", "one_stack", "two_stacks"]

AXIAL_ARRANGEMENTS: dict[Axial, str] = {
    "apertures": "an aperture before and one behind the sample, each of the stated full width",
    "one_stack": "one stack of blades (the stated width is its FWHM) and one aperture",
    "two_stacks": "a stack of blades before and one behind the sample, each of the stated FWHM",
}


@dataclass(frozen=True, slots=True)
class Optics:
    """Radiation, slits and circle of one instrument.

    ``divergence_deg`` is the full opening of a fixed slit in the scattering plane;
    ``illuminated_mm`` the constant length on the sample that a variable slit keeps.
    ``axial_acceptance_deg`` is the full width of each of the two axial apertures, or the FWHM
    of a blade stack's triangular transmission (blade spacing over blade length).
    ``axial_stated`` is False where the axial arrangement is a default nobody confirmed.
    ``monochromator_2theta_deg`` is the diffraction angle of a crystal monochromator on either
    side (26.6 for graphite (002) and Cu K-alpha), None where there is none.

    Raises `StackError` where the values contradict each other or are out of range.
    """

    radiation: Radiation = field(default_factory=radiation)
    goniometer_radius_mm: float = 240.0
    divergence_deg: float | None = 0.5
    illuminated_mm: float | None = None
    slit: Slit = "fixed"
    axial_acceptance_deg: float = 2.3
    axial: Axial = "apertures"
    axial_stated: bool = False
    monochromator_2theta_deg: float | None = None
    step_time_s: float | None = None

    def __post_init__(self) -> None:
        if self.slit not in ("fixed", "variable"):
            raise StackError(f'slit is "{self.slit}"; it must be "fixed" or "variable"')
        if self.axial not in AXIAL_ARRANGEMENTS:
            known = ", ".join(f'"{name}"' for name in AXIAL_ARRANGEMENTS)
            raise StackError(f'axial is "{self.axial}"; it must be one of {known}')
        if self.slit == "fixed" and self.divergence_deg is None:
            raise StackError("a fixed slit needs its opening: state divergence_deg")
        if self.slit == "variable" and self.illuminated_mm is None:
            raise StackError("a variable slit needs the length it lights: state illuminated_mm")
        _check("goniometer_radius_mm", self.goniometer_radius_mm, 10.0, 5000.0)
        _check("axial_acceptance_deg", self.axial_acceptance_deg, 1e-4, 30.0)
        if self.divergence_deg is not None:
            _check("divergence_deg", self.divergence_deg, 1e-5, 20.0)
        if self.illuminated_mm is not None:
            _check("illuminated_mm", self.illuminated_mm, 1e-3, 1000.0)
        if self.monochromator_2theta_deg is not None:
            _check("monochromator_2theta_deg", self.monochromator_2theta_deg, 0.1, 179.0)
        if self.step_time_s is not None:
            _check("step_time_s", self.step_time_s, 1e-6, 1e6)

    @property
    def monochromator_factor(self) -> float:
        """k of the polarisation factor: cos²2θ_m, or 1 without a monochromator."""
        if self.monochromator_2theta_deg is None:
            return 1.0
        return float(np.cos(np.radians(self.monochromator_2theta_deg)) ** 2)


def _check(name: str, value: float, low: float, high: float) -> None:
    if not np.isfinite(value) or not low <= value <= high:
        raise StackError(f"{name} is {value:g}; it must lie between {low:g} and {high:g}")


def sin_theta(two_theta_deg: ArrayLike) -> FloatArray:
    """Sine of the Bragg angle, any shape; ValueError outside 0 < 2θ <= 180, nan passes through."""
    angle = np.asarray(two_theta_deg, dtype=float)
    if np.any(angle <= 0.0) or np.any(angle > 180.0):
        raise ValueError("2θ must lie between 0 and 180 degrees")
    return np.asarray(np.sin(np.radians(angle) / 2.0))


def polarisation(two_theta_deg: ArrayLike, optics: Optics) -> FloatArray:
    """Polarisation factor P = (1 + k cos²2θ)/(1 + k), same shape as ``two_theta_deg``.

    k = cos²2θ_m for an ideally imperfect monochromator crystal whose plane of scattering is the
    diffractometer's, before or behind the sample (Azároff, Acta Cryst. 8 (1955) 701, from
    memory); k = 1 without one. The beam before is taken as unpolarised.
    """
    cos_squared = np.cos(np.radians(np.asarray(two_theta_deg, dtype=float))) ** 2
    k = optics.monochromator_factor
    return np.asarray((1.0 + k * cos_squared) / (1.0 + k))


def divergence_on_sample_rad(
    two_theta_deg: ArrayLike, optics: Optics, sample_length_mm: float
) -> FloatArray:
    """Divergence that really falls on a sample of this length along the beam, in radians.

    Fixed slit of divergence δ: δ·min(1, L sinθ/(R δ)). Variable slit that keeps the length ℓ
    lit: min(ℓ, L) sinθ/R. The same shape as ``two_theta_deg``. The rays that pass over the end
    of the sample are thereby left out of the window, not counted as a loss in front of it: a
    film much sharper than the divergence never used them.
    """
    if not sample_length_mm > 0.0:
        raise StackError(f"sample_length_mm is {sample_length_mm:g}; it must be above 0")
    seen = sample_length_mm * sin_theta(two_theta_deg) / optics.goniometer_radius_mm
    if optics.slit == "variable":
        assert optics.illuminated_mm is not None
        return seen * min(1.0, optics.illuminated_mm / sample_length_mm)
    assert optics.divergence_deg is not None
    return np.minimum(np.radians(optics.divergence_deg), seen)


def overspill_below_deg(optics: Optics, sample_length_mm: float) -> float | None:
    """The 2θ below which a fixed slit lights more than the sample; None for a variable slit."""
    if optics.slit == "variable":
        return None
    assert optics.divergence_deg is not None
    sine = optics.goniometer_radius_mm * np.radians(optics.divergence_deg) / sample_length_mm
    return float(2.0 * np.degrees(np.arcsin(min(1.0, sine))))


def axial_half_base_rad(two_theta_deg: ArrayLike, optics: Optics) -> FloatArray:
    """Half base a = D/(2 sinθ) of the axial window of two apertures of full width D, in radians.

    The shape is that of ``two_theta_deg``.

    A ray that enters at the axial angle α and leaves at β was reflected by a plane whose normal
    leans by (α + β)/(2 sinθ) out of the scattering plane; with α and β each within ±D/2 the
    window is a triangle of half base a. Blade stacks reach further out: see
    `xrdfilm.intensity.window.axial_window`.
    """
    return np.asarray(np.radians(optics.axial_acceptance_deg) / (2.0 * sin_theta(two_theta_deg)))
