"""Residual fluoride: what is there, and how little could have been seen.

The fluoride is a fluorite-type cell with a free edge. All its usable lines enter one estimate,
each fitted at its place even where nothing shows; the area may be negative. A missing line proves
little on an epitaxial film, so every figure is given for fluoride aligned like the film and for
random fluoride, side by side, until line ratios, a reference film or a stated orientation settle
which holds. Until then conversion and bound HF are limits from the worse of the two.

    >>> estimate = estimate_fluoride(scan, film_lines, components, stack, optics)
    >>> estimate.detected, estimate.conversion, estimate.record()
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.cellscan import LineScan, LineShape, LineWindow, fit_line, line_window, scan_line
from xrdfilm.conversion import (
    BAF2_EDGE_A,
    RelativeArea,
    bound_hf_ug_cm2,
    cell_hint,
    compare_sides,
    conversion_of_volume_fraction,
    film_side,
    hf_g_per_100_m,
    mapped,
    volume_fraction_of_conversion,
    volume_ratio,
)
from xrdfilm.crystal import Phase, line_list, load_phase
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import Estimate, from_draws, from_normal
from xrdfilm.fluoride_model import (
    ASSUMPTIONS,
    FLUORIDE_LINES,
    FilmAmplitude,
    ModelDoubt,
    assumed_orientation,
    component_strengths,
    film_amplitude,
    ratio_draws,
    volume_fraction_of_ratio,
)
from xrdfilm.fluoride_search import (
    Amplitude,
    LineAreas,
    OrientationVerdict,
    Search,
    amplitude_of,
    judge_orientation,
    make_template,
    search,
)
from xrdfilm.intensity import Orientation
from xrdfilm.lines import MeasuredLines
from xrdfilm.neighbours import overlapping, shape_of, stack_neighbours
from xrdfilm.optics import Optics
from xrdfilm.products import one_sided, possible_products, stands_elsewhere
from xrdfilm.radiation import two_theta_of
from xrdfilm.safety import HF_CAUTION
from xrdfilm.scan import Scan
from xrdfilm.stack import Stack

if TYPE_CHECKING:
    from xrdfilm.results import Fluoride

Route = Literal["reference", "structure", "index"]
ORIENTATION_NAMES = {
    "random": "random",
    "aligned_00l": "aligned (00l)",
    "aligned_111": "aligned (111)",
    "mixed": "mixed",
    "reference": "as in the reference film",
}
_PLAIN = 8.0  # significance of a line that nobody doubts
_SHARED_PLACE_DEG = 0.35  # a stack's line this near (200) makes a peak there nobody's
_CERATE_FORMERS = ("CeO2", "BaCeO3")


@dataclass(frozen=True, slots=True)
class FluorideSettings:
    """Risks, the range of cells, and what is taken for granted.

    ``alpha`` is the risk of calling a film without fluoride one with; ``beta`` that of missing
    fluoride at the detection limit. ``size_nm`` sets the expected line width together with
    ``instrument_fwhm_deg`` and ``instrument_lorentz``. ``fluoride_mosaic_deg`` None: that of the
    film's sharpest main component. ``orientation`` states a measured orientation of the fluoride,
    one of `ASSUMPTIONS`. ``width_factor`` is the factor (one standard deviation) by which the
    expected line width may be off; ``place_sigma_deg`` is the doubt of the aligned axis.
    """

    alpha: float = 0.05
    beta: float = 0.05
    level: float = 0.95
    edge_low_A: float = 5.95
    edge_high_A: float = 6.25
    edge_step_A: float = 0.008
    nominal_edge_A: float = BAF2_EDGE_A
    instrument_fwhm_deg: float = 0.08
    instrument_lorentz: float = 0.3
    size_nm: float = 40.0
    width_factor: float = 1.5
    fluoride_mosaic_deg: float | None = None
    orientation: str | None = None
    place_sigma_deg: float = 0.01
    tape_width_mm: float = 10.0
    doubt: ModelDoubt = field(default_factory=ModelDoubt)


@dataclass(frozen=True, slots=True)
class ReferenceFilms:
    """Films of the same stack measured alike: areas over a substrate line or a monitor.

    ``unconverted`` and ``finished`` map hkl to relative areas (fluoride lines and film lines);
    ``normaliser`` and ``normaliser_sigma`` are this film's substrate line area or monitor.
    ``texture_sigma`` is the relative doubt that the fluoride's texture is that of the reference.
    """

    unconverted: Mapping[Hkl, RelativeArea]
    normaliser: float
    normaliser_sigma: float = 0.0
    finished: Mapping[Hkl, RelativeArea] = field(default_factory=dict)
    texture_sigma: float = 0.15


@dataclass(frozen=True, slots=True)
class FluorideLine:
    """One fluoride line at the reported cell; areas in counts·deg, place in degrees of 2θ.

    ``decision_area`` and ``detection_area`` are L_C and L_D of this line alone. ``use`` is
    "decides", "limits" (only from above, the place is shared) or why it is left out.
    """

    hkl: Hkl
    two_theta_deg: float
    area: float
    sigma: float
    sigma_blank: float
    decision_area: float
    detection_area: float
    background_counts: float
    use: str

    @property
    def significance(self) -> float:
        """Area over its standard uncertainty without a line."""
        return self.area / self.sigma_blank if self.sigma_blank > 0 else 0.0


@dataclass(frozen=True, slots=True)
class UnderAssumption:
    """The fluoride under one assumption on its orientation.

    ``detection_limit`` is the volume fraction that is missed with probability β at the nominal
    cell. ``volume_fraction`` None: the film shows no line to relate it to.
    """

    name: str
    amplitude: Amplitude
    volume_fraction: Estimate | None
    detection_limit: float | None


@dataclass(frozen=True, slots=True)
class FluorideEstimate:
    """Everything the scan says of the fluoride.

    ``settled`` names the assumption that holds ("mixed" and "reference" among them), None where
    it is open; then ``conversion`` and ``hf_bound_ug_cm2`` are limits from the worst assumption.
    ``p_value`` is the probability that a film without fluoride looks as much like one with.
    """

    detected: bool
    route: Route
    settled: str | None
    p_value: float
    assumptions: tuple[UnderAssumption, ...]
    conversion: Estimate | None
    hf_bound_ug_cm2: Estimate | None
    hf_g_per_100_m: float | None
    cell_A: Estimate | None
    index: Estimate | None
    lines: tuple[FluorideLine, ...]
    searched: Search
    orientation: OrientationVerdict | None
    fwhm_factor: float
    notes: tuple[str, ...]
    advice: tuple[str, ...] = ()

    def under(self, name: str) -> UnderAssumption | None:
        """The figures under one assumption, or None where its lines cannot be used."""
        return next((a for a in self.assumptions if a.name == name), None)

    @property
    def aligned(self) -> UnderAssumption | None:
        """Fluoride aligned like the film: (00l), unless the lines say (111)."""
        if self.settled in ("aligned_111", "reference", "mixed"):
            return self.under(self.settled)
        return self.under("aligned_00l")

    @property
    def worst(self) -> UnderAssumption | None:
        """The settled assumption, else the one under which most fluoride may be there."""
        if self.settled is not None:
            return self.under(self.settled)
        open_ = [a for a in self.assumptions if a.volume_fraction is not None]
        return max(open_, key=_upper, default=None)

    def record(self) -> Fluoride:
        """The record for results.json."""
        from xrdfilm.results import Fluoride, Quantity

        aligned, loose = self.aligned, self.under("random")

        def quantity(estimate: Estimate | None) -> Quantity | None:
            return None if estimate is None else Quantity.of(estimate)

        return Fluoride(
            detected=self.detected,
            route=self.route,
            volume_fraction_aligned=quantity(aligned.volume_fraction if aligned else None),
            volume_fraction_random=quantity(loose.volume_fraction if loose else None),
            conversion=quantity(self.conversion),
            detection_limit_aligned=aligned.detection_limit if aligned else None,
            detection_limit_random=loose.detection_limit if loose else None,
            cell_A=quantity(self.cell_A),
            hf_bound_ug_cm2=quantity(self.hf_bound_ug_cm2),
            orientation=ORIENTATION_NAMES.get(self.settled) if self.settled else None,
            index=quantity(self.index),
            notes=list(self.notes),
            advice=list(self.advice),
        )


def _upper(assumption: UnderAssumption) -> float:
    estimate = assumption.volume_fraction
    return estimate.high if estimate is not None and estimate.high is not None else 1.0


def expected_shape(two_theta_deg: float, settings: FluorideSettings, optics: Optics) -> LineShape:
    """Width and shape of a fluoride line: instrument and crystallite size."""
    return shape_of(
        two_theta_deg,
        settings.instrument_fwhm_deg,
        settings.instrument_lorentz,
        settings.size_nm,
        optics.radiation.mean_A,
    )


@dataclass(frozen=True, slots=True)
class _Work:
    """What the steps of one estimate share; lists in the order of `FLUORIDE_LINES`."""

    stack: Stack
    optics: Optics
    settings: FluorideSettings
    phase: Phase
    edges: FloatArray
    nominal: int
    windows: tuple[LineWindow | None, ...]
    shared: Mapping[int, str]

    def shape(self, index: int, edge_A: float, factor: float = 1.0) -> LineShape:
        place = float(line_places(edge_A, FLUORIDE_LINES[index], self.optics))
        shape = expected_shape(place, self.settings, self.optics)
        return replace(shape, fwhm_deg=shape.fwhm_deg * factor)

    def scan(self, edges: ArrayLike, factor: float = 1.0) -> tuple[LineScan | None, ...]:
        grid = np.asarray(edges, dtype=float)
        middle = float(grid.mean())
        return tuple(
            None
            if window is None
            else scan_line(
                window,
                line_places(grid, FLUORIDE_LINES[i], self.optics),
                self.shape(i, middle, factor),
            )
            for i, window in enumerate(self.windows)
        )


def line_places(edges_A: ArrayLike, hkl: Hkl, optics: Optics) -> FloatArray:
    """K-alpha1 places of a cubic cell's line at each edge, shape (G,)."""
    return two_theta_of(
        np.asarray(edges_A) / np.sqrt(sum(i * i for i in hkl)), optics.radiation.k_alpha1_A
    )


def estimate_fluoride(
    scan: Scan,
    film_lines: MeasuredLines,
    components: Sequence[tuple[Orientation, float]],
    stack: Stack,
    optics: Optics,
    settings: FluorideSettings | None = None,
    *,
    phase: Phase | None = None,
    references: ReferenceFilms | None = None,
    also_present: Sequence[Phase] = (),
) -> FluorideEstimate:
    """Everything one coupled scan says of residual fluoride.

    ``scan`` is aligned (its axis corrected for zero and displacement); ``film_lines`` its fitted
    lines; ``components`` the orientations of the film with their shares of its volume, adding up
    to 1. ``also_present`` names phases known to be there: their lines are fitted beside. Raises
    CannotTellError where the scan covers no fluoride line at all.
    """
    settings = settings or FluorideSettings()
    phase = phase or load_phase("BaF2")
    work = _prepare(scan, stack, optics, settings, phase, also_present)
    scans = work.scan(work.edges)
    if not any(s is not None and s.usable.any() for s in scans):
        raise CannotTellError(
            "the scan covers no fluoride line that can be told from its neighbours; "
            "measure from 23.5 to 63 degrees"
        )
    film = _film(film_lines, stack, optics, components)
    mosaic = settings.fluoride_mosaic_deg or _main_mosaic(components)
    strengths = _strengths(phase, mosaic, stack, optics)
    decides = [i not in work.shared for i in range(len(FLUORIDE_LINES))]
    templates = [
        make_template(name, s, scans, decides, work.edges.size) for name, s in strengths.items()
    ]
    if references is not None:
        s = _reference_strengths(references)
        templates.append(make_template("reference", s, scans, decides, work.edges.size))
        strengths["reference"] = s
    outcome = search(work.edges, work.nominal, templates, settings.alpha)
    notes: list[str] = []
    at_nominal = LineAreas.at(scans, work.nominal)
    shown = _Shown(work.settings.nominal_edge_A, 1.0, None, None, at_nominal)
    if outcome.detected_search:
        shown = _refine(work, outcome, scans, decides)
        assert shown.cell is not None
        notes.append(cell_hint(shown.edge_A, shown.cell.sigma or 0.0))
    if outcome.detected and not also_present:
        others = _other_owners(work, scan, shown, decides, notes)
        if others:
            return estimate_fluoride(
                scan, film_lines, components, stack, optics, settings,
                phase=phase, references=references, also_present=others,
            )  # fmt: skip
    notes.extend(
        f"{other.key} shows at other lines and was fitted beside" for other in also_present
    )
    verdict = None
    if outcome.detected:
        verdict = _orientation(shown.lines, decides, strengths)
        notes.append(verdict.text)
    estimates = _with_shared(work, shown, decides, notes)
    assumed: list[UnderAssumption] = []
    for name, s in strengths.items():
        amplitude = amplitude_of(
            name, s, shown.lines, estimates, outcome.threshold, settings.beta,
            decides=decides, nominal=at_nominal, shows=outcome.detected,
        )  # fmt: skip
        if amplitude is not None:
            assumed.append(
                _under(name, amplitude, film, mosaic, work, outcome.detected, shown, references)
            )
    settled = "reference" if references is not None else settings.orientation
    if settled is None and verdict is not None:
        settled = verdict.name
    if settled == "mixed" and verdict is not None and not isinstance(film, str):
        assumed.append(_mixture(verdict, assumed, film, settings))
    if not any(a.name == settled for a in assumed):
        settled = None
    route: Route = "structure" if references is None else "reference"
    if isinstance(film, str) and references is None:
        route = "index"
        notes.append(film)
    result = FluorideEstimate(
        detected=outcome.detected,
        route=route,
        settled=settled,
        p_value=outcome.p_value,
        assumptions=tuple(assumed),
        conversion=None,
        hf_bound_ug_cm2=None,
        hf_g_per_100_m=None,
        cell_A=shown.cell,
        index=_index(shown.lines, film_lines, work),
        lines=_line_table(work, scans, shown, decides, estimates),
        searched=outcome,
        orientation=verdict,
        fwhm_factor=shown.width,
        notes=tuple(notes),
    )
    return _with_conversion(result, work, references, film_lines)


@dataclass(frozen=True, slots=True)
class _Shown:
    """The cell that areas are given at, the factor on the width, and what its doubt does to areas.

    ``by_width`` is None where the width was not fitted.
    """

    edge_A: float
    width: float
    by_width: Callable[[FloatArray], FloatArray] | None
    cell: Estimate | None
    lines: LineAreas


def _prepare(
    scan: Scan,
    stack: Stack,
    optics: Optics,
    settings: FluorideSettings,
    phase: Phase,
    also_present: Sequence[Phase],
) -> _Work:
    low, high = settings.edge_low_A, settings.edge_high_A
    step = min(settings.edge_step_A, _edge_step(settings, optics))
    below = int((settings.nominal_edge_A - low) / step)
    above = int((high - settings.nominal_edge_A) / step)
    edges = np.asarray(settings.nominal_edge_A + step * np.arange(-below, above + 1), dtype=float)
    reaches: list[tuple[float, float]] = []
    shared: dict[int, str] = {}
    cerates = any(layer.phase.key in _CERATE_FORMERS for layer in stack.layers)
    for i, hkl in enumerate(FLUORIDE_LINES):
        places = line_places(edges, hkl, optics)
        width = expected_shape(float(places.mean()), settings, optics).fwhm_deg
        pad = max(0.7, 4.0 * width)
        window = (float(places.min()) - pad, float(places.max()) + pad)
        inside = (
            max(window[0], float(scan.axis_deg[0])),
            min(window[1], float(scan.axis_deg[-1])),
        )
        reaches.append(inside if inside[1] - inside[0] > 1.2 * pad else (0.0, 0.0))
        place = float(places[below])
        blocked = overlapping(place, stack, optics.radiation, _SHARED_PLACE_DEG)
        blocked = tuple(b for b in blocked if not b.startswith(stack.film.phase.key + " "))
        if hkl == (2, 0, 0) and blocked:
            shared[i] = blocked[0]
        if cerates and hkl in ((2, 0, 0), (2, 2, 0)):
            shared[i] = blocked[0] if blocked else "BaCeO3"

    def shape_at(place: float) -> LineShape:
        fwhm, lorentz = settings.instrument_fwhm_deg, settings.instrument_lorentz
        return shape_of(place, fwhm, lorentz, 150.0, optics.radiation.mean_A)

    near = stack_neighbours(
        scan.axis_deg,
        scan.counts,
        stack,
        optics.radiation,
        reaches,
        shape_at,
        more=also_present,
    )
    sigma = scan.sigma
    if sigma is None and not scan.poisson:
        sigma = scan.uncertainty()
    windows = tuple(
        line_window(scan.axis_deg, scan.counts, optics.radiation, *reach, others, sigma=sigma)
        if reach[1] > reach[0]
        else None
        for reach, others in zip(reaches, near, strict=True)
    )
    return _Work(stack, optics, settings, phase, edges, below, windows, shared)


def _edge_step(settings: FluorideSettings, optics: Optics) -> float:
    """Step in Å that moves no line by more than a quarter of its width."""
    steps = []
    for hkl in FLUORIDE_LINES:
        low, high = line_places(
            [settings.nominal_edge_A, settings.nominal_edge_A - 0.01], hkl, optics
        )
        width = expected_shape(float(low), settings, optics).fwhm_deg
        steps.append(0.25 * width / ((high - low) / 0.01))
    return float(min(steps))


def _film(
    lines: MeasuredLines,
    stack: Stack,
    optics: Optics,
    components: Sequence[tuple[Orientation, float]],
) -> FilmAmplitude | str:
    try:
        return film_amplitude(lines, stack.film.phase, components, optics, stack)
    except CannotTellError as error:
        return str(error)


def _main_mosaic(components: Sequence[tuple[Orientation, float]]) -> float:
    aligned = [(share, o.mosaic_fwhm_deg) for o, share in components if not o.is_random]
    return max(aligned)[1] if aligned else 5.0


def _strengths(
    phase: Phase, mosaic_deg: float, stack: Stack, optics: Optics
) -> dict[str, FloatArray]:
    return {
        name: component_strengths(
            phase, FLUORIDE_LINES, ((assumed_orientation(name, mosaic_deg), 1.0),), optics, stack
        )
        for name in ASSUMPTIONS
    }


def _reference_strengths(references: ReferenceFilms) -> FloatArray:
    """Area of each line if as much fluoride were left as in the unconverted film, shape (L,)."""
    return np.array(
        [
            max(references.unconverted[h].value, 0.0) * references.normaliser
            if h in references.unconverted
            else 0.0
            for h in FLUORIDE_LINES
        ]
    )


def _refine(
    work: _Work, outcome: Search, scans: Sequence[LineScan | None], decides: Sequence[bool]
) -> _Shown:
    """Cell edge and line width of a fluoride that shows, by maximum likelihood over its lines.

    The width carries a log-normal prior about the expected one. Coordinate steps, each a
    parabola through the likelihood; its curvature gives the uncertainties.
    """
    settings, at = work.settings, outcome.best_edge
    top = float(outcome.templates[outcome.best_template].z[at])
    if top > _PLAIN:
        at = _most_likely_edge(work, scans, decides)
    significance = {
        i: float(s.areas[at] / s.sigma_blank[at])
        for i, s in enumerate(scans)
        if s is not None and decides[i] and s.usable[at]
    }
    strongest = max(significance, key=lambda i: significance[i])
    used = [i for i, z in significance.items() if z > 3.0 or i == strongest]
    prior = float(np.log(settings.width_factor))

    def misfit(edge: float, log_width: float) -> float:
        total = (log_width / prior) ** 2
        for i in used:
            window = work.windows[i]
            assert window is not None
            place = float(line_places(edge, FLUORIDE_LINES[i], work.optics))
            total += fit_line(window, place, work.shape(i, edge, float(np.exp(log_width)))).misfit
        return total

    step = float(work.edges[1] - work.edges[0])
    edge, log_width = float(work.edges[at]), 0.0
    if top <= _PLAIN:
        edge += step * _summit(outcome, at)
    if significance[strongest] > 4.0:
        tried = np.log([0.4, 0.6, 0.8, 1.0, 1.3, 1.7, 2.3])
        log_width = float(tried[int(np.argmin([misfit(edge, w) for w in tried]))])
    edge, _ = _lowest(lambda a: misfit(a, log_width), edge, 0.5 * step, 2)
    log_width, _ = _lowest(lambda w: misfit(edge, w), log_width, 0.2, 3)
    edge, edge_sigma = _lowest(lambda a: misfit(a, log_width), edge, 0.3 * step, 2)
    log_width, width_sigma = _lowest(lambda w: misfit(edge, w), log_width, 0.15, 2)
    axis = max(
        float(edge / np.tan(np.radians(line_places(edge, FLUORIDE_LINES[i], work.optics) / 2.0)))
        for i in used
    ) * np.radians(settings.place_sigma_deg / 2.0)
    cell = from_normal(
        edge,
        float(np.hypot(edge_sigma, axis)),
        level=settings.level,
        sources={"counting": edge_sigma, "axis": float(axis)},
    )
    width = float(np.exp(log_width))
    lines = LineAreas.at(work.scan([edge - 0.2 * step, edge, edge + 0.2 * step], width), 1)
    areas, variance = lines.areas.copy(), lines.variance.copy()
    for i, window in enumerate(work.windows):
        if window is not None and lines.usable[i]:
            place = float(line_places(edge, FLUORIDE_LINES[i], work.optics))
            fit = fit_line(window, place, work.shape(i, edge, width))
            areas[i], variance[i] = fit.area, fit.variance
    by_width = _width_doubt(work, strongest, edge, log_width, width_sigma, misfit)
    # the mean over the widths that fit, not the area at the most likely one
    gain = float(np.exp(by_width.mean))
    lines = replace(lines, areas=areas * gain, variance=variance * gain**2)
    return _Shown(edge, width, by_width, cell, lines)


def _most_likely_edge(
    work: _Work, scans: Sequence[LineScan | None], decides: Sequence[bool]
) -> int:
    """The grid's cell edge of the highest likelihood.

    Weights of a film without fluoride decide well and find weak lines well, but on a plain line
    over a low background they lead astray: its tails outweigh its top.
    """
    total = np.zeros(work.edges.size)
    for i, (window, s) in enumerate(zip(work.windows, scans, strict=True)):
        if window is None or s is None or not decides[i]:
            continue
        if not np.any(s.usable & (s.areas > 3.0 * s.sigma_blank)):
            continue
        shape = work.shape(i, float(work.edges.mean()))
        fits = [fit_line(window, float(place), shape) for place in s.places_deg]
        misfit = np.array([f.misfit + min(f.area, 0.0) ** 2 / f.variance for f in fits])
        total += np.where(s.usable, misfit, misfit[s.usable].max())
    return int(np.argmin(total))


def _summit(outcome: Search, at: int) -> float:
    """Offset of the top of the significance from its best grid point, in steps, -0.5 to 0.5."""
    z = outcome.templates[outcome.best_template].z
    if not 0 < at < z.size - 1 or not np.all(np.isfinite(z[at - 1 : at + 2])):
        return 0.0
    low, middle, high = (float(v) for v in z[at - 1 : at + 2])
    bend = low - 2.0 * middle + high
    return float(np.clip(0.5 * (low - high) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class _WidthDoubt:
    """Posterior of the line width, as log areas (K,) over the most likely one by probability (K,).

    ``mean`` is the posterior mean of the log area.
    """

    probability: FloatArray
    log_area: FloatArray
    mean: float

    def __call__(self, normal: FloatArray) -> FloatArray:
        """Log factors on the reported area for standard normal draws, same shape."""
        drawn = np.interp(ndtr(normal), self.probability, self.log_area)
        return np.asarray(drawn - self.mean)


def _width_doubt(
    work: _Work,
    index: int,
    edge: float,
    log_width: float,
    width_sigma: float,
    misfit: Callable[[float, float], float],
) -> _WidthDoubt:
    """Areas of the strongest line over the widths that the data and the prior leave open."""
    window = work.windows[index]
    assert window is not None
    place = float(line_places(edge, FLUORIDE_LINES[index], work.optics))
    nodes = log_width + width_sigma * np.linspace(-2.5, 2.5, 9)
    fits = [fit_line(window, place, work.shape(index, edge, float(np.exp(w)))) for w in nodes]
    areas = np.array([max(fit.area, 1e-12) for fit in fits])
    evidence = -0.5 * np.array([misfit(edge, float(w)) for w in nodes])
    evidence += 0.5 * np.log([fit.variance for fit in fits])
    density = np.exp(evidence - evidence.max())
    log_area = np.log(areas / areas[4])
    cumulative = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]))])
    mean = float(density @ log_area / density.sum())
    return _WidthDoubt(cumulative / cumulative[-1], log_area, mean)


def _lowest(
    function: Callable[[float], float], start: float, step: float, rounds: int
) -> tuple[float, float]:
    """Minimum of a function near ``start`` by parabolas, and the distance that lifts it by 1."""
    x, sigma = start, step
    for turn in range(rounds):
        low, middle, high = function(x - step), function(x), function(x + step)
        bend = low - 2.0 * middle + high
        if bend > 1e-9:
            sigma = step / float(np.sqrt(0.5 * bend))
            x += float(np.clip(0.5 * (low - high) / bend, -2.0, 2.0)) * step
        else:
            x += step if high < low else -step
        if turn < rounds - 1:
            step = float(np.clip(sigma, 0.2 * step, step))
    return x, sigma


def _other_owners(
    work: _Work, scan: Scan, shown: _Shown, decides: Sequence[bool], notes: list[str]
) -> tuple[Phase, ...]:
    """Products that could own every fluoride line that shows, and do show at other lines too.

    Those that can be neither shown nor excluded are told in ``notes``.
    """
    places = [
        float(line_places(shown.edge_A, FLUORIDE_LINES[i], work.optics))
        for i in np.flatnonzero(np.array(decides) & shown.lines.usable)
        if shown.lines.areas[i] > 3.0 * np.sqrt(shown.lines.blank_variance[i])
    ]
    if not places:
        return ()
    present: list[Phase] = []
    for key in possible_products(work.stack):
        other = load_phase(key)
        angles = line_list(other, work.optics.radiation, two_theta_max_deg=90.0).two_theta_deg
        if not all(np.min(np.abs(angles - place)) < 0.3 for place in places) or other.cell_only:
            continue
        width = work.settings.instrument_fwhm_deg
        state, _ = stands_elsewhere(scan, other, places, work.stack, work.optics, width)
        if state == "present":
            present.append(other)
        elif state == "open":
            notes.append(f"{key} could stand at the same place and is not excluded by other lines")
    return tuple(present)


def _orientation(
    lines: LineAreas, decides: Sequence[bool], strengths: Mapping[str, FloatArray]
) -> OrientationVerdict:
    use = np.flatnonzero(np.array(decides) & lines.usable)
    return judge_orientation(
        [FLUORIDE_LINES[i] for i in use],
        lines.areas[use],
        np.sqrt(lines.variance[use]),
        {name: strengths[name][use] for name in ASSUMPTIONS},
    )


def _with_shared(
    work: _Work, shown: _Shown, decides: Sequence[bool], notes: list[str]
) -> list[bool]:
    """The lines that make the amount: those that decide, and shared places that show nothing."""
    estimates = list(decides)
    for i, label in work.shared.items():
        if not shown.lines.usable[i]:
            continue
        hkl = "({}{}{})".format(*FLUORIDE_LINES[i])
        place = float(line_places(shown.edge_A, FLUORIDE_LINES[i], work.optics))
        if shown.lines.areas[i] < 1.645 * np.sqrt(shown.lines.blank_variance[i]):
            estimates[i] = True
            notes.append(f"{hkl} shares its place with {label}: it limits, but cannot detect")
        else:
            notes.append(
                f"a line at {place:.2f}° cannot be assigned by its place alone: {label} stands "
                f"there as well as fluoride {hkl}; it is left out"
            )
    return estimates


def _under(
    name: str,
    amplitude: Amplitude,
    film: FilmAmplitude | str,
    mosaic: float,
    work: _Work,
    detected: bool,
    shown: _Shown,
    references: ReferenceFilms | None,
) -> UnderAssumption:
    settings = work.settings
    if name == "reference" and references is not None:
        return _under_reference(amplitude, work, detected, references)
    if isinstance(film, str):
        return UnderAssumption(name, amplitude, None, None)
    hkl = tuple(FLUORIDE_LINES[i] for i in amplitude.lines)
    draws = ratio_draws(
        name, work.phase, hkl, amplitude.weights[list(amplitude.lines)], film, mosaic,
        work.optics, work.stack, settings.doubt, by_width=shown.by_width,
    )  # fmt: skip
    ratio = amplitude.value / film.value
    sample = (amplitude.value + amplitude.sigma * draws.counting) * draws.factor
    sample = sample / (film.value * np.maximum(1.0 + film.sigma / film.value * draws.film, 0.05))
    fraction = float(volume_fraction_of_ratio(np.array([ratio]))[0])
    slope = 1.0 / (1.0 + max(ratio, 0.0)) ** 2
    sources = {
        "counting": slope * amplitude.sigma / film.value,
        "film lines": abs(slope * ratio) * film.sigma / film.value,
        **{cause: abs(slope * ratio) * s for cause, s in draws.sigma_log.items()},
    }
    estimate = from_draws(
        fraction,
        volume_fraction_of_ratio(sample),
        level=settings.level,
        bounds=(0.0, 1.0),
        sources=sources,
    )
    limit: float | None = None
    if np.isfinite(amplitude.detection):
        limit = float(volume_fraction_of_ratio(np.array([amplitude.detection / film.value]))[0])
    return UnderAssumption(name, amplitude, _one_sided(estimate, detected), limit)


def _one_sided(estimate: Estimate, detected: bool) -> Estimate:
    return estimate if detected else one_sided(estimate)


def _under_reference(
    amplitude: Amplitude, work: _Work, detected: bool, references: ReferenceFilms
) -> UnderAssumption:
    """Fluoride left, as a share of the unconverted film's, turned into a volume fraction."""
    used = [FLUORIDE_LINES[i] for i in amplitude.lines]
    reference = max(
        references.unconverted[h].sigma / max(references.unconverted[h].value, 1e-30) for h in used
    )
    left = amplitude.value
    sources = {
        "counting": amplitude.sigma,
        "reference": abs(left)
        * float(np.hypot(reference, references.normaliser_sigma / references.normaliser)),
        "texture": abs(left) * references.texture_sigma,
    }
    sigma = float(np.sqrt(sum(s * s for s in sources.values())))
    ratio = _ratio(work)
    normals = np.sort(ratio_normals())
    draws = volume_fraction_of_conversion(1.0 - (left + sigma * normals), ratio)
    centre = float(volume_fraction_of_conversion(np.array([1.0 - left]), ratio)[0])
    limit: float | None = None
    if np.isfinite(amplitude.detection):
        limit = float(
            volume_fraction_of_conversion(np.array([1.0 - amplitude.detection]), ratio)[0]
        )
    slope = float(np.std(draws)) / max(sigma, 1e-30)
    estimate = from_draws(
        centre,
        draws,
        level=work.settings.level,
        bounds=(0.0, 1.0),
        sources={cause: slope * s for cause, s in sources.items()},
    )
    return UnderAssumption("reference", amplitude, _one_sided(estimate, detected), limit)


def ratio_normals() -> FloatArray:
    """Standard normals for one-dimensional draws, shape (1024,)."""
    from xrdfilm.fractions import normal_draws

    return np.asarray(normal_draws(1024, 1, seed=24)[:, 0])


def _mixture(
    verdict: OrientationVerdict,
    assumed: Sequence[UnderAssumption],
    film: FilmAmplitude,
    settings: FluorideSettings,
) -> UnderAssumption:
    """Sum of the members' volumes; the model's doubt is that of each member, fully shared."""
    total = float(verdict.amplitudes.sum())
    counting = float(np.sqrt(max(verdict.covariance.sum(), 0.0)))
    by_cause: dict[str, float] = {}
    for name, x in zip(verdict.members, verdict.amplitudes, strict=True):
        member = next(a for a in assumed if a.name == name)
        estimate = member.volume_fraction
        assert estimate is not None
        own = abs(member.amplitude.value / film.value) + 1e-30
        for cause, s in estimate.sources.items():
            if cause != "counting":
                slope = 1.0 / (1.0 + own) ** 2
                by_cause[cause] = by_cause.get(cause, 0.0) + s / (slope * own) * x / total
    ratio = total / film.value
    relative = float(np.sqrt(sum(s * s for s in by_cause.values())))
    normals = ratio_normals()
    sample = (ratio + counting / film.value * normals) * np.exp(relative * normals[::-1])
    slope = 1.0 / (1.0 + ratio) ** 2
    estimate = from_draws(
        ratio / (1.0 + ratio),
        volume_fraction_of_ratio(sample),
        level=settings.level,
        bounds=(0.0, 1.0),
        sources={
            "counting": slope * counting / film.value,
            **{cause: slope * ratio * s for cause, s in by_cause.items()},
        },
    )
    first = next(a for a in assumed if a.name == verdict.members[0])
    return UnderAssumption("mixed", first.amplitude, estimate, first.detection_limit)


def _ratio(work: _Work, cell: Estimate | None = None) -> float:
    film = work.stack.film.phase
    edge = cell.estimate if cell is not None and cell.estimate is not None else BAF2_EDGE_A
    return volume_ratio(film.cell.volume_A3 / film.formula_units, edge)


def _index(lines: LineAreas, film_lines: MeasuredLines, work: _Work) -> Estimate | None:
    """Areas of (111) and (200), where they are the fluoride's, over the film's strongest line."""
    film = [line for line in film_lines if line.reflection.phase == work.stack.film.phase.key]
    use = [i for i in (0, 1) if lines.usable[i] and i not in work.shared]
    if not film or not use:
        return None
    top = max(film, key=lambda line: line.area_counts_deg)
    if not top.area_counts_deg > 0.0:
        return None
    value = float(lines.areas[use].sum()) / top.area_counts_deg
    counting = float(np.sqrt(lines.variance[use].sum()))
    sigma = float(np.hypot(counting, value * top.area_sigma_counts_deg)) / top.area_counts_deg
    return from_normal(value, sigma, bounds=(0.0, None))


def _line_table(
    work: _Work,
    scans: Sequence[LineScan | None],
    shown: _Shown,
    decides: Sequence[bool],
    estimates: Sequence[bool],
) -> tuple[FluorideLine, ...]:
    rows: list[FluorideLine] = []
    z_alpha = float(ndtri(1.0 - work.settings.alpha))
    z_beta = float(ndtri(1.0 - work.settings.beta))
    lines = shown.lines
    for i, s in enumerate(scans):
        if s is None:
            continue
        blank, slope = float(np.sqrt(lines.blank_variance[i])), float(lines.variance_slope[i])
        decision = blank * (z_alpha + float(lines.third[i]) * (z_alpha**2 - 1.0) / 6.0)
        detection = decision + z_beta * blank
        for _ in range(20):
            detection = decision + z_beta * float(np.sqrt(blank**2 + slope * detection))
        if not lines.usable[i]:
            use = "hidden by " + ", ".join(label for label, _ in s.found) if s.found else "hidden"
        elif decides[i]:
            use = "decides"
        else:
            use = "limits" if estimates[i] else f"shared with {work.shared[i]}"
        place = float(line_places(shown.edge_A, FLUORIDE_LINES[i], work.optics))
        rows.append(
            FluorideLine(
                FLUORIDE_LINES[i],
                place,
                float(lines.areas[i]),
                float(np.sqrt(lines.variance[i])),
                blank,
                decision,
                detection,
                float(np.interp(place, s.places_deg[::-1], s.background[::-1])),
                use,
            )
        )
    return tuple(rows)


def _with_conversion(
    result: FluorideEstimate,
    work: _Work,
    references: ReferenceFilms | None,
    film_lines: MeasuredLines,
) -> FluorideEstimate:
    """Conversion and bound HF from the settled assumption, else a limit from the worst."""
    worst = result.worst
    if worst is None or worst.volume_fraction is None:
        return result
    ratio = _ratio(work, result.cell_A)
    fraction = worst.volume_fraction
    conversion = mapped(
        fraction, lambda v: conversion_of_volume_fraction(v, ratio), bounds=(0.0, 1.0)
    )
    notes = list(result.notes)
    if result.settled is None or fraction.value is None:
        low = float(
            conversion_of_volume_fraction(np.array([min(max(_upper(worst), 0.0), 1.0)]), ratio)[0]
        )
        conversion = replace(conversion, value=None, low=low, high=1.0)
    if result.settled is None:
        notes.append(
            "conversion and bound HF are limits for "
            f"{ORIENTATION_NAMES[worst.name]} fluoride, the case that hides most"
        )
    thickness = work.stack.film.thickness_nm
    bound: Estimate | None = None
    per_tape: float | None = None
    if thickness is not None:
        film = work.stack.film.phase
        unit = film.cell.volume_A3 / film.formula_units

        def to_hf(x: FloatArray) -> FloatArray:
            return bound_hf_ug_cm2(x, thickness, unit)

        bound = mapped(conversion, to_hf, bounds=(0.0, None))
        highest = float(to_hf(np.array([conversion.low or 0.0]))[0])
        if conversion.value is None:
            bound = replace(bound, value=None, low=0.0, high=highest)
        per_tape = hf_g_per_100_m(
            bound.value if bound.value is not None else highest, work.settings.tape_width_mm
        )
        notes.append(HF_CAUTION)
    if references is not None:
        notes.extend(_film_side_notes(conversion, references, film_lines))
    return replace(
        result,
        conversion=conversion,
        hf_bound_ug_cm2=bound,
        hf_g_per_100_m=per_tape,
        notes=tuple(notes),
    )


def _film_side_notes(
    conversion: Estimate, references: ReferenceFilms, film_lines: MeasuredLines
) -> list[str]:
    """The film side's conversion, and the reasons why it may differ."""
    for line in film_lines:
        finished = references.finished.get(line.reflection.hkl)
        if finished is None:
            continue
        here = RelativeArea.of(
            line.area_counts_deg,
            line.area_sigma_counts_deg,
            references.normaliser,
            references.normaliser_sigma,
        )
        grown = film_side(here, finished)
        text = f"film side, {line.reflection}: conversion {grown.estimate:.3f} ± {grown.sigma:.3f}"
        compared = compare_sides(conversion, grown)
        if compared.agree:
            return [text + ", in agreement with the fluoride side"]
        return [text + "; it disagrees with the fluoride side. May be:", *compared.reasons]
    return []
