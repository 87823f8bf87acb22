"""Forced fits over a grid of cells: against the single fit, against simulation, against Rice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri
from scipy.stats import gamma

from xrdfilm.crystal.radiation import radiation, two_theta_of
from xrdfilm.fitting.cellscan import (
    fit_line,
    normal_score,
    path_length,
    scan_line,
    search_p_value,
)
from xrdfilm.fitting.detection import fit_at_places
from xrdfilm.fitting.line_window import LineShape, Neighbour, line_window
from xrdfilm.fitting.profile import doublet

CU = radiation("Cu")
SHAPE = LineShape(0.2, 0.5)
X = np.arange(23.5, 27.2, 0.02)
EDGES = np.arange(5.95, 6.25, 0.006)
PLACES = two_theta_of(EDGES / np.sqrt(3.0), CU.k_alpha1_A)
RATIO, SHARE = CU.k_alpha2_A / CU.k_alpha1_A, CU.k_alpha2_share


def line(place: float, area: float, shape: LineShape = SHAPE) -> np.ndarray:
    one = np.array
    return area * doublet(
        X, one(place), one(shape.fwhm_deg), one(shape.lorentz_fraction), one(RATIO), one(SHARE)
    )


def window(counts, neighbours=()):
    found = line_window(X, counts, CU, 23.6, 27.1, neighbours)
    assert found is not None
    return found


def test_agrees_with_the_single_forced_fit():
    counts = np.random.default_rng(1).poisson(80.0 + 0 * X).astype(float)
    scan = scan_line(window(counts), PLACES, SHAPE)
    for k in (5, 20, 40):
        single = fit_at_places(X, counts, [PLACES[k]], 0.2, 0.5, CU, 23.6, 27.1, 3)
        # the table of the profile is read to 1/64 of the width, the rest is the same estimator
        assert scan.areas[k] == pytest.approx(single.areas[0], abs=0.03 * single.sigma[0])
        assert scan.sigma_blank[k] == pytest.approx(single.sigma_blank[0], rel=0.02)
        assert scan.variance_slope[k] == pytest.approx(single.moments.variance_slope[0], rel=0.02)
        assert scan.third[k] == pytest.approx(
            single.moments.third[0] / single.sigma_blank[0] ** 3, rel=0.05, abs=1e-3
        )


def test_areas_are_unbiased_and_signed():
    rng = np.random.default_rng(2)
    at = 24
    truth = 40.0
    expected = 60.0 + line(PLACES[at], truth)
    areas = [
        scan_line(window(rng.poisson(expected).astype(float)), PLACES[at - 1 : at + 2], SHAPE)
        for _ in range(200)
    ]
    found = np.array([a.areas[1] for a in areas])
    sigma = np.mean([a.sigma(1) for a in areas])
    assert found.mean() == pytest.approx(truth, abs=4 * sigma / np.sqrt(200))
    assert found.std() == pytest.approx(sigma, rel=0.2)
    blank = [
        scan_line(window(rng.poisson(60.0 + 0 * X).astype(float)), PLACES[23:26], SHAPE).areas[1]
        for _ in range(50)
    ]
    assert min(blank) < 0 < max(blank)


@pytest.mark.parametrize("background", [3.0, 60.0])
def test_search_keeps_its_false_alarm_rate(background):
    rng = np.random.default_rng(3)
    p_values = []
    for _ in range(400):
        scan = scan_line(window(rng.poisson(background + 0 * X).astype(float)), PLACES, SHAPE)
        z = scan.areas / scan.sigma_blank
        k = int(np.argmax(z))
        length = path_length(scan.path, scan.usable)
        p_values.append(search_p_value(normal_score(float(z[k]), float(scan.third[k])), length))
    alarms = np.count_nonzero(np.array(p_values) < 0.05)
    # 20 expected, standard deviation 4.4; the bound may be conservative, never loose
    assert 6 <= alarms <= 33


def test_path_length_of_a_known_process():
    # whitened unit vectors along a great circle of 1 rad in 50 steps
    angles = np.linspace(0.0, 1.0, 51)
    cosines = np.cos(np.diff(angles))
    usable = np.ones(51, dtype=bool)
    assert path_length(cosines, usable) == pytest.approx(1.0, abs=1e-7)
    usable[10] = False  # takes out the step to it and the step from it
    assert path_length(cosines, usable) == pytest.approx(0.96, abs=1e-7)


def test_normal_score_against_the_gamma_law():
    # a Poisson-like skewed estimate is Pearson III: shape 4/skew², scipy's own tail
    for skew in (0.1, 0.5, 1.2):
        shape = 4.0 / skew**2
        for z in (1.0, 2.5, 4.0):
            tail = gamma.sf(shape + z * np.sqrt(shape), shape)
            assert normal_score(z, skew) == pytest.approx(-ndtri(tail), abs=1e-6)
    assert normal_score(3.0, 0.0) == 3.0
    assert normal_score(3.0, 0.4) < 3.0


def test_strong_neighbour_is_no_line_of_ours():
    strong = LineShape(0.12, 0.3)
    place = 26.3
    counts = np.random.default_rng(4).poisson(100.0 + line(place, 3000.0, LineShape(0.10, 0.6)))
    neighbour = Neighbour("neighbour", place, strong)
    fitted = window(counts.astype(float), (neighbour,))
    assert fitted.found[0][0] == "neighbour"
    scan = scan_line(fitted, PLACES, SHAPE)
    z = np.where(scan.usable, scan.areas / scan.sigma_blank, 0.0)
    assert np.abs(z).max() < 4.5
    # without knowing it the search would have found it
    ignored = scan_line(window(counts.astype(float)), np.array([26.25, 26.3, 26.35]), SHAPE)
    assert ignored.areas[1] > 50 * ignored.sigma_blank[1]


def test_a_line_on_top_of_a_neighbour_is_unusable():
    counts = 50.0 + 0 * X
    here = Neighbour("same", float(PLACES[20]), SHAPE)
    scan = scan_line(window(counts, (here,)), PLACES, SHAPE)
    assert not scan.usable[20]
    assert scan.usable[45]


def test_places_outside_the_scan_are_unusable():
    low = np.array([22.0, 24.9])
    scan = scan_line(window(50.0 + 0 * X), low, SHAPE)
    assert list(scan.usable) == [False, True]


def test_most_likely_area_and_its_variance():
    rng = np.random.default_rng(5)
    truth, place = 400.0, float(PLACES[30])
    expected = 5.0 + line(place, truth)
    fits = [fit_line(window(rng.poisson(expected).astype(float)), place, SHAPE) for _ in range(150)]
    areas = np.array([f.area for f in fits])
    sigma = float(np.sqrt(np.mean([f.variance for f in fits])))
    assert areas.mean() == pytest.approx(truth, abs=4 * sigma / np.sqrt(150))
    assert areas.std() == pytest.approx(sigma, rel=0.2)
    counts = rng.poisson(expected).astype(float)
    right = fit_line(window(counts), place, SHAPE).misfit
    wrong = fit_line(window(counts), place, LineShape(0.4, 0.5)).misfit
    assert right + 50 < wrong


def test_given_uncertainties_replace_counting():
    counts = 50.0 + line(float(PLACES[20]), 30.0)
    cut = line_window(X, counts, CU, 23.6, 27.1, sigma=np.full(X.size, 2.0))
    assert cut is not None
    scan = scan_line(cut, PLACES, SHAPE)
    assert scan.variance_slope[20] == 0.0
    assert scan.areas[20] == pytest.approx(30.0, rel=0.02)
    fit = fit_line(cut, float(PLACES[20]), SHAPE)
    assert fit.variance == pytest.approx(scan.sigma_blank[20] ** 2, rel=0.02)


def test_too_narrow_a_window_is_none():
    assert line_window(X, 10.0 + 0 * X, CU, 24.0, 24.1) is None


def test_a_window_that_no_line_describes_says_nothing():
    """A strong line that nobody foretold bends the background; what is left over is no fluoride."""
    step = 400.0 / (1.0 + np.exp((X - 25.3) / 0.02))
    bent = np.random.default_rng(3).poisson(60.0 + step).astype(float)
    assert not scan_line(window(bent), PLACES, SHAPE).usable.any()
    # a plain line, and one of a width that nobody expected, explain what is there
    for shape in (SHAPE, LineShape(0.35, 0.9)):
        counts = np.random.default_rng(4).poisson(60.0 + line(25.0, 300.0, shape)).astype(float)
        scan = scan_line(window(counts), PLACES, SHAPE)
        assert scan.usable.any()
        best = np.argmax(np.where(scan.usable, scan.areas / scan.sigma_blank, -np.inf))
        assert PLACES[best] == pytest.approx(25.0, abs=0.03)


def test_a_neighbour_a_little_off_its_place_is_no_line():
    """What a weak neighbour leaves over where its spacing is a thousandth or two off."""
    place, narrow = 25.3, LineShape(0.1, 0.5)
    near = np.abs(PLACES - place) < 0.35
    highest: dict[tuple[float, bool], list[float]] = {}
    for off in (0.0, 0.03, 0.05):
        for seed in range(60):
            rng = np.random.default_rng([seed, 8])
            counts = rng.poisson(15.0 + line(place + off, 2.5, narrow)).astype(float)
            cut = window(counts, [Neighbour("beside", place, narrow)])
            for doubted in (True, False):
                seen = replace(cut, doubtful=cut.doubtful * doubted)
                scan = scan_line(seen, PLACES, SHAPE)
                z = np.where(scan.usable, scan.areas / scan.sigma_blank, -9.0)
                highest.setdefault((off, doubted), []).append(float(z[near].max()))
    calls = {case: np.mean(np.array(z) > 3.0) for case, z in highest.items()}
    assert calls[0.05, False] > 0.6  # taken at its word, the neighbour would make a line
    assert calls[0.05, True] < 0.4
    assert calls[0.03, True] < 0.1
    # where it stands as it should, little is lost
    assert np.mean(highest[0.0, True]) > np.mean(highest[0.0, False]) - 0.2
