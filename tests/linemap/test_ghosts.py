"""Ghosts are foreseen by what the scan itself shows where their parents stand."""

from dataclasses import replace

import numpy as np
import pytest

from xrdfilm.crystal.radiation import d_of, radiation, two_theta_of
from xrdfilm.linemap.ghosts import ghost_heights
from xrdfilm.linemap.stack_lines import K_BETA, TUNGSTEN
from xrdfilm.readers.scan_checks import inspect
from xrdfilm.scan import Scan

RAYS = radiation("Cu")


def scan_with(place_deg: float, height: float, full: float = np.inf) -> Scan:
    x = np.arange(20.0, 70.0, 0.02)
    mean = 200.0 + height * np.exp(-4.0 * np.log(2.0) * np.square((x - place_deg) / 0.2))
    counts = np.random.default_rng(3).poisson(mean).astype(float)
    return Scan(x, np.minimum(counts, full))


def ghost_of(place_deg: float, wavelength_A: float) -> float:
    return float(two_theta_of(d_of(place_deg, RAYS.k_alpha1_A), wavelength_A))


@pytest.mark.parametrize("place_deg", [38.51, 44.0])
def test_a_line_throws_ghosts_where_bragg_has_them_and_nowhere_else(place_deg: float) -> None:
    scan = scan_with(place_deg, 3e4)
    assert RAYS.k_beta_A is not None
    beta, tungsten = (ghost_of(place_deg, w) for w in (RAYS.k_beta_A, RAYS.tungsten_A[0]))
    assert beta == pytest.approx(
        2.0 * np.degrees(np.arcsin(1.392234 / 1.540593 * np.sin(np.radians(place_deg / 2.0)))),
        abs=1e-3,
    )
    found = ghost_heights(scan, np.array([beta, tungsten, beta + 0.6, 60.0]), RAYS)
    assert found[:2] == pytest.approx([K_BETA * 3e4, TUNGSTEN * 3e4], rel=0.05)
    assert found[2:] == pytest.approx([0.0, 0.0])


def test_noise_throws_no_ghosts() -> None:
    assert not ghost_heights(scan_with(45.0, 0.0), np.arange(22.0, 60.0, 0.5), RAYS).any()


def test_a_line_that_was_cut_off_may_throw_any_ghost() -> None:
    scan = scan_with(46.47, 2e5, full=5000.0)
    scan = replace(scan, findings=inspect(scan.axis_deg, scan.counts, "two_theta"))
    assert any(finding.code == "saturation" for finding in scan.findings)
    assert RAYS.k_beta_A is not None
    beta = ghost_of(46.47, RAYS.k_beta_A)
    assert ghost_heights(scan, np.array([beta, beta + 1.0]), RAYS).tolist() == [np.inf, 0.0]
