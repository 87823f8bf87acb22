"""Fit windows of one structure in many scans: start, engine, and what comes out for each line."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.fitting.fit_start import Hold, start_of, weak_lines
from xrdfilm.fitting.flags import flag_bit
from xrdfilm.fitting.levenberg import Minimum, Observations, Prior, minimise
from xrdfilm.fitting.linear_fit import (
    PRESENT_ABOVE,
    BlankMoments,
    blank_moments,
    count_floor,
    inverse_normal,
    misfit_scale,
)
from xrdfilm.fitting.window_model import WindowModel, bounds, hold, neutral, prior
from xrdfilm.fitting.windows import Group

TANGLED_FROM = 0.1  # relative uncertainty of a width beyond which the fit is no longer linear


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
    skew: FloatArray
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
    mixing: FloatArray | None = None,
) -> GroupFit:
    """Fit a group's windows in S scans.

    ``counts``, ``good`` (points that count, None for all), ``variance`` have shape (S, axis);
    ``place``, ``fwhm`` and ``mixing`` (S, W, L; None: the group's) are expected. ``beneath``
    (S, W, N) is a given curve on the group's points, or None.
    """
    n_scans = counts.shape[0]
    n_points = group.points.shape[1]

    def rows(values: FloatArray) -> FloatArray:
        return values[:, group.points].reshape(-1, n_points)

    y = rows(counts)
    on = np.tile(group.on, (n_scans, 1))
    if good is not None:
        on = on * rows(good.astype(float))
    empty = on.sum(axis=1) < group.structure.n_parameters + 2
    if empty.any():  # every point lost: fitted on nothing in particular, and marked below
        on, y = np.where(empty[:, None], 1.0, on), np.where(empty[:, None], 1.0, y)
    model = WindowModel.of_group(group, n_scans, place, fwhm, beneath, mixing)
    floor = count_floor(y * on, on)
    seen = Observations(y, on, None if variance is None else rows(variance), floor)
    start, held = start_of(group, model, seen, n_scans, weak_below)
    low, high = bounds(group, n_scans)
    n_linear = group.structure.n_linear
    known = prior(group, model, n_scans)
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
    found = _outcome(group, model, seen, best, n_scans)
    return _without(found, empty) if empty.any() else found


def _without(found: GroupFit, empty: BoolArray) -> GroupFit:
    """The outcome with nothing said of windows that had no points."""
    changed: dict[str, object] = {}
    for field in fields(found):
        values = getattr(found, field.name)
        if field.name == "moments":
            variance = np.where(empty[:, None], np.nan, values.variance)
            changed["moments"] = replace(values, variance=variance)
        elif field.name != "rounds":
            blank = flag_bit("no_data") if field.name == "flags" else np.nan
            shape = (-1,) + (1,) * (values.ndim - 1)
            changed[field.name] = np.where(empty.reshape(shape), blank, values)
    return replace(found, **changed)  # type: ignore[arg-type]


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
    more = hold(s, weak_lines(strength, weak_below)) & ~held
    rows = np.flatnonzero(more.any(axis=1))
    if not rows.size:
        return
    held[rows] |= more[rows]
    theta = best.theta[rows]
    theta = np.where(more[rows], neutral(model.take(rows)), theta)
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


def _outcome(
    group: Group,
    model: WindowModel,
    seen: Observations,
    best: Minimum,
    n_scans: int,
) -> GroupFit:
    s = group.structure
    n, m = s.n_lines, s.n_linear
    at_place, at_width, _, _ = s.slices()
    points = seen.on.sum(axis=1)
    dof = points - s.n_parameters
    widening, misfit = misfit_scale(best.chi_square, dof, best.inverse_sum)
    place, fwhm, mixing, skew = model.shapes(best.theta)
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
    codes = ("held_place", "held_width", "held_mixing", "held_skew")
    for at, mapping, code in zip(s.slices(), s.maps, codes, strict=True):
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
        np.zeros_like(place) if skew is None else skew,
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
