import os
from pathlib import Path

import numpy as np
import pytest

from xrdfilm.crystal import lines_along, load_phase
from xrdfilm.crystal.radiation import radiation
from xrdfilm.errors import AlignmentError
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.lattice.identify import (
    ExpectedLines,
    Peaks,
    coarse_shift,
    find_peaks,
    suspect_anode,
)
from xrdfilm.scan import Scan
from xrdfilm.simulate import SimulatedFilm, grid, simulate_scan

CU = radiation("Cu")
REAL = os.environ.get("XRDFILM_REAL_SCANS")
needs_scans = pytest.mark.skipif(
    REAL is None, reason="XRDFILM_REAL_SCANS does not name the folder of measured scans"
)


def measured(name: str) -> Scan:
    assert REAL is not None
    columns = np.genfromtxt(Path(REAL) / name, encoding="utf-8-sig")
    counts = columns[:, 1]
    return Scan(columns[:, 0], counts, poisson=bool(np.all(counts == np.round(counts))))


def layers(stack: Stack, wavelength_anode: str = "Cu") -> list[ExpectedLines]:
    out = []
    for layer in stack.layers:
        lines = lines_along(layer.phase, (0, 0, 1), radiation(wavelength_anode))
        freedom = 0.014 if layer.phase.key == "YBCO" else 0.0
        out.append(ExpectedLines.of(lines, aligned=True, cell_freedom=freedom))
    return out


STACK = Stack(Layer(load_phase("YBCO"), 500.0), (), Layer(load_phase("SrTiO3"), None))


@pytest.mark.parametrize("zero", [-0.28, -0.15, 0.0, 0.15, 0.28])
@pytest.mark.parametrize("c", [11.66, 11.75, 11.84])
def test_lines_are_named_under_a_shift(zero: float, c: float) -> None:
    film = SimulatedFilm(stack=STACK, film_cell_A=(3.82, 3.885, c))
    scan, truth = simulate_scan(
        film, Optics(), counts=1e4, two_theta_deg=grid(10.0, 90.0, 0.02), zero_deg=zero, seed=4
    )
    found = coarse_shift(find_peaks(scan, radiation=CU), layers(STACK), CU.k_alpha1_A)
    assert float(found.places(np.array([40.0]))[0]) - 40.0 == pytest.approx(zero, abs=0.05)
    assert found.cell_scale["YBCO"] * load_phase("YBCO").cell.c_A == pytest.approx(c, abs=0.02)
    observed = {
        line.reflection.hkl: line.observed_deg
        for line in truth.lines
        if line.ghost is None and line.reflection.phase == "YBCO" and line.component.startswith("c")
    }
    named = {match.hkl: match.observed_deg for match in found.of("YBCO")}
    for hkl in ((0, 0, 2), (0, 0, 4), (0, 0, 5), (0, 0, 7)):
        assert named[hkl] == pytest.approx(observed[hkl], abs=0.04)


def test_too_large_a_shift_is_told() -> None:
    film = SimulatedFilm(stack=STACK)
    scan, _ = simulate_scan(film, Optics(), counts=1e4, zero_deg=0.9, seed=1)
    with pytest.raises(AlignmentError, match=r"shift of \+0\.[89]\d° would fit"):
        coarse_shift(find_peaks(scan, radiation=CU), layers(STACK), CU.k_alpha1_A)


@pytest.mark.parametrize("true_anode", ["Co", "Cr", "Mo"])
def test_wrong_anode_is_recognised(true_anode: str) -> None:
    film = SimulatedFilm(stack=STACK)
    scan, _ = simulate_scan(film, Optics(radiation=radiation(true_anode)), counts=1e4, seed=2)
    peaks = find_peaks(scan)
    assert suspect_anode(peaks, layers(STACK), "Cu") == true_anode
    assert suspect_anode(peaks, layers(STACK, true_anode), true_anode) is None
    with pytest.raises(AlignmentError, match=f"The pattern fits {true_anode}, not Cu"):
        coarse_shift(peaks, layers(STACK), CU.k_alpha1_A, stated_anode="Cu")


def test_wrong_substrate_and_empty_scans_are_told() -> None:
    nothing = np.empty(0)
    none = Peaks(nothing, nothing, nothing, nothing, 10.0, 80.0, nothing)
    with pytest.raises(AlignmentError, match="no line stands out"):
        coarse_shift(none, layers(STACK), CU.k_alpha1_A)
    far = Peaks(*(np.array([v]) for v in (5.0, 100.0, 0.1, 50.0)), 4.0, 6.0, nothing)
    with pytest.raises(AlignmentError, match="no line between"):
        coarse_shift(far, layers(STACK)[1:], CU.k_alpha1_A)
    places = np.array([29.4, 36.0, 39.4, 43.2, 57.4])
    calcite = Peaks(places, np.full(5, 1e3), np.full(5, 0.1), np.full(5, 80.0), 20.0, 80.0, nothing)
    with pytest.raises(AlignmentError, match="Check the stated film"):
        coarse_shift(calcite, layers(STACK), CU.k_alpha1_A)


def test_layer_without_a_line_is_told() -> None:
    film = SimulatedFilm(stack=STACK, film_cell_A=(3.82, 3.885, 11.80))
    scan, _ = simulate_scan(film, Optics(), counts=1e4, seed=6)
    stated = Stack(Layer(load_phase("YBCO"), 500.0), (), Layer(load_phase("MgO"), None))
    peaks = find_peaks(scan, radiation=CU)
    found = coarse_shift(peaks, layers(stated), CU.k_alpha1_A)
    assert found.missing == ("MgO",)
    assert "check that the stated stack" in found.notes[0]
    right = coarse_shift(peaks, layers(STACK), CU.k_alpha1_A)
    assert right.missing == ()
    assert right.notes == ()


def cubic(name: str, edge_A: float, allowed: str) -> ExpectedLines:
    grid3 = np.array([(h, k, m) for h in range(1, 4) for k in range(h + 1) for m in range(k + 1)])
    even = grid3.sum(axis=1) % 2 == 0
    unmixed = np.ptp(grid3 % 2, axis=1) == 0
    hkl = grid3[unmixed if allowed == "fcc" else even]
    squared = (hkl**2).sum(axis=1)
    return ExpectedLines(name, hkl, edge_A / np.sqrt(squared), 1.0 / squared, 0.01)


@needs_scans
def test_molybdenum_told_where_copper_is_assumed() -> None:
    # 500 points of a class experiment whose wavelength is not stated; the lines are those of an
    # f.c.c. metal of 4.04 Å and a b.c.c. metal of 2.85 Å under Mo K-alpha, with a hot element
    scan = measured("lund/Sample1.txt")
    peaks = find_peaks(scan)
    assert peaks.single_points_deg == pytest.approx([27.47], abs=0.01)
    assert not np.any(np.abs(peaks.places_deg - 27.47) < 0.1)
    expected = [cubic("f.c.c.", 4.05, "fcc"), cubic("b.c.c.", 2.866, "bcc")]
    assert suspect_anode(peaks, expected, "Cu") == "Mo"
    assert suspect_anode(peaks, expected, "Mo") is None
    found = coarse_shift(peaks, expected, radiation("Mo").k_alpha1_A)
    assert {match.hkl for match in found.of("f.c.c.")} >= {(1, 1, 1), (2, 0, 0), (2, 2, 0)}
