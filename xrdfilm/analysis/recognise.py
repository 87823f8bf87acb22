"""Whose the peaks of a raw scan are: the coarse shift by all layers, or by those below the film."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.analysis.premises import Premises
from xrdfilm.analysis.prepared import Prepared, true_places
from xrdfilm.crystal import Phase, line_list
from xrdfilm.crystal.radiation import Radiation, two_theta_of
from xrdfilm.errors import AlignmentError
from xrdfilm.lattice.cells_by_peaks import scales_together
from xrdfilm.lattice.identify import (
    CoarseShift,
    ExpectedLines,
    Peaks,
    coarse_shift,
    scale_under,
)
from xrdfilm.lattice.shift_search import TOLERANCE_DEG

BUFFER_FREEDOM = 0.009  # of a grown layer's cell, by strain and oxygen (common practice, no source)


def named_peaks(peaks: Peaks, prepared: Prepared) -> CoarseShift:
    """The coarse shift by all layers; buffers or a poor film that do not show are done without.

    Buffers may be off their stated cells or too thin to show; film and substrate will then do, if
    both show their strongest lines. Before growth a film need not show at all: there a single line
    of the layers below will do, where none but the fluoride's is stronger. Raises AlignmentError,
    with what all layers together say, where that fails too.
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
        by_crystals = _without_sure_buffers(peaks, prepared)
        if by_crystals is not None:
            return by_crystals
        try:
            found = coarse_shift(peaks, below, radiation.k_alpha1_A, stated_anode=radiation.anode)
        except AlignmentError:
            raise problem from None
        sure = found.quality >= 0.7 or _each_shows_its_strongest(found, below, peaks, radiation)
        alone = prepared.premises.unconverted and _stands_alone(found, peaks, prepared.premises)
        if not alone and (len(found.matches) < 2 or not sure):
            raise
        note = f"hardly any (00l) order of {film} was found; the axis rests on the layers below it"
        own = next((lines for lines in prepared.expected if lines.name == film), None)
        scale = None if own is None else scale_under(found, peaks, own, radiation)
        notes = found.notes if scale is not None else (*found.notes, note)
        return replace(found, cell_scale={**found.cell_scale, film: scale or 1.0}, notes=notes)


def _without_sure_buffers(peaks: Peaks, prepared: Prepared) -> CoarseShift | None:
    """The shift with the buffers' cells free, or by film and substrate alone; None by neither."""
    radiation = prepared.premises.optics.radiation
    buffers = _of_buffers_alone(prepared.premises)
    others = [lines for lines in prepared.expected if lines.name not in buffers]
    if not buffers or len(others) < 2:
        return None
    freed = [
        replace(lines, cell_freedom=BUFFER_FREEDOM) if lines.name in buffers else lines
        for lines in prepared.expected
    ]
    for layers in (freed, others):
        try:
            found = coarse_shift(peaks, layers, radiation.k_alpha1_A, stated_anode=radiation.anode)
        except AlignmentError:
            continue
        if _each_shows_its_strongest(found, others, peaks, radiation):
            of_film = list(found.of(prepared.premises.film.key))
            # c is three times a: every third order is also one of the a-axis grains
            own = any(match.hkl[2] % 3 for match in of_film)
            if own and len({match.peak for match in of_film}) >= 3:
                return found
    return None


def _of_buffers_alone(premises: Premises) -> set[str]:
    """Phases of buffers, but for those of the film or the crystal, which anchor the axis."""
    stack = premises.stack
    crystals = {layer.phase.key for layer in (stack.film, stack.substrate) if layer is not None}
    return {layer.phase.key for layer in stack.buffers} - crystals


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


def _stands_alone(found: CoarseShift, peaks: Peaks, premises: Premises) -> bool:
    """Whether a named peak is the strongest but for those that fluoride of any cell may show."""
    phase, rays = premises.fluoride, premises.optics.radiation
    listed = line_list(phase, rays, two_theta_max_deg=min(peaks.high_deg + 1.0, 179.0))
    # a fluoride may be smaller by a twentieth than BaF2 (yttrium taken up), and its axis is off
    nearest = listed.two_theta_deg - 0.5
    farthest = two_theta_of(0.95 * listed.d_A, rays.k_alpha1_A) + 0.5
    at = peaks.places_deg[:, None]
    of_fluoride = np.any((at > nearest) & (at < farthest), axis=1)
    named = {match.peak for match in found.matches}
    others = [i for i in np.flatnonzero(~of_fluoride) if i not in named]
    if not named:
        return False
    top = max(float(peaks.heights[i]) for i in named)
    return all(float(peaks.heights[i]) < top for i in others)


def scaled_film(premises: Premises, scale: Mapping[str, float]) -> Phase:
    """The film on the cell that the coarse shift suggests; of a powder every edge goes along."""
    film = premises.film
    factor = scale.get(film.key, 1.0)
    if premises.powder:
        cell = film.cell
        return film.with_cell(a_A=cell.a_A * factor, b_A=cell.b_A * factor, c_A=cell.c_A * factor)
    return film.with_cell(c_A=film.cell.c_A * factor)


def cells_by_peaks(
    places: Callable[[FloatArray], FloatArray],
    peaks: Peaks,
    prepared: Prepared,
    film: Phase,
    known: Mapping[str, float] | None = None,
    *,
    tolerance_deg: float = TOLERANCE_DEG,
) -> dict[str, float]:
    """The cell of each buffer, found over stated, that the peaks suggest.

    ``places`` turns true angles into those as measured, same shape; ``film`` is on its cell.
    Buffers of nearly one spacing, whose lines may fall on one peak, are looked at together; where
    all of them are ``known``, these cells stand. Lines are sought within ``tolerance_deg`` of
    peaks; those that the film's c- or a-axis grains or the substrate may own are left alone.
    """
    rays = prepared.premises.optics.radiation
    own = _of_buffers_alone(prepared.premises)
    # a phase that is there twice is looked for once: its layers' lines fall together
    left = list({lines.name: lines for lines in prepared.expected if lines.name in own}.values())
    taken = [
        i
        for i, line in enumerate(prepared.layout.lines)
        if line.role == "substrate" or line.component in ("c_axis", "a_axis")
    ]
    scales = dict(known or {})
    taken_deg: FloatArray | None = None
    while left:
        first = left[0]
        alike = [
            lines
            for lines in left
            if np.min(np.abs(lines.d_A[:, None] / first.d_A[None, :] - 1.0)) < BUFFER_FREEDOM
        ]
        left = [lines for lines in left if lines not in alike]
        if all(lines.name in scales for lines in alike):
            continue
        if taken_deg is None:
            taken_deg = places(true_places(prepared, film)[taken])
        cells = scales_together(
            places, peaks, alike, rays.k_alpha1_A, BUFFER_FREEDOM, taken_deg,
            tolerance_deg=tolerance_deg,
        )  # fmt: skip
        scales |= {lines.name: cell for lines, cell in zip(alike, cells, strict=True)}
    return scales
