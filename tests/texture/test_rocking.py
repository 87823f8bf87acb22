from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from xrdfilm.errors import CannotTellError
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.window import rocking_fwhm_deg, window_aligned
from xrdfilm.texture.peakcurve import CurveModel, fit_curve
from xrdfilm.texture.peakshape import folded_peak
from xrdfilm.texture.rocking import rocking_curve

OMEGA = np.arange(-3.0, 3.001, 0.04)


def _counts(seed, *peaks, background=20.0, box=0.5, omega=OMEGA, asymmetry=0.0):
    """Poisson counts of peaks (area, centre, fwhm) folded with the divergence."""
    mean = np.full(omega.size, background)
    for area, centre, fwhm in peaks:
        mean += area * folded_peak(omega, centre, fwhm, 0.0, box_deg=box, asymmetry=asymmetry)
    return np.random.default_rng(seed).poisson(mean).astype(float)


def test_divergence_is_taken_off():
    # 0.3 degrees of mosaic shows as 0.52 behind a slit of 0.5; the curve here comes from the
    # window model, not from the fitted shape
    optics = Optics(divergence_deg=0.5)
    seen = window_aligned(60.0, 0.3, optics, 20.0, offset_deg=OMEGA)
    counts = np.random.default_rng(1).poisson(30 + 4000 * seen / seen.max()).astype(float)
    curve = rocking_curve(OMEGA, counts, divergence_deg=0.5)
    assert curve.measured_fwhm_deg == pytest.approx(0.52, abs=0.01)
    assert curve.measured_fwhm_deg == pytest.approx(
        rocking_fwhm_deg(60.0, 0.3, optics, 20.0), abs=0.01
    )
    assert curve.fwhm_deg.value == pytest.approx(0.3, abs=0.03)
    assert curve.fwhm_deg.low < 0.3 < curve.fwhm_deg.high
    assert curve.shape == "single"


def test_intervals_hold_the_mosaic():
    held, widths = 0, []
    for seed in range(60):
        curve = rocking_curve(OMEGA, _counts(seed, (900.0, 0.05, 1.2)), divergence_deg=0.5)
        held += curve.fwhm_deg.low <= 1.2 <= curve.fwhm_deg.high
        widths.append(curve.fwhm_deg.value)
    assert held >= 53
    assert np.mean(widths) == pytest.approx(1.2, rel=0.01)


def test_integral_breadth_is_area_over_height_of_the_mosaic():
    curve = rocking_curve(OMEGA, _counts(3, (4000.0, 0.0, 1.0)), divergence_deg=0.5)
    assert curve.integral_breadth_deg.value == pytest.approx(1.0645, rel=0.03)


def test_mosaic_under_the_divergence_is_a_limit():
    curve = rocking_curve(OMEGA, _counts(4, (500.0, 0.0, 0.03)), divergence_deg=0.5)
    assert curve.fwhm_deg.value is None
    assert curve.fwhm_deg.low == 0.0
    assert 0.03 < curve.fwhm_deg.high < 0.25
    assert "explains the whole width" in " ".join(curve.notes)


def test_a_leaning_curve_is_told():
    curve = rocking_curve(OMEGA, _counts(5, (2000.0, 0.0, 1.0), asymmetry=0.25), divergence_deg=0.5)
    assert curve.shape == "skewed"
    assert curve.asymmetry == pytest.approx(0.25, abs=4 * curve.asymmetry_sigma)
    assert "leans to higher angles" in curve.notes[0]
    upright = rocking_curve(OMEGA, _counts(5, (2000.0, 0.0, 1.0)), divergence_deg=0.5)
    assert upright.shape == "single"


def test_large_grains_are_told_as_several_peaks():
    counts = _counts(6, (600.0, -0.8, 0.4), (400.0, 0.5, 0.5), box=0.2)
    curve = rocking_curve(OMEGA, counts, divergence_deg=0.2, direction="TD")
    assert curve.shape == "several peaks"
    assert [p.centre_deg for p in curve.peaks] == pytest.approx([-0.8, 0.5], abs=0.03)
    assert [p.area_share for p in curve.peaks] == pytest.approx([0.6, 0.4], abs=0.03)
    assert "few large grains" in curve.notes[0]
    assert curve.fwhm_deg.value > 1.3  # the envelope, not one grain
    assert curve.direction == "TD"


def test_a_single_noisy_peak_is_not_split():
    shapes = [
        rocking_curve(OMEGA, _counts(s, (60.0, 0.0, 1.0)), divergence_deg=0.5).shape
        for s in range(25)
    ]
    assert shapes.count("several peaks") == 0


@pytest.mark.parametrize(
    ("peak", "message"),
    [
        ((1500.0, 2.6, 1.5), "cut at the high side"),
        ((1500.0, -2.7, 1.5), "cut at the low side"),
        ((1500.0, 3.4, 1.5), "cut at the high side"),
        ((4000.0, 0.0, 6.0), "cut at"),
        ((0.0, 0.0, 1.0), "no peak above its noise"),
    ],
)
def test_what_cannot_be_told_is_said(peak, message):
    with pytest.raises(CannotTellError, match=message):
        rocking_curve(OMEGA, _counts(8, peak), divergence_deg=0.5)


def test_saturation_is_refused():
    counts = np.minimum(_counts(9, (9000.0, 0.0, 1.0)), 5000.0)
    with pytest.raises(CannotTellError, match="saturates"):
        rocking_curve(OMEGA, counts)


def test_axis_must_ascend():
    with pytest.raises(ValueError, match="ascending"):
        rocking_curve(OMEGA[::-1], _counts(1, (900.0, 0.0, 1.0)))


def test_inputs_are_left_alone():
    omega, counts = OMEGA.copy(), _counts(1, (900.0, 0.0, 1.0))
    for array in (omega, counts):
        array.flags.writeable = False
    rocking_curve(omega, counts, divergence_deg=0.5)


def _real() -> Path:
    folder = os.environ.get("XRDFILM_REAL_SCANS")
    if not folder or not (Path(folder) / "caco3").is_dir():
        pytest.skip("set XRDFILM_REAL_SCANS to a folder of measured scans to run this")
    return Path(folder) / "caco3"


def _net_curve(path: Path) -> tuple[np.ndarray, np.ndarray]:
    table = np.genfromtxt(path, delimiter=",", skip_header=1)
    return table[:, 0], table[:, 3]


def test_weak_peak_agrees_with_the_authors_table():
    # calcite film SH-124-B3, phi = 0, peak 1: BAMresearch/caco3-thin-films (MIT licence)
    folder = _real()
    table = (folder / "all_samples_rocking_peaks_vs_phi.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(table.splitlines())
    told = next(
        r
        for r in rows
        if r["Sample"] == "SH-124-B3"
        and float(r["Phi (degrees)"]) == 0
        and r["Peak Name"] == "Peak 1 (Tilt)"
    )
    omega, net = _net_curve(folder / "SH-124-B3_corrected_rocking_0.csv")
    near = (omega > 9.0) & (omega < 11.2)
    curve = rocking_curve(omega[near], net[near], poisson=False)
    assert curve.centre_deg == pytest.approx(float(told["Peak Center (Theta)"]), abs=0.02)
    assert curve.fwhm_deg.low < float(told["FWHM (degrees)"]) < curve.fwhm_deg.high
    assert abs(curve.area_counts_deg - float(told["Net Area (cts deg)"])) < (
        3.0 * curve.area_sigma_counts_deg
    )


def test_strong_broad_peak_agrees_with_the_authors_table():
    folder = _real()
    table = (folder / "calcite_single_crystal_rocking_peaks_metrics.csv").read_text("utf-8")
    told = next(csv.DictReader(table.splitlines()))
    omega, net = _net_curve(folder / "calcite_single_crystal_corrected_rocking.csv")
    # their account: one Gaussian without a level
    model = CurveModel((17.4,), (0,), (0,), (4.0,), background_degree=0, lorentz=0.0)
    nil = np.zeros((omega.size, 1))
    peak = fit_curve(omega, net, model, sigma=np.full(omega.size, 1e4), background=nil).peaks[0]
    for found, sigma, name in (
        (peak.fwhm_deg, peak.fwhm_sigma_deg, "FWHM (deg)"),
        (peak.centre_deg, peak.centre_sigma_deg, "Peak Center (Theta)"),
        (peak.area_counts_deg, peak.area_sigma_counts_deg, "Net Area (cts deg)"),
    ):
        assert abs(found - float(told[name])) < sigma, name
        assert found == pytest.approx(float(told[name]), rel=2e-3), name
    # a Gaussian does not fit it, though: the curve has a foot and a spike, and leans
    curve = rocking_curve(omega, net, poisson=False)
    assert curve.fwhm_deg.value == pytest.approx(float(told["FWHM (deg)"]), rel=0.1)
    assert curve.centre_deg == pytest.approx(float(told["Peak Center (Theta)"]), abs=0.15)
    assert curve.shape != "single"


@pytest.mark.parametrize("scale", [1.0, 0.02])
def test_a_scan_with_many_unlike_peaks_is_no_rocking_curve(scale: float) -> None:
    """A coupled scan that was named as one: its width would keep any limit on the mosaic."""
    x = np.linspace(10.0, 80.0, 3501)
    expected = np.full_like(x, 200.0 * scale)
    for place, height in ((15.2, 4e3), (22.8, 2e4), (33.1, 3e4), (38.5, 2.5e4), (46.7, 3e4),
                          (51.5, 1e5), (55.0, 4e3), (69.5, 8e3), (72.8, 900.0)):  # fmt: skip
        expected += scale * height * np.exp(-4.0 * np.log(2.0) * ((x - place) / 0.1) ** 2)
    counts = np.random.default_rng(5).poisson(expected).astype(float)
    with pytest.raises(CannotTellError, match="no rocking curve"):
        rocking_curve(x, counts, divergence_deg=0.5)
