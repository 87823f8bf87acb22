"""What else a film's coupled scan tells: buffers, oxygen, size and strain, fringes."""

from __future__ import annotations

from xrdfilm.analysis.coupled import CoupledFit
from xrdfilm.analysis.side_scans import SideResults, measured_mosaic
from xrdfilm.errors import CannotTellError, XrdfilmError
from xrdfilm.lattice.breadth import LORENTZ_FRACTION_SIGMA, SampleBreadth, sample_breadth
from xrdfilm.lattice.fringes import Fringes, find_fringes
from xrdfilm.lattice.oxygen import OxygenHint, oxygen_hint
from xrdfilm.lattice.size_strain import WilliamsonHall, williamson_hall
from xrdfilm.texture.buffers import BufferOrientation, buffer_orientation

YTTRIUM_FILMS = ("YBCO", "YBCO6")
FRINGES_BELOW_NM = 300.0  # thicker films show no fringes on a divergent-beam instrument


def buffers_of(
    coupled: CoupledFit, side: SideResults, why_not: dict[str, str]
) -> tuple[BufferOrientation, ...]:
    """The (00l) and (111) parts of each buffer whose lines of both kinds were measured."""
    premises = coupled.premises
    found = []
    for index, layer in enumerate(premises.stack.buffers, start=1):
        measured = measured_mosaic(side, layer.phase.key, premises)
        try:
            found.append(
                buffer_orientation(
                    coupled.usable(layer.phase.key),
                    premises.optics,
                    premises.stack,
                    index,
                    mosaics=None if measured is None else {"aligned_00l": measured},
                )
            )
        except XrdfilmError as problem:
            why_not.setdefault("buffer_111_fraction", str(problem))
    return tuple(found)


def oxygen_of(coupled: CoupledFit, why_not: dict[str, str]) -> OxygenHint | None:
    """The oxygen hint of c, or None with the reason in ``why_not``."""
    if coupled.premises.powder:
        return None
    if coupled.cell is None or coupled.cell.c_A is None:
        reason = "no (00l) line of the film stands out enough"
        why_not["c_A"] = why_not["oxygen"] = reason
        return None
    offset = 0.0 if coupled.premises.film.key in YTTRIUM_FILMS else None
    try:
        return oxygen_hint(coupled.cell.c_A, rare_earth_c_offset_A=offset)
    except CannotTellError as problem:
        why_not["oxygen"] = str(problem)
        return None


def breadth_of(coupled: CoupledFit, why_not: dict[str, str]) -> WilliamsonHall | None:
    """Size and strain from the film's own lines, where a standard showed the instrument's."""
    premises = coupled.premises
    if premises.instrument is None:
        reason = "no standard's scan, so the instrument's own line widths are not known"
        why_not["crystallite_size_nm"] = why_not["microstrain"] = reason
        return None
    breadths: list[SampleBreadth] = []
    for line, laid in zip(coupled.lines, coupled.laid, strict=True):
        own = laid.role == "film" and laid.certain and laid.ghost is None
        own &= not premises.adjustments.excludes(laid.members)
        if not own or len(line.members) > 1 or line.significance < 30.0:
            continue
        if {"at_bound", "misfit", "held_width"} & set(line.flags) or line.fwhm_sigma_deg <= 0.0:
            continue
        breadths.append(
            sample_breadth(
                line.two_theta_deg,
                line.fwhm_deg,
                line.fwhm_sigma_deg,
                line.lorentz_fraction,
                premises.instrument.curve,
                lorentz_fraction_sigma=LORENTZ_FRACTION_SIGMA
                if "held_mixing" in line.flags
                else None,
            )
        )
    thickness = None if premises.powder else premises.stack.film.thickness_nm
    try:
        return williamson_hall(
            breadths, premises.optics.radiation.k_alpha1_A, thickness_nm=thickness
        )
    except CannotTellError as problem:
        why_not["crystallite_size_nm"] = why_not["microstrain"] = str(problem)
        return None


def fringes_of(coupled: CoupledFit) -> Fringes | None:
    """Fringes beside the strongest line of a thin film."""
    premises = coupled.premises
    thickness = premises.stack.film.thickness_nm
    if premises.powder or thickness is None or thickness > FRINGES_BELOW_NM:
        return None
    own = [
        line
        for line, laid in zip(coupled.lines, coupled.laid, strict=True)
        if laid.role == "film" and laid.certain and laid.ghost is None and line.significance > 50.0
    ]
    if not own:
        return None
    top = max(own, key=lambda line: line.area_counts_deg)
    return find_fringes(
        coupled.scan, top.two_theta_deg, top.fwhm_deg, premises.optics.radiation.k_alpha1_A
    )
