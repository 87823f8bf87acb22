import numpy as np
import pytest
import xraylib

from xrdfilm.crystal import load_phase, phase_keys
from xrdfilm.crystal.attenuation import linear_attenuation_per_cm
from xrdfilm.crystal.radiation import HC_EV_A, anodes, radiation


@pytest.mark.parametrize("anode", anodes())
def test_every_phase_within_five_per_cent_of_a_second_library(anode):
    # xraylib: Ebel et al., X-Ray Spectrom. 32 (2003) 442 and Kissel cross sections, independent
    # of the Elam tables used here
    wavelength = radiation(anode).mean_A
    energy_keV = HC_EV_A / wavelength / 1000.0
    for key in phase_keys():
        phase = load_phase(key)
        mass = {
            element: n * xraylib.AtomicWeight(xraylib.SymbolToAtomicNumber(element))
            for element, n in phase.composition_per_cell.items()
        }
        mixed = sum(
            m * xraylib.CS_Total(xraylib.SymbolToAtomicNumber(element), energy_keV)
            for element, m in mass.items()
        ) / sum(mass.values())
        expected = mixed * phase.density_g_cm3
        assert linear_attenuation_per_cm(phase, wavelength) == pytest.approx(expected, rel=0.05), (
            key
        )


def test_handbook_mass_attenuation_of_nickel():
    # µ/ρ of Ni at Cu K-alpha: 45.7 cm²/g in International Tables III (1962), 48.8 in later ones
    # (from memory): handbooks themselves differ by 7 %
    ni = load_phase("Ni")
    per_mass = linear_attenuation_per_cm(ni, radiation().mean_A) / ni.density_g_cm3
    assert 45.0 < per_mass < 50.0


def test_attenuation_follows_density():
    ybco = load_phase("YBCO")
    stretched = ybco.with_cell(c_A=2 * ybco.cell.c_A)
    ratio = linear_attenuation_per_cm(ybco, 1.54) / linear_attenuation_per_cm(stretched, 1.54)
    assert ratio == pytest.approx(2.0, rel=1e-12)


def test_attenuation_jumps_at_an_edge():
    # Ni K edge at 8333 eV, 1.488 Å (Bearden & Burr, Rev. Mod. Phys. 39 (1967) 125)
    ni = load_phase("Ni")
    below, above = (linear_attenuation_per_cm(ni, x) for x in (1.49, 1.486))
    assert 5.0 < above / below < 10.0
    assert np.isfinite([below, above]).all()
