import csv
import math

import gemmi
import numpy as np
import pytest
import xraylib

from xrdfilm.crystal import (
    LineList,
    Phase,
    f_squared,
    family_members,
    formula_amounts,
    line_list,
    lines_along,
    load_phase,
    phase_from_cif,
    phase_keys,
    reference_peaks_dir,
)
from xrdfilm.crystal.radiation import HC_EV_A, own_radiation, radiation
from xrdfilm.crystal.structure import metric_rotations, site_copies, symmetry_operations
from xrdfilm.errors import PhaseError

CU = radiation()
WITH_ATOMS = [key for key in phase_keys() if not load_phase(key).cell_only]


# ---------------------------------------------------------------- the shipped phases


def test_the_phases_a_user_expects_are_there():
    expected = """YBCO YBCO6 GdBCO SmBCO NdBCO EuBCO DyBCO HoBCO ErBCO BaF2 BaYF YF3 CuO Cu2O Y2O3
        Y2BaCuO5 BaCuO2 Y2Cu2O5 BaCO3 BaCeO3 BaZrO3 BaHfO3 CeO2 La2Zr2O7 MgO YSZ LaMnO3 Ni Ni-5W
        Ni-Cr-Mo NiO NiWO4 LaAlO3 LaAlO3-rhombohedral SrTiO3 Al2O3 Ag Si LaB6"""
    assert set(expected.split()) <= set(phase_keys())


@pytest.mark.parametrize("key", phase_keys())
def test_every_phase_states_where_it_comes_from(key):
    phase = load_phase(key)
    assert phase.key == key
    assert phase.source
    assert phase.standing in ("verified", "memory")
    if phase.standing == "verified":
        assert phase.read_in
        assert phase.cell_verified


def test_the_provenance_page_lists_every_phase_with_its_standing():
    page = (reference_peaks_dir() / "PROVENANCE.md").read_text(encoding="utf-8")
    cells = [[c.strip() for c in row.split("|")] for row in page.splitlines() if row[:2] == "| "]
    listed = {row[1]: row[3] for row in cells if row[1] in phase_keys()}
    assert listed == {key: load_phase(key).standing for key in phase_keys()}


@pytest.mark.parametrize("key", WITH_ATOMS)
def test_atoms_add_up_to_the_formula(key):
    phase = load_phase(key)
    wanted = formula_amounts(phase.formula)
    found = phase.composition_per_cell
    assert set(found) == set(wanted)
    for element, amount in wanted.items():
        assert found[element] == pytest.approx(amount * phase.formula_units, rel=1e-3, abs=0.01)


@pytest.mark.parametrize(
    ("key", "density"),
    [
        # calculated densities printed beside the cells: headers of Crystallography Open Database
        # entries 9008459, 9008566, 9009008, 9008671; a tenorite and cuprite table; bunsenite and
        # barium zirconate as quoted; frankdicksonite, Am. Mineral. 59 (1974) 885
        ("Ag", 10.501), ("Si", 2.329), ("CeO2", 7.216), ("MgO", 3.585), ("CuO", 6.516),
        ("Cu2O", 6.106), ("NiO", 6.806), ("BaZrO3", 6.23), ("BaF2", 4.885),
    ],
)  # fmt: skip
def test_density_agrees_with_the_literature(key, density):
    assert load_phase(key).density_g_cm3 == pytest.approx(density, rel=0.001)


@pytest.mark.parametrize(
    ("key", "edges_A", "relative"),
    [
        # other measurements of the same phases than those the cells were taken from
        ("YBCO", (3.8227, 3.8872, 11.6802), 8e-4),  # Jorgensen et al. 1990 (from memory)
        ("YBCO6", (3.863, 3.863, 11.830), 2e-3),  # Swinnea & Steinfink, J. Mater. Res. 2 (1987)
        ("BaF2", (6.1964,) * 3, 1e-3),  # natural, 0.5 wt% Sr: Am. Mineral. 59 (1974) 885
        ("MgO", (4.213,) * 3, 5e-4),  # Swanson & Tatge, NBS Circular 539 vol. 1 (1953)
        ("Cu2O", (4.2696,) * 3, 3e-4),  # NBS, as quoted
        ("CeO2", (5.40972,) * 3, 3e-4),  # Artini et al., Inorg. Chem. 54 (2015) 4126
        ("Si", (5.43159,) * 3, 1e-4),  # SRM 640d certificate
        ("LaB6", (4.15691,) * 3, 3e-5),  # SRM 660b certificate
        ("BaCO3", (5.314, 8.904, 6.430), 1.5e-3),  # mineral tables (witherite)
        ("Al2O3", (4.7591, 4.7591, 12.9918), 5e-4),  # SRM 676a (from memory)
    ],
)
def test_cell_agrees_with_another_measurement(key, edges_A, relative):
    cell = load_phase(key).cell
    assert (cell.a_A, cell.b_A, cell.c_A) == pytest.approx(edges_A, rel=relative)


def test_rare_earth_compounds_follow_the_ionic_radius():
    # Shannon, Acta Cryst. A 32 (1976) 751, eight-coordinate radii: Nd > Sm > Eu > Gd > Dy > Y > Er
    order = ["NdBCO", "SmBCO", "EuBCO", "GdBCO", "DyBCO", "HoBCO", "ErBCO"]
    volumes = [load_phase(key).cell.volume_A3 for key in order]
    assert volumes == sorted(volumes, reverse=True)
    assert volumes[0] / volumes[-1] == pytest.approx(1.03, abs=0.01)


# ---------------------------------------------------------------- places of lines


@pytest.mark.parametrize(
    ("key", "edge_A", "families"),
    [
        # certificates SRM 640f (a = 5.431144 Å) and 660c (a = 4.156826 Å)
        ("Si", 5.431144, [(1, 1, 1), (2, 2, 0), (3, 1, 1), (4, 0, 0), (3, 3, 1), (4, 2, 2)]),
        ("LaB6", 4.156826, [(1, 0, 0), (1, 1, 0), (1, 1, 1), (2, 1, 0), (2, 2, 1), (4, 2, 1)]),
    ],
)
def test_lines_of_certified_standards(key, edge_A, families):
    lines = line_list(load_phase(key), CU)
    for hkl in families:
        by_hand = 2 * math.degrees(math.asin(1.5405929 * math.hypot(*hkl) / (2 * edge_A)))
        assert lines.two_theta_deg[lines.index(hkl)] == pytest.approx(by_hand, abs=0.001)


def test_printed_places_of_silicon():
    # 28.441, 47.300, 56.120° for Cu K-alpha1: certificate of SRM 640c (from memory), whose cell
    # is 1.1e-5 larger
    lines = line_list(load_phase("Si"), CU)
    places = [lines.two_theta_deg[lines.index(h)] for h in ((1, 1, 1), (2, 2, 0), (3, 1, 1))]
    assert places == pytest.approx([28.441, 47.300, 56.120], abs=0.0015)


@pytest.mark.parametrize("key", phase_keys())
def test_spacings_agree_with_another_road(key):
    phase = load_phase(key)
    c = phase.cell
    cell = gemmi.UnitCell(c.a_A, c.b_A, c.c_A, c.alpha_deg, c.beta_deg, c.gamma_deg)
    assert c.volume_A3 == pytest.approx(cell.volume, rel=1e-9)
    lines = line_list(phase, CU, two_theta_max_deg=60)
    expected = [cell.calculate_d([int(i) for i in hkl]) for hkl in lines.hkl]
    np.testing.assert_allclose(lines.d_A, expected, rtol=1e-9)
    assert (np.diff(lines.d_A) <= 1e-9).all()
    assert (lines.two_theta_deg <= 60).all()


# ---------------------------------------------------------------- symmetry


@pytest.mark.parametrize(
    ("key", "hkl", "multiplicity"),
    [
        # International Tables A, multiplicities of the general and special forms
        ("CeO2", (2, 0, 0), 6), ("CeO2", (2, 2, 0), 12), ("CeO2", (1, 1, 1), 8),
        ("CeO2", (3, 1, 1), 24), ("CeO2", (5, 3, 1), 48), ("LaB6", (2, 1, 0), 24),
        ("Y2O3", (2, 1, 1), 24), ("Y2O3", (3, 2, 1), 24), ("Y2O3", (4, 2, 0), 12),
        ("YBCO6", (0, 0, 1), 2), ("YBCO6", (1, 0, 0), 4), ("YBCO6", (1, 1, 0), 4),
        ("YBCO6", (1, 0, 3), 8), ("YBCO6", (2, 1, 3), 16),
        ("YBCO", (1, 0, 0), 2), ("YBCO", (1, 0, 3), 4), ("YBCO", (1, 1, 3), 8),
        ("Al2O3", (0, 0, 6), 2), ("Al2O3", (1, 1, 0), 6), ("Al2O3", (1, 0, 4), 6),
        ("Al2O3", (1, 1, 3), 12), ("Al2O3", (2, 1, 4), 12), ("Al2O3", (3, 0, 0), 6),
        ("CuO", (0, 0, 2), 2), ("CuO", (1, 1, 1), 4), ("CuO", (1, 1, -1), 4),
        ("CuO", (2, 0, -2), 2), ("CuO", (2, 2, 0), 4),
    ],
)  # fmt: skip
def test_multiplicity(key, hkl, multiplicity):
    lines = line_list(load_phase(key), CU)
    assert lines.multiplicity[lines.index(hkl)] == multiplicity
    assert len(family_members(load_phase(key), hkl)) == multiplicity


@pytest.mark.parametrize("key", WITH_ATOMS)
def test_families_and_absences_account_for_every_lattice_point(key):
    """Counted one by one with the absence rules of an independent symmetry library."""
    phase = load_phase(key)
    lines = line_list(phase, CU, two_theta_max_deg=75)
    d_min = CU.k_alpha1_A / (2 * math.sin(math.radians(37.5)))
    group = gemmi.find_spacegroup_by_name(phase.space_group)
    c = phase.cell
    cell = gemmi.UnitCell(c.a_A, c.b_A, c.c_A, c.alpha_deg, c.beta_deg, c.gamma_deg)
    present = gemmi.make_miller_array(cell, group, d_min, 0.0, unique=False)
    listed = {
        tuple(int(i) for i in member)
        for hkl in lines.hkl
        for member in family_members(phase, tuple(int(i) for i in hkl))
    }
    assert lines.multiplicity.sum() == len(listed)
    both = {tuple(int(i) for i in hkl) for hkl in present}
    both |= {tuple(-i for i in hkl) for hkl in both}
    assert listed <= both
    missing = np.array(sorted(both - listed)).reshape(-1, 3)
    if len(missing):  # absent by the atoms' positions alone
        strongest = lines.f_squared.max()
        assert (f_squared(phase, missing, CU.mean_A) < 1e-6 * strongest).all()


@pytest.mark.parametrize(
    ("key", "absent"),
    [
        ("Si", (2, 2, 2)),  # diamond: h + k + l = 4n + 2, by the special position
        ("CeO2", (1, 0, 0)),
        ("CeO2", (2, 1, 1)),
        ("La2Zr2O7", (2, 0, 0)),  # d glide: h + k = 4n for hk0
        ("Cu2O", (1, 0, 0)),  # n glide
        ("CuO", (0, 0, 1)),  # c glide
        ("CuO", (1, 0, 0)),  # C centring
        ("Al2O3", (1, 0, 0)),  # rhombohedral centring
        ("Al2O3", (0, 0, 3)),  # c glide
        ("Y2O3", (1, 1, 0)),  # a glide
    ],
)
def test_absent_lines_are_not_listed(key, absent):
    with pytest.raises(KeyError):
        line_list(load_phase(key), CU).index(absent)


def test_coincident_families_stay_separate():
    lines = line_list(load_phase("BaF2"), CU)
    first, second = lines.index((5, 1, 1)), lines.index((3, 3, 3))
    assert lines.d_A[first] == pytest.approx(lines.d_A[second], rel=1e-12)
    assert (lines.multiplicity[first], lines.multiplicity[second]) == (24, 8)


@pytest.mark.parametrize("key", WITH_ATOMS)
def test_symmetry_equivalents_have_the_same_strength(key):
    phase = load_phase(key)
    lines = line_list(phase, CU, two_theta_max_deg=60)
    for hkl, strength in zip(lines.hkl[:8], lines.f_squared[:8], strict=True):
        members = family_members(phase, tuple(int(i) for i in hkl))
        of_all = f_squared(phase, members, CU.mean_A)
        assert of_all.mean() == pytest.approx(strength, rel=1e-9)
        centric = (symmetry_operations(phase.space_group)[0] == -np.eye(3)).all(axis=(1, 2)).any()
        if centric:
            np.testing.assert_allclose(of_all, strength, rtol=1e-9)


def test_friedel_mates_differ_without_a_centre_and_are_averaged():
    phase = load_phase("Y2Cu2O5")
    lines = line_list(phase, CU, two_theta_max_deg=60)
    plus, minus = (f_squared(phase, sign * lines.hkl, CU.mean_A) for sign in (1, -1))
    assert np.abs(plus / minus - 1).max() > 0.001
    np.testing.assert_allclose(lines.f_squared, 0.5 * (plus + minus), rtol=1e-12)


# ---------------------------------------------------------------- |F|² against the outside


def _independent_f_squared(phase: Phase, lines: LineList, wavelength_A: float) -> np.ndarray:
    """|F|² with other form factors, other dispersion terms and another library's symmetry.

    Form factors: J. H. Hubbell et al., J. Phys. Chem. Ref. Data 4 (1975) 471 and 6 (1977) 615,
    from xraylib. f', f'': D. T. Cromer, D. A. Liberman, Acta Cryst. A 37 (1981) 267, computed by
    gemmi, which also carries the atoms through the cell. (xraylib's own f'' of Ho is that of the
    wrong side of the L3 edge 30 eV above Cu K-alpha, so it is not used here.)
    """
    c = phase.cell
    small = gemmi.SmallStructure()
    small.cell = gemmi.UnitCell(c.a_A, c.b_A, c.c_A, c.alpha_deg, c.beta_deg, c.gamma_deg)
    small.spacegroup = gemmi.find_spacegroup_by_name(phase.space_group)
    for site in phase.sites:
        atom = gemmi.SmallStructure.Site()
        atom.label, atom.element = site.label, gemmi.Element(site.element)
        atom.fract = gemmi.Fractional(site.x, site.y, site.z)
        atom.occ, atom.u_iso = site.occupancy, site.b_iso_A2 / (8 * math.pi**2)
        small.add_site(atom)
    small.setup_cell_images()
    atoms = small.get_all_unit_cell_sites()
    energy_eV = HC_EV_A / wavelength_A
    numbers = {atom.element.atomic_number for atom in atoms}
    dispersion = {z: complex(*gemmi.cromer_liberman(z, energy_eV)) for z in numbers}
    result = []
    for hkl, d_A in zip(lines.hkl, lines.d_A, strict=True):
        s = 0.5 / d_A
        total = 0j
        for atom in atoms:
            z = atom.element.atomic_number
            f = xraylib.FF_Rayl(z, s) + dispersion[z]
            turn = hkl[0] * atom.fract.x + hkl[1] * atom.fract.y + hkl[2] * atom.fract.z
            b = 8 * math.pi**2 * atom.u_iso
            total += atom.occ * f * math.exp(-b * s * s) * np.exp(2j * math.pi * turn)
        result.append(abs(total) ** 2)
    return np.array(result)


@pytest.mark.parametrize("key", WITH_ATOMS)
def test_strong_lines_within_two_per_cent_of_an_independent_calculation(key):
    phase = load_phase(key)
    lines = line_list(phase, CU, two_theta_max_deg=70)
    other = _independent_f_squared(phase, lines, CU.mean_A)
    strong = lines.f_squared > 0.1 * lines.f_squared.max()
    np.testing.assert_allclose(lines.f_squared[strong], other[strong], rtol=0.02)


@pytest.mark.parametrize(
    ("anode", "tolerance"),
    # 5.41 and 6.40 keV lie among the L edges of barium and cerium, where the tables of f' part
    [("Co", 0.02), ("Fe", 0.035), ("Cr", 0.08), ("Mo", 0.02), ("Ag", 0.02)],
)
def test_film_and_fluoride_at_other_anodes(anode, tolerance):
    rays = radiation(anode)
    for key in ("YBCO", "BaF2", "CeO2"):
        phase = load_phase(key)
        lines = line_list(phase, rays, two_theta_max_deg=30 if anode in ("Mo", "Ag") else 80)
        other = _independent_f_squared(phase, lines, rays.mean_A)
        strong = lines.f_squared > 0.1 * lines.f_squared.max()
        np.testing.assert_allclose(lines.f_squared[strong], other[strong], rtol=tolerance)


def test_forward_scattering_counts_electrons():
    phase = load_phase("BaF2")
    electrons = 4 * (56 + 2 * 9)
    # 124 keV, three times the Ba K edge: what is left of f' is the relativistic correction, for
    # Ba about 5/3 of the binding energy over mc², -0.35 e (Cromer & Liberman; from memory)
    forward = math.sqrt(f_squared(phase, (0, 0, 0), 0.1)[0])
    assert forward == pytest.approx(electrons, rel=5e-3)


def test_absolute_structure_factor_of_silicon():
    # f(111) = 10.60 e an atom at rest, from Pendellösung fringes: Saka & Kato, Acta Cryst. A 42
    # (1986) 469 (from memory); bonding puts it 1 % above the spherical atom. F = 4√2 f.
    silicon = load_phase("Si")
    s = 0.5 / silicon.cell.d_spacing((1, 1, 1))[0]
    at_rest = math.exp(-silicon.sites[0].b_iso_A2 * s * s)
    f_prime = 0.25  # Cu K-alpha, International Tables C (from memory)
    measured = 4 * math.sqrt(2) * (10.60 + f_prime) * at_rest
    computed = math.sqrt(f_squared(silicon, (1, 1, 1), CU.mean_A)[0])
    assert computed == pytest.approx(measured, rel=0.015)


# ---------------------------------------------------------------- powder tables

# Where a verified row lies further than 6 % of the strongest line from the calculation. The CuO
# pattern's (002) and (11-1), 0.13° apart, were read as heights standing on each other, and its
# powder is textured; MgO heights at high angles lose to areas by the split of the doublet.
_KNOWN_DEVIATION = {
    ("CuO", (1, 1, -1)): 24, ("CuO", (0, 0, 2)): 22, ("CuO", (2, 0, 0)): 9,
    ("MgO", (4, 2, 2)): 9,
}  # fmt: skip


def _verified_rows() -> list[dict[str, str]]:
    with (reference_peaks_dir() / "powder_tables.csv").open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["standing"] == "verified"]


def test_powder_tables_state_source_and_standing():
    rows = _verified_rows()
    assert len(rows) == 24
    assert all(row["source"] and row["read_in"] for row in rows)


@pytest.mark.parametrize(
    "row", _verified_rows(), ids=lambda r: f"{r['phase']} {r['h']}{r['k']}{r['l']}"
)
def test_powder_intensity_against_verified_rows(row):
    lines = line_list(load_phase(row["phase"]), CU, two_theta_max_deg=160)
    angle = np.radians(lines.two_theta_deg)
    factor = (1 + np.cos(angle) ** 2) / (np.sin(angle / 2) ** 2 * np.cos(angle / 2))
    area = lines.multiplicity * lines.f_squared * factor
    hkl = (int(row["h"]), int(row["k"]), int(row["l"]))
    at = lines.index(hkl)
    together = np.abs(lines.d_A - lines.d_A[at]) < 1e-6  # (511) with (333)
    computed = 100 * area[together].sum() / area.max()
    assert computed == pytest.approx(
        float(row["intensity"]), abs=_KNOWN_DEVIATION.get((row["phase"], hkl), 6)
    )
    assert lines.d_A[at] == pytest.approx(float(row["d_A"]), rel=1.2e-3)


# ---------------------------------------------------------------- other cells and compositions


def test_with_cell_follows_the_symmetry():
    assert load_phase("CeO2").with_cell(a_A=5.42).cell.c_A == 5.42
    hexagonal = load_phase("Al2O3").with_cell(a_A=4.76).cell
    assert (hexagonal.b_A, hexagonal.c_A, hexagonal.gamma_deg) == (4.76, 12.9877, 120.0)
    ybco = load_phase("YBCO").with_cell(c_A=11.70).cell
    assert (ybco.a_A, ybco.c_A) == (3.8203, 11.70)
    with pytest.raises(PhaseError, match="1 to 200"):
        load_phase("YBCO").with_cell(c_A=1170.0)


def test_a_strained_cubic_cell_splits_its_families():
    strained = load_phase("CeO2").with_cell(a_A=5.41, c_A=5.45)
    assert len(metric_rotations(strained)) == 16
    lines = line_list(strained, CU)
    split = [(lines.index(h), m) for h, m in (((2, 0, 0), 4), ((0, 0, 2), 2))]
    assert [lines.multiplicity[i] for i, _ in split] == [m for _, m in split]
    assert lines.d_A[split[1][0]] == pytest.approx(5.45 / 2, rel=1e-12)


def test_fluoride_solid_solution():
    law = load_phase("BaYF").cell_law
    assert law is not None
    assert law.a_A(0.0) == load_phase("BaF2").cell.a_A
    assert law.composition(law.a_A(0.2)) == pytest.approx(0.2, abs=1e-12)
    mixed = load_phase("BaYF").with_composition(0.1)
    assert mixed.composition_per_cell == pytest.approx({"Ba": 3.6, "Y": 0.4, "F": 8.4})
    assert mixed.cell.a_A == pytest.approx(6.1311, abs=1e-4)
    with pytest.raises(PhaseError, match=r"outside the cell law's range 0 to 0\.25"):
        load_phase("BaYF").with_composition(0.5)
    with pytest.raises(PhaseError, match="no law"):
        load_phase("BaF2").with_composition(0.1)


def test_alloy_and_zirconia_laws_give_the_shipped_cells():
    assert load_phase("Ni-5W").with_composition(5.0).cell.a_A == pytest.approx(3.545, abs=5e-4)
    assert load_phase("YSZ").with_composition(14.8).cell.a_A == pytest.approx(5.139, abs=5e-4)
    richer = load_phase("Ni-5W").with_composition(9.0)
    assert richer.composition_per_cell == pytest.approx({"Ni": 3.64, "W": 0.36})
    assert richer.density_g_cm3 > load_phase("Ni-5W").density_g_cm3


def test_orders_of_a_normal_are_those_of_the_full_list():
    for key, normal in (("YBCO", (0, 0, 1)), ("CeO2", (0, 0, 2)), ("SrTiO3", (1, 1, 0))):
        phase = load_phase(key)
        orders = lines_along(phase, normal, CU, two_theta_max_deg=100)
        full = line_list(phase, CU, two_theta_max_deg=100)
        rows = [full.index(tuple(int(i) for i in hkl)) for hkl in orders.hkl]
        assert len(rows) > 1
        np.testing.assert_array_equal(orders.multiplicity, full.multiplicity[rows])
        np.testing.assert_allclose(orders.f_squared, full.f_squared[rows], rtol=1e-12)


def test_own_wavelength_reaches_as_far_as_bragg_allows():
    hard = line_list(load_phase("Ni"), own_radiation(0.5), two_theta_max_deg=40)
    assert hard.d_A.min() >= 0.5 / (2 * math.sin(math.radians(20))) - 1e-9
    # a sqrt(h² + k² + l²) > d_min: up to (422), whose 0.7193 Å is just short of 0.7310 Å
    assert {tuple(int(i) for i in h) for h in hard.hkl} == {
        (1, 1, 1), (2, 0, 0), (2, 2, 0), (3, 1, 1), (2, 2, 2), (4, 0, 0), (3, 3, 1), (4, 2, 0),
    }  # fmt: skip


def test_line_lists_are_shared_and_cannot_be_changed():
    lines = line_list(load_phase("YBCO"), CU)
    assert line_list(load_phase("YBCO"), CU) is lines
    with pytest.raises(ValueError, match="read-only"):
        lines.f_squared[0] = 0.0


def test_cell_only_phase_has_places_but_no_strengths():
    phase = load_phase("BaCuO2")
    lines = line_list(phase, CU, two_theta_max_deg=35)
    assert lines.two_theta_deg[lines.index((6, 0, 0))] == pytest.approx(29.3, abs=0.05)
    assert np.isnan(lines.f_squared).all()
    assert phase.density_g_cm3 == pytest.approx(5.7, abs=0.1)
    with pytest.raises(PhaseError, match="only the cell is known"):
        f_squared(phase, (6, 0, 0), CU.mean_A)


def test_special_positions_are_not_doubled_by_rounding():
    phase = load_phase("LaAlO3-rhombohedral")
    assert [len(copies) for copies in site_copies(phase)] == [6, 6, 18]


# ---------------------------------------------------------------- the wrong key, the wrong CIF


def test_unknown_phase_names_near_matches():
    with pytest.raises(PhaseError, match=r"unknown phase 'ybco'; did you mean .*YBCO"):
        load_phase("ybco")
    with pytest.raises(PhaseError, match="give the path of its CIF"):
        load_phase("unobtainium")


GOOD_CIF = """data_mine
_chemical_formula_sum 'Ba F2'
_cell_formula_units_Z 4
_cell_length_a 6.2001(3)
_cell_length_b 6.2001
_cell_length_c 6.2001
_cell_angle_alpha 90
_cell_angle_beta 90
_cell_angle_gamma 90
_symmetry_space_group_name_H-M 'F m -3 m'
loop_
_atom_site_label
_atom_site_type_symbol
_atom_site_fract_x
_atom_site_fract_y
_atom_site_fract_z
_atom_site_occupancy
_atom_site_U_iso_or_equiv
Ba1 Ba2+ 0 0 0 1 0.0101321
F1 F1- 0.25 0.25 0.25 1 0.0151982
"""


def _written(tmp_path, text):
    file = tmp_path / "mine.cif"
    file.write_text(text, encoding="utf-8")
    return file


def test_a_users_cif_gives_the_same_lines(tmp_path):
    mine = phase_from_cif(_written(tmp_path, GOOD_CIF), "my-fluoride")
    assert (mine.key, mine.standing) == ("my-fluoride", "user")
    ours = line_list(load_phase("BaF2"), CU)
    theirs = line_list(mine, CU)
    np.testing.assert_array_equal(theirs.hkl, ours.hkl)
    np.testing.assert_allclose(theirs.f_squared, ours.f_squared, rtol=1e-4)


def test_a_cif_without_formula_and_displacements_says_what_it_assumed(tmp_path):
    text = GOOD_CIF.replace("_chemical_formula_sum 'Ba F2'\n", "")
    text = text.replace("_atom_site_U_iso_or_equiv\n", "").replace(" 0.0101321", "")
    phase = phase_from_cif(_written(tmp_path, text.replace(" 0.0151982", "")))
    assert phase.key == "mine"
    assert formula_amounts(phase.formula) == {"Ba": 4.0, "F": 8.0}
    assert "0.5 Å² assumed" in phase.note


def test_a_cif_with_anisotropic_displacements(tmp_path):
    text = GOOD_CIF.replace("0.0101321", ".").replace("0.0151982", "?")
    text += """loop_
_atom_site_aniso_label
_atom_site_aniso_U_11
_atom_site_aniso_U_22
_atom_site_aniso_U_33
Ba1 0.01 0.01 0.01
F1 0.01 0.02 0.03
"""
    sites = phase_from_cif(_written(tmp_path, text)).sites
    b_of_u = 8 * math.pi**2
    assert [s.b_iso_A2 for s in sites] == pytest.approx([0.01 * b_of_u, 0.02 * b_of_u])


SILICON_CIF = (
    GOOD_CIF[: GOOD_CIF.index("Ba1 Ba2+")]
    .replace("'Ba F2'", "Si")
    .replace("Z 4", "Z 8")
    .replace("6.2001", "5.4311")
    .replace("F m -3 m", "F d -3 m")
)


@pytest.mark.parametrize(("place", "origin"), [("0 0 0", "1"), ("0.125 0.125 0.125", "2")])
def test_an_unstated_origin_is_found_from_the_formula(tmp_path, place, origin):
    phase = phase_from_cif(_written(tmp_path, f"{SILICON_CIF}Si1 Si {place} 1 0.006\n"))
    assert phase.space_group == f"F d -3 m:{origin}"
    assert "Origin choice not stated" in phase.note
    assert line_list(phase, CU).f_squared == pytest.approx(
        line_list(load_phase("Si"), CU).f_squared, rel=0.01
    )


def test_an_origin_that_nothing_settles_is_asked_for(tmp_path):
    text = SILICON_CIF.replace("_chemical_formula_sum Si\n", "") + "Si1 Si 0 0 0 1 0.006\n"
    with pytest.raises(PhaseError, match=r"write 'F d -3 m:1' or 'F d -3 m:2'"):
        phase_from_cif(_written(tmp_path, text))


def test_rhombohedral_axes_are_told_from_hexagonal_ones_by_the_angles(tmp_path):
    hexagonal = load_phase("Al2O3")
    a, c = hexagonal.cell.a_A, hexagonal.cell.c_A
    edge = math.sqrt(a * a / 3 + c * c / 9)
    angle = 2 * math.degrees(math.asin(a / (2 * edge)))
    text = f"""data_corundum
_cell_length_a {edge:.6f}
_cell_length_b {edge:.6f}
_cell_length_c {edge:.6f}
_cell_angle_alpha {angle:.6f}
_cell_angle_beta {angle:.6f}
_cell_angle_gamma {angle:.6f}
_symmetry_space_group_name_H-M 'R -3 c'
loop_
_atom_site_label
_atom_site_fract_x
_atom_site_fract_y
_atom_site_fract_z
_atom_site_B_iso_or_equiv
Al1 0.35218 0.35218 0.35218 0.25
O1 0.55625 -0.05625 0.25 0.28
"""
    phase = phase_from_cif(_written(tmp_path, text))
    assert phase.space_group == "R -3 c:R"
    mine, theirs = line_list(phase, CU), line_list(hexagonal, CU)
    np.testing.assert_allclose(mine.d_A, theirs.d_A, rtol=1e-5)
    np.testing.assert_array_equal(np.sort(mine.multiplicity), np.sort(theirs.multiplicity))
    # one third of the cell's atoms: |F|² a ninth
    np.testing.assert_allclose(9 * mine.f_squared.sum(), theirs.f_squared.sum(), rtol=1e-3)


def test_a_cell_broken_by_rounding_is_mended(tmp_path):
    text = GOOD_CIF.replace("_cell_length_b 6.2001", "_cell_length_b 6.2000")
    cell = phase_from_cif(_written(tmp_path, text)).cell
    assert cell.a_A == cell.b_A == cell.c_A == pytest.approx(6.20007, abs=2e-5)
    assert cell.gamma_deg == 90.0


def test_operations_settle_the_origin(tmp_path):
    """Silicon at 1/8 1/8 1/8 is right for one origin only; the listed operations tell which."""
    group = gemmi.find_spacegroup_by_name("F d -3 m:2")
    operations = "\n".join(f"'{op.triplet()}'" for op in group.operations())
    text = SILICON_CIF + "Si1 Si 0.125 0.125 0.125 1 0.006\n"
    text += f"loop_\n_space_group_symop_operation_xyz\n{operations}\n"
    phase = phase_from_cif(_written(tmp_path, text))
    assert phase.space_group == "F d -3 m:2"
    assert phase.composition_per_cell == {"Si": 8.0}


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("data_mine", "no cif at all", "not a readable CIF"),
        ("_cell_length_a 6.2001(3)\n", "", "no unit cell"),
        ("_cell_length_b 6.2001\n", "", "_cell_length_b is missing"),
        ("_cell_length_b 6.2001\n", "_cell_length_b six\n", r":5: _cell_length_b is 'six'"),
        ("_cell_length_b 6.2001\n", "_cell_length_b 620.01\n", r":5: _cell_length_b = 620.01"),
        ("_cell_length_b 6.2001\n", "_cell_length_b 6.3\n", "does not fit space group"),
        ("_cell_formula_units_Z 4", "_cell_formula_units_Z -4", r":3: .* is -4; it must be"),
        ("angle_gamma 90", "angle_gamma 150", "does not fit space group"),
        ("F m -3 m", "F m 3 q", r":10: unknown space group 'F m 3 q'"),
        ("_symmetry_space_group_name_H-M 'F m -3 m'\n", "", "no space group"),
        ("Ba1 Ba2+ 0 0 0 1", "Ba1 Ba2+ ? 0 0 1", "coordinates . 0 0 are not numbers"),
        ("Ba1 Ba2+ 0 0 0 1", "Ba1 Ba2+ 0 0 0 1.2", "occupancy 1.2 is not within 0 to 1"),
        ("Ba1 Ba2+", "Qq1 Qq", "atom Qq1: 'Qq' is no element"),
        ("0.0101321", "1.01321", r"is it U \(Å²\) or nm²"),
        ("'Ba F2'", "'Ba F3'", "the atoms make 8 F a cell, but formula Ba F3 with Z = 4 wants 12"),
        ("'Ba F2'", "'Ba F2 oops!'", "cannot read the formula"),
        ("F1 F1- 0.25 0.25 0.25", "F1 F1- 0.01 0.01 0.01", "apart with occupancies that sum"),
        ("_atom_site_fract_z\n", "_atom_site_other\n", "_atom_site_fract_z is missing"),
    ],
)
def test_a_wrong_cif_is_refused_with_the_place(tmp_path, old, new, message):
    assert old in GOOD_CIF
    file = _written(tmp_path, GOOD_CIF.replace(old, new))
    with pytest.raises(PhaseError, match=message) as caught:
        phase_from_cif(file)
    assert caught.value.path == file


def test_space_group_and_operations_that_disagree(tmp_path):
    text = GOOD_CIF + "loop_\n_symmetry_equiv_pos_as_xyz\n'x,y,z'\n'-x,-y,-z'\n"
    with pytest.raises(PhaseError, match=r"is number 225, but the listed operations .*'P -1'"):
        phase_from_cif(_written(tmp_path, text))


def test_a_flat_cell_is_refused(tmp_path):
    text = GOOD_CIF
    for name in ("alpha", "beta", "gamma"):
        text = text.replace(f"angle_{name} 90", f"angle_{name} 120")
    with pytest.raises(PhaseError, match="120 120 120° enclose no volume"):
        phase_from_cif(_written(tmp_path, text))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_a_cif_in_any_encoding(tmp_path, encoding, newline):
    file = tmp_path / "mine.cif"
    text = GOOD_CIF.replace("data_mine\n", "data_mine\n_chemical_name_common 'fluorure doré'\n")
    file.write_bytes(text.replace("\n", newline).encode(encoding))
    assert phase_from_cif(file).name == "fluorure doré"


def test_damaged_cifs_are_read_or_refused_but_never_break(tmp_path):
    random = np.random.default_rng(1)
    good = GOOD_CIF.encode()
    file = tmp_path / "damaged.cif"
    problems: list[str] = []
    for _ in range(300):
        raw = bytearray(good)
        for place in random.integers(0, len(raw), random.integers(1, 5)):
            raw[place] = random.integers(0, 256)
        file.write_bytes(bytes(raw))
        try:
            phase = phase_from_cif(file)
        except PhaseError as problem:
            problems.append(str(problem))
        else:
            assert 1.0 < phase.cell.a_A < 200.0
    assert 20 < len(problems) < 300
    assert all(str(file) in problem for problem in problems)


def test_no_such_file(tmp_path):
    with pytest.raises(PhaseError, match="no such file"):
        phase_from_cif(tmp_path / "nowhere.cif")


def test_a_powder_pattern_is_no_structure(tmp_path):
    with pytest.raises(PhaseError, match="is it a powder pattern"):
        phase_from_cif(_written(tmp_path, "data_scan\n_pd_meas_2theta_range_min 10\n"))


@pytest.mark.parametrize("formula", ["", "ba2", "YBa2Cu3O7-x", "Xx2"])
def test_unreadable_formula(formula):
    with pytest.raises(PhaseError, match="formula"):
        formula_amounts(formula)
