"""Amplitudes and their doubt: against the intensity model, hand-made lines and finite changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from xrdfilm.crystal import line_list, load_phase
from xrdfilm.errors import CannotTellError
from xrdfilm.fluoride.model import (
    FLUORIDE_LINES,
    ModelDoubt,
    component_strengths,
    film_amplitude,
    ratio_draws,
    volume_fraction_of_ratio,
)
from xrdfilm.intensity.model import a_axis, aligned_00l, aligned_111, c_axis, line_strengths, random
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection

OPTICS = Optics()
YBCO, BAF2 = load_phase("YBCO"), load_phase("BaF2")
STACK = Stack(Layer(YBCO, 800.0), (), Layer(load_phase("SrTiO3"), None))
COMPONENTS = ((c_axis(1.5), 0.9), (a_axis(1.5), 0.06), (random(), 0.04))


def measured(hkls, areas, phase="YBCO", sigma=1.0):
    lines = tuple(
        MeasuredLine(
            (Reflection(phase, hkl),), "free", 38.0, 38.0, 0.01, area, sigma, 0.1, 0.01, 0.5,
            area / sigma, 1.6, 3.3, 100.0,
        )
        for hkl, area in zip(hkls, areas, strict=True)
    )  # fmt: skip
    return MeasuredLines(lines, np.diag([sigma**2] * len(lines)))


@pytest.mark.parametrize("orientation", [random(), aligned_00l(2.0), aligned_111(2.0)])
def test_strengths_are_those_of_the_intensity_model(orientation):
    lines = line_list(BAF2, OPTICS.radiation)
    rows = [lines.index(hkl) for hkl in FLUORIDE_LINES]
    expected = line_strengths(
        BAF2, lines.hkl[rows], lines.multiplicity[rows], lines.f_squared[rows],
        lines.two_theta_deg[rows], orientation, OPTICS, STACK, 0,
    )  # fmt: skip
    found = component_strengths(BAF2, FLUORIDE_LINES, ((orientation, 1.0),), OPTICS, STACK)
    assert found == pytest.approx(expected, rel=1e-9)


def test_powder_ratios_of_baf2():
    # worked out apart from the package, for mean Cu K-alpha: 100:24:63:45 (powder factor, no absorption).
    # Here a thin film adds path 1/sinθ and the footprint inside the window; take both out.
    thin = replace(STACK, film=Layer(YBCO, 1.0))
    wide = replace(thin, sample_length_mm=1000.0)
    found = component_strengths(BAF2, FLUORIDE_LINES[:4], ((random(), 1.0),), OPTICS, wide)
    lines = line_list(BAF2, OPTICS.radiation)
    theta = np.radians([lines.two_theta_deg[lines.index(h)] / 2 for h in FLUORIDE_LINES[:4]])
    powder = found * np.sin(theta)
    assert 100 * powder / powder[0] == pytest.approx([100, 24, 63, 45], abs=1.5)


def test_film_amplitude_gives_back_what_made_the_areas():
    hkls = ((0, 0, 4), (0, 0, 5), (0, 0, 6))
    strengths = component_strengths(YBCO, hkls, COMPONENTS, OPTICS, STACK)
    film = film_amplitude(measured(hkls, 3e8 * strengths), YBCO, COMPONENTS, OPTICS, STACK)
    assert film.value == pytest.approx(3e8, rel=1e-9)
    assert film.hkl == hkls
    # counting: Σ w² σ² over (Σ w S)², by hand
    by_hand = np.sqrt(np.sum(film.weights**2)) / (film.weights @ strengths)
    assert film.sigma == pytest.approx(by_hand)


def test_film_amplitude_takes_no_blend_and_needs_a_line():
    lines = measured(((0, 0, 5),), [100.0])
    members = (Reflection("YBCO", (0, 0, 5)), Reflection("CuO", (1, 1, 1)))
    blend = MeasuredLines((replace(lines.lines[0], members=members),), lines.area_covariance)
    with pytest.raises(CannotTellError, match="no line of YBCO"):
        film_amplitude(blend, YBCO, COMPONENTS, OPTICS, STACK)


def draws(name, doubt, mosaic=1.5, stack=STACK, optics=OPTICS):
    hkls = ((0, 0, 5), (0, 0, 6))
    areas = 1e6 * component_strengths(YBCO, hkls, COMPONENTS, OPTICS, STACK)
    film = film_amplitude(measured(hkls, areas), YBCO, COMPONENTS, OPTICS, STACK)
    return ratio_draws(
        name, BAF2, ((1, 1, 1),) if name != "aligned_00l" else ((2, 0, 0),), np.ones(1), film,
        mosaic, optics, stack, doubt,
    )  # fmt: skip


def test_no_doubt_draws_nothing():
    assert draws("random", ModelDoubt.none()).factor == pytest.approx(1.0, abs=1e-9)


def test_mosaic_doubt_is_that_of_the_changed_model():
    # a sharper or broader film changes the strength of (00l), not that of random fluoride; the
    # draws' spread must be that of the model evaluated at ± one standard deviation
    doubt = replace(ModelDoubt.none(), mosaic_factor=1.3)
    hkls = ((0, 0, 5), (0, 0, 6))

    def strength(factor):
        components = (
            (c_axis(1.5 * factor), 0.9), (a_axis(1.5 * factor), 0.06), (random(), 0.04)
        )  # fmt: skip
        return component_strengths(YBCO, hkls, components, OPTICS, STACK)

    low, high = (np.log(strength(f) / strength(1.0)).mean() for f in (1 / 1.3, 1.3))
    drawn = draws("random", doubt)
    assert drawn.sigma_log["mosaic"] == pytest.approx(abs(high - low) / 2, rel=0.05)
    # aligned alike, numerator and denominator move together
    assert draws("aligned_00l", doubt).sigma_log["mosaic"] < 0.2 * drawn.sigma_log["mosaic"]


def test_thickness_and_aperture_doubt_by_finite_change():
    drawn = draws("random", replace(ModelDoubt.none(), thickness=0.15, aperture=0.1))
    hkls = ((0, 0, 5), (0, 0, 6))

    def ratio(stack, optics):
        film = component_strengths(YBCO, hkls, COMPONENTS, optics, stack)
        ours = component_strengths(BAF2, ((1, 1, 1),), ((random(), 1.0),), optics, stack)
        return np.log(film.sum() / ours.sum())

    thick = replace(STACK, film=Layer(YBCO, 800.0 * 1.15))
    thin = replace(STACK, film=Layer(YBCO, 800.0 * 0.85))
    by_thickness = abs(ratio(thick, OPTICS) - ratio(thin, OPTICS)) / 2
    assert drawn.sigma_log["thickness"] == pytest.approx(by_thickness, rel=0.15)
    wide, narrow = (replace(OPTICS, axial_acceptance_deg=2.3 * f) for f in (1.1, 0.9))
    by_aperture = abs(ratio(STACK, wide) - ratio(STACK, narrow)) / 2
    assert drawn.sigma_log["aperture"] == pytest.approx(by_aperture, rel=0.15)


def test_volume_fraction_is_monotone_through_zero():
    u = np.linspace(-2, 5, 701)
    phi = volume_fraction_of_ratio(u)
    assert np.all(np.diff(phi) > 0)
    assert volume_fraction_of_ratio(np.array([0.25]))[0] == pytest.approx(0.2)
