import itertools

import numpy as np
import pytest

from xrdfilm.crystal import Phase, load_phase
from xrdfilm.crystal.poles import (
    Setting,
    component_poles,
    in_plane_variants,
    orientation_matrix,
    pole_count,
    poles,
    tilt_groups,
    tilt_ratio_factor,
)
from xrdfilm.crystal.radiation import radiation
from xrdfilm.errors import PhaseError

WAVELENGTH_A = radiation().mean_A
C, A, B = (0, 0, 1), (1, 0, 0), (0, 1, 0)


@pytest.fixture
def ybco() -> Phase:
    """YBCO on the cell of J. D. Jorgensen et al., Phys. Rev. B 41 (1990) 1863 (from memory)."""
    return load_phase("YBCO").with_cell(a_A=3.8227, b_A=3.8872, c_A=11.6802)


@pytest.mark.parametrize(
    ("family", "from_c", "normal", "from_ab"),
    [
        ((1, 0, 2), 56.79, A, 33.21),
        ((0, 1, 2), 56.35, B, 33.65),
        ((1, 0, 3), 45.52, A, 44.48),
        ((0, 1, 3), 45.05, B, 44.95),
    ],
)
def test_tilts_of_the_lines_that_tell_a_from_c(ybco, family, from_c, normal, from_ab):
    # cotangents by hand: tan χ = (c/l)/(a/h) for (h0l)
    (c_group,) = tilt_groups(ybco, C, family)
    assert c_group.tilt_deg == pytest.approx(from_c, abs=0.006)
    lowest = tilt_groups(ybco, normal, family)[0]
    assert lowest.tilt_deg == pytest.approx(from_ab, abs=0.006)
    assert (c_group.count, lowest.count) == (2, 2)
    edge, index = (ybco.cell.a_A, family[0]) if normal == A else (ybco.cell.b_A, family[1])
    by_hand = np.degrees(np.arctan((ybco.cell.c_A / family[2]) / (edge / index)))
    assert c_group.tilt_deg == pytest.approx(by_hand, abs=1e-9)


def test_a_grain_normal_to_b_shows_102_in_the_film_plane_only(ybco):
    groups = tilt_groups(ybco, B, (1, 0, 2))
    assert [(round(g.tilt_deg, 6), g.count) for g in groups] == [(90.0, 4)]


def test_factor_is_two_where_a_and_b_are_equally_often_normal(ybco):
    families = [(1, 0, 2), (0, 1, 2)]
    assert tilt_ratio_factor(ybco, families, WAVELENGTH_A) == pytest.approx(2.0, abs=1e-12)


def test_factor_where_every_grain_is_normal_to_a(ybco):
    # 1 + |F(012)|²/|F(102)|² = 1.55 by hand; the weak lines are good to 10-20 %
    families = [(1, 0, 2), (0, 1, 2)]
    both = tilt_ratio_factor(ybco, families, WAVELENGTH_A, share_a=1.0)
    assert both == pytest.approx(1.55, abs=0.02)
    alone = tilt_ratio_factor(ybco, families[:1], WAVELENGTH_A, share_a=1.0)
    assert alone == pytest.approx(1.0, abs=1e-12)


def test_factor_is_two_for_the_tetragonal_compound_whatever_the_split():
    phase = load_phase("YBCO6")
    assert tilt_ratio_factor(phase, [(1, 0, 2)], WAVELENGTH_A) == pytest.approx(2.0, abs=1e-12)


def test_factor_refuses_a_family_that_cannot_tell(ybco):
    with pytest.raises(PhaseError, match="no pole of one component"):
        tilt_ratio_factor(ybco, [(1, 0, 0)], WAVELENGTH_A)


def test_cubic_111_poles_about_001():
    # 54.7356° = arccos(1/√3); 70.5288° = arccos(1/3)
    phase = load_phase("BaF2")
    four = poles(phase, Setting((0, 0, 1), (1, 0, 0)), (1, 1, 1))
    np.testing.assert_allclose(four.tilt_deg, np.degrees(np.arccos(1 / np.sqrt(3))), atol=1e-9)
    np.testing.assert_allclose(four.azimuth_deg, [45, 135, 225, 315], atol=1e-9)
    about_111 = tilt_groups(phase, (1, 1, 1), (1, 1, 1))
    assert [g.count for g in about_111] == [1, 3]
    assert about_111[1].tilt_deg == pytest.approx(np.degrees(np.arccos(1 / 3)), abs=1e-9)


def test_buffer_and_film_azimuths_are_turned_by_45_degrees():
    # REBCO [100] along fluorite [110]: what φ scans of film (103) and buffer (111) show
    film = in_plane_variants(load_phase("YBCO6"), C, A, azimuth_deg=45.0)
    buffer = in_plane_variants(load_phase("CeO2"), C, A)
    assert len(film) == len(buffer) == 1
    film_azimuths = poles(load_phase("YBCO6"), film[0], (1, 0, 3)).azimuth_deg
    buffer_azimuths = poles(load_phase("CeO2"), buffer[0], (1, 1, 1)).azimuth_deg
    np.testing.assert_allclose(film_azimuths, buffer_azimuths, atol=1e-9)


def test_in_plane_variants_merge_what_symmetry_makes_the_same(ybco):
    assert len(in_plane_variants(ybco, C, A)) == 2  # a along x, b along x
    assert len(in_plane_variants(ybco, A, C)) == 2  # c along x, c along y
    assert len(in_plane_variants(load_phase("BaF2"), C, A)) == 1
    assert len(in_plane_variants(load_phase("BaF2"), (1, 1, 1), (1, -1, 0), fold=6)) == 2
    shares = [s.share for s in in_plane_variants(ybco, C, A, twin_plane=(1, 1, 0))]
    assert shares == [0.25] * 4


def test_110_twin_turns_the_azimuths_by_the_orthorhombic_angle(ybco):
    # the normal of (110) lies at arctan(a/b) from a; half a turn about it doubles that
    parent, twin = (
        poles(ybco, Setting(C, A, twin_plane=plane), (1, 0, 3)) for plane in (None, (1, 1, 0))
    )
    turn = 2.0 * np.degrees(np.arctan(ybco.cell.a_A / ybco.cell.b_A))
    assert 88.9 < turn < 89.1
    np.testing.assert_allclose(twin.azimuth_deg, parent.azimuth_deg + turn, atol=1e-9)
    np.testing.assert_allclose(twin.tilt_deg, parent.tilt_deg, atol=1e-9)


def test_twinning_keeps_the_sum_over_the_four_azimuths(ybco):
    plain = in_plane_variants(ybco, C, A)
    twinned = in_plane_variants(ybco, C, A, twin_plane=(1, 1, 0))
    for family in ((1, 0, 2), (0, 1, 2), (1, 0, 3)):
        counts = [pole_count(ybco, s, family, 30.0, 60.0) for s in (plain, twinned)]
        assert counts[0] == counts[1] == 2.0


def test_upper_half_space_holds_half_of_the_family_or_all_in_plane(ybco):
    setting = Setting(C, A)
    for family, total in (((1, 1, 3), 8), ((1, 0, 2), 4), ((0, 0, 5), 2)):
        assert len(poles(ybco, setting, family)) == total // 2
    assert len(poles(ybco, setting, (1, 1, 0))) == 4


@pytest.mark.parametrize("key", ["YBCO", "CuO", "LaAlO3-rhombohedral", "Y2BaCuO5", "CeO2"])
def test_matrix_is_a_rotation_that_puts_the_normal_up(key):
    phase = load_phase(key)
    for normal, second in itertools.permutations([(1, 0, 2), (0, 1, 1), (1, 1, -3)], 2):
        matrix = orientation_matrix(phase, Setting(normal, second, azimuth_deg=30.0))
        np.testing.assert_allclose(matrix @ matrix.T, np.eye(3), atol=1e-12)
        assert np.linalg.det(matrix) == pytest.approx(1.0, abs=1e-12)
        up = matrix @ (np.array(normal) @ phase.cell.reciprocal_base)
        np.testing.assert_allclose(up / np.linalg.norm(up), [0, 0, 1], atol=1e-12)
        flat = matrix @ (np.array(second) @ phase.cell.reciprocal_base)
        assert np.degrees(np.arctan2(flat[1], flat[0])) == pytest.approx(30.0, abs=1e-9)


@pytest.mark.parametrize("key", ["YBCO", "CuO", "LaAlO3-rhombohedral", "CeO2"])
def test_tilts_agree_with_the_metric(key):
    # cos χ = h·G*·n / (|h| |n|) straight from the reciprocal metric
    phase = load_phase(key)
    metric = phase.cell.reciprocal_metric
    normal = np.array([1, 1, 2])
    found = poles(phase, Setting((1, 1, 2), (1, -1, 0)), (2, 1, 3))
    for plane, tilt in zip(found.hkl, found.tilt_deg, strict=True):
        cosine = plane @ metric @ normal
        cosine /= np.sqrt((plane @ metric @ plane) * (normal @ metric @ normal))
        assert tilt == pytest.approx(np.degrees(np.arccos(np.clip(cosine, -1, 1))), abs=1e-6)


def test_parallel_reference_is_refused(ybco):
    with pytest.raises(PhaseError, match="parallel"):
        orientation_matrix(ybco, Setting(C, (0, 0, 2)))


def test_component_poles_keep_order_and_shares(ybco):
    settings = in_plane_variants(ybco, A, C)
    found = component_poles(ybco, settings, (1, 0, 2))
    assert [p.share for p in found] == [0.5, 0.5]
    azimuths = [p.azimuth_deg[p.tilt_deg < 45] for p in found]
    np.testing.assert_allclose(azimuths, [[0, 180], [90, 270]], atol=1e-9)
