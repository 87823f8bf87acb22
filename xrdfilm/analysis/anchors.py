"""Alignment and cells of a coupled scan, from the fitted lines that can carry them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from xrdfilm.analysis.laid_lines import LaidLine
from xrdfilm.analysis.premises import Premises
from xrdfilm.analysis.prepared import decrement
from xrdfilm.crystal import Phase
from xrdfilm.crystal.radiation import d_of, two_theta_of
from xrdfilm.crystal.structure import crystal_system
from xrdfilm.errors import CannotTellError
from xrdfilm.lattice.alignment import Alignment, align, no_alignment, well_placed
from xrdfilm.lattice.cell import CellEstimate, System, refine_cell
from xrdfilm.lattice.places import refraction_shift
from xrdfilm.lines import MeasuredLine, MeasuredLines

# How far the cell of a layer may be from the stated one, relative (common practice, no source):
# a single crystal not at all, an alloy by its composition, a grown layer by strain and oxygen
CELL_SIGMA_CRYSTAL = 2e-5
CELL_SIGMA_RECALLED = 2e-4  # a crystal whose cell was not read in a public text
CELL_SIGMA_METAL = 1.2e-3
CELL_SIGMA_BUFFER = 3e-3
FARTHEST_BUFFER = 0.012  # relative: a line further off is another's
VAGUE_CELL = 2e-3  # relative: a line that tells less of its cell is not asked
ODD_SHAPE_SHARE = 0.25  # of its width: how far the place of a line of an odd shape may be off
PLAIN_SIGNIFICANCE = 20.0  # of a line whose place counts, whatever its shape
LEAST_SIGNIFICANCE = 8.0  # of a line that alignment or cell may rest on


def _placed(
    lines: MeasuredLines, laid: Sequence[LaidLine], roles: tuple[str, ...]
) -> list[tuple[MeasuredLine, LaidLine]]:
    """Lines of these roles whose fitted place can carry an alignment or a cell."""
    sound = well_placed(lines, least_significance=LEAST_SIGNIFICANCE)
    return [
        (line, what)
        for line, what, good in zip(lines, laid, sound.tolist(), strict=True)
        if good
        and what.role in roles
        and what.use == "measure"
        and what.ghost is None
        and len(what.members) == 1
    ]


def cells_of_buffers(
    lines: MeasuredLines, laid: Sequence[LaidLine], premises: Premises, alignment: Alignment
) -> dict[str, tuple[float, bool]]:
    """Cell of each buffer, found over stated, from its lines along the normal; and whether plainly.

    Plain is a line of its own of a sound shape. A blend of buffers tells of both where no such
    line does; so does a line of an odd shape, to a part of its width. Strained or alloyed buffers
    have their other lines, the (111) of stray grains above all, as far off.
    """
    if not alignment.from_lines:
        return {}
    wavelength = premises.optics.radiation.k_alpha1_A
    found: dict[tuple[bool, str], list[tuple[float, float]]] = {}
    for line, what in zip(lines, laid, strict=True):
        own = what.role == "buffer" and what.certain and what.ghost is None
        if not own or not _place_is_sound(line):
            continue
        if any(member.phase == premises.film.key for member in what.members):
            continue
        seen = alignment.correct(line.two_theta_deg)
        at = float(seen - refraction_shift(seen, decrement(what.reflection.phase, premises)))
        ratio = float(d_of(at, wavelength)) / _middle_A(what, premises)
        sigma_deg = line.two_theta_sigma_deg
        plain = width_is_sound(line) and len(what.members) == 1
        if not plain:
            sigma_deg = float(np.hypot(sigma_deg, ODD_SHAPE_SHARE * line.fwhm_deg))
        doubt = np.radians(sigma_deg) / (2.0 * np.tan(np.radians(at / 2.0)))
        if abs(ratio - 1.0) < FARTHEST_BUFFER and doubt < VAGUE_CELL:
            for phase in {member.phase for member in what.members}:
                found.setdefault((plain, phase), []).append((ratio, max(float(doubt), 1e-6)))
    cells: dict[str, tuple[float, bool]] = {}
    for (plain, phase), ratios in sorted(found.items()):  # plain lines come last and count
        weights = [1.0 / sigma**2 for _, sigma in ratios]
        cells[phase] = float(np.average([ratio for ratio, _ in ratios], weights=weights)), plain
    return cells


def _middle_A(what: LaidLine, premises: Premises) -> float:
    """Spacing of a line as stated; of a blend, the middle of its members'."""
    if len(what.members) == 1:
        return what.d_A
    phases = {layer.phase.key: layer.phase for layer in premises.stack.layers}
    return float(np.mean([phases[m.phase].cell.d_spacing([m.hkl])[0] for m in what.members]))


def spacings_found(
    lines: MeasuredLines, laid: Sequence[LaidLine], premises: Premises, alignment: Alignment
) -> dict[str, float]:
    """Spacings found over those of the layout: of layers below by their keys, and of single lines.

    Plain lines of film and substrate by their names: a and b of a film need not go along with c.
    What the alignment leaves over of a substrate's line goes for its ghosts too.
    """
    of_buffers = cells_of_buffers(lines, laid, premises, alignment)
    found = {key: cell for key, (cell, _) in of_buffers.items()}
    wavelength = premises.optics.radiation.k_alpha1_A
    for line, what in zip(lines, laid, strict=True):
        own = what.role != "buffer" and what.ghost is None and len(what.members) == 1
        if not own or not _place_is_sound(line) or line.significance < PLAIN_SIGNIFICANCE:
            continue
        at = float(alignment.correct(line.two_theta_deg))
        ratio = float(d_of(at, wavelength)) / what.d_A
        if abs(ratio - 1.0) < FARTHEST_BUFFER:
            found[str(line.reflection)] = ratio
            if what.role == "substrate":
                found.setdefault(what.reflection.phase, ratio)
    return found


def align_by_layers(
    lines: MeasuredLines, laid: Sequence[LaidLine], premises: Premises
) -> tuple[Alignment, tuple[str, ...]]:
    """Alignment from the substrate's and the buffers' own lines, else what is known beforehand."""
    chosen = [pair for pair in _placed(lines, laid, ("substrate", "buffer")) if pair[1].certain]
    known = no_alignment(premises.optics, premises.line_shift)
    if premises.instrument is not None:
        known = premises.instrument.prior
    if not chosen:
        return known, ()
    phases = sorted({what.reflection.phase for _, what in chosen})
    d_A = np.array([what.d_A for _, what in chosen])
    bragg = two_theta_of(d_A, premises.optics.radiation.k_alpha1_A)
    bent = np.array([decrement(what.reflection.phase, premises) for _, what in chosen])
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


def cell_of_film(
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
            decrement=decrement(premises.film.key, premises),
        )
    except CannotTellError as problem:
        return None, (str(problem),)
    return cell, cell.notes


def film_on_cell(premises: Premises, film: Phase, cell: CellEstimate) -> Phase:
    """A film's phase with the edges that were found."""
    edges = {
        f"{axis}_A": estimate.estimate
        for axis in "abc"
        if (estimate := getattr(cell, f"{axis}_A")) is not None and estimate.estimate is not None
    }
    return film.with_cell(**edges) if edges else film


def _place_is_sound(line: MeasuredLine) -> bool:
    """Whether a line's place is its own, if not to the last digit."""
    return (
        line.place == "free"
        and line.significance > LEAST_SIGNIFICANCE
        and not {"no_covariance", "cut_off", "held_place"} & set(line.flags)
    )


def width_is_sound(line: MeasuredLine) -> bool:
    """Whether a line's width is its own."""
    return (
        line.place == "free"
        and line.significance > LEAST_SIGNIFICANCE
        and not {"at_bound", "not_converged", "no_covariance", "cut_off"} & set(line.flags)
    )
