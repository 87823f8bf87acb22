"""Levenberg–Marquardt for thousands of small fits at once.

B problems of one structure, each of N points and P parameters, advance together: every array has
the problems as its first axis, finished problems drop out, and there is no loop over problems,
points or parameters. Steps are those of Levenberg (Quart. Appl. Math. 2 (1944) 164) and
Marquardt (SIAM J. 11 (1963) 431) in parameters scaled by the curvature; for Poisson counts the
curvature is Fisher's information and the merit is the deviance, so that the fit is the maximum
of the likelihood (method of scoring). Bounds are kept by holding a parameter at its bound while
the merit falls outwards.

Where a model falls under a floor (a signed area may push it there) the Poisson deviance goes over
smoothly into a parabola, so that merit and slope stay defined everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray

FIRST_DAMPING = 1e-3
MAX_ROUNDS = 60
LONGEST_STEP = 0.2  # of the distance between a parameter's bounds


class BatchModel(Protocol):
    """B models of one structure."""

    def evaluate(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Model (B, N) and its derivatives (B, P, N) at parameters (B, P)."""

    def take(self, rows: IntArray) -> BatchModel:
        """The same for some of the problems, whose numbers are ``rows``, shape (R,)."""


@dataclass(frozen=True, slots=True)
class Observations:
    """What is fitted: values (B, N), mask ``on`` (B, N; 1 counts, 0 does not), and the noise.

    ``variance`` (B, N) is None for Poisson counts, which then need ``floor`` (B, 1), the least
    expected counts the weights reckon with.
    """

    values: FloatArray
    on: FloatArray
    variance: FloatArray | None = None
    floor: FloatArray | None = None

    def take(self, rows: IntArray) -> Observations:
        """The same for some of the problems."""
        return Observations(
            self.values[rows],
            self.on[rows],
            None if self.variance is None else self.variance[rows],
            None if self.floor is None else self.floor[rows],
        )

    def judge(self, model: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Merit (B,) (deviance but for a constant, or chi-square), weights and scores (B, N)."""
        y = self.values
        gap = y - model
        if self.variance is not None:
            weights = self.on / self.variance
            score = weights * gap
            return np.einsum("bn,bn->b", score, gap), weights, score
        assert self.floor is not None
        expected = np.maximum(model, self.floor)
        weights = self.on / expected
        score = weights * gap
        terms = np.log(expected)
        terms *= y
        np.subtract(expected, terms, out=terms)
        merit = 2.0 * np.einsum("bn,bn->b", terms, self.on)
        under = expected - model
        if under.any():
            merit += np.einsum("bn,bn->b", under * (2.0 * (y - expected) + under), weights)
        return merit, weights, score


@dataclass(frozen=True, slots=True)
class Prior:
    """Normal knowledge of parameters: centre and 1/variance (0: none), each (B, P)."""

    centre: FloatArray
    weight: FloatArray

    def take(self, rows: IntArray) -> Prior:
        """The same for some of the problems."""
        return Prior(self.centre[rows], self.weight[rows])


@dataclass(frozen=True, slots=True)
class Minimum:
    """Outcome of B fits.

    ``theta`` (B, P); ``covariance`` (B, P, P), zero for held parameters; ``merit`` (B,);
    ``chi_square`` (B,) Pearson's; ``inverse_sum`` (B,) Σ 1/variance over the points;
    ``model`` (B, N); ``basis`` (B, K, N) the model's derivatives by its first K parameters;
    ``converged``, ``no_covariance`` (B,); ``at_bound`` (B, P); ``rounds`` (B,).
    """

    theta: FloatArray
    covariance: FloatArray
    merit: FloatArray
    chi_square: FloatArray
    inverse_sum: FloatArray
    model: FloatArray
    basis: FloatArray
    converged: BoolArray
    no_covariance: BoolArray
    at_bound: BoolArray
    rounds: IntArray


def minimise(
    model: BatchModel,
    start: FloatArray,
    seen: Observations,
    *,
    low: FloatArray | None = None,
    high: FloatArray | None = None,
    held: BoolArray | None = None,
    prior: Prior | None = None,
    keep_basis: int = 0,
    tolerance: float = 1e-3,
    relative_tolerance: float = 0.0,
    first_damping: float = FIRST_DAMPING,
    max_rounds: int = MAX_ROUNDS,
) -> Minimum:
    """Fit all problems from ``start`` (B, P).

    ``low`` and ``high`` (B, P) bound the parameters; those ``held`` (B, P) keep their start.
    ``prior`` adds what is known of the parameters beforehand. ``keep_basis`` is the number K of
    derivatives to hand back.
    A problem is finished when its next step promises to lower the merit by less than
    ``tolerance`` (1e-3 is a thirtieth of a standard uncertainty, and that step is still taken)
    plus ``relative_tolerance`` times the merit.
    """
    n_problems = start.shape[0]
    least = np.full(start.shape, -np.inf) if low is None else low
    most = np.full(start.shape, np.inf) if high is None else high
    fixed = np.zeros(start.shape, bool) if held is None else held
    out = _Record.empty(start, seen.values.shape[1], keep_basis)
    rows = np.arange(n_problems)
    theta = np.clip(start, least, most)
    damping = np.full(n_problems, first_damping)
    state = _State.at(model, theta, seen, prior)
    n_round = 0
    while rows.size:
        n_round += 1
        step, promise = _step(state, damping, theta, least, most, fixed)
        done = promise < tolerance + relative_tolerance * np.abs(state.merit)
        trial = np.clip(theta + step, least, most)
        ahead = _State.at(model, trial, seen, prior)
        slack = 1e-9 + 1e-12 * np.abs(state.merit)
        better = ahead.merit <= state.merit + slack
        damping = np.where(better, np.maximum(damping * 0.1, 1e-12), np.maximum(damping, 1e-3) * 10)
        lost = damping > (1e12 if n_round < max_rounds else 0.0)
        leave = done | lost
        # A step too small to matter that does not lower the merit is rounding: stay, and stop
        stay = ~better
        if stay.any():
            trial[stay] = theta[stay]
            ahead.restore(state, stay)
            again = np.flatnonzero(stay & leave)
            if keep_basis and again.size:
                ahead.jacobian[again] = model.take(again).evaluate(trial[again])[1]
        theta, state = trial, ahead
        if leave.any():
            bound = ((theta <= least) | (theta >= most)) & ~fixed
            out.put(rows[leave], leave, theta, state, seen, fixed, bound, done, n_round)
            keep = np.flatnonzero(~leave)
            rows, theta, damping = rows[keep], theta[keep], damping[keep]
            least, most, fixed = least[keep], most[keep], fixed[keep]
            model, seen, state = model.take(keep), seen.take(keep), state.take(keep)
            prior = None if prior is None else prior.take(keep)
    return out.finish()


@dataclass(slots=True)
class _State:
    """Where the problems stand: model, merit, curvature (B, P, P) and slope (B, P)."""

    model: FloatArray
    merit: FloatArray
    weights: FloatArray
    curvature: FloatArray
    slope: FloatArray
    jacobian: FloatArray

    @classmethod
    def at(
        cls, model: BatchModel, theta: FloatArray, seen: Observations, prior: Prior | None
    ) -> _State:
        values, jacobian = model.evaluate(theta)
        merit, weights, score = seen.judge(values)
        weighted = jacobian * weights[:, None, :]
        curvature = np.matmul(weighted, np.swapaxes(jacobian, 1, 2))
        slope = np.matmul(jacobian, score[..., None])[..., 0]
        if prior is not None:
            gap = prior.centre - theta
            pull = prior.weight * gap
            merit = merit + np.einsum("bp,bp->b", pull, gap)
            slope += pull
            n = theta.shape[1]
            curvature.reshape(theta.shape[0], -1)[:, :: n + 1] += prior.weight
        return cls(values, merit, weights, curvature, slope, jacobian)

    def restore(self, other: _State, rows: BoolArray) -> None:
        for name in ("model", "merit", "weights", "curvature", "slope"):
            getattr(self, name)[rows] = getattr(other, name)[rows]

    def take(self, rows: IntArray) -> _State:
        return _State(
            self.model[rows],
            self.merit[rows],
            self.weights[rows],
            self.curvature[rows],
            self.slope[rows],
            self.jacobian[:0],  # only wanted for problems that just finished
        )


def _scaled(
    curvature: FloatArray, out_of_play: BoolArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Curvature of unit diagonal, its scale (B, P), and the parameters out of play.

    A parameter that the data do not touch (the place of a line of no area) is out of play too.
    """
    diagonal = np.diagonal(curvature, axis1=1, axis2=2)
    off = out_of_play | ~(diagonal > 0.0)
    scale = 1.0 / np.sqrt(np.where(off, 1.0, diagonal))
    play = np.where(off, 0.0, scale)
    scaled = curvature * play[:, :, None]
    scaled *= play[:, None, :]
    n = scaled.shape[1]
    scaled.reshape(scaled.shape[0], -1)[:, :: n + 1] = 1.0
    return scaled, play, off


def _step(
    state: _State,
    damping: FloatArray,
    theta: FloatArray,
    low: FloatArray,
    high: FloatArray,
    held: BoolArray,
) -> tuple[FloatArray, FloatArray]:
    """Damped step (B, P) and the fall of the merit that it promises (B,)."""
    slope = state.slope
    out = held | ((theta <= low) & (slope < 0.0)) | ((theta >= high) & (slope > 0.0))
    scaled, play, _ = _scaled(state.curvature, out)
    n = scaled.shape[1]
    scaled.reshape(scaled.shape[0], -1)[:, :: n + 1] += damping[:, None] + 1e-14
    pull = slope * play
    move = np.linalg.solve(scaled, pull[..., None])[..., 0]
    promise = np.einsum("bp,bp->b", move, pull)
    step = move * play
    # A parameter that would leave its bounds, or run across much of them at once, goes as far as
    # it may, and the others take the step that is best with it there
    reach = LONGEST_STEP * (high - low)
    kept = np.minimum(
        np.maximum(step, np.maximum(-reach, low - theta)), np.minimum(reach, high - theta)
    )
    cut = kept != step
    rows = np.flatnonzero(cut.any(axis=1))
    if rows.size:
        cut, play, inner = cut[rows], play[rows], scaled[rows]
        set_ = np.where(cut, kept[rows] / np.where(play > 0.0, play, 1.0), 0.0)
        right = pull[rows] - np.matmul(inner, set_[..., None])[..., 0]
        inner *= ~cut[:, :, None]
        inner *= ~cut[:, None, :]
        inner.reshape(rows.size, -1)[:, :: n + 1] += cut
        move = np.linalg.solve(inner, np.where(cut, set_, right)[..., None])[..., 0]
        step[rows] = move * play
        promise[rows] = np.inf
    return step, promise


@dataclass(slots=True)
class _Record:
    """Outcomes as they come in; `covariance` holds the curvature until `finish`."""

    theta: FloatArray
    curvature: FloatArray
    merit: FloatArray
    chi_square: FloatArray
    inverse_sum: FloatArray
    model: FloatArray
    basis: FloatArray
    held: BoolArray
    converged: BoolArray
    at_bound: BoolArray
    rounds: IntArray

    @classmethod
    def empty(cls, start: FloatArray, n_points: int, n_basis: int) -> _Record:
        b, p = start.shape
        return cls(
            start.copy(),
            np.zeros((b, p, p)),
            np.zeros(b),
            np.zeros(b),
            np.zeros(b),
            np.zeros((b, n_points)),
            np.zeros((b, n_basis, n_points)),
            np.zeros((b, p), bool),
            np.zeros(b, bool),
            np.zeros((b, p), bool),
            np.zeros(b, np.int64),
        )

    def put(
        self,
        rows: IntArray,
        leave: BoolArray,
        theta: FloatArray,
        state: _State,
        seen: Observations,
        held: BoolArray,
        bound: BoolArray,
        done: BoolArray,
        n_round: int,
    ) -> None:
        weights = state.weights[leave]
        self.theta[rows] = theta[leave]
        self.curvature[rows] = state.curvature[leave]
        self.merit[rows] = state.merit[leave]
        gap = seen.values[leave] - state.model[leave]
        self.chi_square[rows] = np.einsum("bn,bn,bn->b", gap, gap, weights)
        self.inverse_sum[rows] = weights.sum(axis=1)
        self.model[rows] = state.model[leave]
        self.basis[rows] = state.jacobian[leave, : self.basis.shape[1]]
        self.held[rows] = held[leave]
        self.converged[rows] = done[leave]
        self.at_bound[rows] = bound[leave]
        self.rounds[rows] = n_round

    def finish(self) -> Minimum:
        covariance, singular = invert_curvature(self.curvature, self.held)
        return Minimum(
            self.theta,
            covariance,
            self.merit,
            self.chi_square,
            self.inverse_sum,
            self.model,
            self.basis,
            self.converged,
            singular,
            self.at_bound,
            self.rounds,
        )


def invert_curvature(curvature: FloatArray, held: BoolArray) -> tuple[FloatArray, BoolArray]:
    """Covariance (B, P, P), and where the parameters cannot be told apart (B,)."""
    scaled, play, _ = _scaled(curvature, held)
    n = scaled.shape[1]
    scaled.reshape(scaled.shape[0], -1)[:, :: n + 1] += 1e-13
    inverse = np.linalg.inv(scaled)
    singular = (np.diagonal(inverse, axis1=1, axis2=2) > 1e8).any(axis=1)
    inverse *= play[:, :, None]
    inverse *= play[:, None, :]
    return np.asarray(inverse), np.asarray(singular)
