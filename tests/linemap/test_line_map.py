import numpy as np
import pytest

from xrdfilm.crystal import line_list, lines_along, load_phase
from xrdfilm.crystal.radiation import own_radiation, radiation
from xrdfilm.intensity.model import c_axis, line_strengths
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.powder_tables import handbook_of, powder_intensities
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.linemap.expected import (
    GHOST_SHARES,
    HALF_WAVELENGTH,
    expected_lines,
    ghost_shares,
    stack_phases,
)
from xrdfilm.linemap.figure import draw_line_map, rows_of
from xrdfilm.linemap.line_map import GRAIN_WORDS, WARY, LineMap, MapRules, line_map
from xrdfilm.lines import Reflection

OPTICS = Optics()


def _stack(substrate: str, *buffers: str, film: str = "YBCO") -> Stack:
    return Stack(
        Layer(load_phase(film), 800.0),
        tuple(Layer(load_phase(key), 100.0) for key in buffers),
        Layer(load_phase(substrate), None),
    )


def _map(substrate: str, *buffers: str, **settings) -> LineMap:
    settings.setdefault("fluorides", [load_phase("BaF2")])
    return line_map(_stack(substrate, *buffers), OPTICS, **settings)


def _entry(found: LineMap, phase: str, hkl: tuple[int, int, int], component: str | None = None):
    line = found.find(Reflection(phase, hkl), component)
    assert line is not None
    return line


# Overlaps by position, worked out by hand from the cells: YBCO (003) 22.82° and (006) 46.60°,
# SrTiO3 (100) 22.75° and (200) 46.47°, LaAlO3 (100) 23.45° and (200) 47.95°, CeO2 (111) 28.55°,
# La2Zr2O7 (222) 28.60° and (400) 33.14°, BaF2 (200) 28.78°, YBCO (103) 32.81°.


def test_on_strontium_titanate_every_third_order_is_hidden():
    found = _map("SrTiO3")
    fate = {order: _entry(found, "YBCO", (0, 0, order)) for order in (2, 3, 4, 5, 6, 7, 9)}
    assert [order for order, line in fate.items() if not line.usable] == [3, 6, 9]
    assert fate[6].overlaps[0].by == Reflection("SrTiO3", (2, 0, 0))
    assert fate[6].overlaps[0].separation_deg == pytest.approx(-0.137, abs=0.002)
    assert "hidden by SrTiO3 (200), 0.14° below" in fate[6].why


def test_on_lanthanum_aluminate_the_a_axis_line_100_is_hidden():
    found = _map("LaAlO3")
    line = _entry(found, "YBCO", (1, 0, 0))
    assert (line.status, line.overlaps[0].by) == ("hidden", Reflection("LaAlO3", (1, 0, 0)))
    assert _entry(found, "YBCO", (0, 0, 6)).status == "clear"


def test_b_normal_grains_lie_under_the_c_axis_lines_everywhere():
    for substrate in ("SrTiO3", "LaAlO3", "Ni-5W"):
        found = _map(substrate)
        for hkl, over in (((0, 1, 0), (0, 0, 3)), ((0, 2, 0), (0, 0, 6))):
            line = _entry(found, "YBCO", hkl, "a_axis")
            assert line.status == "hidden"
            assert Reflection("YBCO", over) in [one.by for one in line.overlaps]
        # but a few per cent of them do not spoil (006) itself
        assert all(
            one.by != Reflection("YBCO", (0, 2, 0))
            for one in _entry(found, "YBCO", (0, 0, 6)).overlaps
        )


def test_fluoride_between_buffers_cannot_be_told_by_place():
    found = _map("Ni-5W", "CeO2", "La2Zr2O7", products=[load_phase("BaCeO3")])
    assert _entry(found, "BaF2", (1, 1, 1), "aligned_111").status == "clear"
    for component, expected in (
        ("aligned_00l", {"BaCeO3"}),  # five per cent of it outshines stray grains of a buffer
        ("random", {"BaCeO3", "La2Zr2O7", "CeO2"}),
    ):
        doubtful = _entry(found, "BaF2", (2, 0, 0), component)
        assert doubtful.status == "shared"
        assert {one.by.phase for one in doubtful.overlaps} == expected
        assert not any(one.certain for one in doubtful.overlaps)


def test_two_buffers_with_nearly_one_cell_hide_each_other():
    found = _map("Ni-5W", "CeO2", "La2Zr2O7")
    for phase, hkl, other in (("CeO2", (2, 0, 0), "La2Zr2O7"), ("La2Zr2O7", (4, 0, 0), "CeO2")):
        line = _entry(found, phase, hkl)
        assert line.status == "hidden"
        assert line.overlaps[0].by.phase == other


def test_random_103_lies_in_the_foot_of_the_buffer_but_not_on_a_bare_crystal():
    assert _entry(_map("Ni-5W", "CeO2", "La2Zr2O7"), "YBCO", (1, 0, 3)).status == "hidden"
    bare = _entry(_map("LaAlO3"), "YBCO", (1, 0, 3))
    assert bare.status == "clear"
    assert Reflection("YBCO", (1, 1, 0)) in bare.blended


def test_ghosts_fall_where_bragg_puts_them():
    # K-beta of YBCO (005) 34.67°, W L-alpha1 36.84°, of LaAlO3 (200) K-beta 43.10°; half the
    # wavelength of (200) lies at the place of (100): all by hand
    stack = _stack("LaAlO3")
    ghosts = {
        (line.ghost, line.reflection): line.two_theta_deg
        for line in expected_lines(stack_phases(stack), stack, OPTICS)
        if line.ghost is not None
    }
    film_005 = Reflection("YBCO", (0, 0, 5))
    lao_200 = Reflection("LaAlO3", (2, 0, 0))
    assert ghosts["K-beta", film_005] == pytest.approx(34.66, abs=0.02)
    assert ghosts["W L-alpha1", film_005] == pytest.approx(36.83, abs=0.02)
    assert ghosts["K-beta", lao_200] == pytest.approx(43.10, abs=0.02)
    place_of_100 = line_list(load_phase("LaAlO3"), radiation()).two_theta_deg[0]
    assert ghosts[HALF_WAVELENGTH, lao_200] == pytest.approx(place_of_100, abs=1e-9)


def test_half_wavelength_of_the_tape_lies_where_a_shrunken_fluoride_shows():
    # sin θ = (λ/2)/(2·3.545/2): 25.10°; fluoride (111) there has a = √3 λ/(2 sin 12.55°) = 6.14 Å
    mixed = load_phase("BaYF").with_composition(0.09)
    found = _map("Ni-5W", fluorides=[mixed])
    line = _entry(found, "BaYF", (1, 1, 1), "random")
    assert line.status == "hidden"
    ghosts = [(one.ghost, one.by) for one in line.overlaps]
    assert (HALF_WAVELENGTH, Reflection("Ni-5W", (2, 0, 0))) in ghosts


def test_a_monochromator_or_a_single_line_leaves_fewer_ghosts():
    assert ghost_shares(OPTICS) == GHOST_SHARES
    graphite = ghost_shares(Optics(monochromator_2theta_deg=26.6))
    assert graphite["K-beta"] == pytest.approx(0.01 * GHOST_SHARES["K-beta"])
    assert graphite[HALF_WAVELENGTH] == GHOST_SHARES[HALF_WAVELENGTH]
    own = Optics(radiation=own_radiation(1.2))
    assert set(ghost_shares(own)) == {HALF_WAVELENGTH}


def test_expected_strengths_are_those_of_the_intensity_model():
    stack = _stack("SrTiO3")
    phases = stack_phases(stack, film_mosaic_deg=1.0)
    lines = expected_lines(phases, stack, OPTICS, ghosts=False)
    found = {
        line.reflection.hkl: line.strength
        for line in lines
        if line.reflection.phase == "YBCO" and line.component == "c_axis"
    }
    phase = load_phase("YBCO")
    orders = lines_along(phase, (0, 0, 1), OPTICS.radiation)
    strengths = line_strengths(
        phase, orders.hkl, orders.multiplicity, orders.f_squared, orders.two_theta_deg,
        c_axis(1.0), OPTICS, stack, 0,
    )  # fmt: skip
    assert len(found) == len(orders)
    for hkl, strength in zip(orders.hkl, strengths, strict=True):
        assert found[tuple(int(i) for i in hkl)] == pytest.approx(strength, rel=1e-12)


def test_an_untextured_substrate_shows_all_its_lines():
    stack = _stack("Ni-Cr-Mo", "MgO")
    textured, powder = (
        {
            line.reflection.hkl
            for line in expected_lines(
                stack_phases(stack, substrate_normal=normal), stack, OPTICS, ghosts=False
            )
            if line.role == "substrate" and line.certain
        }
        for normal in ((0, 0, 1), None)
    )
    assert textured == {(2, 0, 0), (4, 0, 0)}
    assert {(1, 1, 1), (2, 0, 0), (2, 2, 0), (3, 1, 1)} <= powder


def test_reach_of_a_strong_line_grows_with_the_root_of_its_ratio():
    rules = MapRules()
    reach = rules.reach_deg(np.array([0.01, 1.0, 1e3, 4e3, 1e9]))
    assert reach[0] < 0
    assert reach[1] == rules.resolution_deg
    assert reach[3] == pytest.approx(2 * reach[2])
    assert reach[4] == rules.max_reach_deg
    # at the reach the Lorentzian foot stands at the stated contrast: η (w/2x)² r = contrast
    foot = rules.lorentz * (rules.resolution_deg / (2 * reach[2])) ** 2 * 1e3
    assert foot == pytest.approx(rules.foot_contrast)


def test_a_finer_resolution_frees_lines():
    def hidden(degrees: float) -> int:
        found = _map("Ni-5W", "CeO2", "La2Zr2O7", rules=MapRules(resolution_deg=degrees))
        return len(found.left_out)

    assert hidden(0.02) < hidden(0.2) < hidden(0.8)


def test_every_hidden_line_says_why_and_every_line_lies_in_range():
    found = _map("Ni-5W", "CeO2", two_theta_low_deg=20.0, two_theta_high_deg=70.0)
    assert found.left_out
    assert all(why.startswith("hidden by ") for _, why in found.left_out)
    assert all(20.0 <= line.two_theta_deg <= 70.0 for line in found.lines)
    assert all(line.component in GRAIN_WORDS for line in found.lines)
    assert {line.reflection.phase for line in found.lines} == {"YBCO", "BaF2", "CeO2"}
    strongest = max(line.strength for line in found.lines if line.role == "film")
    assert strongest == pytest.approx(1.0)


def test_a_phase_without_atoms_is_named_not_dropped_in_silence():
    found = _map("LaAlO3", products=[load_phase("BaCuO2")])
    assert found.notes == ("BaCuO2: only its cell is known, so its lines are not in this map",)
    assert found.of_phase("BaCuO2") == ()


def test_one_line_radiation_has_no_second_place():
    mono = Optics(radiation=radiation("Cu", monochromatic=True))
    found = line_map(_stack("SrTiO3"), mono, fluorides=[load_phase("BaF2")])
    assert not any(one.by_alpha2 for line in found.lines for one in line.overlaps)
    # (009) lies only under the K-alpha2 of SrTiO3 (300), 0.23° off
    assert _entry(_map("SrTiO3"), "YBCO", (0, 0, 9)).overlaps[0].by_alpha2
    assert _entry(found, "YBCO", (0, 0, 9)).status == "clear"


def test_the_picture_holds_a_row_for_each_kind_of_grains():
    found = _map("Ni-5W", "CeO2")
    rows = rows_of(found)
    assert rows[0][0] == "YBCO  c-axis grains"
    assert sum(len(lines) for _, lines in rows) == len(found.lines)
    figure = draw_line_map(found, "a title")
    assert len(figure.axes) == len(rows) + 1
    names = [ax.get_ylabel() for ax in figure.axes]
    assert names == [name for name, _ in rows] + ["substrate, ghosts"]


def test_powder_intensities_of_a_cubic_standard():
    # LaB6 by hand from one pair: I(110)/I(100) = 12 F²(110) L(110) / (6 F²(100) L(100))
    lines = line_list(load_phase("LaB6"), radiation())
    area = powder_intensities(lines, OPTICS)
    assert area.max() == 100.0
    one, two = lines.index((1, 0, 0)), lines.index((1, 1, 0))
    t1, t2 = np.radians(lines.two_theta_deg[[one, two]])
    factor = [(1 + np.cos(t) ** 2) / (np.sin(t / 2) ** 2 * np.cos(t / 2)) for t in (t1, t2)]
    by_hand = 2 * lines.f_squared[two] / lines.f_squared[one] * factor[1] / factor[0]
    assert area[two] / area[one] == pytest.approx(by_hand, rel=1e-9)


def test_a_verified_printed_line_goes_before_one_from_memory():
    printed = handbook_of("BaF2")
    assert printed[1, 1, 1].standing == "verified"
    assert printed[2, 0, 0].standing == "memory"


def test_a_wary_map_names_the_traps_of_a_tape():
    """(200) lies on CeO2 (220) 47.49° and La2Zr2O7 (440) 47.55°; (006) beside K-beta of Ni-5W
    (200), 46.32° for a cell of 3.540 Å, and over (020): places from the cells, by hand."""
    found = _map("Ni-5W", "CeO2", "La2Zr2O7", rules=WARY)
    a_axis = _entry(found, "YBCO", (2, 0, 0))
    assert a_axis.status == "shared"
    assert {overlap.by for overlap in a_axis.overlaps} == {
        Reflection("CeO2", (2, 2, 0)),
        Reflection("La2Zr2O7", (4, 4, 0)),
    }
    sixth = _entry(found, "YBCO", (0, 0, 6))
    assert sixth.status == "shared"
    assert sixth.overlaps[0].by == Reflection("YBCO", (0, 2, 0))
    (ghost,) = (one for one in sixth.beside if one.ghost == "K-beta")
    assert ghost.by == Reflection("Ni-5W", (2, 0, 0))
    assert -0.4 < ghost.separation_deg < -0.25
    fifth = _entry(found, "YBCO", (0, 0, 5))
    assert (fifth.status, fifth.overlaps, fifth.beside) == ("clear", (), ())


def test_a_plain_map_holds_what_is_used_for_fits_and_names_nothing_beside():
    found, wary = _map("Ni-5W", "CeO2", "La2Zr2O7"), _map("Ni-5W", "CeO2", rules=WARY)
    assert not any(line.beside for line in found.lines)
    assert any(line.beside for line in wary.lines)
