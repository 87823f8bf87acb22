"""Estimates: intervals, bounds and the probability of breaking a limit."""

import numpy as np
import pytest
from scipy.stats import norm

from xrdfilm.estimate import (
    Estimate,
    adding_up,
    from_draws,
    from_normal,
    quantile_of_sorted,
    widest,
)

Z_TWO, Z_ONE = norm.ppf(0.975), norm.ppf(0.95)


def test_two_sided_interval_away_from_the_bounds() -> None:
    estimate = from_normal(0.3, 0.05, bounds=(0.0, 1.0))
    assert estimate.value == 0.3
    assert estimate.low == pytest.approx(0.3 - Z_TWO * 0.05)
    assert estimate.high == pytest.approx(0.3 + Z_TWO * 0.05)


def test_near_the_lower_bound_there_is_only_a_limit() -> None:
    estimate = from_normal(0.02, 0.02, bounds=(0.0, 1.0))
    assert estimate.value is None
    assert estimate.estimate == 0.02
    assert estimate.low == 0.0
    assert estimate.high == pytest.approx(0.02 + Z_ONE * 0.02)


def test_near_the_upper_bound_there_is_only_a_limit() -> None:
    estimate = from_normal(0.99, 0.02, bounds=(0.0, 1.0))
    assert estimate.value is None
    assert estimate.high == 1.0
    assert estimate.low == pytest.approx(0.99 - Z_ONE * 0.02)


def test_a_negative_estimate_gives_no_better_limit_than_zero_would() -> None:
    negative = from_normal(-0.05, 0.02, bounds=(0.0, 1.0))
    at_zero = from_normal(0.0, 0.02, bounds=(0.0, 1.0))
    assert negative.estimate == -0.05
    assert negative.high == at_zero.high


def test_nothing_known_fills_the_whole_range() -> None:
    estimate = from_normal(0.5, 2.0, bounds=(0.0, 1.0))
    assert (estimate.value, estimate.low, estimate.high) == (None, 0.0, 1.0)


@pytest.mark.parametrize("truth", [0.0, 0.5, 1.0, 2.0, 3.0, 5.0])
def test_coverage_of_the_one_sided_rule(truth: float) -> None:
    """Going from one-sided to two-sided costs at most 2.5 % of coverage, nowhere more."""
    rng = np.random.default_rng(20)
    trials = 4000
    held = 0
    for x in rng.normal(truth, 1.0, trials):
        e = from_normal(float(x), 1.0, bounds=(0.0, None))
        assert e.low is not None
        assert e.high is not None
        held += e.low <= truth <= e.high
    binomial = 3 * np.sqrt(0.925 * 0.075 / trials)
    assert held / trials > 0.925 - binomial


def test_draws_and_normal_agree() -> None:
    draws = norm.ppf((np.arange(20000) + 0.5) / 20000, loc=0.3, scale=0.05)
    sampled = from_draws(0.3, draws, bounds=(0.0, 1.0))
    plain = from_normal(0.3, 0.05, bounds=(0.0, 1.0))
    assert sampled.low == pytest.approx(plain.low, abs=1e-4)
    assert sampled.high == pytest.approx(plain.high, abs=1e-4)
    assert sampled.probability_above(0.4) == pytest.approx(plain.probability_above(0.4), abs=1e-3)


def test_draws_near_a_bound() -> None:
    draws = norm.ppf((np.arange(20000) + 0.5) / 20000, loc=-0.05, scale=0.02)
    sampled = from_draws(-0.05, draws, bounds=(0.0, 1.0))
    plain = from_normal(-0.05, 0.02, bounds=(0.0, 1.0))
    assert sampled.value is None
    assert sampled.high == pytest.approx(plain.high, abs=1e-4)


@pytest.mark.parametrize("bad", [np.full(200, np.nan), np.zeros(5)])
def test_draws_must_be_many_and_finite(bad: np.ndarray) -> None:
    with pytest.raises(ValueError, match="at least 100 finite draws"):
        from_draws(0.0, bad)


def test_probability_is_that_of_the_cut_off_normal() -> None:
    estimate = from_normal(-0.01, 0.02, bounds=(0.0, 1.0))
    cut = norm.sf(0.05, -0.01, 0.02) / norm.sf(0.0, -0.01, 0.02)
    assert estimate.probability_above(0.05) == pytest.approx(cut, rel=1e-6)
    assert estimate.probability_above(-0.5) == 1.0
    assert estimate.probability_above(1.0) == 0.0


def test_an_estimate_wholly_outside_stands_at_its_bound() -> None:
    assert from_normal(-5.0, 0.01, bounds=(0.0, 1.0)).probability_above(0.05) == 0.0
    assert from_normal(6.0, 0.01, bounds=(0.0, 1.0)).probability_above(0.95) == 1.0


def test_without_a_distribution_there_is_no_probability() -> None:
    with pytest.raises(ValueError, match="no distribution"):
        Estimate(1.0, 0.0, 2.0).probability_above(1.5)


def test_centre_falls_back_to_the_unbounded_estimate() -> None:
    assert from_normal(0.01, 0.02, bounds=(0.0, 1.0)).centre == 0.01
    assert from_normal(0.3, 0.02, bounds=(0.0, 1.0)).centre == 0.3


def test_the_envelope_is_as_low_as_the_lowest_and_as_high_as_the_highest() -> None:
    rng = np.random.default_rng(5)
    small = from_draws(0.01, 0.01 + 0.001 * rng.standard_normal(4000), bounds=(0.0, 1.0))
    large = from_draws(0.40, 0.40 + 0.05 * rng.standard_normal(4000), bounds=(0.0, 1.0))
    both = widest([large, small])
    assert both.value is None
    assert (both.low, both.high) == (small.low, large.high)
    # beyond a limit that lies between them: neither kept nor broken at any risk under a half
    assert 0.4 < both.probability_above(0.1) < 0.6
    # a limit is kept, or broken, with the probability that the unfavourable one has
    assert both.probability_above(0.48) == pytest.approx(large.probability_above(0.48), abs=0.01)
    assert both.probability_above(0.009) == pytest.approx(small.probability_above(0.009), abs=0.01)
    assert widest([small]) is small
    with pytest.raises(ValueError, match="no estimate"):
        widest([])


def total(estimate: Estimate) -> float:
    return float(np.sqrt(sum(part**2 for part in estimate.sources.values())))


def test_the_causes_of_the_envelope_add_up_and_name_what_counting_lessens() -> None:
    rng = np.random.default_rng(6)
    parts = {"counting": 0.04, "mosaic": 0.03}
    small = from_draws(0.01, 0.01 + 0.001 * rng.standard_normal(4000), bounds=(0.0, 1.0))
    large = from_draws(
        0.40, 0.40 + 0.05 * rng.standard_normal(4000), bounds=(0.0, 1.0), sources=parts
    )
    both = widest([small, large])
    assert total(both) == pytest.approx(both.sigma)
    assert both.estimate == large.estimate
    assert both.sources["counting"] / both.sources["mosaic"] == pytest.approx(4 / 3)
    assert both.sources["which of several holds"] > 0.8 * both.sigma
    # cut off at its bounds an estimate of nothing spreads no wider than they do
    wild = from_draws(
        0.1, 5.0 * rng.standard_normal(4000), bounds=(0.0, 1.0), sources={"counting": 5.0}
    )
    cut = widest([small, wild])
    assert cut.sigma < 0.5
    assert total(cut) == pytest.approx(cut.sigma)


def test_causes_reckoned_by_slopes_are_brought_to_the_spread_of_the_draws() -> None:
    draws = np.exp(0.6 * norm.ppf((np.arange(2000) + 0.5) / 2000))
    skew = from_draws(1.0, draws, sources={"mosaic": 0.5, "thickness": 0.3})
    told = adding_up(skew)
    assert total(told) == pytest.approx(skew.sigma)
    assert told.sources["mosaic"] / told.sources["thickness"] == pytest.approx(5 / 3)
    assert adding_up(Estimate(1.0, 0.5, 1.5)) == Estimate(1.0, 0.5, 1.5)


def test_an_estimate_beyond_its_bound_has_no_value_wherever_its_draws_lie() -> None:
    draws = norm.ppf((np.arange(2000) + 0.5) / 2000, loc=0.6, scale=0.05)
    above = from_draws(1.3, draws, bounds=(0.0, 1.0))
    below = from_draws(-0.3, draws, bounds=(0.0, 1.0))
    assert (above.value, above.high, above.estimate) == (None, 1.0, 1.3)
    assert (below.value, below.low, below.estimate) == (None, 0.0, -0.3)


def test_an_interval_holds_its_value() -> None:
    draws = norm.ppf((np.arange(2000) + 0.5) / 2000, loc=0.6, scale=0.05)
    found = from_draws(0.8, draws, bounds=(0.0, 1.0))
    assert found.value == found.high == 0.8
    assert found.low == pytest.approx(0.6 - Z_TWO * 0.05, abs=1e-3)


@pytest.mark.parametrize("probability", [0.0, 0.025, 0.31, 0.5, 0.999, 1.0])
def test_quantiles_of_a_sorted_sample_are_numpys(probability: float) -> None:
    sample = np.sort(np.random.default_rng(1).normal(size=137))
    found = quantile_of_sorted(sample, probability)
    assert found == pytest.approx(np.quantile(sample, probability), rel=1e-12)
