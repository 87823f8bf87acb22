"""When did it change? Steps, and slow drifts, each with an interval for when.

The line's figures are described by levels that hold for a while, a slope over all, or a slope
that sets in somewhere. Each step must pay for itself: it is accepted where the likelihood ratio
exceeds what the best of all places would give on a steady line, at ``risk``. Points far off count
for less, so that one stray run is no change.

The date of a step is told as the run that holds most probability within three runs, the interval
is the set of most probable runs. Sources: likelihood of a change at an unknown place, D. V.
Hinkley, Biometrika 57 (1970) 1; the tail of its maximum, B. James, K. L. James & D. Siegmund,
Biometrika 74 (1987) 71; optimal partitioning, B. Jackson et al., IEEE Signal Process. Lett. 12
(2005) 105 (all from memory; the tail and the coverage of the interval are measured in the tests).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy.special import ndtr, ndtri

from xrdfilm._typing import FloatArray, IntArray

RISK = 0.01
"""Probability of any step on a steady line."""
SHORTEST = 3
"""A level holds for at least so many points."""
LEAST_POINTS = 10
LEAST_LIKELY = 1e-3
"""A step is told beside a drift unless it is less likely than that against it, prices paid."""
NEAR = 3
"""The date is the point with most probability within so many points of it."""
_STRAY = 4.0
_FURTHEST = 120  # no accepted step is less certain than that
_SLOPES = np.linspace(-10.0, 10.0, 41)  # total drift over the window, in standard deviations


@dataclass(frozen=True, slots=True)
class Step:
    """A step between two levels.

    ``index`` is the first point of the new level, as dated; ``low`` and ``high`` the interval at
    95 %; ``near`` the probability that it lies within three points of ``index``. ``before`` and
    ``after`` are the levels, ``size`` their difference with ``size_sigma`` its uncertainty, and
    ``ratio`` twice the log-likelihood ratio of the step.
    """

    index: int
    low: int
    high: int
    near: float
    before: float
    after: float
    size: float
    size_sigma: float
    ratio: float


@dataclass(frozen=True, slots=True)
class Drift:
    """A slope of ``per_point`` ± ``sigma`` a point from ``index`` on; low and high as in a Step.

    ``whole`` is true where it runs over all points, with no onset among them.
    """

    index: int
    low: int
    high: int
    per_point: float
    sigma: float
    whole: bool
    ratio: float


@dataclass(frozen=True, slots=True)
class Course:
    """How a quantity went: its steps, its drift, and the fitted curve of shape (N,).

    ``instead`` is the step that may explain the figures instead of the drift told, ``likely`` its
    likelihood against the drift's: a step in the middle and an even slope look alike where the
    noise is large.
    """

    kind: Literal["steady", "steps", "drift", "steps and drift", "too few points"]
    steps: tuple[Step, ...]
    drift: Drift | None
    fitted: FloatArray
    instead: Step | None = None
    likely: float | None = None


def course_of(values: FloatArray, spread: FloatArray, *, risk: float = RISK) -> Course:
    """The course of N points with standard deviations ``spread``, both of shape (N,).

    ``spread`` is the scatter of a steady line, from `scatter.Baseline.spread`; under ten points,
    or where it is zero, nothing is looked for.
    """
    n = values.size
    if n < LEAST_POINTS or not np.all(spread > 0.0):
        mean = np.full(n, float(values.mean())) if n else np.empty(0)
        return Course("too few points", (), None, mean)
    calm = tempered(values, spread)
    price = step_price(n, risk)
    slopes = _SLOPES * float(np.median(calm)) / (n - 1)
    time = np.arange(n, dtype=float)
    costs, ends = _partition(values[None, :] - slopes[:, None] * time, calm, price)
    slope_price = float(ndtri(risk / 2.0)) ** 2 + np.log(n)
    flat = int(np.flatnonzero(slopes == 0.0)[0])
    best = int(np.argmin(costs + np.where(slopes == 0.0, 0.0, slope_price)))
    onset_cost, onset = _onset(values, calm)
    # an onset has a place and a slope to choose: the price of a step, and a slope's free sign
    onset_cost += price + 0.5 * np.log(n)
    best_cost = costs[best] + (best != flat) * slope_price
    course = (
        _onset_course(values, calm, onset)
        if onset_cost < min(best_cost, costs[flat])
        else _course(values, calm, _places(ends, best, n), best != flat)
    )
    step_places = _places(ends, flat, n)
    likely = float(np.exp(-0.5 * (costs[flat] - min(onset_cost, best_cost))))
    if course.kind == "drift" and step_places and likely > LEAST_LIKELY:
        steps = _course(values, calm, step_places, False).steps
        clearest = max(steps, key=lambda step: step.ratio)
        return replace(course, instead=clearest, likely=likely)
    return course


def tempered(values: FloatArray, spread: FloatArray) -> FloatArray:
    """``spread``, (N,), widened for points that stand alone far from their neighbours."""
    n = values.size
    reach = 3
    padded = np.pad(values, reach, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    away = np.abs(values - np.median(windows, axis=1))
    # a step's first points also differ from the median: only where both neighbours do not agree
    before, after = np.roll(values, 1), np.roll(values, -1)
    before[0], after[-1] = values[min(1, n - 1)], values[max(n - 2, 0)]
    alone = np.minimum(np.abs(values - before), np.abs(values - after))
    far = np.minimum(away, alone)
    return np.where(far > _STRAY * spread, np.maximum(spread, far / 1.5), spread)


@lru_cache(maxsize=256)
def step_price(points: int, risk: float = RISK) -> float:
    """What twice the log-likelihood ratio of the best step exceeds with probability ``risk``.

    On a steady line of so many points, levels of at least `SHORTEST` points.
    """
    low, high = 1.0, 8.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        if maximum_tail(middle, points) > risk:
            low = middle
        else:
            high = middle
    return high**2


def _density(z: FloatArray) -> FloatArray:
    density: FloatArray = np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
    return density


def maximum_tail(edge: float, points: int) -> float:
    """Probability that |Z| of the best step exceeds ``edge``: James, James & Siegmund (1987)."""
    t = np.arange(SHORTEST, points - SHORTEST + 1) / points
    if t.size == 0:
        return 0.0
    x = edge / np.sqrt(points * t * (1.0 - t))
    overshoot = (2.0 / x) * (ndtr(x / 2.0) - 0.5) / (x / 2.0 * ndtr(x / 2.0) + _density(x / 2.0))
    area = float(np.sum(overshoot / (t * (1.0 - t))) / points)
    tail = edge * float(_density(np.array(edge))) * area
    return tail + 2.0 * float(ndtr(-edge))


def _partition(rows: FloatArray, spread: FloatArray, price: float) -> tuple[FloatArray, IntArray]:
    """Least cost of cutting each row, shape (M, N), into levels; and where the last ones begin.

    Cost: weighted squares about the levels, and ``price`` a cut.
    """
    many, n = rows.shape
    w = 1.0 / spread**2
    weight = np.concatenate([[0.0], np.cumsum(w)])
    first = np.concatenate([np.zeros((many, 1)), np.cumsum(w * rows, axis=1)], axis=1)
    second = np.concatenate([np.zeros((many, 1)), np.cumsum(w * rows**2, axis=1)], axis=1)
    cost = np.full((many, n + 1), np.inf)
    cost[:, 0] = -price
    begins = np.zeros((many, n + 1), dtype=np.int64)
    each = np.arange(many)
    for end in range(SHORTEST, n + 1):
        starts = slice(0, end - SHORTEST + 1)
        squares = (second[:, end : end + 1] - second[:, starts]) - (
            first[:, end : end + 1] - first[:, starts]
        ) ** 2 / (weight[end] - weight[starts])
        total = cost[:, starts] + squares + price
        begin = np.argmin(total, axis=1)
        cost[:, end] = total[each, begin]
        begins[:, end] = begin
    return cost[:, n], begins


def _places(begins: IntArray, row: int, n: int) -> list[int]:
    """First points of the second and later levels."""
    places = []
    end = n
    while end > 0:
        end = int(begins[row, end])
        if end > 0:
            places.append(end)
    return places[::-1]


def _design(n: int, places: list[int], with_slope: bool) -> FloatArray:
    """Columns: a level from each place on; the last one a slope about the middle."""
    columns: list[FloatArray] = [np.ones(n)]
    columns += [np.asarray(np.arange(n) >= place, dtype=float) for place in places]
    if with_slope:
        columns.append(np.asarray(np.arange(n) - 0.5 * (n - 1), dtype=float))
    return np.column_stack(columns)


def _fit(
    design: FloatArray, values: FloatArray, spread: FloatArray
) -> tuple[FloatArray, FloatArray, float, float]:
    """Weighted least squares: coefficients, covariance, squares, log-determinant of the normal."""
    scaled = design / spread[:, None]
    normal = scaled.T @ scaled
    covariance: FloatArray = np.asarray(np.linalg.pinv(normal), dtype=float)
    coefficients = covariance @ (scaled.T @ (values / spread))
    squares = float(np.sum(((values - design @ coefficients) / spread) ** 2))
    return coefficients, covariance, squares, float(np.linalg.slogdet(normal)[1])


def _course(values: FloatArray, spread: FloatArray, places: list[int], with_slope: bool) -> Course:
    n = values.size
    dated = list(places)
    beliefs: list[tuple[IntArray, FloatArray]] = []
    for k in range(len(places)):
        candidates, belief = _belief(values, spread, places, k, with_slope)
        beliefs.append((candidates, belief))
        dated[k] = int(candidates[_nearest_mass(belief)])
    design = _design(n, dated, with_slope)
    coefficients, covariance, _, _ = _fit(design, values, spread)
    best_squares = _fit(_design(n, places, with_slope), values, spread)[2]
    steps = []
    for k, place in enumerate(dated):
        candidates, belief = beliefs[k]
        inside = _most_probable(belief, 0.95)
        near = float(belief[np.abs(candidates - place) <= NEAR].sum())
        without = _fit(_design(n, places[:k] + places[k + 1 :], with_slope), values, spread)[2]
        before = float(np.sum(coefficients[: k + 1]))
        if with_slope:
            before += float(coefficients[-1]) * (place - 0.5 - 0.5 * (n - 1))
        steps.append(
            Step(
                place,
                int(candidates[inside].min()),
                int(candidates[inside].max()),
                near,
                before,
                before + float(coefficients[k + 1]),
                float(coefficients[k + 1]),
                float(np.sqrt(covariance[k + 1, k + 1])),
                without - best_squares,
            )
        )
    drift = None
    if with_slope:
        flat = _fit(_design(n, places, False), values, spread)[2]
        drift = Drift(
            0,
            0,
            0,
            float(coefficients[-1]),
            float(np.sqrt(covariance[-1, -1])),
            True,
            flat - best_squares,
        )
    kind: Literal["steady", "steps", "drift", "steps and drift"]
    if steps:
        kind = "steps and drift" if with_slope else "steps"
    else:
        kind = "drift" if with_slope else "steady"
    return Course(kind, tuple(steps), drift, design @ coefficients)


def _belief(
    values: FloatArray, spread: FloatArray, places: list[int], k: int, with_slope: bool
) -> tuple[IntArray, FloatArray]:
    """Probability of each place of step ``k``, the others held; levels and slope integrated out."""
    n = values.size
    low = (places[k - 1] if k > 0 else 0) + 1
    high = (places[k + 1] if k + 1 < len(places) else n) - 1
    low, high = max(low, places[k] - _FURTHEST), min(high, places[k] + _FURTHEST)
    candidates = np.arange(low, high + 1)
    scores = np.empty(candidates.size)
    for i, place in enumerate(candidates):
        moved = [*places[:k], int(place), *places[k + 1 :]]
        _, _, squares, logdet = _fit(_design(n, moved, with_slope), values, spread)
        scores[i] = -0.5 * (squares + logdet)
    belief = np.exp(scores - scores.max())
    return candidates, belief / belief.sum()


def _nearest_mass(belief: FloatArray) -> int:
    """The place with most probability within `NEAR` places of it; of equals the most probable."""
    window = np.convolve(belief, np.ones(2 * NEAR + 1))[NEAR : NEAR + belief.size]
    return int(np.argmax(window + 1e-9 * belief))


def _most_probable(belief: FloatArray, level: float) -> IntArray:
    """Indices of the fewest places that together hold ``level``."""
    order = np.argsort(-belief, kind="stable")
    count = int(np.searchsorted(np.cumsum(belief[order]), level - 1e-12)) + 1
    chosen: IntArray = np.sort(order[:count])
    return chosen


def _hinges(n: int) -> FloatArray:
    """Column k: zero up to point k, then rising by one a point; shape (N, N - SHORTEST)."""
    time = np.arange(n)
    hinges: FloatArray = np.maximum(0, time[:, None] - time[None, : n - SHORTEST]).astype(float)
    return hinges


def _onset_squares(values: FloatArray, spread: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Squares about (level, then slope from k on) for each k, and log-determinants."""
    w = 1.0 / spread**2
    hinges = _hinges(values.size)
    total = w.sum()
    mean = (w @ values) / total
    centred = values - mean
    means = (w @ hinges) / total
    power = w @ (hinges - means) ** 2
    along = (w * centred) @ (hinges - means)
    squares: FloatArray = float(w @ centred**2) - along**2 / power
    return squares, np.log(power)


def _onset(values: FloatArray, spread: FloatArray) -> tuple[float, int]:
    squares, _ = _onset_squares(values, spread)
    best = int(np.argmin(squares))
    return float(squares[best]), best


def _onset_course(values: FloatArray, spread: FloatArray, best: int) -> Course:
    squares, logdet = _onset_squares(values, spread)
    belief = np.exp(-0.5 * (squares + logdet) + 0.5 * (squares + logdet).min())
    belief /= belief.sum()
    inside = _most_probable(belief, 0.95)
    design = np.column_stack([np.ones(values.size), _hinges(values.size)[:, best]])
    coefficients, covariance, fitted_squares, _ = _fit(design, values, spread)
    flat = _fit(np.ones((values.size, 1)), values, spread)[2]
    drift = Drift(
        best,
        int(inside.min()),
        int(inside.max()),
        float(coefficients[1]),
        float(np.sqrt(covariance[1, 1])),
        bool(inside.min() == 0),
        flat - fitted_squares,
    )
    return Course("drift", (), drift, design @ coefficients)
