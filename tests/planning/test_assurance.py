"""Assurance: the closed form far from bounds, simulation near them, and the least time."""

import numpy as np
import pytest
from scipy.stats import norm

from xrdfilm.decision.guard import Tolerance
from xrdfilm.estimate import from_draws, from_normal
from xrdfilm.planning.assurance import (
    Belief,
    assurance,
    least_time,
    probability_decided,
    repeat_plan,
)

LIMIT = Tolerance(None, 0.5)


def constant(sigma):
    return lambda x: np.full_like(np.asarray(x, dtype=float), sigma)


def test_far_from_the_bounds_it_is_the_power_of_a_one_sided_test():
    # decided where |estimate - limit| > z(0.95) sigma; 3 sigma away: Φ(3 - 1.645) + Φ(-3 - 1.645)
    got = probability_decided(np.array([0.47]), constant(0.01), LIMIT, 0.05)[0]
    assert got == pytest.approx(norm.cdf(3.0 - norm.ppf(0.95)), abs=0.006)


def test_near_nothing_it_is_what_judging_simulated_estimates_gives():
    rng = np.random.default_rng(6)
    limit, sigma = Tolerance(None, 0.03), 0.012
    for truth in (0.0, 0.01, 0.05):
        seen = truth + sigma * rng.normal(size=4000)
        broken = [
            limit.probability_broken(from_normal(float(x), sigma, bounds=(0.0, 1.0))) for x in seen
        ]
        decided = np.mean([b < 0.05 if truth <= 0.03 else 1.0 - b < 0.05 for b in broken])
        got = probability_decided(np.array([truth]), constant(sigma), limit, 0.05)[0]
        assert got == pytest.approx(decided, abs=0.025)


def test_lower_limits_and_two_sided_ones():
    for tolerance in (Tolerance(0.5, None), Tolerance(0.3, 0.5)):
        sure = assurance(Belief(0.4, 0.0), constant(0.001), tolerance, 0.05)
        assert sure == pytest.approx(1.0)
        open_ = assurance(Belief(0.5, 0.0), constant(0.05), tolerance, 0.05)
        assert open_ < 0.25


def test_a_belief_across_the_limit_can_never_be_sure():
    # half the truth lies within 0.2 sigma of the limit: even endless counting leaves those open
    belief = Belief(0.5, 0.01, (0.0, 1.0))
    assert assurance(belief, constant(1e-6), LIMIT, 0.05) > 0.95
    assert assurance(belief, constant(0.005), LIMIT, 0.05) < 0.5


def test_least_time_by_the_square_root_law():
    def sigma_at(time):
        return constant(0.1 / np.sqrt(time))

    got = least_time(Belief(0.47), sigma_at, LIMIT, 0.05, wanted=0.9, shortest=0.1, longest=1e6)
    # (z(0.95) + z(0.9)) sigma = 0.03
    by_hand = ((norm.ppf(0.95) + norm.ppf(0.9)) * 0.1 / 0.03) ** 2
    assert got == pytest.approx(by_hand, rel=0.03)
    never = least_time(Belief(0.4999), sigma_at, LIMIT, 0.05, wanted=0.9, shortest=0.1, longest=1e3)
    assert never is None


def test_repeating_a_scan_lessens_its_counting_part_only():
    sources = {"counting": 0.02, "mosaic": 0.002}
    sigma = float(np.hypot(0.02, 0.002))
    estimate = from_normal(0.46, sigma, bounds=(0.0, 1.0), sources=sources)
    plan = repeat_plan(estimate, LIMIT, 0.05, wanted=0.9)
    assert plan.sigma.counting == pytest.approx(0.02, rel=1e-6)
    assert plan.sigma.at(1e12)(np.array(0.46)) == pytest.approx(0.002, rel=1e-4)
    assert plan.factor > 1.0
    assert plan.assurance == pytest.approx(0.9, abs=0.02)
    stuck = from_normal(0.49, 0.03, bounds=(0.0, 1.0), sources={"counting": 0.01, "mosaic": 0.028})
    assert repeat_plan(stuck, LIMIT, 0.05).factor is None
    assert repeat_plan(from_normal(0.4, 0.1, sources={"all": 0.1}), LIMIT, 0.05) is None


def test_noise_alone_decides_nothing_rightly():
    # flat over 0..1, an estimate of nothing says "over 1 %" with probability 0.99
    got = probability_decided(np.array([0.0]), constant(50.0), Tolerance(None, 0.01), 0.05)[0]
    assert got < 0.05


def test_draws_take_the_place_of_the_normal():
    rng = np.random.default_rng(1)
    draws = np.sort(0.02 * np.exp(0.5 * rng.normal(size=4000)))
    nodes = Belief(0.02, 0.012, (0.0, 1.0), draws).nodes()
    assert np.median(nodes) == pytest.approx(np.median(draws), rel=0.02)
    assert nodes.min() > 0.0


def test_no_time_is_forecast_where_the_causes_do_not_make_up_the_spread():
    # a search over many places widens the draws beyond what the causes tell
    rng = np.random.default_rng(2)
    draws = 0.45 + 0.03 * rng.normal(size=4000)
    told = from_draws(0.45, draws, bounds=(0.0, 1.0), sources={"counting": 0.03})
    untold = from_draws(0.45, draws, bounds=(0.0, 1.0), sources={"counting": 0.01})
    assert repeat_plan(told, LIMIT, 0.05, wanted=0.6) is not None
    assert repeat_plan(untold, LIMIT, 0.05, wanted=0.6) is None
