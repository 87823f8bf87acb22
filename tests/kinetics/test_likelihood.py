"""Likelihood: chi-square of measured points, limits as probabilities, the shared scale."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from xrdfilm.estimate import Estimate
from xrdfilm.kinetics.likelihood import deviance
from xrdfilm.kinetics.models import FRONT
from xrdfilm.kinetics.series import Point, Series, point_of


def test_measured_points_give_chi_square():
    series = Series.of([Point(250.0, 0.30, 0.05), Point(500.0, 0.45, 0.02)])
    got = deviance(series, FRONT, np.array(0.0), np.array(1000.0))
    assert got == pytest.approx((0.05 / 0.05) ** 2 + (0.05 / 0.02) ** 2)


def test_points_beyond_the_bounds_are_not_clipped():
    series = Series.of([Point(2000.0, 1.04, 0.02)])
    assert deviance(series, FRONT, np.array(0.0), np.array(1000.0)) == pytest.approx(4.0)


def test_a_limit_adds_the_probability_of_standing_at_the_bound():
    # conversion over 0.97 at 95 %: the estimate stands at 1 with sigma 0.03/1.645
    point = point_of(900.0, Estimate(None, 0.97, 1.0))
    assert (point.censor, point.sigma) == ("at_1", pytest.approx(0.03 / norm.ppf(0.95)))
    series = Series.of([point])
    done = deviance(series, FRONT, np.array(0.0), np.array(500.0))
    short = deviance(series, FRONT, np.array(0.0), np.array(900.0 / 0.97))
    assert done == pytest.approx(0.0, abs=1e-12)
    assert short == pytest.approx(-2.0 * np.log(0.05 / 0.5), rel=1e-6)


def test_a_limit_near_nothing_counts_from_the_other_side():
    point = point_of(10.0, Estimate(None, 0.0, 0.08))
    assert point.censor == "at_0"
    late = deviance(Series.of([point]), FRONT, np.array(0.0), np.array(10.0 / 0.08))
    assert late == pytest.approx(-2.0 * np.log(0.05 / 0.5), rel=1e-6)


@pytest.mark.parametrize("side", ["film", "fluoride"])
def test_shared_scale_is_the_covariance_that_the_reference_film_makes(side):
    rng = np.random.default_rng(3)
    time_s = np.linspace(100.0, 900.0, 6)
    truth = FRONT.conversion(time_s, 50.0, 1000.0)
    sigma, shared = np.full(6, 0.02), 0.08
    seen = truth + 0.03 * rng.normal(size=6)
    series = Series.of(
        [Point(t, y, s) for t, y, s in zip(time_s, seen, sigma, strict=True)],
        side=side,
        shared_sigma=shared,
    )
    scaled = truth if side == "film" else 1.0 - truth
    covariance = np.diag(sigma**2) + shared**2 * np.outer(scaled, scaled)
    law = multivariate_normal(truth, covariance)
    expected = -2.0 * (law.logpdf(seen) - law.logpdf(truth))
    got = deviance(series, FRONT, np.array(50.0), np.array(1000.0))
    assert got == pytest.approx(expected, rel=1e-9)


def test_an_estimate_that_tells_nothing_is_refused():
    with pytest.raises(ValueError, match="neither an estimate"):
        point_of(10.0, Estimate(None, None, None), "A")
    with pytest.raises(ValueError, match="above 0"):
        Point(1.0, 0.5, 0.0)
