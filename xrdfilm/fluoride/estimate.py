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

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.special import ndtri

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import Phase, load_phase
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import Estimate, from_normal
from xrdfilm.fitting.cellscan import LineScan
from xrdfilm.fluoride.amount import (
    UnderAssumption,
    mixture,
    under_assumption,
)
from xrdfilm.fluoride.amplitude import (
    Amplitude,
    LineAreas,
    OrientationVerdict,
    amplitude_of,
    judge_orientation,
    of_any_cell,
)
from xrdfilm.fluoride.balance import with_conversion
from xrdfilm.fluoride.cell import ShownFluoride, refine
from xrdfilm.fluoride.conversion import (
    cell_hint,
)
from xrdfilm.fluoride.model import (
    ASSUMPTIONS,
    FLUORIDE_LINES,
    FilmAmplitude,
    assumed_orientation,
    component_strengths,
    film_amplitude,
)
from xrdfilm.fluoride.products import main_places_deg, possible_products, stands_elsewhere
from xrdfilm.fluoride.result import ORIENTATION_NAMES, FluorideEstimate, FluorideLine, Route
from xrdfilm.fluoride.search import make_template, search
from xrdfilm.fluoride.settle import advice
from xrdfilm.fluoride.setup import (
    FluorideSettings,
    FluorideWork,
    ReferenceFilms,
    line_places,
    prepare,
)
from xrdfilm.intensity.model import Orientation
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.linemap.phase_shapes import PhaseShape
from xrdfilm.lines import MeasuredLines
from xrdfilm.scan import Scan

__all__ = [
    "ORIENTATION_NAMES",
    "FluorideEstimate",
    "FluorideLine",
    "FluorideSettings",
    "ReferenceFilms",
    "UnderAssumption",
    "estimate_fluoride",
]


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
    shapes: Mapping[str, PhaseShape] | None = None,
    spacings: Mapping[str, float] | None = None,
) -> FluorideEstimate:
    """Everything one coupled scan says of residual fluoride.

    ``scan`` is aligned (its axis corrected for zero and displacement); ``film_lines`` its fitted
    lines; ``components`` the orientations of the film with their shares of its volume, adding up
    to 1. ``also_present`` names phases known to be there: their lines are fitted beside.
    ``shapes`` are measured shapes of the lines of the stack's phases, by their keys; ``spacings``
    are found over the stack's, by phase or by line. Raises
    CannotTellError where the scan covers no fluoride line at all.
    """
    settings = settings or FluorideSettings()
    phase = phase or load_phase("BaF2")
    work = prepare(scan, stack, optics, settings, phase, also_present, film_lines, shapes, spacings)
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
    shown = ShownFluoride(phase, work.settings.nominal_edge_A, 1.0, None, None, at_nominal)
    if outcome.detected_search:
        shown = refine(work, outcome, scans, decides)
        assert shown.cell is not None
        notes.append(cell_hint(shown.edge_A, shown.cell.sigma or 0.0))
    if outcome.detected and not also_present:
        others = _other_owners(work, scan, shown, decides, notes)
        if others:
            return estimate_fluoride(
                scan, film_lines, components, stack, optics, settings,
                phase=phase, references=references, also_present=others, shapes=shapes,
                spacings=spacings,
            )  # fmt: skip
    notes.extend(
        f"{other.key} shows at other lines and was fitted beside" for other in also_present
    )
    at_shown = strengths
    if shown.cell is not None:
        at_shown = strengths | _strengths(shown.phase, mosaic, stack, optics)
    verdict = None
    if outcome.detected:
        verdict = _orientation(shown.lines, decides, at_shown, min(settings.alpha, 0.01))
        notes.append(verdict.text)
    estimates = _with_shared(work, shown, decides, notes)
    assumed: list[UnderAssumption] = []
    for name, s in at_shown.items():
        amplitude = amplitude_of(
            name, s, shown.lines, estimates, outcome.threshold, settings.beta,
            decides=decides, nominal=at_nominal, at_nominal=strengths[name],
            shows=outcome.detected,
        )  # fmt: skip
        if amplitude is not None:
            if not outcome.detected:
                amplitude = of_any_cell(amplitude, scans, estimates, work.edges, settings.level)
                notes.extend(_hidden_cells(amplitude, work.edges))
            assumed.append(
                under_assumption(
                    name, amplitude, film, mosaic, work, outcome.detected, shown, references
                )
            )
    settled = "reference" if references is not None else settings.orientation
    if settled is None and verdict is not None:
        settled = verdict.name
    if settled == "mixed" and verdict is not None and not isinstance(film, str):
        assumed.append(mixture(verdict, assumed, film, settings))
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
    result = with_conversion(result, work, references, film_lines)
    return replace(result, advice=advice(result, optics, wanted=settings.wanted_fraction))


def _hidden_cells(amplitude: Amplitude, edges_A: FloatArray) -> list[str]:
    """The stretches of cells, of those tried (E,), at which nothing of an orientation shows."""
    hidden = np.flatnonzero(np.isin(edges_A, amplitude.hidden_cells_A))
    if not hidden.size:
        return []
    stretches = np.split(hidden, np.flatnonzero(np.diff(hidden) > 1) + 1)
    ends = [(f"{edges_A[s[0]]:.3f}", f"{edges_A[s[-1]]:.3f}") for s in stretches]
    cells = " or ".join(low if low == high else f"{low} to {high}" for low, high in ends)
    return [
        f"fluoride {ORIENTATION_NAMES[amplitude.name]} with a cell of {cells} Å would stand where "
        "other lines hide it; the limits do not hold for it"
    ]


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


def _other_owners(
    work: FluorideWork, scan: Scan, shown: ShownFluoride, decides: Sequence[bool], notes: list[str]
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
        if other.cell_only:
            continue
        angles = main_places_deg(other, work.optics, work.stack)
        if not all(np.min(np.abs(angles - place)) < 0.3 for place in places):
            continue
        width = work.settings.instrument_fwhm_deg
        state, _ = stands_elsewhere(scan, other, places, work.stack, work.optics, width)
        if state == "present":
            present.append(other)
        elif state == "open":
            notes.append(f"{key} could stand at the same place and is not excluded by other lines")
    return tuple(present)


def _orientation(
    lines: LineAreas,
    decides: Sequence[bool],
    strengths: Mapping[str, FloatArray],
    refuse_below: float,
) -> OrientationVerdict:
    """The verdict of the line ratios; a window that fits badly widens what it says."""
    use = np.flatnonzero(np.array(decides) & lines.usable)
    return judge_orientation(
        [FLUORIDE_LINES[i] for i in use],
        lines.areas[use],
        np.sqrt(np.maximum(lines.variance[use], lines.blank_variance[use])),
        {name: strengths[name][use] for name in ASSUMPTIONS},
        refuse_below=refuse_below,
    )


def _with_shared(
    work: FluorideWork, shown: ShownFluoride, decides: Sequence[bool], notes: list[str]
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


def _index(lines: LineAreas, film_lines: MeasuredLines, work: FluorideWork) -> Estimate | None:
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
    work: FluorideWork,
    scans: Sequence[LineScan | None],
    shown: ShownFluoride,
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
            detection = decision + z_beta * math.sqrt(blank**2 + slope * detection)
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
