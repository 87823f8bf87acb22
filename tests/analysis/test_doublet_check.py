"""K-alpha2 that is there against what is stated, or not there, is told."""

from dataclasses import replace

import numpy as np
import pytest

from tests.invented import OPTICS, premises_on
from xrdfilm.analysis.film import FilmInput, analyse_films
from xrdfilm.analysis.premises import Premises
from xrdfilm.crystal.radiation import radiation
from xrdfilm.intensity.optics import Optics
from xrdfilm.scan import Scan
from xrdfilm.simulate import SimulatedFilm, simulate_scan


def scanned(premises: Premises, *, k_alpha1_only: bool, seed: int = 1) -> Scan:
    optics: Optics = replace(
        premises.optics, radiation=radiation("Cu", monochromatic=k_alpha1_only)
    )
    mosaic = premises.c_axis_mosaic.fwhm_deg
    film = SimulatedFilm(stack=premises.stack, c_mosaic_fwhm_deg=mosaic, a_mosaic_fwhm_deg=mosaic)
    return simulate_scan(film, optics, seed=seed)[0]


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


def test_a_weak_or_a_coarse_scan_tells_nothing() -> None:
    premises = premises_on("crystal", 0.5)
    scan = scanned(premises, k_alpha1_only=True)
    coarse = Scan(scan.axis_deg[::6], scan.counts[::6])
    assert told(premises, coarse) == []
    rng = np.random.default_rng(4)
    weak = replace(scan, counts=rng.binomial(scan.counts.astype(int), 2e-3).astype(float))
    assert told(premises, weak) == []
