"""Premises: where each value comes from, and that every default is told."""

import numpy as np
import pytest

from xrdfilm.analysis.premises import premises_of, radiation_of_wavelength
from xrdfilm.errors import PhaseError, StackError
from xrdfilm.runfile import RunFile
from xrdfilm.scan import Scan


def run_file(**tables: object) -> RunFile:
    return RunFile.model_validate(tables)


def scan(**known: object) -> Scan:
    axis = np.linspace(10, 80, 100)
    return Scan(axis, np.ones(100), **known)  # type: ignore[arg-type]


STATED = {
    "optics": {
        "anode": "Co",
        "divergence_deg": 0.25,
        "axial_acceptance_deg": 2.0,
        "axial": "apertures",
    },
    "stack": {
        "film": "GdBCO",
        "thickness_nm": 600,
        "substrate": "Ni-5W",
        "buffers": [{"phase": "CeO2", "thickness_nm": 75}],
    },
    "assumptions": {"c_axis_mosaic_deg": 5.0},
}


def test_what_is_stated_needs_no_assumption() -> None:
    premises = premises_of(run_file(**STATED), scan(anode="Cu"))
    assert premises.assumed == ()
    assert premises.optics.radiation.anode == "Co"
    assert premises.optics.axial_stated
    assert [layer.phase.key for layer in premises.stack.layers] == ["GdBCO", "CeO2", "Ni-5W"]
    assert premises.on_tape


def test_every_default_is_told() -> None:
    told = " | ".join(premises_of(RunFile()).assumed)
    for word in ("Cu K-alpha", "divergence", "axial", "thickness", "substrate", "rocking width"):
        assert word in told


def test_the_header_of_the_scan_comes_before_the_default() -> None:
    premises = premises_of(RunFile(), scan(anode="MO", step_time_s=2.0))
    assert premises.optics.radiation.anode == "Mo"
    assert premises.optics.step_time_s == 2.0


@pytest.mark.parametrize(
    ("wavelength", "anode"),
    [(1.5406, "Cu"), (1.54056, "Cu"), (1.5418, "Cu"), (0.7107, "Mo"), (1.0, None)],
)
def test_a_wavelength_names_its_tube(wavelength: float, anode: str | None) -> None:
    assert radiation_of_wavelength(wavelength).anode == anode


def test_a_sharp_crystal_and_a_rolled_tape_differ_in_default_mosaic() -> None:
    on_crystal = premises_of(run_file(stack={"substrate": "SrTiO3"}))
    on_tape = premises_of(run_file(stack={"substrate": "Ni-5W"}))
    assert on_crystal.c_axis_mosaic.fwhm_deg < 1 < on_tape.c_axis_mosaic.fwhm_deg
    assert not on_crystal.on_tape


def test_a_powder_has_no_layers() -> None:
    powder = premises_of(run_file(stack={"film": "LaB6", "powder": True}))
    assert powder.stack.film.thickness_nm is None
    with pytest.raises(StackError, match="no substrate"):
        premises_of(run_file(stack={"film": "LaB6", "powder": True, "substrate": "MgO"}))


def test_an_unknown_phase_is_told_with_its_near_match() -> None:
    with pytest.raises(PhaseError, match="SrTiO3"):
        premises_of(run_file(stack={"substrate": "SrTiO"}))
