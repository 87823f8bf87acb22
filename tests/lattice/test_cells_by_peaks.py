"""Cells of buffers by their peaks: alone, apart, merged into one peak, and beside other layers."""

import numpy as np
import pytest

from xrdfilm.crystal import lines_along, load_phase
from xrdfilm.crystal.radiation import radiation
from xrdfilm.lattice.cells_by_peaks import scales_together
from xrdfilm.lattice.peaks import Peaks
from xrdfilm.lattice.shift_search import ExpectedLines

CU = radiation("Cu")


def buffers() -> list[ExpectedLines]:
    return [
        ExpectedLines.of(lines_along(load_phase(key), (0, 0, 1), CU), aligned=True)
        for key in ("CeO2", "La2Zr2O7")
    ]


def plain(places: list[float]) -> Peaks:
    ones = np.ones(len(places))
    return Peaks(np.array(places), 1e3 * ones, 0.15 * ones, 100.0 * ones, 20.0, 85.0, np.empty(0))


def peaks_of(scales: tuple[float, ...]) -> Peaks:
    """Peaks where the two buffers' lines stand; those nearer than 0.1° are one."""
    places = sorted(
        place
        for lines, scale in zip(buffers(), scales, strict=True)
        for place in lines.two_theta_deg(CU.k_alpha1_A, scale)
        if 25.0 < place < 80.0
    )
    merged: list[float] = []
    for place in places:
        if merged and place - merged[-1] < 0.1:
            merged[-1] = 0.5 * (merged[-1] + place)
        else:
            merged.append(place)
    return plain(merged)


@pytest.mark.parametrize(
    "scales", [(1.0, 1.0), (1.003, 1.003), (0.996, 0.996), (1.0012, 0.9956), (1.004, 1.001)]
)
def test_cells_of_buffers_of_one_spacing_are_told_by_their_peaks(scales: tuple[float, ...]) -> None:
    peaks = peaks_of(scales)
    found = scales_together(np.asarray, peaks, buffers(), CU.k_alpha1_A, 0.009, np.empty(0))
    # to 0.06° of each line; at 69° a thousandth of the cell moves it by 0.08°
    assert found == pytest.approx(scales, abs=1.2e-3)


def test_a_peak_that_another_layer_may_own_moves_no_buffer() -> None:
    at = float(buffers()[0].two_theta_deg(CU.k_alpha1_A, 1.007)[0])
    peaks = plain([at])
    free = scales_together(np.asarray, peaks, buffers()[:1], CU.k_alpha1_A, 0.009, np.empty(0))
    assert free[0] == pytest.approx(1.007, abs=2.5e-3)
    taken = np.array([at + 0.1])
    assert scales_together(np.asarray, peaks, buffers()[:1], CU.k_alpha1_A, 0.009, taken) == (1.0,)
