import numpy as np
import pytest

from xrdfilm.crystal import family_members, line_list, load_phase
from xrdfilm.crystal.radiation import radiation
from xrdfilm.errors import StackError
from xrdfilm.intensity.model import (
    Orientation,
    a_axis,
    aligned_00l,
    aligned_111,
    c_axis,
    line_strengths,
    other_103,
    random,
    variant_share,
)
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack

CU = radiation("Cu")


def strengths(phase, lines, orientation, stack, optics=None, layer=0):
    return line_strengths(
        phase,
        lines.hkl,
        lines.multiplicity,
        lines.f_squared,
        lines.two_theta_deg,
        orientation,
        optics or Optics(),
        stack,
        layer,
    )


def test_random_bulk_gives_the_published_powder_pattern():
    # MgO: Swanson & Tatge, NBS Circular 539 vol. 1 (1953) p. 37; the lines below 80°, whose
    # intensities depend little on the displacement factors
    published = {
        (1, 1, 1): 10,
        (2, 0, 0): 100,
        (2, 2, 0): 52,
        (3, 1, 1): 4,
        (2, 2, 2): 12,
    }
    phase = load_phase("MgO")
    lines = line_list(phase, CU, two_theta_max_deg=80.0)
    ours = strengths(phase, lines, random(), Stack(Layer(phase, None), sample_length_mm=100.0))
    ours = 100.0 * ours / ours.max()
    for hkl, intensity in published.items():
        # visual and counter intensities of 1953 are good to a few units of the strongest
        assert ours[lines.index(hkl)] == pytest.approx(intensity, abs=4.0), hkl


def test_only_planes_along_the_normal_of_an_aligned_grain_reflect():
    phase = load_phase("YBCO")
    lines = line_list(phase, CU, two_theta_max_deg=80.0)
    stack = Stack(Layer(phase, 800.0))
    seen = {
        "c_axis": lines.hkl[strengths(phase, lines, c_axis(1.0), stack) > 0],
        "a_axis": lines.hkl[strengths(phase, lines, a_axis(1.0), stack) > 0],
        "other": lines.hkl[strengths(phase, lines, other_103(1.0), stack) > 0],
    }
    assert np.all(seen["c_axis"][:, :2] == 0)
    assert seen["c_axis"][:, 2].tolist() == [1, 2, 3, 4, 5, 6, 7, 8, 9]
    # (h00) and (0k0) both, and no 00l among them
    assert np.all(seen["a_axis"][:, 2] == 0)
    assert np.all(np.sum(seen["a_axis"] > 0, axis=1) == 1)
    assert {tuple(row) for row in seen["other"].tolist()} == {
        (1, 0, 3),
        (0, 1, 3),
        (2, 0, 6),
        (0, 2, 6),
    }


def test_a_normal_share_splits_h00_from_0k0():
    phase = load_phase("YBCO")
    rows = np.array([[2, 0, 0], [0, 2, 0], [0, 0, 6], [1, 1, 0]])
    assert variant_share(phase, rows, a_axis(1.0, 0.7)) == pytest.approx([0.7, 0.3, 0, 0])
    assert variant_share(phase, rows, c_axis(1.0)) == pytest.approx([0, 0, 1, 0])
    # in a tetragonal film {200} holds both
    tetragonal = load_phase("YBCO6")
    assert variant_share(tetragonal, rows, a_axis(1.0, 0.7)) == pytest.approx([1, 1, 0, 0])


@pytest.mark.parametrize("key", ["BaF2", "La2Zr2O7", "SrTiO3", "CeO2"])
def test_any_member_of_a_cubic_family_stands_for_it(key):
    phase = load_phase(key)
    for member in family_members(phase, (0, 0, 4)):
        assert variant_share(phase, [member], aligned_00l(1.0)) == pytest.approx([1.0])
        assert variant_share(phase, [member], aligned_111(1.0)) == pytest.approx([0.0])
    for member in family_members(phase, (2, 2, 2)):
        assert variant_share(phase, [member], aligned_111(1.0)) == pytest.approx([1.0])


def test_strained_cubic_cell_tells_its_axes_apart():
    strained = load_phase("LaAlO3").with_cell(a_A=3.79, b_A=3.79, c_A=3.82)
    rows = [[2, 0, 0], [0, 0, 2]]
    assert variant_share(strained, rows, aligned_00l(0.1)) == pytest.approx([0.0, 1.0])


def test_random_share_is_no_variant_share():
    assert variant_share(load_phase("YBCO"), [[0, 0, 5]], random()) == pytest.approx([0.0])


def test_sharp_film_follows_the_single_crystal_and_a_broad_one_the_powder_law():
    """W is 1 for a sharp mosaic; for a broad one 00l falls as a powder's, without m."""
    phase = load_phase("YBCO")
    lines = line_list(phase, CU, two_theta_max_deg=80.0)
    rows = np.flatnonzero(np.all(lines.hkl[:, :2] == 0, axis=1))
    stack = Stack(Layer(phase, 800.0), sample_length_mm=100.0)
    bare = strengths(phase, lines, c_axis(1e-6), stack)[rows]
    theta = np.radians(lines.two_theta_deg[rows] / 2)
    broad = strengths(phase, lines, c_axis(2000.0), stack)[rows] / bare
    powder = strengths(phase, lines, random(), stack)[rows] / bare
    assert broad * np.sin(theta) == pytest.approx(
        np.full(rows.size, broad[0] * np.sin(theta[0])), rel=2e-3
    )
    assert broad / powder == pytest.approx(np.full(rows.size, broad[0] / powder[0]), rel=2e-3)


def test_random_and_aligned_grains_lie_decades_apart():
    phase = load_phase("BaF2")
    lines = line_list(phase, CU, two_theta_max_deg=80.0)
    stack = Stack(Layer(load_phase("YBCO"), 800.0))
    aligned = strengths(phase, lines, aligned_00l(0.3), stack)[lines.index((2, 0, 0))]
    powder = strengths(phase, lines, random(), stack)[lines.index((2, 0, 0))]
    assert 3.0 < np.log10(aligned / powder) < 5.0


def test_overlayers_weaken_a_buried_layer():
    ceria = Layer(load_phase("CeO2"), 75.0)
    lines = line_list(ceria.phase, CU, two_theta_max_deg=80.0)
    buried = Stack(Layer(load_phase("YBCO"), 800.0), (ceria,))
    bare = Stack(ceria)
    ratio = (
        strengths(ceria.phase, lines, aligned_00l(3.0), buried, layer=1)[lines.index((2, 0, 0))]
        / strengths(ceria.phase, lines, aligned_00l(3.0), bare)[lines.index((2, 0, 0))]
    )
    # µ = 1078 cm⁻¹ of YBa2Cu3O7 (Elam tables) twice through 800 nm at 2θ = 33.08°
    expected = np.exp(-2 * 1078 * 800e-7 / np.sin(np.radians(33.08 / 2)))
    assert ratio == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(
    ("normals", "mosaic", "told"),
    [
        ((((0, 0, 1), 0.7),), 1.0, "add up to 1"),
        ((((0, 0, 1), 1.5), ((1, 0, 0), -0.5)), 1.0, "not be negative"),
        ((((0, 0, 1), 1.0),), -1.0, "mosaic_fwhm_deg is -1"),
        ((((0, 0, 0), 1.0),), 1.0, "no plane"),
    ],
)
def test_orientations_that_make_no_sense_are_refused(normals, mosaic, told):
    with pytest.raises(StackError, match=told):
        Orientation("odd", normals, mosaic)
