import gemmi
import numpy as np
import pytest

from xrdfilm.crystal.structure import CrystalSystem
from xrdfilm.lattice.metric import CELL_PARAMETERS, cell_derivative, cell_of_metric, metric_columns

CELLS: dict[CrystalSystem, tuple[float, ...]] = {
    "cubic": (5.4, 5.4, 5.4, 90.0, 90.0, 90.0),
    "tetragonal": (3.86, 3.86, 11.83, 90.0, 90.0, 90.0),
    "hexagonal": (4.76, 4.76, 12.99, 90.0, 90.0, 120.0),
    "rhombohedral": (5.36, 5.36, 5.36, 60.1, 60.1, 60.1),
    "orthorhombic": (3.82, 3.886, 11.683, 90.0, 90.0, 90.0),
    "monoclinic": (4.684, 3.423, 5.129, 90.0, 99.54, 90.0),
    "triclinic": (5.1, 6.2, 7.3, 82.0, 95.0, 101.0),
}
HKL = np.array([(1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, 0, 1), (0, 1, 1), (1, -2, 3)])


@pytest.mark.parametrize("system", list(CELLS))
def test_metric_there_and_back_against_gemmi(system: CrystalSystem) -> None:
    unit = gemmi.UnitCell(*CELLS[system])
    squared = np.array([unit.calculate_1_d2([int(i) for i in hkl]) for hkl in HKL])
    columns = metric_columns(system, HKL)
    assert columns.shape == (len(HKL), len(CELL_PARAMETERS[system]))
    values, *_ = np.linalg.lstsq(columns, squared, rcond=None)
    assert columns @ values == pytest.approx(squared, rel=1e-9)
    assert cell_of_metric(system, values) == pytest.approx(CELLS[system], rel=1e-7)


def test_derivative_of_a_cubic_cell() -> None:
    # a = p^(-1/2): da/dp = -a³/2
    values = np.array([5.4**-2])
    found = cell_derivative("cubic", values, np.array([True]))
    assert found[:3, 0] == pytest.approx(-(5.4**3) / 2, rel=1e-6)
    assert found[3:, 0] == pytest.approx(0.0, abs=1e-6)
