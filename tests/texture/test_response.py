from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from xrdfilm.crystal import f_squared, line_list, load_phase
from xrdfilm.intensity.model import a_axis, c_axis, line_strengths, random
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.texture.response import (
    Component,
    ModelSpread,
    Mosaic,
    build_response,
    f_squared_sigma,
    with_thickness,
)

YBCO = load_phase("YBCO")
STACK = Stack(Layer(YBCO, 800.0), (), Layer(load_phase("SrTiO3"), None))
LINES = (((0, 0, 5), (0, 1, 4)), ((2, 0, 0),), ((1, 0, 3), (0, 1, 3), (1, 1, 0)))
COMPONENTS = (
    Component(c_axis(1.0), 1.05, True),
    Component(a_axis(1.5), 1.6, False, 0.1),
    Component(random()),
)


def _strength(hkl, orientation, optics, stack):
    listed = line_list(YBCO, optics.radiation, two_theta_max_deg=80.0)
    at = listed.index(hkl)
    return line_strengths(
        YBCO,
        [hkl],
        [listed.multiplicity[at]],
        f_squared(YBCO, [hkl], optics.radiation.mean_A),
        [listed.two_theta_deg[at]],
        orientation,
        optics,
        stack,
        0,
    )[0]


@pytest.mark.parametrize(
    "optics",
    [
        Optics(),
        Optics(axial="two_stacks", axial_acceptance_deg=3.0),
        Optics(slit="variable", divergence_deg=None, illuminated_mm=8.0),
    ],
)
def test_nominal_response_is_the_intensity_model_summed_over_members(optics):
    found = build_response(LINES, YBCO, COMPONENTS, optics, STACK, 0, ModelSpread())
    for row, line in enumerate(LINES):
        for column, component in enumerate(COMPONENTS):
            expected = sum(_strength(h, component.orientation, optics, STACK) for h in line)
            assert found.nominal[row, column] == pytest.approx(expected, rel=1e-9, abs=1e-30)


def test_draws_follow_the_model_where_one_thing_alone_is_uncertain():
    """The tabulated dependence on mosaic, acceptance and thickness against the model itself."""
    none = ModelSpread(thickness=1e-9, axial=1e-9, structure_factor_e=1e-9)
    optics = Optics()
    sure = (Component(c_axis(1.0)), Component(random()))
    line = (((0, 0, 5),),)

    axial = build_response(line, YBCO, sure, optics, STACK, 0, replace(none, axial=0.1))
    z = axial.normals[:, axial.causes.index("axial acceptance")]
    for j in (3, 500, 900):
        wide = replace(optics, axial_acceptance_deg=2.3 * np.exp(0.1 * z[j]))
        for column, orientation in enumerate((c_axis(1.0), random())):
            expected = _strength((0, 0, 5), orientation, wide, STACK)
            # |F|² keeps its least uncertainty of 3 %
            f = np.exp(0.03 * axial.normals[j, 0])
            assert axial.draws[j, 0, column] == pytest.approx(expected * f, rel=2e-3)

    thick = build_response(line, YBCO, sure, optics, STACK, 0, replace(none, thickness=0.12))
    z = thick.normals[:, thick.causes.index("thickness")]
    for j in (3, 500, 900):
        other = with_thickness(STACK, 0, float(np.exp(0.12 * z[j])))
        expected = _strength((0, 0, 5), c_axis(1.0), optics, other)
        f = np.exp(0.03 * thick.normals[j, 0])
        assert thick.draws[j, 0, 0] == pytest.approx(expected * f, rel=1e-3)

    loose = (Component(c_axis(1.0), 2.0, True), Component(random()))
    mosaic = build_response(line, YBCO, loose, optics, STACK, 0, none)
    z = mosaic.normals[:, mosaic.causes.index("mosaic") + 1]
    for j in (3, 500, 900):
        expected = _strength((0, 0, 5), c_axis(float(2.0 ** z[j])), optics, STACK)
        f = np.exp(0.03 * mosaic.normals[j, 0])
        assert mosaic.draws[j, 0, 0] == pytest.approx(expected * f, rel=2e-3)


def test_unmeasured_mosaics_share_most_of_their_spread():
    factor = 2.0
    both = (Component(c_axis(20.0), factor, False), Component(a_axis(20.0), factor, False))
    none = ModelSpread(thickness=1e-9, axial=1e-9, structure_factor_e=1e-9)
    found = build_response((((0, 0, 5),), ((2, 0, 0),)), YBCO, both, Optics(), STACK, 0, none)
    c = np.log(found.draws[:, 0, 0])
    a = np.log(found.draws[:, 1, 1])
    assert np.corrcoef(c, a)[0, 1] > 0.7
    # at 20 degrees W goes as the inverse square of the mosaic; the widths' ratio is open by exp(0.49)
    assert (c - a).std() / 2.0 == pytest.approx(np.log(2.0) * np.sqrt(2 * 0.25), rel=0.1)


def test_strong_lines_are_known_better_than_weak_ones():
    # A2: (005), (006), (200) better, (003), (007), (102), (012) 10 to 20 %
    strong = f_squared_sigma(np.array([8689.0, 19982.0, 34797.0]), 2.5)
    weak = f_squared_sigma(np.array([2203.0, 3369.0, 1760.0, 985.0]), 2.5)
    assert strong.max() < 0.06
    assert weak.min() > 0.08
    assert weak.max() < 0.2


def test_mosaic_checks_and_follows():
    measured = Mosaic.from_measurement(2.0, 0.1)
    assert measured.measured
    following = measured.follows()
    assert following.fwhm_deg == 2.0
    assert not following.measured
    assert following.factor == pytest.approx(np.exp(np.hypot(0.05, 0.5)))
    assert Mosaic(3.0, 2.0).follows() == Mosaic(3.0, 2.0)
    with pytest.raises(ValueError, match="above 0"):
        Mosaic(0.0)
    with pytest.raises(ValueError, match="at least 1"):
        Mosaic(1.0, 0.5)


def test_thickness_of_one_layer_changes_alone():
    ceria = Layer(load_phase("CeO2"), 75.0)
    stack = replace(STACK, buffers=(ceria,))
    thicker = with_thickness(stack, 1, 1.2)
    assert thicker.buffers[0].thickness_nm == pytest.approx(90.0)
    assert thicker.film == stack.film
    assert thicker.substrate == stack.substrate
    assert with_thickness(stack, 2, 1.2) == stack  # a bulk has none


def test_results_are_kept_and_read_only():
    first = build_response(LINES, YBCO, COMPONENTS, Optics(), STACK, 0, ModelSpread())
    assert first is build_response(LINES, YBCO, COMPONENTS, Optics(), STACK, 0, ModelSpread())
    with pytest.raises(ValueError, match="read-only"):
        first.nominal[0, 0] = 1.0
