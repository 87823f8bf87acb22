"""Line profiles: area, width, place of K-alpha2, derivatives, and lmfit's pseudo-Voigt."""

from __future__ import annotations

import numpy as np
import pytest
from lmfit.lineshapes import pvoigt
from scipy.integrate import quad

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import d_of, radiation
from xrdfilm.fitting.profile import doublet, doublet_terms, pseudo_voigt, second_place

CU = radiation()
assert CU.k_alpha2_A is not None
RATIO = np.array(CU.k_alpha2_A / CU.k_alpha1_A)
X = np.linspace(35.0, 42.0, 701)


@pytest.mark.parametrize("eta", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("skew", [0.0, 0.3, -0.2])
def test_area_is_one_and_half_maxima_are_one_width_apart(eta: float, skew: float) -> None:
    def at(x: float) -> float:
        return float(pseudo_voigt(np.array(x), 38.5, 0.2, eta, skew))

    inside = quad(at, 28.5, 48.5, points=[38.3, 38.5, 38.7], limit=400)[0]
    # Beyond ±10° a Lorentzian of half width w leaves atan tails; a Gaussian nothing
    tails = sum(
        eta * (1 + side) * (0.5 - np.arctan(10.0 / (0.1 * (1 + side))) / np.pi)
        for side in (skew, -skew)
    )
    assert inside + tails == pytest.approx(1.0, abs=1e-8)
    top = at(38.5)
    assert at(38.5 - 0.1 * (1 + skew)) == pytest.approx(top / 2, rel=1e-12)
    assert at(38.5 + 0.1 * (1 - skew)) == pytest.approx(top / 2, rel=1e-12)


@pytest.mark.parametrize("eta", [0.0, 0.4, 1.0])
def test_agrees_with_lmfit(eta: float) -> None:
    """lmfit's pvoigt has area amplitude, FWHM 2·sigma and the Lorentzian's share as fraction."""
    ours = pseudo_voigt(X, 38.4, 0.24, eta)
    np.testing.assert_allclose(
        ours, pvoigt(X, amplitude=1.0, center=38.4, sigma=0.12, fraction=eta), rtol=1e-10
    )


@pytest.mark.parametrize("place", [5.0, 38.5, 90.0, 150.0])
def test_both_lines_of_the_pair_have_one_lattice_spacing(place: float) -> None:
    assert CU.k_alpha2_A is not None
    other, slope = second_place(np.array(place), RATIO)
    assert float(d_of(float(other), CU.k_alpha2_A)) == pytest.approx(
        float(d_of(place, CU.k_alpha1_A)), rel=1e-12
    )
    step = 1e-5
    up, down = (second_place(np.array(place + s), RATIO)[0] for s in (step, -step))
    assert float(slope) == pytest.approx(float(up - down) / (2 * step), rel=1e-6)


def test_k_alpha2_beyond_the_last_reflection_does_not_break() -> None:
    other, slope = second_place(np.array(179.5), np.array(1.01))
    assert float(other) == 180.0
    assert np.isfinite(slope)


def test_pair_is_two_peaks_of_two_to_one() -> None:
    other = float(second_place(np.array(60.0), RATIO)[0])
    x = np.linspace(55, 65, 2001)
    pair = doublet(x, np.array(60.0), np.array(0.1), np.array(0.4), RATIO, np.array(0.5))
    apart = 2 / 3 * pseudo_voigt(x, 60.0, 0.1, 0.4) + 1 / 3 * pseudo_voigt(x, other, 0.1, 0.4)
    np.testing.assert_allclose(pair, apart, rtol=1e-12)
    single = doublet(x, np.array(60.0), np.array(0.1), np.array(0.4), RATIO, np.array(0.0))
    np.testing.assert_allclose(single, pseudo_voigt(x, 60.0, 0.1, 0.4), rtol=1e-12)


@pytest.mark.parametrize("share", [0.0, 0.5])
@pytest.mark.parametrize("skew", [None, 0.15])
def test_derivatives_equal_finite_differences(share: float, skew: float | None) -> None:
    names = ("place", "fwhm", "lorentz", "skew")
    start = {"place": 38.437, "fwhm": 0.23, "lorentz": 0.37, "skew": skew or 0.0}

    def value(parameters: dict[str, float]) -> FloatArray:
        tilt = None if skew is None else np.array(parameters["skew"])
        return doublet(
            X,
            np.array(parameters["place"]),
            np.array(parameters["fwhm"]),
            np.array(parameters["lorentz"]),
            RATIO,
            np.array(share),
            tilt,
        )

    terms = doublet_terms(
        X,
        np.array(start["place"]),
        np.array(start["fwhm"]),
        np.array(start["lorentz"]),
        RATIO,
        np.array(share),
        None if skew is None else np.array(skew),
    )
    np.testing.assert_allclose(terms.value, value(start), rtol=1e-12)
    for name in names:
        found = getattr(terms, f"by_{name}")
        if skew is None and name == "skew":
            assert found is None
            continue
        step = 1e-5
        slope = (
            value(start | {name: start[name] + step}) - value(start | {name: start[name] - step})
        ) / (2 * step)
        np.testing.assert_allclose(found, slope, atol=2e-6 * np.abs(slope).max(), err_msg=name)


def test_inputs_are_left_alone() -> None:
    arrays = [X.copy(), np.array([[38.0], [39.0]]), np.full((2, 1), 0.2), np.full((2, 1), 0.5)]
    for array in arrays:
        array.flags.writeable = False
    first = doublet_terms(*arrays, RATIO, np.array(0.5))
    again = doublet_terms(*arrays, RATIO, np.array(0.5))
    assert first.value.shape == (2, X.size)
    np.testing.assert_array_equal(first.by_fwhm, again.by_fwhm)
