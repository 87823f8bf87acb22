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
from xrdfilm.fitting.cellscan import (
    DEEPEST,
    FARTHEST_CORE_DEG,
    KNOWN_SHARE,
    NEGLIGIBLE,
    STANDS_OUT,
    STRONG_NEIGHBOUR,
    TAIL_DOUBT,
    VERY_STRONG,
    WIDTH_SHOWS,
    LineShape,
    Neighbour,
)
from xrdfilm.fitting.detection import doublet_constants
from xrdfilm.fitting.profile import doublet, second_place
from xrdfilm.scan import Scan

_DEGREE = 2  # of the background
_LEAST_POINTS = 12
_CLASSES = (4, 7, 9, 11, 13)  # windows with about as many neighbours go together
_DIFFERENCE = 0.05  # of a width: step of the differences that stand for derivatives
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


@dataclass(slots=True)
class _Windows:
    """B windows of N points: ``x``, ``y``, ``fixed`` variances and ``on`` (1 counts, 0 does not),
    ``floor`` (B, 1) of the expected counts; ``counting`` False where ``fixed`` holds."""

    x: FloatArray
    y: FloatArray
    fixed: FloatArray
    on: FloatArray
    floor: FloatArray
    counting: bool

    def take(self, rows: IntArray) -> _Windows:
        return _Windows(
            self.x[rows], self.y[rows], self.fixed[rows], self.on[rows], self.floor[rows],
            self.counting,
        )  # fmt: skip

    def expected(self, basis: FloatArray, amplitudes: FloatArray) -> FloatArray:
        """Counts to expect for the variances, (B, N): no dip that noise made goes deep."""
        model = np.matmul(amplitudes[:, None, :], basis)[:, 0]
        deepest = np.maximum(self.floor, DEEPEST * _median(model, self.on))
        return np.asarray(np.maximum(model, deepest, out=model))


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
        if last - first < _DEGREE + 2 * number + _LEAST_POINTS:
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
    windows: _Windows,
    length: IntArray,
    doublet_of: tuple[float, float],
) -> None:
    """Fit the lines of windows with about as many neighbours, and write them into their rows."""
    ratio, share = doublet_of
    near = _Near.of(tests, share)
    basis = np.empty((rows.size, _DEGREE + 1 + near.most, windows.x.shape[1]))
    basis[:, : _DEGREE + 1] = _powers(windows.x, length)
    near.fill(basis[:, _DEGREE + 1 :], windows, ratio)
    model, amplitudes, errors = _fit(basis, windows)
    strong = _strong(near, windows, length, amplitudes, errors)
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
        wider, narrowed.on = _without_cores(
            near.take(hit), narrowed, length[hit], basis[hit], model[hit], amplitudes[hit],
            errors[hit], strong[hit], ratio,
        )  # fmt: skip
        columns = np.count_nonzero(np.any(wider != 0.0, axis=2), axis=1)
        left = narrowed.on.sum(axis=1) >= columns + 8
        model = _fit(wider, narrowed)[0]
        _judge(
            out, rows[hit], [tests[int(i)] for i in hit], narrowed, wider, model, left, doublet_of
        )


def _cut(rows: Sequence[_Row], counting: bool) -> tuple[_Windows, IntArray]:
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
    return _Windows(x, y, fixed, on, floor[:, None], counting), length


def _powers(x: FloatArray, length: IntArray) -> FloatArray:
    """Legendre polynomials of degree 0, 1, 2 over each window, (B, 3, N)."""
    first = x[:, :1]
    last = np.take_along_axis(x, length[:, None] - 1, axis=1)
    scaled = (2.0 * x - first - last) / (last - first)
    return np.stack([np.ones_like(x), scaled, 1.5 * scaled * scaled - 0.5], axis=1)


@dataclass(slots=True)
class _Near:
    """Neighbours of B windows as arrays (B, K), padded: ``there`` says which exist."""

    place_deg: FloatArray
    fwhm_deg: FloatArray
    lorentz: FloatArray
    share: FloatArray
    ceiling: FloatArray
    there: BoolArray

    @classmethod
    def of(cls, tests: Sequence[SingleLine], share: float) -> _Near:
        most = max(len(test.neighbours) for test in tests)
        blank = (0.0, 1.0, 0.0, 0.0, np.inf, 0.0)
        table = np.empty((len(tests), most, 6))
        table[:] = blank
        for row, test in zip(table, tests, strict=True):
            if test.neighbours:
                row[: len(test.neighbours)] = [
                    (
                        n.place_deg,
                        n.shape.fwhm_deg,
                        n.shape.lorentz_fraction,
                        share if n.doublet else 0.0,
                        np.inf if n.ceiling_area is None else n.ceiling_area,
                        1.0,
                    )
                    for n in test.neighbours
                ]
        place, fwhm, lorentz, shares, ceiling, there = np.moveaxis(table, 2, 0)
        return cls(place, fwhm, lorentz, shares, ceiling, there > 0.0)

    def take(self, rows: IntArray) -> _Near:
        return _Near(
            self.place_deg[rows], self.fwhm_deg[rows], self.lorentz[rows], self.share[rows],
            self.ceiling[rows], self.there[rows],
        )  # fmt: skip

    @property
    def most(self) -> int:
        """Neighbours of the window that has most."""
        return int(self.place_deg.shape[1])

    def fill(self, extra: FloatArray, windows: _Windows, ratio: float) -> None:
        """Write the neighbours' profiles into ``extra`` (B, K, N); those that cannot matter go."""
        extra[...] = 0.0
        at, k = np.nonzero(self.there)
        if not at.size:
            return
        profiles = doublet(
            windows.x[at],
            self.place_deg[at, k][:, None],
            self.fwhm_deg[at, k][:, None],
            self.lorentz[at, k][:, None],
            np.full((at.size, 1), ratio),
            self.share[at, k][:, None],
        )
        level = windows.fixed
        if windows.counting:
            level = np.maximum(_median(windows.y, windows.on), windows.floor)
        weight = np.square(profiles)
        weight *= (windows.on / level)[at]
        alone = np.sqrt(1.0 / np.maximum(weight.sum(axis=1), 1e-300))
        matters = self.ceiling[at, k] > NEGLIGIBLE * alone
        self.there[at, k] = matters
        extra[at[matters], k[matters]] = profiles[matters]

    def derivatives(
        self, x: FloatArray, at: IntArray, k: IntArray, ratio: float
    ) -> tuple[FloatArray, FloatArray]:
        """First and second derivative by place of the profiles of pairs (window, neighbour).

        By differences over a small part of the width: between the scan's own points a slope would
        come out flat on top of a sharp line, and wrong at a window's ends.
        """
        width = self.fwhm_deg[at, k][:, None]
        step = _DIFFERENCE * width
        low, middle, high = (
            doublet(
                x[at],
                self.place_deg[at, k][:, None] + moved,
                width,
                self.lorentz[at, k][:, None],
                np.full((at.size, 1), ratio),
                self.share[at, k][:, None],
            )
            for moved in (-step, 0.0, step)
        )
        return (high - low) / (2.0 * step), (high - 2.0 * middle + low) / np.square(step)


def _strong(
    near: _Near,
    windows: _Windows,
    length: IntArray,
    amplitudes: FloatArray,
    errors: FloatArray,
) -> BoolArray:
    """Neighbours (B, K) that stand out, and are not more than a ghost can be."""
    area, error = amplitudes[:, _DEGREE + 1 :], errors[:, _DEGREE + 1 :]
    first, last = _ends(windows.x, length)
    beside = (first - FARTHEST_CORE_DEG < near.place_deg) & (
        near.place_deg < last + FARTHEST_CORE_DEG
    )
    possible = area <= 1.5 * near.ceiling + 4.0 * error
    return np.asarray(near.there & (area > STRONG_NEIGHBOUR * error) & beside & possible)


def _ends(x: FloatArray, length: IntArray) -> tuple[FloatArray, FloatArray]:
    return x[:, :1], np.take_along_axis(x, length[:, None] - 1, axis=1)


def _without_cores(
    near: _Near,
    windows: _Windows,
    length: IntArray,
    basis: FloatArray,
    model: FloatArray,
    amplitudes: FloatArray,
    errors: FloatArray,
    strong: BoolArray,
    ratio: float,
) -> tuple[FloatArray, FloatArray]:
    """The basis with places and widths of strong neighbours open, and points off their cores."""
    first, last = _ends(windows.x, length)
    significance = amplitudes[:, _DEGREE + 1 :] / np.maximum(errors[:, _DEGREE + 1 :], 1e-300)
    width = near.fwhm_deg
    noise = np.sqrt(np.maximum(_median(model, windows.on), windows.floor))
    area = np.maximum(amplitudes[:, _DEGREE + 1 :], 0.0)
    # as far out as a twentieth of a Lorentzian tail would still stand out of the noise
    tail = np.sqrt(TAIL_DOUBT * area * width / (2.0 * np.pi * noise))
    far = np.minimum(np.maximum(2.0 * width, tail), FARTHEST_CORE_DEG)
    reach = np.where(significance > VERY_STRONG, far, width)
    low = near.place_deg - reach
    second, _ = second_place(near.place_deg, np.array(ratio))
    high = np.where(near.share > 0.0, second, near.place_deg) + reach
    mask = windows.on.copy()
    at, k = np.nonzero(strong)
    outside = (windows.x[at] < low[at, k][:, None]) | (windows.x[at] > high[at, k][:, None])
    np.multiply.at(mask, at, outside.astype(float))
    # place is open too, and width; of a tail alone, the size is enough
    place_open = strong & (first < low) & (high < last)
    width_open = place_open & (significance > WIDTH_SHOWS)
    more = int((place_open.sum(axis=1) + width_open.sum(axis=1)).max())
    wider = np.zeros((basis.shape[0], basis.shape[1] + more, basis.shape[2]))
    wider[:, : basis.shape[1]] = basis
    following = np.full(basis.shape[0], basis.shape[1])
    at, k = np.nonzero(place_open)
    if at.size:
        slope, bend = near.derivatives(windows.x, at, k, ratio)
        for pair, (row, column) in enumerate(zip(at, k, strict=True)):
            wider[row, following[row]] = slope[pair]
            following[row] += 1
            if width_open[row, column]:
                wider[row, following[row]] = bend[pair]
                following[row] += 1
    return wider, mask


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
    windows: _Windows,
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
    scale = _scaled(normal)
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
    windows: _Windows,
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
        model[lit] = _fit(with_line, windows.take(lit), without_last=True)[0]
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


def _fit(
    basis: FloatArray, windows: _Windows, *, without_last: bool = False
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Expected counts (B, N), amplitudes (B, M), their uncertainties; weights 1/expected."""
    y, counting = windows.y, windows.counting
    transposed = np.ascontiguousarray(np.swapaxes(basis, 1, 2))
    weights = windows.on if counting else windows.on / windows.fixed
    if counting:
        amplitudes, _ = _solve(basis, transposed, weights, y)
        weights = windows.on / windows.expected(basis, amplitudes)
    amplitudes, errors = _solve(basis, transposed, weights, y, with_errors=True)
    told = amplitudes
    if without_last:
        told = amplitudes.copy()
        told[:, -1] = 0.0
    model = windows.expected(basis, told)
    if counting:
        # where chance bent the background down, reckon with the columns that stand out alone
        plain = np.abs(amplitudes) > STANDS_OUT * errors
        plain[:, :2] = True
        rest = y
        if without_last:
            rest = y - amplitudes[:, -1:] * basis[:, -1]
            plain[:, -1] = False
        fitted, _ = _solve(basis, transposed, windows.on / model, rest, plain)
        np.maximum(model, np.matmul(fitted[:, None, :], basis)[:, 0], out=model)
    return model, amplitudes, errors


def _solve(
    basis: FloatArray,
    transposed: FloatArray,
    weights: FloatArray,
    y: FloatArray,
    use: BoolArray | None = None,
    *,
    with_errors: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Weighted least squares: amplitudes (B, M), and their uncertainties where asked for.

    Columns not in ``use`` (B, M) stay out and get 0.
    """
    weighted = basis * weights[:, None, :]
    normal = np.matmul(weighted, transposed)
    right = np.matmul(weighted, y[:, :, None])
    if use is not None:
        normal *= use[:, :, None] & use[:, None, :]
        right *= use[:, :, None]
    scale = _scaled(normal)
    right *= scale[:, :, None]
    if not with_errors:
        return np.linalg.solve(normal, right)[:, :, 0] * scale, scale
    inverse = np.linalg.inv(normal)
    errors = np.sqrt(np.maximum(np.diagonal(inverse, axis1=1, axis2=2), 1e-300)) * scale
    return np.matmul(inverse, right)[:, :, 0] * scale, errors


def _scaled(normal: FloatArray) -> FloatArray:
    """Bring normal matrices (B, M, M) to unit diagonal, in place; the scales (B, M).

    Columns of nothing get a scale of 0. A ridge of 1e-12 keeps columns that are alike in the
    window, such as two feet, from cancelling.
    """
    size = normal.shape[1]
    diagonal = np.diagonal(normal, axis1=1, axis2=2)
    dead = diagonal <= 0.0
    scale = np.where(dead, 0.0, 1.0 / np.sqrt(np.where(dead, 1.0, diagonal)))
    normal *= scale[:, :, None]
    normal *= scale[:, None, :]
    normal[:, np.arange(size), np.arange(size)] += 1e-12 + dead
    return np.asarray(scale)


def _median(values: FloatArray, on: FloatArray) -> FloatArray:
    """Median of the points that count, (B, 1)."""
    filled = np.where(on > 0.0, values, np.inf)
    filled.sort(axis=1)
    number = on.sum(axis=1).astype(np.int64)
    rows = np.arange(number.size)
    return np.asarray(0.5 * (filled[rows, (number - 1) // 2] + filled[rows, number // 2]))[:, None]
