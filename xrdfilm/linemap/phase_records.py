"""Phases, their lines and line maps as plain records, for JSON and tables."""

from __future__ import annotations

from typing import Any

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import LineList, Phase
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.powder_tables import handbook_of
from xrdfilm.linemap.line_map import LineMap, Overlap


def phase_record(phase: Phase) -> dict[str, Any]:
    """A phase as JSON: structure, density and provenance."""
    cell = phase.cell
    return {
        "phase": phase.key,
        "name": phase.name,
        "formula": phase.formula.replace(" ", ""),
        "role": phase.role,
        "other_roles": list(phase.other_roles),
        "space_group": phase.space_group,
        "cell": {
            "a_A": cell.a_A, "b_A": cell.b_A, "c_A": cell.c_A, "alpha_deg": cell.alpha_deg,
            "beta_deg": cell.beta_deg, "gamma_deg": cell.gamma_deg, "volume_A3": cell.volume_A3,
        },
        "formula_units": phase.formula_units,
        "density_g_cm3": phase.density_g_cm3,
        "standing": phase.standing,
        "cell_verified": phase.cell_verified,
        "source": phase.source,
        "note": phase.note,
        "read_in": list(phase.read_in),
    }  # fmt: skip


def line_records(
    lines: LineList, powder_intensity: FloatArray, *, printed: bool = True
) -> list[dict[str, Any]]:
    """The lines of a phase as JSON, with printed intensities where a handbook has them.

    ``powder_intensity`` has shape (N,), see `xrdfilm.intensity.powder_tables`; what is not known is
    None.
    """
    handbook = handbook_of(lines.phase) if printed else {}
    records: list[dict[str, Any]] = []
    for i in range(len(lines)):
        h, k, m = (int(j) for j in lines.hkl[i])
        row = handbook.get((h, k, m))
        records.append(
            {
                "hkl": [h, k, m],
                "d_A": float(lines.d_A[i]),
                "two_theta_deg": float(lines.two_theta_deg[i]),
                "multiplicity": int(lines.multiplicity[i]),
                "f_squared": _known(lines.f_squared[i]),
                "powder_intensity": _known(powder_intensity[i]),
                "printed": row and {
                    "intensity": row.intensity, "d_A": row.d_A, "source": row.source,
                    "standing": row.standing,
                },
            }
        )  # fmt: skip
    return records


def _known(x: float) -> float | None:
    return None if np.isnan(x) else float(x)


def _overlap(one: Overlap) -> dict[str, Any]:
    return {
        "phase": one.by.phase,
        "hkl": list(one.by.hkl),
        "role": one.role,
        "grains": one.component,
        "ghost": one.ghost,
        "certain": one.certain,
        "separation_deg": one.separation_deg,
        "strength_ratio": one.ratio,
    }


def map_record(found: LineMap, layers: str, optics: Optics) -> dict[str, Any]:
    """A line map as JSON."""
    return {
        "stack": layers.split(" / "),
        "anode": optics.radiation.anode,
        "wavelength_A": optics.radiation.k_alpha1_A,
        "resolution_deg": found.rules.resolution_deg,
        "lines": [
            {
                "phase": line.reflection.phase,
                "hkl": list(line.reflection.hkl),
                "role": line.role,
                "grains": line.component,
                "two_theta_deg": line.two_theta_deg,
                "d_A": line.d_A,
                "strength": line.strength,
                "status": line.status,
                "why": line.why,
                "blended_with": [list(one.hkl) for one in line.blended],
                "overlaps": [_overlap(one) for one in line.overlaps],
                "beside": [_overlap(one) for one in line.beside],
            }
            for line in found.lines
        ],
        "notes": list(found.notes),
    }
