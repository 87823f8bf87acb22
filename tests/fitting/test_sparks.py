"""Sparks are taken out where no line is due, and nothing else is."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.invented import premises_on, scan_of
from xrdfilm.analysis.coupled import CoupledFit, analyse_coupled, prepare
from xrdfilm.analysis.film import FilmInput, analyse_films
from xrdfilm.fitting.sparks import without_sparks
from xrdfilm.readers import read_scan
from xrdfilm.scan import Finding, Scan
from xrdfilm.simulate.files import write_scan

X = np.linspace(10.0, 80.0, 3501)


def flat(*sparks: tuple[float, float], step: int = 1) -> Scan:
    counts = np.random.default_rng(3).poisson(200.0, X.size).astype(float)
    for place, height in sparks:
        counts[int(np.argmin(np.abs(X - place)))] = height
    return Scan(X[::step], counts[::step], findings=(Finding("spike", "flagged", "points"),))


def test_a_spark_becomes_the_mean_of_its_neighbours() -> None:
    scan = flat((40.0, 3000.0))
    at = int(np.argmin(np.abs(X - 40.0)))
    clean = without_sparks(scan, np.array([38.5, 46.7]), 0.1)
    assert clean.counts[at] == pytest.approx((scan.counts[at - 1] + scan.counts[at + 1]) / 2.0)
    others = np.arange(X.size) != at
    np.testing.assert_array_equal(clean.counts[others], scan.counts[others])
    (told,) = clean.findings
    assert told.action == "repaired"
    assert "40°" in told.text


def test_a_point_beside_a_sure_line_stays_and_is_still_told() -> None:
    scan = flat((38.3, 3000.0), (60.0, 3000.0))
    clean = without_sparks(scan, np.array([38.5]), 0.1)
    assert clean.counts[int(np.argmin(np.abs(X - 38.3)))] == 3000.0
    assert clean.counts[int(np.argmin(np.abs(X - 60.0)))] < 300.0
    assert [f.action for f in clean.findings] == ["flagged", "repaired"]


def test_a_coarse_scan_and_a_clean_one_are_left_alone() -> None:
    coarse = flat((40.0, 3000.0), step=5)
    assert without_sparks(coarse, np.array([38.5]), 0.1) is coarse
    clean = flat()
    assert without_sparks(clean, np.array([38.5]), 0.1) is clean


def test_a_line_is_no_spark() -> None:
    scan = flat()
    line = 5000.0 * np.exp(-4.0 * np.log(2.0) * ((X - 60.0) / 0.06) ** 2)
    scan = replace(scan, counts=scan.counts + np.round(line))
    assert without_sparks(scan, np.array([38.5]), 0.1) is scan


def test_sparks_make_no_products_and_no_lines() -> None:
    """At the places of the strongest lines of CuO and Y2O3, and of aligned fluoride."""
    premises = premises_on("tape", 4.5)
    scan, _ = scan_of(premises)
    counts = scan.counts.copy()
    for place in (24.85, 35.53, 48.55):
        counts[int(np.argmin(np.abs(scan.axis_deg - place)))] += 2000.0
    (film,) = analyse_films([FilmInput("sparks", premises, replace(scan, counts=counts))])
    (plain,) = analyse_films([FilmInput("plain", premises, scan)])
    assert film.fluoride is not None
    assert plain.fluoride is not None
    assert not film.fluoride.detected
    assert {p.phase for p in film.products if p.detected} == {
        p.phase for p in plain.products if p.detected
    }
    places = [line.two_theta_deg for line in film.unexplained]
    assert not any(abs(place - spark) < 0.1 for place in places for spark in (24.85, 35.53, 48.55))


def test_lines_at_the_counters_ceiling_do_not_carry_areas(tmp_path: Path) -> None:
    """What a reader finds cut off flat is left out of the fit: areas keep, and say so."""
    premises = premises_on("tape", 4.5)
    scan, truth = scan_of(premises)
    path = tmp_path / "cut.xy"
    write_scan(path, replace(scan, counts=np.minimum(scan.counts, 15_000.0)))
    cut = read_scan(path)
    assert any(finding.code == "saturation" for finding in cut.findings)
    (fit,) = analyse_coupled([cut], prepare(premises, cut.axis_deg))
    assert isinstance(fit, CoupledFit)
    line = fit.usable("YBCO").find("YBCO", (0, 0, 5))
    assert line is not None
    assert {"core_excluded", "beside_core"} & set(line.flags)
    assert line.area_counts_deg == pytest.approx(truth.area_counts_deg("YBCO", (0, 0, 5)), rel=0.05)


def test_intensities_that_are_no_counts_and_crowds_of_points_are_left_alone() -> None:
    scan = flat((40.0, 3000.0))
    other = replace(scan, poisson=False)
    assert without_sparks(other, np.array([38.5]), 0.1) is other
    many = flat(*((place, 3000.0) for place in (20.0, 30.0, 40.0, 50.0)))
    assert without_sparks(many, np.array([38.5]), 0.1) is many


def test_a_scan_with_a_curve_taken_off_is_read_without_ado(tmp_path: Path) -> None:
    scan, _ = scan_of(premises_on("tape", 4.5))
    path = tmp_path / "below.xy"
    np.savetxt(path, np.column_stack([scan.axis_deg, scan.counts - 150.0]), fmt="%.4f")
    assert any(finding.code == "negative_counts" for finding in read_scan(path).findings)
