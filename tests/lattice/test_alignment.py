import numpy as np
import pytest

from xrdfilm.errors import AlignmentError, CannotTellError
from xrdfilm.intensity.optics import Optics
from xrdfilm.lattice.alignment import (
    Alignment,
    align,
    instrument_prior,
    no_alignment,
    placed_lines,
)
from xrdfilm.lattice.places import axial_scale, refraction_shift, shift_columns
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection

OPTICS = Optics()
WAVELENGTH = OPTICS.radiation.k_alpha1_A


def places(edge_A: float, orders: list[int]) -> np.ndarray:
    return 2 * np.degrees(np.arcsin(WAVELENGTH * np.array(orders) / (2 * edge_A)))


def moved(
    true: np.ndarray, zero: float, displacement: float, axial: float = 0.0, radius: float = 240.0
) -> np.ndarray:
    """By hand, not by the package's own columns."""
    theta = np.radians(true) / 2
    shift = zero - np.degrees(2 * displacement * 1e-3 / radius) * np.cos(theta)
    return np.asarray(true + shift - axial / np.tan(2 * theta))


def test_shift_is_the_geometry_of_a_displaced_sample() -> None:
    # the central ray traced with no small-angle formula: source on the circle at θ, the surface s
    # below its centre, reflected by planes along the surface, out to the circle again
    radius, s = 240.0, 0.1
    for two_theta in (23.0, 47.0, 90.0, 130.0):
        theta = np.radians(two_theta / 2)
        source = radius * np.array([-np.cos(theta), np.sin(theta)])
        inward = np.array([np.cos(theta), -np.sin(theta)])
        hit = source + inward * (radius + s / np.sin(theta))
        assert hit[1] == pytest.approx(-s)
        out = np.array([np.cos(theta), np.sin(theta)])
        along = -hit @ out + np.sqrt((hit @ out) ** 2 - hit @ hit + radius**2)
        met = hit + along * out
        traced = np.degrees(np.arctan2(met[1], met[0])) - two_theta / 2
        shift = float(shift_columns(np.array(two_theta), radius) @ [0.0, 1e3 * s, 0.0])
        assert shift == pytest.approx(traced, rel=1e-3)


def test_zero_and_displacement_recovered_with_their_covariance() -> None:
    rng = np.random.default_rng(5)
    true = places(3.79, [1, 2, 3, 4])
    sigma = np.full(4, 0.001)
    distances = []
    for _ in range(400):
        zero, displacement = rng.uniform(-0.1, 0.1), rng.uniform(-200, 200)
        observed = moved(true, zero, displacement) + rng.normal(0, sigma)
        found = align(observed, sigma, true, OPTICS, mode="both")
        error = np.array([found.zero_deg - zero, found.displacement_um - displacement])
        distances.append(error @ np.linalg.solve(found.covariance[:2, :2], error))
        assert found.told_apart
    # chi-square with two degrees of freedom: mean 2, standard error of the mean 2/sqrt(400) = 0.1
    assert np.mean(distances) == pytest.approx(2.0, abs=0.35)


def test_narrow_range_keeps_the_sum_and_says_so() -> None:
    true = places(3.905, [1, 2])[1:].repeat(2) + np.array([0.0, 1.0])
    observed = moved(true, 0.03, -80.0)
    found = align(observed, np.full(2, 1e-3), true, OPTICS)
    assert not found.told_apart
    assert any("cannot be told apart" in note for note in found.notes)
    at = np.array([47.0])
    assert found.shift(at) == pytest.approx(moved(at, 0.03, -80.0) - at, abs=2e-3)
    assert found.shift_sigma(at)[0] < 0.005
    assert np.sqrt(found.covariance[0, 0]) > 0.05
    low, high = found.zero().low, found.zero().high
    assert low is not None
    assert high is not None
    assert low < 0.03 < high


def test_correct_undoes_shift() -> None:
    found = Alignment(0.08, 150.0, 0.006, np.eye(3), 240.0, "auto")
    true = np.linspace(10.0, 120.0, 30)
    assert found.correct(true + found.shift(true)) == pytest.approx(true, abs=1e-6)
    assert float(found.correct(40.0)) == pytest.approx(40.0 - float(found.shift(40.0)), abs=1e-3)


def test_one_bad_line_is_left_out_and_named() -> None:
    true = places(3.905, [1, 2, 3, 4])
    observed = moved(true, -0.04, 120.0)
    observed[1] += 0.04  # a saturated top
    names = ["(100)", "(200)", "(300)", "(400)"]
    found = align(observed, np.full(4, 1e-3), true, OPTICS, labels=names, mode="both")
    assert [name for name, _ in found.left_out] == ["(200)"]
    assert "+0.04" in found.left_out[0][1]
    assert found.zero_deg == pytest.approx(-0.04, abs=0.005)
    assert "(200)" not in found.from_lines


def test_scatter_beyond_chance_widens_and_is_told() -> None:
    rng = np.random.default_rng(0)
    true = places(10.5, list(range(2, 13)))
    observed = moved(true, 0.02, 50.0) + rng.normal(0, 5e-3, true.size)
    sharp = align(observed, np.full(true.size, 5e-3), true, OPTICS, mode="both")
    blind = align(observed, np.full(true.size, 1e-3), true, OPTICS, mode="both")
    assert blind.scatter > 3.0
    assert any("disagree" in note for note in blind.notes)
    ratio = np.sqrt(blind.covariance[0, 0] / sharp.covariance[0, 0])
    assert 0.5 < ratio < 1.6


@pytest.mark.parametrize("mode", ["zero", "displacement"])
def test_one_term_modes_hold_the_others(mode: str) -> None:
    true = places(3.905, [1, 2, 3])
    observed = true + 0.05
    found = align(observed, np.full(3, 1e-3), true, OPTICS, mode=mode)  # type: ignore[arg-type]
    if mode == "zero":
        assert found.displacement_um == 0.0
        assert found.zero_deg == pytest.approx(0.05, abs=1e-4)
    else:
        assert found.zero_deg == 0.0
        assert found.displacement_um < -90.0
    assert found.axial_deg == 0.0


def test_axial_term_is_fitted_in_auto() -> None:
    true = places(10.5, list(range(2, 14)))
    observed = moved(true, 0.02, -60.0, axial=0.004)
    found = align(observed, np.full(true.size, 2e-4), true, OPTICS)
    assert found.axial_deg == pytest.approx(0.004, abs=4 * np.sqrt(found.covariance[2, 2]))
    assert np.sqrt(found.covariance[2, 2]) < 1e-3


def test_doubtful_cells_count_as_doubtful() -> None:
    # tape: the cell is known to 0.1 % only; the two orders then say little about the shift,
    # and the shift they say must hold the truth
    true = places(3.545, [2, 4])
    stretched = places(3.545 * 1.001, [2, 4])
    observed = moved(stretched, 0.03, 0.0)
    sure = align(observed, np.full(2, 1e-3), true, OPTICS, mode="zero")
    fair = align(observed, np.full(2, 1e-3), true, OPTICS, mode="zero", cell_sigma=1e-3)
    truth = 0.03
    assert abs(float(sure.shift(51.5)) - truth) > 5 * float(sure.shift_sigma(51.5)) / sure.scatter
    assert abs(float(fair.shift(51.5)) - truth) < 3 * float(fair.shift_sigma(51.5))


def test_prior_from_a_standard_frees_the_displacement_only() -> None:
    true = places(10.5, list(range(2, 14)))
    standard = align(moved(true, 0.02, -60.0, 0.003), np.full(true.size, 2e-4), true, OPTICS)
    prior = instrument_prior(standard)
    assert prior.zero_deg == standard.zero_deg
    assert prior.displacement_um == 0.0
    assert np.sqrt(prior.covariance[1, 1]) == pytest.approx(200.0)
    film = places(3.905, [2])
    found = align(moved(film, 0.02, 90.0, 0.003), [1e-3], film, OPTICS, prior=prior)
    sigma = float(np.sqrt(found.covariance[1, 1]))
    assert found.displacement_um == pytest.approx(90.0, abs=4 * sigma)
    assert sigma < 40.0


def test_errors_say_what_to_do() -> None:
    true = places(3.905, [1, 2, 3])
    with pytest.raises(CannotTellError, match="internal standard"):
        align([], [], [], OPTICS)
    with pytest.raises(AlignmentError, match="check the anode"):
        align(true + 0.8, np.full(3, 1e-3), true, OPTICS)
    with pytest.raises(ValueError, match="as many"):
        align(true, np.full(2, 1e-3), true, OPTICS)
    with pytest.raises(ValueError, match="positive"):
        align(true, np.zeros(3), true, OPTICS)


def test_no_alignment_holds_priors() -> None:
    assert np.diag(no_alignment(OPTICS, "displacement").covariance)[[0, 2]] == pytest.approx(0.0)
    auto = no_alignment(OPTICS)
    assert np.sqrt(auto.covariance[2, 2]) == pytest.approx(axial_scale(2.3))
    # D = 2.3°: half of D²/12 = half of 0.0077°
    assert axial_scale(2.3) == pytest.approx(0.5 * np.degrees(np.radians(2.3) ** 2 / 12))


def test_axial_scale_against_rays() -> None:
    # rays inclined by α and β: cos(apparent) from the angle between projections of the two rays
    rng = np.random.default_rng(2)
    half = np.radians(2.3) / 2
    alpha, beta = rng.uniform(-half, half, (2, 200_000))
    true = np.radians(30.0)
    # in-plane angle φ between projections such that the full angle between the rays is 2θ
    cosine = (np.cos(true) - np.sin(alpha) * np.sin(beta)) / (np.cos(alpha) * np.cos(beta))
    shift = np.degrees(np.mean(np.arccos(cosine)) - true)
    assert shift == pytest.approx(-2 * axial_scale(2.3) / np.tan(true), rel=0.03)


def test_refraction_against_snell() -> None:
    # wave vectors inside: 2 k_z = 2π/d with k_z² = k² (sin²θ − 2δ)
    delta, d = 1.8e-5, 11.68 / 5
    bragg = 2 * np.degrees(np.arcsin(WAVELENGTH / (2 * d)))
    sine = np.sqrt((WAVELENGTH / (2 * d)) ** 2 + 2 * delta)
    exact = 2 * np.degrees(np.arcsin(sine))
    assert float(refraction_shift(np.array(bragg), delta)) == pytest.approx(exact - bragg, rel=1e-3)


def line(phase: str, hkl: tuple[int, int, int], at: float, **changes: object) -> MeasuredLine:
    values: dict[str, object] = {
        "members": (Reflection(phase, hkl),),
        "place": "free",
        "expected_deg": at,
        "two_theta_deg": at,
        "two_theta_sigma_deg": 1e-3,
        "area_counts_deg": 100.0,
        "area_sigma_counts_deg": 1.0,
        "fwhm_deg": 0.1,
        "fwhm_sigma_deg": 0.001,
        "lorentz_fraction": 0.5,
        "significance": 100.0,
        "decision_area": 1.0,
        "detection_area": 2.0,
        "background_counts": 10.0,
    }
    values.update(changes)
    return MeasuredLine(**values)  # type: ignore[arg-type]


def test_only_lines_with_a_place_of_their_own_are_built_on() -> None:
    lines = (
        line("YBCO", (0, 0, 5), 38.5),
        line("YBCO", (0, 0, 6), 46.6),
        line("SrTiO3", (2, 0, 0), 46.47, area_counts_deg=5000.0),
        line("YBCO", (0, 0, 7), 55.0, place="forced"),
        line("YBCO", (0, 0, 8), 63.0, significance=4.0),
        line("YBCO", (0, 0, 9), 72.5, flags=("not_converged",)),
    )
    kept, left_out = placed_lines(MeasuredLines(lines, np.eye(6)), phase="YBCO")
    assert [k.reflection.hkl for k in kept] == [(0, 0, 5)]
    why = dict(left_out)
    assert "blended with SrTiO3 (200), 0.13° away" in why["YBCO (006)"]
    assert "not fitted" in why["YBCO (007)"]
    assert "too weak" in why["YBCO (008)"]
    assert "not converged" in why["YBCO (009)"]
