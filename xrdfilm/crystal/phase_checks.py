"""Does a phase that was read hold together: cell and space group, distances, formula.

What contradicts itself is refused with PhaseError; what rounding broke is mended.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xrdfilm.crystal.cif_block import CifBlock
from xrdfilm.crystal.structure import (
    Phase,
    cell_of_metric,
    formula_amounts,
    metric_rotations,
    site_copies,
    symmetry_operations,
)
from xrdfilm.errors import PhaseError

_TOO_NEAR_A = 0.5
_ROUNDING = 1e-3  # of the metric: lengths that differ by half as much are the same length


def fitted_to_metric(phase: Phase, read: CifBlock) -> Phase:
    """The phase on a cell that obeys its space group, mended where rounding broke it."""
    rotations, _ = symmetry_operations(phase.space_group)
    rotations = np.unique(rotations, axis=0)
    if len(metric_rotations(phase)) == len(rotations):
        return phase
    metric = phase.cell.metric
    mean = np.einsum("nji,jk,nkl->il", rotations, metric, rotations) / len(rotations)
    if np.abs(mean - metric).max() > _ROUNDING * np.abs(metric).max():
        c = phase.cell
        read.fail(
            f"the cell {c.a_A:g} {c.b_A:g} {c.c_A:g} Å, {c.alpha_deg:g} {c.beta_deg:g} "
            f"{c.gamma_deg:g}° does not fit space group {phase.space_group!r}",
            "_cell_length_a",
        )
    return replace(phase, cell=cell_of_metric(mean))


def check_contacts(phase: Phase, read: CifBlock) -> None:
    """No atoms on top of each other, unless they share one place by their occupancies."""
    copies = site_copies(phase)
    metric = phase.cell.metric
    for i, first in enumerate(phase.sites):
        for j, second in enumerate(phase.sites[i:], start=i):
            difference = copies[j] - copies[i][0]
            difference -= np.round(difference)
            distance = np.sqrt(np.einsum("ni,ij,nj->n", difference, metric, difference))
            if i == j:
                distance = distance[1:]
            near = float(distance.min(initial=np.inf))
            shared = first.occupancy * (2.0 if i == j else 1.0)
            shared += 0.0 if i == j else second.occupancy
            if near < _TOO_NEAR_A and shared > 1.02:
                read.fail(
                    f"atoms {first.label} and {second.label} are {near:.2f} Å apart with "
                    f"occupancies that sum to {shared:.2f}; wrong setting or origin choice?",
                    "_atom_site_fract_x",
                )


def check_formula(phase: Phase, read: CifBlock) -> Phase:
    """Atoms against formula times Z; a missing formula is taken from the atoms."""
    if phase.cell_only:
        formula_amounts(phase.formula)
        return phase
    found = phase.composition_per_cell
    if not phase.formula:
        parts = (f"{e}{round(n, 3):g}" for e, n in sorted(found.items()))
        return replace(phase, formula="".join(parts))
    try:
        wanted = formula_amounts(phase.formula)
    except PhaseError as error:
        read.fail(str(error), "_chemical_formula_sum")
    if not read.text("_cell_formula_units_Z"):
        units = sum(found.values()) / sum(wanted.values())
        phase = replace(phase, formula_units=max(1, round(units)))
    for element in sorted(set(found) | set(wanted)):
        expected = wanted.get(element, 0.0) * phase.formula_units
        there = found.get(element, 0.0)
        if abs(there - expected) > 0.03 * max(expected, 1.0):
            read.fail(
                f"the atoms make {there:.4g} {element} a cell, but formula "
                f"{phase.formula} with Z = {phase.formula_units} wants {expected:.4g}; "
                "check occupancies, coordinates and the origin choice",
                "_chemical_formula_sum",
            )
    return phase
