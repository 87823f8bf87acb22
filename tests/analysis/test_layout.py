"""Layout: which lines are fitted where, and which are left out with what reason."""

from itertools import pairwise

import numpy as np
import pytest

from tests.invented import premises_on
from xrdfilm.analysis.laid_lines import PAD_DEG
from xrdfilm.analysis.layout import Layout, lay_out
from xrdfilm.lines import Reflection


@pytest.fixture(scope="module")
def on_tape() -> Layout:
    return lay_out(premises_on("tape", 4.5), 10.0, 80.0)


@pytest.fixture(scope="module")
def on_crystal() -> Layout:
    return lay_out(premises_on("crystal", 0.5), 10.0, 80.0)


def names(layout: Layout, use: str = "measure") -> set[str]:
    return {str(m) for line in layout.lines if line.use == use for m in line.members}


def test_orders_of_film_and_layers_are_there(on_tape: Layout) -> None:
    expected = {f"YBCO (00{order})" for order in (2, 3, 4, 5, 6, 7, 8, 9)}
    expected |= {"YBCO (200)", "CeO2 (200)", "La2Zr2O7 (400)", "Ni-5W (200)"}
    assert expected <= names(on_tape)


def test_traps_of_the_trade_are_left_out_with_their_reason(on_crystal: Layout) -> None:
    """On SrTiO3 (003) and (006) sit on substrate lines."""
    reasons = dict(on_crystal.left_out)
    for hkl in ((0, 0, 3), (0, 0, 6)):
        assert "SrTiO3" in reasons[Reflection("YBCO", hkl)]


def test_b_normal_grains_under_the_sixth_order_are_no_measure_of_their_own(
    on_tape: Layout,
) -> None:
    """(020) lies under (006); it is fitted along but not used."""
    assert "YBCO (020)" in names(on_tape, "nuisance")
    assert "YBCO (020)" not in names(on_tape)
    assert Reflection("YBCO", (0, 2, 0)) in dict(on_tape.left_out)


def test_unresolved_lines_of_two_buffers_are_one_blend(on_tape: Layout) -> None:
    blend = next(
        line
        for line in on_tape.lines
        if line.ghost is None and Reflection("CeO2", (2, 0, 0)) in line.members
    )
    assert Reflection("La2Zr2O7", (4, 0, 0)) in blend.members


def test_windows_hold_every_line_once_and_reach_their_lines(on_tape: Layout) -> None:
    order = on_tape.order
    assert sorted(order) == list(range(len(on_tape.lines)))
    places = on_tape.true_deg
    specs = on_tape.specs(places, np.full(places.size, 0.1))
    for window, spec in zip(on_tape.windows, specs, strict=True):
        assert spec.high_deg - spec.low_deg <= 12 * PAD_DEG
        for i in window:
            line = on_tape.lines[i]
            if line.ghost is None and line.role != "fluoride":
                assert spec.low_deg < places[i] < spec.high_deg, line
    for before, after in pairwise(specs):
        assert before.high_deg < after.low_deg + 0.5


def test_a_weaker_line_beside_a_strong_one_keeps_its_place(on_tape: Layout) -> None:
    places = on_tape.true_deg
    specs = on_tape.specs(places, np.full(places.size, 0.1))
    lines = {line.label: line for spec in specs for line in spec.lines if line.doublet}
    assert lines["YBCO (020)"].place == "forced"
    assert lines["YBCO (006)"].place == "free"


def test_what_rides_along_is_fitted_only_inside_a_window(on_tape: Layout) -> None:
    """Of the foot of a ghost beyond a window's end no area can be told."""
    specs = on_tape.specs(on_tape.true_deg, np.full(on_tape.true_deg.size, 0.1))
    riders = 0
    for window, spec in zip(on_tape.windows, specs, strict=True):
        for i, line in zip(window, spec.lines, strict=True):
            rides = on_tape.lines[i].ghost is not None or on_tape.lines[i].role == "fluoride"
            riders += rides
            inside = spec.low_deg < line.two_theta_deg < spec.high_deg
            assert line.fitted == inside or (rides and not line.fitted)
    assert riders > 3
