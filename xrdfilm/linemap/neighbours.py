"""What else may stand near a line: lines of the stack, and ghosts of its strong lines.

Ghosts are reflections of a strong line's planes at another wavelength that the tube or the optics
let through: K-beta, tungsten L-alpha of an old anode, and half the wavelength. They are predicted
from where the strong lines are, so that none of them is taken for a phase.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import Phase
from xrdfilm.crystal.radiation import Radiation
from xrdfilm.fitting.line_window import LineShape, Neighbour
from xrdfilm.fitting.noise import noise_scale
from xrdfilm.intensity.stack import Stack
from xrdfilm.linemap.phase_shapes import PhaseShape
from xrdfilm.linemap.stack_lines import (
    WEAKEST,
    StackLines,
    lines_of_stack,
    powder_lines,
)

SPACING_STEP = 1e-4  # relative
PLAIN_SHARE = 0.15  # of a powder's strongest line: weaker ones tell little of stray grains
STRAY_FACTOR = 3.0  # by which stray grains may prefer a direction (common practice, no source)
NEAR_DEG = 0.12  # a line's top is looked for this near its place
_TAIL_DEG2 = 2e-3  # of a line's height times the square of the distance: a Lorentzian tail


@dataclass(frozen=True, slots=True)
class NeighbourShapes:
    """Shapes of the stack's lines: the instrument's width, a crystallite size, and a factor.

    ``broadened`` multiplies the widths of all but the substrate's lines.
    """

    fwhm_deg: float
    lorentz: float
    wavelength_A: float
    size_nm: float = 150.0
    broadened: float = 1.0

    def at(self, place_deg: float, substrate: bool = False) -> LineShape:
        """The shape of a line at a place in degrees of 2θ."""
        shape = shape_of(place_deg, self.fwhm_deg, self.lorentz, self.size_nm, self.wavelength_A)
        if substrate or self.broadened == 1.0:
            return shape
        return LineShape(shape.fwhm_deg * self.broadened, shape.lorentz_fraction)


def stack_neighbours(
    two_theta_deg: FloatArray,
    counts: FloatArray,
    stack: Stack,
    radiation: Radiation,
    windows: Sequence[tuple[float, float]],
    shapes: NeighbourShapes,
    *,
    more: Sequence[Phase] = (),
    measured: Mapping[str, PhaseShape] | None = None,
    spacings: Mapping[str, float] | None = None,
    poisson: bool = True,
) -> tuple[tuple[Neighbour, ...], ...]:
    """Neighbours in each window: lines of the stack (and of ``more`` phases) and their ghosts.

    ``two_theta_deg``, ``counts`` (N,), the axis aligned. A ghost is listed where its parent is
    high enough in the scan for it to show, or where the parent is a layer's own line outside the
    scan or in a gap of it. Lines closer together than a third of their width are listed once.
    Phases in ``measured`` have their lines' shapes from there, the others from ``shapes``;
    ``spacings``, found over the stack's by phase or by line ("YBCO (200)"), move lines and their
    ghosts. ``poisson`` False: the intensities are no counts, and their noise is read off them.
    """
    known = lines_of_stack(stack, radiation)
    n = known.n_direct
    places = _places_on(known, _in_steps(spacings))
    own, noise = heights_near(two_theta_deg, counts, places[:n], poisson)
    height = own[np.maximum(known.parent, 0)]
    for halves, orders in known.halves:
        tops = own[orders]
        height[halves] = np.nanmax(tops) if np.isfinite(tops).any() else np.nan
    direct = np.arange(places.size) < n
    shows = np.where(
        np.isnan(height), known.certain, height * known.share > 0.5 * float(np.median(noise))
    )
    edges = np.array(windows, dtype=float).reshape(-1, 2)
    away = np.maximum(edges[:, :1] - places, places - edges[:, 1:])
    reach = (away < 0.3) & (direct | shows)
    with np.errstate(divide="ignore", invalid="ignore"):
        tail = np.nan_to_num(own) * _TAIL_DEG2 / np.square(np.maximum(away[:, :n], 0.0))
    reach[:, :n] |= (away[:, :n] < 4.0) & (tail > 0.2 * noise)
    shape = _shapes(known, shapes)
    weight = known.weight.copy()
    # of two as high, that of a line along a layer's normal
    weight[n:] = _ghost_weight(height[n:] * known.share[n:]) + 0.01 * known.certain[n:]
    order = np.argsort(-weight, kind="stable")
    made: dict[int, Neighbour] = {}
    seen = measured or {}
    film = stack.film.phase.key
    stray = _stray_height(known, film, own, noise)

    def neighbour(k: int) -> Neighbour:
        place = float(places[k])
        owner = seen.get(known.owners[k])
        own = shape[k] if owner is None else owner.at(place)
        ceiling: float | None = None
        if k >= n and np.isfinite(height[k]):
            ceiling = 1.2 * float(known.share[k] * height[k]) * own.fwhm_deg
        elif k < n and stray is not None and known.owners[k] == film and not known.certain[k]:
            ceiling = 1.2 * stray * float(known.powder_share[k]) * own.fwhm_deg
        made[k] = Neighbour(known.labels[k], place, own, bool(known.doublet[k]), k >= n, ceiling)
        return made[k]

    if not more:
        return tuple(
            tuple(
                made.get(k) or neighbour(k)
                for k in _apart(known, shapes, _in_steps(spacings), order[row[order]].tobytes())
            )
            for row in reach
        )
    found: list[tuple[Neighbour, ...]] = []
    for (low, high), row in zip(windows, reach, strict=True):
        here = [
            (float(weight[k]), made.get(k) or neighbour(k)) for k in map(int, order[row[order]])
        ]
        for phase in more:
            here += [
                (3.0 + share, Neighbour(label, at, shapes.at(at)))
                for label, at, _, share, _ in powder_lines(phase, radiation)
                if low < at < high and share > WEAKEST
            ]
        here.sort(key=lambda pair: -pair[0])
        kept = _kept_apart([(n.place_deg, n.shape.fwhm_deg) for _, n in here])
        found.append(tuple(here[i][1] for i in kept))
    return tuple(found)


def _stray_height(
    known: StackLines, film: str, height: FloatArray, noise: FloatArray
) -> float | None:
    """Most counts that the film's grains off its normals may add to their powder's strongest line.

    From the lines of such grains, by ``height`` and ``noise`` (n_direct,): random grains show all
    of them. Their second lowest counts, since one may lie in a dip and any may hold another line;
    None where fewer than three are in the scan.
    """
    off = np.array([owner == film for owner in known.owners[: known.n_direct]])
    off &= ~known.certain[: known.n_direct] & np.isfinite(height)
    off &= known.powder_share[: known.n_direct] > PLAIN_SHARE
    if np.count_nonzero(off) < 3:
        return None
    most = np.maximum(height[off], 0.0) + 3.0 * noise[off]
    levels = np.sort(most / known.powder_share[: known.n_direct][off])
    return STRAY_FACTOR * float(levels[1])


def _in_steps(spacings: Mapping[str, float] | None) -> tuple[tuple[str, float], ...]:
    """Spacings over the stack's in steps that move no line by a tenth of its width, to keep by."""
    steps = ((key, round((d - 1.0) / SPACING_STEP)) for key, d in (spacings or {}).items())
    return tuple(sorted((key, 1.0 + SPACING_STEP * step) for key, step in steps if step))


@lru_cache(maxsize=1024)
def _places_on(known: StackLines, spacings: tuple[tuple[str, float], ...]) -> FloatArray:
    """Places of the candidates (M,) where phases or lines have spacings other than the stack's."""
    if not spacings:
        return known.place_deg
    found = dict(spacings)
    factor = np.array(
        [
            found.get(known.labels[parent] if parent >= 0 else "", found.get(owner, 1.0))
            for owner, parent in zip(known.owners, known.parent.tolist(), strict=True)
        ]
    )
    sine = np.sin(np.radians(known.place_deg / 2.0)) / factor
    return np.asarray(2.0 * np.degrees(np.arcsin(np.minimum(sine, 1.0))))


@lru_cache(maxsize=64)
def _shapes(known: StackLines, shapes: NeighbourShapes) -> tuple[LineShape, ...]:
    places = zip(known.place_deg.tolist(), known.substrate.tolist(), strict=True)
    return tuple(shapes.at(place, substrate) for place, substrate in places)


def _ghost_weight(height: FloatArray) -> FloatArray:
    """Rank of ghosts by the most they may have in this scan, (M,), below any line: 0 to 0.2."""
    known = np.nan_to_num(height)
    top = float(known.max(initial=0.0))
    return np.asarray(0.2 * np.maximum(known, 0.0) / top if top > 0.0 else known * 0.0)


@lru_cache(maxsize=16384)
def _apart(
    known: StackLines,
    shapes: NeighbourShapes,
    spacings: tuple[tuple[str, float], ...],
    ordered: bytes,
) -> tuple[int, ...]:
    """Which of the candidates that reach into a window, the weightiest first, are listed.

    Kept, since the windows of all films of a run hold much the same.
    """
    inside = np.frombuffer(ordered, dtype=np.int64).tolist()
    shape, places = _shapes(known, shapes), _places_on(known, spacings)
    kept = _kept_apart([(float(places[k]), shape[k].fwhm_deg) for k in inside])
    return tuple(inside[i] for i in kept)


def _kept_apart(lines: Sequence[tuple[float, float]]) -> list[int]:
    """Indices of lines (place, FWHM), without those a third of a width from an earlier one."""
    kept: list[int] = []
    for i, (place, fwhm_deg) in enumerate(lines):
        if all(abs(place - lines[k][0]) > fwhm_deg / 3.0 for k in kept):
            kept.append(i)
    return kept


def heights_near(
    two_theta_deg: FloatArray, counts: FloatArray, places: FloatArray, poisson: bool
) -> tuple[FloatArray, FloatArray]:
    """Height over the surroundings near each place, and their noise.

    ``two_theta_deg`` and ``counts`` (N,), ``places`` (P,) in degrees; both results (P,) in counts.
    The height is nan where nothing was measured: outside the scan, and in a gap that it leaves.
    """
    step = float(two_theta_deg[-1] - two_theta_deg[0]) / max(two_theta_deg.size - 1, 1)
    half = max(1, int(NEAR_DEG / step))
    wide = max(half + 2, int(0.8 / step))
    # a place that is a point of the scan is that point, whichever way its last digit fell
    middle = np.searchsorted(two_theta_deg, places - 1e-6 * step)
    inside = (middle > half) & (middle < two_theta_deg.size - half)
    inside[inside] &= np.diff(two_theta_deg)[middle[inside] - 1] < 2.0 * NEAR_DEG
    index = np.clip(middle[:, None] + np.arange(-half, half + 1), 0, counts.size - 1)
    top = counts[index].max(axis=1)
    left = np.clip(middle[:, None] + np.linspace(-wide, wide, 9).astype(int), 0, counts.size - 1)
    base = np.sort(counts[left], axis=1)[:, 4]  # the median: numpy's own is slow for nine
    height = np.where(inside, top - base, np.nan)
    return height, _noise(counts, base, poisson)


def _noise(counts: FloatArray, level: FloatArray, poisson: bool) -> FloatArray:
    """Noise at these levels: that of counts, or for intensities on another scale their scatter."""
    if poisson:
        return np.sqrt(np.maximum(level, 1.0))
    scale, flat = noise_scale(counts[None])
    if flat is not None:
        return np.full(level.shape, float(np.sqrt(flat[0, 0])))
    unit = float(scale[0])
    return np.asarray(unit * np.sqrt(np.maximum(level / unit, 1.0)))


@lru_cache(maxsize=8192)
def shape_of(
    two_theta_deg: float, fwhm_deg: float, lorentz: float, size_nm: float, wavelength_A: float
) -> LineShape:
    """Instrument width with the Lorentzian broadening of a crystallite size added, K = 0.9.

    Gaussian and Lorentzian parts are joined as by Thompson, Cox and Hastings, J. Appl. Cryst. 20
    (1987) 79 (equations from memory).
    """
    cosine = math.cos(math.radians(two_theta_deg / 2.0))
    g = fwhm_deg * (1.0 - lorentz) ** 0.5
    l = fwhm_deg * lorentz + math.degrees(0.9 * wavelength_A / (10.0 * size_nm * cosine))  # noqa: E741
    fifth = g**5 + 2.69269 * g**4 * l + 2.42843 * g**3 * l**2
    fifth += 4.47163 * g**2 * l**3 + 0.07842 * g * l**4 + l**5
    fwhm = fifth**0.2
    ratio = l / fwhm
    return LineShape(fwhm, 1.36603 * ratio - 0.47719 * ratio**2 + 0.11116 * ratio**3)
