"""Invented films that several tests share: stacks, run files and simulated scans."""

from __future__ import annotations

from functools import cache
from typing import Any

from xrdfilm.analysis.premises import Premises, premises_of
from xrdfilm.runfile import RunFile
from xrdfilm.scan import Scan
from xrdfilm.simulate import SimulatedFilm, Truth, simulate_scan

TAPE: dict[str, Any] = {
    "film": "YBCO",
    "thickness_nm": 800,
    "substrate": "Ni-5W",
    "buffers": [
        {"phase": "CeO2", "thickness_nm": 75},
        {"phase": "La2Zr2O7", "thickness_nm": 200},
    ],
}
CRYSTAL: dict[str, Any] = {"film": "YBCO", "thickness_nm": 400, "substrate": "SrTiO3"}
OPTICS: dict[str, Any] = {
    "anode": "Cu",
    "divergence_deg": 0.5,
    "axial_acceptance_deg": 2.3,
    "axial": "apertures",
    "step_time_s": 1.0,
}


@cache
def premises_on(kind: str, mosaic_deg: float) -> Premises:
    """Premises for a film on the invented tape or on a crystal, its mosaic stated to 5 %."""
    stack = {"tape": TAPE, "crystal": CRYSTAL}[kind]
    return premises_of(
        RunFile.model_validate(
            {
                "stack": stack,
                "optics": OPTICS,
                "assumptions": {"c_axis_mosaic_deg": mosaic_deg, "mosaic_factor": 1.05},
            }
        )
    )


def scan_of(
    premises: Premises, *, seed: int = 1, displacement_um: float = 0.0, **film: Any
) -> tuple[Scan, Truth]:
    """A simulated scan of a film on the premises' stack, mosaics as the premises state them."""
    values: dict[str, Any] = {
        "c_mosaic_fwhm_deg": premises.c_axis_mosaic.fwhm_deg,
        "a_mosaic_fwhm_deg": premises.a_axis_mosaic.fwhm_deg,
        **film,
    }
    invented = SimulatedFilm(stack=premises.stack, **values)
    return simulate_scan(
        invented, premises.optics, seed=seed, displacement_um=displacement_um, refraction=True
    )
