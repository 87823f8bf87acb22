"""What a line might be, by its lattice spacing: a line of a reference phase, or a ghost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import d_of, two_theta_of
from xrdfilm.lines import MeasuredLine, Reflection

if TYPE_CHECKING:
    from xrdfilm.crystal import LineList
    from xrdfilm.crystal.radiation import Radiation

CELL_DOUBT = 0.005  # relative change of lattice spacing by solid solution and strain
GHOST_PRIOR = 2.0  # the parent of a ghost is surely there, a phase nobody expected is not
PARENT_FROM = 20.0  # significance of a line whose ghosts are reckoned with


@dataclass(frozen=True, slots=True)
class Candidate:
    """What an unexplained line might be.

    ``off_deg`` is measured less expected place; ``score`` ranks (higher is better, no
    probability); ``support`` counts other unexplained lines that the same phase would explain.
    """

    name: str
    kind: Literal["phase", "ghost"]
    reflection: Reflection | None
    expected_deg: float
    off_deg: float
    score: float
    support: int = 0


def _doubt(line: MeasuredLine, place: FloatArray, place_doubt_deg: float) -> FloatArray:
    """Standard deviation allowed between measured and expected place, degrees."""
    cell = 2.0 * np.tan(np.radians(place / 2.0)) * CELL_DOUBT
    return np.sqrt(
        line.two_theta_sigma_deg**2 + place_doubt_deg**2 + np.square(np.degrees(cell) / 2.0)
    )


def phase_candidates(
    line: MeasuredLine, references: Sequence[LineList], place_doubt_deg: float
) -> list[Candidate]:
    """Best line of each reference phase that fits the place of a line."""
    out = []
    for listing in references:
        place = np.asarray(listing.two_theta_deg, dtype=float)
        if not place.size:
            continue
        off = line.two_theta_deg - place
        doubt = _doubt(line, place, place_doubt_deg)
        strength = np.asarray(listing.multiplicity * listing.f_squared, dtype=float)
        strength = strength / strength.max()
        closeness = np.exp(-0.5 * np.square(off / doubt))
        # An oriented film may show any line, so a weak one is only mildly less likely
        score = closeness * (0.3 + 0.7 * np.sqrt(strength))
        near = np.flatnonzero((np.abs(off) < 3.0 * doubt) & (strength > 1e-3))
        if not near.size:
            continue
        best = int(near[np.argmax(score[near])])
        h, k, l = (int(i) for i in listing.hkl[best])  # noqa: E741
        reflection = Reflection(listing.phase, (h, k, l))
        out.append(
            Candidate(
                str(reflection),
                "phase",
                reflection,
                float(place[best]),
                float(off[best]),
                float(score[best]),
            )
        )
    return out


@dataclass(frozen=True, slots=True)
class Ghost:
    """A line that a contaminant of the beam makes of a measured one."""

    name: str
    parent: MeasuredLine
    place_deg: float
    usual_share: float


def ghosts_of(strong: Sequence[MeasuredLine], radiation: Radiation) -> list[Ghost]:
    """Ghosts that clearly measured lines may throw."""
    from xrdfilm.linemap.expected import GHOST_SHARES, HALF_WAVELENGTH

    rays: dict[str, float] = {HALF_WAVELENGTH: radiation.k_alpha1_A / 2.0}
    if radiation.k_beta_A is not None:
        rays["K-beta"] = radiation.k_beta_A
    rays.update(zip(("W L-alpha1", "W L-alpha2"), radiation.tungsten_A, strict=False))
    parents = [line for line in strong if line.significance > PARENT_FROM]
    if not parents:
        return []
    spacing = d_of(np.array([line.two_theta_deg for line in parents]), radiation.k_alpha1_A)
    found = []
    for name, wavelength in rays.items():
        places = np.atleast_1d(two_theta_of(spacing, wavelength))
        found += [
            Ghost(name, parent, place, GHOST_SHARES[name])
            for parent, place in zip(parents, places.tolist(), strict=True)
            if np.isfinite(place)
        ]
    return found


def ghost_candidates(
    line: MeasuredLine, ghosts: Sequence[Ghost], place_doubt_deg: float
) -> list[Candidate]:
    """Ghosts that fit the place of a line, rated by place and strength."""
    out = []
    # A ghost shares its parent's cell and displacement: only the place itself is in doubt
    doubt = float(np.hypot(line.two_theta_sigma_deg, place_doubt_deg))
    for ghost in ghosts:
        off = line.two_theta_deg - ghost.place_deg
        share = line.area_counts_deg / ghost.parent.area_counts_deg
        if abs(off) > 3.0 * doubt or share > 1.0:
            continue
        # Filters differ: a ghost within a factor ten of the usual share is in order
        size = np.exp(-0.5 * np.log10(share / ghost.usual_share) ** 2)
        out.append(
            Candidate(
                f"{ghost.name} of {ghost.parent.reflection}",
                "ghost",
                ghost.parent.reflection,
                ghost.place_deg,
                off,
                float(GHOST_PRIOR * np.exp(-0.5 * (off / doubt) ** 2) * size),
            )
        )
    return out
