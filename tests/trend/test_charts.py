"""Control charts against the worked examples of the NIST/SEMATECH e-Handbook of Statistical
Methods: 6.3.2.2 (individuals), 6.3.2.3 (CUSUM), 6.3.2.4 (EWMA)."""

from __future__ import annotations

import numpy as np
import pytest

from xrdfilm._typing import FloatArray
from xrdfilm.trend.charts import cusum, ewma, individuals
from xrdfilm.trend.scatter import Baseline, baseline_of

INDIVIDUALS = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
EWMA_DATA = np.array(
    [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *INDIVIDUALS.tolist()]
)
_EWMA_LINE = """
50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33
50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99
"""
# the 20 values of the CUSUM example are from memory; they reproduce the published signal
_CUSUM_DATA = """
324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600
324.625 325.150 328.325 327.250 327.825 328.500 326.675 327.775 326.875 328.350
"""
EWMA_LINE = np.array(_EWMA_LINE.split(), dtype=float)
CUSUM_DATA = np.array(_CUSUM_DATA.split(), dtype=float)


def _exact(values: FloatArray) -> FloatArray:
    return np.zeros(values.size)


def test_individuals_example() -> None:
    u = _exact(INDIVIDUALS)
    baseline = baseline_of(INDIVIDUALS, u, method="classical")
    chart = individuals(INDIVIDUALS, u, baseline)
    assert f"{baseline.centre:.2f}" == "50.81"
    assert f"{chart.ranges.mean():.4f}" == "1.8778"
    assert f"{chart.upper[0]:.4f}" == "55.8041"
    assert f"{chart.lower[0]:.4f}" == "45.8159"
    assert chart.range_centre[0] == pytest.approx(chart.ranges.mean())
    assert chart.range_upper[0] == pytest.approx(3.267 * chart.ranges.mean())


def test_ewma_example() -> None:
    baseline = Baseline(50.0, 2.0539)
    chart = ewma(EWMA_DATA, _exact(EWMA_DATA), baseline, gain=0.3, width=3.0)
    np.testing.assert_array_equal(np.round(chart.values, 2), EWMA_LINE)
    assert f"{chart.upper[0]:.4f}" == "52.5884"
    assert chart.lower[-1] == pytest.approx(47.41157, abs=6e-6)  # the page truncates to 47.4115
    assert np.all((chart.values < chart.upper) & (chart.values > chart.lower))
    np.testing.assert_allclose(chart.gain, 0.3)


def test_cusum_example() -> None:
    sigma = 0.635
    baseline = Baseline(325.0, sigma)
    chart = cusum(CUSUM_DATA, _exact(CUSUM_DATA), baseline, slack=0.5, limit=4.1959 / sigma)
    np.testing.assert_array_equal(np.round(chart.above[12:16], 2), [3.01, 4.94, 7.45, 10.63])
    assert int(np.flatnonzero(chart.above > chart.limit)[0]) + 1 == 14
    assert not np.any(chart.below > chart.limit)


def test_limits_are_wider_for_an_uncertain_point() -> None:
    baseline = Baseline(0.0, 3.0, typical_u=0.0)
    chart = individuals(np.zeros(3), np.array([0.0, 4.0, 0.0]), baseline)
    np.testing.assert_allclose(chart.upper, [9.0, 15.0, 9.0])


def test_uncertain_points_move_averages_and_sums_less() -> None:
    baseline = Baseline(0.0, 1.0, typical_u=0.5)
    x = np.full(12, 1.5)
    sure, unsure = np.full(12, 0.5), np.full(12, 3.0)
    assert ewma(x, unsure, baseline).values[-1] < 0.8 * ewma(x, sure, baseline).values[-1]
    assert cusum(x, unsure, baseline).above[-1] < 0.2 * cusum(x, sure, baseline).above[-1]


def test_ewma_limits_hold_the_share_they_say_with_uneven_points() -> None:
    """The average's variance, point by point, is that of the simulation."""
    rng = np.random.default_rng(8)
    u = rng.uniform(0.1, 2.0, 40)
    baseline = Baseline(0.0, 0.7, typical_u=float(np.median(u)))
    ends = []
    for _ in range(1500):
        x = rng.normal(0.0, np.hypot(0.7, u))
        ends.append(ewma(x, u, baseline, width=1.0).values[-1])
    half = ewma(np.zeros(40), u, baseline, width=1.0).upper[-1]
    assert np.std(ends) == pytest.approx(half, rel=0.06)  # 1500 trials: 1.8 % standard error
