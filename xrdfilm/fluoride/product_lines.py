"""Lines by which leftovers and products are looked for: which, in what windows, and their areas."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import groupby

import numpy as np

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.crystal import Phase, line_list, load_phase
from xrdfilm.fitting.line_window import LineShape, Neighbour
from xrdfilm.fitting.single_lines import SingleLine, fit_single_lines
from xrdfilm.fluoride.model import ModelDoubt, component_strengths
from xrdfilm.intensity.model import Orientation, random
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.linemap.ghosts import ghost_heights
from xrdfilm.linemap.neighbours import (
    NeighbourShapes,
    shape_of,
    stack_neighbours,
)
from xrdfilm.linemap.phase_shapes import PhaseShape
from xrdfilm.lines import MeasuredLines
from xrdfilm.scan import Scan

LEFTOVERS = ("CuO", "Y2O3", "Y2BaCuO5", "BaCuO2", "Y2Cu2O5", "BaCO3")
_MADE_WITH = {"BaCeO3": ("CeO2",), "NiO": ("Ni", "Ni-5W"), "NiWO4": ("Ni-5W",)}
MOST_LINES = 4
_SAME_PLACE_DEG = 0.15
CLEAR_DEG = 0.3
_CANDIDATES = 10
_WIDE_DEG = 1.2
BEYOND_GHOST = 3.0  # standard uncertainties that a line must stand above what a ghost may be
GHOST_MATTERS = 2.0  # standard uncertainties that the highest ghost must reach
_LORENTZ = 0.3  # of the instrument's profile


@dataclass(frozen=True, slots=True)
class ProductLine:
    """One line of a product: K-alpha1 place in degrees of 2θ, area in counts·deg, and Z."""

    hkl: Hkl
    two_theta_deg: float
    area: float
    sigma: float
    significance: float
    strength: float


def possible_products(stack: Stack) -> tuple[str, ...]:
    """Keys of the leftovers and products that can occur on this stack."""
    held = {layer.phase.key for layer in stack.layers}
    yttrium = "Y" in stack.film.phase.composition_per_cell
    own = tuple(
        key for key in LEFTOVERS if yttrium or "Y" not in load_phase(key).composition_per_cell
    )
    made = tuple(key for key, needs in _MADE_WITH.items() if held & set(needs) and key not in held)
    return own + made


@dataclass(frozen=True, slots=True, eq=False)
class ProductSearch:
    """What is looked through for products: an aligned coupled scan and what is known of its film.

    ``components`` are the film's orientations with their shares. ``keys`` None: all that are
    possible on the stack. ``alpha`` is the risk that any of them is called in a film that has
    none. ``taken_deg`` are places of lines known to be something else (detected fluoride): fitted
    beside, never used. ``shapes`` are measured shapes of the lines of the stack's phases,
    ``spacings`` theirs found over the stack's, by phase or by line.
    """

    scan: Scan
    film_lines: MeasuredLines
    components: Sequence[tuple[Orientation, float]]
    stack: Stack
    optics: Optics
    keys: Sequence[str] | None = None
    alpha: float = 0.05
    level: float = 0.95
    instrument_fwhm_deg: float = 0.08
    size_nm: float = 60.0
    doubt: ModelDoubt = field(default_factory=ModelDoubt)
    taken_deg: tuple[float, ...] = ()
    shapes: Mapping[str, PhaseShape] = field(default_factory=dict)
    spacings: Mapping[str, float] = field(default_factory=dict)

    def phases(self) -> list[Phase]:
        """The phases that are looked for."""
        keys = possible_products(self.stack) if self.keys is None else self.keys
        return [load_phase(key) for key in keys]


@lru_cache(maxsize=512)
def _places(phase: Phase, optics: Optics, stack: Stack) -> tuple[tuple[Hkl, float, float], ...]:
    """Strongest lines as random grains: hkl, place, strength; lines at one place summed."""
    lines = line_list(phase, optics.radiation, two_theta_max_deg=90.0)
    hkl = tuple((int(h), int(k), int(m)) for h, k, m in lines.hkl)
    strength = component_strengths(phase, hkl, ((random(), 1.0),), optics, stack)
    groups: list[tuple[Hkl, float, float]] = []
    for i in np.argsort(-strength):
        place = float(lines.two_theta_deg[i])
        for g, (first, at, total) in enumerate(groups):
            if abs(place - at) < _SAME_PLACE_DEG:
                whole = total + float(strength[i])
                groups[g] = (first, (at * total + place * float(strength[i])) / whole, whole)
                break
        else:
            groups.append((hkl[i], place, float(strength[i])))
    groups.sort(key=lambda group: -group[2])
    return tuple(g for g in groups if g[2] > 0.05 * groups[0][2])


def main_places_deg(phase: Phase, optics: Optics, stack: Stack) -> FloatArray:
    """Places of a phase's lines of at least a seventh of its strongest, as random grains."""
    places = _places(phase, optics, stack)
    return np.array([at for _, at, strength in places if strength > places[0][2] / 7.0])


@lru_cache(maxsize=1024)
def _line_at(place_deg: float, shape: LineShape) -> Neighbour:
    return Neighbour(f"line at {place_deg:.2f}°", place_deg, shape)


def _is_beside(at: float, place: float) -> bool:
    return _SAME_PLACE_DEG < abs(at - place) < _WIDE_DEG + 0.3


@dataclass(frozen=True, slots=True)
class _OwnLine:
    """A line of a phase, its shape, and the phase's other lines beside it."""

    hkl: Hkl
    place_deg: float
    strength: float
    shape: LineShape
    beside: tuple[Neighbour, ...]


@lru_cache(maxsize=1024)
def _own_lines(
    phase: Phase, optics: Optics, stack: Stack, fwhm_deg: float, size_nm: float
) -> tuple[_OwnLine, ...]:
    """Strongest lines of a phase as random grains, strongest first; films of a run share them."""
    places = _places(phase, optics, stack)
    shapes = {
        at: shape_of(at, fwhm_deg, _LORENTZ, size_nm, optics.radiation.mean_A)
        for _, at, _ in places
    }
    return tuple(
        _OwnLine(
            hkl,
            place,
            strength,
            shapes[place],
            tuple(_line_at(at, shapes[at]) for _, at, _ in places if _is_beside(at, place)),
        )
        for hkl, place, strength in places
    )


_Candidate = tuple[Hkl, float, float, SingleLine]  # hkl, place, strength, what is fitted


def measure_lines(
    searches: Sequence[ProductSearch], wanted: Sequence[tuple[int, Phase]]
) -> list[tuple[ProductLine, ...]]:
    """The strongest lines that can be measured, `MOST_LINES` at most, for each pair of the index
    of a search and a phase; pairs of one search stand together."""
    candidates: list[list[_Candidate]] = []
    for i, group in groupby(wanted, key=lambda pair: pair[0]):
        candidates += _candidates(searches[i], [phase for _, phase in group])
    measured: list[list[ProductLine]] = [[] for _ in wanted]
    tried = [0] * len(wanted)
    while True:  # where a line proves hidden the next one is tried
        batch: list[tuple[int, _Candidate]] = []
        for p, (of_phase, lines) in enumerate(zip(candidates, measured, strict=True)):
            following = of_phase[tried[p] : tried[p] + MOST_LINES - len(lines)]
            tried[p] += len(following)
            batch += [(p, candidate) for candidate in following]
        if not batch:
            return [tuple(lines) for lines in measured]
        fits = fit_single_lines(
            [search.scan for search in searches],
            [search.optics.radiation for search in searches],
            [(wanted[p][0], candidate[3]) for p, candidate in batch],
        )
        ghosts = _ghost_areas(searches, [(wanted[p][0], line) for p, (*_, line) in batch])
        for k, (p, (hkl, place, strength, _)) in enumerate(batch):
            noise = float(fits.sigma[k])
            # what a ghost may be is nobody's; one too low to be found at all does not matter
            beyond = fits.areas[k] - ghosts[k] > BEYOND_GHOST * noise
            if fits.usable[k] and (beyond or ghosts[k] < GHOST_MATTERS * noise):
                area, score = float(fits.areas[k]), float(fits.score[k])
                measured[p].append(ProductLine(hkl, place, area, noise, score, strength))


def _ghost_areas(
    searches: Sequence[ProductSearch], lines: Sequence[tuple[int, SingleLine]]
) -> FloatArray:
    """Most area that ghosts of what each scan shows may have at its lines, (L,)."""
    areas = np.zeros(len(lines))
    for i in {i for i, _ in lines}:
        own = [k for k, (of, _) in enumerate(lines) if of == i]
        scan, rays = searches[i].scan, searches[i].optics.radiation
        heights = ghost_heights(scan, np.array([lines[k][1].place_deg for k in own]), rays)
        areas[own] = heights * np.array([lines[k][1].shape.fwhm_deg for k in own])
    return areas


def _candidates(search: ProductSearch, phases: Sequence[Phase]) -> list[list[_Candidate]]:
    """Lines of each phase that nothing of the stack hides, the strongest first."""
    scan, stack, optics, taken_deg = search.scan, search.stack, search.optics, search.taken_deg
    x, wavelength_A, fwhm_deg = scan.axis_deg, optics.radiation.mean_A, search.instrument_fwhm_deg

    size_nm = search.size_nm
    lines = [
        [
            line
            for line in _own_lines(phase, optics, stack, fwhm_deg, size_nm)
            if x[0] + 0.4 < line.place_deg < x[-1] - 0.4
            and all(abs(line.place_deg - other) >= CLEAR_DEG for other in taken_deg)
        ][:_CANDIDATES]
        for phase in phases
    ]
    windows = [
        (line.place_deg - _WIDE_DEG, line.place_deg + _WIDE_DEG)
        for of_phase in lines
        for line in of_phase
    ]
    shapes = NeighbourShapes(fwhm_deg, _LORENTZ, wavelength_A)
    poisson = scan.poisson and scan.sigma is None
    around = iter(
        stack_neighbours(
            x,
            scan.counts,
            stack,
            optics.radiation,
            windows,
            shapes,
            measured=search.shapes,
            spacings=search.spacings,
            poisson=poisson,
        )
    )
    found: list[list[_Candidate]] = []
    taken = [
        _line_at(at, shape_of(at, fwhm_deg, _LORENTZ, size_nm, wavelength_A)) for at in taken_deg
    ]
    for of_phase in lines:
        clear: list[_Candidate] = []
        for own in of_phase:
            near, place = next(around), own.place_deg
            if any(abs(n.place_deg - place) < CLEAR_DEG and not n.ghost for n in near):
                continue
            # lines known to be another's, and the phase's own next ones
            near += tuple(n for n in taken if _is_beside(n.place_deg, place)) + own.beside
            line = SingleLine(place, own.shape, place - _WIDE_DEG, place + _WIDE_DEG, near)
            clear.append((own.hkl, place, own.strength, line))
        found.append(clear)
    return found
