"""Lines nobody expected: found at their place, named by lattice spacing, and rare by chance."""

from __future__ import annotations

import numpy as np
import pytest

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import LineList, line_list, load_phase
from xrdfilm.crystal.radiation import d_of, radiation, two_theta_of
from xrdfilm.fitting.background import broad_background
from xrdfilm.fitting.engine import LineSpec, WindowSpec, fit_windows
from xrdfilm.fitting.profile import doublet, pseudo_voigt
from xrdfilm.linemap.unexplained import UnexplainedLine, find_unexplained
from xrdfilm.lines import Reflection
from xrdfilm.scan import Scan

CU = radiation()
assert CU.k_alpha2_A is not None
assert CU.k_beta_A is not None
X = np.arange(15.0, 80.0, 0.02)
EXPECTED = {3: (22.84, 3000.0), 5: (38.53, 9000.0), 6: (46.65, 6000.0), 7: (55.02, 3000.0)}


def pair(place: float, fwhm: float = 0.25) -> FloatArray:
    ratio = np.array(CU.k_alpha2_A / CU.k_alpha1_A)  # type: ignore[operator]
    return doublet(X, np.array(place), np.array(fwhm), np.array(0.5), ratio, np.array(0.5))


def film() -> FloatArray:
    return 150 + 800 * np.exp(-(X - 15) / 5) + sum(a * pair(p) for p, a in EXPECTED.values())


WINDOWS = [
    WindowSpec(
        place - 1.2,
        place + 1.2,
        (LineSpec((Reflection("YBCO", (0, 0, order)),), place - 0.02, 0.2, mixing="free"),),
    )
    for order, (place, _) in EXPECTED.items()
]


@pytest.fixture(scope="module")
def references() -> list[LineList]:
    return [line_list(load_phase(key), CU) for key in ("NiO", "CuO", "BaF2", "Y2O3", "MgO")]


def search(
    expected: FloatArray, seed: int, references: list[LineList] | None = None, unit: float = 1.0
) -> tuple[UnexplainedLine, ...]:
    counts = np.random.default_rng(seed).poisson(expected) * unit
    scan = Scan(X, counts, poisson=unit == 1.0)
    background = broad_background(X, counts)
    return find_unexplained(scan, background, fit_windows(scan, WINDOWS, CU), CU, references or [])


def test_a_film_with_nothing_unexplained_shows_nothing() -> None:
    """1 % of scans may show one by chance; 3 or more of 60 would happen once in 43 such tests."""
    assert sum(bool(search(film(), seed)) for seed in range(60)) <= 2


def test_an_oxide_line_is_found_measured_and_named(references: list[LineList]) -> None:
    place = float(two_theta_of(load_phase("NiO").cell.a_A / 2, CU.k_alpha1_A))
    found = search(film() + 100 * pair(place, 0.3), 1, references)
    assert len(found) == 1
    (line,) = found
    assert abs(line.two_theta_deg - place) < 5 * line.two_theta_sigma_deg
    assert line.area_counts_deg == pytest.approx(100.0, abs=4 * line.area_sigma_counts_deg)
    assert line.fwhm_deg == pytest.approx(0.3, rel=0.15)
    assert line.d_A == pytest.approx(float(d_of(place, CU.k_alpha1_A)), rel=1e-3)
    assert line.candidates[0].name == "NiO (200)"
    assert abs(line.candidates[0].off_deg) < 0.05


def test_a_ghost_of_a_strong_line_is_named_as_ghost(references: list[LineList]) -> None:
    spacing = float(d_of(EXPECTED[5][0], CU.k_alpha1_A))
    place = float(two_theta_of(spacing, CU.k_beta_A))
    found = search(film() + 180 * pseudo_voigt(X, place, 0.25, 0.5), 2, references)
    assert found[0].candidates[0].kind == "ghost"
    assert found[0].candidates[0].name == "K-beta of YBCO (005)"


def test_a_stranger_inside_a_window_of_expected_lines_is_found() -> None:
    found = search(film() + 150 * pair(39.2), 3)
    assert any(abs(line.two_theta_deg - 39.2) < 0.03 for line in found)


def test_weaker_than_the_threshold_is_not_claimed() -> None:
    assert search(film() + 3 * pair(42.5), 4) == ()


def test_intensities_in_another_unit_find_the_same_line() -> None:
    found = search(film() + 100 * pair(43.3, 0.3), 5, unit=1e-3)
    assert [round(line.two_theta_deg, 1) for line in found] == [43.3]
    assert found[0].area_counts_deg == pytest.approx(0.1, rel=0.15)


def test_without_any_fitted_lines_everything_is_unexplained() -> None:
    counts = np.random.default_rng(6).poisson(film()).astype(float)
    scan = Scan(X, counts)
    found = find_unexplained(scan, broad_background(X, counts), None, CU)
    for place, _ in EXPECTED.values():
        assert min(abs(line.two_theta_deg - place) for line in found) < 0.03
