"""Leftovers and reaction products: found, or not above how much.

Oxides that did not react (CuO, Y2O3), phases off composition (Y2BaCuO5, BaCuO2, Y2Cu2O5), carbonate
from air or ink, and what film and buffer or tape make of each other (BaCeO3, NiO, NiWO4). Each is
looked for at its strongest lines that nothing of the stack hides, as random grains in the film;
the amount leans on that, and says so. The risk of a false alarm is stated for all of them
together.

Over 400 lines: one risk is shared by all phases, so looking, judging and lending lines go together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.crystal import Phase, line_list, load_phase
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import Estimate, from_draws
from xrdfilm.fitting.line_window import LineShape, Neighbour
from xrdfilm.fitting.single_lines import SingleLine, fit_single_lines
from xrdfilm.fluoride.model import (
    FilmAmplitude,
    ModelDoubt,
    component_strengths,
    film_amplitude,
    ratio_draws,
    volume_fraction_of_ratio,
)
from xrdfilm.intensity.model import Orientation, random
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.linemap.neighbours import NeighbourShapes, shape_of, stack_neighbours
from xrdfilm.lines import MeasuredLines
from xrdfilm.scan import Scan

if TYPE_CHECKING:
    from xrdfilm.results import PhaseFinding

LEFTOVERS = ("CuO", "Y2O3", "Y2BaCuO5", "BaCuO2", "Y2Cu2O5", "BaCO3")
_MADE_WITH = {"BaCeO3": ("CeO2",), "NiO": ("Ni", "Ni-5W"), "NiWO4": ("Ni-5W",)}
MOST_LINES = 4
_SAME_PLACE_DEG = 0.15
_CLEAR_DEG = 0.3
_CANDIDATES = 10
_WIDE_DEG = 1.2
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


@dataclass(frozen=True, slots=True)
class ProductFinding:
    """Whether a product shows, by which lines, and what is not above which share.

    ``volume_fraction`` is V/(V + V(film)) as random grains, with a value where detected, else a
    limit; None where nothing relates it to the film. ``significance`` is that of all lines
    together.
    """

    phase: str
    detected: bool
    significance: float
    lines: tuple[ProductLine, ...]
    volume_fraction: Estimate | None
    note: str

    def record(self) -> PhaseFinding:
        """The record for results.json."""
        from xrdfilm.results import PhaseFinding, Quantity

        shown = [line for line in self.lines if line.significance > 2.0] if self.detected else []
        return PhaseFinding(
            phase=self.phase,
            detected=self.detected,
            lines=["({}{}{}) {:.2f}°".format(*line.hkl, line.two_theta_deg) for line in shown],
            note=self.note,
            volume_fraction=None
            if self.volume_fraction is None
            else Quantity.of(self.volume_fraction),
        )


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
    beside, never used.
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

    def phases(self) -> list[Phase]:
        """The phases that are looked for."""
        keys = possible_products(self.stack) if self.keys is None else self.keys
        return [load_phase(key) for key in keys]


def find_products(
    scan: Scan,
    film_lines: MeasuredLines,
    components: Sequence[tuple[Orientation, float]],
    stack: Stack,
    optics: Optics,
    **more: Any,
) -> tuple[ProductFinding, ...]:
    """Look for products in one scan; ``more`` are further fields of `ProductSearch`."""
    return search_products([ProductSearch(scan, film_lines, components, stack, optics, **more)])[0]


def search_products(searches: Sequence[ProductSearch]) -> list[tuple[ProductFinding, ...]]:
    """Look for each product in each scan; the lines of all scans are fitted together."""
    wanted = [
        (i, phase)
        for i, search in enumerate(searches)
        for phase in search.phases()
        if not phase.cell_only
    ]
    lines = iter(_measure(searches, wanted))
    return [_findings(search, lines) for search in searches]


def _findings(
    search: ProductSearch, lines: Iterator[tuple[ProductLine, ...]]
) -> tuple[ProductFinding, ...]:
    """What is found in one scan; ``lines`` gives those of its next phase with line strengths."""
    film: FilmAmplitude | None
    stack, optics = search.stack, search.optics
    try:
        film = film_amplitude(search.film_lines, stack.film.phase, search.components, optics, stack)
    except CannotTellError:
        film = None
    phases = search.phases()
    found: list[ProductFinding] = []
    for phase in phases:
        if phase.cell_only:
            found.append(
                ProductFinding(
                    phase.key,
                    False,
                    0.0,
                    (),
                    None,
                    "not judged: only its cell is on file, not its atoms, so no line strengths",
                )
            )
            continue
        alpha = search.alpha / len(phases)
        found.append(
            _judge(phase, next(lines), film, stack, optics, alpha, search.level, search.doubt)
        )
    return _without_borrowed(found)


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


@lru_cache(maxsize=256)
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


def _measure(
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
        for k, (p, (hkl, place, strength, _)) in enumerate(batch):
            if fits.usable[k]:
                area, error, score = float(fits.areas[k]), float(fits.sigma[k]), fits.score[k]
                measured[p].append(ProductLine(hkl, place, area, error, float(score), strength))


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
            and all(abs(line.place_deg - other) >= _CLEAR_DEG for other in taken_deg)
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
        stack_neighbours(x, scan.counts, stack, optics.radiation, windows, shapes, poisson=poisson)
    )
    found: list[list[_Candidate]] = []
    taken = [
        _line_at(at, shape_of(at, fwhm_deg, _LORENTZ, size_nm, wavelength_A)) for at in taken_deg
    ]
    for of_phase in lines:
        clear: list[_Candidate] = []
        for own in of_phase:
            near, place = next(around), own.place_deg
            if any(abs(n.place_deg - place) < _CLEAR_DEG and not n.ghost for n in near):
                continue
            # lines known to be another's, and the phase's own next ones
            near += tuple(n for n in taken if _is_beside(n.place_deg, place)) + own.beside
            line = SingleLine(place, own.shape, place - _WIDE_DEG, place + _WIDE_DEG, near)
            clear.append((own.hkl, place, own.strength, line))
        found.append(clear)
    return found


def _judge(
    phase: Phase,
    lines: tuple[ProductLine, ...],
    film: FilmAmplitude | None,
    stack: Stack,
    optics: Optics,
    alpha: float,
    level: float,
    doubt: ModelDoubt,
) -> ProductFinding:
    if not lines:
        return ProductFinding(
            phase.key, False, 0.0, (), None,
            "cannot be judged: every strong line is hidden or outside the scan",
        )  # fmt: skip
    strength = np.array([line.strength for line in lines])
    areas = np.array([line.area for line in lines])
    variance = np.square([line.sigma for line in lines])
    weights = strength / variance
    scale = float(weights @ strength)
    value, sigma = float(weights @ areas) / scale, 1.0 / float(np.sqrt(scale))
    together = value / sigma
    single = max(line.significance for line in lines)
    # one question a line and one for all together share the risk
    threshold = float(ndtri(1.0 - alpha / (len(lines) + 1)))
    detected = together > threshold or single > threshold
    strong = [line for line in lines if line.significance > max(3.0, 0.3 * single)]
    fraction: Estimate | None = None
    if film is not None:
        fraction = _fraction(
            phase, lines, weights, value, sigma, film, stack, optics, level, doubt, detected
        )
    if detected:
        note = "found by " + ", ".join(
            "({}{}{}) at {:.2f}°".format(*line.hkl, line.two_theta_deg) for line in strong or lines
        )
        residual = float(np.sum(np.square(areas - value * strength) / variance))
        if len(lines) > 1 and residual > len(lines) + 6.0 * np.sqrt(2.0 * len(lines)):
            note += "; the line ratios are not those of random grains, so the amount is a guess"
    elif fraction is not None and fraction.high is not None:
        note = f"not above {100 * fraction.high:.2g} % of volume, if its grains are random"
    else:
        note = "not seen"
    return ProductFinding(phase.key, detected, together, lines, fraction, note)


def _fraction(
    phase: Phase,
    lines: tuple[ProductLine, ...],
    weights: FloatArray,
    value: float,
    sigma: float,
    film: FilmAmplitude,
    stack: Stack,
    optics: Optics,
    level: float,
    doubt: ModelDoubt,
    detected: bool,
) -> Estimate:
    hkl = tuple(line.hkl for line in lines)
    draws = ratio_draws("random", phase, hkl, weights, film, 1.0, optics, stack, doubt)
    sample = (value + sigma * draws.counting) * draws.factor
    sample = sample / (film.value * np.maximum(1.0 + film.sigma / film.value * draws.film, 0.05))
    ratio = value / film.value
    slope = 1.0 / (1.0 + max(ratio, 0.0)) ** 2
    estimate = from_draws(
        float(volume_fraction_of_ratio(np.array([ratio]))[0]),
        volume_fraction_of_ratio(sample),
        level=level,
        bounds=(0.0, 1.0),
        sources={
            "counting": slope * sigma / film.value,
            **{cause: abs(slope * ratio) * s for cause, s in draws.sigma_log.items()},
        },
    )
    return estimate if detected else one_sided(estimate)


def one_sided(estimate: Estimate) -> Estimate:
    """What is not detected has no value, only a limit; the estimate stays beside it."""
    from dataclasses import replace

    if estimate.value is None or estimate.draws is None:
        return estimate
    ranks = np.linspace(0.0, 1.0, estimate.draws.size)  # the draws are sorted
    high = float(np.interp(estimate.level, ranks, estimate.draws))
    return replace(estimate, value=None, low=0.0, high=min(max(high, 0.0), 1.0))


def _without_borrowed(found: Sequence[ProductFinding]) -> tuple[ProductFinding, ...]:
    """Take back a finding whose strong lines can all be those of a better founded one."""
    from dataclasses import replace

    def strong(finding: ProductFinding) -> list[ProductLine]:
        return [line for line in finding.lines if line.significance > 3.0]

    result: list[ProductFinding] = []
    for finding in found:
        mine = strong(finding)
        better = next(
            (
                other
                for other in found
                if finding.detected
                and other is not finding
                and other.detected
                and len(strong(other)) > len(mine)
                and all(
                    any(abs(a.two_theta_deg - b.two_theta_deg) < 0.3 for b in strong(other))
                    for a in mine
                )
            ),
            None,
        )
        if better is None:
            result.append(finding)
            continue
        fraction = finding.volume_fraction
        result.append(
            replace(
                finding,
                detected=False,
                volume_fraction=None if fraction is None else one_sided(fraction),
                note=f"its lines can all be those of {better.phase}; not told apart",
            )
        )
    return tuple(result)


def stands_elsewhere(
    scan: Scan,
    phase: Phase,
    places_deg: Sequence[float],
    stack: Stack,
    optics: Optics,
    instrument_fwhm_deg: float,
) -> tuple[str, float]:
    """Whether a phase that could explain the lines at ``places_deg`` shows at its other lines.

    Returns "present", "absent" or "open" with the significance of its other lines: "absent" when
    they would have to show, were the lines at the places its own, and do not.
    """
    near: Callable[[float], bool] = lambda at: any(abs(at - p) < _CLEAR_DEG for p in places_deg)  # noqa: E731
    nothing = MeasuredLines((), np.zeros((0, 0)))
    search = ProductSearch(
        scan, nothing, (), stack, optics, instrument_fwhm_deg=instrument_fwhm_deg
    )
    (lines,) = _measure([search], [(0, phase)])
    here = [line for line in lines if near(line.two_theta_deg)]
    there = [line for line in lines if not near(line.two_theta_deg)]
    if not there or not here:
        return "open", 0.0
    strength = np.array([line.strength for line in there])
    variance = np.square([line.sigma for line in there])
    areas = np.array([line.area for line in there])
    scale = float(strength @ (strength / variance))
    value, sigma = float(strength @ (areas / variance)) / scale, 1.0 / float(np.sqrt(scale))
    if value > 3.0 * sigma:
        return "present", value / sigma
    claimed = max(line.area / line.strength for line in here)
    if claimed - value > 3.0 * np.hypot(sigma, 0.3 * claimed):
        return "absent", value / sigma
    return "open", value / sigma
