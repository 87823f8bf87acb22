"""Deciding under uncertainty: probability of conformity, guard bands, and what counting buys.

Source: JCGM 106:2012, "The role of measurement uncertainty in conformity assessment", sections 7
(probability of conformity) and 8.3 (decision with guard bands).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from scipy.optimize import brentq

from xrdfilm.estimate import Estimate

COUNTING_SOURCES = ("counting", "counting and background")
"""Names in ``Estimate.sources`` whose share falls with the square root of the counting time."""

LONGEST_FACTOR = 1000.0
"""No counting time longer than this many times the present one is ever proposed."""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """The values that keep a limit: from ``low`` to ``high``, None for open."""

    low: float | None = None
    high: float | None = None

    def probability_kept(self, estimate: Estimate) -> float:
        """Probability that the quantity lies within (JCGM 106:2012, 7.2 and 7.4)."""
        return 1.0 - self.probability_broken(estimate)

    def probability_broken(self, estimate: Estimate) -> float:
        """Probability that the quantity lies outside; ValueError without a distribution."""
        above = 0.0 if self.high is None else estimate.probability_above(self.high)
        # a quantity at its lower limit keeps it, as one at its upper limit does
        below = (
            0.0
            if self.low is None
            else 1.0 - estimate.probability_above(math.nextafter(self.low, -math.inf))
        )
        return min(1.0, max(0.0, above + below))

    def left_open_by(self, estimate: Estimate) -> bool:
        """Whether a figure of which only a limit is told may, by that limit, lie within.

        What was not seen cannot break a maximum, however much of it might hide: over a flat
        distribution from 0 to 1 a maximum of 1 % is "broken with probability 0.99", yet nothing
        in the scan speaks for it.
        """
        if estimate.value is not None:
            return False
        below = estimate.high is not None and self.low is not None and estimate.high < self.low
        above = estimate.low is not None and self.high is not None and estimate.low > self.high
        return not below and not above


def acceptance(tolerance: Tolerance, estimate: Estimate, risk: float) -> Tolerance | None:
    """Between which estimates of this uncertainty a film passes: the limit less its guard band.

    None where no estimate could pass: the uncertainty is too large for the tolerance. For a
    normal estimate far from its bounds, the guard band is z(1 - risk) standard uncertainties.
    """
    if not estimate.sigma or estimate.estimate is None:
        return tolerance
    reach = 40.0 * estimate.sigma
    low, high = tolerance.low, tolerance.high

    def excess(place: float) -> float:
        return tolerance.probability_broken(_at(estimate, place)) - risk

    best = _safest_place(tolerance, estimate, reach)
    if excess(best) >= 0.0:
        return None
    if high is not None:
        high = float(brentq(excess, best, high + reach, xtol=1e-4 * estimate.sigma))
    if low is not None:
        low = float(brentq(excess, low - reach, best, xtol=1e-4 * estimate.sigma))
    return Tolerance(low, high)


def _safest_place(tolerance: Tolerance, estimate: Estimate, reach: float) -> float:
    """An estimate that keeps the tolerance as surely as any; never outside the bounds."""
    if tolerance.low is not None and tolerance.high is not None:
        return 0.5 * (tolerance.low + tolerance.high)
    low_bound, high_bound = estimate.bounds
    if tolerance.high is not None:
        far = tolerance.high - reach
        return far if low_bound is None else min(max(far, low_bound), tolerance.high)
    assert tolerance.low is not None
    far = tolerance.low + reach
    return far if high_bound is None else max(min(far, high_bound), tolerance.low)


def _at(estimate: Estimate, place: float) -> Estimate:
    """The same uncertainty about another estimate."""
    assert estimate.estimate is not None
    draws = None if estimate.draws is None else estimate.draws + (place - estimate.estimate)
    return replace(estimate, estimate=place, draws=draws)


def counting_share(estimate: Estimate) -> float | None:
    """Share of sigma² that falls with counting time, 0..1; None where it was not split."""
    if not estimate.sources:
        return None
    known = [name for name in estimate.sources if name in COUNTING_SOURCES]
    if not known and set(estimate.sources) == {"all"}:
        return None
    total = sum(part**2 for part in estimate.sources.values())
    if total <= 0.0:
        return None
    return sum(estimate.sources[name] ** 2 for name in known) / total


def after_counting(estimate: Estimate, factor: float, share: float) -> Estimate:
    """The estimate with ``factor`` times the counting time, if the figure stays where it is."""
    assert estimate.sigma is not None
    assert estimate.estimate is not None
    shrink = math.sqrt(share / factor + 1.0 - share)
    draws = estimate.draws
    if draws is not None:
        draws = estimate.estimate + shrink * (draws - estimate.estimate)
    return replace(estimate, sigma=shrink * estimate.sigma, draws=draws)


def deciding_factor(tolerance: Tolerance, estimate: Estimate, risk: float) -> float | None:
    """How many times longer to count until the limit is decided, the figure staying as it is.

    None where no counting time decides it: the rest of the uncertainty alone is too large, the
    figure lies on the limit, or the uncertainty was not split by cause. A figure of which only a
    limit is told can break nothing before it stands apart from its bound: with half of what its
    level leaves on either side.
    """
    share = counting_share(estimate)
    if share is None or share <= 0.0 or not estimate.sigma or estimate.estimate is None:
        return None

    apart = risk if estimate.value is not None else min(risk, 0.5 * (1.0 - estimate.level))

    def open_by(log_factor: float) -> float:
        broken = tolerance.probability_broken(after_counting(estimate, math.exp(log_factor), share))
        return broken - risk if keeps else 1.0 - broken - apart

    longest = math.log(LONGEST_FACTOR)
    at_last = after_counting(estimate, LONGEST_FACTOR, share)
    keeps = tolerance.probability_broken(at_last) < 0.5
    if open_by(longest) >= 0.0:
        return None
    if open_by(0.0) <= 0.0:
        return 1.0
    return math.exp(float(brentq(open_by, 0.0, longest, xtol=1e-3)))
