import numpy as np
import pytest
import xraylib
from hypothesis import given
from hypothesis import strategies as st

from xrdfilm.crystal.radiation import HC_EV_A, anodes, d_of, own_radiation, radiation, two_theta_of
from xrdfilm.errors import StackError


def test_copper_agrees_with_international_tables():
    # International Tables C, as quoted: Cu K-alpha1 1.54059292(45), K-beta 1.392246(14);
    # K-alpha2 1.5444256 with 1.2 ppm (Maskil & Deutsch, Phys. Rev. A 37 (1988) 2947)
    cu = radiation("Cu")
    assert cu.k_alpha1_A == pytest.approx(1.54059292, abs=4.5e-7)
    assert cu.k_alpha2_A == pytest.approx(1.5444256, abs=2 * 1.2e-6 * 1.5444)
    assert cu.k_beta_A == pytest.approx(1.392246, abs=1.4e-5)
    assert cu.tungsten_A == pytest.approx((1.476311, 1.487452), abs=5e-5)


@pytest.mark.parametrize(
    ("anode", "alpha1_A", "alpha2_A"),
    # direct experimental wavelengths of the NIST X-ray Transition Energies database
    # (Deslattes et al., Rev. Mod. Phys. 75 (2003) 35), as copied in several public tables
    [
        ("Cr", 2.2897260, 2.2936510), ("Fe", 1.9360410, 1.9399730), ("Co", 1.7889960, 1.7928350),
        ("Cu", 1.5405929, 1.5444274), ("Mo", 0.70931715, 0.713607), ("Ag", 0.55942178, 0.5638131),
    ],
)  # fmt: skip
def test_doublets_are_on_one_scale(anode, alpha1_A, alpha2_A):
    rays = radiation(anode)
    assert (rays.k_alpha1_A, rays.k_alpha2_A) == pytest.approx((alpha1_A, alpha2_A), rel=2e-7)


@pytest.mark.parametrize("anode", anodes())
def test_every_anode_agrees_with_tabulated_line_energies(anode):
    # Line energies of the xraylib library (T. Schoonjans et al., Spectrochim. Acta B 66 (2011)
    # 776), differences of edge energies: good to some eV
    number = xraylib.SymbolToAtomicNumber(anode)
    rays = radiation(anode)
    for wavelength, line in (
        (rays.k_alpha1_A, xraylib.KA1_LINE),
        (rays.k_alpha2_A, xraylib.KA2_LINE),
        (rays.k_beta_A, xraylib.KB1_LINE),
    ):
        energy_eV = 1000.0 * xraylib.LineEnergy(number, line)
        assert HC_EV_A / wavelength == pytest.approx(energy_eV, abs=0.0004 * energy_eV)
    for wavelength, line in zip(rays.tungsten_A, (xraylib.LA1_LINE, xraylib.LA2_LINE), strict=True):
        energy_eV = 1000.0 * xraylib.LineEnergy(74, line)
        assert HC_EV_A / wavelength == pytest.approx(energy_eV, abs=0.0004 * energy_eV)


def test_mean_wavelength_weights_by_area():
    cu = radiation()
    assert cu.mean_A == pytest.approx((2 * cu.k_alpha1_A + cu.k_alpha2_A) / 3, abs=1e-12)
    # 1.5418 Å, the handbooks' K-alpha mean (Cullity, Elements of X-Ray Diffraction, from memory)
    assert cu.mean_A == pytest.approx(1.5418, abs=1e-4)
    assert cu.energy_eV == pytest.approx(8041, abs=1.0)


def test_monochromatic_has_one_line_and_no_ghosts():
    rays = radiation("cu", monochromatic=True)
    assert rays.anode == "Cu"
    assert (rays.k_alpha2_A, rays.k_alpha2_share, rays.k_beta_A, rays.tungsten_A) == (
        None, 0.0, None, (),
    )  # fmt: skip
    assert rays.mean_A == rays.k_alpha1_A


def test_own_wavelength():
    rays = own_radiation(0.8265)
    assert rays.mean_A == 0.8265
    assert rays.anode is None
    assert "user" in rays.source


@pytest.mark.parametrize("wavelength", [0.0, -1.5, 15.4, float("nan")])
def test_a_wavelength_in_other_units_is_refused(wavelength):
    with pytest.raises(StackError, match="give it in Å"):
        own_radiation(wavelength)


def test_unknown_anode_names_the_known_ones():
    with pytest.raises(StackError, match=r"'Ni'.*Cr, Fe, Co, Cu, Mo, Ag"):
        radiation("Ni")


@given(st.floats(0.8, 200.0))
def test_bragg_there_and_back(d_A):
    wavelength = 1.5405929
    assert d_of(two_theta_of(d_A, wavelength), wavelength) == pytest.approx(d_A, rel=1e-9)


def test_bragg_where_nothing_reflects():
    assert np.isnan(two_theta_of([0.7], 1.5405929)).all()
    assert np.isinf(d_of([0.0], 1.5405929)).all()
