"""The cell a film is looked for on: c as found, a and b as they usually go along with it.

A film that lost oxygen is longer in c, and its a and b close up; a quenched film is tetragonal,
with (200) and (020) half a degree from where the fully loaded compound has them. Lines of a-axis
and random grains are looked for where c says they should be.

Cells are rounded in steps, so that films of one run share what is worked out for a cell.
"""

from __future__ import annotations

import numpy as np

from xrdfilm.crystal import Phase

# Change of c, a and b from fully loaded material on, in Å: J. D. Jorgensen et al., Phys. Rev. B 41
# (1990) 1863, quenched samples (from memory). Near a gain in c of 0.11 Å it turns tetragonal.
GAIN_C_A = (0.0, 0.048, 0.080, 0.110, 0.150)
GAIN_A_A = (0.0, 0.009, 0.024, 0.035, 0.039)
GAIN_B_A = (0.0, -0.003, -0.0125, -0.029, -0.026)
FULL_GAIN_A = 0.136  # from YBa2Cu3O6.91 to O6, as shipped
FREEDOM_OF_C, LITTLE_OF_C = 0.014, 0.005
STEP_C_A = 0.01
STEP_IN_PLANE_A = 0.005
USUAL_WITHIN_A = 0.005
"""How far a and b of real films lie from what c says, about (common practice, no source)."""


def usual_edges_A(phase: Phase, c_A: float) -> tuple[float, float]:
    """a and b to be expected of a film of this compound whose c is ``c_A``; stated ones else.

    The stated cell is that of the loaded compound where it is orthorhombic, of the empty one where
    a = b. Compounds other than REBa2Cu3O keep their edges.
    """
    cell = phase.cell
    held = phase.composition_per_cell
    metals = abs(held.get("Ba", 0.0) - 2.0) < 0.3 and abs(held.get("Cu", 0.0) - 3.0) < 0.3
    if not metals or max(cell.alpha_deg, cell.beta_deg, cell.gamma_deg) > 90.01:
        return cell.a_A, cell.b_A
    stated = FULL_GAIN_A if abs(cell.a_A - cell.b_A) < 1e-4 else 0.0
    gain = stated + c_A - cell.c_A
    a_A, b_A = (
        edge + float(np.interp(gain, GAIN_C_A, change) - np.interp(stated, GAIN_C_A, change))
        for edge, change in ((cell.a_A, GAIN_A_A), (cell.b_A, GAIN_B_A))
    )
    return (a_A, b_A) if a_A <= b_A else ((a_A + b_A) / 2.0, (a_A + b_A) / 2.0)


def freedom_of_c(phase: Phase) -> tuple[float, float]:
    """How much smaller and larger than stated c of a film may be, relative.

    REBa2Cu3O hardly shrinks from its full load and hardly grows beyond its empty cell; taking
    more for possible would let the orders of a-axis grains pass for (00l).
    """
    a_A, b_A = usual_edges_A(phase, phase.cell.c_A + FULL_GAIN_A)
    if abs(phase.cell.a_A - phase.cell.b_A) < 1e-4:
        a_A, b_A = usual_edges_A(phase, phase.cell.c_A - FULL_GAIN_A)
        return (FREEDOM_OF_C, LITTLE_OF_C) if b_A > a_A else (FREEDOM_OF_C, FREEDOM_OF_C)
    known = (a_A, b_A) != (phase.cell.a_A, phase.cell.b_A)
    return (LITTLE_OF_C, FREEDOM_OF_C) if known else (FREEDOM_OF_C, FREEDOM_OF_C)


def rounded_cell(
    phase: Phase, c_A: float, a_A: float | None = None, b_A: float | None = None
) -> Phase:
    """The phase on the rounded cell for this c; a or b only where they are known to be unusual."""
    step = round((c_A - phase.cell.c_A) / STEP_C_A)
    if step == 0:
        c_A, usual = phase.cell.c_A, (phase.cell.a_A, phase.cell.b_A)
    else:
        c_A = phase.cell.c_A + step * STEP_C_A
        usual = usual_edges_A(phase, c_A)
    edges = [
        known
        if found is None or abs(found - known) < USUAL_WITHIN_A
        else known + STEP_IN_PLANE_A * round((found - known) / STEP_IN_PLANE_A)
        for known, found in zip(usual, (a_A, b_A), strict=True)
    ]
    if step == 0 and tuple(edges) == usual:
        return phase
    return phase.with_cell(a_A=edges[0], b_A=edges[1], c_A=c_A)
