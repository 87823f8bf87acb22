"""Average run lengths against published ones (values from memory where marked)."""

from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.trend.charts import cusum, individuals
from xrdfilm.trend.rules import DEFAULT_RULES, RULES, ZONE_RULES, zone_fired
from xrdfilm.trend.runlength import (
    cusum_run_length,
    ewma_run_length,
    false_alarms,
    zone_run_length,
)
from xrdfilm.trend.scatter import Baseline


@pytest.mark.parametrize(
    ("limit", "lengths"),
    [(4.0, (335.4, 26.7, 8.38, 4.75, 3.34)), (5.0, (930.8, 38.0, 10.38, 5.75, 4.01))],
)
def test_cusum(limit: float, lengths: tuple[float, ...]) -> None:
    """k = 0.5, shifts 0, 0.5, 1, 1.5, 2 (published tables, from memory)."""
    found = [cusum_run_length(0.5, limit, shift) for shift in (0.0, 0.5, 1.0, 1.5, 2.0)]
    np.testing.assert_allclose(found, lengths, rtol=2e-3)


@pytest.mark.parametrize(
    ("gain", "width", "length"),
    [
        (0.1, 2.814, 499.5),
        (0.2, 2.962, 499.7),
        (0.25, 2.998, 499.8),
        (0.4, 3.054, 499.9),
        (0.3, 3.0, 465.5),
    ],
)
def test_ewma(gain: float, width: float, length: float) -> None:
    assert ewma_run_length(gain, width) == pytest.approx(length, abs=0.3)


def test_zone_rules() -> None:
    """Shewhart by the normal integral; all four by Champ & Woodall (1987), 91.75, from memory."""
    assert zone_run_length(("limits",)) == pytest.approx(370.40, abs=0.01)
    assert zone_run_length(("limits",), 1.0) == pytest.approx(43.89, abs=0.01)
    assert zone_run_length(tuple(ZONE_RULES)) == pytest.approx(91.75, abs=0.01)
    assert zone_run_length(tuple(ZONE_RULES), 1.0) == pytest.approx(9.22, abs=0.01)


def test_zone_rules_run_as_long_as_their_chain_says() -> None:
    """The rules as they are applied to points, against the Markov chain."""
    rng = np.random.default_rng(6)
    lengths = []
    for _ in range(1500):
        z = rng.normal(size=1500)
        fired = np.zeros(z.size, dtype=bool)
        for rule in ZONE_RULES.values():
            fired |= zone_fired(rule, z) | zone_fired(rule, -z)
        lengths.append(int(np.argmax(fired)) + 1)
    error = np.std(lengths) / np.sqrt(len(lengths))
    assert abs(np.mean(lengths) - 91.75) < 3.0 * error


def test_cusum_runs_as_long_as_its_equation_says() -> None:
    rng = np.random.default_rng(7)
    baseline = Baseline(0.0, 1.0)
    lengths = []
    for _ in range(250):
        x = rng.normal(size=3000)
        above = cusum(x, np.zeros(x.size), baseline, limit=4.0).above
        lengths.append(int(np.argmax(above > 4.0)) + 1)
    error = np.std(lengths) / np.sqrt(len(lengths))
    assert abs(np.mean(lengths) - 335.4) < 3.0 * error


def test_false_alarms_of_the_limits_alone() -> None:
    """1 − 0.9973^100 = 0.2369; limits from few runs call more often."""
    alarms = false_alarms(("limits",), 25)
    assert alarms.chance == pytest.approx(1.0 - 0.9973002**100, abs=0.02)
    assert alarms.chance_estimated is not None
    assert alarms.chance_estimated > alarms.chance + 0.05


def test_every_further_rule_costs_false_alarms() -> None:
    few, all_ = false_alarms(DEFAULT_RULES), false_alarms(tuple(RULES))
    assert few.chance < 0.4 < 0.7 < all_.chance
    assert all_.one_in < 0.5 * few.one_in


def test_exact_points_on_a_line_without_scatter() -> None:
    chart = individuals(np.array([1.0, 2.0]), np.zeros(2), Baseline(1.0, 0.0))
    assert list(chart.z) == [0.0, np.inf]
