import os
from pathlib import Path

import numpy as np
import pytest

from xrdfilm.crystal import lines_along, load_phase
from xrdfilm.errors import AlignmentError
from xrdfilm.identify import (
    ExpectedLines,
    Peaks,
    coarse_shift,
    find_peaks,
    rough_background,
    suspect_anode,
)
from xrdfilm.optics import Optics
from xrdfilm.radiation import radiation
from xrdfilm.scan import Scan
from xrdfilm.simulate import SimulatedFilm, grid, simulate_scan
from xrdfilm.stack import Layer, Stack

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


def gauss(axis: np.ndarray, place: float, height: float, fwhm: float) -> np.ndarray:
    return np.asarray(height * np.exp(-4 * np.log(2) * ((axis - place) / fwhm) ** 2))


def noisy(axis: np.ndarray, mean: np.ndarray, seed: int = 0) -> Scan:
    return Scan(axis, np.random.default_rng(seed).poisson(mean).astype(float))


def test_places_heights_and_widths() -> None:
    axis = np.arange(20.0, 60.0, 0.02)
    truth = ((25.013, 800.0, 0.1), (33.33, 30000.0, 0.12), (41.5, 400.0, 0.6), (55.1, 150.0, 0.1))
    mean = 100 + sum(gauss(axis, *line) for line in truth)
    peaks = find_peaks(noisy(axis, mean))
    assert len(peaks) == len(truth)
    for (place, height, fwhm), got in zip(truth, range(4), strict=True):
        assert peaks.places_deg[got] == pytest.approx(place, abs=max(0.15 * fwhm, 0.02))
        assert peaks.heights[got] == pytest.approx(height, rel=0.35)
        assert peaks.widths_deg[got] == pytest.approx(fwhm, rel=0.4)
    assert (peaks.low_deg, peaks.high_deg) == (20.0, pytest.approx(59.98))


def test_noise_alone_seldom_makes_a_peak() -> None:
    axis = np.arange(10.0, 80.0, 0.02)
    mean = 50 + 300 * np.exp(-(axis - 10) / 15)
    found = sum(len(find_peaks(noisy(axis, mean, seed))) for seed in range(40))
    # 40 scans at five standard deviations of three correlated filters
    assert found <= 2


def test_weak_line_on_the_flank_of_a_strong_one() -> None:
    axis = np.arange(44.0, 49.0, 0.02)
    tail = 2e5 / (1 + ((axis - 46.47) / 0.04) ** 2)
    peaks = find_peaks(noisy(axis, 100 + tail + gauss(axis, 47.2, 3000, 0.12)))
    assert np.min(np.abs(peaks.places_deg - 47.2)) < 0.02


def test_input_is_left_alone_and_order_does_not_matter() -> None:
    axis = np.arange(20.0, 40.0, 0.02)
    scan = noisy(axis, 100 + gauss(axis, 30, 500, 0.1))
    scan.axis_deg.setflags(write=False)
    scan.counts.setflags(write=False)
    first, second = find_peaks(scan), find_peaks(scan)
    assert np.array_equal(first.places_deg, second.places_deg)
    given = find_peaks(scan, rough_background(scan.axis_deg, scan.counts))
    assert np.array_equal(given.heights, first.heights)


def test_lone_high_points_are_no_lines() -> None:
    axis = np.arange(20.0, 40.0, 0.02)
    scan = noisy(axis, 100 + gauss(axis, 30, 500, 0.1))
    scan.counts[400] += 900
    peaks = find_peaks(scan)
    assert peaks.single_points_deg == pytest.approx([axis[400]])
    assert peaks.places_deg == pytest.approx([30.0], abs=0.02)


def test_k_alpha2_is_no_second_peak() -> None:
    axis = np.arange(70.0, 100.0, 0.02)
    second = 2 * np.degrees(np.arcsin(np.sin(np.radians(45)) * 1.5444274 / 1.5405929))
    mean = 50 + gauss(axis, 90.0, 4000, 0.12) + gauss(axis, second, 2000, 0.12)
    assert len(find_peaks(noisy(axis, mean))) == 2
    alone = find_peaks(noisy(axis, mean), radiation=CU)
    assert alone.places_deg == pytest.approx([90.0], abs=0.02)


def test_short_gapped_and_empty_scans() -> None:
    axis = np.concatenate([np.arange(20.0, 25.0, 0.02), np.arange(60.0, 65.0, 0.02)])
    mean = 100 + gauss(axis, 22, 900, 0.1) + gauss(axis, 63, 900, 0.1)
    assert find_peaks(noisy(axis, mean)).places_deg == pytest.approx([22.0, 63.0], abs=0.02)
    few = Scan(np.linspace(20.0, 20.08, 5), np.full(5, 10.0))
    assert len(find_peaks(few)) == 0
    assert len(find_peaks(Scan(np.arange(1.0, 3.0, 0.02), np.full(100, 1e6)))) == 0


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


@needs_scans
def test_all_strong_lines_of_a_measured_powder() -> None:
    scan = measured("rbm2o5f/RbNb2O5F.dat")
    peaks = find_peaks(scan, radiation=CU)
    # Fd-3m, a = 10.4956 Å, shifted 0.05° low: every strong line of the first ten families
    for squared in (3, 8, 11, 12, 27, 32):
        sine = CU.k_alpha1_A * np.sqrt(squared) / (2 * 10.4956)
        place = 2 * np.degrees(np.arcsin(sine)) - 0.05
        near = np.argmin(np.abs(peaks.places_deg - place))
        assert abs(peaks.places_deg[near] - place) < 0.04
        assert peaks.significance[near] > 200
