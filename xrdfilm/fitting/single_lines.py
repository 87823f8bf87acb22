"""Forced fits of many single lines at once, each in a window of its own beside its neighbours.

What `xrdfilm.fitting.cellscan` does for one window (`line_window`, `scan_line` at one place) is
done here by array operations for the windows of many scans together. Windows are padded to one
length, and a neighbour that a window has not got is a column of zeros.
"""

from __future__ import annotations

from bisect import bisect
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from scipy.special import gammaincc, ndtr, ndtri

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.crystal.radiation import Radiation
from xrdfilm.fitting.cellscan import KNOWN_SHARE
from xrdfilm.fitting.detection import doublet_constants
from xrdfilm.fitting.line_window import LineShape, Neighbour
from xrdfilm.fitting.many_neighbours import ManyNeighbours, strong_neighbours, without_cores
from xrdfilm.fitting.many_windows import DEGREE, Windows, fit_columns, powers, scaled
from xrdfilm.fitting.profile import doublet
from xrdfilm.scan import Scan

_LEAST_POINTS = 12
_CLASSES = (4, 7, 9, 11, 13)  # windows with about as many neighbours go together
_ROWS_AT_ONCE = 64  # what fits the processor's cache is fastest
_OFF_DEG = 0.02  # a line that shows is taken out of the blank at the best of three places


@dataclass(frozen=True, slots=True)
class SingleLine:
    """A line to be tested: its place and shape, its window, and what else may stand there."""

    place_deg: float
    shape: LineShape
    low_deg: float
    high_deg: float
    neighbours: tuple[Neighbour, ...]


@dataclass(frozen=True, slots=True)
class SingleFits:
    """Fits of T lines, each (T,): see `xrdfilm.fitting.cellscan.LineScan` for what they are.

    ``score`` is the normal deviate as improbable as the area of a blank. ``usable`` is False where
    the line cannot be told from its neighbours, or too few points are left; the rest is then nan.
    """

    areas: FloatArray
    sigma: FloatArray
    score: FloatArray
    usable: BoolArray


def fit_single_lines(
    scans: Sequence[Scan],
    radiations: Sequence[Radiation],
    tests: Sequence[tuple[int, SingleLine]],
) -> SingleFits:
    """Fit each line alone at its place, with signed area, beside its neighbours.

    ``tests`` name the index of a scan and a line to be fitted in it; ``radiations`` are those of
    the scans.
    """
    total = len(tests)
    out = SingleFits(
        np.full(total, np.nan),
        np.full(total, np.nan),
        np.full(total, np.nan),
        np.zeros(total, bool),
    )
    kinds: dict[tuple[Radiation, bool, int], list[_Row]] = {}
    for at, (i, line) in enumerate(tests):
        scan = scans[i]
        first, last = np.searchsorted(scan.axis_deg, (line.low_deg, line.high_deg)).tolist()
        number = len(line.neighbours)
        if last - first < DEGREE + 2 * number + _LEAST_POINTS:
            continue
        counting = scan.sigma is None and scan.poisson
        of_kind = kinds.setdefault((radiations[i], counting, bisect(_CLASSES, number)), [])
        of_kind.append(_Row(at, scan, line, first, last))
    for (radiation, counting, _), rows in kinds.items():
        for start in range(0, len(rows), _ROWS_AT_ONCE):
            part = rows[start : start + _ROWS_AT_ONCE]
            windows, length = _cut(part, counting)
            places = np.array([row.at for row in part])
            lines = [row.line for row in part]
            _fit_rows(out, places, lines, windows, length, doublet_constants(radiation))
    return out


@dataclass(frozen=True, slots=True)
class _Row:
    """A test: its place among all, and its points in its scan."""

    at: int
    scan: Scan
    line: SingleLine
    first: int
    last: int


def _fit_rows(
    out: SingleFits,
    rows: IntArray,
    tests: Sequence[SingleLine],
    windows: Windows,
    length: IntArray,
    doublet_of: tuple[float, float],
) -> None:
    """Fit the lines of windows with about as many neighbours, and write them into their rows."""
    ratio, share = doublet_of
    near = ManyNeighbours.of([test.neighbours for test in tests], share)
    basis = np.empty((rows.size, DEGREE + 1 + near.most, windows.x.shape[1]))
    basis[:, : DEGREE + 1] = powers(windows.x, length)
    near.fill(basis[:, DEGREE + 1 :], windows, ratio)
    model, amplitudes, errors = fit_columns(basis, windows)
    strong = strong_neighbours(near, windows, length, amplitudes, errors)
    hit = np.flatnonzero(strong.any(axis=1))
    calm = np.flatnonzero(~strong.any(axis=1))
    if calm.size:
        calm_windows = windows.take(calm)
        _judge(
            out, rows[calm], [tests[int(i)] for i in calm], calm_windows, basis[calm],
            model[calm], np.ones(calm.size, bool), doublet_of,
        )  # fmt: skip
    if hit.size:
        narrowed = windows.take(hit)
        wider, narrowed.on = without_cores(
            near.take(hit), narrowed, length[hit], basis[hit], model[hit], amplitudes[hit],
            errors[hit], strong[hit], ratio,
        )  # fmt: skip
        columns = np.count_nonzero(np.any(wider != 0.0, axis=2), axis=1)
        left = narrowed.on.sum(axis=1) >= columns + 8
        model = fit_columns(wider, narrowed)[0]
        _judge(
            out, rows[hit], [tests[int(i)] for i in hit], narrowed, wider, model, left, doublet_of
        )


def _cut(rows: Sequence[_Row], counting: bool) -> tuple[Windows, IntArray]:
    """The windows' points, padded at the end by what follows; and how many each has."""
    length = np.array([row.last - row.first for row in rows])
    shape = (len(rows), int(length.max()))
    x, y, fixed = np.empty(shape), np.zeros(shape), np.ones(shape)
    for k, row in enumerate(rows):
        size = row.last - row.first
        following = row.scan.axis_deg[row.first : row.first + shape[1]]
        x[k, : following.size] = following
        x[k, following.size :] = following[-1]
        y[k, :size] = row.scan.counts[row.first : row.last]
        if not counting:
            fixed[k, :size] = np.square(row.scan.uncertainty()[row.first : row.last])
    on = (np.arange(shape[1]) < length[:, None]).astype(float)
    floor = 0.1 * (np.maximum(y.sum(axis=1), 0.0) + 0.5) / length
    return Windows(x, y, fixed, on, floor[:, None], counting), length


@dataclass(slots=True)
class _Projected:
    """Profiles (B, G, N) and counts with background and neighbours projected out, whitened."""

    whitened: FloatArray
    left: FloatArray
    root: FloatArray
    safe: FloatArray
    total: FloatArray
    information: FloatArray
    areas: FloatArray
    significance: FloatArray
    usable: BoolArray


def _project(
    windows: Windows,
    basis: FloatArray,
    model: FloatArray,
    profiles: FloatArray,
    inside: BoolArray,
) -> _Projected:
    variance = np.maximum(model, windows.floor) if windows.counting else windows.fixed
    root = np.sqrt(windows.on / variance)
    whole = basis * root[:, None, :]
    transposed = np.ascontiguousarray(np.swapaxes(whole, 1, 2))
    normal = np.matmul(whole, transposed)
    scale = scaled(normal)
    whitened = profiles * root[:, None, :]
    left = windows.y * root
    total = np.square(whitened).sum(axis=2)
    both = np.concatenate([whitened, left[:, None, :]], axis=1)
    onto = np.swapaxes(np.matmul(both, transposed) * scale[:, None, :], 1, 2)
    onto = np.linalg.solve(normal, onto) * scale[:, :, None]
    both -= np.matmul(np.swapaxes(onto, 1, 2), whole)
    whitened, left = both[:, :-1], both[:, -1]
    information = np.square(whitened).sum(axis=2)
    safe = np.maximum(information, 1e-12 * np.maximum(total.max(axis=1), 1e-300)[:, None])
    areas = np.matmul(whitened, left[:, :, None])[:, :, 0] / safe
    share = information / np.maximum(total, 1e-300)
    usable = (share > KNOWN_SHARE) & inside
    significance = np.where(usable, areas * np.sqrt(safe), -np.inf)
    return _Projected(whitened, left, root, safe, total, information, areas, significance, usable)


def _judge(
    out: SingleFits,
    rows: IntArray,
    tests: Sequence[SingleLine],
    windows: Windows,
    basis: FloatArray,
    model: FloatArray,
    left: BoolArray,
    doublet_of: tuple[float, float],
) -> None:
    """Areas of the lines with weights of a film without them, and their significance."""
    ratio, share = doublet_of
    place = np.array([test.place_deg for test in tests])
    width = np.array([test.shape.fwhm_deg for test in tests])
    lorentz = np.array([test.shape.lorentz_fraction for test in tests])
    profiles = doublet(
        windows.x[:, None, :],
        (place[:, None] + np.array([-_OFF_DEG, 0.0, _OFF_DEG]))[:, :, None],
        width[:, None, None],
        lorentz[:, None, None],
        np.array(ratio),
        np.array(share),
    )
    number = windows.on.sum(axis=1)
    here = np.where(windows.on > 0.0, windows.x, np.nan)
    with np.errstate(invalid="ignore"):
        span = np.fmax.reduce(here, axis=1) - np.fmin.reduce(here, axis=1)
    step = span / np.maximum(number - 1.0, 1.0)
    inside = np.matmul(profiles, windows.on[:, :, None])[:, :, 0] * step[:, None] > 0.6
    inside &= left[:, None]
    seen = _project(windows, basis, model, profiles, inside)
    best = np.argmax(seen.significance, axis=1)
    every = np.arange(rows.size)
    lit = np.flatnonzero(seen.significance[every, best] >= 4.0) if windows.counting else every[:0]
    if lit.size:
        # a real line lifts the fitted background: take it out before the blank is judged
        with_line = np.concatenate([basis[lit], profiles[lit, best[lit]][:, None, :]], axis=1)
        model[lit] = fit_columns(with_line, windows.take(lit), without_last=True)[0]
        again = _project(windows.take(lit), basis[lit], model[lit], profiles[lit], inside[lit])
        for field in fields(_Projected):
            getattr(seen, field.name)[lit] = getattr(again, field.name)
        best = np.argmax(seen.significance, axis=1)
    columns = np.count_nonzero(np.any(basis != 0.0, axis=2), axis=1)
    dof = np.maximum(number - columns - 1.0, 1.0)
    top = seen.significance[every, best]
    there = np.where(np.isfinite(top), np.maximum(top, 0.0), 0.0)
    variance = np.maximum(model, windows.floor) if windows.counting else windows.fixed
    variance = np.where(np.isfinite(variance), variance, 1.0)  # a window without a point left
    spread = variance
    if windows.counting:
        lift = np.where(there > 0.0, np.maximum(seen.areas[every, best], 0.0), 0.0)
        spread = variance + lift[:, None] * profiles[every, best]
    taken = np.where(there > 0.0, seen.areas[every, best], 0.0)
    residual = seen.left - taken[:, None] * seen.whitened[every, best]
    chi_square = (np.square(residual) * variance / spread).sum(axis=1)
    inverse_sum = (windows.on / spread).sum(axis=1) if windows.counting else np.zeros(rows.size)
    # where the best line is strong its shape counts too, and that is not the background's fault
    misfit = (chi_square > dof + 4.0 * np.sqrt(2.0 * dof + inverse_sum)) & (there < 10.0)
    widened = np.where(misfit, chi_square / dof, 1.0)
    safe, area = np.where(seen.usable[:, 1], seen.safe[:, 1], 1.0), seen.areas[:, 1]
    estimator = seen.whitened[:, 1] * seen.root / safe[:, None]
    third, slope = np.zeros_like(safe), np.zeros_like(safe)
    if windows.counting:
        square = np.square(estimator)
        third = (square * estimator * variance).sum(axis=1) * safe**1.5
        slope = (square * profiles[:, 1]).sum(axis=1) * widened
    usable = seen.usable[:, 1]
    blank = np.sqrt(widened / safe)
    good = rows[usable]
    out.usable[good] = True
    out.areas[good] = area[usable]
    sigma = np.sqrt(np.square(blank) + slope * np.maximum(area, 0.0))
    out.sigma[good] = sigma[usable]
    out.score[good] = normal_scores((area / blank)[usable], third[usable])


def normal_scores(significance: FloatArray, third: FloatArray) -> FloatArray:
    """`xrdfilm.fitting.cellscan.normal_score` for many, each (T,)."""
    score = significance - third * (np.square(significance) - 1.0) / 6.0
    skewed = np.flatnonzero((np.abs(third) >= 0.02) & (significance >= 0.0))
    if skewed.size:
        z, skew = significance[skewed], third[skewed]
        shape = 4.0 / np.square(skew)
        tail = np.where(skew > 0.0, gammaincc(shape, shape + z * np.sqrt(shape)), ndtr(-z))
        # beyond double precision it is far out either way
        far = z / (1.0 + np.abs(skew) * z / 3.0)
        score[skewed] = np.where(tail > 0.0, -ndtri(np.maximum(tail, 1e-323)), far)
    return np.asarray(score)
