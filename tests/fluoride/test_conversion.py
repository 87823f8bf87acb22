"""The growth reaction, worked by hand and against published figures."""

from __future__ import annotations

import re
from collections import Counter

import numpy as np
import pytest
from gemmi import Element
from hypothesis import given
from hypothesis import strategies as st

from xrdfilm import safety
from xrdfilm.estimate import from_draws, from_normal
from xrdfilm.fluoride import conversion as cv


def atoms(formula: str) -> Counter[str]:
    count: Counter[str] = Counter()
    for symbol, number in re.findall(r"([A-Z][a-z]?)([\d.]*)", formula):
        count[symbol] += float(number or 1)
    return count


def total(side) -> dict[str, float]:
    count: Counter[str] = Counter()
    for coefficient, formula in side:
        for symbol, number in atoms(formula).items():
            count[symbol] += coefficient * number
    return dict(count)


def test_the_reaction_balances():
    assert total(cv.REACTANTS) == total(cv.PRODUCTS)
    assert {f: c for c, f in cv.PRODUCTS}["HF"] == cv.HF_PER_FILM_UNIT


def test_molar_masses_against_the_reference_library():
    hf = Element("H").weight + Element("F").weight
    naoh = Element("Na").weight + Element("O").weight + Element("H").weight
    assert hf == pytest.approx(safety.MOLAR_MASS_HF_G, abs=0.002)
    assert naoh == pytest.approx(safety.MOLAR_MASS_NAOH_G, abs=0.002)


def test_hf_of_one_micrometre_by_hand():
    # 1 m² × 1 µm = 1e-6 m³; one formula unit fills 173.43e-30 m³:
    # 1e-6/173.43e-30 = 5.766e21 units = 5.766e21/6.02214e23 = 9.575 mmol;
    # × 4 HF × 20.006 g/mol = 0.766 g. (9.577 mmol from a density of 6.38.)
    assert cv.film_units_mol_m2(1000.0) == pytest.approx(9.575e-3, rel=2e-4)
    assert cv.growth_hf_g_m2(1000.0) == pytest.approx(0.766, abs=5e-4)
    # the other road: density 6.38 g/cm³, molar mass of YBa2Cu3O7 666.19 g/mol
    assert cv.growth_hf_g_m2(1000.0) == pytest.approx(6.38 / 666.19 * 4 * 20.006, rel=3e-3)
    assert safety.hf_gas_volume_L(0.766) == pytest.approx(0.94, abs=0.005)
    assert safety.dilution_air_m3(0.766, 3.0) == pytest.approx(312, rel=3e-3)
    assert safety.dilution_air_m3(0.766, 0.5) == pytest.approx(1874, rel=3e-3)
    assert safety.sodium_hydroxide_g(0.766) == pytest.approx(1.53, abs=0.005)


def test_volume_of_two_fluorides():
    # 2 × 6.2001³/4 = 119.17 Å³ against 173.43 Å³
    assert cv.volume_ratio() == pytest.approx(0.687, abs=5e-4)


def test_conversion_by_hand():
    # 10 % of the volume is fluoride: in 1000 Å³, 900/173.43 = 5.189 film units hold 10.379 Ba and
    # 100/238.34×4 = 1.678 BaF2 hold 1.678 Ba: x = 10.379/12.057 = 0.8608
    ratio = cv.volume_ratio()
    x = cv.conversion_of_volume_fraction(np.array([0.0, 0.1, 1.0]), ratio)
    assert x == pytest.approx([1.0, 0.8608, 0.0], abs=2e-4)
    # 800 nm: whole HF 0.766×0.8 g/m² = 61.3 µg/cm²; × 0.1392 = 8.53 µg/cm²;
    # 100 m of 4 mm tape = 4000 cm² -> 34 mg
    hf = float(cv.bound_hf_ug_cm2(x[1:2], 800.0)[0])
    assert hf == pytest.approx(8.53, abs=0.02)
    assert cv.hf_g_per_100_m(hf, 4.0) == pytest.approx(8.53e-6 * 4000, rel=3e-3)


@given(st.floats(-0.5, 1.5), st.floats(0.4, 1.2))
def test_conversion_and_volume_fraction_are_inverse(phi, ratio):
    x = cv.conversion_of_volume_fraction(np.array([phi]), ratio)
    assert cv.volume_fraction_of_conversion(x, ratio)[0] == pytest.approx(phi, abs=1e-9)


def test_conversion_falls_with_fluoride_through_both_bounds():
    phi = np.linspace(-0.5, 1.5, 401)
    assert np.all(np.diff(cv.conversion_of_volume_fraction(phi, 0.687)) < 0)


def test_mapped_limit_turns_round():
    # at most 5 % fluoride becomes at least so much conversion
    phi = from_normal(0.001, 0.02, bounds=(0.0, 1.0))
    x = cv.mapped(phi, lambda v: cv.conversion_of_volume_fraction(v, 0.687), bounds=(0.0, 1.0))
    assert x.value is None
    assert x.high == 1.0
    assert x.low == pytest.approx(1 - (0.001 + 1.645 * 0.02) / 0.687, abs=2e-3)
    draws = np.random.default_rng(5).normal(0.2, 0.02, 4000)
    mapped = cv.mapped(
        from_draws(0.2, draws, bounds=(0.0, 1.0)),
        lambda v: cv.conversion_of_volume_fraction(v, 0.687),
        bounds=(0.0, 1.0),
    )
    ends = cv.conversion_of_volume_fraction(np.array([0.2 + 1.96 * 0.02, 0.2 - 1.96 * 0.02]), 0.687)
    assert (mapped.low, mapped.high) == pytest.approx(tuple(ends), abs=2e-3)


def test_cell_hint():
    assert "that of BaF2 within" in cv.cell_hint(6.203, 0.004)
    assert "yttrium" in cv.cell_hint(6.10, 0.005)
    assert "larger" in cv.cell_hint(6.24, 0.005)
    share = cv.yttrium_share(6.10, 0.005)
    assert share.estimate == pytest.approx(0.145, abs=0.001)
    assert share.sigma == pytest.approx(np.hypot(0.005, 0.02) / 0.69)


def test_fluoride_side_keeps_a_negative_conversion():
    unconverted = cv.RelativeArea.of(100.0, 2.0, 1000.0, 5.0)
    sharpened = cv.RelativeArea.of(130.0, 2.0, 1000.0, 5.0)
    x = cv.fluoride_side(sharpened, unconverted)
    assert x.estimate == pytest.approx(-0.3)
    assert x.value is None
    assert x.low == 0.0
    half = cv.fluoride_side(cv.RelativeArea.of(50.0, 2.0, 1000.0), unconverted)
    assert half.value == pytest.approx(0.5)
    # by hand: counting 2/100, reference 0.5×sqrt(0.02²+0.005²)
    assert half.sigma == pytest.approx(np.hypot(0.02, 0.5 * np.hypot(0.02, 0.005)), rel=1e-6)


def test_weak_normaliser_is_refused():
    with pytest.raises(ValueError, match="stronger substrate line"):
        cv.RelativeArea.of(1.0, 0.1, 2.0, 1.0)


def test_film_side_under_precursor():
    # by hand: (005) under 1 µm of 800 cm⁻¹ keeps exp(-0.485) = 0.62
    theta = np.radians(38.5 / 2)
    cover = np.exp(-2 * 800 * 1e-4 / np.sin(theta))
    assert cover == pytest.approx(0.62, abs=0.005)
    film = {"two_theta_deg": 38.5, "thickness_nm": 1000.0, "film_mu_per_cm": 1078.0}
    for x in (0.05, 0.3, 0.8):
        own = 1 - np.exp(-2 * 1078 * 1e-4 * x / np.sin(theta))
        whole = 1 - np.exp(-2 * 1078 * 1e-4 / np.sin(theta))
        ratio = own * np.exp(-2 * 800 * 1e-4 * (1 - x) / np.sin(theta)) / whole
        found = cv.film_side_by_depth(
            ratio, **film, precursor_thickness_nm=1000.0, precursor_mu_per_cm=800.0
        )
        assert found == pytest.approx(x, abs=1e-7)
    assert (
        cv.film_side_by_depth(1.1, **film, precursor_thickness_nm=1.0, precursor_mu_per_cm=1.0)
        == 1.1
    )
    plain = cv.film_side(cv.RelativeArea(0.6, 0.01), cv.RelativeArea(1.2, 0.02))
    assert plain.value == pytest.approx(0.5)


def test_sides_that_disagree_get_reasons():
    near = cv.compare_sides(from_normal(0.90, 0.02), from_normal(0.88, 0.02))
    assert near.agree
    assert near.reasons == ()
    far = cv.compare_sides(from_normal(0.95, 0.02), from_normal(0.60, 0.03))
    assert not far.agree
    text = " ".join(far.reasons)
    for word in ("texture", "amorphous", "loss"):
        assert word in text
    other = cv.compare_sides(from_normal(0.2, 0.02), from_normal(0.60, 0.03))
    assert "sharpened" in " ".join(other.reasons)
