"""Characteristic X-ray lines and Bragg's law.

Wavelengths of K lines: the directly measured values of the X-ray Transition Energies database
(R. D. Deslattes et al., Rev. Mod. Phys. 75 (2003) 35), which are those of G. Hölzer, M. Fritsch,
M. Deutsch, J. Härtwig, E. Förster, Phys. Rev. A 56 (1997) 4554 for Cr, Fe, Co and Cu and of
International Tables for Crystallography, Vol. C (2004), table 4.2.2.4, for Mo and Ag; read in
public copies of the table. L lines of tungsten, which the cathode leaves on an old anode:
International Tables C. The older Bearden values (Cu K-alpha1 1.54056 Å) are on another scale and
must not be mixed in.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants

from xrdfilm._typing import FloatArray
from xrdfilm.errors import StackError

K_ALPHA2_SHARE = 0.5
"""Area of K-alpha2 over that of K-alpha1; common practice (the measured ratio lies within 2 %)."""

HC_EV_A: float = constants.h * constants.c / constants.e * 1e10
"""Photon energy in eV times wavelength in Å."""

_TUNGSTEN_L_A = (1.47631, 1.48743)  # L-alpha1, L-alpha2

# anode: (K-alpha1, K-alpha2, K-beta1,3) in Å
_K_LINES_A = MappingProxyType(
    {
        "Cr": (2.2897260, 2.2936510, 2.0848810),
        "Fe": (1.9360410, 1.9399730, 1.7566040),
        "Co": (1.7889960, 1.7928350, 1.6208260),
        "Cu": (1.5405929, 1.5444274, 1.3922340),
        "Mo": (0.70931715, 0.7136070, 0.6323030),
        "Ag": (0.55942178, 0.5638131, 0.4970817),
    }
)

_HOELZER = "Hölzer et al., Phys. Rev. A 56 (1997) 4554"
_TABLES_C = "International Tables for Crystallography C (2004), table 4.2.2.4"


@dataclass(frozen=True, slots=True)
class Radiation:
    """What the tube sends out, wavelengths in Å.

    ``k_alpha2_share`` is the area of K-alpha2 over that of K-alpha1 (0 where there is one line
    only); ``k_beta_A`` and ``tungsten_A`` are the contaminants whose ghosts of strong lines must
    not be taken for a phase (None and empty where a monochromator keeps them out).
    """

    anode: str | None
    k_alpha1_A: float
    k_alpha2_A: float | None
    k_alpha2_share: float
    k_beta_A: float | None
    tungsten_A: tuple[float, ...]

    @property
    def mean_A(self) -> float:
        """Mean of K-alpha1 and K-alpha2, weighted by their areas."""
        if self.k_alpha2_A is None:
            return self.k_alpha1_A
        share = self.k_alpha2_share
        return (self.k_alpha1_A + share * self.k_alpha2_A) / (1.0 + share)

    @property
    def energy_eV(self) -> float:
        """Photon energy at the mean wavelength."""
        return HC_EV_A / self.mean_A

    @property
    def source(self) -> str:
        """Where the wavelengths come from."""
        if self.anode is None:
            return "given by the user"
        return _TABLES_C if self.anode in ("Mo", "Ag") else _HOELZER


def anodes() -> tuple[str, ...]:
    """The anode materials that `radiation` knows."""
    return tuple(_K_LINES_A)


def radiation(anode: str = "Cu", *, monochromatic: bool = False) -> Radiation:
    """Lines of a tube with this anode.

    ``monochromatic`` stands for an incident-beam monochromator that lets K-alpha1 alone through:
    no K-alpha2 and no contaminants. (Half the wavelength still passes such a crystal; see
    `xrdfilm.linemap.line_map`.) Raises StackError for an unknown anode.
    """
    name = anode.strip().capitalize()
    if name not in _K_LINES_A:
        raise StackError(
            f"unknown anode {anode!r}; known are {', '.join(_K_LINES_A)}; "
            "for another wavelength give it in Å"
        )
    alpha1, alpha2, beta = _K_LINES_A[name]
    if monochromatic:
        return Radiation(name, alpha1, None, 0.0, None, ())
    return Radiation(name, alpha1, alpha2, K_ALPHA2_SHARE, beta, _TUNGSTEN_L_A)


def own_radiation(wavelength_A: float) -> Radiation:
    """One line of the user's own wavelength, e.g. at a synchrotron.

    Raises StackError unless 0.1 Å < wavelength < 5 Å (outside it is most likely in other units).
    """
    if not 0.1 < wavelength_A < 5.0:
        raise StackError(
            f"a wavelength of {wavelength_A:g} Å is not between 0.1 and 5 Å; "
            "give it in Å (1 nm = 10 Å; λ = 12.398 Å keV / E)"
        )
    return Radiation(None, float(wavelength_A), None, 0.0, None, ())


def two_theta_of(d_A: ArrayLike, wavelength_A: float) -> FloatArray:
    """Bragg angle 2θ in degrees of spacings in Å, any shape; NaN if the wavelength is too long."""
    with np.errstate(divide="ignore", invalid="ignore"):
        sine = wavelength_A / (2.0 * np.asarray(d_A, dtype=float))
        return np.asarray(2.0 * np.degrees(np.arcsin(sine)), dtype=float)


def d_of(two_theta_deg: ArrayLike, wavelength_A: float) -> FloatArray:
    """Spacing in Å of Bragg angles 2θ in degrees, any shape; infinite at 2θ = 0."""
    with np.errstate(divide="ignore"):
        sine = np.sin(np.radians(np.asarray(two_theta_deg, dtype=float)) / 2.0)
        return np.asarray(wavelength_A / (2.0 * sine), dtype=float)
