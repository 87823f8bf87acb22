"""K-alpha2 that is there against what is stated, or not there, is told."""

from dataclasses import replace

import numpy as np
import pytest

from tests.invented import OPTICS, premises_on
from xrdfilm.analysis.doublet_check import FittedScan, doublet_notes
from xrdfilm.analysis.film import FilmInput, analyse_films
from xrdfilm.analysis.premises import Premises
from xrdfilm.crystal.radiation import d_of, radiation, two_theta_of
from xrdfilm.fitting.profile import pseudo_voigt
from xrdfilm.intensity.optics import Optics
from xrdfilm.lines import MeasuredLine, Reflection
from xrdfilm.scan import Scan
from xrdfilm.simulate import SimulatedFilm, simulate_scan


def scanned(premises: Premises, *, k_alpha1_only: bool, seed: int = 1) -> Scan:
    optics: Optics = replace(
        premises.optics, radiation=radiation("Cu", monochromatic=k_alpha1_only)
    )
    mosaic = premises.c_axis_mosaic.fwhm_deg
    film = SimulatedFilm(stack=premises.stack, c_mosaic_fwhm_deg=mosaic, a_mosaic_fwhm_deg=mosaic)
    return simulate_scan(film, optics, seed=seed)[0]


def measured_line(place_deg: float, fwhm_deg: float, area: float) -> MeasuredLine:
    return MeasuredLine(
        (Reflection("YBCO", (0, 0, 7)),), "free", place_deg, place_deg, 1e-3,
        area, area / 200.0, fwhm_deg, 1e-3, 0.5, 200.0, 1.0, 2.0, 60.0,
    )  # fmt: skip


def told(premises: Premises, scan: Scan) -> list[str]:
    (film,) = analyse_films([FilmInput("f", premises, scan)])
    assert film.unreadable is None
    return [text for text in film.warnings if "k_alpha1_only" in text]


@pytest.mark.parametrize(("kind", "mosaic_deg"), [("tape", 4.5), ("crystal", 0.5)])
@pytest.mark.parametrize("k_alpha1_only", [False, True])
@pytest.mark.parametrize("stated", [False, True])
def test_only_a_wrong_statement_is_told(
    kind: str, mosaic_deg: float, k_alpha1_only: bool, stated: bool
) -> None:
    premises = premises_on(kind, mosaic_deg)
    assert OPTICS["anode"] == "Cu"
    rays = radiation("Cu", monochromatic=stated)
    premises = replace(premises, optics=replace(premises.optics, radiation=rays))
    texts = told(premises, scanned(premises, k_alpha1_only=k_alpha1_only))
    if stated == k_alpha1_only:
        assert texts == []
    else:
        assert len(texts) == 1
        assert ("show no K-alpha2" in texts[0]) == k_alpha1_only


def test_a_coarse_scan_tells_nothing() -> None:
    premises = premises_on("crystal", 0.5)
    scan = scanned(premises, k_alpha1_only=True)
    coarse = Scan(scan.axis_deg[::6], scan.counts[::6])
    assert told(premises, coarse) == []


@pytest.mark.parametrize("stated", [True, False])
def test_few_counts_tell_nothing(stated: bool) -> None:
    rng = np.random.default_rng(4)
    x = np.arange(40.0, 60.0, 0.02)
    area = 2.0
    mean = 60.0 + area * pseudo_voigt(x, 51.5, 0.1, 0.5)
    rays = radiation("Cu", monochromatic=not stated)
    for _ in range(20):
        scan = Scan(x, rng.poisson(mean).astype(float))
        lines = [measured_line(51.5, 0.1, area)]
        assert doublet_notes([FittedScan(scan, np.full_like(x, 60.0), lines, rays)]) == [None]


@pytest.mark.parametrize("fwhm_deg", [0.08, 0.16])
@pytest.mark.parametrize("pair", [True, False])
def test_a_wide_line_tells_by_its_shape_not_by_two_points(fwhm_deg: float, pair: bool) -> None:
    """K-alpha2 half a width from K-alpha1, counts of a few hundred: the top is not where it seems.

    A wide film line must never outvote what counting and its shape leave open, and a sharp one
    beside it must be heard.
    """
    rays = radiation("Cu")
    second_A = rays.k_alpha2_A
    assert second_A is not None
    rng = np.random.default_rng(5)
    x = np.arange(40.0, 60.0, 0.02)
    lines = []
    mean = np.full_like(x, 60.0)
    for place, width, height in ((51.5, fwhm_deg, 4000.0), (55.0, 0.29, 400.0)):
        second = float(two_theta_of(d_of(place, rays.k_alpha1_A), second_A))
        profile = pseudo_voigt(x, place, width, 0.5)
        if pair:
            profile = (2.0 * profile + pseudo_voigt(x, second, width, 0.5)) / 3.0
        area = height / profile.max()
        mean = mean + area * profile
        lines.append(measured_line(place, width, area))
    wrong = 0
    for _ in range(20):
        scan = Scan(x, rng.poisson(mean).astype(float))
        for stated in (True, False):
            stated_rays = radiation("Cu", monochromatic=not stated)
            film = FittedScan(scan, np.full_like(x, 60.0), lines, stated_rays)
            (note,) = doublet_notes([film])
            if stated == pair:
                assert note is None
            else:
                wrong += note is not None
    assert wrong == 20


def test_pairs_on_a_crystal_are_told_where_the_film_crowds_its_lines() -> None:
    """YBCO (006) and (003) stand beside the lines of SrTiO3, which still show their pair."""
    premises = premises_on("crystal", 0.5)
    rays = radiation("Cu", monochromatic=True)
    stated = replace(premises, optics=replace(premises.optics, radiation=rays))
    scan = scanned(premises, k_alpha1_only=False, seed=3)
    (text,) = told(stated, scan)
    assert "show K-alpha2" in text
