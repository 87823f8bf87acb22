"""What else may stand near a line: lines of the stack, and ghosts of its strong lines.

Ghosts are reflections of a strong line's planes at another wavelength that the tube or the optics
let through: K-beta, tungsten L-alpha of an old anode, and half the wavelength. They are predicted
from where the strong lines are, so that none of them is taken for a phase.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.crystal import Phase, line_list
from xrdfilm.crystal.radiation import Radiation, two_theta_of
from xrdfilm.fitting.line_window import LineShape, Neighbour
from xrdfilm.fitting.noise import noise_scale
from xrdfilm.intensity.stack import Stack
from xrdfilm.linemap.phase_shapes import PhaseShape

SPACING_STEP = 1e-4  # relative
WEAKEST = 0.03  # of a phase's strongest line as a powder; weaker ones are no neighbours
K_BETA, TUNGSTEN, HALF = 0.02, 0.01, 0.002
"""Most that a ghost shows of its parent's height: upper ends of common practice, no source."""

NEAR_DEG = 0.12  # a line's top is looked for this near its place
_TAIL_DEG2 = 2e-3  # of a line's height times the square of the distance: a Lorentzian tail
_SINGLE_CRYSTALS = ("SrTiO3", "LaAlO3", "MgO", "Al2O3", "YSZ")


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


@dataclass(frozen=True, slots=True, eq=False)
class _Candidates:
    """Everything that may show, as arrays (M,): direct lines first, then ghosts.

    ``parent`` (M,) is the index of the direct line whose height rules (a line's own for itself),
    ``share`` the most of that height it may have, 1 for a direct line. ``certain`` marks lines
    along a layer's normal and their ghosts, ``substrate`` those of the substrate. ``weight`` ranks
    direct lines (ghosts are ranked by what they may have in the scan). ``halves`` are, for each
    layer, the indices of its half wavelengths and of the orders along its normal whose highest
    rules them. ``owners`` are the phases whose planes reflect.
    """

    labels: tuple[str, ...]
    owners: tuple[str, ...]
    place_deg: FloatArray
    parent: IntArray
    share: FloatArray
    doublet: BoolArray
    certain: BoolArray
    substrate: BoolArray
    powder_share: FloatArray
    n_direct: int
    weight: FloatArray
    halves: tuple[tuple[IntArray, IntArray], ...]


@dataclass(frozen=True, slots=True)
class _Row:
    label: str
    place_deg: float
    parent: int
    share: float = 1.0
    doublet: bool = True
    certain: bool = False
    substrate: bool = False
    powder_share: float = 0.0


@lru_cache(maxsize=64)
def _candidates(stack: Stack, radiation: Radiation) -> _Candidates:
    direct: list[_Row] = []
    spacings: list[float] = []
    halves: list[_Row] = []
    seen: set[str] = set()
    for layer in stack.layers:
        phase = layer.phase
        if phase.key in seen or phase.cell_only:
            continue
        seen.add(phase.key)
        substrate = stack.substrate is not None and phase == stack.substrate.phase
        first = len(direct)
        for label, angle, d, share, along in _powder_lines(phase, radiation):
            single = substrate and phase.key.startswith(_SINGLE_CRYSTALS)
            if not along and (share < WEAKEST or single):
                continue
            direct.append(
                _Row(
                    label, angle, len(direct), 1.0, True, along, substrate, share
                )
            )  # fmt: skip
            spacings.append(d)
        halves += _half_wavelengths(phase, radiation, direct, first, substrate)
    ghosts = list(halves)
    others = [(f"W L-alpha{k + 1}", w, TUNGSTEN * (1.0 if k == 0 else 0.12))
              for k, w in enumerate(radiation.tungsten_A)]  # fmt: skip
    if radiation.k_beta_A is not None:
        others.append(("K-beta", radiation.k_beta_A, K_BETA))
    for name, wavelength_A, share in others:
        places = two_theta_of(np.array(spacings), wavelength_A)
        ghosts += [
            replace(
                row, label=f"{name} of {row.label}", place_deg=float(at), share=share, doublet=False
            )
            for row, at in zip(direct, places, strict=True)
            if np.isfinite(at)
        ]
    rows = direct + ghosts
    weight = np.array(
        [row.powder_share + 2.0 * row.certain for row in direct] + [0.0] * len(ghosts)
    )
    parents = [row.parent if row.parent >= 0 else -1 - row.parent for row in rows]
    return _Candidates(
        tuple(row.label for row in rows),
        tuple(_phase_of(rows[parent].label) for parent in parents),
        np.array([row.place_deg for row in rows]),
        np.array([row.parent for row in rows], dtype=np.int64),
        np.array([row.share for row in rows]),
        np.array([row.doublet for row in rows], dtype=bool),
        np.array([row.certain for row in rows], dtype=bool),
        np.array([row.substrate for row in rows], dtype=bool),
        np.array([row.powder_share for row in rows]),
        len(direct),
        weight,
        tuple(_halves(rows, len(direct))),
    )


def _halves(rows: Sequence[_Row], n_direct: int) -> Iterator[tuple[IntArray, IntArray]]:
    parent = np.array([row.parent for row in rows], dtype=np.int64)
    for first in np.unique(-1 - parent[parent < 0]).tolist():
        own = _phase_of(rows[first].label)
        orders = [
            k for k in range(first, n_direct) if rows[k].certain and _phase_of(rows[k].label) == own
        ]
        yield np.flatnonzero(parent == -1 - first), np.array(orders, dtype=np.int64)


@lru_cache(maxsize=64)
def _powder_lines(
    phase: Phase, radiation: Radiation
) -> tuple[tuple[str, float, float, float, bool], ...]:
    """Label, place, spacing, share of the strongest as a powder, and whether along an axis."""
    lines = line_list(phase, radiation, two_theta_max_deg=100.0)
    theta = np.radians(lines.two_theta_deg / 2.0)
    strength = lines.multiplicity * lines.f_squared / (np.sin(2 * theta) * np.sin(theta))
    strength = strength / np.max(strength)
    return tuple(
        (
            f"{phase.key} ({''.join(str(int(i)) for i in hkl)})",
            float(angle),
            float(d),
            float(share),
            int(np.count_nonzero(hkl)) == 1,
        )
        for hkl, angle, d, share in zip(
            lines.hkl, lines.two_theta_deg, lines.d_A, strength, strict=True
        )
    )


def _half_wavelengths(
    phase: Phase, radiation: Radiation, direct: list[_Row], first: int, substrate: bool
) -> list[_Row]:
    """λ/2 of every order of the planes along an axis, those with no line at λ among them.

    Their heights are bounded by the layer's highest line, whose index stands for all of them in
    ``parent`` as a negative number: -1 - (index of the layer's first line).
    """
    last = len(direct)
    if not any(row.certain for row in direct[first:last]):
        return []
    rows: list[_Row] = []
    for axis in np.eye(3, dtype=int):
        d = float(phase.cell.d_spacing([axis])[0])
        highest = int(2.0 * d / (radiation.k_alpha1_A / 2.0))
        orders = np.arange(1, highest + 1)
        places = two_theta_of(d / orders, radiation.k_alpha1_A / 2.0)
        for order, at in zip(orders, places, strict=True):
            if not np.isfinite(at) or any(abs(row.place_deg - at) < 1e-6 for row in rows):
                continue
            hkl = "".join(str(int(i)) for i in axis * order)
            rows.append(
                _Row(
                    f"half wavelength of {phase.key} ({hkl})", float(at), -1 - first, HALF,
                    True, True, substrate,
                )
            )  # fmt: skip
    return rows


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
    scan. Lines closer together than a third of their width are listed once. Phases in ``measured``
    have their lines' shapes from there, the others from ``shapes``; ``spacings``, found over
    the stack's by phase or by line ("YBCO (200)"), move lines and their ghosts. ``poisson`` False:
    the intensities are no counts, and their noise is read off them.
    """
    known = _candidates(stack, radiation)
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

    def neighbour(k: int) -> Neighbour:
        place = float(places[k])
        owner = seen.get(known.owners[k])
        own = shape[k] if owner is None else owner.at(place)
        ceiling: float | None = None
        if k >= n and np.isfinite(height[k]):
            ceiling = 1.2 * float(known.share[k] * height[k]) * own.fwhm_deg
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
                for label, at, _, share, _ in _powder_lines(phase, radiation)
                if low < at < high and share > WEAKEST
            ]
        here.sort(key=lambda pair: -pair[0])
        kept = _kept_apart([(n.place_deg, n.shape.fwhm_deg) for _, n in here])
        found.append(tuple(here[i][1] for i in kept))
    return tuple(found)


def _in_steps(spacings: Mapping[str, float] | None) -> tuple[tuple[str, float], ...]:
    """Spacings over the stack's in steps that move no line by a tenth of its width, to keep by."""
    steps = ((key, round((d - 1.0) / SPACING_STEP)) for key, d in (spacings or {}).items())
    return tuple(sorted((key, 1.0 + SPACING_STEP * step) for key, step in steps if step))


@lru_cache(maxsize=1024)
def _places_on(known: _Candidates, spacings: tuple[tuple[str, float], ...]) -> FloatArray:
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
def _shapes(known: _Candidates, shapes: NeighbourShapes) -> tuple[LineShape, ...]:
    places = zip(known.place_deg.tolist(), known.substrate.tolist(), strict=True)
    return tuple(shapes.at(place, substrate) for place, substrate in places)


def _ghost_weight(height: FloatArray) -> FloatArray:
    """Rank of ghosts by the most they may have in this scan, (M,), below any line: 0 to 0.2."""
    known = np.nan_to_num(height)
    top = float(known.max(initial=0.0))
    return np.asarray(0.2 * np.maximum(known, 0.0) / top if top > 0.0 else known * 0.0)


@lru_cache(maxsize=16384)
def _apart(
    known: _Candidates,
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


def _phase_of(label: str) -> str:
    return label.split(" (")[0]


def heights_near(
    two_theta_deg: FloatArray, counts: FloatArray, places: FloatArray, poisson: bool
) -> tuple[FloatArray, FloatArray]:
    """Height over the surroundings near each place (nan outside the scan), and their noise.

    ``two_theta_deg`` and ``counts`` (N,), ``places`` (P,) in degrees; both results (P,) in counts.
    """
    step = float(two_theta_deg[-1] - two_theta_deg[0]) / max(two_theta_deg.size - 1, 1)
    half = max(1, int(NEAR_DEG / step))
    wide = max(half + 2, int(0.8 / step))
    middle = np.searchsorted(two_theta_deg, places)
    inside = (middle > half) & (middle < two_theta_deg.size - half)
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


def overlapping(
    place_deg: float, stack: Stack, radiation: Radiation, within_deg: float
) -> tuple[str, ...]:
    """Lines of the stack's layers, a fifth or more of their powder's strongest, near a place."""
    known = _candidates(stack, radiation)
    n = known.n_direct
    near = np.abs(known.place_deg[:n] - place_deg) < within_deg
    strong = (known.powder_share[:n] > 0.2) | known.certain[:n]
    return tuple(known.labels[k] for k in np.flatnonzero(near & strong))


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
