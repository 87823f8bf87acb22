"""Cells of films: a and b go along with c as published cells do, and are rounded."""

import pytest

from xrdfilm.analysis.film_cell import (
    FREEDOM_OF_C,
    STEP_C_A,
    USUAL_WITHIN_A,
    freedom_of_c,
    rounded_cell,
    usual_edges_A,
)
from xrdfilm.crystal import load_phase


@pytest.mark.parametrize(
    ("c_A", "a_A", "b_A"),
    [
        # J. D. Jorgensen et al., Phys. Rev. B 41 (1990) 1863, quenched samples (from memory)
        (11.6802, 3.8227, 3.8872),
        (11.7279, 3.8316, 3.8841),
        (11.7607, 3.8470, 3.8747),
        # J. S. Swinnea, H. Steinfink, J. Mater. Res. 2 (1987) 424, abstract read: the empty end
        (11.830, 3.863, 3.863),
    ],
)
def test_edges_go_along_with_oxygen(c_A: float, a_A: float, b_A: float) -> None:
    found = usual_edges_A(load_phase("YBCO"), c_A)
    assert found == pytest.approx((a_A, b_A), abs=0.0075)
    assert found[0] <= found[1]


def test_the_empty_compound_is_met_from_its_own_end() -> None:
    full, empty = load_phase("YBCO"), load_phase("YBCO6")
    at_full = usual_edges_A(empty, full.cell.c_A)
    assert at_full == pytest.approx((full.cell.a_A, full.cell.b_A), abs=0.004)


def test_other_compounds_keep_their_edges() -> None:
    ceria = load_phase("CeO2")
    assert usual_edges_A(ceria, ceria.cell.c_A + 0.05) == (ceria.cell.a_A, ceria.cell.b_A)


def test_orders_of_a_axis_grains_are_no_cell_of_the_film() -> None:
    """(200) of a quenched film at 3.858 Å would be a (006) of 11.574 Å."""
    full, empty = load_phase("YBCO"), load_phase("YBCO6")
    shrinkage, growth = freedom_of_c(full)
    assert full.cell.c_A * (1.0 - shrinkage) > 3.0 * 3.858
    assert full.cell.c_A * (1.0 + growth) > empty.cell.c_A
    assert freedom_of_c(empty)[0] > 1.0 - full.cell.c_A / empty.cell.c_A
    assert freedom_of_c(load_phase("CeO2")) == (FREEDOM_OF_C, FREEDOM_OF_C)


def test_the_stated_cell_is_kept_where_it_will_do() -> None:
    phase = load_phase("YBCO")
    assert rounded_cell(phase, phase.cell.c_A + 0.4 * STEP_C_A) is phase
    near = phase.cell.a_A + 0.9 * USUAL_WITHIN_A
    assert rounded_cell(phase, phase.cell.c_A, near) is phase


def test_films_of_like_cells_share_one() -> None:
    phase = load_phase("YBCO")
    first = rounded_cell(phase, 11.7441, 3.835)
    assert first == rounded_cell(phase, 11.7432, 3.837)
    assert first.cell.c_A == pytest.approx(11.744, abs=0.5 * STEP_C_A)
    moved = rounded_cell(phase, 11.7441, 3.815)
    assert moved.cell.a_A == pytest.approx(3.815, abs=0.003)
