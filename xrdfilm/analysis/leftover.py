"""Unexplained lines of a film: what no layer, ghost, fringe, fluoride or product explains.

`xrdfilm.linemap.unexplained` finds lines that the fits leave over; here what is known of the whole
film takes away those that are no news.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.analysis.coupled import CoupledFit
from xrdfilm.crystal import line_list
from xrdfilm.fluoride.estimate import FluorideEstimate
from xrdfilm.fluoride.products import ProductFinding
from xrdfilm.lattice.fringes import Fringes
from xrdfilm.linemap.expected import HALF_WAVELENGTH
from xrdfilm.linemap.ghosts import ghost_heights
from xrdfilm.linemap.unexplained import UnexplainedLine, find_unexplained

CANDIDATE_PHASES = (
    "YBCO", "BaF2", "CuO", "Cu2O", "Y2O3", "Y2BaCuO5", "BaCuO2", "Y2Cu2O5", "BaCO3", "BaCeO3",
    "NiO", "NiWO4", "YF3", "BaZrO3", "SrTiO3", "LaAlO3", "MgO", "CeO2", "La2Zr2O7", "Ni-5W",
)  # fmt: skip
"""Phases that an unexplained line is compared with."""

NEAR_DEG = 0.15  # an explained place takes away what is left over this near
OWN_DEG = 0.25  # so does a place of the film itself, whose a and b may be a little off
TAIL_DEG, TAIL_SHARE = 1.2, 0.3  # how far the tails of a strong fluoride line reach, and how high
BEND_DEG = 0.6  # what is wider and ran into a bound is a bend under the lines


def unexplained_lines(
    coupled: CoupledFit,
    fluoride: FluorideEstimate | None,
    products: Sequence[ProductFinding],
    fringes: Fringes | None,
) -> tuple[UnexplainedLine, ...]:
    """Lines that nothing known of the film explains, in ascending 2θ."""
    premises = coupled.premises
    rays = premises.optics.radiation
    references = [
        line_list(premises.phase(key), rays)
        for key in dict.fromkeys((premises.film.key, *CANDIDATE_PHASES))
    ]
    found = find_unexplained(
        coupled.scan, coupled.background, coupled.fits, rays, references, skip_ghosts=True
    )
    if not found:
        return ()
    places = _explained(coupled, fluoride, products)
    own = _own_places(coupled)
    kept = [
        line
        for line in found
        if not any(candidate.kind == "ghost" for candidate in line.candidates)
        and not premises.adjustments.hides(line.two_theta_deg)
        and not ("at_bound" in line.flags and line.fwhm_deg > BEND_DEG)
        and not np.any(np.abs(places - line.two_theta_deg) < max(NEAR_DEG, line.fwhm_deg))
        and not np.any(np.abs(own - line.two_theta_deg) < OWN_DEG)
        and not _in_a_tail(line, coupled, fluoride)
    ]
    if kept:  # a parent that was cut off, or that no line was fitted to, throws ghosts too
        at = np.array([line.two_theta_deg for line in kept])
        ghosts = ghost_heights(coupled.scan, at, rays)
        kept = [
            line
            for line, height in zip(kept, ghosts.tolist(), strict=True)
            if line.area_counts_deg / line.fwhm_deg > height
        ]
    if fringes is not None and kept:
        comb = fringes.modulation(np.array([line.two_theta_deg for line in kept])) > 0.2
        kept = [
            line
            for line, tooth in zip(kept, comb, strict=True)
            if not (tooth and fringes.low_deg <= line.two_theta_deg <= fringes.high_deg)
        ]
    return tuple(kept)


def fluoride_places(coupled: CoupledFit, fluoride: FluorideEstimate | None) -> FloatArray:
    """Aligned places of all lines of a fluoride that was detected."""
    if fluoride is None or not fluoride.detected:
        return np.empty(0)
    phase = coupled.premises.fluoride
    edge = None if fluoride.cell_A is None else fluoride.cell_A.centre
    if edge is not None:
        phase = phase.with_cell(a_A=edge)
    return line_list(phase, coupled.premises.optics.radiation).two_theta_deg


def _explained(
    coupled: CoupledFit, fluoride: FluorideEstimate | None, products: Sequence[ProductFinding]
) -> FloatArray:
    """Places, as measured, of the fluoride, of products, of ghosts that no measured line tells of,
    and of badly fitted lines: what such a line leaves over beside it is no line."""
    aligned = [fluoride_places(coupled, fluoride)]
    aligned += [
        np.array([line.two_theta_deg for line in product.lines])
        for product in products
        if product.detected
    ]
    # half the wavelength also reflects from orders whose own line lies beyond the scan
    aligned.append(
        np.array(
            [
                ghost.two_theta_deg
                for ghost in coupled.prepared.layout.ghosts
                if ghost.ghost == HALF_WAVELENGTH
            ]
        )
    )
    places = np.concatenate(aligned)
    rough = {"misfit", "blend", "held_place"}
    badly_fitted = [
        line.two_theta_deg
        for line in coupled.lines
        if rough & set(line.flags) and line.significance > 5.0
    ]
    return np.concatenate([places + coupled.alignment.shift(places), badly_fitted])


def _own_places(coupled: CoupledFit) -> FloatArray:
    """Places, as measured, of the film's lines along its c-, a- and b-normals that were not
    fitted because something else hides them."""
    layout, film = coupled.prepared.layout, coupled.premises.film
    hkl = [
        reflection.hkl
        for reflection, _ in layout.left_out
        if reflection.phase == film.key and sum(i != 0 for i in reflection.hkl) == 1
    ]
    if not hkl or coupled.premises.powder:
        return np.empty(0)
    table = line_list(film, coupled.premises.optics.radiation)
    at = np.array([float(table.two_theta_deg[table.index(h)]) for h in hkl])
    return np.asarray(at + coupled.alignment.shift(at))


def _in_a_tail(
    line: UnexplainedLine, coupled: CoupledFit, fluoride: FluorideEstimate | None
) -> bool:
    """Whether a line is what the tails of a far stronger fluoride line leave over."""
    if fluoride is None or not fluoride.detected:
        return False
    strong = [f for f in fluoride.lines if TAIL_SHARE * f.significance > line.significance]
    at = np.array([f.two_theta_deg for f in strong])
    return bool(np.any(np.abs(at + coupled.alignment.shift(at) - line.two_theta_deg) < TAIL_DEG))
