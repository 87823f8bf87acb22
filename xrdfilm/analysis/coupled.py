"""The chain for coupled scans: peaks, shift, windows, fits, alignment and cell, for many at once.

    prepared = prepare(premises, axis_deg)          # once for a stack and an axis
    results = analyse_coupled(scans, prepared)      # one CoupledFit, or the reason, for each

Scans on one axis go through the fit together. Each is fitted twice: first with its lines where
the peaks suggest them, which gives alignment and cell; then with every line, strong or absent,
where alignment and cell put it, so that an absent line is measured at its own place. Which lines
hide which depends on the film's cell: each scan gets the layout of its own (`Prepared.on_cell`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.analysis.anchors import (
    align_by_layers,
    cell_of_film,
    cells_of_buffers,
    film_on_cell,
    spacings_found,
)
from xrdfilm.analysis.held_apart import FittedLines
from xrdfilm.analysis.laid_lines import LaidLine
from xrdfilm.analysis.line_shapes import (
    USUAL_MIXING,
    expected_mixing,
    expected_widths,
    phase_shapes,
)
from xrdfilm.analysis.premises import Premises
from xrdfilm.analysis.prepared import (
    Prepared,
    adjustment_notes,
    moved_places,
    prepare,
    sure_places,
    true_places,
    usual_widths,
)
from xrdfilm.analysis.recognise import cells_by_peaks, named_peaks, scaled_film
from xrdfilm.analysis.tails import tails_beyond
from xrdfilm.errors import ScanAxisError, XrdfilmError
from xrdfilm.fitting.background import WIDEST_LINE_DEG, Background, broad_background
from xrdfilm.fitting.engine import BlockFits, FitSettings, WindowFits, WindowPlan, fit_block
from xrdfilm.fitting.sparks import without_sparks
from xrdfilm.lattice.alignment import Alignment
from xrdfilm.lattice.cell import CellEstimate
from xrdfilm.lattice.identify import CoarseShift, Peaks, find_peaks
from xrdfilm.linemap.phase_shapes import PhaseShape
from xrdfilm.lines import MeasuredLines
from xrdfilm.scan import Scan

__all__ = ["CoupledFit", "Prepared", "analyse_coupled", "prepare", "saturation_level", "wrong_axis"]


@dataclass(frozen=True, eq=False)
class CoupledFit:
    """What the fits of one coupled scan gave.

    ``true_deg`` are the aligned K-alpha1 places of the layout's lines for the cells found, (n,);
    ``lines`` all fitted lines in the order of the plan, ``laid`` what each of them is.
    ``cell`` is the film's, from its usable lines and the alignment; None where it has none.
    """

    scan: Scan
    prepared: Prepared
    background: Background
    peaks: Peaks
    coarse: CoarseShift
    alignment: Alignment
    cell: CellEstimate | None
    fits: WindowFits
    true_deg: FloatArray
    lines: MeasuredLines
    laid: tuple[LaidLine, ...]
    notes: tuple[str, ...] = ()
    _usable: dict[str, MeasuredLines] = field(default_factory=dict, init=False, repr=False)

    @property
    def premises(self) -> Premises:
        """The premises the fit rests on."""
        return self.prepared.premises

    def aligned_scan(self) -> Scan:
        """The scan with its axis corrected for zero and displacement, without excluded points."""
        return self._aligned

    @cached_property
    def _aligned(self) -> Scan:
        scan = self.scan
        keep = self.premises.adjustments.kept_points(scan.axis_deg)
        axis = self.alignment.correct(scan.axis_deg)
        if keep.all():
            return replace(scan, axis_deg=axis)
        sigma = None if scan.sigma is None else scan.sigma[keep]
        return replace(scan, axis_deg=axis[keep], counts=scan.counts[keep], sigma=sigma)

    def usable(self, phase: str) -> MeasuredLines:
        """Fitted lines of a phase that figures may rest on; the others are left out and named."""
        if phase not in self._usable:
            self._usable[phase] = self._fitted.usable(phase)
        return self._usable[phase]

    @cached_property
    def shapes(self) -> dict[str, PhaseShape]:
        """Shapes of the lines of each phase, as its good lines show them."""
        return phase_shapes(self.lines, self.laid)

    @cached_property
    def spacings(self) -> dict[str, float]:
        """Spacings found over the stack's, by phase or by single line, where lines tell."""
        return spacings_found(self.lines, self.laid, self.premises, self.alignment)

    @cached_property
    def _fitted(self) -> FittedLines:
        return FittedLines(self.lines, self.laid)


def analyse_coupled(
    scans: Sequence[Scan], prepared: Prepared, settings: FitSettings | None = None
) -> list[CoupledFit | XrdfilmError]:
    """Fit scans that lie on the prepared axis; for each its fit, or the error that stopped it."""
    begun: list[_Begun | XrdfilmError] = [_begin(scan, prepared) for scan in scans]
    good = [item for item in begun if isinstance(item, _Begun)]
    first = _fit(
        [(b.scan, b.prepared) for b in good],
        [b.places for b in good],
        [b.fwhm for b in good],
        [np.full(b.fwhm.size, USUAL_MIXING) for b in good],
        settings,
    )
    settled: list[_Settled | XrdfilmError] = []
    for start, fits in zip(good, first, strict=True):
        try:
            settled.append(_settle(start, fits, prepared))
        except XrdfilmError as problem:
            settled.append(problem)
    ready = [item for item in settled if isinstance(item, _Settled)]
    second = _fit(
        [(s.begun.scan, s.prepared) for s in ready],
        [s.places for s in ready],
        [s.fwhm for s in ready],
        [s.mixing for s in ready],
        settings,
        [s.first for s in ready],
    )
    finished = iter(_finish(state, fits) for state, fits in zip(ready, second, strict=True))
    through = iter([next(finished) if isinstance(s, _Settled) else s for s in settled])
    return [next(through) if isinstance(b, _Begun) else b for b in begun]


@dataclass(frozen=True, slots=True, eq=False)
class _Begun:
    scan: Scan
    prepared: Prepared
    background: Background
    peaks: Peaks
    coarse: CoarseShift
    places: FloatArray
    fwhm: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Settled:
    begun: _Begun
    first: WindowFits
    prepared: Prepared
    alignment: Alignment
    cell: CellEstimate | None
    true_deg: FloatArray
    places: FloatArray
    fwhm: FloatArray
    mixing: FloatArray
    notes: tuple[str, ...]


def _begin(scan: Scan, prepared: Prepared) -> _Begun | XrdfilmError:
    """Background, peaks and coarse shift of one scan."""
    premises = prepared.premises
    misnamed = wrong_axis(scan)
    if misnamed is not None:
        return misnamed
    scan = without_sparks(scan, sure_places(prepared), premises.instrument_fwhm_deg)
    radiation = premises.optics.radiation
    adjustments = premises.adjustments
    try:
        seen = adjustments.bridged(scan)
        background = broad_background(
            seen.axis_deg,
            seen.counts,
            widest_line_deg=adjustments.widest_line_deg or WIDEST_LINE_DEG,
        )
        peaks = find_peaks(seen, background, radiation=radiation)
        coarse = named_peaks(peaks, prepared)
    except XrdfilmError as problem:
        return problem
    film = scaled_film(premises, coarse.cell_scale)
    prepared = prepared.on_cell(film.cell.c_A)
    if not premises.powder:
        film = prepared.premises.film.with_cell(c_A=film.cell.c_A)
    true = true_places(prepared, film, cells_by_peaks(coarse.places, peaks, prepared, film))
    places = moved_places(prepared, coarse.places(true))
    return _Begun(scan, prepared, background, peaks, coarse, places, usual_widths(prepared, true))


ALIGNED_DEG = 0.03  # how far a peak's top may be from its line once the axis is known

_AXIS_WORDS = {
    "omega": "a rocking scan (ω)",
    "phi": "an azimuth scan (φ)",
    "chi": "a tilt scan (χ)",
    "reflectivity": "a reflectivity scan",
}


def wrong_axis(scan: Scan) -> ScanAxisError | None:
    """The error of a scan that is named as a coupled one and is of another axis, else None."""
    if scan.axis == "two_theta":
        return None
    what = _AXIS_WORDS.get(scan.axis, "a scan of an axis that cannot be told")
    return ScanAxisError(
        f"is {what}, not a coupled scan (2θ); name it as rocking, azimuth or tilt of a film in "
        "run.toml, or state its axis in the header",
        path=scan.path,
    )


def _fit(
    items: Sequence[tuple[Scan, Prepared]],
    places: Sequence[FloatArray],
    fwhm: Sequence[FloatArray],
    mixing: Sequence[FloatArray],
    settings: FitSettings | None,
    before: Sequence[WindowFits] = (),
) -> list[WindowFits]:
    """Fit scans in blocks that share a plan, on the tails that the fits ``before`` tell of."""
    groups: dict[tuple[int, bool, bool, float | None], list[int]] = {}
    plans: list[WindowPlan] = []
    tails: list[tuple[FloatArray, ...] | None] = []
    for i, ((scan, prepared), at) in enumerate(zip(items, places, strict=True)):
        plan = prepared.plan(at, np.full(at.size, prepared.premises.instrument_fwhm_deg))
        plans.append(plan)
        if before:
            tails.append(
                tails_beyond(before[i], plan, scan.axis_deg, prepared.premises.optics.radiation)
            )
        key = (id(plan), scan.sigma is not None, scan.poisson, saturation_level(scan))
        groups.setdefault(key, []).append(i)
    found: list[WindowFits | None] = [None] * len(items)
    for (_, has_sigma, poisson, ceiling), members in groups.items():
        order = list(items[members[0]][1].layout.order)
        set_ = settings or FitSettings()
        if ceiling is not None:
            set_ = replace(set_, saturation_counts=ceiling)
        beneath = _stacked([tails[i] for i in members] if before else [], plans[members[0]])
        block: BlockFits = fit_block(
            plans[members[0]],
            np.stack([items[i][0].counts for i in members]),
            sigma=np.stack([items[i][0].uncertainty() for i in members]) if has_sigma else None,
            poisson=poisson,
            places=np.stack([places[i][order] for i in members]),
            fwhm=np.stack([fwhm[i][order] for i in members]),
            mixing=np.stack([mixing[i][order] for i in members]),
            beneath=beneath,
            settings=set_,
        )
        for row, i in enumerate(members):
            found[i] = block.scan(row)
    return [fits for fits in found if fits is not None]


def _stacked(
    tails: Sequence[tuple[FloatArray, ...] | None], plan: WindowPlan
) -> tuple[FloatArray, ...] | None:
    """The tails of several scans for the groups of their plan, (S, W, P); None where none has."""
    if all(t is None for t in tails):
        return None
    nothing = tuple(np.zeros(group.points.shape) for group in plan.groups)
    return tuple(np.stack(rows) for rows in zip(*(t or nothing for t in tails), strict=True))


def saturation_level(scan: Scan) -> float | None:
    """Counts at which the detector was full, where the checks found that it was, else None."""
    if any(finding.code == "saturation" for finding in scan.findings):
        return float(np.max(scan.counts))
    return None


def _settle(begun: _Begun, fits: WindowFits, base: Prepared) -> _Settled:
    """Alignment and cell from the first fit, and where each line is to be looked for.

    ``base`` is the stack as stated; the second fit takes the layout of the cell now found.
    """
    prepared = begun.prepared
    lines = fits.measured_lines()
    laid = _laid_of(fits, prepared)
    premises = prepared.premises
    alignment, notes = align_by_layers(lines, laid, premises)
    cell, cell_notes = cell_of_film(lines, laid, premises, alignment)
    film = scaled_film(base.premises, begun.coarse.cell_scale)
    if not premises.powder:
        film = premises.film.with_cell(c_A=film.cell.c_A)
    if cell is not None:
        alignment = cell.alignment
        a_A, b_A, c_A = (None if e is None else e.estimate for e in (cell.a_A, cell.b_A, cell.c_A))
        if c_A is not None:
            prepared = base.on_cell(c_A, a_A, b_A)
        film = film_on_cell(prepared.premises, prepared.premises.film, cell)
    of_buffers = cells_of_buffers(lines, laid, premises, alignment)
    below = {key: cell for key, (cell, plain) in of_buffers.items() if plain}
    if alignment.from_lines:
        below = cells_by_peaks(
            lambda true: true + alignment.shift(true), begun.peaks, prepared, film, below,
            tolerance_deg=ALIGNED_DEG,
        )  # fmt: skip
    true = true_places(prepared, film, below)
    fwhm = expected_widths(lines, laid, prepared.layout, true)
    fwhm = np.where(np.isfinite(fwhm), fwhm, usual_widths(prepared, true))
    places = moved_places(prepared, true + alignment.shift(true))
    mixing = expected_mixing(lines, laid, prepared.layout)
    notes = (*notes, *cell_notes)
    return _Settled(begun, fits, prepared, alignment, cell, true, places, fwhm, mixing, notes)


def _laid_of(fits: WindowFits, prepared: Prepared) -> tuple[LaidLine, ...]:
    order = np.array(prepared.layout.order)
    fitted = np.flatnonzero(fits.block.plan.fitted)
    return tuple(prepared.layout.lines[i] for i in order[fitted])


def _finish(state: _Settled, fits: WindowFits) -> CoupledFit:
    prepared = state.prepared
    lines = fits.measured_lines()
    laid = _laid_of(fits, prepared)
    premises = prepared.premises
    alignment, cell = state.alignment, state.cell
    notes = state.notes
    again, _ = align_by_layers(lines, laid, premises)
    refined, refined_notes = cell_of_film(lines, laid, premises, again)
    if refined is not None:
        alignment, cell, notes = refined.alignment, refined, refined_notes
    begun = state.begun
    notes += adjustment_notes(prepared, state.true_deg + alignment.shift(state.true_deg))
    return CoupledFit(
        begun.scan,
        prepared,
        begun.background,
        begun.peaks,
        begun.coarse,
        alignment,
        cell,
        fits,
        state.true_deg,
        lines,
        laid,
        tuple(dict.fromkeys((*begun.coarse.notes, *notes))),
    )
