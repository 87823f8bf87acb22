import os
from pathlib import Path

import numpy as np
import pytest

from xrdfilm.crystal.radiation import radiation
from xrdfilm.lattice.peaks import find_peaks, rough_background
from xrdfilm.scan import Scan

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
