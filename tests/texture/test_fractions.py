from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.errors import CannotTellError
from xrdfilm.texture.fractions import (
    Response,
    _drawn_amplitudes,
    normal_draws,
    solve_shares,
    split_sources,
    variance_per_area,
)

A = np.array([[1.0, 0.0, 0.02], [0.5, 0.0, 0.01], [0.0, 2.0, 0.03], [0.0, 0.0, 0.3]])


def _response(nominal=A, line_sigma=0.0, column_sigma=0.0, draws=1024):
    """A response whose lines, and whose first component, are uncertain."""
    n, p = nominal.shape
    z = normal_draws(draws, n + 1, seed=3)
    factor = np.exp(line_sigma * z[:, :n])[:, :, None] * np.ones((1, 1, p))
    factor[:, :, 0] *= np.exp(column_sigma * z[:, n])[:, None]
    causes = ("structure data",) * n + ("mosaic",)
    return Response(("c", "a", "r")[:p], nominal, nominal * factor, z, causes)


def test_exact_areas_give_exact_shares():
    areas = 700.0 * A @ [0.7, 0.2, 0.1]
    found = solve_shares(areas, np.diag(areas * 0.01), _response())
    assert [found.shares[n].estimate for n in "car"] == pytest.approx([0.7, 0.2, 0.1])
    assert sum(e.estimate for e in found.shares.values()) == pytest.approx(1.0)
    assert found.predicted == pytest.approx(areas)
    assert found.chi_square == pytest.approx(0.0, abs=1e-9)
    assert found.dof == 1


def test_merged_components_add_their_shares():
    areas = 700.0 * A @ [0.7, 0.2, 0.1]
    found = solve_shares(
        areas, np.diag(areas * 0.01), _response(), merge={"aligned": ("c", "a"), "r": ("r",)}
    )
    assert found.shares["aligned"].estimate == pytest.approx(0.9)


@pytest.mark.parametrize("truth", [[0.7, 0.2, 0.1], [0.95, 0.05, 0.0], [0.5, 0.5, 0.0]])
def test_intervals_hold_the_truth(truth):
    """Counting, line by line model errors and a common one of the first component."""
    rng = np.random.default_rng(8)
    response = _response(line_sigma=0.05, column_sigma=0.2)
    held = np.zeros(3)
    trials = 300
    for _ in range(trials):
        nature = A * np.exp(0.05 * rng.standard_normal(4))[:, None]
        nature[:, 0] *= np.exp(0.2 * rng.standard_normal())
        mean = 4000.0 * nature @ truth
        areas = rng.poisson(mean + 200.0) - rng.poisson(2000.0) / 10.0
        variance = np.maximum(areas + 200.0, 1.0) + 20.0
        found = solve_shares(areas, np.diag(variance), response)
        held += [e.low <= t <= e.high for e, t in zip(found.shares.values(), truth, strict=True)]
    assert np.all(held / trials > 0.915)


def test_correlated_areas_are_not_taken_as_independent():
    areas = np.array([1000.0, 500.0, 400.0, 30.0])
    loose = np.diag([400.0, 400.0, 400.0, 400.0])
    tied = loose.copy()
    tied[2, 3] = tied[3, 2] = -360.0
    alone = solve_shares(areas, loose, _response()).shares["r"].sigma
    both = solve_shares(areas, tied, _response()).shares["r"].sigma
    assert both != pytest.approx(alone, rel=0.005)


def test_disagreeing_lines_widen_the_interval_and_point_at_the_line():
    areas = 4000.0 * A @ [0.7, 0.2, 0.1]
    covariance = np.diag(np.maximum(areas, 100.0))
    calm = solve_shares(areas, covariance, _response(line_sigma=0.03))
    areas = areas * [1.0, 1.6, 1.0, 1.0]
    upset = solve_shares(areas, covariance, _response(line_sigma=0.03))
    assert calm.widened == 1.0
    assert upset.p_value < 0.01
    assert upset.widened > 2.0
    assert upset.shares["c"].sigma > 2.0 * calm.shares["c"].sigma
    assert abs(upset.normalised_residuals[1]) > 3.0


def test_shares_stay_within_their_bounds():
    areas = np.array([1000.0, 510.0, -20.0, -4.0])
    found = solve_shares(areas, np.diag([100.0, 80.0, 100.0, 30.0]), _response())
    for share in found.shares.values():
        assert share.low is not None
        assert share.high is not None
        assert 0.0 <= share.low <= share.high <= 1.0
    assert found.shares["a"].value is None
    assert found.shares["a"].estimate < 0.0  # the unbounded estimate is kept


def test_an_all_but_invisible_component_does_not_upset_the_others():
    faint = A * [1.0, 1.0, 1e-4]
    areas = np.array([1000.0, 500.0, 400.0, -15.0])
    found = solve_shares(areas, np.diag([1000.0, 500.0, 500.0, 100.0]), _response(faint))
    assert found.shares["r"].value is None
    assert 0.0 <= found.shares["c"].estimate <= 1.0
    assert found.shares["r"].high > 0.9  # it could be nearly all of the film
    assert found.shares["c"].low < 0.1


def test_sources_add_in_squares():
    areas = 4000.0 * A @ [0.6, 0.3, 0.1]
    found = solve_shares(areas, np.diag(areas), _response(line_sigma=0.03, column_sigma=0.2))
    share = found.shares["c"]
    assert share.sigma == pytest.approx(
        np.sqrt(sum(s**2 for s in share.sources.values())), rel=1e-6
    )
    assert share.sources["mosaic"] > share.sources["structure data"] > 0.0
    assert share.sources["mosaic"] == pytest.approx(0.2 * 0.6 * 0.4, rel=0.15)


def test_sources_of_a_linear_sum_are_its_coefficients():
    z = normal_draws(2048, 3, seed=1)
    sample = 3.0 * z[:, 0] + 4.0 * z[:, 1]
    parts = split_sources(sample, z[:, 1:], ("mosaic", "thickness"))
    assert parts["mosaic"] == pytest.approx(4.0, rel=0.03)
    assert parts["counting"] == pytest.approx(3.0, rel=0.03)


def test_variance_per_area_comes_from_the_strong_lines():
    areas = np.array([1000.0, 200.0, 2.0])
    variance = 0.02 * areas + np.array([0.1, 2.0, 2.0])
    assert variance_per_area(areas, np.diag(variance)) == pytest.approx(0.0201)
    assert variance_per_area(np.zeros(3), np.diag(variance)) == 0.0


@pytest.mark.parametrize(
    ("nominal", "message"),
    [
        (A[:2], "2 usable lines cannot hold 3"),
        (A * [1.0, 0.0, 1.0], "would show a"),
        (A[:, [0, 1, 1]], "do not hold apart"),
    ],
)
def test_what_lines_cannot_tell_is_refused(nominal, message):
    areas = np.full(len(nominal), 100.0)
    with pytest.raises(CannotTellError, match=message):
        solve_shares(areas, np.diag(areas), _response(nominal))


def test_nothing_above_background_is_refused():
    with pytest.raises(CannotTellError, match="above its background"):
        solve_shares(np.full(4, -50.0), np.eye(4), _response())


def test_latin_hypercube_is_standard_normal_in_each_dimension():
    z = normal_draws(1024, 5, seed=2)
    assert np.abs(z.mean(axis=0)).max() < 1e-3
    assert z.std(axis=0) == pytest.approx(np.ones(5), abs=5e-3)
    assert np.abs(np.corrcoef(z.T) - np.eye(5)).max() < 0.1
    assert not z.flags.writeable


@pytest.mark.parametrize("truth", [[0.95, 0.05, 0.0], [0.6, 0.4, 0.0]])
def test_told_values_lie_in_their_intervals_and_sum_to_one(truth):
    """Lines 15 % off, random grains nearly invisible: the plain estimate often leaves 0..1."""
    nominal = np.vstack([A, [[0.0, 0.0, 0.2], [0.7, 0.0, 0.01]]]) * [1.0, 1.0, 0.03]
    response = _response(nominal, line_sigma=0.05, column_sigma=0.1)
    rng = np.random.default_rng(8)
    beyond = 0
    held = np.zeros(3)
    trials = 150
    for _ in range(trials):
        nature = nominal * np.exp(0.16 * rng.standard_normal(6))[:, None]
        nature[:, 0] *= np.exp(0.1 * rng.standard_normal())
        areas = rng.poisson(20_000.0 * nature @ truth + 2000.0) - 2000.0
        found = solve_shares(areas, np.diag(np.maximum(areas + 2000.0, 1.0)), response)
        shares = list(found.shares.values())
        held += [e.low <= t <= e.high for e, t in zip(shares, truth, strict=True)]
        for share in shares:
            assert 0.0 <= share.low <= share.high <= 1.0
            if not 0.0 < share.estimate < 1.0:
                beyond += 1
                assert share.value is None
            if share.value is not None:
                assert share.low <= share.value <= share.high
        assert sum(share.value or 0.0 for share in shares) < 1.0 + 1e-9
        assert sum(share.estimate for share in shares) == pytest.approx(1.0)
    assert beyond > 20
    assert np.all(held / trials > 0.915)


def test_values_sum_to_one_where_only_a_limit_of_the_third_is_told():
    areas = 4000.0 * A @ [0.7, 0.3, 0.0]
    areas[3] = -60.0
    found = solve_shares(areas, np.diag(np.full(4, 400.0)), _response(line_sigma=0.02))
    c, a, r = (found.shares[name] for name in "car")
    assert r.value is None
    assert r.estimate < -0.01
    assert c.value + a.value == pytest.approx(1.0)
    assert c.estimate + a.estimate + r.estimate == pytest.approx(1.0)


@pytest.mark.parametrize("components", [1, 2, 3, 5])
def test_amplitudes_of_draws_solve_their_normal_equations(components: int) -> None:
    """Each draw by itself, by numpy's general solver."""
    rng = np.random.default_rng(2)
    draws = rng.uniform(0.1, 1.0, (components, 40, 7))
    half = rng.normal(size=(7, 7))
    weights, areas = half @ half.T + np.eye(7), rng.normal(5.0, 2.0, (40, 7))
    found = _drawn_amplitudes(draws, weights, areas)
    for j in range(40):
        column = draws[:, j].T
        alone = np.linalg.solve(column.T @ weights @ column, column.T @ weights @ areas[j])
        assert found[:, j] == pytest.approx(alone, rel=1e-8)
