"""Where a fit starts: places searched, areas solved for, and what is held of weak lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray
from xrdfilm.fitting.levenberg import Observations
from xrdfilm.fitting.linear_fit import inverse_normal
from xrdfilm.fitting.window_model import WindowModel, hold, neutral
from xrdfilm.fitting.windows import Group

SEARCH_FROM = 0.4  # a start is looked for when a line may shift by more than this share of its FWHM
SEARCHED_EXTRA = (
    2.0  # more significance asked of a line found by searching: the look-elsewhere toll
)
TOP_CLEAR_FROM = 3.0  # significance of a smoothed top that a start may follow


@dataclass(frozen=True, slots=True)
class Hold:
    """Significance a line needs to carry a place, a width, a mixing, a skew of its own."""

    place: float = 4.0
    width: float = 6.0
    mixing: float = 15.0
    skew: float = 30.0


def weak_lines(
    strength: FloatArray, weak_below: Hold
) -> tuple[BoolArray, BoolArray, BoolArray, BoolArray]:
    """Lines (B, L) too weak for a place, a width, a mixing, a skew of their own."""
    return (
        strength < weak_below.place,
        strength < weak_below.width,
        strength < weak_below.mixing,
        strength < weak_below.skew,
    )


def _smooth(y: FloatArray, reach: int) -> FloatArray:
    """Running mean over 2·reach + 1 points, the ends repeated; (B, N)."""
    padded = np.pad(y, ((0, 0), (reach + 1, reach)), "edge")
    total = np.cumsum(padded, axis=1)
    width = 2 * reach + 1
    return (total[:, width:] - total[:, :-width]) / width


def _linear(
    basis: FloatArray, y: FloatArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Linear parameters (B, M), their standard uncertainties, and the fall of chi-square (B,)."""
    inverse = inverse_normal(basis, weights)
    right = np.matmul(basis, (weights * y)[..., None])[..., 0]
    theta = np.matmul(inverse, right[..., None])[..., 0]
    sigma = np.sqrt(np.diagonal(inverse, axis1=1, axis2=2))
    return theta, sigma, np.einsum("bm,bm->b", theta, right)


def start_of(
    group: Group, model: WindowModel, seen: Observations, n_scans: int, weak_below: Hold
) -> tuple[FloatArray, BoolArray]:
    """Start and parameters to hold, (B, P)."""
    s = group.structure
    y = seen.values if model.beneath is None else seen.values - model.beneath
    if seen.variance is not None:
        weights = seen.on / seen.variance
    else:
        assert seen.floor is not None
        weights = seen.on / np.maximum(_smooth(seen.values, 2), 2.0 * seen.floor)
    theta = neutral(model)
    linear, sigma, fall = _linear(model.basis(), y, weights)
    n = s.n_lines
    strength = linear[:, :n] / sigma[:, :n]
    theta[:, : s.n_linear] = linear
    movable = s.place_map.sum(axis=0) > 0
    wide = (group.max_shift > SEARCH_FROM * group.fwhm) & movable
    if wide.any():
        shift = _search(group, model, y, weights, linear, n_scans)
        shift *= np.tile(wide, (n_scans, 1))
        rows = np.flatnonzero((np.abs(shift) > 0.25 * model.fwhm).any(axis=1))
        if rows.size:
            # Lines of one place group take the shift of the strongest among them
            rank = np.abs(strength[rows])[:, None, :] * s.place_map[None]
            moved = theta[rows]
            moved[:, s.slices()[0]] = np.take_along_axis(shift[rows], rank.argmax(axis=2), axis=1)
            basis = model.take(rows).basis(moved)
            linear2, sigma2, fall2 = _linear(basis, y[rows], weights[rows])
            moved[:, : s.n_linear] = linear2
            better = fall2 > fall[rows]
            rows, moved = rows[better], moved[better]
            theta[rows] = moved
            searched = (linear2[:, :n] / sigma2[:, :n])[better] - SEARCHED_EXTRA
            strength[rows] = np.maximum(strength[rows], searched)
    held = hold(s, weak_lines(strength, weak_below))
    if held.any():
        theta = np.where(held, neutral(model), theta)
    return theta, held


def _search(
    group: Group,
    model: WindowModel,
    y: FloatArray,
    weights: FloatArray,
    linear: FloatArray,
    n_scans: int,
) -> FloatArray:
    """Shift (B, L) to the highest smoothed point that each line may reach."""
    step = float(np.median(np.diff(group.x[0])[:8]))
    reach = max(1, round(0.25 * float(np.median(group.fwhm)) / max(step, 1e-9)))
    n = group.structure.n_lines
    background = np.matmul(linear[:, None, n:], model.powers)[:, 0]
    net = _smooth(np.where(weights > 0, y - background, 0.0), reach)
    offset = model.x - model.place[:, :, None]
    span = np.tile(group.search, (n_scans, 1, 1))
    open_ = (offset >= span[:, :, :1]) & (offset <= span[:, :, 1:]) & (weights > 0)[:, None, :]
    best = np.where(open_, net[:, None, :], -np.inf).argmax(axis=2)
    shift = np.take_along_axis(offset, best[:, :, None], axis=2)[:, :, 0]
    # A top that chance makes is no reason to move
    top = np.take_along_axis(net, best, axis=1)
    weight = np.take_along_axis(weights, best, axis=1)
    clear = np.square(top) * weight * (2 * reach + 1) > TOP_CLEAR_FROM**2
    return np.where(open_.any(axis=2) & clear & (top > 0.0), shift, 0.0)
