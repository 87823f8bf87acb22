"""Decision and detection limits: Currie's worked constants, blank scans, and Poisson extremes.

Currie, Anal. Chem. 40 (1968) 586 (from memory; formulas checked against secondary texts): for a
paired blank of B counts L_C = 2.33 √B, L_D = 2.71 + 4.65 √B; for a well-known blank
L_C = 1.645 √B, L_D = 2.71 + 3.29 √B.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, poisson

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import radiation
from xrdfilm.errors import CannotTellError
from xrdfilm.fitting.detection import decision_area, detection_area, fit_at_places
from xrdfilm.fitting.linear_fit import BlankMoments
from xrdfilm.fitting.profile import doublet

CU = radiation()
assert CU.k_alpha2_A is not None
RATIO = np.array(CU.k_alpha2_A / CU.k_alpha1_A)
X = np.arange(27.0, 30.0, 0.02)


def profile(place: float = 28.5, fwhm: float = 0.25) -> FloatArray:
    return doublet(X, np.array(place), np.array(fwhm), np.array(0.5), RATIO, np.array(0.5))


def moments(variance: float, slope: float, third: float = 0.0, third_slope: float = 0.0):  # type: ignore[no-untyped-def]
    return BlankMoments(*(np.array([v]) for v in (variance, slope, third, third_slope)))


@pytest.mark.parametrize(
    ("blank", "factor", "decision", "detection"),
    [
        (25, 2, 11.7, 26.0),
        (100, 2, 23.3, 49.2),
        (400, 2, 46.6, 95.7),
        (100, 1, 16.4, 35.6),
    ],
)
def test_currie_constants(blank: float, factor: int, decision: float, detection: float) -> None:
    """With the skewness left out the limits are the classical ones (z = 1.645)."""
    found = moments(factor * blank, 1.0)
    # the table uses z rounded to 1.645 and constants to three digits
    assert float(decision_area(found)[0]) == pytest.approx(decision, abs=0.1)
    assert float(detection_area(found)[0]) == pytest.approx(detection, abs=0.15)


def test_limits_follow_the_asked_risks() -> None:
    found = moments(100.0, 0.0)
    assert float(decision_area(found, 0.001)[0]) == pytest.approx(30.902, abs=1e-3)
    assert float(detection_area(found, 0.05, 0.001)[0]) == pytest.approx(16.449 + 30.902, abs=2e-3)


@pytest.mark.parametrize("expected", [3.0, 10.0, 50.0, 1000.0])
@pytest.mark.parametrize("alpha", [0.05, 0.001])
def test_decision_near_exact_poisson_quantiles(expected: float, alpha: float) -> None:
    """A gross count over a known blank: the limit lies within a count of the exact one."""
    limit = expected + float(decision_area(moments(expected, 1.0, expected, 1.0), alpha)[0])
    exact = poisson.ppf(1 - alpha, expected)
    assert exact - 1.0 <= limit <= exact + 1.0


@pytest.mark.parametrize("level", [2.0, 30.0, 1e4])
def test_blank_windows_alarm_at_the_stated_rate(level: float) -> None:
    trials = 20_000
    ground = level * (1 + 0.15 * (X - 28.5))
    rng = np.random.default_rng(round(level))
    counts = rng.poisson(np.broadcast_to(ground, (trials, X.size))).astype(float)
    fit = fit_at_places(X, counts, [28.5], 0.25, 0.5, CU, 27, 30)
    for alpha in (0.05, 0.001):
        alarms = int((fit.areas > decision_area(fit, alpha)).sum())
        low, high = binom.ppf([0.0005, 0.9995], trials, alpha)
        assert low <= alarms <= high, f"{alarms} alarms at {alpha}, {level} counts a channel"
    assert abs(fit.areas.mean()) < 4.0 * fit.areas.std() / np.sqrt(trials)


@pytest.mark.parametrize("level", [20.0, 1e4])
def test_a_line_at_the_detection_limit_is_missed_at_the_stated_rate(level: float) -> None:
    trials = 10_000
    ground = np.full(X.size, level)
    fit = fit_at_places(X, ground, [28.5], 0.25, 0.5, CU, 27, 30)
    rng = np.random.default_rng(3)
    for alpha, beta in ((0.05, 0.05), (0.001, 0.1)):
        limit = float(detection_area(fit, alpha, beta)[0])
        expected = np.broadcast_to(ground + limit * profile(), (trials, X.size))
        lit = fit_at_places(X, rng.poisson(expected), [28.5], 0.25, 0.5, CU, 27, 30)
        missed = int((lit.areas <= decision_area(lit, alpha)).sum())
        # within 4 standard errors, and the half percent that a fitted background adds
        assert abs(missed - beta * trials) < 4 * np.sqrt(beta * trials) + 0.005 * trials


def test_uncertainty_of_the_background_reaches_the_limits() -> None:
    """A narrower window knows its background less well: the limit must rise."""
    ground = np.full(X.size, 100.0)
    limits = [
        float(decision_area(fit_at_places(X, ground, [28.5], 0.25, 0.5, CU, low, high, degree))[0])
        for low, high, degree in ((27, 30, 0), (27, 30, 1), (28, 29, 1), (28, 29, 2))
    ]
    assert limits[0] <= limits[1] < limits[2] < limits[3]
    assert limits[3] > 1.3 * limits[0]


def test_areas_pulls_and_covariance_of_neighbours() -> None:
    """Two overlapping lines: the covariance is that of many repeated scans."""
    trials = 6000
    expected = 50.0 + 40 * profile(28.4) + 25 * profile(28.65)
    counts = np.random.default_rng(9).poisson(np.broadcast_to(expected, (trials, X.size)))
    fit = fit_at_places(X, counts, [28.4, 28.65], 0.25, 0.5, CU, 27, 30)
    pull = (fit.areas - np.array([40.0, 25.0])) / fit.sigma
    assert np.abs(pull.mean(axis=0)).max() < 0.05
    assert np.abs(pull.std(axis=0) - 1.0).max() < 0.05
    np.testing.assert_allclose(
        np.cov(fit.areas.T), fit.covariance.mean(axis=0), rtol=0.08, atol=0.05
    )
    assert fit.covariance[0, 0, 1] < 0


def test_known_neighbour_stays_in_the_blank_hypothesis() -> None:
    expected = 20.0 + 400 * profile(28.25) + 0 * profile(28.75)
    alone = fit_at_places(X, expected, [28.25, 28.75], 0.25, 0.5, CU, 27, 30)
    known = fit_at_places(X, expected, [28.25, 28.75], 0.25, 0.5, CU, 27, 30, known=[True, False])
    assert known.sigma_blank[1] > 1.1 * alone.sigma_blank[1]
    assert known.areas == pytest.approx([400.0, 0.0], abs=1e-3)


def test_given_sigma_sets_the_weights() -> None:
    rng = np.random.default_rng(2)
    sigma = np.full((500, X.size), 3.0)
    values = 10.0 + 8 * profile() + rng.normal(0, 3.0, sigma.shape)
    fit = fit_at_places(X, values, [28.5], 0.25, 0.5, CU, 27, 30, sigma=sigma)
    pull = (fit.areas[:, 0] - 8.0) / fit.sigma[:, 0]
    assert abs(pull.mean()) < 0.15
    assert pull.std() == pytest.approx(1.0, abs=0.1)
    np.testing.assert_allclose(fit.sigma_blank, fit.sigma, rtol=1e-9)
    assert float(decision_area(fit)[0, 0]) == pytest.approx(1.6449 * fit.sigma[0, 0], rel=1e-3)


def test_misfit_is_told_and_widens() -> None:
    expected = 100.0 + 60 * profile(28.5) + 300 * profile(27.8)
    counts = np.random.default_rng(4).poisson(expected).astype(float)
    bad = fit_at_places(X, counts, [28.5], 0.25, 0.5, CU, 27, 30)
    good = fit_at_places(X, counts, [28.5, 27.8], 0.25, 0.5, CU, 27, 30)
    assert bool(bad.misfit)
    assert not bool(good.misfit)
    assert bad.sigma[0] > 2.0 * good.sigma[0]


def test_empty_scan_still_has_limits() -> None:
    fit = fit_at_places(X, np.zeros(X.size), [28.5], 0.25, 0.5, CU, 27, 30)
    assert fit.areas == pytest.approx([0.0], abs=1e-9)
    assert 0.0 < float(decision_area(fit)[0]) < float(detection_area(fit)[0])


def test_one_scan_equals_its_row_in_many() -> None:
    counts = np.random.default_rng(6).poisson(30.0, size=(4, X.size)).astype(float)
    many = fit_at_places(X, counts, [28.5, 29.0], 0.25, 0.5, CU, 27, 30)
    one = fit_at_places(X, counts[2], [28.5, 29.0], 0.25, 0.5, CU, 27, 30)
    assert one.areas.shape == (2,)
    np.testing.assert_allclose(one.areas, many.areas[2], rtol=1e-9)
    np.testing.assert_allclose(one.covariance_blank, many.covariance_blank[2], rtol=1e-9)
    np.testing.assert_allclose(detection_area(one), detection_area(many)[2], rtol=1e-6)


def test_excluded_points_have_no_say() -> None:
    counts = 50.0 + 40 * profile()
    spoiled = counts.copy()
    spoiled[(X > 29.2) & (X < 29.4)] = 1e5
    fit = fit_at_places(X, spoiled, [28.5], 0.25, 0.5, CU, 27, 30, excluded=[(29.2, 29.4)])
    assert fit.areas == pytest.approx([40.0], rel=1e-6)


def test_too_narrow_a_window_is_refused() -> None:
    with pytest.raises(CannotTellError, match="too few for 1 lines"):
        fit_at_places(X, np.ones(X.size), [28.5], 0.25, 0.5, CU, 28.49, 28.52)
