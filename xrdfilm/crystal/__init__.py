"""Phases, structure factors and line lists: the front door to the crystal modules.

    >>> from xrdfilm.crystal import load_phase, line_list
    >>> from xrdfilm.crystal.radiation import radiation
    >>> lines = line_list(load_phase("YBCO"), radiation("Cu"), two_theta_max_deg=60)

The structures themselves are the CIFs in ``reference_peaks``; a user's own CIF is read with
`phase_from_cif`.
"""

from __future__ import annotations

import difflib
from functools import cache, lru_cache
from pathlib import Path

from xrdfilm.crystal.phase_file import phase_from_cif
from xrdfilm.crystal.structure import Cell, CellLaw, Phase, Site, formula_amounts
from xrdfilm.crystal.structure_factor import (
    LineList,
    f_squared,
    families,
    family_members,
    line_list,
    lines_along,
    structure_factor,
)
from xrdfilm.errors import PhaseError

__all__ = [
    "Cell",
    "CellLaw",
    "LineList",
    "Phase",
    "Site",
    "f_squared",
    "families",
    "family_members",
    "formula_amounts",
    "line_list",
    "lines_along",
    "load_phase",
    "phase_from_cif",
    "phase_keys",
    "reference_peaks_dir",
    "structure_factor",
]


@cache
def reference_peaks_dir() -> Path:
    """The folder of shipped structures: beside the package in a checkout, else inside it."""
    package = Path(__file__).resolve().parents[1]
    if (package.parent / "pyproject.toml").is_file():
        return package.parent / "reference_peaks"
    return package / "reference_peaks"


@cache
def phase_keys() -> tuple[str, ...]:
    """Keys of all shipped phases, in alphabetical order."""
    return tuple(sorted((p.stem for p in reference_peaks_dir().glob("*.cif")), key=str.lower))


@lru_cache(maxsize=256)
def load_phase(key: str) -> Phase:
    """The shipped phase of this key; PhaseError names near matches of an unknown one."""
    if key in phase_keys():
        return phase_from_cif(reference_peaks_dir() / f"{key}.cif")
    folded = {known.lower(): known for known in phase_keys()}
    near = difflib.get_close_matches(key.lower(), folded, n=3, cutoff=0.5)
    hint = f"; did you mean {' or '.join(folded[n] for n in near)}?" if near else ""
    raise PhaseError(
        f"unknown phase {key!r}{hint} (`xrdfilm phases` lists all; "
        "for one of your own give the path of its CIF)"
    )
