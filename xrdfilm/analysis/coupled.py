"""The chain for coupled scans: peaks, shift, windows, fits, alignment and cell, for many at once.

    prepared = prepare(premises, axis_deg)          # once for a stack and an axis
    results = analyse_coupled(scans, prepared)      # one CoupledFit, or the reason, for each

Scans on one axis go through the fit together. Each is fitted twice: first with its lines where
the peaks suggest them, which gives alignment and cell; then with every line, strong or absent,
where alignment and cell put it, so that an absent line is measured at its own place. Which lines
hide which depends on the film's cell: each scan gets the layout of its own (`Prepared.on_cell`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.adjustments import FARTHEST_MOVE_DEG
from xrdfilm.analysis.film_cell import freedom_of_c, rounded_cell
from xrdfilm.analysis.held_apart import FittedLines
from xrdfilm.analysis.layout import LaidLine, Layout, lay_out
from xrdfilm.analysis.premises import Premises
from xrdfilm.crystal import Phase, line_list, lines_along
from xrdfilm.crystal.attenuation import refractive_decrement
from xrdfilm.crystal.radiation import Radiation, d_of, two_theta_of
from xrdfilm.crystal.structure import crystal_system
from xrdfilm.errors import AlignmentError, CannotTellError, ScanAxisError, XrdfilmError
from xrdfilm.fitting.background import WIDEST_LINE_DEG, Background, broad_background
from xrdfilm.fitting.engine import (
    BlockFits,
    FitSettings,
    WindowFits,
    WindowPlan,
    compile_plan,
    fit_block,
)
from xrdfilm.fitting.sparks import without_sparks
from xrdfilm.fluoride.model import FLUORIDE_LINES
from xrdfilm.intensity.model import growth_normal
from xrdfilm.lattice.alignment import Alignment, align, no_alignment, placed_lines
from xrdfilm.lattice.cell import CellEstimate, System, refine_cell
from xrdfilm.lattice.identify import (
    CoarseShift,
    ExpectedLines,
    Peaks,
    coarse_shift,
    find_peaks,
    scale_under,
)
from xrdfilm.lattice.places import refraction_shift
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection
from xrdfilm.scan import Scan

# How far the cell of a layer may be from the stated one, relative (common practice, no source):
# a single crystal not at all, an alloy by its composition, a grown layer by strain and oxygen
CELL_SIGMA_CRYSTAL = 2e-5
CELL_SIGMA_RECALLED = 2e-4  # a crystal whose cell was not read in a public text
CELL_SIGMA_METAL = 1.2e-3
CELL_SIGMA_BUFFER = 3e-3
FARTHEST_BUFFER = 0.012  # relative: a line further off is another's
POWDER_CELL_FREEDOM = 0.012
LEAST_SIGNIFICANCE = 8.0  # of a line that alignment or cell may rest on
MIXING_SHOWS = 30.0  # significance of a line that tells its Lorentz fraction to about a tenth
MIXING_KNOWN = 200.0  # stronger lines tell no more of what the next one's is
USUAL_MIXING = 0.5
MOST_CELLS, MOST_PLANS = 48, 32  # layouts and plans kept at a time
_PLAN_STEP_DEG = 0.2  # lines may stand half this far from where a plan has them; pads are wider


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """What all scans of a stack on one axis share.

    ``others`` are the same for the film on other cells than the stated one.
    """

    premises: Premises
    axis_deg: FloatArray
    layout: Layout
    expected: tuple[ExpectedLines, ...]
    products: tuple[Phase, ...] = ()
    plans: dict[bytes, WindowPlan] = field(default_factory=dict, repr=False)
    others: dict[Phase, Prepared] = field(default_factory=dict, repr=False)

    def on_cell(self, c_A: float, a_A: float | None = None, b_A: float | None = None) -> Prepared:
        """The same for a film of this c, rounded; kept. Edges not given go along with c."""
        if self.premises.powder:
            return self
        film = rounded_cell(self.premises.film, c_A, a_A, b_A)
        if film == self.premises.film:
            return self
        if film not in self.others:
            make_room(self.others, MOST_CELLS)
            premises = self.premises.on_film(film)
            layout = _laid_out(premises, self.axis_deg, self.products)
            self.others[film] = replace(self, premises=premises, layout=layout, plans={}, others={})
        return self.others[film]

    def plan(self, places_deg: FloatArray, fwhm_deg: FloatArray) -> WindowPlan:
        """Windows compiled near these places, (n,); kept, so that like scans share a plan."""
        shift = np.round((places_deg - self.layout.true_deg) / _PLAN_STEP_DEG).astype(np.int16)
        key = shift.tobytes()
        if key not in self.plans:
            make_room(self.plans, MOST_PLANS)
            near = self.layout.true_deg + shift * _PLAN_STEP_DEG
            specs = self.layout.specs(near, fwhm_deg)
            self.plans[key] = compile_plan(self.axis_deg, specs, self.premises.optics.radiation)
        return self.plans[key]


def make_room(kept: dict[Any, Any], most: int) -> None:
    """Let the oldest of what is kept go, so that one more makes ``most``: runs may be long."""
    while len(kept) >= most:
        del kept[next(iter(kept))]


@dataclass(frozen=True, slots=True, eq=False)
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

    @property
    def premises(self) -> Premises:
        """The premises the fit rests on."""
        return self.prepared.premises

    def aligned_scan(self) -> Scan:
        """The scan with its axis corrected for zero and displacement, without excluded points."""
        scan = self.scan
        keep = self.premises.adjustments.kept_points(scan.axis_deg)
        axis = self.alignment.correct(scan.axis_deg)
        if keep.all():
            return replace(scan, axis_deg=axis)
        sigma = None if scan.sigma is None else scan.sigma[keep]
        return replace(scan, axis_deg=axis[keep], counts=scan.counts[keep], sigma=sigma)

    def usable(self, phase: str) -> MeasuredLines:
        """Fitted lines of a phase that figures may rest on; the others are left out and named."""
        return FittedLines(self.lines, self.laid).usable(phase)


def prepare(premises: Premises, axis_deg: FloatArray, products: tuple[Phase, ...] = ()) -> Prepared:
    """Lay out the windows of a stack for scans on this axis, ascending, (N,)."""
    layout = _laid_out(premises, axis_deg, products)
    return Prepared(premises, axis_deg, layout, _expected(premises, float(axis_deg[-1])), products)


def _laid_out(premises: Premises, axis_deg: FloatArray, products: tuple[Phase, ...]) -> Layout:
    low, high = float(axis_deg[0]), float(axis_deg[-1])
    layout = lay_out(premises, low, high, products=products)
    if not layout.lines:
        raise AlignmentError(
            f"the stated layers have no line between {low:.1f}° and {high:.1f}°; scan a range "
            "that holds a line of film or substrate"
        )
    return layout


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
    scan = without_sparks(scan, _sure_places(prepared), premises.instrument_fwhm_deg)
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
        coarse = _named_peaks(peaks, prepared)
    except XrdfilmError as problem:
        return problem
    film = _scaled_film(premises, coarse.cell_scale)
    prepared = prepared.on_cell(film.cell.c_A)
    if not premises.powder:
        film = prepared.premises.film.with_cell(c_A=film.cell.c_A)
    true = _true_places(prepared, film)
    places = _moved(prepared, coarse.places(true))
    return _Begun(scan, prepared, background, peaks, coarse, places, _usual_widths(prepared, true))


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


def _sure_places(prepared: Prepared) -> FloatArray:
    """Places of the lines that a scan of the stack is sure to show, (n,)."""
    sure = np.array([line.certain and line.ghost is None for line in prepared.layout.lines], bool)
    return np.asarray(prepared.layout.true_deg[sure])


def _named_peaks(peaks: Peaks, prepared: Prepared) -> CoarseShift:
    """The coarse shift by all layers; a film poor in c-axis grains is done without.

    Raises AlignmentError, with what all layers together say, where that fails too.
    """
    radiation = prepared.premises.optics.radiation
    film = prepared.premises.film.key
    try:
        return coarse_shift(
            peaks, prepared.expected, radiation.k_alpha1_A, stated_anode=radiation.anode
        )
    except AlignmentError as problem:
        below = [lines for lines in prepared.expected if lines.name != film]
        if prepared.premises.powder or not below:
            raise
        try:
            found = coarse_shift(peaks, below, radiation.k_alpha1_A, stated_anode=radiation.anode)
        except AlignmentError:
            raise problem from None
        sure = found.quality >= 0.7 or _each_shows_its_strongest(found, below, peaks, radiation)
        if len(found.matches) < 2 or not sure:
            raise
        note = f"hardly any (00l) order of {film} was found; the axis rests on the layers below it"
        own = next((lines for lines in prepared.expected if lines.name == film), None)
        scale = None if own is None else scale_under(found, peaks, own, radiation)
        notes = found.notes if scale is not None else (*found.notes, note)
        return replace(found, cell_scale={**found.cell_scale, film: scale or 1.0}, notes=notes)


def _each_shows_its_strongest(
    found: CoarseShift, layers: Sequence[ExpectedLines], peaks: Peaks, radiation: Radiation
) -> bool:
    """Whether the strongest line of every layer lies on a peak, the scan's strongest among them.

    The measure of quality does not see this where lines of two buffers fall on one peak.
    """
    named: set[int] = set()
    for lines in layers:
        places = lines.two_theta_deg(radiation.k_alpha1_A)
        within = (places > peaks.low_deg + 0.2) & (places < peaks.high_deg - 0.2)
        if not within.any():
            continue
        strongest = tuple(lines.hkl[int(np.argmax(np.where(within, lines.strength, -1.0)))])
        own = {match.hkl: match.peak for match in found.of(lines.name)}
        if strongest not in own:
            return False
        named |= set(own.values())
    return len(named) >= 2 and int(np.argmax(peaks.heights)) in named


def _expected(premises: Premises, high_deg: float) -> tuple[ExpectedLines, ...]:
    """Strong lines by which a raw scan is recognised."""
    radiation = premises.optics.radiation
    stack = premises.stack
    if premises.powder:
        table = line_list(premises.film, radiation, two_theta_max_deg=min(high_deg, 178.0))
        return (ExpectedLines.of(table, cell_freedom=POWDER_CELL_FREEDOM, least=0.01),)
    found = []
    for layer in reversed(stack.layers):
        is_film = layer is stack.film
        lines = lines_along(
            layer.phase,
            growth_normal(layer.phase),
            radiation,
            two_theta_max_deg=min(high_deg, 178.0),
        )
        if lines.two_theta_deg.size == 0:
            continue
        shrinkage, freedom = freedom_of_c(layer.phase) if is_film else (0.0, 0.0)
        found.append(
            ExpectedLines.of(lines, aligned=True, cell_freedom=freedom, cell_shrinkage=shrinkage)
        )
    return tuple(found)


def _widening(true_deg: FloatArray) -> FloatArray:
    """Rough growth of line widths with angle, 1 at 40°: size broadening goes as 1/cosθ."""
    return np.asarray(np.cos(np.radians(20.0)) / np.cos(np.radians(true_deg / 2.0)))


def _scaled_film(premises: Premises, scale: Mapping[str, float]) -> Phase:
    film = premises.film
    factor = scale.get(film.key, 1.0)
    if premises.powder:
        cell = film.cell
        return film.with_cell(a_A=cell.a_A * factor, b_A=cell.b_A * factor, c_A=cell.c_A * factor)
    return film.with_cell(c_A=film.cell.c_A * factor)


def _usual_widths(prepared: Prepared, true_deg: FloatArray) -> FloatArray:
    """Widths (n,) to begin with: the instrument's."""
    return prepared.premises.instrument_fwhm_deg * _widening(true_deg)


def _true_places(
    prepared: Prepared, film: Phase, scale: Mapping[str, float] | None = None
) -> FloatArray:
    """Aligned places of the layout's lines on the film's cell, refraction included, (n,).

    ``scale`` of a layer below is its cell found over the stated one.
    """
    layout = prepared.layout
    key = prepared.premises.film.key
    wavelength = prepared.premises.optics.radiation.k_alpha1_A
    d_A = np.array([line.d_A for line in layout.lines])
    own = [
        i
        for i, line in enumerate(layout.lines)
        if line.reflection.phase == key and line.ghost is None
    ]
    if own:
        hkl = np.array([layout.lines[i].reflection.hkl for i in own])
        d_A[own] = film.cell.d_spacing(hkl)
    for i, line in enumerate(layout.lines):
        if line.ghost is not None and line.reflection.phase == key:
            d_A[i] *= film.cell.c_A / prepared.premises.film.cell.c_A
    if scale:
        d_A *= [scale.get(line.reflection.phase, 1.0) for line in layout.lines]
    bragg = two_theta_of(d_A, wavelength)
    bent = [
        0.0 if line.ghost else _decrement(line.reflection.phase, prepared.premises)
        for line in layout.lines
    ]
    return np.asarray(bragg + refraction_shift(bragg, np.array(bent)))


def _fit(
    items: Sequence[tuple[Scan, Prepared]],
    places: Sequence[FloatArray],
    fwhm: Sequence[FloatArray],
    mixing: Sequence[FloatArray],
    settings: FitSettings | None,
) -> list[WindowFits]:
    """Fit scans in blocks that share a plan."""
    groups: dict[tuple[int, bool, bool, float | None], list[int]] = {}
    plans: list[WindowPlan] = []
    for i, ((scan, prepared), at) in enumerate(zip(items, places, strict=True)):
        plan = prepared.plan(at, np.full(at.size, prepared.premises.instrument_fwhm_deg))
        plans.append(plan)
        key = (id(plan), scan.sigma is not None, scan.poisson, saturation_level(scan))
        groups.setdefault(key, []).append(i)
    found: list[WindowFits | None] = [None] * len(items)
    for (_, has_sigma, poisson, ceiling), members in groups.items():
        order = list(items[members[0]][1].layout.order)
        set_ = settings or FitSettings()
        if ceiling is not None:
            set_ = replace(set_, saturation_counts=ceiling)
        block: BlockFits = fit_block(
            plans[members[0]],
            np.stack([items[i][0].counts for i in members]),
            sigma=np.stack([items[i][0].uncertainty() for i in members]) if has_sigma else None,
            poisson=poisson,
            places=np.stack([places[i][order] for i in members]),
            fwhm=np.stack([fwhm[i][order] for i in members]),
            mixing=np.stack([mixing[i][order] for i in members]),
            settings=set_,
        )
        for row, i in enumerate(members):
            found[i] = block.scan(row)
    return [fits for fits in found if fits is not None]


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
    alignment, notes = _align(lines, laid, premises)
    cell, cell_notes = _film_cell(lines, laid, premises, alignment)
    film = _scaled_film(base.premises, begun.coarse.cell_scale)
    if not premises.powder:
        film = premises.film.with_cell(c_A=film.cell.c_A)
    if cell is not None:
        alignment = cell.alignment
        a_A, b_A, c_A = (None if e is None else e.estimate for e in (cell.a_A, cell.b_A, cell.c_A))
        if c_A is not None:
            prepared = base.on_cell(c_A, a_A, b_A)
        film = _film_on_cell(prepared.premises, prepared.premises.film, cell)
    true = _true_places(prepared, film, _buffer_scales(lines, laid, premises, alignment))
    fwhm = _width_curve(lines, laid, prepared.layout, true)
    fwhm = np.where(np.isfinite(fwhm), fwhm, _usual_widths(prepared, true))
    places = _moved(prepared, true + alignment.shift(true))
    mixing = _mixing(lines, laid, prepared.layout)
    notes = (*notes, *cell_notes)
    return _Settled(begun, prepared, alignment, cell, true, places, fwhm, mixing, notes)


def _moved(prepared: Prepared, places: FloatArray) -> FloatArray:
    """Measured places (n,) with the lines that the user moved where the user wants them."""
    adjustments = prepared.premises.adjustments
    if not adjustments.moved:
        return places
    moved = places.copy()
    for i, line in enumerate(prepared.layout.lines):
        wanted = adjustments.place_of(line.members) if line.ghost is None else None
        if wanted is not None and abs(wanted - places[i]) <= FARTHEST_MOVE_DEG:
            moved[i] = wanted
    return moved


def _adjustment_notes(prepared: Prepared, places: FloatArray) -> tuple[str, ...]:
    """What of the user's adjustments could not be done."""
    adjustments = prepared.premises.adjustments
    if not adjustments:
        return ()
    lines = prepared.layout.lines
    shown = {m for line in lines if line.ghost is None for m in line.members}
    shown |= {member for member, _ in prepared.layout.left_out}
    fluoride = prepared.premises.fluoride.key
    shown |= {Reflection(fluoride, hkl) for hkl in FLUORIDE_LINES}
    far = [
        f"[adjust] moves {line.reflection} to {wanted:g}°, more than {FARTHEST_MOVE_DEG:g}° from "
        f"its place at {place:.2f}°; it was not moved"
        for line, place in zip(lines, places, strict=True)
        if line.ghost is None
        and (wanted := adjustments.place_of(line.members)) is not None
        and abs(wanted - place) > FARTHEST_MOVE_DEG
    ]
    return (*adjustments.unknown(shown), *far)


def _laid_of(fits: WindowFits, prepared: Prepared) -> tuple[LaidLine, ...]:
    order = np.array(prepared.layout.order)
    fitted = np.flatnonzero(fits.block.plan.fitted)
    return tuple(prepared.layout.lines[i] for i in order[fitted])


def _good(line: MeasuredLine) -> bool:
    """Whether a line's width is its own."""
    return (
        line.place == "free"
        and line.significance > LEAST_SIGNIFICANCE
        and not {"at_bound", "not_converged", "no_covariance", "cut_off"} & set(line.flags)
    )


def _placed(
    lines: MeasuredLines, laid: Sequence[LaidLine], roles: tuple[str, ...]
) -> list[tuple[MeasuredLine, LaidLine]]:
    """Lines of these roles whose fitted place can carry an alignment or a cell."""
    sound = {id(line) for line in placed_lines(lines, least_significance=LEAST_SIGNIFICANCE)[0]}
    return [
        (line, what)
        for line, what in zip(lines, laid, strict=True)
        if id(line) in sound
        and what.role in roles
        and what.use == "measure"
        and what.ghost is None
        and len(what.members) == 1
    ]


def _buffer_scales(
    lines: MeasuredLines, laid: Sequence[LaidLine], premises: Premises, alignment: Alignment
) -> dict[str, float]:
    """Cell of each buffer, found over stated, from its lines along the normal.

    A blend of buffers tells of both where no line of its own does. Strained or alloyed buffers
    have their other lines, the (111) of stray grains above all, as far off.
    """
    if not alignment.from_lines:
        return {}
    wavelength = premises.optics.radiation.k_alpha1_A
    found: dict[tuple[bool, str], list[tuple[float, float]]] = {}
    for line, what in zip(lines, laid, strict=True):
        if what.role != "buffer" or not what.certain or what.ghost is not None or not _good(line):
            continue
        seen = alignment.correct(line.two_theta_deg)
        at = float(seen - refraction_shift(seen, _decrement(what.reflection.phase, premises)))
        ratio = float(d_of(at, wavelength)) / what.d_A
        doubt = np.radians(line.two_theta_sigma_deg) / (2.0 * np.tan(np.radians(at / 2.0)))
        if abs(ratio - 1.0) < FARTHEST_BUFFER:
            for phase in {member.phase for member in what.members}:
                alone = len(what.members) == 1
                found.setdefault((alone, phase), []).append((ratio, max(float(doubt), 1e-6)))
    scales: dict[str, float] = {}
    for (_, phase), ratios in sorted(found.items()):  # lines of its own come last and count
        weights = [1.0 / sigma**2 for _, sigma in ratios]
        scales[phase] = float(np.average([ratio for ratio, _ in ratios], weights=weights))
    return scales


def _align(
    lines: MeasuredLines, laid: Sequence[LaidLine], premises: Premises
) -> tuple[Alignment, tuple[str, ...]]:
    """Alignment from the substrate's and the buffers' own lines, else what is known beforehand."""
    chosen = [pair for pair in _placed(lines, laid, ("substrate", "buffer")) if pair[1].certain]
    known = None if premises.instrument is None else premises.instrument.prior
    if not chosen:
        return known or no_alignment(premises.optics), ()
    phases = sorted({what.reflection.phase for _, what in chosen})
    d_A = np.array([what.d_A for _, what in chosen])
    bragg = two_theta_of(d_A, premises.optics.radiation.k_alpha1_A)
    bent = np.array([_decrement(what.reflection.phase, premises) for _, what in chosen])
    alignment = align(
        [line.two_theta_deg for line, _ in chosen],
        [line.two_theta_sigma_deg for line, _ in chosen],
        bragg + refraction_shift(bragg, bent),
        premises.optics,
        labels=[str(line.reflection) for line, _ in chosen],
        cell_sigma=np.array([_cell_sigma(what, premises) for _, what in chosen]),
        cell_group=[phases.index(what.reflection.phase) for _, what in chosen],
        prior=known,
    )
    return alignment, alignment.notes


def _cell_sigma(what: LaidLine, premises: Premises) -> float:
    if what.role == "buffer":
        return CELL_SIGMA_BUFFER
    phase = premises.phase(what.reflection.phase)
    if phase.is_metal:
        return CELL_SIGMA_METAL
    return CELL_SIGMA_CRYSTAL if phase.cell_verified else CELL_SIGMA_RECALLED


def _decrement(key: str, premises: Premises) -> float:
    """Refractive decrement of a flat layer; rough powders show none of it."""
    if premises.powder:
        return 0.0
    return refractive_decrement(premises.phase(key), premises.optics.radiation.mean_A)


def _film_cell(
    lines: MeasuredLines, laid: Sequence[LaidLine], premises: Premises, alignment: Alignment
) -> tuple[CellEstimate | None, tuple[str, ...]]:
    """The film's cell from its own lines, with the alignment that goes with it."""
    chosen = [
        line
        for line, what in _placed(lines, laid, ("film",))
        if premises.powder or what.component in ("c_axis", "a_axis")
    ]
    if not any(line.reflection.hkl[2] for line in chosen):
        return None, ("no (00l) line of the film stands out enough for its cell",)
    system: System = crystal_system(premises.film) if premises.powder else "orthorhombic"
    try:
        cell = refine_cell(
            [line.reflection.hkl for line in chosen],
            [line.two_theta_deg for line in chosen],
            [line.two_theta_sigma_deg for line in chosen],
            premises.optics,
            system=system,
            alignment=alignment,
            decrement=_decrement(premises.film.key, premises),
        )
    except CannotTellError as problem:
        return None, (str(problem),)
    return cell, cell.notes


def _film_on_cell(premises: Premises, film: Phase, cell: CellEstimate) -> Phase:
    edges = {
        f"{axis}_A": estimate.estimate
        for axis in "abc"
        if (estimate := getattr(cell, f"{axis}_A")) is not None and estimate.estimate is not None
    }
    return film.with_cell(**edges) if edges else film


def _width_curve(
    lines: MeasuredLines, laid: Sequence[LaidLine], layout: Layout, true_deg: FloatArray
) -> FloatArray:
    """Expected FWHM of every line of the layout, (n,), each from the good lines of its phase.

    A straight line in 1/cosθ where a phase has three or more, else its mean width times 1/cosθ
    (as size broadening goes); a phase without any takes the film's.
    """
    film = _film_key(layout)
    of_phase: dict[str, list[MeasuredLine]] = {}
    for line, what in zip(lines, laid, strict=True):
        if (
            what.ghost is None
            and len(what.members) == 1
            and _good(line)
            and line.fwhm_sigma_deg > 0
        ):
            of_phase.setdefault(what.reflection.phase, []).append(line)
    secant = 1.0 / np.cos(np.radians(true_deg / 2.0))
    curves = {phase: _curve(good, secant) for phase, good in of_phase.items()}
    if not curves:
        return np.full(true_deg.size, np.nan)
    fallback = curves.get(film, next(iter(curves.values())))
    rows = [curves.get(line.reflection.phase, fallback) for line in layout.lines]
    return np.array([row[i] for i, row in enumerate(rows)])


def _mixing(lines: MeasuredLines, laid: Sequence[LaidLine], layout: Layout) -> FloatArray:
    """Expected Lorentz fraction of every line, (n,): the mean of its phase's strong lines.

    A phase without any takes the film's, as size and strain broaden both; ghosts take no part.
    """
    of_phase: dict[str, list[MeasuredLine]] = {}
    for line, what in zip(lines, laid, strict=True):
        own = what.ghost is None and len(what.members) == 1 and _good(line)
        if (
            own
            and line.significance > MIXING_SHOWS
            and not {"held_mixing", "tangled"} & set(line.flags)
        ):
            of_phase.setdefault(what.reflection.phase, []).append(line)
    means = {
        phase: float(
            np.average(
                [line.lorentz_fraction for line in good],
                weights=[min(line.significance, MIXING_KNOWN) for line in good],
            )
        )
        for phase, good in of_phase.items()
    }
    usual = means.get(_film_key(layout), USUAL_MIXING)
    return np.array([means.get(line.reflection.phase, usual) for line in layout.lines])


def _film_key(layout: Layout) -> str:
    return next((w.reflection.phase for w in layout.lines if w.role == "film"), "")


def _curve(good: Sequence[MeasuredLine], secant: FloatArray) -> FloatArray:
    x = 1.0 / np.cos(np.radians([line.two_theta_deg / 2.0 for line in good]))
    y = np.array([line.fwhm_deg for line in good])
    weight = 1.0 / np.hypot([line.fwhm_sigma_deg for line in good], 0.05 * y)
    if len(good) < 3 or np.ptp(x) < 0.05:
        return np.asarray(float(np.average(y / x, weights=weight**2)) * secant)
    slope, intercept = np.polyfit(x, y, 1, w=weight)
    return np.asarray(np.clip(slope * secant + intercept, 0.5 * y.min(), 2.0 * y.max()))


def _finish(state: _Settled, fits: WindowFits) -> CoupledFit:
    prepared = state.prepared
    lines = fits.measured_lines()
    laid = _laid_of(fits, prepared)
    premises = prepared.premises
    alignment, cell = state.alignment, state.cell
    notes = state.notes
    again, _ = _align(lines, laid, premises)
    refined, refined_notes = _film_cell(lines, laid, premises, again)
    if refined is not None:
        alignment, cell, notes = refined.alignment, refined, refined_notes
    begun = state.begun
    notes += _adjustment_notes(prepared, state.true_deg + alignment.shift(state.true_deg))
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
