"""How likely a measurement of given uncertainty is to decide a limit, and which one is enough.

A limit is decided where the probability of breaking it comes out under the risk, or over one less
it (JCGM 106:2012, as in `xrdfilm.decision.guard`). Before counting, the estimate is not known, only
where the true figure may lie; the probability of a decision averaged over that is the assurance
(O'Hagan, Stevens and Campbell, Pharmaceut. Statist. 4 (2005) 187, from memory). A time that would
just decide if the figure stayed where it is decides only every second time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from xrdfilm._typing import FloatArray
from xrdfilm.decision.guard import LONGEST_FACTOR, Tolerance, counting_share
from xrdfilm.estimate import Estimate

DEFAULT_ASSURANCE = 0.95
_NODES = 41
_ACCOUNTED = 0.8  # of the standard uncertainty
_TAIL = 1.645  # in standard uncertainties, where limits are usually decided


@dataclass(frozen=True, slots=True)
class Belief:
    """Where the true figure may lie: normal about ``centre``, cut at the quantity's bounds.

    ``sigma`` 0 is a supposed figure. ``draws``, shape (D,), where there are any, take
    the normal's place.
    """

    centre: float
    sigma: float = 0.0
    bounds: tuple[float | None, float | None] = (0.0, 1.0)
    draws: FloatArray | None = field(default=None, repr=False, compare=False)

    @classmethod
    def of(cls, estimate: Estimate) -> Belief:
        """What an estimate lets one believe; ValueError where it has no distribution."""
        if estimate.estimate is None or estimate.sigma is None:
            raise ValueError("an estimate without its uncertainty tells nothing to plan from")
        return cls(estimate.estimate, estimate.sigma, estimate.bounds, estimate.draws)

    def nodes(self) -> FloatArray:
        """Equally probable places of the true figure, shape (M,)."""
        low, high = self.bounds
        if self.sigma <= 0.0:
            return np.array([self.centre])
        if self.draws is not None:
            lowest, highest = _finite(self.bounds)
            inside = self.draws[(self.draws >= lowest) & (self.draws <= highest)]
            if inside.size >= _NODES:
                return np.asarray(np.quantile(inside, (np.arange(_NODES) + 0.5) / _NODES))
        a = 0.0 if low is None else float(ndtr((low - self.centre) / self.sigma))
        b = 1.0 if high is None else float(ndtr((high - self.centre) / self.sigma))
        if b - a < 1e-9:
            at_low = low is not None and self.centre < low
            return np.array([low if at_low else high], dtype=float)
        places = a + (b - a) * (np.arange(_NODES) + 0.5) / _NODES
        return np.asarray(self.centre + self.sigma * ndtri(places))


def probability_decided(
    truth: FloatArray,
    sigma_of: Callable[[FloatArray], FloatArray],
    tolerance: Tolerance,
    risk: float,
    bounds: tuple[float | None, float | None] = (0.0, 1.0),
) -> FloatArray:
    """Probability that a measurement decides, and rightly, for each figure; shape of ``truth``.

    ``sigma_of(x)`` is the measurement's standard uncertainty where the true figure is x. A wrong
    decision does not count: a scan of nothing but noise may well decide, but tells nothing.
    """
    z = ndtri((np.arange(_NODES * 3) + 0.5) / (_NODES * 3))
    sigma = sigma_of(truth)[..., None]
    seen = truth[..., None] + sigma * z
    told = sigma_of(np.clip(seen, *_finite(bounds)))
    broken = _broken(seen, told, tolerance, bounds)
    kept = np.ones(truth.shape, dtype=bool)
    if tolerance.high is not None:
        kept &= truth <= tolerance.high
    if tolerance.low is not None:
        kept &= truth >= tolerance.low
    right = np.where(kept[..., None], broken < risk, 1.0 - broken < risk)
    return np.asarray(np.mean(right, axis=-1))


def _finite(bounds: tuple[float | None, float | None]) -> tuple[float, float]:
    low, high = bounds
    return -math.inf if low is None else low, math.inf if high is None else high


def _broken(
    seen: FloatArray,
    sigma: FloatArray,
    tolerance: Tolerance,
    bounds: tuple[float | None, float | None],
) -> FloatArray:
    """Probability of breaking the limit for normal estimates cut at the bounds."""
    low, high = _finite(bounds)
    a, b = ndtr((low - seen) / sigma), ndtr((high - seen) / sigma)
    whole = np.maximum(b - a, 1e-300)
    broken = np.zeros_like(seen)
    if tolerance.high is not None:
        broken += np.clip(b - ndtr((min(tolerance.high, high) - seen) / sigma), 0.0, None) / whole
    if tolerance.low is not None:
        broken += np.clip(ndtr((max(tolerance.low, low) - seen) / sigma) - a, 0.0, None) / whole
    lost = b - a < 1e-12  # all of it lies outside the bounds: the figure stands at the nearer one
    at = np.where(seen < low, low, high)
    outside = np.zeros_like(seen, dtype=bool)
    if tolerance.high is not None:
        outside |= at > tolerance.high
    if tolerance.low is not None:
        outside |= at < tolerance.low
    return np.asarray(np.where(lost, outside, np.clip(broken, 0.0, 1.0)))


def assurance(
    belief: Belief,
    sigma_of: Callable[[FloatArray], FloatArray],
    tolerance: Tolerance,
    risk: float,
) -> float:
    """Probability of a decision, averaged over where the true figure may lie."""
    return float(
        np.mean(probability_decided(belief.nodes(), sigma_of, tolerance, risk, belief.bounds))
    )


def least_time(
    belief: Belief,
    sigma_at: Callable[[float], Callable[[FloatArray], FloatArray]],
    tolerance: Tolerance,
    risk: float,
    *,
    wanted: float = DEFAULT_ASSURANCE,
    shortest: float,
    longest: float,
) -> float | None:
    """Shortest time that decides with the wanted assurance, None where ``longest`` does not.

    ``sigma_at(time)`` gives the uncertainty as a function of the true figure.
    """

    def lacking(log_time: float) -> float:
        return wanted - assurance(belief, sigma_at(math.exp(log_time)), tolerance, risk)

    low, high = math.log(shortest), math.log(longest)
    # the chance of a decision need not rise evenly: a coarse scan comes before the root
    grid = np.linspace(low, high, 61)
    short = np.array([lacking(t) for t in grid])
    enough = np.flatnonzero(short <= 0.0)
    if enough.size == 0:
        return None
    first = int(enough[0])
    if first == 0:
        return shortest
    return math.exp(float(brentq(lacking, grid[first - 1], grid[first], xtol=1e-3)))


@dataclass(frozen=True, slots=True)
class SplitSigma:
    """An estimate's standard uncertainty by what counting lessens and what it does not.

    ``counting`` is absolute; ``model_relative`` a share of the figure, as doubts of mosaic,
    thickness and structure are.
    """

    counting: float
    model_relative: float

    def at(self, factor: float) -> Callable[[FloatArray], FloatArray]:
        """σ(x) after counting ``factor`` times as long."""
        counting = self.counting / math.sqrt(factor)

        def sigma(x: FloatArray) -> FloatArray:
            return np.asarray(np.hypot(counting, self.model_relative * np.asarray(x, dtype=float)))

        return sigma


def split_sigma(estimate: Estimate) -> SplitSigma | None:
    """The split of an estimate's uncertainty; None where it was not told by cause."""
    share = counting_share(estimate)
    if share is None or share <= 0.0 or not estimate.sigma or estimate.estimate is None:
        return None
    counting = math.sqrt(share) * float(estimate.sigma)
    rest = math.sqrt(max(1.0 - share, 0.0)) * float(estimate.sigma)
    relative = rest / max(abs(estimate.estimate), 0.1 * counting)
    if estimate.draws is not None and relative < 1.0:
        # doubts of mosaic and the like are factors: their upper tail, which breaks limits,
        # reaches further than a normal one of the same width
        relative = math.expm1(_TAIL * relative) / _TAIL
    return SplitSigma(counting, relative)


def accounted_for(estimate: Estimate) -> bool:
    """Whether the causes told of an uncertainty make up the spread that decides.

    They do not where a line was searched for over many places: how that widening falls with
    counting cannot be told from one scan, so no counting time is forecast from it.
    """
    if not estimate.sigma or estimate.estimate is None:
        return False
    told = math.sqrt(sum(part**2 for part in estimate.sources.values()))
    return told >= _ACCOUNTED * float(estimate.sigma)


@dataclass(frozen=True, slots=True)
class RepeatPlan:
    """How many times longer to repeat a whole scan. ``factor`` None: no time is known to decide.

    ``assurance`` is that of the factor, or the best that any time reaches.
    """

    factor: float | None
    assurance: float
    assurance_now: float
    sigma: SplitSigma


def repeat_plan(
    estimate: Estimate,
    tolerance: Tolerance,
    risk: float,
    *,
    wanted: float = DEFAULT_ASSURANCE,
    supposed: float | None = None,
) -> RepeatPlan | None:
    """How long to repeat the scan that gave an estimate, to decide a limit by the new scan alone.

    The true figure lies where the estimate says, or at the ``supposed`` one; the counting part
    of its uncertainty falls with the root of the time, the rest stays. None where the
    uncertainty was not split by cause, or its causes do not make it up.
    """
    split = split_sigma(estimate)
    if split is None or not accounted_for(estimate):
        return None
    belief = Belief.of(estimate)
    if supposed is not None:
        belief = Belief(supposed, 0.0, estimate.bounds)
    factor = least_time(
        belief, split.at, tolerance, risk, wanted=wanted, shortest=1.0, longest=LONGEST_FACTOR
    )
    longest = LONGEST_FACTOR if factor is None else factor
    return RepeatPlan(
        factor,
        assurance(belief, split.at(longest), tolerance, risk),
        assurance(belief, split.at(1.0), tolerance, risk),
        split,
    )
