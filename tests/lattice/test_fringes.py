import os
from pathlib import Path

import numpy as np
import pytest

from xrdfilm.lattice.fringes import find_fringes, fringe_mask, possible_fringes
from xrdfilm.lattice.identify import find_peaks
from xrdfilm.scan import Scan

WAVELENGTH = 1.5405929
REAL = os.environ.get("XRDFILM_REAL_SCANS")
AXIS = np.arange(44.0, 49.0, 0.005)


def tails(thickness_nm: float | None, film_deg: float, seed: int) -> Scan:
    """A film's interference function on a substrate's line, or a plain film line, with noise."""
    q = 2 * np.sin(np.radians(AXIS) / 2) / WAVELENGTH
    q0 = 2 * np.sin(np.radians(film_deg) / 2) / WAVELENGTH
    mean = 3 + 8000 / (1 + ((AXIS - 46.15) / 0.05) ** 2)
    if thickness_nm is None:
        mean += 200 / (1 + ((AXIS - film_deg) / 0.15) ** 2)
    else:
        mean += 3000 * np.sinc(10 * thickness_nm * (q - q0)) ** 2
    return Scan(AXIS, np.random.default_rng(seed).poisson(mean).astype(float))


def test_thickness_from_spacing() -> None:
    rng = np.random.default_rng(3)
    told, distance = 0, []
    for seed in range(25):
        thickness = float(rng.uniform(25, 60))
        found = find_fringes(tails(thickness, 46.2, seed), 46.15, 0.1, WAVELENGTH)
        if found is None:
            continue
        told += 1
        assert found.thickness_nm.value is not None
        distance.append((found.thickness_nm.value - thickness) / (found.thickness_nm.sigma or 1))
        # neighbouring teeth: Δ(2θ) = λ/(t cosθ)
        spacing = np.degrees(WAVELENGTH / (10 * thickness * np.cos(np.radians(46.15 / 2))))
        assert found.spacing_deg == pytest.approx(spacing, rel=0.05)
    assert told >= 20
    assert np.max(np.abs(distance)) < 4.0
    assert np.sqrt(np.mean(np.square(distance))) < 1.7


def test_no_comb_without_fringes() -> None:
    rng = np.random.default_rng(9)
    false = [
        find_fringes(tails(None, float(rng.uniform(45.6, 46.7)), seed), 46.15, 0.1, WAVELENGTH)
        for seed in range(25)
    ]
    assert sum(found is not None for found in false) == 0


def test_teeth_are_no_phases() -> None:
    scan = tails(30.0, 46.15, 5)
    found = find_fringes(scan, 46.15, 0.1, WAVELENGTH)
    assert found is not None
    peaks = find_peaks(scan)
    strong = int(np.argmax(peaks.heights))
    mask = fringe_mask(peaks, found)
    assert not mask[strong]
    assert len(peaks) > 2
    assert mask.sum() >= 0.75 * (len(peaks) - 1)


def test_short_scans_give_nothing() -> None:
    short = Scan(AXIS[420:440], np.full(20, 5.0))
    assert find_fringes(short, 46.15, 0.1, WAVELENGTH) is None


@pytest.mark.skipif(
    REAL is None, reason="XRDFILM_REAL_SCANS does not name the folder of measured scans"
)
def test_measured_oxide_film_has_no_second_phase() -> None:
    # the (002) of an oxide film, hot, with fringes in the tails of a sharp line: the bumps beside
    # it are wide, a few per cent of it, and no phase may be named by them
    assert REAL is not None
    name = "fairmat/Omega-2Theta_scan_high_temperature.Profile0.txt"
    columns = np.genfromtxt(Path(REAL) / name, encoding="utf-8-sig")
    scan = Scan(columns[:, 0], columns[:, 1])
    peaks = find_peaks(scan)
    strong = int(np.argmax(peaks.heights))
    assert peaks.places_deg[strong] == pytest.approx(46.152, abs=0.01)
    others = np.arange(len(peaks)) != strong
    width = float(peaks.widths_deg[strong])
    assert possible_fringes(peaks, 46.152, width)[others].all()
    assert not possible_fringes(peaks, 46.152, width)[strong]
