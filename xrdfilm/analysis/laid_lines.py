"""Lines of a stack that are to be fitted, and what each is good for.

From the line map: lines of the film that something leaves usable (hidden ones strong enough to
matter ride along), those of the layers along the normal, and what may stand in their windows:
fluoride and ghosts. Lines that no fit holds apart become one blend.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from xrdfilm.analysis.premises import Premises
from xrdfilm.crystal import Phase
from xrdfilm.crystal.radiation import two_theta_of
from xrdfilm.linemap.expected import ExpectedLine, Role
from xrdfilm.linemap.line_map import LineMap
from xrdfilm.lines import Reflection

BLEND_FWHM = 0.7  # nearer than this share of their width no fit holds two lines apart
PAD_DEG = 0.7  # free stretch beside the outermost line of a window, for the local background
WEAKEST_RANDOM = 0.02  # random grains show so many lines that the weak ones only cost
NUISANCE_LEAST = 1e-4  # of the film's strongest: hidden lines this strong are fitted along
Use = Literal["measure", "nuisance"]


@dataclass(frozen=True, slots=True)
class LaidLine:
    """A line to be fitted: its members (strongest first), spacing, and what it is good for.

    ``certain`` marks lines that the stack is sure to show; ``use`` "nuisance" a line that is
    fitted only so that its neighbours come out right. ``ghost`` names the contaminant of a ghost;
    ``wavelength_A`` is then the contaminant's.
    """

    members: tuple[Reflection, ...]
    role: Role
    component: str
    certain: bool
    d_A: float
    wavelength_A: float
    strength: float
    use: Use
    ghost: str | None = None
    note: str = ""

    @property
    def reflection(self) -> Reflection:
        """The strongest member."""
        return self.members[0]

    @property
    def place_deg(self) -> float:
        """Place for the stated cell, in degrees of 2θ."""
        return float(two_theta_of(np.array(self.d_A), self.wavelength_A))

    @property
    def rides_along(self) -> bool:
        """Whether the line is fitted only where a window is there anyway."""
        return self.ghost is not None or self.role == "fluoride"


def film_lines(
    mapped: LineMap, film: Phase, wavelength_A: float
) -> tuple[list[LaidLine], tuple[tuple[Reflection, str], ...]]:
    """Lines of the film, usable or hidden but strong enough to matter; and those left out, why."""
    lines: list[LaidLine] = []
    left_out: list[tuple[Reflection, str]] = []
    entries = mapped.of_phase(film.key)
    top = max((e.strength for e in entries if e.component == "random"), default=0.0)
    for entry in entries:
        if entry.component == "random" and entry.strength < WEAKEST_RANDOM * top:
            continue
        if not entry.usable:
            left_out.append((entry.reflection, entry.why))
            if entry.strength < NUISANCE_LEAST:
                continue
        lines.append(
            LaidLine(
                (entry.reflection,),
                "film",
                entry.component,
                entry.component == "c_axis",
                entry.d_A,
                wavelength_A,
                entry.strength,
                "measure" if entry.usable else "nuisance",
                note=entry.why,
            )
        )
    return lines, tuple(left_out)


def layer_lines(
    shown: tuple[ExpectedLine, ...], mapped: LineMap, film_top: float, wavelength_A: float
) -> list[LaidLine]:
    """Lines along the normal of buffers and substrate, and the buffers' (111) orders."""
    lines: list[LaidLine] = []
    for line in shown:
        if line.ghost is not None or line.role not in ("buffer", "substrate"):
            continue
        wanted = line.certain or (line.role == "buffer" and line.component == "aligned_111")
        if not wanted or line.strength < 1e-6 * film_top:
            continue
        if not line.certain:
            entry = mapped.find(line.reflection, line.component)
            if entry is None or not entry.usable:
                continue
        lines.append(
            LaidLine(
                (line.reflection,),
                line.role,
                line.component,
                line.certain,
                line.d_A,
                wavelength_A,
                line.strength / film_top,
                "measure",
            )
        )
    return lines


def blended(lines: list[LaidLine], fwhm_deg: float) -> list[LaidLine]:
    """Lines that no fit holds apart become one, at the place of the strongest."""
    merged: list[LaidLine] = []
    for line in sorted(lines, key=lambda item: -item.strength):
        place = line.place_deg
        near = (k for k, o in enumerate(merged) if abs(o.place_deg - place) < BLEND_FWHM * fwhm_deg)
        host = next(near, None)
        if host is None:
            merged.append(line)
            continue
        other = merged[host]
        members = other.members + tuple(m for m in line.members if m not in other.members)
        merged[host] = replace(other, members=members, strength=other.strength + line.strength)
    return merged


def fluoride_lines(
    shown: tuple[ExpectedLine, ...], lines: list[LaidLine], film_top: float, premises: Premises
) -> list[LaidLine]:
    """Fluoride lines within a window: fitted beside, so that a fluoride that shows spoils none.

    What fluoride there is is told by `xrdfilm.fluoride.estimate`, from all its lines and cells at
    once.
    """
    places = np.array([line.place_deg for line in lines])
    best: dict[Reflection, ExpectedLine] = {}
    for line in shown:
        if line.role != "fluoride" or line.ghost is not None:
            continue
        kept = best.get(line.reflection)
        if kept is None or line.strength > kept.strength:
            best[line.reflection] = line
    found = []
    for line in best.values():
        gap = np.abs(places - line.two_theta_deg)
        if gap.size == 0 or not premises.instrument_fwhm_deg < gap.min() < PAD_DEG + 0.2:
            continue
        if line.strength < NUISANCE_LEAST * film_top:
            continue
        found.append(
            LaidLine(
                (line.reflection,),
                "fluoride",
                line.component,
                False,
                line.d_A,
                premises.optics.radiation.k_alpha1_A,
                line.strength / film_top,
                "nuisance",
            )
        )
    return found


def ghost_lines(
    ghosts: tuple[ExpectedLine, ...], lines: list[LaidLine], film_top: float, premises: Premises
) -> list[LaidLine]:
    """Ghosts that stand within the window of a line, fitted beside it."""
    places = np.array([line.place_deg for line in lines])
    found: list[LaidLine] = []
    for ghost in ghosts:
        gap = np.abs(places - ghost.two_theta_deg)
        if gap.size == 0 or not premises.instrument_fwhm_deg < gap.min() < PAD_DEG + 0.2:
            continue
        if any(
            abs(f.place_deg - ghost.two_theta_deg) < premises.instrument_fwhm_deg for f in found
        ):
            continue
        d_as_alpha1 = premises.optics.radiation.k_alpha1_A / (
            2.0 * np.sin(np.radians(ghost.two_theta_deg / 2.0))
        )
        found.append(
            LaidLine(
                (ghost.reflection,),
                ghost.role,
                ghost.component,
                False,
                float(d_as_alpha1),
                premises.optics.radiation.k_alpha1_A,
                ghost.strength / film_top,
                "nuisance",
                ghost.ghost,
            )
        )
    return found
