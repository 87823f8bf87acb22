from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.history.pooling import excess_scatter, pool


def test_mean_of_equal_films_is_the_plain_one() -> None:
    pooled = pool(np.array([1.0, 2.0, 3.0]), np.zeros(3))
    assert pooled is not None
    assert pooled.centre == pytest.approx(2.0)
    assert pooled.sigma == pytest.approx(1.0 / np.sqrt(3.0))
    assert (pooled.lowest, pooled.highest, pooled.films) == (1.0, 3.0, 3)


def test_one_film_keeps_its_own_uncertainty() -> None:
    pooled = pool(np.array([np.nan, 5.0]), np.array([np.nan, 0.3]))
    assert pooled is not None
    assert (pooled.centre, pooled.sigma, pooled.between) == (5.0, 0.3, 0.0)


def test_nothing_known_gives_nothing() -> None:
    assert pool(np.array([np.nan]), np.array([np.nan])) is None


def test_stated_uncertainty_is_the_real_one() -> None:
    """Over simulated runs the mean's error over its stated sigma has unit spread."""
    rng = np.random.default_rng(5)
    pulls, scatters = [], []
    for _ in range(1500):
        u = rng.uniform(0.2, 1.5, 30)
        x = rng.normal(0.0, 0.7, 30) + rng.normal(0.0, u)
        pooled = pool(x, u)
        assert pooled is not None
        pulls.append(pooled.centre / pooled.sigma)
        scatters.append(excess_scatter(x, u) ** 2)
    # 1500 trials: standard error of a standard deviation is 1.8 %; few films cost a little more
    assert np.std(pulls) == pytest.approx(1.0, abs=0.08)
    assert np.mean(scatters) == pytest.approx(0.49, rel=0.06)
