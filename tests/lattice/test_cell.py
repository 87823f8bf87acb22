import sys
from pathlib import Path

import gemmi
import numpy as np
import pytest

from xrdfilm.crystal import load_phase
from xrdfilm.crystal.attenuation import refractive_decrement
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import from_normal
from xrdfilm.intensity.optics import Optics
from xrdfilm.lattice.alignment import (
    DISPLACEMENT_PRIOR_UM,
    ZERO_PRIOR_DEG,
    Alignment,
    align,
    no_alignment,
)
from xrdfilm.lattice.cell import (
    System,
    align_with_cell,
    apparent_edge,
    displacement_function,
    nelson_riley,
    refine_cell,
    solid_solution_cell,
    strain,
)
from xrdfilm.lattice.places import PLACE_FLOOR_DEG

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

OPTICS = Optics()
WAVELENGTH = OPTICS.radiation.k_alpha1_A


def places(edge_A: float, orders: list[int]) -> np.ndarray:
    return 2 * np.degrees(np.arcsin(WAVELENGTH * np.array(orders) / (2 * edge_A)))


def moved(true: np.ndarray, zero: float, displacement: float) -> np.ndarray:
    cosine = np.cos(np.radians(true) / 2)
    return np.asarray(true + zero - np.degrees(2 * displacement * 1e-3 / 240.0) * cosine)


# Order, shift in degrees, false change of c in Å, cos²θ/sinθ and Nelson-Riley function for 0.1 mm
# of displacement at R = 240 mm: a table made by hand for c = 11.68 Å, to the last digit printed.
DISPLACED = [
    (3, -0.0468, 0.0236, 4.857, 4.841),
    (5, -0.0451, 0.0132, 2.703, 2.678),
    (6, -0.0438, 0.0104, 2.132, 2.102),
    (7, -0.0424, 0.0083, 1.705, 1.672),
    (10, -0.0359, 0.0042, 0.857, 0.821),
]


@pytest.mark.parametrize(("order", "shift", "false_c", "ratio", "riley"), DISPLACED)
def test_displacement_table(
    order: int, shift: float, false_c: float, ratio: float, riley: float
) -> None:
    c = 11.6802
    true = places(c, [order])
    observed = true + Alignment(0.0, 100.0, 0.0, np.eye(3), 240.0, "auto").shift(true)
    assert observed - true == pytest.approx(shift, abs=6e-5)
    edge, _ = apparent_edge(np.array([order]), observed, np.array([1e-3]), OPTICS)
    assert edge - c == pytest.approx(false_c, abs=1.2e-4)  # the table is linear in the shift
    assert displacement_function(true) == pytest.approx(ratio, abs=6e-4)
    assert nelson_riley(true) == pytest.approx(riley, abs=6e-4)


def test_displacement_of_the_table_is_corrected() -> None:
    orders = [3, 5, 6, 7, 10]
    true = places(11.6802, orders)
    observed = moved(true, 0.0, 100.0)
    cell = refine_cell(
        [(0, 0, n) for n in orders], observed, [1e-3] * 5, OPTICS, mode="displacement"
    )
    assert cell.c_A is not None
    assert cell.c_A.value == pytest.approx(11.6802, abs=1e-5)
    assert cell.alignment.displacement_um == pytest.approx(100.0, abs=0.1)
    assert cell.a_A is None
    assert cell.b_A is None
    # the two older ways, as a check: cos²θ/sinθ is exact for displacement, the other nearly so
    by_name = {check.function: check for check in cell.checks}
    assert by_name["cos²θ/sinθ"].edge_A == pytest.approx(11.6802, abs=1e-3)
    assert abs(by_name["Nelson-Riley"].edge_A - 11.6802) < 2e-3


@pytest.mark.parametrize(
    ("system", "cell"),
    [
        ("cubic", (10.5, 10.5, 10.5, 90.0, 90.0, 90.0)),
        ("tetragonal", (3.86, 3.86, 11.83, 90.0, 90.0, 90.0)),
        ("hexagonal", (4.76, 4.76, 12.99, 90.0, 90.0, 120.0)),
        ("rhombohedral", (5.36, 5.36, 5.36, 60.1, 60.1, 60.1)),
        ("orthorhombic", (3.82, 3.886, 11.683, 90.0, 90.0, 90.0)),
        ("monoclinic", (4.684, 3.423, 5.129, 90.0, 99.54, 90.0)),
        ("triclinic", (5.1, 6.2, 7.3, 82.0, 95.0, 101.0)),
    ],
)
def test_every_system_against_gemmi(system: System, cell: tuple[float, ...]) -> None:
    unit = gemmi.UnitCell(*cell)
    grid = np.array(
        [
            (h, k, m)
            for h in range(4)
            for k in range(-3, 4)
            for m in range(-3, 4)
            if (h, k, m) > (0,) * 3
        ]
    )
    d = np.array([unit.calculate_d(list(map(int, hkl))) for hkl in grid])
    keep = d > 0.95
    true = 2 * np.degrees(np.arcsin(WAVELENGTH / (2 * d[keep])))
    found = refine_cell(
        grid[keep], moved(true, 0.03, -90.0), np.full(true.size, 1e-3), OPTICS, system=system
    )
    got = [found.a_A, found.b_A, found.c_A]
    for estimate, edge in zip(got, cell[:3], strict=True):
        assert estimate is not None
        assert estimate.value == pytest.approx(edge, abs=3e-4)
        assert abs(estimate.value - edge) < 3 * (estimate.sigma or 0.0)
    assert (found.alpha_deg, found.beta_deg, found.gamma_deg) == pytest.approx(cell[3:], abs=5e-3)
    at = found.expected_deg(grid[keep], WAVELENGTH)
    assert at == pytest.approx(moved(true, 0.03, -90.0), abs=2e-4)


def test_coverage_from_places() -> None:
    rng = np.random.default_rng(11)
    inside, errors = [], []
    substrate = places(3.79, [1, 2, 3])
    orders = [4, 5, 7, 8, 10]
    for _ in range(500):
        c, zero = rng.uniform(11.66, 11.84), rng.uniform(-0.1, 0.1)
        displacement = rng.uniform(-200, 200)
        known = align(
            moved(substrate, zero, displacement) + rng.normal(0, 5e-4, 3),
            np.full(3, 5e-4),
            substrate,
            OPTICS,
            mode="both",
        )
        sigma = np.array([2e-3, 5e-4, 1e-3, 4e-3, 3e-3])
        observed = moved(places(c, orders), zero, displacement) + rng.normal(0, sigma)
        cell = refine_cell([(0, 0, n) for n in orders], observed, sigma, OPTICS, alignment=known)
        assert cell.c_A is not None
        assert cell.c_A.value is not None
        assert cell.c_A.low is not None
        assert cell.c_A.high is not None
        inside.append(cell.c_A.low <= c <= cell.c_A.high)
        errors.append(cell.c_A.value - c)
    # binomial standard error at 95 % of 500: 1 %
    assert 0.925 <= np.mean(inside) <= 0.975
    assert np.sqrt(np.mean(np.square(errors))) < 5e-4


def test_sequential_equals_joint() -> None:
    # the substrate's alignment as prior must give what one least squares over all lines gives
    substrate, orders = places(3.905, [1, 2, 3]), [2, 5, 7]
    true = places(11.70, orders)
    rng = np.random.default_rng(4)
    seen_s = moved(substrate, 0.02, 80.0) + rng.normal(0, 1e-3, 3)
    seen_f = moved(true, 0.02, 80.0) + rng.normal(0, 1e-3, 3)
    known = align(seen_s, [1e-3] * 3, substrate, OPTICS, mode="both")
    cell = refine_cell([(0, 0, n) for n in orders], seen_f, [1e-3] * 3, OPTICS, alignment=known)

    from scipy.optimize import least_squares

    def residuals(p: np.ndarray) -> np.ndarray:
        film = moved(places(p[2], orders), p[0], p[1] * 100)
        sub = moved(substrate, p[0], p[1] * 100)
        sigma = np.hypot(1e-3, PLACE_FLOOR_DEG)
        return np.concatenate(
            [
                (seen_s - sub) / sigma,
                (seen_f - film) / sigma,
                [p[0] / ZERO_PRIOR_DEG, p[1] * 100 / DISPLACEMENT_PRIOR_UM],
            ]
        )

    joint = least_squares(residuals, [0.0, 0.0, 11.7], xtol=1e-14, ftol=1e-14, gtol=1e-14)
    sigma = np.sqrt(np.linalg.inv(joint.jac.T @ joint.jac)[2, 2])
    assert cell.c_A is not None
    assert cell.c_A.value == pytest.approx(joint.x[2], abs=2e-6)
    assert cell.c_A.sigma == pytest.approx(sigma, rel=0.01)
    parts = cell.c_A.sources
    assert sum(v**2 for v in parts.values()) == pytest.approx((cell.c_A.sigma or 0) ** 2, rel=1e-6)


def test_uneven_orders_are_told_as_possible_faults() -> None:
    orders = [2, 3, 4, 5, 6, 7, 8]
    observed = moved(places(11.69, orders), 0.0, 50.0)
    even = align_with_cell([(0, 0, n) for n in orders], observed, [1e-3] * 7, OPTICS, mode="both")
    assert not any("stacking" in note for note in even.notes)
    observed += 0.02 * (-1.0) ** np.array(orders)
    uneven = align_with_cell([(0, 0, n) for n in orders], observed, [1e-3] * 7, OPTICS, mode="both")
    assert any("stacking faults" in note for note in uneven.notes)
    assert even.c_A is not None
    assert uneven.c_A is not None
    assert (uneven.c_A.sigma or 0) > 3 * (even.c_A.sigma or 0)


def test_refraction_moves_c_as_documented() -> None:
    delta = refractive_decrement(load_phase("YBCO"), 1.5406)
    # 294 electrons in 173.4 Å³ (YBa2Cu3O6.91); r_e = 2.8179 fm
    electrons = (39 + 2 * 56 + 3 * 29 + 6.91 * 8) / 173.426
    assert delta == pytest.approx(2.8179e-5 * 1.5406**2 * electrons / (2 * np.pi), rel=1e-3)
    assert delta == pytest.approx(1.8e-5, rel=0.03)
    sine = np.sqrt((WAVELENGTH / (2 * 11.68 / 5)) ** 2 + 2 * delta)
    observed = 2 * np.degrees(np.arcsin(sine))
    exact = no_alignment(OPTICS, "zero", zero_prior_deg=1e-9)
    naive = refine_cell([(0, 0, 5)], [observed], [1e-3], OPTICS, alignment=exact)
    right = refine_cell([(0, 0, 5)], [observed], [1e-3], OPTICS, alignment=exact, decrement=delta)
    assert naive.c_A is not None
    assert right.c_A is not None
    assert (naive.c_A.value or 0) - 11.68 == pytest.approx(-0.0019, abs=1e-4)
    assert right.c_A.value == pytest.approx(11.68, abs=2e-6)


def test_undetermined_cells_are_refused() -> None:
    with pytest.raises(CannotTellError, match="c of the tetragonal"):
        refine_cell([(1, 0, 0), (2, 0, 0)], [23.0, 47.0], [1e-3] * 2, OPTICS, system="tetragonal")
    with pytest.raises(CannotTellError, match="do not determine the 3 unknowns"):
        refine_cell([(1, 1, 1), (2, 2, 2)], [33.0, 69.0], [1e-3] * 2, OPTICS)
    with pytest.raises(CannotTellError, match="no line"):
        refine_cell(np.empty((0, 3), dtype=int), [], [], OPTICS)
    with pytest.raises(ValueError, match="indices"):
        refine_cell([(0, 0, 5)], [38.5, 46.6], [1e-3] * 2, OPTICS)


def test_strain_and_solid_solution() -> None:
    found = strain(from_normal(11.70, 0.001), 11.68349, 0.0005)
    assert found.value == pytest.approx(0.001413, abs=1e-6)
    assert found.sigma == pytest.approx(np.hypot(0.001, 0.0005) / 11.68349)
    yttrium, gadolinium = load_phase("YBCO"), load_phase("GdBCO")
    mixed = solid_solution_cell([yttrium, gadolinium], [0.75, 0.25])
    expected = 0.75 * yttrium.cell.c_A + 0.25 * gadolinium.cell.c_A
    assert mixed.cell.c_A == pytest.approx(expected)
    with pytest.raises(ValueError, match="sum to 1"):
        solid_solution_cell([yttrium, gadolinium], [0.7, 0.7])


@pytest.mark.parametrize("substrate", ["LaAlO3", "SrTiO3"])
def test_simulated_films_from_counts_to_c(substrate: str) -> None:
    # the long run is benchmarks/lattice_coverage.py
    from lattice_coverage import run

    rms, coverage = run(substrate, 40, seed=3, high_deg=80.0)
    assert rms < 5e-4
    # of 40 intervals at 95 %, fewer than 34 hold the truth once in 500 runs
    assert coverage >= 34 / 40
