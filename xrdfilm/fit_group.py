"""Fit windows of one structure in many scans: start, engine, and what comes out for each line."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.flags import flag_bit
from xrdfilm.levenberg import Minimum, Observations, Prior, minimise
from xrdfilm.linear_fit import (
    PRESENT_ABOVE,
    BlankMoments,
    blank_moments,
    count_floor,
    inverse_normal,
    misfit_scale,
)
from xrdfilm.window_model import WindowModel, bounds, hold, neutral, prior
from xrdfilm.windows import Group

SEARCH_FROM = 0.4  # a start is looked for when a line may shift by more than this share of its FWHM
SEARCHED_EXTRA = (
    2.0  # more significance asked of a line found by searching: the look-elsewhere toll
)
TOP_CLEAR_FROM = 3.0  # significance of a smoothed top that a start may follow
TANGLED_FROM = 0.1  # relative uncertainty of a width beyond which the fit is no longer linear


@dataclass(frozen=True, slots=True)
class Hold:
    """Significance a line needs to carry a place, a width, a mixing of its own."""

    place: float = 4.0
    width: float = 6.0
    mixing: float = 15.0


@dataclass(frozen=True, slots=True)
class GroupFit:
    """Outcome for B windows of L lines; shapes (B, L) unless said otherwise.

    ``area_covariance`` (B, L, L) is already widened by ``widening`` (B,), the moments are not.
    """

    area: FloatArray
    area_covariance: FloatArray
    place: FloatArray
    place_sigma: FloatArray
    fwhm: FloatArray
    fwhm_sigma: FloatArray
    mixing: FloatArray
    background: FloatArray
    moments: BlankMoments
    widening: FloatArray
    flags: IntArray
    chi_square: FloatArray
    dof: FloatArray
    rounds: IntArray
    background_terms: FloatArray


def fit_group(
    group: Group,
    counts: FloatArray,
    good: BoolArray | None,
    variance: FloatArray | None,
    place: FloatArray,
    fwhm: FloatArray,
    beneath: FloatArray | None,
    weak_below: Hold,
) -> GroupFit:
    """Fit a group's windows in S scans.

    ``counts``, ``good`` (points that count, None for all), ``variance``, ``beneath`` have shape
    (S, axis); ``place`` and ``fwhm`` (S, W, L) are expected.
    """
    n_scans = counts.shape[0]
    n_points = group.points.shape[1]

    def rows(values: FloatArray) -> FloatArray:
        return values[:, group.points].reshape(-1, n_points)

    y = rows(counts)
    on = np.tile(group.on, (n_scans, 1))
    if good is not None:
        on = on * rows(good.astype(float))
    under = None if beneath is None else rows(beneath)
    model = WindowModel.of_group(group, n_scans, place, fwhm, under)
    floor = count_floor(y * on, on)
    seen = Observations(y, on, None if variance is None else rows(variance), floor)
    start, held = _start(group, model, seen, n_scans, weak_below)
    low, high = bounds(group, n_scans)
    n_linear = group.structure.n_linear
    known = prior(group, n_scans)
    best = minimise(
        model,
        start,
        seen,
        low=low,
        high=high,
        held=held,
        prior=known,
        keep_basis=n_linear,
    )
    if group.structure.n_lines > 1:
        _hold_what_proved_weak(group, model, seen, best, known, (low, high, held), weak_below)
    return _outcome(group, model, seen, best, n_scans)


def _hold_what_proved_weak(
    group: Group,
    model: WindowModel,
    seen: Observations,
    best: Minimum,
    known: Prior | None,
    limits: tuple[FloatArray, FloatArray, BoolArray],
    weak_below: Hold,
) -> None:
    """Fit again, in place, where a line that looked strong at the start came out weak.

    Beside a strong line whose shape was not known yet, the start takes its flank for a line.
    """
    low, high, held = limits
    s = group.structure
    n = s.n_lines
    # At the fitted shapes: lines that hide each other are there, though each area is in doubt
    sigma = np.sqrt(np.diagonal(_at_fixed_shapes(best, seen), axis1=1, axis2=2)[:, :n])
    strength = best.theta[:, :n] / sigma
    more = hold(s, _weak(strength, weak_below)) & ~held
    rows = np.flatnonzero(more.any(axis=1))
    if not rows.size:
        return
    held[rows] |= more[rows]
    theta = best.theta[rows]
    theta = np.where(more[rows], neutral(group, 1)[rows % group.windows.size], theta)
    again = minimise(
        model.take(rows),
        theta,
        seen.take(rows),
        low=low[rows],
        high=high[rows],
        held=held[rows],
        prior=None if known is None else known.take(rows),
        keep_basis=s.n_linear,
    )
    for field in fields(best):
        getattr(best, field.name)[rows] = getattr(again, field.name)


def _weak(strength: FloatArray, weak_below: Hold) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Lines (B, L) too weak for a place, a width, a mixing of their own."""
    return (
        strength < weak_below.place,
        strength < weak_below.width,
        strength < weak_below.mixing,
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


def _start(
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
    theta = neutral(group, n_scans)
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
    held = hold(s, _weak(strength, weak_below))
    if held.any():
        theta = np.where(held, neutral(group, n_scans), theta)
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


def _outcome(
    group: Group,
    model: WindowModel,
    seen: Observations,
    best: Minimum,
    n_scans: int,
) -> GroupFit:
    s = group.structure
    n, m = s.n_lines, s.n_linear
    at_place, at_width, at_mixing = s.slices()
    points = seen.on.sum(axis=1)
    dof = points - s.n_parameters
    widening, misfit = misfit_scale(best.chi_square, dof, best.inverse_sum)
    place, fwhm, mixing = model.shapes(best.theta)
    variance = np.diagonal(best.covariance, axis1=1, axis2=2) * widening[:, None]
    place_sigma = np.sqrt(variance[:, at_place] @ s.place_map)
    fwhm_sigma = np.sqrt(variance[:, at_width] @ s.width_map) * model.fwhm
    scaled = (place - np.tile(group.middle, n_scans)[:, None]) / np.tile(group.half, n_scans)[
        :, None
    ]
    powers = scaled[:, :, None] ** np.arange(s.n_background)
    terms = best.theta[:, n:m]
    background = np.matmul(powers, terms[:, :, None])[:, :, 0]
    if model.beneath is not None:
        nearest = np.abs(model.x - place[:, :, None]).argmin(axis=2)
        background = background + np.take_along_axis(model.beneath, nearest, axis=1)
    area, moments = _blank(best, seen, model, n)

    flags = np.zeros((best.theta.shape[0], n), np.int64)
    flags |= np.where(misfit, flag_bit("misfit"), 0)[:, None]
    flags |= np.where(best.converged, 0, flag_bit("not_converged"))[:, None]
    flags |= np.where(best.no_covariance, flag_bit("no_covariance"), 0)[:, None]
    kinds = (
        (at_place, s.place_map, "held_place"),
        (at_width, s.width_map, "held_width"),
        (at_mixing, s.mixing_map, "held_mixing"),
    )
    for at, mapping, code in kinds:
        if not mapping.shape[0]:
            continue
        held = (best.covariance.diagonal(axis1=1, axis2=2)[:, at] == 0.0).astype(float)
        flags |= np.where(held @ mapping > 0, flag_bit(code), 0)
        stuck = best.at_bound[:, at].astype(float) @ mapping > 0
        flags |= np.where(stuck, flag_bit("at_bound"), 0)
    if n > 1 and s.width_map.shape[0]:
        loose = (fwhm_sigma > TANGLED_FROM * fwhm) & (area > 0.0)
        flags |= np.where(loose, flag_bit("tangled"), 0)
    return GroupFit(
        area,
        best.covariance[:, :n, :n] * widening[:, None, None],
        place,
        place_sigma,
        fwhm,
        fwhm_sigma,
        mixing,
        background,
        moments,
        widening,
        flags,
        best.chi_square,
        dof,
        best.rounds,
        terms,
    )


def _blank(
    best: Minimum, seen: Observations, model: WindowModel, n: int
) -> tuple[FloatArray, BlankMoments]:
    """Areas (B, L), of absent lines by the linear estimate that the limits are made for; moments.

    Lines that stand out are tested one by one, the others of the window being there; those that
    do not are tested together.
    """
    area = best.theta[:, :n].copy()
    basis = best.basis
    m = basis.shape[1]
    covariance = best.covariance[:, :m, :m]
    sigma = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)[:, :n])
    there = area > PRESENT_ABOVE * sigma
    columns = [np.empty_like(area) for _ in range(4)]
    assert seen.floor is not None

    def test(rows: IntArray, known: BoolArray) -> tuple[BlankMoments, FloatArray]:
        beneath = None if model.beneath is None else model.beneath[rows]
        blank = blank_moments(
            basis[rows],
            best.theta[rows, :m],
            covariance[rows],
            n,
            None if seen.variance is None else seen.variance[rows],
            known,
            seen.floor[rows],  # type: ignore[index]
            seen.on[rows],
            beneath,
        )
        y = seen.values[rows] if beneath is None else seen.values[rows] - beneath
        return blank.moments, np.matmul(blank.estimator, y[:, :, None])[:, :, 0]

    names = ("variance", "variance_slope", "third", "third_slope")
    rows, lines = np.nonzero(there)
    if rows.size:
        known = there[rows]
        known[np.arange(rows.size), lines] = False
        moments, _ = test(rows, known)
        for field, name in zip(columns, names, strict=True):
            field[rows, lines] = getattr(moments, name)[np.arange(rows.size), lines]
    rows = np.flatnonzero(~there.all(axis=1))
    if rows.size:
        moments, estimate = test(rows, there[rows])
        if n > 1:
            moments = _with_shapes_of_others(moments, best, seen, rows, covariance)
        off = ~there[rows]
        for field, name in zip(columns, names, strict=True):
            field[rows] = np.where(off, getattr(moments, name), field[rows])
        area[rows] = np.where(off, estimate, area[rows])
    return area, BlankMoments(*columns)


def _at_fixed_shapes(best: Minimum, seen: Observations) -> FloatArray:
    """Covariance (B, M, M) of areas and background were all places and shapes known."""
    spread = seen.variance
    if spread is None:
        assert seen.floor is not None
        spread = np.maximum(best.model, seen.floor)
    return inverse_normal(best.basis, seen.on / spread)


def _with_shapes_of_others(
    moments: BlankMoments,
    best: Minimum,
    seen: Observations,
    rows: IntArray,
    covariance: FloatArray,
) -> BlankMoments:
    """Moments widened by the fitted places and shapes of the other lines in the window.

    The blank test holds them fixed; how much their doubt adds is the ratio of an area's variance
    in the whole fit to that at fixed shapes.
    """
    fixed = _at_fixed_shapes(best, seen)[rows]
    n = moments.variance.shape[1]
    whole = np.diagonal(covariance[rows], axis1=1, axis2=2)[:, :n]
    ratio = np.maximum(whole / np.diagonal(fixed, axis1=1, axis2=2)[:, :n], 1.0)
    return BlankMoments(
        moments.variance * ratio,
        moments.variance_slope * ratio,
        moments.third * ratio**1.5,
        moments.third_slope * ratio**1.5,
    )
