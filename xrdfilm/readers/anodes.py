"""Anode materials of laboratory tubes and the wavelengths that tell them.

K-alpha1 wavelengths: R. D. Deslattes et al., Rev. Mod. Phys. 75 (2003) 35, rounded to what a
header's wavelength can be compared with; K-alpha2 and the weighted mean lie within 0.4 % above.
"""

from __future__ import annotations

import re

_K_ALPHA1_A: dict[str, float] = {
    "Cr": 2.28973,
    "Fe": 1.93604,
    "Co": 1.78900,
    "Cu": 1.54059,
    "Mo": 0.70932,
    "Ag": 0.55942,
}
_WORD = re.compile(r"(?<![A-Za-z])(Cr|Fe|Co|Cu|Mo|Ag)(?![a-z]{2,})", re.IGNORECASE)


def anode_of_wavelength(wavelength_A: float) -> str | None:
    """The anode whose K-alpha1, K-alpha2 or mean this is; None for any other wavelength."""
    for anode, line_A in _K_ALPHA1_A.items():
        if -0.0015 <= wavelength_A / line_A - 1.0 <= 0.0075:
            return anode
    return None


def anode_in(words: str) -> str | None:
    """The anode that some words name ("Cu", "CuKa1", "Co K-alpha"), if they do."""
    match = _WORD.search(words)
    return None if match is None else match.group(1).capitalize()
