"""A window ready for fits of one line: its points, background and neighbours.

Neighbours are fitted along with signed areas; one that stands out also gets its place and width
fitted, and its core is left out, since no table shape fits a strong line to its noise. Ghosts too
weak to matter are left away: they would only cost sensitivity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import Radiation
from xrdfilm.fitting.detection import doublet_constants
from xrdfilm.fitting.profile import doublet

STRONG_NEIGHBOUR = 8.0  # a neighbour this significant also gets its place fitted, its core left out
WIDTH_SHOWS = 25.0
PLACE_DOUBT = 1e-3  # of a spacing: how far a neighbour may be off, strained as it may be
LEAST_DOUBTED = 2.0  # significance of a neighbour whose place matters
VERY_STRONG = 60.0
TAIL_DOUBT = 0.05
STANDS_OUT = 4.0
DEEPEST = 0.5  # of the median: no background of a window falls lower
NEGLIGIBLE = 0.2  # of a neighbour's standard uncertainty alone in the window
FARTHEST_CORE_DEG = 0.8
EDGE_DEG = 0.3  # a line nearer to a window's end may stand for a bend of the background


@dataclass(frozen=True, slots=True)
class LineShape:
    """Profile of a line at one place: FWHM in degrees, and the Lorentzian's share of the area."""

    fwhm_deg: float
    lorentz_fraction: float


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Another line that may stand in the window.

    ``doublet`` is False for a line of one wavelength; ``ghost`` marks a contaminant's line, and
    ``ceiling_area`` is the most it can have (counts·deg), None where that is not known.
    """

    label: str
    place_deg: float
    shape: LineShape
    doublet: bool = True
    ghost: bool = False
    ceiling_area: float | None = None

    def exceeded(self, area: float, error: float) -> bool:
        """Whether an area, with its standard uncertainty, is more than the line can have."""
        return self.ceiling_area is not None and area > 1.5 * self.ceiling_area + 4.0 * error

    def impossible(self, area: float, error: float) -> bool:
        """Whether what stands out at a line is another's; of ghosts too little is known to say."""
        return not self.ghost and area > STRONG_NEIGHBOUR * error and self.exceeded(area, error)


@dataclass(frozen=True, slots=True, eq=False)
class LineWindow:
    """A window ready for fits of one line: data, and a basis (N, M) of background and neighbours.

    ``model`` (N,) is the fit of the basis alone; ``fixed`` the variances where the counts are not
    Poisson (``counting`` False); ``found`` the neighbours that stand out, with significance.
    ``doubtful`` (N, K) are neighbours that show, but too little for their places to be fitted: by
    how much each changes the counts where its place is off by a standard uncertainty.
    """

    x: FloatArray
    y: FloatArray
    basis: FloatArray
    model: FloatArray
    fixed: FloatArray
    floor: float
    counting: bool
    ratio: float
    second_share: float
    found: tuple[tuple[str, float], ...]
    doubtful: FloatArray


def line_window(
    two_theta_deg: FloatArray,
    counts: FloatArray,
    radiation: Radiation,
    low_deg: float,
    high_deg: float,
    neighbours: Sequence[Neighbour] = (),
    *,
    sigma: FloatArray | None = None,
    background_degree: int = 3,
    line: Neighbour | None = None,
) -> LineWindow | None:
    """Cut out a window and fit background and neighbours; None where it holds too few points.

    ``line`` is the window's own line where it is plain: fitted along, so that its flanks pass for
    no neighbour, and taken out again.

    ``two_theta_deg`` and ``counts`` (N,), ascending; ``sigma`` (N,) or None for Poisson counts.
    ``neighbours`` are fitted with signed areas; one that stands out also gets its place fitted,
    and its core is left out, since no table shape fits a strong line to its noise.
    """
    first, last = np.searchsorted(two_theta_deg, [low_deg, high_deg])
    x = np.asarray(two_theta_deg[first:last], dtype=float)
    y = np.asarray(counts[first:last], dtype=float)
    if x.size < background_degree + 2 * len(neighbours) + 12:
        return None
    counting = sigma is None
    ratio, share = doublet_constants(radiation)
    extra = _neighbour_profiles(x, neighbours, ratio, share)
    fixed = np.ones(x.size) if sigma is None else np.square(sigma[first:last])
    floor = 0.1 * (max(float(y.sum()), 0.0) + 0.5) / x.size
    power = _powers(x, background_degree)
    if len(neighbours):  # ghosts too weak to matter only cost sensitivity
        level = fixed if not counting else np.maximum(_median(y), floor)
        alone = np.sqrt(1.0 / np.maximum(np.sum(np.square(extra) / level, axis=1), 1e-300))
        matters = [
            n.ceiling_area is None or n.ceiling_area > NEGLIGIBLE * sigma_alone
            for n, sigma_alone in zip(neighbours, alone, strict=True)
        ]
        neighbours = [n for n, kept in zip(neighbours, matters, strict=True) if kept]
        extra = extra[matters]
    columns = [power, *([extra.T] if len(neighbours) else [])]
    own = [] if line is None else [_neighbour_profiles(x, [line], ratio, share).T]
    basis = np.hstack(columns)
    model, amplitudes, errors = poisson_fit(
        np.hstack([basis, *own]), y, fixed, floor, counting, without_last=bool(own)
    )
    beside = zip(neighbours, amplitudes[power.shape[1] :], errors[power.shape[1] :], strict=False)
    impossible = [
        k
        for k, (n, area, error) in enumerate(beside)
        if n.impossible(area, error) and min(n.place_deg - x[0], x[-1] - n.place_deg) > EDGE_DEG
    ]
    if impossible:  # no line of the stack is so strong: what stands there is another's
        neighbours = [n for k, n in enumerate(neighbours) if k not in impossible]
        extra = np.delete(extra, impossible, axis=0)
        basis = np.hstack([power, extra.T])
        columns = [power, *([extra.T] if len(neighbours) else [])]
        model, amplitudes, errors = poisson_fit(
            np.hstack([basis, *own]), y, fixed, floor, counting, without_last=bool(own)
        )
    found: list[tuple[str, float]] = []
    keep, everywhere = np.ones(x.size, dtype=bool), x
    open_places: list[int] = []
    open_widths: set[int] = set()
    noise = float(np.sqrt(max(_median(model), floor)))
    for k, neighbour in enumerate(neighbours):
        significance = float(amplitudes[power.shape[1] + k] / errors[power.shape[1] + k])
        beside = x[0] - FARTHEST_CORE_DEG < neighbour.place_deg < x[-1] + FARTHEST_CORE_DEG
        if significance <= STRONG_NEIGHBOUR or not beside:
            continue
        area = float(amplitudes[power.shape[1] + k])
        error = float(errors[power.shape[1] + k])
        if neighbour.exceeded(area, error):
            continue  # more than a ghost can be: something else stands there, do not hide it
        found.append((neighbour.label, significance))
        width = neighbour.shape.fwhm_deg
        reach = width
        if significance > VERY_STRONG:
            # as far out as a twentieth of a Lorentzian tail would still stand out of the noise
            tail = float(np.sqrt(TAIL_DOUBT * area * width / (2.0 * np.pi * noise)))
            reach = min(max(2.0 * width, tail), FARTHEST_CORE_DEG)
        sine = min(1.0, ratio * float(np.sin(np.radians(neighbour.place_deg / 2))))
        second = float(2.0 * np.degrees(np.arcsin(sine)))
        high = second if neighbour.doublet and share > 0 else neighbour.place_deg
        keep &= (x < neighbour.place_deg - reach) | (x > high + reach)
        if x[0] < neighbour.place_deg - reach and high + reach < x[-1]:
            # its place is open too, and its width; of a tail alone, the size is enough
            open_places.append(k)
            if significance > WIDTH_SHOWS:
                open_widths.add(k)
    if open_places:
        slopes = np.gradient(extra[open_places], x, axis=1)
        bends = np.gradient(slopes, x, axis=1) if open_widths else slopes
        for k, slope, bend in zip(open_places, slopes, bends, strict=True):
            columns.append(slope[:, None])
            if k in open_widths:
                columns.append(bend[:, None])
    if found:
        basis = np.hstack(columns)[keep]
        if basis.shape[0] < basis.shape[1] + 8:
            return None
        x, y, fixed = x[keep], y[keep], fixed[keep]
        lit = np.hstack([basis, *(column[keep] for column in own)])
        model, amplitudes, errors = poisson_fit(
            lit, y, fixed, floor, counting, without_last=bool(own)
        )
    at = range(power.shape[1], power.shape[1] + len(neighbours))
    significance_of = amplitudes[at] / errors[at] if len(at) else np.zeros(0)
    doubted = [
        k
        for k in np.flatnonzero(significance_of > LEAST_DOUBTED).tolist()
        if significance_of[k] <= STRONG_NEIGHBOUR
        and not neighbours[k].ghost
        and everywhere[0] < neighbours[k].place_deg < everywhere[-1]
    ]
    doubtful = np.zeros((x.size, len(doubted)))
    if doubted:
        theta = np.radians([neighbours[k].place_deg / 2.0 for k in doubted])
        off_deg = np.degrees(2.0 * np.tan(theta) * PLACE_DOUBT)
        slopes = np.gradient(extra[doubted], everywhere, axis=1)[:, keep]
        doubtful = (slopes * (amplitudes[at][doubted] * off_deg)[:, None]).T
    return LineWindow(
        x, y, basis, model, fixed, floor, counting, ratio, share, tuple(found), doubtful
    )


def _powers(x: FloatArray, degree: int) -> FloatArray:
    """Legendre polynomials of the window scaled to -1..1, shape (N, degree + 1).

    Kept for evenly spaced points, which most scans have.
    """
    step = (x[-1] - x[0]) / (x.size - 1)
    even = bool(np.all(np.abs(np.diff(x) - step) < 1e-6 * step))
    if even:
        return _even_powers(x.size, degree)
    scaled = np.clip((2.0 * x - x[0] - x[-1]) / (x[-1] - x[0]), -1.0, 1.0)
    table = np.empty((degree + 1, x.size))
    table[0] = 1.0
    if degree:
        table[1] = scaled
    for n in range(2, degree + 1):
        table[n] = (table[n - 1] * scaled * (2 * n - 1) - table[n - 2] * (n - 1)) / n
    return table.T


@lru_cache(maxsize=64)
def _even_powers(size: int, degree: int) -> FloatArray:
    return np.asarray(np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, size), degree))


def _median(values: FloatArray) -> float:
    """Median of (N,); numpy's own takes far longer for so few."""
    half = values.size // 2
    if values.size % 2:
        return float(np.partition(values, half)[half])
    below, above = np.partition(values, (half - 1, half))[half - 1 : half + 1]
    return float((below + above) / 2.0)


def _neighbour_profiles(
    x: FloatArray, near: Sequence[Neighbour], ratio: float, share: float
) -> FloatArray:
    """Unit-area profiles of the neighbours, shape (K, N)."""
    if not near:
        return np.empty((0, x.size))
    return np.asarray(
        doublet(
            x,
            np.array([n.place_deg for n in near])[:, None],
            np.array([n.shape.fwhm_deg for n in near])[:, None],
            np.array([n.shape.lorentz_fraction for n in near])[:, None],
            np.full((len(near), 1), ratio),
            np.array([share if n.doublet else 0.0 for n in near])[:, None],
        )
    )


def poisson_fit(
    basis: FloatArray,
    y: FloatArray,
    fixed: FloatArray,
    floor: float,
    counting: bool,
    *,
    without_last: bool = False,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Expected counts (N,), amplitudes (M,) and their uncertainties; weights 1/expected.

    ``basis`` has shape (N, M), ``y`` and ``fixed``, variances of what is no count, (N,).
    ``without_last`` leaves the last column out of the expected counts.
    """
    variance = fixed
    size = basis.shape[1]
    for turn in range(2 if counting else 1):
        weighted = basis.T / variance
        normal = weighted @ basis
        scale = 1.0 / np.sqrt(np.maximum(normal.diagonal(), 1e-300))
        normal *= scale[:, None] * scale
        normal.flat[:: size + 1] += 1e-12
        inverse = np.linalg.inv(normal) * (scale[:, None] * scale)
        amplitudes = inverse @ (weighted @ y)
        if counting and turn == 0:
            variance = expected_counts(basis, amplitudes, floor)
    errors = np.sqrt(np.maximum(inverse.diagonal(), 1e-300))
    told = amplitudes
    if without_last:
        told = amplitudes.copy()
        told[-1] = 0.0
    model = expected_counts(basis, told, floor)
    if counting:
        # where chance bent the background down, reckon with the columns that stand out alone
        plain = np.abs(amplitudes) > STANDS_OUT * errors
        plain[:2] = True
        rest = basis[:, plain]
        left = y if not without_last else y - amplitudes[-1] * basis[:, -1]
        if without_last:
            rest = basis[:, :-1][:, plain[:-1]]
        weighted = rest.T / model
        normal = weighted @ rest
        normal.flat[:: rest.shape[1] + 1] *= 1.0 + 1e-10
        model = np.maximum(model, rest @ np.linalg.solve(normal, weighted @ left))
    return model, amplitudes, errors


def expected_counts(basis: FloatArray, amplitudes: FloatArray, floor: float) -> FloatArray:
    """Counts to expect of a fit, for the variances: (N,), never below the floor.

    A dip that noise made in the fitted background must not make the next upward fluctuation
    look like a line.
    """
    model = basis @ amplitudes
    middle = float(np.partition(model, model.size // 2)[model.size // 2])
    return np.asarray(np.maximum(model, max(floor, DEEPEST * middle)))
