from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.trend.scatter import (
    Baseline,
    baseline_of,
    clipped_square,
    neighbour_correlation,
    robust_centre,
    robust_sigma,
)


def test_clipped_square_against_integration() -> None:
    z = np.linspace(-9.0, 9.0, 200_001)
    density = np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
    expected = float(np.sum(np.minimum(z * z, 2.25) * density) * (z[1] - z[0]))
    assert clipped_square(1.5) == pytest.approx(expected, rel=1e-6)


def test_scatter_of_the_line_without_that_of_its_figures() -> None:
    rng = np.random.default_rng(1)
    u = rng.uniform(0.5, 2.0, 40)
    found = robust_sigma(rng.normal(0.0, np.hypot(1.5, u), (3000, 40)), u)
    assert float(np.sqrt(np.mean(found**2))) == pytest.approx(1.5, rel=0.04)
    classical = [
        baseline_of(x, u, method="classical").sigma
        for x in rng.normal(0.0, np.hypot(1.5, u), (400, 40))
    ]
    assert float(np.sqrt(np.mean(np.square(classical)))) == pytest.approx(1.5, rel=0.06)


def test_strays_hardly_move_robust_limits() -> None:
    rng = np.random.default_rng(2)
    clean = rng.normal(size=(400, 25))
    dirty = clean.copy()
    dirty[:, [4, 15]] += 12.0
    u = np.zeros(25)
    sigma = robust_sigma(dirty, u)
    assert np.median(sigma / robust_sigma(clean, u)) < 1.45
    assert np.median(np.abs(robust_centre(dirty, np.repeat(sigma[:, None], 25, 1)))) < 0.3
    assert np.median([baseline_of(row, method="classical").sigma for row in dirty]) > 2.0


def test_a_shift_within_hardly_moves_the_scatter() -> None:
    x = np.random.default_rng(3).normal(size=(400, 30))
    x[:, 15:] += 4.0
    assert np.median(robust_sigma(x, np.zeros(30))) == pytest.approx(1.0, abs=0.12)


def test_efficiency_of_the_robust_scatter() -> None:
    """Relative spread over lines, against that of the mean moving range."""
    x = np.random.default_rng(4).normal(size=(3000, 25))
    robust = robust_sigma(x, np.zeros(25)).std()
    classical = (np.abs(np.diff(x, axis=1)).mean(axis=1) / 1.128).std()
    assert robust / classical < 1.25


def test_uncertainty_that_explains_all_leaves_none() -> None:
    assert robust_sigma(np.array([[1.0, 1.1, 0.9, 1.05]]), np.full(4, 3.0))[0] == 0.0


def test_too_few_points() -> None:
    with pytest.raises(ValueError, match="at least 2 points"):
        baseline_of(np.array([1.0]))


def test_runs_that_hang_together_are_noticed() -> None:
    rng = np.random.default_rng(5)
    noise = rng.normal(size=200)
    chained = np.empty(200)
    chained[0] = noise[0]
    for i in range(1, 200):
        chained[i] = 0.6 * chained[i - 1] + noise[i]
    u, baseline = np.zeros(200), Baseline(0.0, 1.0)
    assert neighbour_correlation(chained, baseline, u) > 5.0
    assert abs(neighbour_correlation(noise, baseline, u)) < 2.5
